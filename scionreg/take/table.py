"""Take by tree, person, rootstock lot, row or day: raw, like with like, and shrunken."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.stats import norm

from scionreg.lineage.worked_lots import WorkedLots
from scionreg.records.errors import RegistryError
from scionreg.records.starting_values import TakeValues, UsualTake
from scionreg.records.vocabulary import LowTake, TakeFactor
from scionreg.take.factors import alike_for, memberships
from scionreg.take.findings import Finding, findings_of
from scionreg.take.intervals import adjusted, wilson
from scionreg.take.matching import Counted, Matched, like_with_like
from scionreg.take.mixed_logit import Progress
from scionreg.take.model import fit_take
from scionreg.take.stages import Stage, Taken, counts_at

Array = np.ndarray[Any, np.dtype[Any]]

ONE_HAND = "one grafter"
"""How a person is called where nothing is shown of that person."""

ORDER = (LowTake.LOW, LowTake.TIED, LowTake.NOT_ENOUGH, LowTake.NOT_LOW)


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One tree, person, day or whatever else a factor has."""

    factor: str
    item: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """How the lots of one item took.

    `grafts` and `taken` count mixed wood by share; `low` and `high` are the limits of Wilson's 95 %
    interval of `rate`. `difference` is the share by which it took more than lots alike in `alike`
    (Mantel-Haenszel), with a 95 % interval after the design effect, and `q` its test adjusted for
    the number of items. `effect` is the shrunken effect of the item, in logit, with its 90 %
    interval, and `p_low` the probability that it is low by at least the setting `take.low_by`. None
    where nothing tells. `lots` were counted at that stage, of `lots_in_all`; `cultivar` is what
    most of the wood in them was.
    """

    factor: str
    item: str
    lots: int
    grafts: float
    taken: float
    rate: float
    low: float
    high: float
    difference: float | None
    difference_low: float | None
    difference_high: float | None
    q: float | None
    alike: tuple[str, ...]
    effect: float | None
    effect_low: float | None
    effect_high: float | None
    p_low: float | None
    verdict: LowTake
    lots_in_all: int
    cultivar: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeTable:
    """Take by the items of one factor at one count, the doubtful ones first.

    `tied` groups the items that are low and have the same lots, so that nothing tells them apart;
    `findings` are about the counts; `notes` say what the figures could not be had for. `grafts` and
    `taken` are of all the lots that were counted then.
    """

    stage: Stage
    factor: str
    grafts: int
    taken: int
    suspects: tuple[Suspect, ...]
    tied: tuple[tuple[Item, ...], ...]
    findings: tuple[Finding, ...]
    notes: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """Return a row for each item."""
        rows = [asdict(each) | {"alike": " ".join(each.alike)} for each in self.suspects]
        return pd.DataFrame(rows, columns=list(Suspect.__dataclass_fields__))

    def to_rows(self) -> list[dict[str, Any]]:
        """Return the rows of the frame as plain values."""
        return [asdict(each) | {"alike": " ".join(each.alike)} for each in self.suspects]

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "stage": self.stage,
            "factor": self.factor,
            "grafts": self.grafts,
            "taken": self.taken,
            "suspects": [asdict(each) for each in self.suspects],
            "tied": [[asdict(each) for each in group] for group in self.tied],
            "findings": [asdict(each) for each in self.findings],
            "notes": list(self.notes),
        }


def take_table(
    worked: WorkedLots,
    factor: str,
    stage: Stage,
    values: TakeValues | None = None,
    usual: UsualTake | None = None,
    progress: Progress | None = None,
) -> TakeTable:
    """Compare the items of a factor by their take.

    Parameters
    ----------
    worked
        The lots to compare; what is not among them is not looked at.
    factor
        A word of `TakeFactor`, or several joined by ``*``.
    stage
        The count that take is judged by.
    values, usual
        Starting values of the registry; None for the shipped ones.

    An item is *low* with enough grafts, a matched difference large enough and not by luck among
    so many items, and a shrunken effect that is surely below its like; *tied* if another item, of
    whatever factor, has the same lots; *not enough* where it looks low without all of these, has
    too few grafts or nothing like it beside it.

    Raises
    ------
    RegistryError
        There is no such factor, or nothing was counted at that stage.
    """
    values, usual = values or TakeValues(), usual or UsualTake()
    taken = counts_at(worked, stage)
    members = _counted_members(worked, taken, factor)
    if members.empty:
        raise RegistryError(_nothing_counted(worked, factor, stage))
    levels = list(members["level"].cat.categories)
    counted = _counted(taken, members, len(levels))
    alike = {str(each): _main_level(worked, taken, each) for each in alike_for(factor)}
    matched, matched_on = like_with_like(counted, alike, values.least_weight)
    figures = _figures(counted, matched, values)
    model = _Model(worked, taken, factor, levels, usual, progress)
    effect, se = model.effects()
    twins = _twins(worked, taken, factor, [levels[at] for at in _flagged(figures, values)], values)
    for same, items in _by_factors(twins).items():
        # Among things with the same lots a model shares out an effect as it likes: it is of all.
        at = pd.Index(levels).get_indexer(pd.Index(items))
        effect[at], se[at] = (each[at] for each in model.effects(without=same))
    figures |= _shrunken(effect, se, values)
    figures |= _named(worked, factor, levels)
    verdicts = _verdicts(figures, [level in twins for level in levels], values)
    suspects = _suspects(factor, levels, matched_on, figures, verdicts)
    groups = {
        each.item: (Item(factor=factor, item=each.item), *twins[each.item])
        for each in suspects
        if each.verdict is LowTake.TIED
    }
    return TakeTable(
        stage=stage,
        factor=factor,
        grafts=int(taken.grafts.sum()),
        taken=int(taken.taken.sum()),
        suspects=tuple(sorted(suspects, key=_doubtful_first)),
        tied=tuple({frozenset(group): group for group in groups.values()}.values()),
        findings=findings_of(worked, values),
        notes=tuple(dict.fromkeys((*_left_out(worked, taken), *model.notes))),
    )


def _nothing_counted(worked: WorkedLots, factor: str, stage: Stage) -> str:
    undated = int(worked.counts["age"].isna().sum())
    noun = "count has" if undated == 1 else "counts have"
    more = f"; {undated} {noun} no day, or their lots none" if undated else ""
    return f"no lot with a known {factor} has a take count at the {stage} stage{more}"


def _left_out(worked: WorkedLots, taken: Taken) -> list[str]:
    """Say how many lots were not counted at that stage, so that no sum is taken for all of them."""
    every = int((worked.lots["grafts"] > 0).sum())
    lacking = every - len(taken.lots)
    verb = "has" if lacking == 1 else "have"
    out = "is" if lacking == 1 else "are"
    told = f"{lacking} of {every} lots {verb} no {taken.stage} count and {out} left out"
    return [told] if lacking else []


def _named(worked: WorkedLots, factor: str, levels: Sequence[str]) -> dict[str, Array]:
    """Return in how many lots each item is, counted or not, and what most of its wood was."""
    members = memberships(worked, factor)
    both = members.merge(memberships(worked, TakeFactor.CULTIVAR), on="lot")
    both["share"] = both["share_x"] * both["share_y"]
    shares = both.groupby(["level_x", "level_y"], sort=True)["share"].sum()
    most = shares.reset_index().sort_values("share", kind="stable").groupby("level_x").last()
    of = most["level_y"].reindex(list(levels)).astype(object)
    return {
        "lots_in_all": members["level"].value_counts().reindex(list(levels)).to_numpy(),
        "cultivar": of.where(of.notna(), np.nan).to_numpy(),
    }


def _counted_members(worked: WorkedLots, taken: Taken, factor: str) -> pd.DataFrame:
    """Return the memberships of the counted lots; `lot` is the place among these."""
    place = pd.Series(np.arange(len(taken.lots)), index=taken.lots)
    members = memberships(worked, factor)
    members = members[members["lot"].isin(place.index)]
    return members.assign(
        lot=place[members["lot"]].to_numpy(), level=members["level"].astype("category")
    )


def _counted(taken: Taken, members: pd.DataFrame, items: int) -> Counted:
    return Counted(
        taken=taken.taken.astype(float),
        grafts=taken.grafts.astype(float),
        lot=members["lot"].to_numpy(),
        item=members["level"].cat.codes.to_numpy(dtype=np.int64),
        share=members["share"].to_numpy(),
        items=items,
    )


def _main_level(worked: WorkedLots, taken: Taken, factor: TakeFactor) -> Array:
    """Return a number for each lot's level, of the largest part of its wood; 0 is unknown."""
    members = memberships(worked, factor).sort_values(["lot", "share"], ascending=[True, False])
    first = members.drop_duplicates("lot").set_index("lot")["level"]
    return pd.factorize(first.reindex(taken.lots))[0] + 1


class _Model:
    """The model's effects of the items, and notes on what it could not tell."""

    def __init__(
        self,
        worked: WorkedLots,
        taken: Taken,
        factor: str,
        levels: Sequence[str],
        usual: UsualTake,
        progress: Progress | None,
    ) -> None:
        self._asked = worked, taken, factor
        self._levels = pd.Index(levels)
        self._usual, self._progress = usual, progress
        self.notes: list[str] = []

    def effects(self, without: frozenset[str] = frozenset()) -> tuple[Array, Array]:
        """Return each item's shrunken effect and its standard error; NaN where nothing tells."""
        worked, taken, factor = self._asked
        nothing = np.full(len(self._levels), np.nan)
        if len(self._levels) < 2:
            self.notes.append(f"no shrunken effects: all is of one {factor}, {self._levels[0]}")
            return nothing, nothing
        try:
            fitted = fit_take(worked, taken, factor, self._usual, self._progress, without)
        except RegistryError as error:
            self.notes.append(f"no shrunken effects: {error}")
            return nothing, nothing
        if not fitted.converged:
            self.notes.append(f"shrunken effects are rough: {fitted.message}")
        found = fitted.effects[factor]
        place = pd.Index(found.levels).get_indexer(self._levels)
        return found.values[place], found.se[place]


def _figures(counted: Counted, matched: Matched, values: TakeValues) -> dict[str, Array]:
    """Return what is counted of each item, and how it differs from its like."""

    def over(weights: Array) -> Array:
        return np.bincount(counted.item, weights=weights, minlength=counted.items)

    grafts = over(counted.share * counted.grafts[counted.lot])
    taken = over(counted.share * counted.taken[counted.lot])
    low, high = wilson(taken, grafts)
    below, above = matched.interval(design_effect=values.design_effect)
    return {
        "lots": np.bincount(counted.item, minlength=counted.items),
        "grafts": grafts,
        "taken": taken,
        "rate": taken / grafts,
        "low": low,
        "high": high,
        "difference": matched.difference,
        "difference_low": below,
        "difference_high": above,
        "q": adjusted(matched.p_value(values.design_effect)),
    }


def _shrunken(effect: Array, se: Array, values: TakeValues) -> dict[str, Array]:
    """Return effects with their 90 % intervals, and the probabilities that they are low."""
    reach = norm.ppf(0.95) * se
    with np.errstate(divide="ignore", invalid="ignore"):
        beyond = (-values.low_by - effect) / se
    return {
        "effect": effect,
        "effect_low": effect - reach,
        "effect_high": effect + reach,
        "p_low": np.where(np.isnan(effect), np.nan, norm.cdf(beyond)),
    }


def _far(figures: Mapping[str, Array], values: TakeValues) -> Array:
    far: Array = figures["difference"] <= -values.least_difference
    return far


def _flagged(figures: Mapping[str, Array], values: TakeValues) -> Array:
    """Return which items are low among their like by the counts alone, as places."""
    enough = figures["grafts"] >= values.least_grafts
    return np.flatnonzero(enough & _far(figures, values) & (figures["q"] < values.most_q))


def _verdicts(
    figures: Mapping[str, Array], tied: Sequence[bool], values: TakeValues
) -> list[LowTake]:
    enough = (figures["grafts"] >= values.least_grafts) & ~np.isnan(figures["difference"])
    looks_low = _far(figures, values) | (figures["p_low"] >= 0.5)
    verdicts = [
        LowTake.NOT_LOW if told and not looks else LowTake.NOT_ENOUGH
        for told, looks in zip(enough, looks_low, strict=True)
    ]
    for at in _flagged(figures, values):
        if figures["p_low"][at] >= values.sure:
            verdicts[at] = LowTake.TIED if tied[at] else LowTake.LOW
    return verdicts


def _suspects(
    factor: str,
    levels: Sequence[str],
    matched_on: Sequence[tuple[str, ...]],
    figures: Mapping[str, Array],
    verdicts: Sequence[LowTake],
) -> list[Suspect]:
    rows: list[dict[Any, Any]] = pd.DataFrame(figures).astype(object).to_dict("records")
    return [
        Suspect(
            factor=factor,
            item=level,
            alike=alike,
            verdict=verdict,
            **{name: _plain(value) for name, value in row.items()},
        )
        for level, alike, verdict, row in zip(levels, matched_on, verdicts, rows, strict=True)
    ]


def _plain(value: Any) -> Any:
    return None if isinstance(value, float) and math.isnan(value) else value


def _doubtful_first(suspect: Suspect) -> tuple[Any, ...]:
    p_low = suspect.p_low if suspect.p_low is not None else 0.0
    difference = suspect.difference if suspect.difference is not None else 0.0
    return ORDER.index(suspect.verdict), -p_low, difference, suspect.item


# Ties


def _twins(
    worked: WorkedLots, taken: Taken, asked: str, items: Sequence[str], values: TakeValues
) -> dict[str, list[Item]]:
    """Return the other items, of any factor, that have the same lots as each of `items`."""
    if not items:
        return {}
    members = {
        each: _counted_members(worked, taken, each) for each in dict.fromkeys([asked, *TakeFactor])
    }
    own = members[asked]
    found = {
        item: [
            Item(factor=factor, item=_shown(factor, level, asked))
            for factor, others in members.items()
            for level in _same_lots(own.loc[own["level"] == item, "lot"], others, values.same_lots)
            if (factor, level) != (asked, item)
        ]
        for item in items
    }
    return {item: same for item, same in found.items() if same}


def _same_lots(lots: "pd.Series[Any]", members: pd.DataFrame, enough: float) -> list[str]:
    """Return the levels that share so many lots, of all that either has."""
    sizes = members["level"].value_counts()
    common = members.loc[members["lot"].isin(lots), "level"].value_counts()
    share = common / (sizes[common.index] + len(lots) - common)
    return list(share.index[share >= enough])


def _by_factors(twins: Mapping[str, Sequence[Item]]) -> dict[frozenset[str], list[str]]:
    """Return the items by the factors that have something with their lots."""
    found: dict[frozenset[str], list[str]] = {}
    for item, same in twins.items():
        found.setdefault(frozenset(each.factor for each in same), []).append(item)
    return found


def _shown(factor: str, level: str, asked: str) -> str:
    """Return what an item is called: a person by code only where people are asked about."""
    hidden = factor == TakeFactor.GRAFTER and TakeFactor.GRAFTER not in asked.split("*")
    return ONE_HAND if hidden else level
