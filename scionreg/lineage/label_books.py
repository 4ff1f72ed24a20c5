"""What labels are written from: trees, wood, lots and stores, and where their wood came from."""

import datetime as dt
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

from sqlalchemy import Connection

from scionreg.lineage.chain import resolve_names
from scionreg.lineage.graph import (
    BUNDLE_COLUMNS,
    Bundle,
    Query,
    as_day,
    make_bundle,
    read_parents,
    rows,
)
from scionreg.lineage.mixing import mixed_from


class Source(NamedTuple):
    """Where wood came from: a cutting of a tree, or somebody outside; all None where unknown.

    `cultivar` is as written, of the tree or as claimed for wood from outside; `rank` is the tree's.
    """

    tree: str | None = None
    limb: str | None = None
    collection: str | None = None
    date: dt.date | None = None
    cutter: str | None = None
    cultivar: str | None = None
    rank: str | None = None
    received_from: str | None = None


class Named(NamedTuple):
    """A cultivar, by the name that a written one stands for; rights are as claimed."""

    cultivar: str
    species: str | None = None
    rights: str | None = None
    rights_no: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Book:
    """What is recorded under one code. Of a blank, everything is unknown."""

    code: str
    sources: tuple[Source, ...] = ()
    """Where its wood came from, the largest share first."""
    cultivars: tuple[Named, ...] = ()
    """The cultivars its sources are taken for, in the same order, each once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeBook(Book):
    """A mother tree; `place` is None where it is unknown, or `private`."""

    private: bool = False
    place: tuple[str, int | None, int | None] | None = None
    planted: dt.date | None = None
    rank: str | None = None
    grown_from: str | None = None
    received_from: str | None = None
    rootstock: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class WoodBook(Book):
    """A collection, or a bundle; only of a bundle is anything known from `treatment` on."""

    is_bundle: bool
    sticks: int | None = None
    count: str | None = None
    treatment: str | None = None
    packed: dt.date | None = None
    packer: str | None = None
    store: str | None = None
    shelf: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StockBook(Book):
    """A rootstock lot."""

    species: str | None = None
    clone: str | None = None
    seed_parent: str | None = None
    supplier: str | None = None
    received: dt.date | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LotBook(Book):
    """A graft lot."""

    bundle: str | None = None
    date: dt.date | None = None
    grafter: str | None = None
    method: str | None = None
    grafts: int | None = None
    block: str | None = None
    row: int | None = None
    first: int | None = None
    last: int | None = None
    regraft_of: str | None = None
    rootstock: StockBook | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreBook(Book):
    """A store; `kind` is what it is."""

    kind: str | None = None


TREES = Query(
    "SELECT tree, cultivar, block, row, position, planted, rank, graft_lot, graft_position, "
    "received_from, rootstock, location_private FROM mother_trees WHERE tree IN {codes}"
)
CUT = Query(
    "SELECT c.collection, c.sticks, c.count, c.tree, c.limb, c.date, c.cutter, t.cultivar, t.rank "
    "FROM collections c JOIN mother_trees t ON t.tree = c.tree WHERE c.collection IN {codes}"
)
WOOD = Query(
    f"SELECT {BUNDLE_COLUMNS}, b.treatment, b.shelf, c.tree, c.limb, c.date, c.cutter, "
    "t.cultivar, t.rank FROM bundles b LEFT JOIN collections c ON c.collection = b.collection "
    "LEFT JOIN mother_trees t ON t.tree = c.tree WHERE b.bundle IN {codes}"
)
LOTS = Query(
    "SELECT graft_lot, bundle, date, grafter, method, grafts, block, row, first, last, "
    "regraft_of, rootstock_lot FROM graft_lots WHERE graft_lot IN {codes}"
)
ROOTSTOCKS = Query(
    "SELECT rootstock_lot, species, clone, seed_parent, supplier, received FROM rootstock_lots "
    "WHERE rootstock_lot IN {codes}"
)
STORES = Query("SELECT store, kind FROM stores WHERE store IN {codes}")
CULTIVARS = Query(
    "SELECT cultivar, species, rights, rights_no FROM cultivars WHERE cultivar IN {codes}"
)
SENT = Query(
    "SELECT dispatch, graft_lot, trees, first, last, label_cultivar FROM dispatches "
    "WHERE dispatch IN {codes} ORDER BY dispatch, id"
)

ALIVE = Query(
    "SELECT graft_lot, date, pushing FROM take_counts "
    "WHERE graft_lot IN {codes} AND pushing IS NOT NULL AND date IS NOT NULL"
)


class Sent(NamedTuple):
    """A line of a dispatch, whose trees are to be labelled."""

    dispatch: str
    graft_lot: str
    trees: int
    first: int | None
    last: int | None
    label_cultivar: str | None


def read_trees(connection: Connection, asked: Collection[str]) -> dict[str, TreeBook]:
    """Return the mother trees `asked`."""
    found = rows(connection, TREES, asked)
    names = read_named(connection, {row[1] for row in found})
    books = {}
    for tree, cultivar, block, row, position, planted, rank, lot, at, *rest in found:
        received_from, rootstock, private = rest
        books[tree] = TreeBook(
            code=tree,
            sources=(Source(tree=tree, cultivar=cultivar, rank=rank),),
            cultivars=(names[cultivar],),
            private=bool(private),
            place=None if block is None or private else (block, row, position),
            planted=as_day(planted),
            rank=rank,
            grown_from=lot if at is None else f"{lot}/{at}",
            received_from=received_from,
            rootstock=rootstock,
        )
    return books


def read_cuttings(connection: Connection, asked: Collection[str]) -> dict[str, WoodBook]:
    """Return the collections `asked`."""
    found = rows(connection, CUT, asked)
    names = read_named(connection, {row[7] for row in found})
    books = {}
    for collection, sticks, count, tree, limb, date, cutter, cultivar, rank in found:
        source = Source(tree, limb, collection, as_day(date), cutter, cultivar, rank)
        books[collection] = WoodBook(
            code=collection,
            is_bundle=False,
            sources=(source,),
            cultivars=(names[cultivar],),
            sticks=sticks,
            count=count,
        )
    return books


@dataclass(frozen=True, slots=True)
class Bundles:
    """Bundles with all that they were tied from."""

    bundles: Mapping[str, Bundle]
    more: Mapping[str, tuple[str | None, str | None]]
    """Of a bundle: treatment and shelf."""
    sources: Mapping[str, tuple[Source, ...]]
    names: Mapping[str, Named]


def read_bundles(connection: Connection, asked: Collection[str]) -> Bundles:
    """Return the bundles `asked`, and what their wood is."""
    parents = read_parents(connection, asked)
    found = rows(connection, WOOD, {*asked, *(each for gave in parents.values() for each in gave)})
    bundles = {row[0]: make_bundle(row) for row in found}
    own = {row[0]: _own(bundles[row[0]], row[11:]) for row in found}
    mixed = mixed_from(bundles, parents, bundles.keys(), lambda each: own[each.bundle])
    sources = {
        code: tuple(
            sorted(
                (each for each in gave if gave[each] > 0),
                key=lambda each: (-gave[each], each.collection or ""),
            )
        )
        for code, gave in mixed.items()
    }
    written = {each.cultivar for gave in sources.values() for each in gave if each.cultivar}
    return Bundles(
        bundles,
        {row[0]: row[9:11] for row in found},
        sources,
        read_named(connection, written),
    )


def _own(bundle: Bundle, cut: tuple[Any, ...]) -> Source:
    tree, limb, date, cutter, cultivar, rank = cut
    if bundle.collection is not None:
        return Source(tree, limb, bundle.collection, as_day(date), cutter, cultivar, rank)
    return Source(cultivar=bundle.claimed, received_from=bundle.received_from)


def read_wood(connection: Connection, asked: Collection[str]) -> dict[str, WoodBook]:
    """Return the bundles `asked` as their labels need them."""
    read = read_bundles(connection, asked)
    books = {}
    for code in asked:
        if (bundle := read.bundles.get(code)) is None:
            continue
        treatment, shelf = read.more[code]
        books[code] = WoodBook(
            code=code,
            is_bundle=True,
            sources=read.sources[code],
            cultivars=_cultivars(read.sources[code], read.names),
            sticks=bundle.sticks,
            count=bundle.counting,
            treatment=treatment,
            packed=bundle.packed,
            packer=bundle.packer,
            store=bundle.store,
            shelf=shelf,
        )
    return books


def read_lots(connection: Connection, asked: Collection[str]) -> dict[str, LotBook]:
    """Return the graft lots `asked`."""
    found = rows(connection, LOTS, asked)
    read = read_bundles(connection, {row[1] for row in found})
    stocks = read_rootstocks(connection, {row[11] for row in found if row[11]})
    books = {}
    for lot, bundle, date, *rest, rootstock in found:
        grafter, method, grafts, block, row, first, last, regraft_of = rest
        books[lot] = LotBook(
            code=lot,
            sources=read.sources[bundle],
            cultivars=_cultivars(read.sources[bundle], read.names),
            bundle=bundle,
            date=as_day(date),
            grafter=grafter,
            method=method,
            grafts=grafts,
            block=block,
            row=row,
            first=first,
            last=last,
            regraft_of=regraft_of,
            rootstock=stocks.get(rootstock),
        )
    return books


def read_rootstocks(connection: Connection, asked: Collection[str]) -> dict[str, StockBook]:
    """Return the rootstock lots `asked`."""
    return {
        lot: StockBook(code=lot, received=as_day(received), **dict(zip(_STOCK, rest, strict=True)))
        for lot, *rest, received in rows(connection, ROOTSTOCKS, asked)
    }


_STOCK = ("species", "clone", "seed_parent", "supplier")


def read_stores(connection: Connection, asked: Collection[str]) -> dict[str, StoreBook]:
    """Return the stores `asked`."""
    return {
        store: StoreBook(code=store, kind=kind) for store, kind in rows(connection, STORES, asked)
    }


def read_sent(connection: Connection, asked: Collection[str]) -> dict[str, list[Sent]]:
    """Return the lines of the dispatches `asked`."""
    found: dict[str, list[Sent]] = {}
    for row in rows(connection, SENT, asked):
        found.setdefault(row[0], []).append(Sent(*row))
    return found


def read_alive(connection: Connection, lots: Collection[str]) -> dict[str, int]:
    """Return how many trees of graft lots grew from the scion when they were counted last."""
    found = rows(connection, ALIVE, lots)
    last: dict[str, tuple[dt.date, int]] = {}
    for lot, date, pushing in found:
        day = as_day(date)
        assert day is not None
        last[lot] = max(last.get(lot, (day, pushing)), (day, pushing))
    return {lot: alive for lot, (_, alive) in last.items()}


def read_named(connection: Connection, written: set[str]) -> dict[str, Named]:
    """Return the cultivar that each written name stands for; an unknown one stands as written."""
    names = resolve_names(connection, written)
    known = {row[0]: Named(*row) for row in rows(connection, CULTIVARS, set(names.values()))}
    return {name: known.get(meant, Named(meant)) for name, meant in names.items()}


def _cultivars(sources: Iterable[Source], names: Mapping[str, Named]) -> tuple[Named, ...]:
    return tuple(dict.fromkeys(names[each.cultivar] for each in sources if each.cultivar))
