"""Answers about what to cut: what each mother tree can give, whether it may, and what is wanted."""

import csv
import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from scionreg.lineage.balance import balance
from scionreg.lineage.chain import resolve_names
from scionreg.lineage.cut_books import CutBook, read_cut_books
from scionreg.lineage.graph import Query, rows
from scionreg.records.errors import RegistryError
from scionreg.records.starting_values import RotationValues, UsualTake
from scionreg.records.vocabulary import LowTake, TreeKind
from scionreg.registry.settings import Settings, read_settings
from scionreg.rotation.capacity import Capacity, CutTree, SeasonCut, capacities
from scionreg.rotation.demand import LotTake, Need, Order, needs_of, wanted_of
from scionreg.rotation.eligibility import Candidate, rights_caution, why_not
from scionreg.rotation.pressure import (
    OWN_LIMITS,
    CutStatus,
    TakeAgainstMates,
    cut_status,
    limits_of,
    one_a_season,
)
from scionreg.rotation.supply import LOOK_BACK, TreeSupply, Wanted
from scionreg.vouching import statuses

if TYPE_CHECKING:
    import pandas as pd

    from scionreg.identity.tree_status import TreeIdentity

MOST_SEASONS = 5
TRUE_WORDS = {"yes", "true", "1", "must", "y"}
FALSE_WORDS = {"", "no", "false", "0", "n"}
CULTIVARS = Query("SELECT cultivar FROM cultivars")


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeOutlook:
    """A mother tree for the seasons asked about: what it grows, and whether it may be cut."""

    tree: str
    cultivar: str
    kind: str
    capacity: tuple[Capacity, ...]
    status: CutStatus
    why_not: tuple[tuple[str, ...], ...]
    cautions: tuple[str, ...]
    supply: TreeSupply

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "tree": self.tree,
            "cultivar": self.cultivar,
            "kind": self.kind,
            "seasons": self.to_rows(),
            "status": self.status.to_dict(),
            "cautions": list(self.cautions),
        }

    def to_rows(self) -> list[dict[str, Any]]:
        """Return a flat dictionary a season, for CSV."""
        return [
            {
                "tree": self.tree,
                "cultivar": self.cultivar,
                "kind": self.kind,
                "season": grows.season,
                "capacity": round(grows.sticks),
                "low": round(grows.low),
                "high": round(grows.high),
                "most_to_cut": 0 if against else int(grows.sticks * self.supply.limits.share),
                "eligible": not against,
                "state": self.status.state_in(grows.season).value,
                "until": self.status.until,
                "pressure": round(self.status.pressure, 2),
                "why": "; ".join(against or self.status.why),
            }
            for grows, against in zip(self.capacity, self.why_not, strict=True)
        ]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """Every mother tree for the seasons asked about; `limits` says whose the limits are."""

    seasons: tuple[int, ...]
    trees: tuple[TreeOutlook, ...]
    limits: str = OWN_LIMITS

    def supplies(self) -> list[TreeSupply]:
        """Return the trees as a plan takes them."""
        return [each.supply for each in self.trees]

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "seasons": list(self.seasons),
            "trees": [each.to_dict() for each in self.trees],
            "limits": self.limits,
        }

    def to_rows(self) -> list[dict[str, Any]]:
        """Return a flat dictionary a tree and season, for CSV."""
        return [row for each in self.trees for row in each.to_rows()]

    def to_frame(self) -> "pd.DataFrame":
        """Return the rows as a table."""
        import pandas as pd

        return pd.DataFrame(self.to_rows())


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand:
    """What orders need; `wanted` is summed as a plan takes it, seasons counted from `first`."""

    first: int
    needs: tuple[Need, ...]
    wanted: tuple[Wanted, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {"first": self.first, "needs": self.to_rows()}

    def to_rows(self) -> list[dict[str, Any]]:
        """Return a flat dictionary an order, for CSV."""
        return [each.to_dict() for each in self.needs]

    def to_frame(self) -> "pd.DataFrame":
        """Return the rows as a table."""
        import pandas as pd

        return pd.DataFrame(self.to_rows())


# -------------------------------------------------------------------------------- what can be cut


def outlook(
    connection: Connection,
    *,
    first: int | None = None,
    seasons: int = 3,
    cultivar: str | None = None,
) -> Outlook:
    """Return what each mother tree grows, and whether it may be cut.

    Parameters
    ----------
    first : the first season; None is the one it is. What was cut in it already is taken off.
    seasons : how many, 1 to 5.
    cultivar : only trees taken for it; the kind's yield is of all trees of the kind.

    Raises
    ------
    RegistryError
        More seasons than five, or none.
    """
    settings = read_settings(connection)
    values = settings.values(RotationValues)
    asked = _seasons(settings, first, seasons)
    name = resolve_names(connection, {cultivar})[cultivar] if cultivar is not None else None
    books = read_cut_books(connection, settings)
    trees = {each.tree: _cut_tree(each, settings) for each in books}
    grows = capacities(list(trees.values()), asked, values)
    took = _take_by_tree(connection)
    known = {each.tree: each for each in statuses(connection, cultivar=cultivar).trees}
    return Outlook(
        seasons=asked,
        trees=tuple(
            _outlook(
                book,
                trees[book.tree],
                grows[book.tree],
                known[book.tree],
                took.get(book.tree),
                settings,
                values,
            )
            for book in books
            if name is None or book.cultivar == name
        ),
    )


def _seasons(settings: Settings, first: int | None, seasons: int) -> tuple[int, ...]:
    if not 1 <= seasons <= MOST_SEASONS:
        raise RegistryError(f"a plan is for 1 to {MOST_SEASONS} seasons, not {seasons}")
    begin = first if first is not None else settings.season(settings.today())
    return tuple(range(begin, begin + seasons))


def _cut_tree(book: CutBook, settings: Settings) -> CutTree:
    """Return a tree as the reasoning takes it; one of unknown kind is taken to be bearing."""
    cuts = [
        (each.season, SeasonCut(season=each.season, **_rest(each._asdict())))
        for each in book.cuts
        if each.season is not None
    ]
    return CutTree(
        tree=book.tree,
        kind=book.kind or TreeKind.BEARING.value,
        species=book.species,
        planted=settings.season(book.planted) if book.planted else None,
        expected=book.sticks_per_year,
        cuts=one_a_season(cuts),
    )


def _rest(cut: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in cut.items() if name != "season"}


def _less_what_was_cut(book: CutBook, grows: Sequence[Capacity]) -> tuple[Capacity, ...]:
    """Return a tree's capacities, the first less what was cut of it in that season already."""
    now = grows[0]
    gone = sum(each.sticks for each in book.cuts if each.season == now.season)
    left = {name: max(0.0, getattr(now, name) - gone) for name in ("sticks", "low", "high")}
    return (replace(now, **left), *grows[1:])


def _outlook(
    book: CutBook,
    tree: CutTree,
    grows: tuple[Capacity, ...],
    identity: "TreeIdentity",
    take: TakeAgainstMates | None,
    settings: Settings,
    values: RotationValues,
) -> TreeOutlook:
    first = grows[0].season
    status = cut_status(tree, first, grows[0].sticks, take=take, values=values)
    grows = _less_what_was_cut(book, grows)
    candidate = Candidate(
        tree=tree.tree,
        cultivar=book.cultivar,
        kind=tree.kind,
        planted=book.planted,
        recorded=book.status,
        identity=identity.status,
        reasons=identity.reasons,
        stopped=tuple(says for limb, says in book.stopped if limb is None),
        rights=book.rights,
        rights_until=book.rights_until,
        licence=book.licence,
    )
    against = tuple(
        why_not(candidate, status, ahead, opens(each.season, settings), values)
        for ahead, each in enumerate(grows)
    )
    return TreeOutlook(
        tree=tree.tree,
        cultivar=book.cultivar,
        kind=tree.kind,
        capacity=grows,
        status=status,
        why_not=against,
        cautions=tuple(_cautions(book, candidate)),
        supply=TreeSupply(
            tree=tree.tree,
            cultivar=book.cultivar,
            kind=tree.kind,
            capacity=tuple(each.sticks for each in grows),
            limits=limits_of(tree, first, values),
            past=status.past[: LOOK_BACK - 1],
            eligible=tuple(not each for each in against),
            why_not=tuple("; ".join(each) for each in against),
        ),
    )


def _cautions(book: CutBook, candidate: Candidate) -> Iterable[str]:
    rights = rights_caution(candidate)
    if rights:
        yield rights
    yield from (says for limb, says in book.stopped if limb is not None)
    if book.kind is None:
        yield "how it is kept is not recorded; it is judged as a bearing tree"
    undated = sum(each.season is None for each in book.cuts)
    if undated:
        yield f"the day of {undated} of its cuttings is not recorded; they count for no season"


def opens(season: int, settings: Settings) -> dt.date:
    """Return the day a season opens."""
    month, day = (int(part) for part in settings.season_first_day.split("-"))
    begun = dt.date(season, month, day)
    return begun.replace(year=2 * season - settings.season(begun))


def _take_by_tree(connection: Connection) -> dict[str, TakeAgainstMates]:
    """Return the trees whose wood took low among lots alike, and by how much.

    What calls them low (enough grafts, no luck among so many trees) is what `take` goes by.
    """
    from scionreg import taking

    try:
        table = taking.table(connection, "mother_tree")
    except RegistryError:
        return {}
    return {
        each.item: TakeAgainstMates(
            difference=each.difference,
            low=each.difference_low,
            high=each.difference_high,
            grafts=each.grafts,
        )
        for each in table.suspects
        if each.verdict is LowTake.LOW
        and "cultivar" in each.alike
        and each.difference is not None
        and each.difference_low is not None
        and each.difference_high is not None
    }


# --------------------------------------------------------------------------------- what is wanted


def demand(
    connection: Connection,
    orders: Sequence[Order],
    *,
    first: int | None = None,
    seasons: int = 3,
    method: str | None = None,
) -> Demand:
    """Return the sticks that orders need; a cultivar's other names stand for it.

    Raises
    ------
    RegistryError
        A cultivar or method that is not known, or a season that is not asked about.
    """
    settings = read_settings(connection)
    asked = _seasons(settings, first, seasons)
    named = resolve_names(connection, {each.cultivar for each in orders})
    recorded = {row[0] for row in rows(connection, CULTIVARS, ())}
    meant = []
    for each in orders:
        cultivar = named.get(each.cultivar, each.cultivar)
        if cultivar not in recorded:
            raise RegistryError(f"no cultivar '{each.cultivar}' is recorded")
        if each.season not in asked:
            raise RegistryError(
                f"season {each.season} of {cultivar} is not among those asked about, {asked[0]} "
                f"to {asked[-1]}"
            )
        meant.append(
            Order(
                cultivar=cultivar,
                season=each.season,
                trees=each.trees,
                must_fill=each.must_fill,
            )
        )
    needs = needs_of(
        meant,
        _early_takes(connection, settings) if meant else (),
        _in_store(connection, {each.season for each in meant}),
        values=settings.values(RotationValues),
        usual=settings.values(UsualTake),
        method=method,
    )
    return Demand(first=asked[0], needs=needs, wanted=tuple(wanted_of(needs, asked[0])))


def _early_takes(connection: Connection, settings: Settings) -> list[LotTake]:
    """Return the first counts of lots: what is lost later is in the survival of the season."""
    from scionreg.lineage.worked_lots import read_worked_lots
    from scionreg.take.stages import Stage, counts_at

    worked = read_worked_lots(connection, settings)
    taken = counts_at(worked, Stage.EARLY)
    lots = worked.lots.iloc[taken.lots]
    counted = zip(lots["cultivar"], lots["method"], taken.grafts, taken.taken, strict=True)
    return [
        LotTake(cultivar=str(cultivar), method=str(method), grafts=int(grafts), taken=int(took))
        for cultivar, method, grafts, took in counted
        if cultivar is not None
    ]


def _in_store(connection: Connection, seasons: Iterable[int]) -> dict[tuple[str, int], float]:
    """Return the sticks in store by cultivar and the season whose wood they are."""
    return {
        (row.code, season): row.in_store
        for season in seasons
        for row in balance(connection, scope="cultivar", season=season).rows
        if row.code is not None and row.in_store > 0
    }


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
            lacking = {"cultivar", "season", "trees"} - set(reader.fieldnames or ())
            if lacking:
                raise RegistryError(f"{path} has no column {', '.join(sorted(lacking))}")
            return [_order(row, f"{path}:{reader.line_num}") for row in reader]
    except (OSError, UnicodeDecodeError, csv.Error) as fault:
        raise RegistryError(f"{path} cannot be read: {fault}") from fault


def _order(row: Mapping[str, str | None], where: str) -> Order:
    cultivar = (row["cultivar"] or "").strip()
    must = (row.get("must_fill") or "").strip().lower()
    if not cultivar:
        raise RegistryError(f"{where}: no cultivar; write its name")
    if must not in TRUE_WORDS | FALSE_WORDS:
        raise RegistryError(f"{where}: '{must}' in must_fill; write yes or no")
    numbers = {}
    for name in ("season", "trees"):
        text = (row[name] or "").strip()
        if not (text.isascii() and text.isdigit()):
            raise RegistryError(f"{where}: '{text}' in {name}; write a whole number")
        numbers[name] = int(text)
    return Order(cultivar=cultivar, must_fill=must in TRUE_WORDS, **numbers)
