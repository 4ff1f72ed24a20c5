"""Rules about time: things happen in an order, by hands that can be in one place at a time."""

import datetime as dt
from collections.abc import Iterator, Mapping
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Date,
    Select,
    String,
    Subquery,
    case,
    cast,
    func,
    literal,
    or_,
    select,
    tuple_,
)

from scionreg.records.columns import UtcMoment
from scionreg.records.rules.base import Scope, broken, joined, odd_rows, rule
from scionreg.records.rules.references import within
from scionreg.records.tables import KINDS, fields, table
from scionreg.records.vocabulary import GraftMethod, Trouble

LATER = {"rights_until", "valid_from", "valid_until"}
"""Days that may well lie in the future."""
NO_DATE_EXPECTED = LATER | {"planted", "received"}
"""Dates that a record may lack without anything being lost from the chain."""

GRAFTS_A_DAY: dict[GraftMethod, int] = {
    GraftMethod.FOUR_FLAP: 200,
    GraftMethod.THREE_FLAP: 200,
    GraftMethod.INLAY_BARK: 200,
    GraftMethod.WHIP: 2500,
    GraftMethod.WHIP_AND_TONGUE: 2500,
    GraftMethod.CLEFT: 250,
    GraftMethod.SADDLE: 3000,
    GraftMethod.SIDE: 200,
    GraftMethod.HOT_CALLUS: 600,
    GraftMethod.PATCH_BUD: 700,
    GraftMethod.CHIP_BUD: 3000,
    GraftMethod.T_BUD: 4000,
    GraftMethod.INVERTED_T: 3000,
}
"""More than one person with a helper makes in a day. Estimates; the nursery knows better."""


def dates(skip: set[str]) -> Iterator[tuple[str, Any]]:
    """Yield every column that holds a day or a time, but those named in `skip`."""
    for kind in KINDS:
        for column in fields(kind):
            if isinstance(column.type, Date | UtcMoment) and column.name not in skip:
                yield kind, column


def kinds_dated(skip: set[str]) -> tuple[str, ...]:
    """Return the kinds that have such a column."""
    return tuple(dict.fromkeys(kind for kind, _ in dates(skip)))


def parts_of_dates() -> Iterator[tuple[str, Any, Any]]:
    """Yield each kind's days beside which a year or month may stand, and the columns of those."""
    for kind, column in dates(skip=set()):
        beside = getattr(column.info["cell"], "else_in", "")
        if beside:
            yield kind, column, table(kind).columns[beside]


def _after(column: Any, day: dt.date) -> ColumnElement[bool]:
    """Return the condition that a day or time lies after `day`, wherever on earth that is."""
    last: Any = literal(day, Date())
    if isinstance(column.type, UtcMoment):
        noon = dt.datetime.combine(day + dt.timedelta(days=1), dt.time(12), dt.UTC)
        last = literal(noon, UtcMoment())
    later: ColumnElement[bool] = column > last
    return later


@rule(
    trouble=Trouble.REFUSED,
    touches=kinds_dated(skip=LATER),
    why="What has not happened yet cannot have been recorded; the year is probably wrong.",
    wrong="{value} lies in the future",
    right="correct the date",
    screen=odd_rows,
)
def future_date(scope: Scope) -> Iterator[Select[Any]]:
    """What is recorded has happened: its day or time is not in the future."""
    for kind, column in dates(skip=LATER):
        yield broken(kind, column, at_column=literal(column.name)).where(
            within(scope, kind), _after(column, scope.today)
        )
    for kind, _, part in parts_of_dates():
        begun = func.substr(scope.today.isoformat(), 1, func.length(part))
        yield broken(kind, part, at_column=literal(part.name)).where(
            within(scope, kind), part > begun
        )


@rule(
    trouble=Trouble.WARNING,
    touches=kinds_dated(skip=NO_DATE_EXPECTED),
    why="An old record without its date is taken, but its link in the chain is at best likely.",
    wrong="{known}",
    right="add it if anybody knows",
    screen=odd_rows,
)
def unknown_date(scope: Scope) -> Iterator[Select[Any]]:
    """Whatever happened to a tree, bundle or lot has its day or time."""
    beside = {(kind, day.name): part for kind, day, part in parts_of_dates()}
    for kind, column in dates(skip=NO_DATE_EXPECTED):
        known: Any = literal("the date is not recorded")
        part = beside.get((kind, column.name))
        if part is not None:
            only = joined("of the date only ", part, " is recorded")
            known = case((part.is_(None), known), else_=only)
        yield broken(kind, at_column=literal(column.name), known=known).where(
            within(scope, kind), column.is_(None)
        )


@rule(
    trouble=Trouble.REFUSED,
    touches=tuple(dict.fromkeys(kind for kind, _, _ in parts_of_dates())),
    why="A year or month is for a day that nobody knows; of two that differ one is wrong.",
    wrong="{value} is not when {day} was",
    right="correct one of them, or leave the year or month empty",
    screen=odd_rows,
)
def part_of_another_date(scope: Scope) -> Iterator[Select[Any]]:
    """A year or month beside a day is the day's own."""
    for kind, day, part in parts_of_dates():
        written = cast(day, String)
        yield broken(kind, part, at_column=literal(part.name), day=written).where(
            within(scope, kind), func.substr(written, 1, func.length(part)) != part
        )


def _first_use(scope: Scope) -> Subquery:
    """Return each bundle's first day of grafting: few rows, so that what follows is quick."""
    lots = table("graft_lots").columns
    return (
        select(lots["bundle"], func.min(lots["date"]).label("day"))
        .where(scope.of("bundles", lots["bundle"]))
        .group_by(lots["bundle"])
        .subquery("first_use")
    )


def _mixed_wood(scope: Scope) -> Any:
    """Return the cuttings that each re-bundled bundle's sticks came from.

    PostgreSQL cannot guess how many a recursive query finds, so it is told to find them first.
    """
    parents, cuts = table("bundle_parents").columns, table("collections").columns
    bundles = table("bundles").columns
    above = (
        select(parents["bundle"], parents["parent"].label("source"))
        .where(scope.of("bundles", parents["bundle"]))
        .cte("above", recursive=True)
    )
    above = above.union(
        select(above.columns["bundle"], parents["parent"]).join(
            above, parents["bundle"] == above.columns["source"]
        )
    )
    return (
        select(above.columns["bundle"], cuts["collection"], cuts["date"].label("cut"))
        .join_from(above, table("bundles"), bundles["bundle"] == above.columns["source"])
        .join(table("collections"), cuts["collection"] == bundles["collection"])
        .cte("mixed_wood")
        .prefix_with("MATERIALIZED", dialect="postgresql")
    )


def _used_early(scope: Scope) -> Iterator[Select[Any]]:
    """Yield queries for bundles that were used before they were tied, or before a cutting."""
    bundles, cuts = table("bundles").columns, table("collections").columns
    first = _first_use(scope)
    yield (
        select(bundles["id"])
        .join_from(first, table("bundles"), bundles["bundle"] == first.columns["bundle"])
        .outerjoin(table("collections"), cuts["collection"] == bundles["collection"])
        .where(or_(first.columns["day"] < bundles["packed"], first.columns["day"] < cuts["date"]))
    )
    lots, wood = table("graft_lots").columns, _mixed_wood(scope).columns
    yield select(lots["id"]).where(lots["bundle"] == wood["bundle"], lots["date"] < wood["cut"])


@rule(
    kind="graft_lots",
    column="date",
    trouble=Trouble.REFUSED,
    touches=("graft_lots", "bundles", "bundle_parents", "collections"),
    why="Wood cannot be used before it was cut; a date or a bundle is wrong.",
    wrong="grafted on {value}, but its wood was cut on {cut} ({collection})",
    right="correct the day of the grafting, its bundle, or the day of the cutting",
    screen=_used_early,
)
def used_before_cut(scope: Scope) -> Iterator[Select[Any]]:
    """Wood is grafted on or after the day it was cut."""
    lots, cuts = table("graft_lots").columns, table("collections").columns
    bundles, first = table("bundles").columns, _first_use(scope)
    yield (
        broken("graft_lots", lots["date"], cut=cuts["date"], collection=cuts["collection"])
        .select_from(first)
        .join(table("bundles"), bundles["bundle"] == first.columns["bundle"])
        .join(table("collections"), cuts["collection"] == bundles["collection"])
        .join(table("graft_lots"), lots["bundle"] == first.columns["bundle"])
        .where(first.columns["day"] < cuts["date"], lots["date"] < cuts["date"])
    )
    wood = _mixed_wood(scope).columns
    yield (
        broken("graft_lots", lots["date"], cut=wood["cut"], collection=wood["collection"])
        .select_from(table("graft_lots"))
        .where(lots["bundle"] == wood["bundle"], lots["date"] < wood["cut"])
    )


@rule(
    kind="graft_lots",
    column="date",
    trouble=Trouble.REFUSED,
    touches=("graft_lots", "bundles"),
    why="A bundle cannot be used before it was tied; a date or a bundle is wrong.",
    wrong="grafted on {value}, but its bundle {bundle} was tied on {packed}",
    right="correct the day of the grafting, its bundle, or the day the bundle was tied",
    screen=_used_early,
)
def used_before_packed(scope: Scope) -> Iterator[Select[Any]]:
    """Wood is grafted on or after the day its bundle was tied."""
    lots, bundles, first = table("graft_lots").columns, table("bundles").columns, _first_use(scope)
    yield (
        broken("graft_lots", lots["date"], bundle=lots["bundle"], packed=bundles["packed"])
        .select_from(first)
        .join(table("bundles"), bundles["bundle"] == first.columns["bundle"])
        .join(table("graft_lots"), lots["bundle"] == first.columns["bundle"])
        .where(first.columns["day"] < bundles["packed"], lots["date"] < bundles["packed"])
    )


@rule(
    kind="bundles",
    column="packed",
    trouble=Trouble.REFUSED,
    touches=("bundles", "collections", "bundle_parents"),
    why="Sticks cannot be tied before they were cut, nor taken from a bundle not yet tied.",
    wrong="tied on {value}, but its wood ({source}) is of {day}",
    right="correct one of the two days, or the source",
)
def packed_before_cut(scope: Scope) -> Iterator[Select[Any]]:
    """A bundle is tied on or after the day its wood was cut or its parents were tied."""
    bundles, cuts = table("bundles").columns, table("collections").columns
    yield (
        broken("bundles", bundles["packed"], source=cuts["collection"], day=cuts["date"])
        .join_from(
            table("bundles"), table("collections"), cuts["collection"] == bundles["collection"]
        )
        .where(scope.of("bundles", bundles["bundle"]), bundles["packed"] < cuts["date"])
    )
    links, parents = table("bundle_parents").columns, table("bundles").alias("parents")
    yield (
        broken(
            "bundles",
            bundles["packed"],
            source=parents.columns["bundle"],
            day=parents.columns["packed"],
        )
        .select_from(table("bundle_parents"))
        .join(table("bundles"), bundles["bundle"] == links["bundle"])
        .join(parents, parents.columns["bundle"] == links["parent"])
        .where(scope.of("bundles", links["bundle"]))
        .where(bundles["packed"] < parents.columns["packed"])
    )


def _is_before(found: Mapping[str, Any]) -> bool:
    """Tell whether a time is of a day before another, wherever on earth it was written."""
    tied = dt.datetime.combine(dt.date.fromisoformat(found["packed"]), dt.time())
    return dt.datetime.fromisoformat(found["at"]) <= tied - dt.timedelta(hours=12)


@rule(
    kind="bundle_log",
    column="time",
    trouble=Trouble.WARNING,
    touches=("bundle_log", "bundles"),
    why="What was looked at or moved before was another bundle, or one of the two days is wrong.",
    wrong="{at} UTC is before {bundle} was tied, {packed}",
    right="correct one of the two days, or the bundle",
    keep=_is_before,
)
def logged_before_tied(scope: Scope) -> Iterator[Select[Any]]:
    """What happens to a bundle is of the day it was tied, or later."""
    log, bundles = table("bundle_log").columns, table("bundles").columns
    yield (
        broken("bundle_log", at=log["time"], bundle=log["bundle"], packed=bundles["packed"])
        .join_from(table("bundle_log"), table("bundles"), bundles["bundle"] == log["bundle"])
        .where(within(scope, "bundle_log"), log["time"] < bundles["packed"])
    )


@rule(
    column="date",
    trouble=Trouble.REFUSED,
    touches=("take_counts", "dispatches", "graft_lots"),
    why="Grafts cannot be counted or sent before they were made.",
    wrong="{value} is before the lot was grafted, {grafted}",
    right="correct one of the two days, or the lot",
)
def before_grafting(scope: Scope) -> Iterator[Select[Any]]:
    """Counts and dispatches of a graft lot are of the day it was grafted, or later."""
    lots = table("graft_lots").columns
    for kind in ("take_counts", "dispatches"):
        later = table(kind).columns
        yield (
            broken(kind, later["date"], grafted=lots["date"])
            .join_from(table(kind), table("graft_lots"), lots["graft_lot"] == later["graft_lot"])
            .where(within(scope, kind), later["date"] < lots["date"])
        )


@rule(
    kind="mother_trees",
    column="planted",
    trouble=Trouble.REFUSED,
    touches=("mother_trees", "graft_lots"),
    why="A tree grown here was a graft first.",
    wrong="planted on {value}, but grafted on {grafted} in {graft_lot}",
    right="correct one of the two days, or the graft lot",
)
def planted_before_grafted(scope: Scope) -> Iterator[Select[Any]]:
    """A tree grown here was planted on or after the day its graft was made."""
    trees, lots = table("mother_trees").columns, table("graft_lots").columns
    yield (
        broken("mother_trees", trees["planted"], grafted=lots["date"], graft_lot=lots["graft_lot"])
        .join_from(
            table("mother_trees"), table("graft_lots"), lots["graft_lot"] == trees["graft_lot"]
        )
        .where(within(scope, "mother_trees"), trees["planted"] < lots["date"])
    )


def _days_of(scope: Scope, kind: str, hand: str) -> Any:
    """Return the condition that a record's hand and day are among those to judge."""
    columns = table(kind).columns
    if scope.codes is None:
        return columns[hand].is_not(None)
    mine = table(kind).alias("mine")
    code = KINDS[kind].KEY[0]
    days = select(mine.columns[hand], mine.columns["date"]).where(
        scope.of(kind, mine.columns[code])
    )
    return tuple_(columns[hand], columns["date"]).in_(days)


HANDS = (("collections", "cutter"), ("graft_lots", "grafter"))
"""Kinds whose records have a turn in somebody's day, and the column that names the person."""


def _work(lots: Any) -> ColumnElement[float]:
    """Return SQL for the days' work that graft lots add up to."""
    # A CASE asks in order: what makes many a day is what is done most.
    fastest_first = sorted(GRAFTS_A_DAY.items(), key=lambda item: -item[1])
    a_graft = case(
        *((lots["method"] == method, 1.0 / limit) for method, limit in fastest_first), else_=0.0
    )
    return func.sum(lots["grafts"] * a_graft)


def _crowded_days(scope: Scope) -> Iterator[Select[Any]]:
    """Yield queries for the days on which a hand has a turn twice, or does a day's work."""
    for kind, hand in HANDS:
        columns = table(kind).columns
        turn = columns["order_in_day"]
        crowded = func.count(turn) > func.count(turn.distinct())
        if kind == "graft_lots":
            crowded |= _work(columns) > 0.999  # however the sum is rounded
        yield (
            select(columns["date"])
            .where(columns["date"].is_not(None), _days_of(scope, kind, hand))
            .group_by(columns["date"], columns[hand])  # sorts quickly: lots come in by day
            .having(crowded)
        )


@rule(
    column="order_in_day",
    trouble=Trouble.WARNING,
    touches=("collections", "graft_lots"),
    why="One hand does one thing at a time; a row was perhaps copied down, or a day mistaken.",
    wrong="{hand} has the turn {value} of {day} twice",
    right="correct the turn, the day or the person",
    screen=_crowded_days,
)
def same_turn_twice(scope: Scope) -> Iterator[Select[Any]]:
    """A person's turns of one day are all different."""
    for kind, hand in HANDS:
        columns = table(kind).columns
        turn = (columns[hand], columns["date"], columns["order_in_day"])
        twice = (
            select(*turn)
            .where(columns["order_in_day"].is_not(None), columns["date"].is_not(None))
            .where(_days_of(scope, kind, hand))
            .group_by(*turn)
            .having(func.count() > 1)
        )
        yield broken(kind, columns["order_in_day"], hand=columns[hand], day=columns["date"]).where(
            tuple_(*turn).in_(twice)
        )


@rule(
    kind="graft_lots",
    column="grafts",
    trouble=Trouble.WARNING,
    touches=("graft_lots",),
    why="More than anybody makes in a day means a wrong day, a wrong hand or a wrong number.",
    wrong="{grafter} made {day_total} grafts on {day}, more than a day's work",
    right="correct the day, the person or the number",
    screen=_crowded_days,
)
def impossible_day(scope: Scope) -> Iterator[Select[Any]]:
    """A person's grafts of one day are no more than a day's work."""
    lots = table("graft_lots").columns
    busy = (
        select(lots["grafter"], lots["date"], func.sum(lots["grafts"]).label("total"))
        .where(lots["date"].is_not(None), _days_of(scope, "graft_lots", "grafter"))
        .group_by(lots["grafter"], lots["date"])
        .having(_work(lots) > 1.0)
        .subquery("busy")
    )
    yield (
        broken(
            "graft_lots",
            lots["grafts"],
            grafter=lots["grafter"],
            day=lots["date"],
            day_total=busy.columns["total"],
        ).join_from(
            busy,
            table("graft_lots"),
            (lots["grafter"] == busy.columns["grafter"]) & (lots["date"] == busy.columns["date"]),
        )
    )
