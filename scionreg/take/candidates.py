"""What may have lowered the take of some lots: one candidate cause for each way to group them."""

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from scipy import sparse

from scionreg.lineage.worked_lots import WorkedLots
from scionreg.records.starting_values import CauseValues
from scionreg.records.vocabulary import TreeKind
from scionreg.take.factors import memberships

Array = np.ndarray[Any, np.dtype[Any]]

MOST_ROWS, ROW_GAP = 8, 3
"""A run of rows has at most so many, with next ones at most so far apart."""
MOST_DAYS, DAY_GAP = 3, 2
WEEK, WEEK_GAP = 6, 3
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
    seasons = worked.lots["season"].to_numpy()
    signs = _signs_of_over_cutting(worked, values)
    for factor in ("mother_tree", "collection", "bundle", "grafter", "rootstock_lot", "stock_size"):
        members = table.of(memberships(worked, factor))
        for item, group in members.groupby("level", sort=True):
            marks = signs.get(str(item), ()) if factor == "mother_tree" else ()
            prior = getattr(values, factor) * (values.over_cut_factor if marks else 1)
            table.add(Candidate(factor, str(item), (str(item),), prior, signs=marks), group)
            years = seasons[group["lot"]]
            several = np.unique(years)
            if factor in WITHIN_SEASONS and len(several) > 1:
                for season in several:
                    one = Candidate(
                        factor,
                        str(item),
                        (str(item),),
                        prior / len(several),
                        int(season),
                        signs=marks,
                    )
                    table.add(one, group[years == season])
    for item, group in table.of(memberships(worked, "store*season")).groupby("level", sort=True):
        store, _, season = str(item).rpartition("*")
        table.add(Candidate("store", store, (store,), values.store, int(season)), group)
    for factor, prior in (("graft_day", values.graft_day), ("cutting_day", values.cutting_day)):
        _add_days(table, table.of(memberships(worked, factor)), factor, prior, values.run_of_days)
    _add_rows(table, worked, asked, values.row)
    _add_pairs(table, worked, "mother_tree", "rootstock_lot", values.tree_and_stock)
    _add_pairs(table, worked, "grafter", "method", values.hand_and_method)
    _add_bad_days(table, worked, values.hand_and_days)
    if spells is not None and len(spells):
        _add_spells(table, spells, values)
    return table.done()


class _Table:
    """Candidates being collected; of several of one factor with the same lots the first stays."""

    def __init__(self, lots: Array) -> None:
        self._at = {int(lot): at for at, lot in enumerate(lots)}
        self._each: list[Candidate] = []
        self._columns: list[tuple[Array, Array]] = []
        self._met: set[tuple[str, bytes, bytes]] = set()

    def of(self, members: pd.DataFrame) -> pd.DataFrame:
        """Return the memberships of the lots that are judged."""
        return members[members["lot"].isin(self._at.keys())]

    def add(self, candidate: Candidate, group: pd.DataFrame) -> None:
        """Add a candidate with its lots."""
        shares = group.groupby("lot")["share"].sum()
        at = np.array([self._at[int(lot)] for lot in shares.index], dtype=np.int64)
        held = np.minimum(shares.to_numpy(), 1.0)
        key = (candidate.factor, at.tobytes(), held.round(9).tobytes())
        if len(at) and key not in self._met:
            self._met.add(key)
            self._each.append(candidate)
            self._columns.append((at, held))

    def done(self) -> Candidates:
        """Return the candidates."""
        at = [column[0] for column in self._columns] or [np.array([], dtype=np.int64)]
        held = [column[1] for column in self._columns] or [np.array([])]
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
    table: _Table, members: pd.DataFrame, factor: str, prior: float, run_share: float
) -> None:
    groups = {str(level): group for level, group in members.groupby("level")}
    day_of = {pd.Timestamp(level).toordinal(): level for level in groups}
    for run in _runs(sorted(day_of), MOST_DAYS, DAY_GAP):
        days = tuple(day_of[number] for number in run)
        item = days[0] if len(days) == 1 else f"{days[0]}..{days[-1]}"
        weight = prior if len(days) == 1 else prior * run_share
        candidate = Candidate(factor, item, days, weight, scanned=len(days) > 1)
        table.add(candidate, pd.concat([groups[day] for day in days]))


def _add_rows(table: _Table, worked: WorkedLots, asked: Array, prior: float) -> None:
    lots = worked.lots
    placed = lots.loc[lots["block"].notna() & lots["row"].notna(), ["block", "season", "row"]]
    placed = table.of(placed.assign(lot=placed.index, share=1.0))
    for (block, season), group in placed.groupby(["block", "season"]):
        rows = {int(str(row).partition(".")[0]): each for row, each in group.groupby("row")}
        runs = list(_runs(sorted(rows), MOST_ROWS, ROW_GAP))
        year = int(str(season))
        touched = {int(row) for row in group.loc[group["lot"].isin(asked), "row"]}
        near = sum(not touched.isdisjoint(run) for run in runs)
        for run in runs:
            items = tuple(f"{block}/{row}" for row in run)
            item = items[0] if len(run) == 1 else f"{block}/{run[0]}-{run[-1]}"
            weight = prior / len(runs)
            if not touched.isdisjoint(run):
                weight = prior * len(touched) / near
            candidate = Candidate("row", item, items, weight, year, scanned=True)
            table.add(candidate, pd.concat([rows[row] for row in run]))


def _add_pairs(table: _Table, worked: WorkedLots, one: str, other: str, prior: float) -> None:
    """Add pairs of which both occur apart: else they are no more than one of the two."""
    pairs = table.of(memberships(worked, f"{one}*{other}"))
    if pairs.empty:
        return
    left, right = (pairs["level"].str.split("*").str[at] for at in (0, 1))
    partners = {
        "left": right.groupby(left).nunique().to_dict(),
        "right": left.groupby(right).nunique().to_dict(),
    }
    for level, group in pairs.groupby("level", sort=True):
        first, _, second = str(level).partition("*")
        if partners["left"][first] > 1 and partners["right"][second] > 1:
            table.add(Candidate(f"{one}*{other}", str(level), (first, second), prior), group)


def _add_bad_days(table: _Table, worked: WorkedLots, prior: float) -> None:
    """Add runs of up to a week of one grafter, who was at work on other days, too."""
    members = table.of(memberships(worked, "grafter*graft_day"))
    hands = members["level"].str.partition("*")
    for hand, group in members.assign(day=hands[2]).groupby(hands[0]):
        days = {pd.Timestamp(str(day)).toordinal(): each for day, each in group.groupby("day")}
        runs = [run for run in _runs(sorted(days), WEEK, WEEK_GAP) if len(run) < len(days)]
        for run in runs:
            first, last = (dt.date.fromordinal(run[at]).isoformat() for at in (0, -1))
            item = f"{hand}*{first}" if first == last else f"{hand}*{first}..{last}"
            candidate = Candidate(
                "grafter*graft_day", item, (str(hand), first, last), prior / len(runs), scanned=True
            )
            table.add(candidate, pd.concat([days[day] for day in run]))


def _add_spells(table: _Table, spells: pd.DataFrame, values: CauseValues) -> None:
    known = table.of(spells.assign(share=1.0))
    for (store, start, end), group in known.groupby(["store", "start", "end"]):
        heat = float(group["heat_c_hours"].max())
        prior = getattr(values, f"{group['kind'].iloc[0]}_spell")
        item = f"{store} {start:%Y-%m-%d}..{end:%Y-%m-%d}"
        sign = f"{heat:.0f} °C·h ({heat * 9 / 5:.0f} °F·h) of warmth in store {store}"
        table.add(Candidate("warm_spell", item, (str(store),), prior, signs=(sign,)), group)


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
