"""Rules about places: rows hold one graft a position, and trees stand where they are said to."""

import json
from collections.abc import Iterator, Mapping
from typing import Any

from sqlalchemy import (
    Select,
    String,
    and_,
    case,
    cast,
    exists,
    func,
    literal,
    or_,
    select,
    true,
    tuple_,
)
from sqlalchemy.sql import ColumnElement

from scionreg.records.cells import expand_positions
from scionreg.records.rules.base import Scope, broken, joined, odd_rows, rule, season_of
from scionreg.records.rules.references import within
from scionreg.records.tables import table
from scionreg.records.vocabulary import TreeEventKind, TreeStatus, Trouble

FAR_FROM_BLOCK_M = 50.0
"""A fix this far outside its block, beyond its own accuracy, is doubted. An estimate."""


@rule(
    kind="graft_lots",
    column="grafts",
    trouble=Trouble.REFUSED,
    touches=("graft_lots",),
    why="One position holds one grafted tree; the number or the range is wrong.",
    wrong="{value} grafts in the positions {first} to {last}",
    right="correct the number or the range; gaps count as positions",
    screen=odd_rows,
)
def more_grafts_than_positions(scope: Scope) -> Iterator[Select[Any]]:
    """A lot has no more grafts than its row range has positions."""
    lots = table("graft_lots").columns
    yield broken("graft_lots", lots["grafts"], first=lots["first"], last=lots["last"]).where(
        within(scope, "graft_lots"), lots["grafts"] > lots["last"] - lots["first"] + 1
    )


@rule(
    column="last",
    trouble=Trouble.REFUSED,
    touches=("graft_lots", "dispatches"),
    why="A range with one end, or with its ends exchanged, names no trees.",
    wrong="first is {first} and last is {last}",
    right="write both ends of the range, the smaller number in first",
    screen=odd_rows,
)
def broken_range(scope: Scope) -> Iterator[Select[Any]]:
    """A row range has both ends, the smaller first."""
    for kind in ("graft_lots", "dispatches"):
        columns = table(kind).columns
        first, last = columns["first"], columns["last"]
        one_end = first.is_(None) != last.is_(None)
        shown = {end.name: func.coalesce(cast(end, String), "empty") for end in (first, last)}
        yield broken(kind, last, **shown).where(within(scope, kind), or_(last < first, one_end))


@rule(
    column="row",
    trouble=Trouble.REFUSED,
    touches=("graft_lots", "mother_trees"),
    why="A row is found by its block.",
    wrong="row {value} is named without a block",
    right="write the block it is in",
    screen=odd_rows,
)
def row_without_block(scope: Scope) -> Iterator[Select[Any]]:
    """A row is named with its block."""
    for kind in ("graft_lots", "mother_trees"):
        columns = table(kind).columns
        yield broken(kind, columns["row"]).where(
            within(scope, kind), columns["row"].is_not(None), columns["block"].is_(None)
        )


def _season(lots: Any, scope: Scope) -> ColumnElement[int]:
    return func.coalesce(season_of(lots["date"], literal(scope.season_first_day)), 0)


def _crowded_rows(scope: Scope) -> Iterator[Select[Any]]:
    """Yield a query for lots within which another lot of the same row and season begins."""
    lots, others = table("graft_lots").columns, table("graft_lots").alias("others").columns
    begins_within = (
        exists()
        .where(others["block"].is_not_distinct_from(lots["block"]), others["row"] == lots["row"])
        .where(others["first"].between(lots["first"], lots["last"]))
        .where(others["id"] != lots["id"], others["regraft_of"].is_(None))
        .where(_season(others, scope) == _season(lots, scope))
    )
    yield select(lots["id"]).where(
        lots["row"].is_not(None), lots["regraft_of"].is_(None), _rows_of(scope, lots), begins_within
    )


@rule(
    kind="graft_lots",
    column="first",
    trouble=Trouble.REFUSED,
    touches=("graft_lots",),
    why="Two grafts cannot stand at one position; a second attempt says which lot it regrafts. "
    "Rows are planted anew from season to season, so lots of different seasons may share them.",
    wrong="positions {first} to {last} of row {row} in {block} overlap those of {other}",
    right="correct the range, or write the other lot in regraft_of",
    screen=_crowded_rows,
)
def overlapping_rows(scope: Scope) -> Iterator[Select[Any]]:
    """Lots of one season do not share row positions, unless one regrafts the other."""
    lots, place = table("graft_lots").columns, table("graft_lots").alias("place").columns
    season = _season(place, scope)
    reached = func.max(place["last"]).over(
        partition_by=(place["block"], place["row"], season),
        order_by=(place["first"], place["last"]),
        rows=(None, -1),
    )
    # Names only what the index on places holds, so that a million lots are read from it alone.
    ranges = (
        select(place["id"], place["first"], season.label("season"), reached.label("reached"))
        .where(place["row"].is_not(None), place["first"].is_not(None))
        .where(place["regraft_of"].is_(None), _rows_of(scope, place))
        .subquery("ranges")
    )
    yield (
        broken(
            "graft_lots",
            lots["first"],
            other=_other_there(scope),
            **{name: lots[name] for name in ("block", "row", "first", "last")},
        )
        .join_from(ranges, table("graft_lots"), lots["id"] == ranges.columns["id"])
        .where(ranges.columns["reached"] >= ranges.columns["first"])
    )


def _other_there(scope: Scope) -> ColumnElement[str]:
    """Return SQL for a lot of the same season that shares positions with the one at hand."""
    lots, others = table("graft_lots").columns, table("graft_lots").alias("others").columns
    return (
        select(func.min(others["graft_lot"]))
        .where(others["block"] == lots["block"], others["row"] == lots["row"])
        .where(others["first"] <= lots["last"], others["last"] >= lots["first"])
        .where(others["graft_lot"] != lots["graft_lot"], others["regraft_of"].is_(None))
        .where(_season(others, scope) == _season(lots, scope))
        .scalar_subquery()
    )


def _rows_of(scope: Scope, lots: Any) -> ColumnElement[bool]:
    """Return the condition that a lot's row is among those to judge."""
    if scope.codes is None:
        return true()
    mine = table("graft_lots").alias("mine").columns
    rows = select(mine["block"], mine["row"]).where(scope.of("graft_lots", mine["graft_lot"]))
    return tuple_(lots["block"], lots["row"]).in_(rows)


@rule(
    kind="graft_lots",
    column="regraft_of",
    trouble=Trouble.REFUSED,
    touches=("graft_lots",),
    why="A regraft stands where the first graft failed.",
    wrong="it is {mine}, but {value} is {first_attempt}",
    right="a regraft lies within the first lot's positions and is not older: correct the place, "
    "the day or the lot it regrafts",
)
def regraft_elsewhere(scope: Scope) -> Iterator[Select[Any]]:
    """A regraft lies within the row range of the lot it regrafts, and is not older."""
    lots, first = table("graft_lots").columns, table("graft_lots").alias("first_attempt")
    before = first.columns
    yield (
        broken(
            "graft_lots",
            lots["regraft_of"],
            mine=_place_and_day(lots),
            first_attempt=_place_and_day(before),
        )
        .join_from(table("graft_lots"), first, before["graft_lot"] == lots["regraft_of"])
        .where(scope.of("graft_lots", lots["graft_lot"]))
        .where(
            or_(
                lots["date"] < before["date"],
                lots["block"] != before["block"],
                lots["row"] != before["row"],
                lots["first"] < before["first"],
                lots["last"] > before["last"],
            )
        )
    )


def _place_and_day(lots: Any) -> ColumnElement[str]:
    """Return SQL for where and when a lot was grafted; what was not recorded is a question mark."""
    names = ("block", "row", "first", "last", "date")
    block, row, first, last, day = (func.coalesce(cast(lots[name], String), "?") for name in names)
    return joined(block, " row ", row, ", ", first, " to ", last, ", of ", day)


@rule(
    kind="dispatches",
    column="first",
    trouble=Trouble.REFUSED,
    touches=("dispatches", "graft_lots"),
    why="Trees outside the lot's range belong to another lot.",
    wrong="positions {first} to {last} are outside those of {graft_lot}",
    right="correct the positions, or the lot they came from",
)
def sent_from_elsewhere(scope: Scope) -> Iterator[Select[Any]]:
    """Positions that were sent are positions of the lot."""
    sent, lots = table("dispatches").columns, table("graft_lots").columns
    yield (
        broken(
            "dispatches",
            sent["first"],
            first=sent["first"],
            last=sent["last"],
            graft_lot=lots["graft_lot"],
        )
        .join_from(table("dispatches"), table("graft_lots"), lots["graft_lot"] == sent["graft_lot"])
        .where(within(scope, "dispatches"))
        .where(or_(sent["first"] < lots["first"], sent["last"] > lots["last"]))
    )


@rule(
    kind="dispatches",
    column="first",
    trouble=Trouble.WARNING,
    touches=("dispatches", "graft_lots"),
    why="A tree leaves once; a second customer got other trees than are written, or none.",
    wrong="positions {first} to {last} of {graft_lot} are sent twice: {other} sent {other_first} "
    "to {other_last} to {customer}, and there are too few for both",
    right="correct the positions of one of the two, or the number of its trees",
)
def position_sent_twice(scope: Scope) -> Iterator[Select[Any]]:
    """A position is sent once.

    Two dispatches may share positions so long as all that are named hold the trees of both.
    """
    sent, others = table("dispatches").columns, table("dispatches").alias("others")
    before = others.columns
    start = case((sent["first"] < before["first"], sent["first"]), else_=before["first"])
    end = case((sent["last"] > before["last"], sent["last"]), else_=before["last"])
    yield (
        broken(
            "dispatches",
            sent["first"],
            **{name: sent[name] for name in ("first", "last", "graft_lot")},
            other=before["dispatch"],
            other_first=before["first"],
            other_last=before["last"],
            customer=before["customer"],
        )
        .join_from(table("dispatches"), others, before["graft_lot"] == sent["graft_lot"])
        .where(within(scope, "dispatches"), before["id"] < sent["id"])
        .where(before["first"] <= sent["last"], before["last"] >= sent["first"])
        .where(sent["trees"] + before["trees"] > end - start + 1)
    )


def _lies_elsewhere(found: Mapping[str, Any]) -> bool:
    """Tell whether any position of a list is outside a lot's range."""
    places = expand_positions(found["value"])
    return not int(found["first"]) <= min(places) <= max(places) <= int(found["last"])


@rule(
    trouble=Trouble.WARNING,
    touches=("identity_checks", "graft_lots"),
    why="Trees outside the lot's range belong to another lot; what was seen there is not this "
    "lot's evidence.",
    wrong="{value} is not all within the positions of {item}, {first} to {last}",
    right="correct the positions or the lot",
    keep=_lies_elsewhere,
)
def looked_at_elsewhere(scope: Scope) -> Iterator[Select[Any]]:
    """Positions looked at, or found off, are positions of the lot that the check is of."""
    checks, lots = table("identity_checks").columns, table("graft_lots").columns
    named = {"item": checks["item"], "first": lots["first"], "last": lots["last"]}
    for column in (checks["positions_checked"], checks["positions"]):
        yield (
            broken("identity_checks", column, at_column=literal(column.name), **named)
            .join_from(
                table("identity_checks"),
                table("graft_lots"),
                lots["graft_lot"] == checks["item"],
            )
            .where(within(scope, "identity_checks"), column.is_not(None))
            .where(lots["first"].is_not(None), lots["last"].is_not(None))
        )


@rule(
    column="latitude",
    trouble=Trouble.REFUSED,
    touches=("mother_trees", "collections"),
    why="One coordinate is no place.",
    wrong="only one of latitude and longitude is given",
    right="write both, or neither",
)
def half_a_fix(scope: Scope) -> Iterator[Select[Any]]:
    """Latitude and longitude come together."""
    for kind in ("mother_trees", "collections"):
        columns = table(kind).columns
        yield broken(kind, func.coalesce(columns["latitude"], columns["longitude"])).where(
            within(scope, kind), columns["latitude"].is_(None) != columns["longitude"].is_(None)
        )


def _is_far(found: Mapping[str, Any]) -> bool:
    """Tell whether a fix lies outside its block's outline by more than is allowed."""
    from scionreg.geodesy.ground import metres_outside

    return metres_outside(
        json.loads(found["outline"]), found["latitude"], found["longitude"]
    ) > FAR_FROM_BLOCK_M + (found["accuracy_m"] or 0.0)


@rule(
    kind="mother_trees",
    column="latitude",
    trouble=Trouble.WARNING,
    touches=("mother_trees", "blocks"),
    why="Latitude and longitude are swapped or mistyped, or the tree is in another block.",
    wrong="the fix {latitude} {longitude} lies more than 50 m outside block {block}",
    right="correct the coordinates (latitude is degrees north) or the block",
    keep=_is_far,
)
def far_from_block(scope: Scope) -> Iterator[Select[Any]]:
    """A tree's fix lies in its block, give or take 50 m and its accuracy."""
    trees, blocks = table("mother_trees").columns, table("blocks").columns
    yield (
        broken(
            "mother_trees",
            trees["latitude"],
            latitude=trees["latitude"],
            longitude=trees["longitude"],
            accuracy_m=trees["accuracy_m"],
            block=blocks["block"],
            outline=blocks["outline"],
        )
        .join_from(table("mother_trees"), table("blocks"), blocks["block"] == trees["block"])
        .where(or_(within(scope, "mother_trees"), within(scope, "blocks")))
        .where(and_(trees["latitude"].is_not(None), trees["longitude"].is_not(None)))
        .where(blocks["outline"].is_not(None))
    )


def _stands(trees: Any) -> ColumnElement[bool]:
    """Return the condition that nothing recorded says that a tree is gone from its place."""
    events = table("tree_events").columns
    gone = (TreeEventKind.DIED, TreeEventKind.REPLANTED)
    ended = exists().where(
        events["tree"] == trees["tree"], events["limb"].is_(None), events["event"].in_(gone)
    )
    over = [status.value for status in (TreeStatus.RETIRED, TreeStatus.DEAD)]
    return func.coalesce(trees["status"], "").not_in(over) & ~ended


@rule(
    kind="mother_trees",
    column="position",
    trouble=Trouble.WARNING,
    touches=("mother_trees", "tree_events"),
    why="Whoever cuts by row and position cuts one for the other; it may also be one tree, twice.",
    wrong="{other} ({cultivar}) stands at {block} row {row}, position {value} too",
    right="correct the place; if it is the same tree, void one; if the other is gone, record that "
    "it died or retire it",
)
def same_place_twice(scope: Scope) -> Iterator[Select[Any]]:
    """Two mother trees do not stand at one position, unless one of them is gone."""
    trees, others = table("mother_trees").columns, table("mother_trees").alias("others")
    there = others.columns
    same = and_(*(there[name] == trees[name] for name in ("block", "row", "position")))
    yield (
        broken(
            "mother_trees",
            trees["position"],
            other=there["tree"],
            cultivar=there["cultivar"],
            block=trees["block"],
            row=trees["row"],
        )
        .join_from(table("mother_trees"), others, same & (there["id"] < trees["id"]))
        .where(within(scope, "mother_trees") | scope.of("mother_trees", there["tree"]))
        .where(_stands(trees), _stands(there))
    )


SIGN_COUNTS_FROM = 2.5
"""Degrees from which a wrong sign is told: the two places are then some hundred kilometres apart,
and a nursery's trees may well stand on both sides of a meridian or of the equator. An estimate."""


@rule(
    kind="mother_trees",
    trouble=Trouble.WARNING,
    touches=("mother_trees", "blocks"),
    why="West and south are written with a minus, which is easily forgotten.",
    wrong="the fix {latitude} {longitude} is far from the others: {there} trees stand near "
    "{right_latitude} {right_longitude}",
    right="perhaps the minus of the {at_column} is missing, or one too many; correct it, or leave "
    "it if the tree stands there",
)
def far_from_others(scope: Scope) -> Iterator[Select[Any]]:
    """A tree does not stand alone where more trees would be near with the other sign.

    Asked where no outline of its block tells; near is within about a degree.
    """
    trees, blocks = table("mother_trees").columns, table("blocks").columns
    every = table("mother_trees").alias("every").columns
    degrees = (func.round(every["latitude"]), func.round(every["longitude"]))
    squares = (
        select(*(d.label(name) for d, name in zip(degrees, ("north", "east"), strict=True)))
        .add_columns(func.count().label("trees"))
        .where(every["latitude"].is_not(None), every["longitude"].is_not(None))
        .group_by(*degrees)
        .cte("squares")
    )
    latitude, longitude = trees["latitude"], trees["longitude"]
    for column, signs in ((latitude, (-1, 1)), (longitude, (1, -1))):
        right = (latitude * signs[0], longitude * signs[1])
        there, here = _near(squares, *right), _near(squares, latitude, longitude)
        yield (
            broken(
                "mother_trees",
                column,
                at_column=literal(column.name),
                latitude=latitude,
                longitude=longitude,
                there=there,
                right_latitude=right[0],
                right_longitude=right[1],
            )
            .join_from(
                table("mother_trees"),
                table("blocks"),
                blocks["block"] == trees["block"],
                isouter=True,
            )
            .where(within(scope, "mother_trees") | within(scope, "blocks"))
            .where(func.abs(column) >= SIGN_COUNTS_FROM, blocks["outline"].is_(None))
            .where(there > here)
        )


def _near(
    squares: Any, latitude: ColumnElement[float], longitude: ColumnElement[float]
) -> ColumnElement[int]:
    """Return SQL for the trees in the squares of a degree at a place and around it."""
    counted = squares.alias().columns
    return (
        select(func.coalesce(func.sum(counted["trees"]), 0))
        .where(counted["north"].between(latitude - 1, latitude + 1))
        .where(counted["east"].between(longitude - 1, longitude + 1))
        .scalar_subquery()
    )
