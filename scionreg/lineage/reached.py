"""What a recall reaches: bundles, graft lots, lines of dispatches, mother trees; and not."""

import datetime as dt
from collections.abc import Callable, Iterator, Sequence
from typing import Any, NamedTuple, TypeVar, overload

from scionreg.lineage.graph import as_day
from scionreg.records.vocabulary import Reach

Told = tuple[float, Reach]
"""Of some wood: the largest share that came from there, and the grade."""

UNREACHED: Told = (0.0, Reach.EXCLUDED)


class BundleReach(NamedTuple):
    """A bundle that holds, or held, wood asked about; `sticks_left` of its `sticks` remain."""

    bundle: str
    sticks: int
    sticks_left: float
    share: float
    grade: Reach


class LotReach(NamedTuple):
    """A graft lot whose wood came, wholly or in part, from there.

    `share` is the largest share of its wood that may have come from there. `standing` lists the
    positions that no regraft took, where one did.
    """

    graft_lot: str
    bundle: str
    grafts: int
    block: str | None
    row: int | None
    first: int | None
    last: int | None
    share: float
    grade: Reach
    standing: str | None = None

    @property
    def positions(self) -> str | None:
        """Return the row positions, as in ``3-7;9-40``; None where they were not recorded."""
        if self.standing is not None:
            return self.standing
        return None if self.first is None else f"{self.first}-{self.last}"


class DispatchReach(NamedTuple):
    """One line of a dispatch: trees of one graft lot that went to a customer."""

    dispatch: str
    graft_lot: str
    customer: str
    date: dt.date | None
    trees: int
    first: int | None
    last: int | None
    share: float
    grade: Reach


class TreeReach(NamedTuple):
    """A mother tree grown from the wood, `generation` graftings later (1: from its own wood)."""

    tree: str
    graft_lot: str
    generation: int
    share: float
    grade: Reach


class Excluded(NamedTuple):
    """A bundle that one would suspect, and why none of its wood came from there."""

    bundle: str
    collection: str
    tree: str
    because: str


def make_lot(row: tuple[Any, ...]) -> LotReach:
    """Return a graft lot from its columns, the sticks it used, and what is told of it."""
    return LotReach(*row[:7], *row[8:])


def make_dispatch(row: tuple[Any, ...]) -> DispatchReach:
    """Return a line of a dispatch from its columns, its bundle, and what is told of it."""
    dispatch, lot, customer, date, trees, first, last, _, share, grade = row
    return DispatchReach(dispatch, lot, customer, as_day(date), trees, first, last, share, grade)


Item = TypeVar("Item")


class Reached(Sequence[Item]):
    """Items reached, each put together from its row and what is told of it when it is looked at.

    A recall may reach tens of thousands, of which nearly all are told the same as others.
    """

    def __init__(
        self,
        make: Callable[[tuple[Any, ...]], Item],
        rows: Sequence[tuple[Any, ...]],
        told: Sequence[tuple[Any, ...]],
    ) -> None:
        self._make, self._rows, self._told = make, rows, told

    def __len__(self) -> int:
        return len(self._rows)

    def __iter__(self) -> Iterator[Item]:
        for row, told in zip(self._rows, self._told, strict=True):
            yield self._make(row + told)

    @overload
    def __getitem__(self, at: int) -> Item: ...
    @overload
    def __getitem__(self, at: slice) -> Sequence[Item]: ...
    def __getitem__(self, at: int | slice) -> Item | Sequence[Item]:
        if isinstance(at, slice):
            return Reached(self._make, self._rows[at], self._told[at])
        return self._make(self._rows[at] + self._told[at])

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Reached) and tuple(self) == tuple(other)

    def __hash__(self) -> int:
        return hash(tuple(self))

    def __repr__(self) -> str:
        return repr(tuple(self))
