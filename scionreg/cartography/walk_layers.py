"""Layers for whoever cuts: the walk with its neighbours, and trees that may be mistaken."""

from collections.abc import Collection, Iterator, Mapping, Sequence, Set
from dataclasses import replace
from typing import Any

from scionreg.cartography.layers import frame
from scionreg.geodesy.fixes import misread
from scionreg.geodesy.ground import metres_apart
from scionreg.records.words import Sentence
from scionreg.rotation.beside import Neighbour
from scionreg.rotation.rows import Standing
from scionreg.rotation.walk import Degrees, Stop, Walk

STOP_COLUMNS = (
    "order",
    "code",
    "cultivar",
    "block",
    "row",
    "position",
    "sticks",
    "metres",
    "marks",
    "do_not_cut",
    "cautions",
    "estimated",
)
BESIDE_COLUMNS = ("code", "cultivar", "of", "where", "estimated")
WAYPOINT_COLUMNS = ("code", "kind", "block")
CONFUSION_COLUMNS = (
    "tree",
    "cultivar",
    "neighbour",
    "neighbour_cultivar",
    "metres",
    "reason",
    "probability",
    "estimated",
)


def walk(
    found: Walk,
    standing: Sequence[Standing],
    hidden: Collection[str] = (),
    *,
    start: Degrees | None = None,
    finish: Degrees | None = None,
    gates: Mapping[str, Sequence[Degrees]] | None = None,
) -> dict[str, Any]:
    """Return a walk's layers ``route``, ``neighbours`` (not to be cut), ``waypoints``, ``stops``.

    Columns of stops `STOP_COLUMNS`, of neighbours `BESIDE_COLUMNS`; ``metres`` are on foot from the
    stop before. Waypoints are the start, the finish and the gates, `WAYPOINT_COLUMNS`. The route
    goes by headlands and gates. Trees without a place, and those `hidden`, are left out, and the
    way to and from them, so that it is in pieces.
    """
    at = {each.tree: each for each in standing if each.placed and each.tree not in hidden}
    stops = [each for each in found.stops if each.tree in at]
    beside = [
        {"code": near.tree, "cultivar": near.cultivar, "of": stop.tree, "where": near.where}
        | {"estimated": at[near.tree].estimated, "geometry": _point(_place(at[near.tree]))}
        for stop in stops
        for near in stop.neighbours
        if near.tree in at
    ]
    told = [
        {name: getattr(stop, name) for name in ("order", "cultivar", "block", "row", "position")}
        | {"code": stop.tree, "sticks": stop.sticks, "metres": stop.metres}
        | {"marks": "; ".join(stop.marks), "do_not_cut": "; ".join(stop.do_not_cut())}
        | {"cautions": "; ".join(stop.cautions), "estimated": at[stop.tree].estimated}
        | {"geometry": _point(_place(at[stop.tree]))}
        for stop in stops
    ]
    places = {each.tree: _place(at[each.tree]) for each in stops}
    ways = [[place for _, place in piece] for piece in found.pieces(places, start, finish)]
    route = [{"code": "walk", "geometry": _line(way)} for way in ways if len(way) > 1]
    return {
        "route": frame(route, ("code",)),
        "neighbours": frame(beside, BESIDE_COLUMNS),
        "waypoints": frame(list(_waypoints(start, finish, gates or {})), WAYPOINT_COLUMNS),
        "stops": frame(told, STOP_COLUMNS),
    }


def _waypoints(
    start: Degrees | None, finish: Degrees | None, gates: Mapping[str, Sequence[Degrees]]
) -> Iterator[dict[str, Any]]:
    ends = {"start": start, "finish": finish}
    if start == finish:
        ends = {"start and finish": start}
    for name, at in ends.items():
        if at is not None:
            yield {"code": name, "kind": name, "geometry": _point(at)}
    for block, places in gates.items():
        for number, at in enumerate(places, 1):
            code = f"gate of {block}" if len(places) == 1 else f"gate {number} of {block}"
            yield {"code": code, "kind": "gate", "block": block, "geometry": _point(at)}


def without_places(walk: Walk, hidden: Set[str]) -> Walk:
    """Return a walk that does not tell where hidden trees stand, nor beside which, nor how far off.

    Its metres are those of the ways that are left.
    """
    if not hidden:
        return walk
    before = (None, *walk.codes)
    stops = tuple(_without(*pair, hidden) for pair in zip(walk.stops, before, strict=False))
    if hidden.isdisjoint(walk.codes):
        return replace(walk, stops=stops)
    metres = round(sum(each.metres or 0 for each in stops), 1)
    return replace(walk, stops=stops, metres=metres, bound=0.0, to_finish=None)


def _without(stop: Stop, before: str | None, hidden: Set[str]) -> Stop:
    """Return a stop after the tree `before`; of a hidden one only that others stand beside it."""
    private = Sentence("do_not_cut.private")
    if stop.tree in hidden:
        another = Sentence("do_not_cut.another")
        others = tuple(replace(each, tree=private, cultivar=another) for each in stop.neighbours)
        return replace(stop, block=None, row=None, position=None, metres=None, neighbours=others)
    neighbours = (
        replace(each, tree=private) if each.tree in hidden else each for each in stop.neighbours
    )
    metres = None if before in hidden else stop.metres
    return replace(stop, metres=metres, neighbours=tuple(neighbours))


def confusion(
    neighbours: Mapping[str, Sequence[Neighbour]],
    standing: Sequence[Standing],
    fix_m: float | None = None,
) -> Any:
    """Return pairs of trees of two cultivars that may be mistaken, columns `CONFUSION_COLUMNS`.

    A pair is a line between both, once. ``probability`` is the chance that a fix of accuracy
    `fix_m` (None: a phone's) taken at the one is likelier at the other.

    Parameters
    ----------
    neighbours : by tree, as `rotation.beside.neighbours`.
    standing : the trees that may be shown; pairs with others, or without a place, are left out.
    """
    at = {each.tree: each for each in standing if each.placed}
    pairs = {
        tuple(sorted((tree, near.tree))): (tree, near)
        for tree, its in neighbours.items()
        for near in its
        if tree in at and near.tree in at
    }
    told = []
    for tree, near in pairs.values():
        here, there = at[tree], at[near.tree]
        ends = [_place(here), _place(there)]
        metres = float(metres_apart(*ends[0], *ends[1]))
        told.append(
            {
                "tree": tree,
                "cultivar": here.cultivar,
                "neighbour": near.tree,
                "neighbour_cultivar": near.cultivar,
                "metres": round(metres, 2),
                "reason": near.where,
                "probability": misread(metres, fix_m, here.accuracy_m, there.accuracy_m),
                "estimated": here.estimated or there.estimated,
                "geometry": _line(ends),
            }
        )
    told.sort(key=lambda each: -each["probability"])
    return frame(told, CONFUSION_COLUMNS)


def _place(tree: Standing) -> Degrees:
    """Return where a tree stands that has a place."""
    return tree.latitude or 0.0, tree.longitude or 0.0


def _point(at: Degrees) -> Any:
    from shapely import Point

    return Point(at[1], at[0])


def _line(way: Sequence[Degrees]) -> Any:
    from shapely import LineString

    return LineString([(longitude, latitude) for latitude, longitude in way])
