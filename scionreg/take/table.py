"""Take by tree, person, rootstock lot, row or day: raw, like with like, and shrunken."""

import math
from collections.abc import Sequence
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
from scionreg.take.mixed_logit import Fit, Progress
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
    where nothing tells.
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
        raise RegistryError(f"no lot with a known {factor} has a take count at the {stage} stage")
    levels = list(members["level"].cat.categories)
    counted = _counted(taken, members, len(levels))
    alike = {str(each): _main_level(worked, taken, each) for each in alike_for(factor)}
    matched, matched_on = like_with_like(counted, alike, values.least_weight)
    fitted, notes = _fitted(worked, taken, factor, usual, progress)
    suspects = _suspects(factor, levels, counted, matched, matched_on, fitted, values)
    suspects, tied = _with_ties(worked, taken, suspects, values)
    return TakeTable(
        stage=stage,
        factor=factor,
        grafts=int(taken.grafts.sum()),
        taken=int(taken.taken.sum()),
        suspects=tuple(sorted(suspects, key=_doubtful_first)),
        tied=tied,
        findings=findings_of(worked, values),
        notes=notes,
    )


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


def _fitted(
    worked: WorkedLots, taken: Taken, factor: str, usual: UsualTake, progress: Progress | None
) -> tuple[Fit | None, tuple[str, ...]]:
    """Return the model's estimates, or why there are none."""
    try:
        found = fit_take(worked, taken, factor, usual, progress)
    except RegistryError as error:
        return None, (f"no shrunken effects: {error}",)
    return found, () if found.converged else (f"shrunken effects are rough: {found.message}",)


def _suspects(
    factor: str,
    levels: Sequence[str],
    counted: Counted,
    matched: Matched,
    matched_on: Sequence[tuple[str, ...]],
    fitted: Fit | None,
    values: TakeValues,
) -> list[Suspect]:
    def over(weights: Array) -> Array:
        return np.bincount(counted.item, weights=weights, minlength=counted.items)

    grafts = over(counted.share * counted.grafts[counted.lot])
    taken = over(counted.share * counted.taken[counted.lot])
    low, high = wilson(taken, grafts)
    below, above = matched.interval(design_effect=values.design_effect)
    q = adjusted(matched.p_value(values.design_effect))
    effect, se = _effects(factor, levels, fitted)
    p_low = _p_low(effect, se, values.low_by)
    reach = norm.ppf(0.95) * se
    columns = {
        "lots": np.bincount(counted.item, minlength=counted.items),
        "grafts": grafts,
        "taken": taken,
        "rate": taken / grafts,
        "low": low,
        "high": high,
        "difference": matched.difference,
        "difference_low": below,
        "difference_high": above,
        "q": q,
        "effect": effect,
        "effect_low": effect - reach,
        "effect_high": effect + reach,
        "p_low": p_low,
    }
    rows: list[dict[Any, Any]] = pd.DataFrame(columns).astype(object).to_dict("records")
    verdicts = _verdicts(columns, values)
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


def _plain(value: float) -> Any:
    return None if math.isnan(value) else value


def _effects(factor: str, levels: Sequence[str], fitted: Fit | None) -> tuple[Array, Array]:
    """Return the shrunken effect of each level and its standard error; NaN where unknown."""
    nothing = np.full(len(levels), np.nan)
    if fitted is None or factor not in fitted.effects:
        return nothing, nothing
    found = fitted.effects[factor]
    place = pd.Index(found.levels).get_indexer(pd.Index(levels))
    return found.values[place], found.se[place]


def _p_low(effect: Array, se: Array, low_by: float) -> Array:
    """Return the posterior probability that an effect is at or below ``-low_by``."""
    with np.errstate(divide="ignore", invalid="ignore"):
        beyond = (-low_by - effect) / se
    return np.where(np.isnan(effect), np.nan, norm.cdf(beyond))


def _verdicts(columns: dict[str, Array], values: TakeValues) -> list[LowTake]:
    difference, p_low = columns["difference"], columns["p_low"]
    with np.errstate(invalid="ignore"):
        enough = (columns["grafts"] >= values.least_grafts) & ~np.isnan(difference)
        far = difference <= -values.least_difference
        low = enough & far & (columns["q"] < values.most_q) & (p_low >= values.sure)
        looks_low = far | (p_low >= 0.5)
    return [
        LowTake.LOW if is_low else LowTake.NOT_LOW if told and not looks else LowTake.NOT_ENOUGH
        for is_low, told, looks in zip(low, enough, looks_low, strict=True)
    ]


def _doubtful_first(suspect: Suspect) -> tuple[Any, ...]:
    p_low = suspect.p_low if suspect.p_low is not None else 0.0
    difference = suspect.difference if suspect.difference is not None else 0.0
    return ORDER.index(suspect.verdict), -p_low, difference, suspect.item


# Ties


def _with_ties(
    worked: WorkedLots, taken: Taken, suspects: Sequence[Suspect], values: TakeValues
) -> tuple[list[Suspect], tuple[tuple[Item, ...], ...]]:
    """Return the suspects with those called tied that have another's lots, and the groups."""
    low = [each for each in suspects if each.verdict is LowTake.LOW]
    if not low:
        return list(suspects), ()
    asked = low[0].factor
    others = {
        each: _counted_members(worked, taken, each) for each in dict.fromkeys([asked, *TakeFactor])
    }
    own = others[asked]
    groups: dict[str, tuple[Item, ...]] = {}
    for suspect in low:
        lots = own.loc[own["level"] == suspect.item, "lot"].to_numpy()
        same = _same_lots(lots, others, values.same_lots, suspect)
        if same:
            groups[suspect.item] = (Item(factor=asked, item=suspect.item), *same)
    told = [_tied(each) if each.item in groups else each for each in suspects]
    once = {frozenset(group): group for group in groups.values()}
    return told, tuple(once.values())


def _tied(suspect: Suspect) -> Suspect:
    fields = {name: getattr(suspect, name) for name in Suspect.__dataclass_fields__}
    return Suspect(**fields | {"verdict": LowTake.TIED})


def _same_lots(
    lots: Array, others: dict[str, pd.DataFrame], enough: float, suspect: Suspect
) -> list[Item]:
    """Return the items of any factor that share so many lots with a suspect."""
    found = []
    for factor, members in others.items():
        sizes = members["level"].value_counts()
        common = members.loc[members["lot"].isin(lots), "level"].value_counts()
        share = common / (sizes[common.index] + len(lots) - common)
        for level in share.index[share >= enough]:
            if (factor, level) != (suspect.factor, suspect.item):
                shown = _shown(factor, level, suspect.factor)
                found.append(Item(factor=factor, item=shown))
    return found


def _shown(factor: str, level: str, asked: str) -> str:
    """Return what an item is called: a person by code only where people are asked about."""
    hidden = factor == TakeFactor.GRAFTER and TakeFactor.GRAFTER not in asked.split("*")
    return ONE_HAND if hidden else level
