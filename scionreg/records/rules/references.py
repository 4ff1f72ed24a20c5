"""Rules about names and references: everything that is named exists, once."""

from collections.abc import Iterator, Mapping
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Select,
    and_,
    case,
    exists,
    func,
    literal,
    not_,
    or_,
    select,
    true,
)

from scionreg.records.cells import CultivarName, Ref
from scionreg.records.names import EPITHET_LENGTH
from scionreg.records.rules.base import (
    Scope,
    broken,
    holds,
    joined,
    lot_of,
    one_of,
    position_of,
    rule,
)
from scionreg.records.tables import KINDS, code_column, fields, table
from scionreg.records.vocabulary import Found, Trouble

OWNER: dict[str, tuple[str, str]] = {
    "tree_events": ("mother_trees", "tree"),
    "bundle_parents": ("bundles", "bundle"),
    "bundle_log": ("bundles", "bundle"),
    "take_counts": ("graft_lots", "graft_lot"),
    "store_readings": ("stores", "store"),
}
"""Kinds judged with the record they hang on: that record's kind, and the column that names it."""


def within(scope: Scope, kind: str) -> ColumnElement[bool]:
    """Return the condition that a record of `kind` is among those to judge."""
    if kind == "dispatches":
        return _sent_with(scope)
    owner, column = OWNER.get(kind, (kind, KINDS[kind].KEY[0]))
    return scope.of(owner, table(kind).columns[column])


def _sent_with(scope: Scope) -> ColumnElement[bool]:
    """Return the condition that a dispatch is of a lot to judge, or of a judged dispatch's lot.

    What was sent of a lot before counts too when more of it is sent.
    """
    lot, mine = table("dispatches").columns["graft_lot"], table("dispatches").alias("mine").columns
    lots = select(mine["graft_lot"]).where(scope.of("dispatches", mine["dispatch"]))
    return or_(scope.of("graft_lots", lot), lot.in_(lots))


def columns_holding(cell: type) -> Iterator[tuple[str, Any]]:
    """Yield every kind and column whose cell is of a type."""
    for kind in KINDS:
        for column in fields(kind):
            if isinstance(column.info["cell"], cell):
                yield kind, column


@rule(
    trouble=Trouble.REFUSED,
    touches=tuple(KINDS),
    why="A record that points at nothing breaks the chain.",
    wrong="there is no {target} '{value}'",
    right="record it first, or correct the code",
)
def unknown_reference(scope: Scope) -> Iterator[Select[Any]]:
    """Every code that a record names is the code of a record."""
    for kind, column in columns_holding(Ref):
        cell = column.info["cell"]
        named = lot_of(column) if cell.single else column
        known = [_is_code_of(target, named) for target in cell.kinds]
        target = literal(one_of(cell.kinds))
        yield broken(kind, column, at_column=literal(column.name), target=target).where(
            within(scope, kind), column.is_not(None), not_(or_(*known))
        )


def _is_code_of(kind: str, named: ColumnElement[str]) -> ColumnElement[bool]:
    """Return the condition that `named` is a code of `kind`, which may be the table it is in."""
    target = table(kind).alias("target")
    return exists().where(target.columns[code_column(kind).name] == named)


@rule(
    trouble=Trouble.REFUSED,
    touches=("identity_checks", "genotypes", "holds", "mother_trees", "graft_lots"),
    why="A place that the lot does not have cannot be looked up again.",
    wrong="{value} is outside the positions of its graft lot, {run}",
    right="correct the position or the lot",
)
def no_such_position(scope: Scope) -> Iterator[Select[Any]]:
    """A single graft named as graft lot/position stands at one of the lot's positions."""
    lots = table("graft_lots").columns
    run = _run(lots)
    for kind in ("identity_checks", "genotypes", "holds"):
        item = table(kind).columns["item"]
        place = position_of(item)
        yield (
            broken(kind, item, at_column=literal("item"), run=run)
            .join_from(table(kind), table("graft_lots"), lots["graft_lot"] == lot_of(item))
            .where(within(scope, kind), place.is_not(None))
            .where(or_(place < lots["first"], place > lots["last"]))
        )
    trees = table("mother_trees").columns
    own = trees["graft_position"]
    yield (
        broken("mother_trees", own, at_column=literal("graft_position"), run=run)
        .join_from(
            table("mother_trees"), table("graft_lots"), lots["graft_lot"] == trees["graft_lot"]
        )
        .where(within(scope, "mother_trees"))
        .where(or_(own < lots["first"], own > lots["last"]))
    )


def _run(lots: Any) -> ColumnElement[str]:
    return joined(lots["first"], " to ", lots["last"])


def _cultivar_named(name: ColumnElement[str]) -> tuple[ColumnElement[bool], ColumnElement[bool]]:
    """Return the conditions that `name` is a cultivar, and that it is an alias of one."""
    cultivars = table("cultivars").columns
    listed = joined(";", cultivars["aliases"], ";")
    return (
        exists().where(cultivars["cultivar"] == name),
        exists().where(holds(listed, joined(";", name, ";"))),
    )


def _named(scope: Scope) -> Iterator[tuple[str, Any, Select[Any]]]:
    """Yield every column that names a cultivar, with its distinct names among those to judge."""
    for kind, column in columns_holding(CultivarName):
        condition = (
            column.not_in([word.value for word in Found])
            if column.info["cell"].or_found
            else column.is_not(None)
        )
        yield kind, column, select(column).where(within(scope, kind), condition).distinct()


@rule(
    trouble=Trouble.REFUSED,
    touches=("cultivars", *(kind for kind, _ in columns_holding(CultivarName))),
    why="A name that is not on the list may be a slip, a synonym or a homonym; nobody can tell "
    "later, so it is asked now.",
    wrong="there is no cultivar '{value}'",
    right="use a name on the list, add it to the aliases of its cultivar, or record the cultivar",
)
def unknown_cultivar(scope: Scope) -> Iterator[Select[Any]]:
    """A cultivar is named by its name or by an alias on the list."""
    for kind, column, names in _named(scope):
        used = names.subquery()
        name, alias = _cultivar_named(used.columns[0])
        unknown = select(used.columns[0]).where(not_(name), not_(alias))
        yield broken(kind, column, at_column=literal(column.name)).where(
            within(scope, kind), column.in_(unknown)
        )


@rule(
    trouble=Trouble.WARNING,
    touches=("cultivars", *(kind for kind, _ in columns_holding(CultivarName))),
    why="The alias is kept as written and read as its cultivar; one alias can come to mean two "
    "cultivars.",
    wrong="'{value}' is an alias of {cultivar}",
    right="write {cultivar}",
)
def alias_used(scope: Scope) -> Iterator[Select[Any]]:
    """A cultivar is written by its name."""
    cultivars = table("cultivars").columns
    for kind, column, names in _named(scope):
        used = names.subquery()
        name, _ = _cultivar_named(used.columns[0])
        aliases = select(used.columns[0]).where(not_(name))
        listed = joined(";", cultivars["aliases"], ";")
        yield (
            broken(kind, column, at_column=literal(column.name), cultivar=cultivars["cultivar"])
            .join_from(
                table(kind),
                table("cultivars"),
                holds(listed, joined(";", column, ";")),
            )
            .where(within(scope, kind), column.in_(aliases))
        )


LEAST_ALIKE = 5
"""Letters of the shorter of two names from which on one letter off is told."""


def _look_alike(found: Mapping[str, Any]) -> bool:
    """Tell whether two names differ by case alone, or by one letter, wrong, lacking or swapped."""
    names = (str(found["key_0"]), str(found["other"]))
    one, other = sorted((name.casefold() for name in names), key=len)
    if one == other:
        return True
    if len(one) < LEAST_ALIKE or len(other) - len(one) > 1:
        return False
    at = next((i for i, (a, b) in enumerate(zip(one, other, strict=False)) if a != b), len(one))
    if len(one) < len(other):
        return one[at:] == other[at + 1 :]
    swapped = one[at + 1 : at + 2] + one[at : at + 1] + one[at + 2 :]
    return one[at + 1 :] == other[at + 1 :] or swapped == other[at:]


@rule(
    kind="cultivars",
    column="cultivar",
    trouble=Trouble.WARNING,
    touches=("cultivars",),
    why="One cultivar under two names is counted, planned and sold as two; a slip makes a second.",
    wrong="'{value}' looks like {other}, which is recorded too",
    right="if they are one, make it an alias of {other} and void this one; else leave both",
    keep=_look_alike,
)
def similar_cultivar(scope: Scope) -> Iterator[Select[Any]]:
    """Names of cultivars differ by more than case, and longer ones by more than one letter."""
    mine, other = table("cultivars"), table("cultivars").alias("other")
    name, before = mine.columns["cultivar"], other.columns["cultivar"]
    # A name one letter off has the first letter or the last one in common.
    ends = or_(
        func.lower(func.substr(name, 1, 1)) == func.lower(func.substr(before, 1, 1)),
        func.lower(func.substr(name, func.length(name), 1))
        == func.lower(func.substr(before, func.length(before), 1)),
    )
    yield (
        broken("cultivars", name, other=before)
        .join_from(mine, other, mine.columns["id"] > other.columns["id"])
        .where(
            func.abs(func.length(name) - func.length(before)) <= 1,
            ends,
            or_(scope.of("cultivars", name), scope.of("cultivars", before)),
        )
    )


def _share_a_name(found: Mapping[str, Any]) -> bool:
    """Tell whether two cultivars have a name or alias in common."""
    mine = {found["key_0"], *(found["value"] or "").split(";")} - {""}
    other = {found["other"], *(found["other_aliases"] or "").split(";")} - {""}
    return bool(mine & other)


@rule(
    kind="cultivars",
    column="aliases",
    trouble=Trouble.REFUSED,
    touches=("cultivars",),
    why="A name that means two cultivars means neither.",
    wrong="its name or one of its aliases also means {other}",
    right="leave the name to one of the two",
    keep=_share_a_name,
)
def ambiguous_name(scope: Scope) -> Iterator[Select[Any]]:
    """A name or alias belongs to one cultivar."""
    mine, other = table("cultivars"), table("cultivars").alias("other")
    yield broken(
        "cultivars",
        mine.columns["aliases"],
        other=other.columns["cultivar"],
        other_aliases=other.columns["aliases"],
    ).where(
        mine.columns["id"] != other.columns["id"],
        scope.of("cultivars", mine.columns["cultivar"]),
    )


def _names_a_stranger(found: Mapping[str, Any]) -> bool:
    """Tell whether a list of cultivars names one that is not recorded."""
    return not set(found["value"].split(";")) <= set(found["known"].split(";"))


@rule(
    kind="cultivars",
    column="cannot_tell_from",
    trouble=Trouble.REFUSED,
    touches=("cultivars",),
    why="A marker result that agrees with a cultivar agrees with these too; a name that is not on "
    "the list would be left out of the answer.",
    wrong="'{value}' names a cultivar that is not recorded",
    right="use names on the list, or record the cultivar",
    keep=_names_a_stranger,
)
def unknown_lookalike(scope: Scope) -> Iterator[Select[Any]]:
    """Cultivars that no marker separates are named by their names."""
    cultivars, all_names = table("cultivars").columns, table("cultivars").alias("all_names").columns
    known = select(func.aggregate_strings(all_names["cultivar"], ";")).scalar_subquery()
    yield broken("cultivars", cultivars["cannot_tell_from"], known=known).where(
        scope.of("cultivars", cultivars["cultivar"]), cultivars["cannot_tell_from"].is_not(None)
    )


@rule(
    kind="cultivars",
    column="cultivar",
    trouble=Trouble.WARNING,
    touches=("cultivars",),
    why="Since 1996 the Cultivated Plant Code (9th ed. 2016) allows 30 characters, spaces not "
    "counted; older names may be longer.",
    wrong="'{value}' is longer than a cultivar name of today may be",
    right="keep it if it is older than 1996",
)
def long_cultivar_name(scope: Scope) -> Iterator[Select[Any]]:
    """A cultivar's name is at most 30 characters long."""
    name = table("cultivars").columns["cultivar"]
    bare = func.replace(func.replace(name, " ", ""), "'", "")
    yield broken("cultivars", name).where(
        scope.of("cultivars", name), func.length(bare) > EPITHET_LENGTH
    )


@rule(
    kind="cultivars",
    column="cultivar",
    trouble=Trouble.REFUSED,
    touches=("cultivars",),
    why="A cultivar named like its genus cannot be told from the genus (Cultivated Plant Code, "
    "9th ed. 2016).",
    wrong="'{value}' is the name of the genus",
    right="write the cultivar's own name",
)
def cultivar_named_as_genus(scope: Scope) -> Iterator[Select[Any]]:
    """A cultivar does not have the name of its genus."""
    columns = table("cultivars").columns
    name, species = func.lower(columns["cultivar"]), func.lower(columns["species"])
    yield broken("cultivars", columns["cultivar"]).where(
        scope.of("cultivars", columns["cultivar"]),
        holds(joined(" ", species, " "), joined(" ", name, " ")),
    )


@rule(
    kind="bundles",
    column="collection",
    trouble=Trouble.REFUSED,
    touches=("bundles", "bundle_parents"),
    why="A bundle that could be from two places is from neither; mixed wood is said by naming its "
    "parents.",
    wrong="the bundle has {value}",
    right="name one only: its collection, who it was received from, or its parent bundles; of wood "
    "found without a label, say so in the column unlabelled",
)
def one_source(scope: Scope) -> Iterator[Select[Any]]:
    """A bundle has one source: a collection, or somebody outside, or parent bundles.

    One that was found without a label has none.
    """
    bundles, parents = table("bundles").columns, table("bundle_parents").columns
    has_parents = exists().where(parents["bundle"] == bundles["bundle"])
    collection, received = bundles["collection"].is_not(None), bundles["received_from"].is_not(None)
    said = [
        case((condition, literal(words)), else_=literal(""))
        for condition, words in (
            (collection, " and a collection"),
            (received, " and somebody it was received from"),
            (has_parents, " and parent bundles"),
        )
    ]
    sources = func.substr(joined(*said), len(" and ") + 1)
    yield (
        broken("bundles", case((sources == "", literal("no source")), else_=sources))
        .where(scope.of("bundles", bundles["bundle"]))
        .where(
            or_(
                and_(
                    not_(or_(collection, received, has_parents)),
                    bundles["unlabelled"].is_not(true()),
                ),
                and_(collection, received),
                and_(collection, has_parents),
                and_(received, has_parents),
            )
        )
    )


@rule(
    kind="bundles",
    column="unlabelled",
    trouble=Trouble.REFUSED,
    touches=("bundles", "bundle_parents"),
    why="Wood that nobody knows has no source; what is suspected is for the notes.",
    wrong="the bundle was found without a label, and has {value}",
    right="leave its source and cultivar empty, or correct the column unlabelled",
)
def unlabelled_with_source(scope: Scope) -> Iterator[Select[Any]]:
    """Wood that was found without a label has no recorded source and no cultivar."""
    bundles, parents = table("bundles").columns, table("bundle_parents").columns
    named = case(
        (bundles["collection"].is_not(None), literal("a collection")),
        (bundles["received_from"].is_not(None), literal("somebody it was received from")),
        (exists().where(parents["bundle"] == bundles["bundle"]), literal("parent bundles")),
        (bundles["cultivar"].is_not(None), literal("a cultivar")),
    )
    yield broken("bundles", named).where(
        scope.of("bundles", bundles["bundle"]),
        bundles["unlabelled"].is_(true()),
        named.is_not(None),
    )


@rule(
    kind="permissions",
    column="tree",
    trouble=Trouble.REFUSED,
    touches=("permissions",),
    why="A permission that is for everything or nothing says nothing.",
    wrong="the permission is for {value}",
    right="name the tree, or the block, and not both",
)
def permission_for_one(scope: Scope) -> Iterator[Select[Any]]:
    """A permission is for one tree or for one block."""
    given = table("permissions").columns
    neither = and_(given["tree"].is_(None), given["block"].is_(None))
    both = and_(given["tree"].is_not(None), given["block"].is_not(None))
    value = case((neither, literal("no tree and no block")), else_=literal("a tree and a block"))
    yield broken("permissions", value).where(
        scope.of("permissions", given["permission"]), or_(neither, both)
    )


@rule(
    kind="bundles",
    column="cultivar",
    trouble=Trouble.REFUSED,
    touches=("bundles",),
    why="Wood from outside is known by its claimed name alone; wood of one's own by its tree.",
    wrong="the bundle was received from {value} without a cultivar",
    right="write the cultivar it was received as",
)
def received_without_cultivar(scope: Scope) -> Iterator[Select[Any]]:
    """A bundle received from outside says which cultivar it is claimed to be."""
    bundles = table("bundles").columns
    yield broken("bundles", bundles["received_from"]).where(
        scope.of("bundles", bundles["bundle"]),
        bundles["received_from"].is_not(None),
        bundles["cultivar"].is_(None),
    )
