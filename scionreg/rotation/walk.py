"""A day's trees in a short walking order, and which tree beside each must not be cut."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from scionreg.geodesy.ground import Numbers, Plane
from scionreg.rotation.beside import Neighbour, do_not_cut, neighbours
from scionreg.rotation.headlands import Spot, Ways, alone, ways
from scionreg.rotation.rows import Row, Spacing, Standing, on_plane, rows_of
from scionreg.rotation.shortest import ALL_TRIED, bound, improved, length, shortest_of

if TYPE_CHECKING:
    import pandas as pd

Degrees = tuple[float, float]
"""Latitude and longitude."""


class Asked(NamedTuple):
    """A tree to walk to; `marks` are what it is known by, `cautions` what to mind there."""

    tree: str
    sticks: int | None = None
    marks: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """A tree in its turn.

    `metres` are those on foot from the last stop (from the start, for the first), None where either
    place is not known. `estimated`: its own place is no fix, but what row and spacing give.
    """

    order: int
    tree: str
    cultivar: str
    block: str | None
    row: int | None
    position: int | None
    sticks: int | None
    marks: tuple[str, ...]
    neighbours: tuple[Neighbour, ...]
    metres: float | None
    estimated: bool
    cautions: tuple[str, ...]

    def do_not_cut(self) -> list[str]:
        """Return sentences on the neighbours, as a cutter reads them."""
        return do_not_cut(self.neighbours)

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        plain = {name: getattr(self, name) for name in self.__slots__}
        return plain | {
            "marks": list(self.marks),
            "neighbours": [
                {"tree": each.tree, "cultivar": each.cultivar, "where": each.where}
                for each in self.neighbours
            ],
            "cautions": list(self.cautions),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Walk:
    """Stops in walking order; `metres` in all, and `bound`, which no order is shorter than.

    `to_finish` are the metres from the last stop to the finish, None where none was given. `ways`
    are the headlands and gates passed before each stop, and after the last one.
    """

    stops: tuple[Stop, ...]
    metres: float
    bound: float
    to_finish: float | None = None
    cautions: tuple[str, ...] = ()
    ways: tuple[tuple[Degrees, ...], ...] = field(default=(), repr=False)

    @property
    def codes(self) -> tuple[str, ...]:
        """Return the trees in walking order."""
        return tuple(each.tree for each in self.stops)

    def pieces(
        self,
        places: Mapping[str, Degrees],
        start: Degrees | None = None,
        finish: Degrees | None = None,
    ) -> Iterator[list[tuple[str | None, Degrees]]]:
        """Yield the way as points with their names, those of headlands and gates None.

        A tree without a place among `places` is left out, and the way to and from it: there a new
        piece begins.
        """
        stops = [*((code, places.get(code)) for code in self.codes), ("finish", finish)]
        piece: list[tuple[str | None, Degrees]] = [] if start is None else [("start", start)]
        for (name, at), way in zip(stops, self.ways, strict=True):
            if at is not None:
                piece += [*((None, passed) for passed in way if piece), (name, at)]
            elif piece:
                yield piece
                piece = []
        if piece:
            yield piece

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form; it holds no coordinates."""
        return {
            "stops": [each.to_dict() for each in self.stops],
            "metres": self.metres,
            "bound": self.bound,
            "to_finish": self.to_finish,
            "cautions": list(self.cautions),
        }

    def to_rows(self) -> list[dict[str, Any]]:
        """Return a flat dictionary a stop, for CSV; values in one cell are parted by ``;``."""
        return [
            each.to_dict()
            | {
                "marks": "; ".join(each.marks),
                "neighbours": ";".join(n.tree for n in each.neighbours),
                "do_not_cut": "; ".join(each.do_not_cut()),
                "cautions": "; ".join(each.cautions),
            }
            for each in self.stops
        ]

    def to_frame(self) -> "pd.DataFrame":
        """Return the rows as a table."""
        import pandas as pd

        return pd.DataFrame(self.to_rows())


def walk(
    asked: Sequence[Asked],
    standing: Iterable[Standing],
    blocks: Mapping[str, Spacing],
    *,
    start: Degrees | None = None,
    finish: Degrees | None = None,
    gates: Mapping[str, Sequence[Degrees]] | None = None,
) -> Walk:
    """Return a short order in which to visit trees.

    Parameters
    ----------
    asked : the trees, each once.
    standing : every tree that stands, those asked for among them.
    start, finish : latitude and longitude in degrees; None leaves that end of the walk free.
    gates : by block, the only ways in and out of it.

    Notes
    -----
    One walks along rows, changes rows at headlands, and goes straight between blocks
    (`headlands.distances`). Blocks that nobody measured come after, one by one, and the way to them
    is not counted; trees that nobody can place come last.
    """
    trees = {each.tree: each for each in standing}
    wanted = {each.tree: each for each in asked}
    legs = list(_legs([trees[each] for each in wanted], trees, blocks, start, finish, gates or {}))
    beside = neighbours([trees[each] for each in wanted], list(trees.values()))
    stops: list[Stop] = []
    for leg in legs:
        for tree, metres in zip(leg.trees, leg.metres, strict=True):
            stops.append(
                Stop(
                    order=len(stops) + 1,
                    tree=tree.tree,
                    cultivar=tree.cultivar,
                    block=tree.block,
                    row=tree.row,
                    position=tree.position,
                    sticks=wanted[tree.tree].sticks,
                    marks=wanted[tree.tree].marks,
                    neighbours=tuple(beside[tree.tree]),
                    metres=None if metres is None else round(metres, 1),
                    estimated=tree.estimated or not tree.placed,
                    cautions=wanted[tree.tree].cautions,
                )
            )
    to_stops = [way for leg in legs for way in leg.ways[:-1]]
    to_finish = next((leg.ways[-1] for leg in legs if leg.measured), ())
    return Walk(
        stops=tuple(stops),
        metres=round(sum(leg.total for leg in legs), 1),
        bound=round(sum(leg.bound for leg in legs), 1),
        to_finish=next(
            (round(leg.to_finish, 1) for leg in legs if leg.to_finish is not None), None
        ),
        cautions=tuple(_cautions(legs, start is not None or finish is not None)),
        ways=(*to_stops, to_finish),
    )


# ------------------------------------------------------------------------------------- the order


class _Leg(NamedTuple):
    """Trees whose places are known to each other, in order; `block` None where several are."""

    trees: list[Standing]
    metres: list[float | None]
    ways: list[tuple[Degrees, ...]]
    total: float = 0.0
    bound: float = 0.0
    to_finish: float | None = None
    block: str | None = None
    measured: bool = False


def _legs(
    wanted: Sequence[Standing],
    trees: Mapping[str, Standing],
    blocks: Mapping[str, Spacing],
    start: Degrees | None,
    finish: Degrees | None,
    gates: Mapping[str, Sequence[Degrees]],
) -> Iterator[_Leg]:
    """Yield the walk in parts: all that was measured, blocks that were not, trees without place."""
    stand: dict[str, list[Standing]] = {}
    for each in trees.values():
        if each.block is not None:
            stand.setdefault(each.block, []).append(each)
    measured = {block for block, its in stand.items() if any(each.placed for each in its)}
    on_map = [each for each in wanted if each.placed or (each.in_row and each.block in measured)]
    if on_map:
        here = {each.block for each in on_map}
        plane = _plane([each for each in trees.values() if each.placed and each.block in here])
        ends = [None if at is None else plane.metres(*at) for at in (start, finish)]
        doors = {block: [plane.metres(*at) for at in those] for block, those in gates.items()}
        yield _leg(on_map, stand, blocks, plane, ends, doors)._replace(measured=True)
    nowhere = Plane(0, 0)
    by_block: dict[str, list[Standing]] = {}
    lost = []
    for each in wanted:
        if each.in_row and each.block not in measured:
            by_block.setdefault(each.block or "", []).append(each)
        elif not each.placed and not each.in_row:
            lost.append(each)
    for block, its in sorted(by_block.items()):
        leg = _leg(its, stand, blocks, nowhere, [None, None], {})
        yield leg._replace(block=block, ways=[()] * (len(its) + 1))
    if lost:
        lost.sort(key=lambda each: (each.block or "", each.tree))
        yield _Leg(lost, [None] * len(lost), [()] * (len(lost) + 1))


def _plane(trees: Sequence[Standing]) -> Plane:
    """Return a plane about the middle of trees that have coordinates."""
    fixes = np.array([(each.latitude, each.longitude) for each in trees], dtype=np.float64)
    turned = (fixes[:, 1] - fixes[0, 1] + 180) % 360 - 180
    return Plane(float(fixes[:, 0].mean()), float(fixes[0, 1] + turned.mean()))


def _leg(
    wanted: Sequence[Standing],
    stand: Mapping[str, Sequence[Standing]],
    blocks: Mapping[str, Spacing],
    plane: Plane,
    ends: Sequence[Numbers | None],
    gates: Mapping[str, Sequence[Numbers]],
) -> _Leg:
    """Return trees on one plane in a short order, from the first of `ends` to the second."""
    rows: list[Row] = []
    for block in sorted({each.block for each in wanted if each.in_row and each.block}):
        rows += rows_of(block, stand[block], blocks.get(block, Spacing()), plane)
    number = {(each.block, each.row): n for n, each in enumerate(rows)}
    spots = []
    for each in wanted:
        if each.in_row:
            at = number[each.block or "", each.row or 0]
            spots.append(Spot(at, float(rows[at].along[rows[at].places[each.position or 0]])))
        else:
            spots.append(Spot(len(rows), 0.0))
            rows.append(alone(each.block or "", len(rows), on_plane([each], plane)[0]))
    found = ways(rows, spots, gates, [at for at in ends if at is not None])
    metres, first, last = _with_ends(found.metres, len(spots), ends)
    serpentine = [first, *_serpentine(spots), last]
    if len(spots) <= ALL_TRIED:
        order = shortest_of(metres, serpentine)
        least = length(metres, order)
    else:
        order = improved(metres, serpentine)
        least = bound(metres, order)
    steps: list[float | None] = [float(metres[a, b]) for a, b in pairwise(order)]
    return _Leg(
        trees=[wanted[each] for each in order[1:-1]],
        metres=[None if ends[0] is None else steps[0], *steps[1:-1]],
        total=length(metres, order),
        bound=least,
        to_finish=None if ends[1] is None else steps[-1],
        ways=[_passed(found, plane, *step) for step in pairwise(order)],
    )


def _passed(found: Ways, plane: Plane, one: int, other: int) -> tuple[Degrees, ...]:
    """Return the headlands and gates on the way between two places; none to a free end."""
    if max(one, other) >= len(found.metres):
        return ()
    latitude, longitude = plane.degrees(found.passed(one, other))
    return tuple(zip(latitude.tolist(), longitude.tolist(), strict=True))


def _with_ends(
    way: Numbers, spots: int, ends: Sequence[Numbers | None]
) -> tuple[Numbers, int, int]:
    """Return distances with a first and last place added where none is given, nowhere from all."""
    free = sum(at is None for at in ends)
    metres = np.zeros((len(way) + free,) * 2)
    metres[: len(way), : len(way)] = way
    given = iter(range(spots, len(way)))
    added = iter(range(len(way), len(metres)))
    first, last = (next(added if at is None else given) for at in ends)
    return metres, first, last


def _serpentine(spots: Sequence[Spot]) -> list[int]:
    """Return the plain order to begin from: row by row, every second one walked back."""
    by_row: dict[int, list[int]] = {}
    for number, spot in enumerate(spots):
        by_row.setdefault(spot.row, []).append(number)
    order: list[int] = []
    for turn, row in enumerate(sorted(by_row)):
        order += sorted(by_row[row], key=lambda each: spots[each].along, reverse=turn % 2 == 1)
    return order


def _cautions(legs: Sequence[_Leg], ends: bool) -> Iterator[str]:
    for leg in legs:
        if leg.block is not None:
            yield (
                f"block {leg.block} has neither a fix nor an outline; its distances come from its "
                "spacings, and the way to it is not counted"
            )
        elif not leg.measured:
            yield f"the place of {len(leg.trees)} of the trees is not recorded; they come last"
    if ends and not any(leg.measured for leg in legs):
        yield "start and finish do not count, since none of the trees has a place on the map"
