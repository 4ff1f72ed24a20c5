"""How far it is on foot from tree to tree: along rows, and from row to row at headlands only."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from scionreg.geodesy.ground import Numbers
from scionreg.rotation.rows import Row


class Spot(NamedTuple):
    """A place to walk to: the row (its number in the list) and the metres along it."""

    row: int
    along: float


def alone(block: str, number: int, at: Numbers) -> Row:
    """Return a tree without a row as a row of no length, which is its own headland."""
    return Row(block, number, np.stack([at, at]), np.zeros(2), {0: 0})


class _Headland(NamedTuple):
    """Ends of rows that one may walk between; `side` is 0 or 1, None for a place of its own."""

    block: str
    side: int | None
    ends: list[int]


@dataclass(frozen=True, slots=True, eq=False)
class Ways:
    """The ways on foot between spots, and places outside all blocks, which come last.

    `metres` are those between them, shape (n, n). `places` are the ends of rows, gates and places
    outside, shape (m, 2), `between` the metres from each to each, (m, m), and `before` what is
    passed before the second. `of` are the two that a spot is reached by, `to` the metres to them,
    (n, 2).
    """

    metres: Numbers
    places: Numbers
    of: NDArray[np.int64]
    to: Numbers
    between: Numbers
    before: NDArray[np.int32]

    def passed(self, one: int, other: int) -> Numbers:
        """Return the headlands and gates that one passes on the way, in metres, shape (k, 2)."""
        by = self.to[one][:, None] + self.between[np.ix_(self.of[one], self.of[other])]
        by = by + self.to[other][None, :]
        if self.metres[one, other] < by.min() - 1e-6:
            return np.zeros((0, 2))  # within the row
        a, b = np.unravel_index(by.argmin(), by.shape)
        first, at = self.of[one, a], self.of[other, b]
        passed = [at]
        while at != first:
            at = self.before[first, at]
            passed.append(at)
        # What stands in no row is its own headland, and is not passed on the way to itself.
        ends = slice(int(not self.to[one, a]), len(passed) - int(not self.to[other, b]))
        return self.places[passed[::-1][ends]]


def ways(
    rows: Sequence[Row],
    spots: Sequence[Spot],
    gates: Mapping[str, Sequence[Numbers]] | None = None,
    outside: Sequence[Numbers] = (),
) -> Ways:
    """Return the ways on foot between spots, and places outside all blocks.

    Parameters
    ----------
    rows : of all blocks.
    spots : shape (s,).
    gates : by block, the only ways in and out of it; a block without any is open on all sides.
    outside : places such as the start, shape (n - s, 2), metres.

    Notes
    -----
    Ways: along a row; along a headland from each row to the next; straight between headlands of
    different blocks, or their gates, where they are nearest. Of all these the shortest is taken.
    """
    import scipy.sparse
    from scipy.sparse.csgraph import shortest_path

    ends = np.concatenate([each.points[[0, -1]] for each in rows] or [np.zeros((0, 2))])
    gate_list = [(block, at) for block, those in (gates or {}).items() for at in those]
    places = np.concatenate(
        [ends, np.array([at for _, at in gate_list] + list(outside)).reshape(-1, 2)]
    )
    first, after = len(ends), len(ends) + len(gate_list)
    between: dict[tuple[int, int], float] = {}
    for number, row in enumerate(rows):
        between[2 * number, 2 * number + 1] = row.metres
    headlands = list(_headlands(rows))
    for headland in headlands:
        for one, other in pairwise(headland.ends):
            between[one, other] = _apart(places, one, other)
    headlands += [_Headland("", None, [number]) for number in range(after, len(places))]
    doors = [_Headland(block, None, [first + n]) for n, (block, _) in enumerate(gate_list)]
    fenced = {block for block, _ in gate_list}
    for a, b in combinations([*headlands, *doors], 2):
        if _linked(a, b, fenced, first, after):
            one, other = _nearest(places, a.ends, b.ends)
            between[one, other] = _apart(places, one, other)
    pairs = np.array(list(between), dtype=int).reshape(-1, 2)
    # A sparse graph takes a length of nought for no way at all.
    lengths = np.maximum(np.fromiter(between.values(), float, len(between)), 1e-9)
    graph = scipy.sparse.csr_array((lengths, pairs.T), shape=(len(places),) * 2)
    metres, before = shortest_path(graph, directed=False, return_predecessors=True)
    on = np.array([each.row for each in spots], dtype=int)
    along = np.array([each.along for each in spots], dtype=np.float64)
    to = np.stack([along, np.array([rows[each].metres for each in on]) - along], axis=1)
    of = np.stack([2 * on, 2 * on + 1], axis=1)
    beyond = np.arange(after, len(places))
    of = np.concatenate([of, np.stack([beyond, beyond], axis=1)])
    to = np.concatenate([to, np.zeros((len(beyond), 2))])
    return Ways(_between_spots(on, along, of, to, metres), places, of, to, metres, before)


def _headlands(rows: Sequence[Row]) -> Iterator[_Headland]:
    by_block: dict[str, list[int]] = {}
    for number, row in enumerate(rows):
        if row.metres:
            by_block.setdefault(row.block, []).append(number)
        else:
            yield _Headland(row.block, None, [2 * number])
    for block, its in by_block.items():
        for side in (0, 1):
            yield _Headland(block, side, [2 * number + side for number in its])


def _linked(a: _Headland, b: _Headland, fenced: set[str], first: int, after: int) -> bool:
    """Tell whether one walks straight between two headlands, gates or places outside."""
    if a.block and a.block == b.block:
        return a.side is None or b.side is None
    gates = [first <= each.ends[0] < after for each in (a, b)]
    return all(gate or each.block not in fenced for each, gate in zip((a, b), gates, strict=True))


def _nearest(places: Numbers, one: Sequence[int], other: Sequence[int]) -> tuple[int, int]:
    apart = places[one][:, None] - places[other][None]
    at = int(np.argmin((apart**2).sum(axis=-1)))
    return one[at // len(other)], other[at % len(other)]


def _apart(places: Numbers, one: int, other: int) -> float:
    return float(np.hypot(*(places[one] - places[other])))


def _between_spots(
    row: NDArray[np.int64], along: Numbers, of: NDArray[np.int64], to: Numbers, between: Numbers
) -> Numbers:
    """Return the metres between spots by the nearer ends of their rows, or along the one row."""
    found = np.full((len(of), len(of)), np.inf)
    for a in (0, 1):
        for b in (0, 1):
            by = to[:, a, None] + between[np.ix_(of[:, a], of[:, b])] + to[None, :, b]
            np.minimum(found, by, out=found)
    straight = np.abs(along[:, None] - along[None, :])
    same = row[:, None] == row[None, :]
    inner = found[: len(row), : len(row)]
    inner[same] = np.minimum(inner, straight)[same]
    np.fill_diagonal(found, 0.0)
    return found
