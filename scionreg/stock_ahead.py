"""What lies ahead: rootstocks left, wood that may be used, and trees saleable by autumn."""

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from sqlalchemy import Connection

from scionreg.judgement.judge import Judge
from scionreg.lineage.graph import Query, rows
from scionreg.lineage.worked_lots import WorkedLots, read_worked_lots
from scionreg.ordering import demand
from scionreg.records.rules.counts import GRAFTS_A_STICK
from scionreg.records.starting_values import RotationValues
from scionreg.registry.settings import Settings
from scionreg.rotation.demand import USUAL_METHOD, Order
from scionreg.storing import report
from scionreg.take.stages import EARLY_UNTIL, TOO_YOUNG

if TYPE_CHECKING:
    import pandas as pd

MIDYEAR_MONTH = 7
CLUSTER = 2.0
"""Design effect of trees of one lot: two tell as much as one by itself (estimate)."""
LEAST_KNOWN = 30
"""Trees of a cultivar with both counts below which all cultivars' past is taken."""
A_STICK = {method.value: grafts for method, grafts in GRAFTS_A_STICK.items()}
SURE = 0.9
"""Probability that the interval holds what comes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stock:
    """A rootstock lot: how many came, were grafted on, and are left (None: nobody counted them)."""

    rootstock_lot: str
    species: str | None
    clone: str | None
    came: int | None
    grafted: int
    left: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class WoodAhead:
    """The wood that is left of a cultivar, in sticks, and the grafts that it gives.

    `to_do` are the grafts that orders still ask for, None without orders; `short` those of them
    that the wood does not give.
    """

    cultivar: str
    may: float
    may_not: float
    method: str
    gives: int
    to_do: int | None
    short: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Saleable:
    """Trees of a cultivar that were grafted in the season, as they should stand by autumn.

    `counted` stand by a late count, less what left since; `early` took at the early count and have
    no late one yet; `share` of such stand at the late count (`by`: own past, all cultivars, or the
    starting value), from `known` trees. `standing` is the whole with its interval of `SURE`;
    `saleable` what of it can be sold. `not_counted` are grafts of lots without any count: none of
    them is in the figures.
    """

    cultivar: str
    counted: int
    early: int
    share: float
    by: str
    known: int
    standing: int
    low: int
    high: int
    saleable: int
    saleable_low: int
    saleable_high: int
    not_counted: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Ahead:
    """Rootstocks, wood and trees as they are on a day, and what they will give.

    `season` is that of the grafts whose trees are told of.
    """

    at: dt.date
    season: int
    rootstocks: tuple[Stock, ...]
    wood: tuple[WoodAhead, ...]
    saleable: tuple[Saleable, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "at": self.at.isoformat(),
            "season": self.season,
            **{
                name: [asdict(each) for each in getattr(self, name)]
                for name in ("rootstocks", "wood", "saleable")
            },
        }


def ahead(
    connection: Connection,
    orders: Sequence[Order] = (),
    *,
    at: dt.date | None = None,
    season: int | None = None,
) -> Ahead:
    """Return what is left and what will stand, seen from a day (None: today).

    Orders, as for a plan, say how many grafts are still to do. `season` is that of the grafts whose
    trees are told of; None is the one whose spring came last before the autumn of the day. What was
    recorded after the day counts nowhere but in the sticks and rootstocks left, which are of now.
    """
    judge = Judge(connection, at)
    worked = read_worked_lots(connection, judge.settings)
    grafted_in = selling(judge.settings, judge.on) if season is None else season
    return Ahead(
        at=judge.on,
        season=grafted_in,
        rootstocks=tuple(_stocks(connection)),
        wood=tuple(_wood(connection, judge, worked, orders)),
        saleable=tuple(_saleable(connection, judge, worked, grafted_in)),
    )


def selling(settings: Settings, day: dt.date) -> int:
    """Return the season whose grafts are sold in the autumn that a day is in or goes towards.

    North of the equator autumn comes in the year of the spring, south of it in the next.
    """
    south = settings.season_first_day < f"{MIDYEAR_MONTH:02d}-01"
    return day.year - (south and day.month < MIDYEAR_MONTH)


STOCKS = Query(
    "SELECT r.rootstock_lot, r.species, r.clone, r.plants, coalesce(sum(l.grafts), 0) "
    "FROM rootstock_lots r LEFT JOIN graft_lots l ON l.rootstock_lot = r.rootstock_lot "
    "AND l.regraft_of IS NULL GROUP BY r.rootstock_lot, r.species, r.clone, r.plants "
    "ORDER BY r.rootstock_lot"
)


def _stocks(connection: Connection) -> Iterator[Stock]:
    """Yield the rootstock lots; a regraft stands on a rootstock that was used already."""
    for code, species, clone, came, grafted in rows(connection, STOCKS, ()):
        left = None if came is None else max(0, came - int(grafted))
        yield Stock(
            rootstock_lot=code,
            species=species,
            clone=clone,
            came=came,
            grafted=int(grafted),
            left=left,
        )


# ------------------------------------------------------------------------------------ the wood


def _wood(
    connection: Connection, judge: Judge, worked: WorkedLots, orders: Sequence[Order]
) -> Iterator[WoodAhead]:
    values = judge.settings.values(RotationValues)
    found = report(connection, now=True, at=judge.moment(), judge=judge)
    sticks: dict[str, list[float]] = {}
    for each in found.bundles:
        for name in each.wood.cultivars:
            # Of a mixed bundle nobody knows which sticks are which.
            share = (each.sticks_left or 0) / len(each.wood.cultivars)
            sticks.setdefault(name, [0.0, 0.0])[bool(each.may_not_be_used)] += share
    to_do = _to_do(connection, orders)
    for name in sorted(sticks.keys() | to_do.keys()):
        may, may_not = sticks.get(name, (0.0, 0.0))
        method = _usual_method(worked, name)
        gives = int(may * (1 - values.loss) * A_STICK.get(method, 1))
        wanted = to_do.get(name, 0) if orders else None
        yield WoodAhead(
            cultivar=name,
            may=round(may, 1),
            may_not=round(may_not, 1),
            method=method,
            gives=gives,
            to_do=wanted,
            short=None if wanted is None else max(0, wanted - gives),
        )


def _to_do(connection: Connection, orders: Sequence[Order]) -> dict[str, int]:
    """Return the grafts that orders ask for and that were not made yet, by cultivar."""
    if not orders:
        return {}
    first = min(each.season for each in orders)
    needs = demand(connection, orders, first=first, seasons=1).needs
    left: dict[str, int] = {}
    for need in needs:
        left[need.cultivar] = left.get(need.cultivar, 0) + max(0, need.grafts - need.grafted)
    return left


def _usual_method(worked: WorkedLots, cultivar: str) -> str:
    """Return the method that most grafts of a cultivar were made by in its last season."""
    lots = worked.lots[worked.lots["cultivar"] == cultivar]
    if lots.empty:
        return USUAL_METHOD.value
    last = lots[lots["season"] == lots["season"].max()]
    made = last.groupby("method")["grafts"].sum()
    return str(made.sort_index().idxmax())


# ------------------------------------------------------------------------------------ the trees

SENT = Query("SELECT graft_lot, date, trees FROM dispatches")


def _saleable(
    connection: Connection, judge: Judge, worked: WorkedLots, season: int
) -> Iterator[Saleable]:
    """Yield, by cultivar, what should stand by autumn of the lots of a season."""
    lots, stages = worked.lots, _stages(worked, judge.on)
    recent = (lots["season"] == season) & (lots["date"].dt.date <= judge.on)
    sent = _sent_since(connection, stages, lots, judge.on)
    past = stages[~recent.to_numpy() & stages["early"].notna() & stages["late"].notna()]
    values = judge.settings.values(RotationValues)
    now = stages[recent.to_numpy()].assign(
        cultivar=lots["cultivar"][recent], grafts=lots["grafts"][recent], sent=sent[recent]
    )
    earlier = past.assign(cultivar=lots["cultivar"])
    for cultivar, of in now.groupby("cultivar"):
        late = of[of["late"].notna()]
        only_early = of[of["late"].isna() & of["early"].notna()]
        stood, took, by = _past(earlier, str(cultivar), values.survival)
        early = int((only_early["early"] - only_early["sent"]).clip(lower=0).sum())
        counted = int((late["late"] - late["sent"]).clip(lower=0).sum())
        low, middle, high = interval(early, stood, took)
        whole = [counted + each for each in (low, middle, high)]
        share = values.grade_out
        yield Saleable(
            cultivar=str(cultivar),
            counted=counted,
            early=early,
            share=round((stood / CLUSTER + 0.5) / (took / CLUSTER + 1), 4),
            by=by,
            known=round(took) if by != "setting" else 0,
            standing=whole[1],
            low=whole[0],
            high=whole[2],
            saleable=int(whole[1] * share),
            saleable_low=int(whole[0] * share),
            saleable_high=int(whole[2] * share),
            not_counted=int(of[of["late"].isna() & of["early"].isna()]["grafts"].sum()),
        )


def _stages(worked: WorkedLots, on: dt.date) -> "pd.DataFrame":
    """Return what pushed in each lot at its first early and its last late count up to a day.

    Rows are those of `worked.lots`; `day` is that of the count that tells the latest.
    """
    import pandas as pd

    counts = worked.counts[worked.counts["date"].dt.date <= on]
    early = counts[(counts["age"] >= TOO_YOUNG) & (counts["age"] <= EARLY_UNTIL)]
    late = counts[counts["age"] > EARLY_UNTIL]
    firsts = early.sort_values("age").drop_duplicates("lot").set_index("lot")
    lasts = late.sort_values("age").drop_duplicates("lot", keep="last").set_index("lot")
    most = worked.lots["grafts"]
    return pd.DataFrame(
        {
            "early": np.minimum(firsts["pushing"].reindex(worked.lots.index), most),
            "late": np.minimum(lasts["pushing"].reindex(worked.lots.index), most),
            "day": lasts["date"].reindex(worked.lots.index).fillna(firsts["date"]),
        },
        index=worked.lots.index,
    )


def _sent_since(
    connection: Connection, stages: "pd.DataFrame", lots: "pd.DataFrame", on: dt.date
) -> "pd.Series[Any]":
    """Return the trees of each lot that left after the count that tells of it."""
    import pandas as pd

    number = {code: row for row, code in enumerate(lots["graft_lot"])}
    left = dict.fromkeys(range(len(lots)), 0)
    for lot, day, trees in rows(connection, SENT, ()):
        when = pd.Timestamp(day) if day is not None else None
        counted = stages["day"].iloc[number[lot]]
        if when is None or (when.date() <= on and not when < counted):
            left[number[lot]] += trees
    return pd.Series(list(left.values()), index=lots.index)


def _past(earlier: "pd.DataFrame", cultivar: str, usual: float) -> tuple[float, float, str]:
    """Return how many stood late of how many that took early, and whose past that is."""
    for of, by in ((earlier[earlier["cultivar"] == cultivar], "own"), (earlier, "all")):
        took = float(of["early"].sum())
        if took >= LEAST_KNOWN:
            return float(np.minimum(of["late"], of["early"]).sum()), took, by
    return usual * LEAST_KNOWN, float(LEAST_KNOWN), "setting"


def interval(early: int, stood: float, took: float) -> tuple[int, int, int]:
    """Return low, middle and high of what will stand of `early` trees, given a past.

    Of `took` trees `stood` in the past. Both the past and what comes are thinned by `CLUSTER`,
    since trees of one lot fare alike; what comes is then beta-binomial, with Jeffreys' prior
    (Beta(1/2, 1/2); Brown, Cai and DasGupta 2001, Statistical Science 16:101), and the interval
    holds it with probability `SURE`.
    """
    from scipy.stats import betabinom

    if not early:
        return 0, 0, 0
    good, bad = stood / CLUSTER + 0.5, (took - stood) / CLUSTER + 0.5
    number = max(1, round(early / CLUSTER))
    comes = betabinom(number, good, bad)
    low, high = (float(comes.ppf(at)) / number for at in ((1 - SURE) / 2, (1 + SURE) / 2))
    return int(low * early), round(early * good / (good + bad)), int(np.ceil(high * early))
