"""What happened in store: the figures of bundles, warm spells, what may be used and what first."""

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import pandas as pd

from scionreg.cold_store.curve import Curve
from scionreg.cold_store.exposure import NOTHING, Exposure, exposures, stays_frame
from scionreg.cold_store.judging import classify, is_stone_fruit, keeping_days
from scionreg.cold_store.spells import Spell, touched, warm_spells
from scionreg.lineage.reasons import Reason, barred
from scionreg.lineage.stays import Kept
from scionreg.lineage.stops import standing_condition
from scionreg.lineage.woods import Wood
from scionreg.records.starting_values import StoreValues
from scionreg.records.vocabulary import Against, Condition, StoreClass
from scionreg.records.words import Sentence

MUCH_WARMTH = "much_warmth"
"""How wood was kept that would be used first, could it be used."""
F_HOURS = 1.8
"""°F·h in a °C·h."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BundleFigures:
    """What one bundle's wood went through, and what follows.

    `mean` is over its sticks, `worst` that of the worst of them (they differ where it was tied
    from other bundles). `days` are since the cutting, or where that is not known since the packing
    (`since` says which), to `until`: when the last of it left, or the moment asked about.
    """

    bundle: str
    grade: StoreClass
    mean: Exposure
    worst: Exposure
    days: int | None
    since: str | None
    until: dt.datetime | None
    keeps_days: float
    wood: Wood
    store: str | None
    shelf: str | None
    sticks_left: float
    condition: str | None
    looked_at: dt.datetime | None
    reasons: tuple[Reason, ...]
    doubts: tuple[str, ...]
    in_fahrenheit: bool = False

    @property
    def may_not_be_used(self) -> tuple[str, ...]:
        """Return why it may not be used, in sentences; none where it may."""
        return tuple(each.says for each in self.reasons if each.bars)

    @property
    def kept_as(self) -> str:
        """Return the name of its class, which asks for no use of wood that may not be used."""
        asks = self.may_not_be_used and self.grade is StoreClass.USE_FIRST
        return MUCH_WARMTH if asks else self.grade.value

    @property
    def humidity_known(self) -> bool:
        """Tell whether the humidity of any of its time in store is known."""
        return self.mean.hours == 0 or self.mean.without_humidity < self.mean.hours

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        heat = self.mean.degree_hours
        found: dict[str, Any] = {
            "bundle": self.bundle,
            "days": self.days,
            "degree_hours_above_7_2": round(heat, 2),
            "hours_below_minus_5": round(self.mean.cold_hours, 2),
            "vpd_kpa_hours": round(self.mean.deficit_hours, 3) if self.humidity_known else None,
            "hours_without_readings": round(self.mean.without_readings, 2),
            "class": self.grade.value,
            "days_since": self.since,
            "until": self.until.isoformat() if self.until else None,
            "hours": round(self.mean.hours, 2),
            "hours_without_humidity": round(self.mean.without_humidity, 2),
            "degree_hours_of_worst_sticks": round(self.worst.degree_hours, 2),
            "keeps_days": self.keeps_days,
            "cultivars": list(self.wood.cultivars),
            "trees": list(self.wood.trees),
            "store": self.store,
            "shelf": self.shelf,
            "sticks_left": self.sticks_left,
            "condition": self.condition,
            "looked_at": self.looked_at.isoformat() if self.looked_at else None,
            "may_be_used": not self.may_not_be_used,
            "may_not_be_used": list(self.may_not_be_used),
            "not_recorded": list(self.doubts),
        }
        if self.in_fahrenheit:
            found["degree_f_hours_above_45"] = round(heat * F_HOURS, 1)
        return found


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreReport:
    """Figures of bundles, and the warm spells of the stores they were in.

    `touched` has a row for each bundle and spell that it sat through some of; see `touched`.
    """

    bundles: tuple[BundleFigures, ...]
    spells: tuple[Spell, ...]
    touched: pd.DataFrame = field(compare=False)
    curves: Mapping[str, Curve] = field(compare=False, repr=False)
    stays: pd.DataFrame = field(compare=False, repr=False)
    warm_above_c: float = 7.2
    zone: dt.tzinfo = dt.UTC
    start: dt.datetime | None = field(default=None, repr=False)
    end: dt.datetime | None = field(default=None, repr=False)
    """The period asked about; None: open."""

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "bundles": [each.to_dict() for each in self.bundles],
            "warm_spells": [
                {**spell.to_dict(), "bundles": self._touched_by(spell)} for spell in self.spells
            ],
            "warm_above_c": self.warm_above_c,
            "by_cultivar": self.by_cultivar(),
        }

    def by_cultivar(self) -> list[dict[str, Any]]:
        """Return the sticks left of each cultivar (of several, where they are mixed), in bundles.

        `may_be_used` are those of them that nothing forbids to use.
        """
        found: dict[str, dict[str, Any]] = {}
        for each in self.bundles:
            if each.sticks_left:
                name = ", ".join(sorted(each.wood.cultivars))
                start = {"cultivar": name or None, "bundles": 0, "sticks": 0, "may_be_used": 0}
                row = found.setdefault(name, start)
                row["bundles"] += 1
                row["sticks"] += each.sticks_left
                row["may_be_used"] += 0 if each.may_not_be_used else each.sticks_left
        return [found[name] for name in sorted(found)]

    def _touched_by(self, spell: Spell) -> list[dict[str, Any]]:
        rows = self.touched_by(spell)
        return [
            {"bundle": bundle, "share_of_spell": round(share, 4), "heat_c_hours": round(heat, 2)}
            for bundle, share, heat in zip(
                rows["bundle"].tolist(),
                rows["share_of_spell"].tolist(),
                rows["heat_c_hours"].tolist(),
                strict=True,
            )
        ]

    def touched_by(self, spell: Spell) -> pd.DataFrame:
        """Return the rows of `touched` that are of one spell, most heat first."""
        rows = self.touched[
            (self.touched["store"] == spell.store)
            & (self.touched["start"] == pd.Timestamp(spell.start))
        ]
        return rows.sort_values(["heat_c_hours", "bundle"], ascending=[False, True])

    def to_rows(self) -> list[dict[str, Any]]:
        """Return one flat dictionary a bundle, for CSV."""
        return self.rows(self.bundles)

    def rows(self, bundles: Sequence[BundleFigures]) -> list[dict[str, Any]]:
        """Return one flat dictionary for each of some bundles."""
        return [
            {
                name: "; ".join(value) if isinstance(value, list) else value
                for name, value in each.to_dict().items()
            }
            for each in bundles
        ]

    def local(self, moment: dt.datetime) -> dt.datetime:
        """Return a point in time on the registry's clock."""
        return moment.astimezone(self.zone)

    def to_frame(self) -> pd.DataFrame:
        """Return the bundles' figures as a table."""
        return pd.DataFrame(self.to_rows())

    def during(self, start: dt.datetime | None, end: dt.datetime | None) -> "StoreReport":
        """Return the same of a period (None: open), with the spells that lie in part within it."""
        spells = tuple(
            each
            for each in self.spells
            if (end is None or each.start < end) and (start is None or each.end > start)
        )
        return replace(self, spells=spells, start=start, end=end)

    def usable(self) -> list[BundleFigures]:
        """Return the bundles that nothing speaks against, those to use first at the top.

        First those that got warm, or were seen dry or pushing; then those that need a look; among
        each, those whose keeping time ends first.
        """
        free = [each for each in self.bundles if not each.may_not_be_used]
        return sorted(free, key=_urgency)


FIRST = (Condition.DRY, Condition.PUSHING)
_RANKS = {StoreClass.USE_FIRST: 0, StoreClass.CHECK: 1, StoreClass.UNKNOWN: 1}


def _urgency(each: BundleFigures) -> tuple[float, ...]:
    rank = 0 if each.condition in FIRST else _RANKS.get(each.grade, 2)
    days_left = each.keeps_days - (each.days if each.days is not None else each.keeps_days)
    return rank, days_left, -each.worst.degree_hours


# ----------------------------------------------------------------------------------- making it


def store_report(
    kept: Kept,
    curves: Mapping[str, Curve],
    values: StoreValues,
    *,
    woods: Mapping[str, Wood],
    stops: Mapping[str, Sequence[Reason]],
    shelves: Mapping[str, str],
    zone: dt.tzinfo = dt.UTC,
    in_fahrenheit: bool = False,
    spells_of: Iterable[str] | None = None,
) -> StoreReport:
    """Return the figures of the bundles asked about.

    Parameters
    ----------
    kept : where the wood was.
    curves : of the stores it was in.
    woods, stops, shelves : what the wood is, what speaks against using it, and where it was put,
        by bundle.
    spells_of : the stores whose warm spells are wanted; None: all that there are curves of.
    """
    order = [code for code in kept.order() if code in kept.parents]
    shares = {code: kept.shares(code) for code in order}
    went_through = exposures(kept.stays, curves, order, shares)
    stays = stays_frame(kept.stays, order, shares)
    stays = stays[stays["bundle"].isin(kept.asked)]
    wanted = sorted(curves if spells_of is None else spells_of)
    spells = tuple(each for store in wanted for each in warm_spells(store, curves[store]))
    figures = tuple(
        _figures(
            kept,
            code,
            went_through.get(code, (NOTHING, NOTHING)),
            values,
            wood=woods[code],
            stops=stops.get(code, ()),
            shelf=shelves.get(code),
            zone=zone,
            in_fahrenheit=in_fahrenheit,
        )
        for code in kept.asked
    )
    return StoreReport(
        bundles=figures,
        spells=spells,
        touched=touched(spells, stays, curves),
        curves=curves,
        stays=stays,
        warm_above_c=values.warm_above_c,
        zone=zone,
    )


def _figures(
    kept: Kept,
    code: str,
    went_through: tuple[Exposure, Exposure],
    values: StoreValues,
    *,
    wood: Wood,
    stops: Sequence[Reason],
    shelf: str | None,
    zone: dt.tzinfo,
    in_fahrenheit: bool,
) -> BundleFigures:
    mean, worst = went_through
    until, doubts = kept.until.get(code), tuple(_doubts(kept, code))
    grade = classify(worst, values, stone_fruit=is_stone_fruit(wood.species), doubtful=bool(doubts))
    days = None
    if until is not None and wood.oldest is not None:
        days = (until.astimezone(zone).date() - wood.oldest).days
    keeps = keeping_days(wood.species, values, in_leaf=wood.in_leaf)
    look = standing_condition(kept.log.get(code, ()))
    store = kept.last_store.get(code)
    reasons = list(stops)
    if grade is StoreClass.SAMPLE_FIRST:
        heat = f"{worst.degree_hours:.0f}"
        says = Sentence("stop.warm", heat=heat, above=f"{values.warm_above_c:g}")
        reasons.append(barred(Against.HEAT, says, code))
    if days is not None and days > keeps:
        says = Sentence("stop.old", days=days, keeps=f"{keeps:g}")
        reasons.append(barred(Against.OLD_WOOD, says, code))
    return BundleFigures(
        bundle=code,
        grade=grade,
        mean=mean,
        worst=worst,
        days=days,
        since=None if days is None else "cutting" if wood.cut_known else "packing",
        until=until,
        keeps_days=keeps,
        wood=wood,
        store=store,
        # A shelf is written down with the packing; whoever moves wood leaves it behind.
        shelf=shelf if store == kept.bundles[code].store else None,
        sticks_left=kept.left.get(code, 0),
        condition=None if look is None else look.condition,
        looked_at=None if look is None else look.time,
        reasons=tuple(reasons),
        doubts=doubts,
        in_fahrenheit=in_fahrenheit,
    )


def _doubts(kept: Kept, code: str) -> list[str]:
    """Return what is not recorded about a bundle and all that it was tied from."""
    found: dict[str, None] = {}
    waiting = [code]
    met = {code}
    while waiting:
        each = waiting.pop()
        found |= dict.fromkeys(kept.doubts.get(each, ()))
        new = [parent for parent in kept.parents.get(each, ()) if parent not in met]
        met |= set(new)
        waiting += new
    return list(found)
