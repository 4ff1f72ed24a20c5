"""Answers about what is wanted: the sticks that orders need, set against wood that is there."""

import csv
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from scionreg.cutting import planned_seasons
from scionreg.lineage.balance import balance
from scionreg.lineage.chain import resolve_names
from scionreg.lineage.graph import Query, as_day, rows
from scionreg.records.errors import RegistryError
from scionreg.records.starting_values import RotationValues, UsualTake
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand:
    """What orders need; `wanted` is summed as a plan takes it, seasons counted from `first`.

    `left_out` are orders of seasons that are not planned.
    """

    first: int
    seasons: int
    needs: tuple[Need, ...]
    wanted: tuple[Wanted, ...]
    left_out: tuple[Order, ...] = ()

    def cautions(self) -> list[str]:
        """Return what was left out, in a sentence each."""
        last = self.first + self.seasons - 1
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
    needs = needs_of(
        kept,
        _early_takes(worked),
        _in_store(connection, settings, {each.season for each in kept}),
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
    "SELECT c.collection, t.cultivar, c.date, c.sticks FROM collections c "
    "JOIN mother_trees t ON t.tree = c.tree "
    "WHERE NOT EXISTS (SELECT 1 FROM bundles b WHERE b.collection = c.collection)"
)


def _in_store(
    connection: Connection, settings: Settings, seasons: Collection[int]
) -> dict[tuple[str, int], float]:
    """Return the sticks at hand by cultivar and the season whose wood they are.

    In store, and cut but waiting to be tied; what was left out when the rest of a cutting was tied
    is not at hand.
    """
    there = {
        (row.code, season): row.in_store
        for season in seasons
        for row in balance(connection, scope="cultivar", season=season).rows
        if row.code is not None and row.in_store > 0
    }
    waiting = rows(connection, WAITING, ())
    names = resolve_names(connection, {row[1] for row in waiting})
    for collection, cultivar, date, sticks in waiting:
        season = settings.season_of(as_day(date), collection)
        if season is not None and season in seasons:
            key = names[cultivar], season
            there[key] = there.get(key, 0) + sticks
    return there


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
