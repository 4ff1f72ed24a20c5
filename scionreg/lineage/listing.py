"""Records of a kind picked out: by columns, cultivar, days, customer or place."""

import datetime as dt
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from sqlalchemy import Connection, and_, func, or_, select

from scionreg.lineage.chain import resolve_names
from scionreg.lineage.graph import Query, rows
from scionreg.records import codes
from scionreg.records.cells import CellError, CultivarName, Moment, Ref
from scionreg.records.errors import NotFoundError, RegistryError
from scionreg.records.near import perhaps
from scionreg.records.tables import fields, table
from scionreg.records.vocabulary import TreeStatus
from scionreg.registry.rows import as_record, read_rows
from scionreg.registry.settings import read_settings
from scionreg.registry.suggestions import near_cultivars

DAYS: dict[str, str] = {
    "mother_trees": "planted",
    "tree_events": "date",
    "holds": "date",
    "identity_checks": "date",
    "collections": "date",
    "bundles": "packed",
    "bundle_log": "time",
    "store_readings": "time",
    "rootstock_lots": "received",
    "graft_lots": "date",
    "take_counts": "date",
    "dispatches": "date",
}
"""The column of a kind that tells its day."""

WOODED = ("collections", "bundles", "graft_lots", "dispatches")
"""Kinds whose trees and cultivars are told beside their columns: they follow from the chain."""
SOURCES = ("cultivars", "source_trees", "sources_outside", "source_papers")
"""What is told of the wood of those kinds; papers are as claimed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Which records are asked for; None and empty ask for nothing in particular.

    `where` are conditions as typed: ``column=value``, ``column!=value``, ``column=`` for empty and
    ``column!=`` for filled. `cultivar` goes by name or alias in any case, and follows the wood down
    the chain. `since` and `until` are days of the registry's clock, both included.
    """

    where: Sequence[str] = ()
    cultivar: str = ""
    since: dt.date | None = None
    until: dt.date | None = None
    customer: str = ""
    block: str = ""
    row: int | None = None
    outside: bool = False
    """Only what is, or is made of, wood that was received."""

    def words(self) -> str:
        """Return what was asked for, as it stands after the noun."""
        period = ""
        if self.since or self.until:
            period = f" from {self.since or 'the beginning'} to {self.until or 'now'}"
        where = [each.partition("=") for each in self.where]
        named = [f"{name}{eq}{value or '(empty)'}" for name, eq, value in where]
        return "".join(
            (
                " of wood from outside" if self.outside else "",
                f" of {self.cultivar}" if self.cultivar else "",
                f" to {self.customer}" if self.customer else "",
                f" in block {self.block}" if self.block else "",
                f" in row {self.row}" if self.row is not None else "",
                period,
                f" with {' and '.join(named)}" if named else "",
            )
        )


@dataclass(frozen=True, slots=True)
class Listed:
    """Records that were asked for: how many there are, and those shown.

    Records of `WOODED` kinds have the lists of `SOURCES` beside their columns.
    """

    kind: str
    number: int
    records: tuple[dict[str, Any], ...]
    cultivar: str = ""
    """The cultivar that was asked for, by the name it goes by."""


def listed(connection: Connection, kind: str, wanted: Wanted, most: int | None = None) -> Listed:
    """Return the records of a kind that are wanted, in the order they came in, `most` of them.

    Raises
    ------
    RegistryError
        A condition names no column or no value of it, or what is asked for is nothing that records
        of the kind have.
    NotFoundError
        There is no such cultivar.
    """
    cultivar = named_cultivar(connection, wanted.cultivar) if wanted.cultivar else ""
    conditions = list(_conditions(connection, kind, wanted, cultivar))
    count = select(func.count()).select_from(table(kind)).where(*conditions)
    number = int(connection.execute(count).scalar_one())
    found: list[dict[str, Any]] = []
    for _, _, row in read_rows(connection, kind, *conditions) if most != 0 else ():
        found.append(as_record(kind, row))
        if len(found) == most:
            break
    return Listed(kind, number, tuple(_with_wood(connection, kind, found)), cultivar)


def named_cultivar(connection: Connection, text: str) -> str:
    """Return the cultivar that a name or an alias means, letters in any case.

    Raises
    ------
    NotFoundError
        There is none; the message offers near ones.
    """
    cultivar = table("cultivars").columns["cultivar"]
    known = set(connection.execute(select(cultivar)).scalars())
    meant: str = resolve_names(connection, {text})[text]
    if meant in known:
        return meant
    close: list[str] = sorted(each for each in known if each.casefold() == text.casefold())
    if close:
        return close[0]
    near = near_cultivars(connection, text)
    offer = f"did you mean {' or '.join(near)}?" if near else "scionreg list cultivars shows them"
    raise NotFoundError(f"there is no cultivar '{text}'; {offer}")


# ---------------------------------------------------------------------------------- conditions


def _conditions(connection: Connection, kind: str, wanted: Wanted, cultivar: str) -> Iterator[Any]:
    columns = table(kind).columns
    for text in wanted.where:
        yield _where(connection, kind, text)
    if cultivar:
        yield _of_cultivar(connection, kind, cultivar)
    if wanted.outside:
        if kind not in OF_BUNDLES:
            raise RegistryError(
                f"{_plural(kind)} are of no wood from outside; bundles and graft lots are"
            )
        yield columns[OF_BUNDLES[kind]].in_(_Received().of(OF_BUNDLES[kind]))
    if wanted.since is not None or wanted.until is not None:
        yield from _between(connection, kind, wanted.since, wanted.until)
    if wanted.customer:
        if kind != "dispatches":
            raise RegistryError(f"{_plural(kind)} go to no customer; scionreg list dispatches do")
        yield func.lower(columns["customer"]) == wanted.customer.lower()
    if wanted.block or wanted.row is not None:
        yield _placed(kind, wanted.block, wanted.row)


def _where(connection: Connection, kind: str, text: str) -> Any:
    """Return the condition that a text such as ``column!=value`` states."""
    columns = {column.name: column for column in fields(kind)}
    name, equals, value = (part.strip() for part in text.partition("="))
    unlike = name.endswith("!")
    name = name.rstrip("! ").replace("-", "_")
    if equals and name == "cultivar" and kind in WOODED and value:
        matches = _of_cultivar(connection, kind, named_cultivar(connection, value))
        return ~matches if unlike else matches
    if name not in columns:
        right = perhaps(name, columns, f"there are: {', '.join(columns)}")
        raise RegistryError(f"{_plural(kind)} have no column '{name}'; {right}")
    if not equals:
        raise RegistryError(f"'{text}' has no value; write {name}=VALUE, or {name}= for empty")
    column = columns[name]
    if not value:
        return column.is_not(None) if unlike else column.is_(None)
    matches = _equals(connection, column, value)
    return or_(~matches, column.is_(None)) if unlike else matches


def _equals(connection: Connection, column: Any, text: str) -> Any:
    cell = column.info["cell"]
    if isinstance(cell, CultivarName):
        if cell.or_found and cell.read(text) != text:
            return column == cell.read(text)
        return column.in_(_spellings(connection, named_cultivar(connection, text)))
    if isinstance(cell, Ref):
        text = "/".join(codes.tidied(part) for part in text.split("/"))
        return func.lower(column) == text.lower()
    settings = read_settings(connection)
    try:
        reader = cell.reader(settings.zone, settings.spellings)
        value = reader(cell.typed(text, settings.today()))
    except CellError as error:
        raise RegistryError(f"{column.name}: {error}") from None
    python = column.type.python_type
    if python is bool:
        return column == bool(value)
    if hasattr(python, "fromisoformat"):
        return column == python.fromisoformat(value)
    if python is str:
        return func.lower(column) == value.lower()
    return column == value


def _between(
    connection: Connection, kind: str, since: dt.date | None, until: dt.date | None
) -> Iterator[Any]:
    """Yield what keeps a kind's records of some days; those of no known day are left out."""
    if kind not in DAYS:
        raise RegistryError(f"{_plural(kind)} have no day; leave --from and --to out")
    if since is not None and until is not None and until < since:
        raise RegistryError(f"the period ends on {until}, before it begins on {since}")
    column = table(kind).columns[DAYS[kind]]
    first: Any = since
    after: Any = None if until is None else until + dt.timedelta(days=1)
    if isinstance(column.info["cell"], Moment):
        zone = read_settings(connection).zone
        first = since and dt.datetime.combine(since, dt.time(), zone).astimezone(dt.UTC)
        after = after and dt.datetime.combine(after, dt.time(), zone).astimezone(dt.UTC)
    if first is not None:
        yield column >= first
    if after is not None:
        yield column < after


def _placed(kind: str, block: str, row: int | None) -> Any:
    """Return what keeps records of a place: of counts and dispatches, that of their lot."""
    of = "graft_lots" if kind in ("take_counts", "dispatches") else kind
    columns = table(of).columns
    if "row" not in columns:
        raise RegistryError(f"{_plural(kind)} have no place in a row; leave --block and --row out")
    here = and_(
        *((func.lower(columns["block"]) == block.lower(),) if block else ()),
        *((columns["row"] == row,) if row is not None else ()),
    )
    if of == kind:
        return here
    return table(kind).columns["graft_lot"].in_(select(columns["graft_lot"]).where(here))


# ---------------------------------------------------------------------------------- cultivars


def _spellings(connection: Connection, cultivar: str) -> list[str]:
    """Return the names written in the records that mean a cultivar."""
    written = {
        name
        for kind in ("mother_trees", "bundles", "genotypes", "identity_checks", "dispatches")
        for column in fields(kind)
        if isinstance(column.info["cell"], CultivarName)
        for name in connection.execute(
            select(column).where(column.is_not(None)).distinct()
        ).scalars()
    }
    names = resolve_names(connection, written)
    return sorted({cultivar, *(each for each in written if names[each] == cultivar)})


def _of_cultivar(connection: Connection, kind: str, cultivar: str) -> Any:
    """Return what keeps the records of a kind that are of a cultivar, by the wood of the chain."""
    columns = table(kind).columns
    if kind == "cultivars":
        return columns["cultivar"] == cultivar
    wood = _Wood(_spellings(connection, cultivar))
    of = {
        "mother_trees": "tree",
        "tree_events": "tree",
        "permissions": "tree",
        "collections": "collection",
        **OF_BUNDLES,
    }
    if kind in of:
        return columns[of[kind]].in_(wood.of(of[kind]))
    if kind in ("identity_checks", "genotypes", "holds"):
        item = columns["item"]
        met = [item.in_(each()) for each in (wood.trees, wood.collections, wood.bundles)]
        met.append(_lot_of(connection, item).in_(wood.lots()))
        if kind == "genotypes":
            met.append(columns["cultivar"].in_(wood.names))
        return or_(*met)
    raise RegistryError(f"{_plural(kind)} are of no cultivar; leave --cultivar out")


def _lot_of(connection: Connection, item: Any) -> Any:
    """Return the lot of a single tree, ``lot/position``; another code as it is."""
    if connection.dialect.name == "sqlite":
        return func.substr(item, 1, func.instr(item + "/", "/") - 1)
    return func.split_part(item, "/", 1)


OF_BUNDLES = {
    "bundles": "bundle",
    "bundle_parents": "bundle",
    "bundle_log": "bundle",
    "graft_lots": "graft_lot",
    "take_counts": "graft_lot",
    "dispatches": "graft_lot",
}
"""Kinds that are of a bundle's wood, and the column by which they are."""


class _Wood:
    """Statements for the codes of what is, or is made of, wood of a cultivar."""

    name = "wood"

    def __init__(self, names: list[str]) -> None:
        self.names = names

    def of(self, column: str) -> Any:
        """Return the statement for what a column names: tree, collection, bundle or graft_lot."""
        stated: dict[str, Callable[[], Any]] = {
            "tree": self.trees,
            "collection": self.collections,
            "bundle": self.bundles,
            "graft_lot": self.lots,
        }
        return stated[column]()

    def trees(self) -> Any:
        tree = table("mother_trees").columns
        return select(tree["tree"]).where(tree["cultivar"].in_(self.names))

    def collections(self) -> Any:
        cut = table("collections").columns
        return select(cut["collection"]).where(cut["tree"].in_(self.trees()))

    def is_own(self) -> Any:
        """Return the condition that a bundle's own source is of the cultivar."""
        bundle = table("bundles").columns
        return or_(
            bundle["collection"].in_(self.collections()),
            bundle["collection"].is_(None) & bundle["cultivar"].in_(self.names),
        )

    def _made_bundles(self) -> Any:
        bundle, gave = table("bundles").columns, table("bundle_parents").columns
        own = select(bundle["bundle"]).where(self.is_own())
        wood = own.cte(self.name, recursive=True)
        wood = wood.union(select(gave["bundle"]).where(gave["parent"] == wood.c.bundle))
        return select(wood.c.bundle)

    @cached_property
    def _of_bundles(self) -> Any:
        """One statement, however often another one asks for it: its name may stand there once."""
        return self._made_bundles()

    def bundles(self) -> Any:
        return self._of_bundles

    def lots(self) -> Any:
        lot = table("graft_lots").columns
        return select(lot["graft_lot"]).where(lot["bundle"].in_(self.bundles()))


class _Received(_Wood):
    """Statements for the codes of what is, or is made of, wood that was received."""

    name = "received"

    def __init__(self) -> None:
        super().__init__([])

    def is_own(self) -> Any:
        """Return the condition that a bundle came from outside."""
        return table("bundles").columns["received_from"].is_not(None)


def _plural(kind: str) -> str:
    return kind.replace("_", " ")


# ------------------------------------------------------------------------- what the wood is

WOOD_OF = Query(
    "WITH RECURSIVE up (bundle, source) AS ("
    "SELECT bundle, bundle FROM bundles WHERE bundle IN {codes} "
    "UNION SELECT up.bundle, p.parent FROM up JOIN bundle_parents p ON p.bundle = up.source) "
    "SELECT DISTINCT up.bundle, coalesce(t.cultivar, b.cultivar), t.tree, b.received_from, "
    "b.papers FROM up JOIN bundles b ON b.bundle = up.source "
    "LEFT JOIN collections c ON c.collection = b.collection "
    "LEFT JOIN mother_trees t ON t.tree = c.tree"
)
"""Of a bundle, each source of its wood: cultivar, tree, who it came from and papers, or NULL."""
CULTIVAR_OF = Query(
    "SELECT tree, cultivar, tree, NULL, NULL FROM mother_trees WHERE tree IN {codes}"
)
BUNDLE_OF = Query("SELECT graft_lot, bundle FROM graft_lots WHERE graft_lot IN {codes}")


def _with_wood(
    connection: Connection, kind: str, found: list[dict[str, Any]]
) -> Iterable[dict[str, Any]]:
    """Return records with the sources of their wood; cultivars with their mother trees' number."""
    if kind == "cultivars":
        trees = _mother_trees(connection)
        return [{**each, "mother_trees": trees.get(each["cultivar"], 0)} for each in found]
    if kind not in WOODED or not found:
        return found
    if kind == "collections":
        by_code = {each["collection"]: each["tree"] for each in found}
        read = rows(connection, CULTIVAR_OF, set(by_code.values()))
    elif kind == "dispatches":
        by_code = dict(rows(connection, BUNDLE_OF, {each["graft_lot"] for each in found}))
        read = rows(connection, WOOD_OF, set(by_code.values()))
    else:
        by_code = {each[_key(kind)]: each["bundle"] for each in found}
        read = rows(connection, WOOD_OF, set(by_code.values()))
    names = resolve_names(connection, {row[1] for row in read if row[1] is not None})
    told: dict[str, dict[str, set[str]]] = {}
    for source, name, *rest in read:
        parts = told.setdefault(source, {each: set() for each in SOURCES})
        for column, value in zip(SOURCES, (names.get(name), *rest), strict=True):
            if value is not None:
                parts[column].add(value)
    return [
        {**each, **{name: sorted(found) for name, found in told[by_code[each[_key(kind)]]].items()}}
        for each in found
    ]


def _mother_trees(connection: Connection) -> Counter[str]:
    """Return how many mother trees of each cultivar are neither dead nor retired."""
    tree = table("mother_trees").columns
    gone = tree["status"].in_((TreeStatus.DEAD, TreeStatus.RETIRED))
    query = select(tree["cultivar"]).where(or_(tree["status"].is_(None), ~gone))
    written = list(connection.execute(query).scalars())
    names = resolve_names(connection, set(written))
    return Counter(names[each] for each in written)


def _key(kind: str) -> str:
    return {"collections": "collection", "bundles": "bundle"}.get(kind, "graft_lot")
