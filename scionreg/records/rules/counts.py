"""Rules about numbers: no more comes out than went in."""

from collections.abc import Iterator
from typing import Any

from sqlalchemy import (
    CompoundSelect,
    Double,
    Select,
    case,
    cast,
    exists,
    func,
    literal,
    literal_column,
    or_,
    select,
    true,
    union_all,
)
from sqlalchemy.sql import ColumnElement

from scionreg.records.own_words import STICKS
from scionreg.records.rules.base import Scope, broken, joined, rule, season_of
from scionreg.records.rules.references import within
from scionreg.records.tables import table
from scionreg.records.vocabulary import BundleEventKind, Counting, GraftMethod, Trouble

GRAFTS_A_STICK: dict[GraftMethod, float] = {
    GraftMethod.CLEFT: 0.5,
    GraftMethod.PATCH_BUD: 3.0,
    GraftMethod.CHIP_BUD: 6.0,
    GraftMethod.T_BUD: 6.0,
    GraftMethod.INVERTED_T: 6.0,
}
"""Grafts that one stick makes, where it is not one. Estimates, for lots without counted sticks."""


def sticks_used() -> ColumnElement[float]:
    """Return SQL for the sticks a graft lot used: as counted, else by its grafts and method."""
    lots = table("graft_lots").columns
    a_stick: ColumnElement[float] = literal_column(grafts_a_stick("graft_lots.method"), Double)
    return func.coalesce(lots["sticks_used"], lots["grafts"] / a_stick)


def grafts_a_stick(method: str) -> str:
    """Return SQL for the grafts that one stick makes by the method in a column.

    A nursery's own methods tell it in their settings, which are read for no other.
    """
    known = " ".join(
        f"WHEN '{each.value}' THEN {GRAFTS_A_STICK.get(each, 1.0)}" for each in GraftMethod
    )
    start, length = STICKS
    own = (
        f"(SELECT CAST(substr(value, {start}, {length}) AS DOUBLE PRECISION) FROM settings "
        f"WHERE name = 'words.method.' || {method})"
    )
    return f"CASE {method} {known} ELSE 1.0 / coalesce({own}, 1.0) END"


def taken_from_bundles(scope: Scope) -> CompoundSelect[Any]:
    """Return SQL for every number of sticks that left a bundle: columns bundle and sticks.

    What its graft lots used is one number: they are read bundle by bundle, so that SQLite need not
    sort them among the rest.
    """
    lots, parents, log = (table(k).columns for k in ("graft_lots", "bundle_parents", "bundle_log"))
    left = (BundleEventKind.DISCARDED, BundleEventKind.SOLD)
    return union_all(
        select(lots["bundle"].label("bundle"), func.sum(sticks_used()).label("sticks"))
        .where(scope.of("bundles", lots["bundle"]))
        .group_by(lots["bundle"]),
        select(parents["parent"], parents["sticks"]).where(scope.of("bundles", parents["parent"])),
        select(log["bundle"], func.coalesce(log["sticks"], 0)).where(
            scope.of("bundles", log["bundle"]), log["event"].in_(left)
        ),
    )


def _tenths(number: ColumnElement[Any]) -> ColumnElement[float]:
    """Return SQL for a number rounded to one decimal: buds use parts of a stick."""
    return cast(func.round(number * 10) / 10.0, Double)


@rule(
    kind="bundles",
    column="sticks",
    trouble=Trouble.WARNING,
    touches=("bundles", "graft_lots", "bundle_parents", "bundle_log"),
    why="More than was there means that foreign wood came in, or a number or a bundle is wrong.",
    wrong="{used} sticks were used, sent or thrown away, but only {value} were tied",
    right="count again, or say which other bundle was used",
)
def used_more_than_packed(scope: Scope) -> Iterator[Select[Any]]:
    """No more sticks leave a bundle than were tied in it."""
    bundles, taken = table("bundles").columns, taken_from_bundles(scope).subquery("taken")
    total = (
        select(taken.columns["bundle"], func.sum(taken.columns["sticks"]).label("used"))
        .group_by(taken.columns["bundle"])
        .subquery("total")
    )
    yield (
        broken("bundles", bundles["sticks"], used=_tenths(total.columns["used"]))
        .join_from(total, table("bundles"), bundles["bundle"] == total.columns["bundle"])
        .where(total.columns["used"] > bundles["sticks"])
    )


@rule(
    kind="collections",
    column="sticks",
    trouble=Trouble.WARNING,
    touches=("collections", "bundles"),
    why="More than was cut means that foreign wood came in, or a number or a label is wrong.",
    wrong="{tied} sticks were tied in its bundles, but only {value} were cut",
    right="count again, or say where the others came from",
)
def packed_more_than_cut(scope: Scope) -> Iterator[Select[Any]]:
    """No more sticks of a collection are tied than were cut."""
    cuts, bundles = table("collections").columns, table("bundles").columns
    tied = (
        select(bundles["collection"], func.sum(bundles["sticks"]).label("tied"))
        .where(bundles["collection"].is_not(None))
        .where(scope.of("collections", bundles["collection"]))
        .group_by(bundles["collection"])
        .subquery("packed")
    )
    yield (
        broken("collections", cuts["sticks"], tied=tied.columns["tied"])
        .join_from(tied, table("collections"), cuts["collection"] == tied.columns["collection"])
        .where(tied.columns["tied"] > cuts["sticks"])
    )


@rule(
    kind="bundles",
    column="sticks",
    trouble=Trouble.WARNING,
    touches=("bundles", "bundle_parents"),
    why="The shares of a mixed bundle follow from the sticks each parent gave.",
    wrong="its parents gave {given} sticks, but {value} were tied",
    right="correct the sticks of the bundle or of its parents",
)
def parents_do_not_add_up(scope: Scope) -> Iterator[Select[Any]]:
    """The sticks that a re-bundled bundle took over add up to its sticks."""
    bundles, parents = table("bundles").columns, table("bundle_parents").columns
    given = (
        select(parents["bundle"], func.sum(parents["sticks"]).label("given"))
        .where(scope.of("bundles", parents["bundle"]))
        .group_by(parents["bundle"])
        .subquery("given")
    )
    yield (
        broken("bundles", bundles["sticks"], given=given.columns["given"])
        .join_from(given, table("bundles"), bundles["bundle"] == given.columns["bundle"])
        .where(given.columns["given"] != bundles["sticks"])
    )


@rule(
    kind="identity_checks",
    column="off",
    trouble=Trouble.REFUSED,
    touches=("identity_checks",),
    why="What was not looked at cannot have been found off.",
    wrong="{value} were off, but only {checked} were looked at",
    right="correct one of the two numbers",
)
def more_off_than_checked(scope: Scope) -> Iterator[Select[Any]]:
    """No more plants are off-type than were looked at."""
    checks = table("identity_checks").columns
    yield broken("identity_checks", checks["off"], checked=checks["checked"]).where(
        within(scope, "identity_checks"), checks["off"] > checks["checked"]
    )


@rule(
    kind="dispatches",
    column="trees",
    trouble=Trouble.REFUSED,
    touches=("dispatches", "graft_lots"),
    why="Trees that the lot never had came from somewhere else.",
    wrong="{sent} trees of {graft_lot} were sent, but only {grafts} grafts were made",
    right="correct the number, or the lot they came from",
)
def more_sent_than_grafted(scope: Scope) -> Iterator[Select[Any]]:
    """No more trees of a lot are sent than grafts were made."""
    sent, lots = table("dispatches").columns, table("graft_lots").columns
    total = (
        select(sent["graft_lot"], func.sum(sent["trees"]).label("sent"))
        .where(within(scope, "dispatches"))
        .group_by(sent["graft_lot"])
        .subquery("total")
    )
    yield (
        broken(
            "dispatches",
            sent["trees"],
            sent=total.columns["sent"],
            graft_lot=lots["graft_lot"],
            grafts=lots["grafts"],
        )
        .select_from(total)
        .join(table("graft_lots"), lots["graft_lot"] == total.columns["graft_lot"])
        .join(table("dispatches"), sent["graft_lot"] == lots["graft_lot"])
        .where(total.columns["sent"] > lots["grafts"])
    )


@rule(
    kind="dispatches",
    column="trees",
    trouble=Trouble.WARNING,
    touches=("dispatches", "take_counts", "graft_lots"),
    why="Trees beyond those that lived came from another lot, or a count or a number is wrong.",
    wrong="{sent} trees of {graft_lot} were sent since {counted}, when {live} were alive",
    right="correct the number or the lot they came from, or record a later count",
)
def sent_more_than_lived(scope: Scope) -> Iterator[Select[Any]]:
    """No more trees of a lot are sent after a count than it found alive, unless it was regrafted.

    Told of the dispatch that goes beyond, and of those after it.
    """
    sent, lots = table("dispatches").columns, table("graft_lots").columns
    again = table("graft_lots").alias("again").columns
    counts, last = table("take_counts").columns, table("take_counts").alias("last").columns
    so_far = table("dispatches").alias("so_far").columns
    last_day = (
        select(func.max(last["date"]))
        .where(last["graft_lot"] == sent["graft_lot"], last["date"] <= sent["date"])
        .scalar_subquery()
    )
    total = (
        select(func.sum(so_far["trees"]))
        .where(so_far["graft_lot"] == sent["graft_lot"], so_far["date"] >= counts["date"])
        .where(
            or_(
                so_far["date"] < sent["date"],
                (so_far["date"] == sent["date"]) & (so_far["id"] <= sent["id"]),
            )
        )
        .scalar_subquery()
    )
    regrafted = exists().where(
        again["regraft_of"] == sent["graft_lot"],
        or_(again["date"].is_(None), again["date"] > counts["date"]),
    )
    live = counts["pushing"] + func.coalesce(counts["green"], 0)
    yield (
        broken(
            "dispatches",
            sent["trees"],
            sent=total,
            graft_lot=sent["graft_lot"],
            counted=counts["date"],
            live=live,
        )
        .join_from(
            table("dispatches"), table("take_counts"), counts["graft_lot"] == sent["graft_lot"]
        )
        .join(table("graft_lots"), lots["graft_lot"] == sent["graft_lot"])
        .where(within(scope, "dispatches"), counts["date"] == last_day)
        .where(total > live, ~regrafted)
        .where(total <= lots["grafts"])  # more than that is refused
    )


CLASSES = ("pushing", "green", "dead", "stock_only", "missing", "broken")


@rule(
    kind="take_counts",
    column="pushing",
    trouble=Trouble.WARNING,
    touches=("take_counts", "graft_lots"),
    why="More than was grafted means that rootstock shoots were counted, or another lot's grafts.",
    wrong="{counted} were counted, but only {grafts} grafts were made",
    right="count again, or correct the number of grafts",
)
def more_counted_than_grafted(scope: Scope) -> Iterator[Select[Any]]:
    """The classes of a count add up to no more than the grafts made."""
    counts, lots = table("take_counts").columns, table("graft_lots").columns
    total: ColumnElement[int] = sum(
        (func.coalesce(counts[name], 0) for name in CLASSES), literal(0)
    )
    yield (
        broken("take_counts", counts["pushing"], counted=total, grafts=lots["grafts"])
        .join_from(
            table("take_counts"), table("graft_lots"), lots["graft_lot"] == counts["graft_lot"]
        )
        .where(within(scope, "take_counts"), total > lots["grafts"])
    )


@rule(
    kind="take_counts",
    column="pushing",
    trouble=Trouble.WARNING,
    touches=("take_counts", "graft_lots"),
    why="Dead grafts do not come back: a regraft was not recorded, or shoots of the rootstock "
    "were counted.",
    wrong="{value} live grafts, after {before} on {earlier_day}, and no regraft is recorded",
    right="record the regraft with its bundle, or count again",
)
def rising_count(scope: Scope) -> Iterator[Select[Any]]:
    """Live grafts of a lot do not rise from one count to a later one without a regraft."""
    later, earlier = table("take_counts").columns, table("take_counts").alias("earlier")
    again = table("graft_lots").alias("again").columns
    live = later["pushing"] + func.coalesce(later["green"], 0)
    before = earlier.columns["pushing"] + func.coalesce(earlier.columns["green"], 0)
    regrafted = exists().where(
        again["regraft_of"] == later["graft_lot"],
        or_(again["date"].is_(None), again["date"] <= later["date"]),
    )
    yield (
        broken("take_counts", live, before=before, earlier_day=earlier.columns["date"])
        .join_from(
            table("take_counts"), earlier, earlier.columns["graft_lot"] == later["graft_lot"]
        )
        .where(within(scope, "take_counts"), earlier.columns["date"] < later["date"])
        .where(live > before, ~regrafted)
    )


@rule(
    kind="bundle_log",
    column="sticks",
    trouble=Trouble.WARNING,
    touches=("bundle_log", "bundles"),
    why="Sticks do not multiply in store: another bundle was counted, or other wood was put to it.",
    wrong="{value} sticks were found in {bundle}, but only {tied} were tied",
    right="count again, look at the label, or correct the sticks that were tied",
)
def counted_more_than_tied(scope: Scope) -> Iterator[Select[Any]]:
    """A look at a bundle finds no more sticks than were tied, unless those were estimated."""
    log, bundles = table("bundle_log").columns, table("bundles").columns
    yield (
        broken("bundle_log", log["sticks"], bundle=log["bundle"], tied=bundles["sticks"])
        .join_from(table("bundle_log"), table("bundles"), bundles["bundle"] == log["bundle"])
        .where(within(scope, "bundle_log"), log["event"] == BundleEventKind.CHECKED)
        .where(log["sticks"] > bundles["sticks"])
        .where(func.coalesce(bundles["count"], "") != Counting.ESTIMATED.value)
    )


TIMES_EXPECTED = 3
"""Times the sticks expected of a tree in a year that are doubted in a season. An estimate."""
MOST_OF_A_TREE = 1500
"""Sticks of one tree in a season that are doubted where nobody wrote what is expected of it: three
times the most of any bank tree (500; `RotationValues`). An estimate."""


@rule(
    kind="collections",
    column="sticks",
    trouble=Trouble.WARNING,
    touches=("collections", "mother_trees"),
    why="More than a tree can grow was cut of other trees too, or a number or a tag is wrong.",
    wrong="{total} sticks of {tree} were cut in season {season}; {expected}",
    right="count again, and look whether all of it was cut of this tree",
)
def cut_more_than_it_grows(scope: Scope) -> Iterator[Select[Any]]:
    """No more is cut of a tree in a season than it could grow.

    That is roughly three times the sticks expected of it in a year, or 1500 where nobody wrote
    them. Told of the cutting that goes beyond, and of those after it.
    """
    cuts, trees = table("collections").columns, table("mother_trees").columns
    day = literal(scope.season_first_day)
    a_year = func.nullif(trees["sticks_per_year"], 0)
    most = func.coalesce(a_year * TIMES_EXPECTED, MOST_OF_A_TREE)
    season = season_of(cuts["date"], day)
    much = (
        select(cuts["tree"], season.label("season"))
        .join_from(table("collections"), table("mother_trees"), trees["tree"] == cuts["tree"])
        .where(cuts["date"].is_not(None), _trees_of(scope))
        .group_by(cuts["tree"], season, trees["sticks_per_year"])
        .having(func.sum(cuts["sticks"]) > most)
        .subquery("much")
    )
    total = func.sum(cuts["sticks"]).over(
        partition_by=(cuts["tree"], much.columns["season"]), order_by=(cuts["date"], cuts["id"])
    )
    running = (
        select(cuts["id"], much.columns["season"], total.label("total"))
        .join_from(
            much,
            table("collections"),
            (cuts["tree"] == much.columns["tree"]) & (season == much.columns["season"]),
        )
        .subquery("running")
    )
    expected = case(
        (a_year.is_(None), literal("hardly a tree grows so many")),
        else_=joined(a_year, " are expected of it in a year"),
    )
    yield (
        broken(
            "collections",
            cuts["sticks"],
            total=running.columns["total"],
            tree=cuts["tree"],
            season=running.columns["season"],
            expected=expected,
        )
        .join_from(running, table("collections"), cuts["id"] == running.columns["id"])
        .join(table("mother_trees"), trees["tree"] == cuts["tree"])
        .where(running.columns["total"] > most)
    )


def _trees_of(scope: Scope) -> ColumnElement[bool]:
    """Return the condition that a collection is of a tree to judge, or of a judged one's tree."""
    if scope.codes is None:
        return true()
    tree, mine = table("collections").columns["tree"], table("collections").alias("mine").columns
    judged = select(mine["tree"]).where(scope.of("collections", mine["collection"]))
    return or_(scope.of("mother_trees", tree), tree.in_(judged))
