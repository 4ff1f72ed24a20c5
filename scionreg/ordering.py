"""Answers about what is wanted: the sticks that orders need, set against wood that is there."""

import csv
import datetime as dt
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from scionreg.cutting import LAST_DAYS, over, planned_seasons
from scionreg.judgement import Judge, Judgement, Reason
from scionreg.judgement.rests import opens
from scionreg.judgement.wood import NO_SOURCE_THEN
from scionreg.lineage.chain import resolve_names
from scionreg.lineage.graph import Query, as_day, rows
from scionreg.lineage.holdings import read_holdings
from scionreg.lineage.sticks import tidy
from scionreg.records.errors import RegistryError
from scionreg.records.starting_values import RotationValues, UsualTake
from scionreg.records.vocabulary import Against
from scionreg.records.words import Sentence
from scionreg.registry.settings import Settings, read_settings
from scionreg.registry.suggestions import near_cultivars
from scionreg.rotation.demand import LotTake, Need, Order, needs_of, wanted_of
from scionreg.rotation.supply import Wanted

if TYPE_CHECKING:
    import pandas as pd

    from scionreg.lineage.worked_lots import WorkedLots

TRUE_WORDS = {"yes", "true", "1", "must", "y"}
FALSE_WORDS = {"", "no", "false", "0", "n"}
MOST_TREES = 10_000_000
MOST_FAULTS = 20
"""Faults of a file that are told at once."""
"""More trees than any order is for: a slip of the keyboard."""
CULTIVARS = Query("SELECT cultivar FROM cultivars")
KNOWN_NOW = (Against.WRONG, Against.DOUBTFUL, Against.HOLD, Against.NOTICE, Against.LICENCE)
"""What bars wood that was cut, whenever it became known of its tree."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AtHand:
    """Sticks of a season in a bundle or cutting; `why_not` bars their use, if anything does."""

    item: str
    cultivar: str
    season: int
    sticks: float
    why_not: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return asdict(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand:
    """What orders need; `wanted` is summed as a plan takes it, seasons counted from `first`.

    `left_out` are orders of seasons that are not planned, `not_counted` wood at hand that may not
    be used.
    """

    first: int
    seasons: int
    needs: tuple[Need, ...]
    wanted: tuple[Wanted, ...]
    left_out: tuple[Order, ...] = ()
    not_counted: tuple[AtHand, ...] = ()

    def cautions(self) -> list[str]:
        """Return what was left out, in a sentence each."""
        last = self.first + self.seasons - 1
        barred: dict[tuple[str, str], list[AtHand]] = {}
        for wood in self.not_counted:
            barred.setdefault((wood.cultivar, wood.why_not), []).append(wood)
        return [
            *(
                Sentence(
                    "plan.not_counted",
                    cultivar=cultivar,
                    items=", ".join(f"{each.item} ({each.sticks:g})" for each in its),
                    sticks=f"{sum(each.sticks for each in its):,g}",
                    why=why,
                )
                for (cultivar, why), its in barred.items()
            ),
            *self._left_out(last),
        ]

    def _left_out(self, last: int) -> list[str]:
        return [
            f"The order of {each.trees:,} trees of {each.cultivar} for {each.season} is left out: "
            f"the plan is for {self.first} to {last}."
            for each in self.left_out
        ]

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "first": self.first,
            "needs": self.to_rows(),
            "left_out": [asdict(each) for each in self.left_out],
            "not_counted": [each.to_dict() for each in self.not_counted],
        }

    def to_rows(self) -> list[dict[str, Any]]:
        """Return a flat dictionary an order, for CSV."""
        return [each.to_dict() for each in self.needs]

    def to_frame(self) -> "pd.DataFrame":
        """Return the rows as a table."""
        import pandas as pd

        return pd.DataFrame(self.to_rows())


def demand(
    connection: Connection,
    orders: Sequence[Order],
    *,
    first: int | None = None,
    seasons: int = 3,
    method: str | None = None,
) -> Demand:
    """Return the sticks that orders need; a cultivar's other names stand for it.

    An order is for the whole season: grafts made in it already, and wood in store, count.

    Raises
    ------
    RegistryError
        A cultivar or method that is not known, or no order is for a season asked about.
    """
    from scionreg.lineage.worked_lots import read_worked_lots

    settings = read_settings(connection)
    asked = planned_seasons(settings, first, seasons)
    named = resolve_names(connection, {each.cultivar for each in orders})
    recorded = {row[0] for row in rows(connection, CULTIVARS, ())}
    meant = [replace(each, cultivar=named.get(each.cultivar, each.cultivar)) for each in orders]
    if unknown := dict.fromkeys(e.cultivar for e in meant if e.cultivar not in recorded):
        raise RegistryError("; ".join(_unknown_cultivar(connection, name) for name in unknown))
    kept = [each for each in meant if each.season in asked]
    if meant and not kept:
        years = ", ".join(str(year) for year in sorted({each.season for each in meant}))
        raise RegistryError(
            f"the orders are for season {years}, and the plan is for {asked[0]} to {asked[-1]}"
        )
    worked = read_worked_lots(connection, settings)
    at_hand = _at_hand(connection, settings, {each.season for each in kept})
    in_store: dict[tuple[str, int], float] = {}
    for each in at_hand:
        if not each.why_not:
            key = each.cultivar, each.season
            in_store[key] = in_store.get(key, 0) + each.sticks
    ordered = {each.cultivar for each in kept}
    needs = needs_of(
        kept,
        _early_takes(worked),
        in_store,
        _grafted(worked, {each.season for each in kept}),
        values=settings.values(RotationValues),
        usual=settings.values(UsualTake),
        sticks={each.word: each.sticks for each in settings.own_words("method")},
        method=method,
    )
    return Demand(
        first=asked[0],
        seasons=len(asked),
        needs=needs,
        wanted=tuple(wanted_of(needs, asked[0])),
        left_out=tuple(each for each in meant if each.season not in asked),
        not_counted=tuple(e for e in at_hand if e.why_not and e.cultivar in ordered),
    )


def _unknown_cultivar(connection: Connection, name: str) -> str:
    near = near_cultivars(connection, name)
    offer = f"; did you mean {' or '.join(near)}?" if near else ""
    return f"no cultivar '{name}' is recorded{offer}"


def _grafted(worked: "WorkedLots", seasons: set[int]) -> dict[tuple[str, int], int]:
    """Return the grafts made in each of `seasons` already, by cultivar and season."""
    made: dict[tuple[str, int], int] = {}
    lots = worked.lots
    for cultivar, season, grafts in zip(
        lots["cultivar"], lots["season"], lots["grafts"], strict=True
    ):
        if cultivar is not None and season in seasons:
            key = str(cultivar), int(season)
            made[key] = made.get(key, 0) + int(grafts)
    return made


def _early_takes(worked: "WorkedLots") -> list[LotTake]:
    """Return the first counts of lots: what is lost later is in the survival of the season."""
    from scionreg.take.stages import Stage, counts_at

    taken = counts_at(worked, Stage.EARLY)
    lots = worked.lots.iloc[taken.lots]
    counted = zip(lots["cultivar"], lots["method"], taken.grafts, taken.taken, strict=True)
    return [
        LotTake(cultivar=str(cultivar), method=str(method), grafts=int(grafts), taken=int(took))
        for cultivar, method, grafts, took in counted
        if cultivar is not None
    ]


WAITING = Query(
    "SELECT c.collection, c.tree, t.cultivar, c.date, c.sticks, c.limb FROM collections c "
    "JOIN mother_trees t ON t.tree = c.tree "
    "WHERE NOT EXISTS (SELECT 1 FROM bundles b WHERE b.collection = c.collection)"
)


def _at_hand(connection: Connection, settings: Settings, seasons: Collection[int]) -> list[AtHand]:
    """Return the wood of some seasons that is at hand, with what bars its use.

    In store, and cut but waiting to be tied; what was left out when the rest of a cutting was tied
    is not at hand.
    """
    judge = Judge(connection, settings=settings)
    held = {
        code: each
        for code, each in read_holdings(connection, "cultivar", None, settings).bundles.items()
        if each.home is not None
        and each.season in seasons
        and each.flow.left_of(each.bundle.sticks) > 0
    }
    may: dict[str, Judgement] = {}
    for of in {int(each.season or 0) for each in held.values()}:
        codes = [code for code, each in held.items() if each.season == of]
        may |= judge.bundles(codes, on=_day_of_use(of, settings))
    found = [
        AtHand(
            item=code,
            cultivar=str(each.home),
            season=int(each.season or 0),
            sticks=tidy(each.flow.left_of(each.bundle.sticks)),
            why_not=may[code].why,
        )
        for code, each in held.items()
    ]
    waiting = rows(connection, WAITING, ())
    names = resolve_names(connection, {row[2] for row in waiting})
    holds = judge.holds(judge.today)
    for collection, tree, cultivar, date, sticks, limb in waiting:
        season = settings.season_of(as_day(date), collection)
        if season is not None and season in seasons:
            barred = [each.says for each in _bars_of_cutting(judge, tree, limb, as_day(date))]
            barred += [Sentence("plan.held", item=collection)] if collection in holds else []
            found.append(
                AtHand(
                    item=collection,
                    cultivar=names[cultivar],
                    season=season,
                    sticks=sticks,
                    why_not="; ".join(barred),
                )
            )
    return found


def _day_of_use(season: int, settings: Settings) -> dt.date:
    """Return the day that a season's wood is judged on: today, or once it is over, near its end."""
    if not over(season, settings):
        return settings.today()
    return opens(season + 1, settings) - LAST_DAYS


def _bars_of_cutting(
    judge: Judge, tree: str, limb: str | None, day: dt.date | None
) -> Iterator[Reason]:
    """Yield what bars wood not tied yet: what barred its tree then, and what is known now."""
    then = judge.tree(tree, on=day, limb=limb or "").bars
    now = judge.tree(tree, limb=limb or "").bars
    yield from (each for each in then if each.code in NO_SOURCE_THEN)
    yield from (each for each in now if each.code in KNOWN_NOW)


def read_orders(path: Path) -> list[Order]:
    """Return the orders of a CSV file with columns cultivar, season, trees and maybe must_fill.

    Raises
    ------
    RegistryError
        It cannot be read, a column is missing, or a line is not as it should be.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file, strict=True)
            reader.fieldnames = [name.strip().lower() for name in reader.fieldnames or ()]
            lacking = {"cultivar", "season", "trees"} - set(reader.fieldnames)
            if lacking:
                raise RegistryError(
                    f"{path} has no column {', '.join(sorted(lacking))}; its first line names the "
                    "columns, with commas between"
                )
            lines = [(reader.line_num, row) for row in reader if any(row.values())]
    except UnicodeDecodeError as fault:
        raise RegistryError(f"{path} is no UTF-8 text; save it as CSV in UTF-8") from fault
    except (OSError, csv.Error) as fault:
        said = fault.strerror if isinstance(fault, OSError) else fault
        raise RegistryError(f"{path} cannot be read: {said}") from fault
    faults = [f"{path}:{line}: {says}" for line, row in lines for says in _faults(row)]
    if faults:
        told = faults[:MOST_FAULTS]
        if len(faults) > len(told):
            told.append(f"and {len(faults) - len(told)} more")
        raise RegistryError("\n".join(told))
    return [_order(row) for _, row in lines]


def _faults(row: Mapping[str, str | None]) -> Iterator[str]:
    """Yield what is wrong with a line of orders."""
    must = (row.get("must_fill") or "").strip().lower()
    if None in row:
        yield "more cells than columns"
    if not (row["cultivar"] or "").strip():
        yield "no cultivar; write its name"
    if must not in TRUE_WORDS | FALSE_WORDS:
        yield f"'{must}' in must_fill; write yes or no"
    for name in ("season", "trees"):
        text = (row[name] or "").strip()
        if not (text.isascii() and text.isdigit()):
            yield f"'{text}' in {name}; write a whole number"
        elif int(text) > MOST_TREES:
            yield f"{text} in {name} is more than {MOST_TREES:,}"


def written_order(text: str, season: int) -> Order:
    """Return the order written as CULTIVAR=TREES, grafted in `season`; else RegistryError."""
    cultivar, equals, number = (each.strip() for each in text.rpartition("="))
    if not equals or not cultivar or not (number.isascii() and number.isdigit()):
        raise RegistryError(f"'{text}' is no order; write CULTIVAR=TREES, as in Brellan=2000")
    if int(number) > MOST_TREES:
        raise RegistryError(f"'{text}' is for more than {MOST_TREES:,} trees")
    return Order(cultivar=cultivar, season=season, trees=int(number))


def _order(row: Mapping[str, str | None]) -> Order:
    return Order(
        cultivar=str(row["cultivar"]).strip(),
        season=int(str(row["season"])),
        trees=int(str(row["trees"])),
        must_fill=(row.get("must_fill") or "").strip().lower() in TRUE_WORDS,
    )
