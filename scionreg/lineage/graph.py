"""The touched part of the chain: its nouns, how it is read, and the share algebra.

    mother tree → collection → bundle (→ bundle …) → graft lot → dispatch, or mother tree …

Nothing is loaded but what a question touches. Rows are named tuples, since a recall may return
tens of thousands of them. Statements take one list of codes, so that the databases' different
ways of passing a list are met in one place (`rows`).
"""

import datetime as dt
import difflib
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from typing import Any, NamedTuple, TypeVar
from zoneinfo import ZoneInfo

import orjson
from sqlalchemy import Connection
from sqlalchemy.exc import DBAPIError

from scionreg.records import codes
from scionreg.records.errors import NotFoundError, RegistryError
from scionreg.records.tables import KINDS
from scionreg.records.vocabulary import Counting, Grade
from scionreg.registry.settings import Settings

Moment = dt.date | dt.datetime
"""A day, or a point in time (UTC) where one was recorded."""


Node = TypeVar("Node", bound=Hashable)


class Query:
    """A statement over a list of codes, ``{codes}``, in the spelling of each database.

    `postgresql` asks the same in other words, where that database would take a long way round.
    """

    def __init__(self, statement: str, postgresql: str | None = None) -> None:
        self.sqlite = statement.replace("{codes}", "(SELECT value FROM json_each(:codes))")
        asked = postgresql or statement
        self.postgresql = asked.replace("IN {codes}", "= ANY(%(codes)s)")


def rows(connection: Connection, query: Query, asked: Iterable[str]) -> list[tuple[Any, ...]]:
    """Return the rows of `query` for the codes `asked`, as the database's driver gives them.

    They come in any order, and not in the same one from either database.

    The driver is called directly: a trace is half a dozen small statements, and building each
    one anew would cost more than running it.
    """
    driver: Any = connection.connection.driver_connection
    try:
        if connection.dialect.name == "sqlite":
            listed = orjson.dumps(list(asked)).decode()
            return list(driver.execute(query.sqlite, {"codes": listed}))
        given = {"codes": list(asked)}
        found = driver.execute(query.postgresql, given, prepare=True, binary=True)
        return list(found.fetchall())
    except connection.dialect.loaded_dbapi.Error as fault:
        raise DBAPIError(query.sqlite, None, fault) from fault


def as_day(value: Any) -> dt.date | None:
    """Return a day as either database gives it."""
    return dt.date.fromisoformat(value) if isinstance(value, str) else value


def as_moment(value: Any) -> dt.datetime | None:
    """Return a point in time as either database gives it, in UTC."""
    moment = dt.datetime.fromisoformat(value) if isinstance(value, str) else value
    return moment if moment is None or moment.tzinfo else moment.replace(tzinfo=dt.UTC)


ZONE = "(SELECT value FROM settings WHERE name = 'time_zone')"
"""SQL: the registry's time zone by name. Beside other columns it needs no statement of its own."""
ZONE_ALONE = Query(f"SELECT {ZONE}")


def as_zone(name: str | None) -> dt.tzinfo:
    """Return a time zone by its name in `ZONE`."""
    return ZoneInfo(name) if name else Settings().zone


def read_zone(connection: Connection) -> dt.tzinfo:
    """Return the registry's time zone, without its other settings."""
    return as_zone(rows(connection, ZONE_ALONE, ())[0][0])


def day_of(moment: Moment | None, zone: dt.tzinfo) -> dt.date | None:
    """Return the day of a day or a point in time, by the clock of the registry's time `zone`."""
    return moment.astimezone(zone).date() if isinstance(moment, dt.datetime) else moment


# ------------------------------------------------------------------------------ what a code is

CODED: tuple[str, ...] = (
    "graft_lots",
    "bundles",
    "collections",
    "mother_trees",
    "dispatches",
    "identity_checks",
    "stores",
    "rootstock_lots",
    "cultivars",
    "people",
    "blocks",
)
"""Kinds that a code may name; where a nursery uses one code twice, the first of these is meant."""


def _key(kind: str) -> str:
    return f'"{KINDS[kind].KEY[0]}"'


KIND_OF = Query(
    " UNION ALL ".join(
        f"SELECT {i}, '{kind}' FROM {kind} WHERE {_key(kind)} IN {{codes}}"
        for i, kind in enumerate(CODED)
    )
)
EXISTING = {
    kind: Query(f"SELECT {_key(kind)} FROM {kind} WHERE {_key(kind)} IN {{codes}}")
    for kind in codes.LETTERS.values()
}
SIMILAR = {
    kind: Query(
        f"SELECT DISTINCT {_key(kind)} FROM {kind} "
        f"WHERE lower(substr({_key(kind)}, 1, 2)) IN {{codes}} LIMIT 2000"
    )
    for kind in CODED
}


def find_kind(connection: Connection, code: str) -> str:
    """Return the record kind that `code` names; ``lot/position`` is a graft lot.

    Raises
    ------
    NotFoundError
        Nothing is recorded under it; the message offers the likely codes.
    """
    lot, slash, _ = code.rpartition("/")
    asked = lot if slash else code
    known = codes.kind_of(asked)
    if known is not None and rows(connection, EXISTING[known], [asked]):
        return known
    found = rows(connection, KIND_OF, [asked])
    if not found:
        raise not_found(connection, code)
    kind: str = min(found)[1]
    return kind


def not_found(connection: Connection, code: str) -> NotFoundError:
    """Return the error for a code under which nothing is recorded, with the likely codes."""
    likely = likely_codes(connection, code.rpartition("/")[0] or code)
    offer = f"; did you mean {' or '.join(likely)}?" if likely else "; check the label again"
    return NotFoundError(f"nothing is recorded under '{code}'{offer}")


def likely_codes(connection: Connection, code: str, most: int = 3) -> list[str]:
    """Return recorded codes that `code` may have been meant for, likeliest first."""
    near = list(codes.neighbours(code))
    if near:
        kind = codes.LETTERS[near[0][0]]
        existing = {row[0] for row in rows(connection, EXISTING[kind], near)}
        found = [candidate for candidate in near if candidate in existing]
        if found:
            return found[:most]
    beginning = [code[:2].lower()]
    candidates = {
        row[0] for query in SIMILAR.values() for row in rows(connection, query, beginning)
    }
    return difflib.get_close_matches(code, sorted(candidates), n=most, cutoff=0.75)


def split_position(code: str) -> tuple[str, int | None]:
    """Return lot and position of ``lot/position``; other codes have no position.

    Raises
    ------
    RegistryError
        What follows the slash is no position.
    """
    lot, slash, position = code.rpartition("/")
    if not slash:
        return code, None
    if not position.isdecimal() or int(position) < 1:
        raise RegistryError(
            f"'{position}' is no row position; write graft lot/position, as in G26-0001-3/7"
        )
    return lot, int(position)


# ---------------------------------------------------------------------------------- the nouns


class Lot(NamedTuple):
    """Grafts made from one bundle, in one run of row positions."""

    graft_lot: str
    bundle: str
    date: dt.date | None
    grafter: str
    grafts: int
    sticks_used: int | None
    block: str | None
    row: int | None
    first: int | None
    last: int | None
    rootstock_lot: str | None
    regraft_of: str | None

    @property
    def span(self) -> int | None:
        """Return the number of positions in its range, None where it was not recorded."""
        if self.first is None or self.last is None:
            return None
        return self.last - self.first + 1


LOT_COLUMNS = (
    "graft_lot, bundle, date, grafter, grafts, sticks_used, block, row, first, last, "
    "rootstock_lot, regraft_of"
)
LOTS = Query(
    f"SELECT {LOT_COLUMNS} FROM graft_lots WHERE graft_lot IN {{codes}} "
    f"UNION ALL SELECT {LOT_COLUMNS} FROM graft_lots WHERE regraft_of IN {{codes}}"
)


def read_with_regrafts(connection: Connection, asked: Iterable[str]) -> list[Lot]:
    """Return the graft lots `asked` and what regrafted them directly; some may come twice."""
    found = rows(connection, LOTS, asked)
    return [Lot(row[0], row[1], as_day(row[2]), *row[3:]) for row in found]


def read_lots(connection: Connection, asked: Iterable[str]) -> dict[str, Lot]:
    """Return the graft lots `asked` and, over any number of rounds, the regrafts of them."""
    found: dict[str, Lot] = {}
    wanted, followed = set(asked), set[str]()
    while wanted:
        for lot in sorted(read_with_regrafts(connection, wanted), key=lambda lot: lot.graft_lot):
            found.setdefault(lot.graft_lot, lot)
        followed |= wanted
        wanted = {code for code, lot in found.items() if lot.regraft_of in wanted} - followed
    return found


class Bundle(NamedTuple):
    """Sticks tied under one label."""

    bundle: str
    received_from: str | None
    claimed: str | None
    sticks: int
    counting: str | None
    packed: dt.date | None
    packer: str | None
    store: str | None
    collection: str | None


class Cutting(NamedTuple):
    """One collection: wood of one tree, cut on one day by one person."""

    collection: str
    tree: str
    limb: str | None
    date: dt.date | None
    cutter: str | None
    sticks: int
    counting: str | None


class Tree(NamedTuple):
    """A mother tree, with where it came from."""

    tree: str
    cultivar: str
    graft_lot: str | None
    graft_position: int | None
    planted: dt.date | None
    received_from: str | None


BUNDLE_COLUMNS = (
    "b.bundle, b.received_from, b.cultivar, b.sticks, b.count, b.packed, b.packer, b.store, "
    "b.collection"
)
CUTTING_COLUMNS = "c.collection, c.tree, c.limb, c.date, c.cutter, c.sticks, c.count"
TREE_COLUMNS = "t.tree, t.cultivar, t.graft_lot, t.graft_position, t.planted, t.received_from"

WOOD = Query(
    f"SELECT {BUNDLE_COLUMNS}, {CUTTING_COLUMNS}, {TREE_COLUMNS} FROM bundles b "
    "LEFT JOIN collections c ON c.collection = b.collection "
    "LEFT JOIN mother_trees t ON t.tree = c.tree WHERE b.bundle IN {codes}"
)
CUTTINGS = Query(
    f"SELECT {CUTTING_COLUMNS}, {TREE_COLUMNS} FROM collections c "
    "JOIN mother_trees t ON t.tree = c.tree WHERE c.collection IN {codes}"
)
TREES = Query(f"SELECT {TREE_COLUMNS} FROM mother_trees t WHERE t.tree IN {{codes}}")


def make_bundle(row: Sequence[Any]) -> Bundle:
    """Return a bundle from its columns."""
    return Bundle(row[0], row[1], row[2], row[3], row[4], as_day(row[5]), *row[6:9])


def make_cutting(row: Sequence[Any]) -> Cutting:
    """Return a collection from its columns."""
    return Cutting(row[0], row[1], row[2], as_day(row[3]), *row[4:7])


def make_tree(row: Sequence[Any]) -> Tree:
    """Return a mother tree from its columns."""
    return Tree(row[0], row[1], row[2], row[3], as_day(row[4]), row[5])


PARENTS = Query("SELECT bundle, parent, sticks FROM bundle_parents WHERE bundle IN {codes}")

Parents = dict[str, dict[str, int]]
"""Of a bundle: the sticks that each parent bundle gave."""


def read_parents(connection: Connection, bundles: Iterable[str]) -> Parents:
    """Return the parents of `bundles`, their parents, and so on to the first ones.

    One statement a round: a recursive one may have PostgreSQL read the whole table, which cannot
    know how few rows a round has.
    """
    parents: Parents = {}
    met = set(bundles)
    wanted = met
    while wanted:
        found = rows(connection, PARENTS, wanted)
        for bundle, parent, sticks in sorted(found):
            parents.setdefault(bundle, {})[parent] = sticks
        wanted = {parent for _, parent, _ in found} - met
        met = met | wanted
    return parents


# ------------------------------------------------------------------------------ share algebra

GRADES = tuple(Grade)
_RANK = {grade: rank for rank, grade in enumerate(GRADES)}


def weakest(*grades: Grade) -> Grade:
    """Return the weakest of some grades: certain, one of n, likely, unknown in this order."""
    return GRADES[max(_RANK[grade] for grade in grades)] if grades else Grade.CERTAIN


ESTIMATE = 0.10
COUNTED = 0.05
"""Tolerance of estimated and counted numbers of sticks, as shares (common practice, no source)."""


def wood_shares(bundle: Bundle, given: Mapping[str, int]) -> dict[str | None, float]:
    """Return the share of a bundle's wood that came from each parent; None: its own source.

    A re-bundle mixes in proportion to the sticks its parents gave. What the bundle holds beyond
    that came from its own source (a collection, somebody outside, or nobody knows), unless the
    count was an estimate and the difference lies within it.
    """
    if not given:
        return {None: 1.0}
    total = sum(given.values())
    rest = bundle.sticks - total
    has_own = bundle.collection is not None or bundle.received_from is not None
    if bundle.counting == Counting.ESTIMATED and not has_own and rest <= ESTIMATE * bundle.sticks:
        rest = 0
    if rest <= 0 and not has_own:
        return {parent: sticks / total for parent, sticks in given.items()}
    whole = total + max(rest, 0)
    shares: dict[str | None, float] = {parent: n / whole for parent, n in given.items()}
    shares[None] = max(rest, 0) / whole
    return shares


def in_a_circle(node: Hashable) -> RegistryError:
    """Return the error for records that come back to `node`: a code, or a kind and a code."""
    code = node[1] if isinstance(node, tuple) else node
    return RegistryError(f"the records of '{code}' run in a circle; correct one")


def sources_first(start: Iterable[Node], sources: Callable[[Node], Iterable[Node]]) -> list[Node]:
    """Return everything upward of `start`, each after all of its sources.

    Raises
    ------
    RegistryError
        The records run in a circle.
    """
    order: list[Node] = []
    state: dict[Node, bool] = {}
    stack = [(code, False) for code in start]
    while stack:
        code, done = stack.pop()
        if done:
            state[code] = True
            order.append(code)
        elif code not in state:
            state[code] = False
            stack.append((code, True))
            for source in sources(code):
                if state.get(source) is False:
                    raise in_a_circle(code)
                if source not in state:
                    stack.append((source, False))
    return order
