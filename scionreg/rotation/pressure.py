"""How hard mother trees were cut, the signs that it was too hard, and whether they must rest.

The limits are the nursery's own (settings, group ``rotation``): no published rule sets one.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from enum import StrEnum
from itertools import pairwise
from typing import Any

from scionreg.records.fixed_values import PLAN
from scionreg.records.starting_values import RotationValues
from scionreg.records.vocabulary import TreeKind
from scionreg.records.words import Sentence, joined
from scionreg.rotation.capacity import CutTree, SeasonCut, genus_word, largest_share
from scionreg.rotation.supply import LOOK_BACK, WEIGHTS, Limits

OWN_LIMITS = "These limits are the nursery's own; no published rule sets them."
BY_SHARE = (TreeKind.BEARING, TreeKind.YOUNG, TreeKind.DEHORNED)
"""Kinds that are judged by the share cut; the others by their vigour."""
NO_LIMIT = 10.0
"""More than any pressure can be (2.85, cut to the last shoot in leaf every season)."""


class CutState(StrEnum):
    """Whether a tree can be cut in a season."""

    FIT = "fit"
    WATCH = "watch"
    REST = "rest"


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeAgainstMates:
    """How grafts of a tree's wood took against its cultivar mates', on matched lots (shares)."""

    difference: float
    low: float
    high: float
    grafts: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Sign:
    """A sign of over-cutting: what it is, and the figures it is seen by."""

    sign: str
    text: Sentence


@dataclass(frozen=True, slots=True, kw_only=True)
class CutStatus:
    """Whether a tree can be cut in `season`, and why.

    `past` are shares cut in the seasons before it, newest first, cuts in leaf weighted; `pressure`
    is what they still weigh in it. `until` is the first season it may be cut again, None where it
    need not rest.
    """

    tree: str
    season: int
    state: CutState
    until: int | None
    pressure: float
    past: tuple[float, ...]
    signs: tuple[Sign, ...]
    why: tuple[Sentence, ...]

    def state_in(self, season: int) -> CutState:
        """Return its state in a later season, were it not cut until then: after a rest, watched."""
        rested = self.until is not None and season >= self.until
        return CutState.WATCH if rested else self.state

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return asdict(self) | {"past": list(self.past), "signs": [asdict(s) for s in self.signs]}


def limits_of(tree: CutTree, season: int, values: RotationValues) -> Limits:
    """Return what the nursery lets be cut of a tree, as old as it is in `season`."""
    share = largest_share(tree.kind, tree.species, tree.planted, season, values)
    visit = round(values.least_visit)
    if tree.kind not in BY_SHARE:
        return Limits(
            share=share,
            # No reason to rest, but others go first: trees cut whole every winter may wear unseen.
            watch=values.watch_bank if tree.kind == TreeKind.BANK else NO_LIMIT,
            rest=NO_LIMIT,
            heavy_share=1.0,
            rest_seasons=0,
            least_visit=visit,
        )
    return Limits(
        share=share,
        watch=float(getattr(values, f"watch_{tree.kind}")),
        rest=float(getattr(values, f"rest_{tree.kind}")),
        heavy_share=min(share, values.heavy_share),
        rest_seasons=PLAN.rest_after_heavy_most
        if share > values.heavy_share
        else PLAN.rest_after_heavy,
        least_visit=visit,
    )


def shares_cut(
    tree: CutTree, season: int, grows: float, values: RotationValues, seasons: int = LOOK_BACK
) -> tuple[float, ...]:
    """Return the shares cut in the `seasons` before one, newest first, cuts in leaf weighted.

    A share that was not written down is the sticks cut, of the sticks that the tree `grows`.
    """
    cuts: dict[int, float] = {}
    for cut in tree.cuts:
        share = cut.share if cut.share is not None else min(1.0, cut.sticks / max(grows, 1.0))
        weighed = share * (values.leaf_on if cut.in_leaf else 1.0)
        cuts[cut.season] = cuts.get(cut.season, 0.0) + weighed
    return tuple(cuts.get(season - back, 0.0) for back in range(1, seasons + 1))


def pressure_of(shares: Sequence[float]) -> float:
    """Return the pressure in a season; shares cut in it and those before, newest first."""
    return sum(w * s for w, s in zip(WEIGHTS, shares, strict=False))


def pressure_in(past: Sequence[float], ahead: int = 0) -> float:
    """Return what shares cut before (newest first) weigh `ahead` seasons after the next one."""
    return sum(w * s for w, s in zip(WEIGHTS[1 + ahead :], past, strict=False))


def cut_status(
    tree: CutTree,
    season: int,
    grows: float,
    *,
    take: TakeAgainstMates | None = None,
    values: RotationValues | None = None,
) -> CutStatus:
    """Return whether a tree can be cut in a season.

    Parameters
    ----------
    grows : sticks that it grows, for cuts whose share was not written down.
    take : how its wood took against its cultivar mates'.
    """
    values = values or RotationValues()
    past = shares_cut(tree, season, grows, values)
    limits = limits_of(tree, season, values)
    signs = signs_of(tree, season, take, values)
    pressure = pressure_in(past)
    hard = tree.kind in BY_SHARE and pressure > limits.watch
    until, why = season, []
    for again, reason in _rests(tree, season, past, limits, signs, values):
        until = max(until, again)
        why.append(reason)
    if until > season:
        state = CutState.REST
    elif signs or hard:
        state = CutState.WATCH
        if hard:
            why.append(
                Sentence(
                    "pressure.watch",
                    pressure=f"{pressure:.2f}",
                    limit=f"{limits.watch:g}",
                    kind=TreeKind.spelled(tree.kind),
                )
            )
        why += [each.text for each in signs]
    else:
        state = CutState.FIT
    return CutStatus(
        tree=tree.tree,
        season=season,
        state=state,
        until=until if until > season else None,
        pressure=pressure,
        past=past,
        signs=signs,
        why=tuple(why),
    )


def _rests(
    tree: CutTree,
    season: int,
    past: Sequence[float],
    limits: Limits,
    signs: Sequence[Sign],
    values: RotationValues,
) -> list[tuple[int, Sentence]]:
    """Return for each reason to rest the first season after it, with the reason."""
    found = []
    kind = TreeKind.spelled(tree.kind)
    if tree.kind in BY_SHARE:
        for back, share in enumerate(past, 1):
            heavy = share > values.heavy_share
            seasons = (
                PLAN.rest_after_heavy_most
                if heavy
                else limits.rest_seasons * (share > limits.heavy_share + 1e-9)
            )
            again = season - back + seasons + 1
            if again > season:
                mark = values.heavy_share if heavy else limits.heavy_share
                found.append(
                    (
                        again,
                        Sentence(
                            "pressure.heavy_cut",
                            share=f"{share:.0%}",
                            season=season - back,
                            limit=f"{mark:.0%}",
                            kind=kind,
                            rest=_seasons(seasons),
                        ),
                    )
                )
        ahead = next(a for a in range(LOOK_BACK) if pressure_in(past, a) <= limits.rest)
        if ahead:
            found.append(
                (
                    season + ahead,
                    Sentence(
                        "pressure.rest",
                        pressure=f"{pressure_in(past):.2f}",
                        limit=f"{limits.rest:g}",
                        kind=kind,
                    ),
                )
            )
    last = max((each.season for each in tree.cuts if each.season < season), default=None)
    if len(signs) > 1 and last is not None:
        seasons = round(values.sign_rest)
        again = last + seasons + 1
        if again > season:
            seen = joined((each.text for each in signs), "joined.semicolon")
            says = Sentence("pressure.signs", signs=seen, rest=_seasons(seasons))
            found.append((again, says))
    return found


def _seasons(number: int) -> Sentence:
    return Sentence.many("pressure.seasons", number)


# -------------------------------------------------------------------------------------- signs


def signs_of(
    tree: CutTree, season: int, take: TakeAgainstMates | None, values: RotationValues
) -> tuple[Sign, ...]:
    """Return the signs of over-cutting that the records before a season show."""
    cuts = sorted((c for c in tree.cuts if c.season < season), key=lambda c: c.season)
    found = []
    lengths = {c.season: c.shoot_length_cm for c in cuts if c.shoot_length_cm}
    if fall := _falls(lengths, values.fall):
        found.append(Sign(sign="shorter_shoots", text=Sentence("pressure.shorter_shoots", **fall)))
    last = max(lengths, default=None)
    if (
        last is not None
        and (tree.kind, genus_word(tree.species)) == (TreeKind.BANK, "pecan")
        and lengths[last] < values.short_shoot_cm
    ):
        text = Sentence(
            "pressure.short_shoots",
            length=f"{lengths[last]:g}",
            season=last,
            limit=f"{values.short_shoot_cm:g}",
        )
        found.append(Sign(sign="short_shoots", text=text))
    if fall := _falls({c.season: c.sticks / c.share for c in cuts if c.share}, values.fall):
        found.append(Sign(sign="falling_yield", text=Sentence("pressure.falling_yield", **fall)))
    if (
        take is not None
        and take.grafts >= values.low_take_grafts
        and take.difference <= -values.low_take
        and take.high < 0
    ):
        found.append(Sign(sign="low_take", text=low_take(take)))
    return tuple(found)


def low_take(take: TakeAgainstMates) -> Sentence:
    """Return how much lower a tree's wood took than its mates'."""
    return Sentence(
        "pressure.low_take",
        points=f"{-100 * take.difference:.0f}",
        low=f"{-100 * take.high:.0f}",
        high=f"{-100 * take.low:.0f}",
        grafts=f"{take.grafts:.0f}",
    )


def _falls(by_season: Mapping[int, float], least: float) -> dict[str, object]:
    """Return the last three figures where each is well below the one before; else nothing."""
    last = sorted(by_season)[-3:]
    figures = [by_season[each] for each in last]
    if len(last) < 3 or last[2] - last[0] > LOOK_BACK:
        return {}
    if any(b > a * (1 - least) for a, b in pairwise(figures)):
        return {}
    told = ", ".join(f"{figure:.0f}" for figure in figures)
    return {"figures": told, "first": last[0], "last": last[2]}


def one_a_season(cuts: Sequence[tuple[int, SeasonCut]]) -> tuple[SeasonCut, ...]:
    """Return the cuts of a tree summed by season, oldest first.

    A share that one cut of a season lacks is lacking for the season; a cut in leaf makes the whole
    of it count as such, since a share of what stood then is not known.
    """
    by: dict[int, list[SeasonCut]] = {}
    for season, cut in cuts:
        by.setdefault(season, []).append(cut)
    return tuple(_summed(season, each) for season, each in sorted(by.items()))


def _summed(season: int, cuts: Sequence[SeasonCut]) -> SeasonCut:
    shares = [each.share for each in cuts if each.share is not None]
    lengths = [each.shoot_length_cm for each in cuts if each.shoot_length_cm is not None]
    return SeasonCut(
        season=season,
        sticks=sum(each.sticks for each in cuts),
        share=min(1.0, sum(shares)) if len(shares) == len(cuts) else None,
        counted=all(each.counted for each in cuts),
        in_leaf=any(each.in_leaf for each in cuts),
        shoot_length_cm=sum(lengths) / len(lengths) if lengths else None,
    )
