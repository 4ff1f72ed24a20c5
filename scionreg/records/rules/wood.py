"""Rules about what wood is recorded as: one name in a bundle, and that name on the label."""

from collections.abc import Iterator
from typing import Any

from sqlalchemy import Select, case, exists, func, or_, select
from sqlalchemy.sql import ColumnElement

from scionreg.records.rules.base import Scope, broken, holds, joined, rule
from scionreg.records.rules.references import within
from scionreg.records.tables import table
from scionreg.records.vocabulary import Trouble


def _wood(bundles_asked: Select[Any]) -> Any:
    """Return what the wood of bundles is recorded as: columns bundle and cultivar.

    One row a bundle and cultivar, by its collections' trees or as claimed; the cultivar of wood
    that nobody knows is NULL. Names are as written, aliases too.
    """
    bundles, parents = table("bundles").columns, table("bundle_parents").columns
    cuts, trees = table("collections").columns, table("mother_trees").columns
    asked = bundles_asked.subquery("asked").columns[0]
    above = select(asked.label("bundle"), asked.label("source")).cte("wood_above", recursive=True)
    above = above.union(
        select(above.columns["bundle"], parents["parent"]).join(
            above, parents["bundle"] == above.columns["source"]
        )
    )
    source = above.columns["source"]
    return (
        select(
            above.columns["bundle"],
            func.coalesce(trees["cultivar"], bundles["cultivar"]).label("cultivar"),
        )
        .distinct()
        .join_from(above, table("bundles"), bundles["bundle"] == source)
        .outerjoin(table("collections"), cuts["collection"] == bundles["collection"])
        .outerjoin(table("mother_trees"), trees["tree"] == cuts["tree"])
        .where(~exists().where(parents["bundle"] == source))
        .cte("wood")
        .prefix_with("MATERIALIZED", dialect="postgresql")
    )


def _one_cultivar(name: ColumnElement[str], other: ColumnElement[str]) -> ColumnElement[bool]:
    """Return the condition that two names, or an alias and a name, are of one cultivar."""
    cultivars = table("cultivars").columns

    def means(written: ColumnElement[str]) -> ColumnElement[bool]:
        listed = joined(";", cultivars["aliases"], ";")
        return or_(cultivars["cultivar"] == written, holds(listed, joined(";", written, ";")))

    # Names are mostly written alike: the list is read for the others only.
    return case((name == other, True), else_=exists().where(means(name), means(other)))


@rule(
    kind="dispatches",
    column="label_cultivar",
    trouble=Trouble.WARNING,
    touches=("dispatches", "graft_lots", "bundles", "bundle_parents", "collections", "cultivars"),
    why="The customer gets another cultivar than is on the label, or another lot was sent.",
    wrong="labelled {value}, but {graft_lot} is recorded as {recorded}",
    right="correct the label or the lot; if the label is right, what the wood is recorded as",
)
def label_against_wood(scope: Scope) -> Iterator[Select[Any]]:
    """Trees are labelled as a cultivar that the wood of their lot is recorded as, or may be."""
    sent, lots = table("dispatches").columns, table("graft_lots").columns
    asked = or_(within(scope, "dispatches"), scope.of("bundles", lots["bundle"]))
    labelled = (
        select(lots["bundle"])
        .distinct()
        .join_from(table("dispatches"), table("graft_lots"), lots["graft_lot"] == sent["graft_lot"])
        .where(asked, sent["label_cultivar"].is_not(None))
    )
    wood = _wood(labelled).columns
    label, cultivar = sent["label_cultivar"], wood["cultivar"]
    agrees = case((cultivar.is_(None), 1), (_one_cultivar(cultivar, label), 1), else_=0)
    yield (
        broken(
            "dispatches",
            label,
            graft_lot=sent["graft_lot"],
            recorded=func.aggregate_strings(cultivar, " or "),
        )
        .join_from(table("dispatches"), table("graft_lots"), lots["graft_lot"] == sent["graft_lot"])
        .join(wood["bundle"].table, wood["bundle"] == lots["bundle"])
        .where(asked, label.is_not(None))
        .group_by(sent["id"])
        .having(func.max(agrees) == 0)
    )


@rule(
    kind="bundles",
    column="bundle",
    trouble=Trouble.WARNING,
    touches=("bundles", "bundle_parents", "cultivars"),
    why="Nobody can tell the sticks apart later, and their trees can be sold under no name.",
    wrong="its sticks are of {first} and {second}",
    right="untie it while the sticks can be told apart, or correct its parents",
)
def two_cultivars_in_bundle(scope: Scope) -> Iterator[Select[Any]]:
    """A bundle that was tied from others holds one cultivar."""
    parents = table("bundle_parents").columns
    tied = select(parents["bundle"]).distinct().where(within(scope, "bundle_parents"))
    wood = _wood(tied)
    one, other = wood.columns, wood.alias("other").columns
    odd = (
        select(
            one["bundle"],
            func.min(one["cultivar"]).label("first"),
            func.max(other["cultivar"]).label("second"),
        )
        .where(one["bundle"] == other["bundle"], one["cultivar"] < other["cultivar"])
        .where(~_one_cultivar(one["cultivar"], other["cultivar"]))
        .group_by(one["bundle"])
        .subquery("odd")
    )
    bundles = table("bundles").columns
    yield broken("bundles", first=odd.columns["first"], second=odd.columns["second"]).join_from(
        odd, table("bundles"), bundles["bundle"] == odd.columns["bundle"]
    )
