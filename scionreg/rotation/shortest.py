"""A short order in which to visit places: a first order improved by 2-opt and or-opt.

G. A. Croes 1958, A method for solving traveling-salesman problems, Operations Research 6:791-812
(2-opt); I. Or 1976, thesis, Northwestern University (or-opt); O. Martin, S. W. Otto, E. W. Felten
1991, Large-step Markov chains for the traveling salesman problem, Complex Systems 5:299-326 (two
stretches exchanged, improved again, and kept if no longer); M. Held, R. M. Karp 1971, The
traveling-salesman problem and minimum spanning trees: part II, Mathematical Programming 1:6-25
(how short no order can be).
"""

import random
from collections.abc import Iterator, Sequence
from itertools import permutations

import numpy as np

from scionreg.geodesy.ground import Numbers

Turns = tuple[tuple[int, int], ...]
"""Stretches of an order, first and last place of each, that are walked the other way in turn."""

ALL_TRIED = 7
"""Places of which every order is tried."""
NEAR = 16
"""Nearest places that a place may come to stand beside."""
LONGEST = 3
"""Places in a row that or-opt moves together."""
TRIES = 1500
"""Exchanges that are tried."""
WITHIN = 50
"""Places among which two stretches are exchanged, at most."""
LEAST = 1e-6
"""Metres that a change must save; less is rounding."""
STEPS = 100
"""Steps in which the bound is raised."""
STALLED = 5
"""Steps without a better bound after which they are halved."""


def length(metres: Numbers, order: Sequence[int]) -> float:
    """Return the length of an order; `metres` between places, shape (n, n)."""
    return float(metres[order[:-1], order[1:]].sum())


def shortest_of(metres: Numbers, order: Sequence[int]) -> list[int]:
    """Return the shortest of all orders with the same first and last place; for few places."""
    if len(order) < 4:
        return list(order)
    inner = np.array(list(permutations(order[1:-1])))
    orders = np.pad(inner, ((0, 0), (1, 1)), constant_values=order[0])
    orders[:, -1] = order[-1]
    lengths = metres[orders[:, :-1], orders[:, 1:]].sum(axis=1)
    return [int(each) for each in orders[lengths.argmin()]]


def improved(metres: Numbers, order: Sequence[int]) -> list[int]:
    """Return an order no longer than the given one, with the same first and last place.

    The same question gets the same answer: what is tried does not hang on chance.
    """
    search = _Search(metres, order)
    search.improve(search.order)
    dice = random.Random(1)
    for _ in range(TRIES if len(order) > 5 else 0):
        search.try_exchange(dice)
    return search.order


class _Search:
    """An order, and where in it each place stands. The first and the last place stay."""

    def __init__(self, metres: Numbers, order: Sequence[int]) -> None:
        self.metres = [memoryview(row) for row in np.ascontiguousarray(metres)]
        self.order = list(order)
        self.at = dict(zip(order, range(len(order)), strict=True))
        inner = np.array(order)
        nearest = np.argsort(metres[np.ix_(inner, inner)], axis=1, kind="stable")
        self.near = {
            place: [int(inner[each]) for each in row if inner[each] != place][:NEAR]
            for place, row in zip(order, nearest, strict=True)
        }

    def improve(self, around: Sequence[int]) -> float:
        """Change the order while that shortens it, near the places given; return metres saved."""
        waiting, saved = list(around), 0.0
        queued = set(waiting)
        while waiting:
            place = waiting.pop()
            queued.discard(place)
            for gain, turns in self._changes(place):
                if gain > LEAST:
                    saved += gain
                    for i, j in turns:
                        self._turn(i, j)
                    touched = {self.order[k] for i, j in turns for k in (i - 1, i, j, j + 1)}
                    fresh = sorted((touched | {place}) - queued)
                    waiting += fresh
                    queued.update(fresh)
                    break
        return saved

    def try_exchange(self, dice: random.Random) -> None:
        """Exchange two stretches that follow each other, improve, and keep it if no longer."""
        before, order, metres = list(self.order), self.order, self.metres
        i, j, k = _cuts(dice, len(order) - 2)
        ends = (order[i - 1], order[i], order[j - 1], order[j], order[k - 1], order[k])
        a, b, c, d, e, f = ends
        longer = metres[a][d] + metres[e][b] + metres[c][f]
        longer -= metres[a][b] + metres[c][d] + metres[e][f]
        order[i:k] = order[j:k] + order[i:j]
        self._number(i, k)
        if self.improve(list(dict.fromkeys(ends))) < longer - LEAST:
            self.order = before
            self._number(0, len(before))

    def _number(self, i: int, k: int) -> None:
        for number in range(i, k):
            self.at[self.order[number]] = number

    def _turn(self, i: int, j: int) -> None:
        """Walk the stretch from i to j the other way."""
        self.order[i : j + 1] = self.order[i : j + 1][::-1]
        self._number(i, j + 1)

    def _changes(self, place: int) -> Iterator[tuple[float, Turns]]:
        """Yield the metres that changes at a place save, and the stretches they turn."""
        yield from self._two_opt(place)
        for more in range(LONGEST):
            yield from self._or_opt(place, self.at[place], self.at[place] + more)
            yield from self._or_opt(place, self.at[place] - more, self.at[place])

    def _two_opt(self, place: int) -> Iterator[tuple[float, Turns]]:
        order, metres, last = self.order, self.metres, len(self.order) - 1
        here, way = self.at[place], metres[place]
        for side in (1, -1):
            if not 0 <= here + side <= last:
                continue
            beside = order[here + side]
            now = way[beside]
            for near in self.near[place]:
                if way[near] >= now:
                    break
                there = self.at[near]
                if 0 <= there + side <= last:
                    other = order[there + side]
                    gain = now + metres[near][other] - way[near] - metres[beside][other]
                    low, high = min(here, there), max(here, there)
                    yield gain, ((low + 1, high) if side > 0 else (low, high - 1),)

    def _or_opt(self, place: int, i: int, j: int) -> Iterator[tuple[float, Turns]]:
        """Yield moves of the stretch from i to j that bring the place at its end near another."""
        order, metres, last = self.order, self.metres, len(self.order) - 1
        if i < 1 or j >= last:
            return
        way, begins = metres[place], order[i] == place
        other = order[j] if begins else order[i]
        before, after = order[i - 1], order[j + 1]
        freed = metres[before][order[i]] + metres[order[j]][after] - metres[before][after]
        for near in self.near[place]:
            if way[near] >= freed:
                break
            there = self.at[near]
            for side in (1, -1):
                beyond = there + side
                if i <= there <= j or i <= beyond <= j or not 0 <= beyond <= last:
                    continue
                gain = freed + metres[near][order[beyond]] - way[near]
                gain -= metres[other][order[beyond]]
                yield gain, _move(i, j, min(there, beyond), begins == (side > 0))


def _move(i: int, j: int, to: int, forward: bool) -> Turns:
    """Return the turns that put the stretch from i to j between `to` and the place after it."""
    if to > j:
        turns: Turns = ((i, to), (i, to - (j - i) - 1))
        stretch = (to - (j - i), to)
    else:
        turns = ((to + 1, j), (to + 1 + (j - i) + 1, j))
        stretch = (to + 1, to + 1 + (j - i))
    return (*turns, stretch) if forward else turns


def _cuts(dice: random.Random, inner: int) -> tuple[int, int, int]:
    """Return where two stretches begin that follow each other, and where the second ends."""
    low = dice.randint(1, max(1, inner - WITHIN))
    i, j, k = sorted(dice.sample(range(low, min(low + WITHIN, inner + 1) + 1), 3))
    return i, j, k


def bound(metres: Numbers, order: Sequence[int]) -> float:
    """Return metres that no order is shorter than that begins and ends as the given one does.

    A path is a tree in which all places but two have two neighbours, so the shortest tree is no
    longer. It still is not when places with too many neighbours cost a price and those with too few
    earn one; prices are sought that make it long.
    """
    if len(order) < 3:
        return length(metres, order)
    way, above = metres[np.ix_(order, order)], length(metres, order)
    wanted = np.full(len(order), 2.0)
    wanted[[0, -1]] = 1
    price, best, pace, stalled = np.zeros(len(order)), 0.0, 1.0, 0
    for _ in range(STEPS):
        total, neighbours = _shortest_tree(way + price[:, None] + price[None, :])
        found = total - float(price @ wanted)
        stalled = 0 if found > best + LEAST else stalled + 1
        best = max(best, found)
        if stalled == STALLED:
            pace, stalled = pace / 2, 0
        off = neighbours - wanted
        if not off.any():
            break
        price += pace * (above - found) / float(off @ off) * off
    return min(best, above)


def _shortest_tree(way: Numbers) -> tuple[float, Numbers]:
    """Return the length of the shortest tree, and each place's number of neighbours in it.

    R. C. Prim 1957, Shortest connection networks, Bell System Technical Journal 36:1389-1401.
    """
    nearest, by = way[0].copy(), np.zeros(len(way), dtype=int)
    nearest[0] = np.inf
    neighbours, total = np.zeros(len(way)), 0.0
    for _ in range(len(way) - 1):
        new = int(nearest.argmin())
        total += float(nearest[new])
        neighbours[[new, by[new]]] += 1
        nearest[new] = np.inf
        closer = (way[new] < nearest) & (nearest < np.inf)
        nearest[closer] = way[new][closer]
        by[closer] = new
    return total, neighbours
