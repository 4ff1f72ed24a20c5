"""How far it is on foot from tree to tree: along rows, and from row to row at headlands only."""

from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations
from typing import NamedTuple

import numpy as np

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


def distances(
    rows: Sequence[Row],
    spots: Sequence[Spot],
    gates: Mapping[str, Sequence[Numbers]] | None = None,
    outside: Sequence[Numbers] = (),
) -> Numbers:
    """Return the metres on foot between spots, and places outside all blocks, shape (n, n).

    Parameters
    ----------
    rows : of all blocks.
    spots : shape (s,).
    gates : by block, the only ways in and out of it; a block without any is open on all sides.
    outside : places such as the start, shape (n - s, 2), metres; they come last.

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
        for one, other in zip(headland.ends, headland.ends[1:], strict=False):
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
    return _between_spots(rows, spots, shortest_path(graph, directed=False), after)


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
    rows: Sequence[Row], spots: Sequence[Spot], ways: Numbers, after: int
) -> Numbers:
    """Return the metres between spots by the nearer ends of their rows, or along the one row."""
    row = np.array([each.row for each in spots], dtype=int)
    along = np.array([each.along for each in spots], dtype=np.float64)
    length = np.array([rows[each].metres for each in row], dtype=np.float64)
    outside = np.arange(after, len(ways))
    ends = [np.concatenate([2 * row + side, outside]) for side in (0, 1)]
    to_end = [np.concatenate([way, np.zeros(len(outside))]) for way in (along, length - along)]
    found = np.full((len(ends[0]),) * 2, np.inf)
    for a in (0, 1):
        for b in (0, 1):
            by = to_end[a][:, None] + ways[np.ix_(ends[a], ends[b])] + to_end[b][None, :]
            np.minimum(found, by, out=found)
    straight = np.abs(along[:, None] - along[None, :])
    same = row[:, None] == row[None, :]
    inner = found[: len(spots), : len(spots)]
    inner[same] = np.minimum(inner, straight)[same]
    np.fill_diagonal(found, 0.0)
    return found
