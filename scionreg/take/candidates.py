"""What may have lowered the take of some lots: one candidate cause for each way to group them."""

import datetime as dt
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from scipy import sparse

from scionreg.lineage.worked_lots import WorkedLots
from scionreg.records.fixed_values import WHY
from scionreg.records.starting_values import CauseValues
from scionreg.records.vocabulary import TreeKind
from scionreg.take.factors import memberships

Array = np.ndarray[Any, np.dtype[Any]]

MOST_ROWS, ROW_GAP = WHY.most_rows, WHY.row_gap
"""A run of rows has at most so many, with next ones at most so far apart."""
MOST_DAYS, DAY_GAP = WHY.most_days, WHY.day_gap
WEEK, WEEK_GAP = WHY.week, WHY.week_gap
"""Working days of one person that may have gone badly together."""

WITHIN_SEASONS = ("mother_tree", "grafter", "rootstock_lot", "stock_size")
"""Factors whose items may have been at fault in one season alone."""

SPELL_COLUMNS = ("lot", "store", "start", "end", "heat_c_hours", "kind")


class Candidate(NamedTuple):
    """A cause that may be: `item` of `factor`, or a run of `items`, in one `season` or in all.

    `prior` is its probability before the counts tell; `scanned` tells that it is one of many
    overlapping runs; `signs` are what else was seen that speaks for it.
    """

    factor: str
    item: str
    items: tuple[str, ...]
    prior: float
    season: int | None = None
    scanned: bool = False
    signs: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Candidates:
    """Candidates, and by what share each has each lot, (lots, candidates)."""

    each: list[Candidate]
    shares: sparse.csc_array


def find_candidates(
    worked: WorkedLots,
    lots: Array,
    asked: Array,
    values: CauseValues,
    spells: pd.DataFrame | None = None,
) -> Candidates:
    """Return every cause that has some of `lots` (row numbers, in order).

    `asked` are the rows numbers asked about: runs of rows are weighed by how many rows they touch.
    `spells` has the warm spells that lots' wood sat through: columns `lot`, `store`, `start`,
    `end`, `heat_c_hours` and `kind` (slight, check, use_first or sample_first).
    """
    table = _Table(lots)
    seasons = worked.lots["season"].to_numpy()[lots]
    signs = _signs_of_over_cutting(worked, values)
    for factor in ("mother_tree", "collection", "bundle", "grafter", "rootstock_lot", "stock_size"):
        for item, members in table.levels(memberships(worked, factor)).items():
            marks = signs.get(item, ()) if factor == "mother_tree" else ()
            prior = getattr(values, factor) * (values.over_cut_factor if marks else 1)
            table.add(Candidate(factor, item, (item,), prior, signs=marks), members)
            years = seasons[members.at]
            several = np.unique(years)
            if factor in WITHIN_SEASONS and len(several) > 1:
                prior /= len(several)
                for season in several:
                    one = Candidate(factor, item, (item,), prior, int(season), signs=marks)
                    table.add(one, members.where(years == season))
    for level, members in table.levels(memberships(worked, "store*season")).items():
        store, _, season = level.rpartition("*")
        table.add(Candidate("store", store, (store,), values.store, int(season)), members)
    for factor, prior in (("graft_day", values.graft_day), ("cutting_day", values.cutting_day)):
        days = table.levels(memberships(worked, factor))
        _add_days(table, days, factor, prior, values.run_of_days)
    _add_rows(table, worked, asked, values.row)
    _add_pairs(table, worked, "mother_tree", "rootstock_lot", values.tree_and_stock)
    _add_pairs(table, worked, "grafter", "method", values.hand_and_method)
    _add_bad_days(table, worked, values.hand_and_days)
    if spells is not None and len(spells):
        _add_spells(table, spells, values)
    return table.done()


class _Members(NamedTuple):
    """Lots, by their place among those judged, and the share of each."""

    at: Array
    share: Array

    def where(self, kept: Array) -> "_Members":
        """Return some of them."""
        return _Members(self.at[kept], self.share[kept])

    @classmethod
    def together(cls, each: Sequence["_Members"]) -> "_Members":
        """Return all of several; a lot that is in some of them has the sum of its shares."""
        if len(each) == 1:
            return each[0]
        at, place = np.unique(np.concatenate([one.at for one in each]), return_inverse=True)
        return cls(at, np.bincount(place, np.concatenate([one.share for one in each])))


class _Table:
    """Candidates being collected; of several of one factor with the same lots the first stays."""

    def __init__(self, lots: Array) -> None:
        self._at = pd.Series(np.arange(len(lots)), index=lots)
        self._each: list[Candidate] = []
        self._columns: list[_Members] = []
        self._met: set[tuple[str, bytes, bytes]] = set()

    def levels(self, members: pd.DataFrame) -> dict[str, _Members]:
        """Return the lots that are judged by level, sorted."""
        kept = members[members["lot"].isin(self._at.index)].sort_values(["level", "lot"])
        at = self._at[kept["lot"]].to_numpy()
        names, starts = np.unique(kept["level"].to_numpy(dtype=str), return_index=True)
        parts = zip(
            names.tolist(),
            np.split(at, starts[1:]),
            np.split(kept["share"].to_numpy(dtype=float), starts[1:]),
            strict=True,
        )
        return {name: _Members(each, share) for name, each, share in parts} if len(names) else {}

    def add(self, candidate: Candidate, members: _Members) -> None:
        """Add a candidate with its lots."""
        held = np.minimum(members.share, 1.0)
        key = (candidate.factor, members.at.tobytes(), held.round(9).tobytes())
        if len(held) and key not in self._met:
            self._met.add(key)
            self._each.append(candidate)
            self._columns.append(_Members(members.at, held))

    def done(self) -> Candidates:
        """Return the candidates."""
        at = [column.at for column in self._columns] or [np.array([], dtype=np.int64)]
        held = [column.share for column in self._columns] or [np.array([])]
        starts = np.cumsum([0, *map(len, at)])[: len(self._each) + 1]
        shape = (len(self._at), len(self._each))
        columns = (np.concatenate(held), np.concatenate(at), starts)
        return Candidates(self._each, sparse.csc_array(columns, shape=shape))


def _runs(numbers: Sequence[int], most: int, gap: int) -> Iterator[Sequence[int]]:
    """Yield the runs of sorted numbers, shortest first."""
    for length in range(1, most + 1):
        for start in range(len(numbers) - length + 1):
            run = numbers[start : start + length]
            if all(after - before <= gap for before, after in pairwise(run)):
                yield run


def _add_days(
    table: _Table, levels: dict[str, _Members], factor: str, prior: float, run_share: float
) -> None:
    day_of = {dt.date.fromisoformat(level).toordinal(): level for level in levels}
    for run in _runs(sorted(day_of), MOST_DAYS, DAY_GAP):
        days = tuple(day_of[number] for number in run)
        item = days[0] if len(days) == 1 else f"{days[0]}..{days[-1]}"
        weight = prior if len(days) == 1 else prior * run_share
        candidate = Candidate(factor, item, days, weight, scanned=len(days) > 1)
        table.add(candidate, _Members.together([levels[day] for day in days]))


def _add_rows(table: _Table, worked: WorkedLots, asked: Array, prior: float) -> None:
    """Add runs of rows: their prior is shared by the runs that touch rows asked about."""
    among = set(memberships(worked, "row").pipe(_of_lots, asked)["level"])
    blocks: dict[tuple[str, int], dict[int, _Members]] = {}
    for level, members in table.levels(memberships(worked, "season*row")).items():
        year, _, place = level.partition("*")
        block, _, row = place.rpartition("/")
        blocks.setdefault((block, int(year)), {})[int(row)] = members
    for (block, season), rows in blocks.items():
        touched = {row for row in rows if f"{block}/{row}" in among}
        runs = list(_runs(sorted(rows), MOST_ROWS, ROW_GAP))
        near = sum(not touched.isdisjoint(run) for run in runs)
        for run in runs:
            items = tuple(f"{block}/{row}" for row in run)
            item = items[0] if len(run) == 1 else f"{block}/{run[0]}-{run[-1]}"
            weight = prior / len(runs)
            if not touched.isdisjoint(run):
                weight = prior * len(touched) / near
            candidate = Candidate("row", item, items, weight, season, scanned=True)
            table.add(candidate, _Members.together([rows[row] for row in run]))


def _of_lots(members: pd.DataFrame, lots: Array) -> pd.DataFrame:
    return members[members["lot"].isin(lots)]


def _add_pairs(table: _Table, worked: WorkedLots, one: str, other: str, prior: float) -> None:
    """Add pairs of which both occur apart: else they are no more than one of the two."""
    pairs = table.levels(memberships(worked, f"{one}*{other}"))
    partners = Counter(item for level in pairs for item in set(enumerate(level.split("*"))))
    for level, members in pairs.items():
        first, _, second = level.partition("*")
        if partners[0, first] > 1 and partners[1, second] > 1:
            table.add(Candidate(f"{one}*{other}", level, (first, second), prior), members)


def _add_bad_days(table: _Table, worked: WorkedLots, prior: float) -> None:
    """Add runs of up to a week of one grafter, who was at work on other days, too."""
    hands: dict[str, dict[int, _Members]] = {}
    for level, members in table.levels(memberships(worked, "grafter*graft_day")).items():
        hand, _, day = level.partition("*")
        hands.setdefault(hand, {})[dt.date.fromisoformat(day).toordinal()] = members
    for hand, days in hands.items():
        runs = [run for run in _runs(sorted(days), WEEK, WEEK_GAP) if len(run) < len(days)]
        for run in runs:
            first, last = (dt.date.fromordinal(run[at]).isoformat() for at in (0, -1))
            item = f"{hand}*{first}" if first == last else f"{hand}*{first}..{last}"
            weight = prior / len(runs)
            candidate = Candidate(
                "grafter*graft_day", item, (hand, first, last), weight, scanned=True
            )
            table.add(candidate, _Members.together([days[day] for day in run]))


def _add_spells(table: _Table, spells: pd.DataFrame, values: CauseValues) -> None:
    for (store, start, end), group in spells.groupby(["store", "start", "end"]):
        item = f"{store} {start:%Y-%m-%d}..{end:%Y-%m-%d}"
        for members in table.levels(group.assign(level=item, share=1.0)).values():
            heat = float(group["heat_c_hours"].max())
            prior = getattr(values, f"{group['kind'].iloc[0]}_spell")
            sign = f"{heat:.0f} °C·h ({heat * 9 / 5:.0f} °F·h) of warmth in store {store}"
            found = Candidate("warm_spell", item, (str(store),), prior, signs=(sign,))
            table.add(found, members)


def _signs_of_over_cutting(worked: WorkedLots, values: CauseValues) -> dict[str, tuple[str, ...]]:
    """Return by tree what its cuttings show: short shoots, or much cut of no bank tree."""
    found: dict[str, tuple[str, ...]] = {}
    cuts = worked.sources.drop_duplicates("collection")
    for tree, group in cuts.groupby("mother_tree"):
        marks = []
        short = group["shoot_length_cm"].min()
        if short < values.over_cut_shoot_cm:
            marks.append(f"shoots of {short:.0f} cm")
        hard = group.loc[group["tree_kind"] != TreeKind.BANK, "share_cut"].max()
        if hard > values.over_cut_share:
            marks.append(f"{hard:.0%} of its shoots cut in one winter")
        if marks:
            found[str(tree)] = tuple(marks)
    return found
