"""How many sticks are wanted: from trees to be sold, through grafts, to sticks on the tree.

grafts = trees / (take x survival of the season x share that can be sold)
sticks = grafts x sticks a graft / (1 - lost in store and at the bench) x (1 + reserve)
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from scionreg.records.errors import RegistryError
from scionreg.records.rules.counts import GRAFTS_A_STICK
from scionreg.records.starting_values import RotationValues, UsualTake
from scionreg.records.vocabulary import GraftMethod
from scionreg.rotation.supply import Wanted

FEW = 5
"""Lots below which a quantile of take is reckoned from the stated spread of lots."""
LEAST_TAKE = 0.01
USUAL_METHOD = GraftMethod.WHIP
WHOLE = 1e-9
"""So much above a whole number is none: 4,466.0000001 sticks are 4,466."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """Trees to be sold of a cultivar, grafted in a season."""

    cultivar: str
    season: int
    trees: int
    must_fill: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class LotTake:
    """A graft lot's early count: how many took of its grafts."""

    cultivar: str
    method: str
    grafts: int
    taken: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedTake:
    """The share that takes: `lots` and `grafts` are the nursery's own that say so, `text` how."""

    method: str
    take: float
    lots: int
    grafts: int
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    """What an order needs: grafts, and their sticks, less those made or in store already.

    `grafted` are grafts that are made, `in_store` sticks that are there; `to_cut` is for the rest.
    `sticks_a_graft` to `reserve` are the figures that it is reckoned with.
    """

    cultivar: str
    season: int
    trees: int
    must_fill: bool
    method: str
    take: float
    grafts: int
    sticks: int
    grafted: int
    in_store: float
    to_cut: int
    text: str
    sticks_a_graft: float = 1.0
    survival: float = 1.0
    grade_out: float = 1.0
    loss: float = 0.0
    reserve: float = 0.0

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return asdict(self)


def grafts_for(trees: int, take: float, values: RotationValues | None = None) -> int:
    """Return the grafts to be made for so many trees to be sold."""
    values = values or RotationValues()
    return _whole(trees / (max(take, LEAST_TAKE) * values.survival * values.grade_out))


def sticks_for(
    grafts: int, sticks_a_graft: float = 1.0, values: RotationValues | None = None
) -> int:
    """Return the sticks to be cut for so many grafts."""
    values = values or RotationValues()
    return _whole(grafts * sticks_a_graft / (1 - values.loss) * (1 + values.reserve))


def _whole(number: float) -> int:
    return math.ceil(number - WHOLE * max(1.0, number))


def usual_method(cultivar: str, lots: Sequence[LotTake]) -> str:
    """Return the method most grafts of a cultivar were made by, else of all, else whip."""
    for among in ([each for each in lots if each.cultivar == cultivar], lots):
        by: dict[str, int] = {}
        for each in among:
            by[each.method] = by.get(each.method, 0) + each.grafts
        if by:
            return max(sorted(by), key=lambda method: by[method])
    return str(USUAL_METHOD)


def expected_take(
    cultivar: str,
    method: str,
    lots: Iterable[LotTake],
    *,
    must_fill: bool = False,
    values: RotationValues | None = None,
    usual: UsualTake | None = None,
) -> ExpectedTake:
    """Return the share of grafts of a cultivar by a method that takes.

    The nursery's own count, in which the method's usual take weighs `rotation.take_weight` grafts.
    For orders that must be filled a low quantile instead: of its lots' shares weighted by their
    grafts, or, where they are few, of lots that vary as stated about that mean.
    """
    values, usual = values or RotationValues(), usual or UsualTake()
    own = [each for each in lots if (each.cultivar, each.method) == (cultivar, method)]
    own = [each for each in own if each.grafts > 0]
    grafts, taken = sum(each.grafts for each in own), sum(each.taken for each in own)
    start = usual.of(method)
    weight = values.take_weight
    take = (taken + start * weight) / (grafts + weight)
    text = f"{taken} of {grafts} grafts took in {len(own)} lots" if own else "no lots of its own"
    text += f"; usually {start:.0%}"
    if must_fill:
        if len(own) >= FEW:
            take = min(take, _low_quantile(own, values.low_quantile))
        else:
            take = _below(take, values.low_quantile, values.sd_take)
        text += f"; the low {values.low_quantile:.0%} of lots, since it must be filled"
    take = min(1.0, max(LEAST_TAKE, take))
    return ExpectedTake(method=method, take=take, lots=len(own), grafts=grafts, text=text)


def _low_quantile(lots: Sequence[LotTake], quantile: float) -> float:
    ordered = sorted(lots, key=lambda each: each.taken / each.grafts)
    wanted = quantile * sum(each.grafts for each in lots)
    so_far = 0.0
    for each in ordered:
        so_far += each.grafts
        if so_far >= wanted:
            return each.taken / each.grafts
    return ordered[-1].taken / ordered[-1].grafts


def _below(take: float, quantile: float, sd: float) -> float:
    from statistics import NormalDist

    take = min(max(take, LEAST_TAKE), 1 - LEAST_TAKE)
    logit = math.log(take / (1 - take)) + NormalDist().inv_cdf(quantile) * sd
    return 1 / (1 + math.exp(-logit))


def needs_of(
    orders: Sequence[Order],
    lots: Sequence[LotTake],
    in_store: Mapping[tuple[str, int], float] | None = None,
    grafted: Mapping[tuple[str, int], int] | None = None,
    *,
    values: RotationValues | None = None,
    usual: UsualTake | None = None,
    sticks: Mapping[str, float] | None = None,
    method: str | None = None,
) -> tuple[Need, ...]:
    """Return what each order needs.

    Parameters
    ----------
    in_store : sticks in store by cultivar and season; they serve orders in turn.
    grafted : grafts made already, by cultivar and season; they too.
    sticks : sticks that a graft takes by the nursery's own methods.
    method : how all will be grafted; None is each cultivar's usual method.

    Raises
    ------
    RegistryError
        There is no such method.
    """
    values = values or RotationValues()
    by_method = {each.value: 1 / GRAFTS_A_STICK.get(each, 1.0) for each in GraftMethod}
    by_method |= sticks or {}
    if method is not None and method not in by_method:
        raise RegistryError(f"'{method}' is no method; there are {', '.join(by_method)}")
    left, made = dict(in_store or {}), dict(grafted or {})
    found = []
    for order in orders:
        by = method or usual_method(order.cultivar, lots)
        take = expected_take(
            order.cultivar, by, lots, must_fill=order.must_fill, values=values, usual=usual
        )
        grafts = grafts_for(order.trees, take.take, values)
        key = (order.cultivar, order.season)
        done = min(grafts, made.get(key, 0))
        made[key] = made.get(key, 0) - done
        still = sticks_for(grafts - done, by_method[by], values)
        stored = min(float(still), left.get(key, 0.0))
        left[key] = left.get(key, 0.0) - stored
        found.append(
            Need(
                cultivar=order.cultivar,
                season=order.season,
                trees=order.trees,
                must_fill=order.must_fill,
                method=by,
                take=take.take,
                grafts=grafts,
                sticks=sticks_for(grafts, by_method[by], values),
                grafted=done,
                in_store=stored,
                to_cut=_whole(still - stored),
                text=take.text,
                sticks_a_graft=by_method[by],
                survival=values.survival,
                grade_out=values.grade_out,
                loss=values.loss,
                reserve=values.reserve,
            )
        )
    return tuple(found)


def wanted_of(needs: Iterable[Need], first_season: int) -> list[Wanted]:
    """Return the sticks wanted by cultivar and season, the first planned one being 0."""
    sums: dict[tuple[str, int], tuple[int, int]] = {}
    for each in needs:
        key = (each.cultivar, each.season - first_season)
        sticks, must = sums.get(key, (0, 0))
        sums[key] = (sticks + each.to_cut, must + each.to_cut * each.must_fill)
    return [
        Wanted(cultivar=cultivar, season=season, sticks=sticks, must=must)
        for (cultivar, season), (sticks, must) in sorted(sums.items())
    ]
