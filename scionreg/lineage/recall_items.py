"""What may be recalled, and the wood that it stands for."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field

from sqlalchemy import Connection

from scionreg.lineage.chain import read_log
from scionreg.lineage.graph import (
    TREES,
    WOOD,
    Query,
    as_day,
    find_kind,
    make_bundle,
    not_found,
    read_lots,
    rows,
    split_position,
)
from scionreg.lineage.presence import Since, presences, since_of
from scionreg.lineage.standing import now_at, regrafts_among
from scionreg.lineage.stays import read_lasting
from scionreg.records.cells import noun
from scionreg.records.errors import NotFoundError, RegistryError

Bounds = tuple[float, float]
"""The least and the largest share of some wood that may have come from what is recalled."""

NONE: Bounds = (0.0, 0.0)
MAYBE: Bounds = (0.0, 1.0)
ALL: Bounds = (1.0, 1.0)


@dataclass(frozen=True, slots=True)
class OfCode:
    """What a code names: a mother tree (or one limb), bundle, graft lot, lot/position and so on."""

    code: str
    limb: str | None = None

    def __str__(self) -> str:
        return f"{self.code} limb {self.limb}" if self.limb else self.code


@dataclass(frozen=True, slots=True)
class OfStore:
    """Wood that was in a store at any time from `start` to `end`, both days included.

    None leaves that end of the period open.
    """

    store: str
    start: dt.date | None = None
    end: dt.date | None = None

    def __post_init__(self) -> None:
        """Raise `RegistryError` for a period that ends before it begins."""
        if self.start is not None and self.end is not None and self.end < self.start:
            raise RegistryError(f"the period ends on {self.end}, before it begins on {self.start}")

    def __str__(self) -> str:
        return f"{self.store} {self.start or ''}..{self.end or ''}"


@dataclass(frozen=True, slots=True)
class OfCutter:
    """Wood that a person cut, on one day or (None) ever."""

    person: str
    day: dt.date | None = None

    def __str__(self) -> str:
        return f"cut by {self.person}" + (f" on {self.day}" if self.day else "")


@dataclass(frozen=True, slots=True)
class OfGrafter:
    """Grafts that a person made, on one day or (None) ever."""

    person: str
    day: dt.date | None = None

    def __str__(self) -> str:
        return f"grafted by {self.person}" + (f" on {self.day}" if self.day else "")


Item = OfCode | OfStore | OfCutter | OfGrafter


@dataclass(slots=True)
class Seeds:
    """The wood that a recall starts from."""

    trees: dict[str, set[str] | None] = field(default_factory=dict)
    """Trees, with the limbs meant; None for the whole tree."""
    collections: dict[str, Bounds] = field(default_factory=dict)
    bundles: set[str] = field(default_factory=set)
    since: dict[str, Since] = field(default_factory=dict)
    """Bundles whose wood counts from a day on."""
    lots: dict[str, Bounds] = field(default_factory=dict)
    positions: dict[str, set[int]] = field(default_factory=dict)
    """Graft lots of which single positions are meant."""
    dispatches: set[str] = field(default_factory=set)

    def add_tree(self, tree: str, limb: str | None) -> None:
        """Add a tree or a limb of it; the whole tree holds all its limbs."""
        if limb is None:
            self.trees[tree] = None
        elif (limbs := self.trees.setdefault(tree, set())) is not None:
            limbs.add(limb)


def gather(connection: Connection, items: Sequence[Item]) -> Seeds:
    """Return the wood that `items` stand for, checking that what they name is recorded."""
    seeds = Seeds()
    for item in items:
        match item:
            case OfCode():
                _add_code(connection, seeds, item)
            case OfStore():
                _add_store(connection, seeds, item)
            case OfCutter():
                _add_cutter(connection, seeds, item)
            case OfGrafter():
                _add_grafter(connection, seeds, item)
    return seeds


CHECKED_ITEM = Query('SELECT item, limb FROM identity_checks WHERE "check" IN {codes}')


def _add_code(connection: Connection, seeds: Seeds, item: OfCode) -> None:
    code, limb = item.code, item.limb
    kind = find_kind(connection, code)
    if limb is not None and kind != "mother_trees":
        raise RegistryError(f"'{code}' is a {noun(kind)}; only mother trees have limbs")
    match kind:
        case "mother_trees":
            if limb is not None:
                _know_limb(connection, code, limb)
            seeds.add_tree(code, limb)
        case "collections":
            seeds.collections[code] = ALL
        case "bundles":
            seeds.bundles.add(code)
        case "graft_lots":
            _add_lot(connection, seeds, code)
        case "dispatches":
            seeds.dispatches.add(code)
        case "identity_checks":
            (checked,) = rows(connection, CHECKED_ITEM, [code])
            of_tree = bool(rows(connection, TREES, [checked[0]]))
            _add_code(connection, seeds, OfCode(checked[0], checked[1] if of_tree else None))
        case "stores":
            _add_store(connection, seeds, OfStore(code))
        case _:
            raise RegistryError(
                f"'{code}' is a {noun(kind)}, which no wood comes from; name a tree, "
                "collection, bundle, graft lot, dispatch, store or identity check"
            )


LIMBS = Query(
    "SELECT limb FROM collections WHERE tree IN {codes} "
    "UNION SELECT limb FROM tree_events WHERE tree IN {codes} "
    "UNION SELECT limb FROM identity_checks WHERE item IN {codes}"
)


def _know_limb(connection: Connection, tree: str, limb: str) -> None:
    """Raise `NotFoundError` for a limb that no cutting, event or look at the tree names."""
    known = sorted(row[0] for row in rows(connection, LIMBS, [tree]) if row[0])
    if limb not in known:
        offer = f"its limbs are {', '.join(known)}" if known else "recall the whole tree"
        raise NotFoundError(f"no limb '{limb}' of {tree} is recorded; {offer}")


def _add_lot(connection: Connection, seeds: Seeds, code: str) -> None:
    asked, position = split_position(code)
    if position is None:
        seeds.lots[asked] = ALL
        return
    lots = read_lots(connection, [asked])
    lot, _ = now_at(lots[asked], regrafts_among(lots.values()), position)
    seeds.positions.setdefault(lot.graft_lot, set()).add(position)


KNOWN_STORE = Query("SELECT store FROM stores WHERE store IN {codes}")
KNOWN_PERSON = Query("SELECT person FROM people WHERE person IN {codes}")
PUT_INTO = Query(
    "SELECT bundle FROM bundles WHERE store IN {codes} "
    "UNION SELECT bundle FROM bundle_log WHERE store IN {codes}"
)
CUT_BY = Query("SELECT collection, date FROM collections WHERE cutter IN {codes}")
GRAFTED_BY = Query("SELECT graft_lot, date FROM graft_lots WHERE grafter IN {codes}")


def _add_store(connection: Connection, seeds: Seeds, item: OfStore) -> None:
    if not rows(connection, KNOWN_STORE, [item.store]):
        raise not_found(connection, item.store)
    put = [row[0] for row in rows(connection, PUT_INTO, [item.store])]
    log, bundles, cut = read_log(connection, put), {}, {}
    for row in rows(connection, WOOD, put):
        bundles[row[0]], cut[row[0]] = make_bundle(row[:9]), as_day(row[12])
    for code, lasted in read_lasting(connection, bundles, log).items():
        there = presences(bundles[code], log.get(code, ()), lasted, cut[code])
        since = since_of(there, item.store, item.start, item.end)
        if since is not None:
            seeds.since[code] = since.or_else(seeds.since.get(code))


def _add_cutter(connection: Connection, seeds: Seeds, item: OfCutter) -> None:
    if not rows(connection, KNOWN_PERSON, [item.person]):
        raise not_found(connection, item.person)
    for collection, date in rows(connection, CUT_BY, [item.person]):
        bounds = _on_day(as_day(date), item.day)
        if bounds != NONE:
            seeds.collections[collection] = max(bounds, seeds.collections.get(collection, NONE))


def _add_grafter(connection: Connection, seeds: Seeds, item: OfGrafter) -> None:
    if not rows(connection, KNOWN_PERSON, [item.person]):
        raise not_found(connection, item.person)
    for lot, date in rows(connection, GRAFTED_BY, [item.person]):
        bounds = _on_day(as_day(date), item.day)
        if bounds != NONE:
            seeds.lots[lot] = max(bounds, seeds.lots.get(lot, NONE))


def _on_day(done: dt.date | None, asked: dt.date | None) -> Bounds:
    """Return whether something was done on the day asked for; an unknown day may have been it."""
    if asked is None or done == asked:
        return ALL
    return MAYBE if done is None else NONE
