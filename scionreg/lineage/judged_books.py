"""What judging trees, wood and lots needs besides their chain: rights, permissions, holds."""

import datetime as dt
import json
from collections.abc import Iterable
from typing import NamedTuple

from sqlalchemy import Connection

from scionreg.lineage.graph import Query, as_day, as_moment, day_of, rows
from scionreg.records.cells import expand_positions

RIGHTS = Query("SELECT cultivar, species, rights, rights_until, licence_no FROM cultivars")
PERMISSIONS = Query(
    "SELECT permission, host, tree, block, valid_from, valid_until, most_sticks, notice_days "
    "FROM permissions ORDER BY id"
)
GROUND = Query("SELECT tree, block, location_private, planted_in FROM mother_trees")
RENAMED = Query(
    "SELECT v.key, v.content, j.time FROM versions v JOIN journal j ON j.seq = v.ended "
    "WHERE v.kind = 'mother_trees' ORDER BY v.id"
)
HOLDS = Query("SELECT item, positions, date, event, detail FROM holds ORDER BY id")


class Right(NamedTuple):
    """A cultivar with the right that is claimed to it."""

    cultivar: str
    species: str
    rights: str | None
    until: dt.date | None
    licence: str | None


class Permit(NamedTuple):
    """What the owner of a tree or block allows."""

    permission: str
    host: str
    tree: str | None
    block: str | None
    since: dt.date | None
    until: dt.date | None
    most_sticks: int | None
    notice_days: int | None


class Ground(NamedTuple):
    """Where a tree stands, as far as judging it needs that."""

    tree: str
    block: str | None
    private: bool
    planted_in: str | None


class Held(NamedTuple):
    """A hold in force on a cutting, graft lot, tree in a row, or dispatch.

    `positions` are the only ones of the lot that it is on; None means all of it.
    """

    item: str
    positions: frozenset[int] | None
    since: dt.date | None
    detail: str | None


def read_rights(connection: Connection) -> dict[str, Right]:
    """Return every cultivar's rights, by its name."""
    return {
        row[0]: Right(row[0], row[1], row[2], as_day(row[3]), row[4])
        for row in rows(connection, RIGHTS, ())
    }


def read_permits(connection: Connection) -> list[Permit]:
    """Return every permission, in the order they came in."""
    return [
        Permit(code, host, tree, block, as_day(since), as_day(until), sticks, notice)
        for code, host, tree, block, since, until, sticks, notice in rows(
            connection, PERMISSIONS, ()
        )
    ]


def read_ground(connection: Connection) -> dict[str, Ground]:
    """Return where every mother tree stands."""
    return {
        tree: Ground(tree, block, bool(private), planted_in)
        for tree, block, private, planted_in in rows(connection, GROUND, ())
    }


def read_renamed(
    connection: Connection, cultivars: dict[str, str], zone: dt.tzinfo
) -> dict[str, dt.date]:
    """Return of trees whose name was corrected the last day of that; `cultivars` are today's."""
    found: dict[str, dt.date] = {}
    for tree, content, time in rows(connection, RENAMED, ()):
        before = json.loads(content).get("cultivar")
        day = day_of(as_moment(time), zone)
        if tree in cultivars and before != cultivars[tree] and day is not None:
            found[tree] = max(day, found.get(tree, day))
    return found


def read_holds(connection: Connection, on: dt.date) -> dict[str, list[Held]]:
    """Return the holds in force on a day, by the code of the cutting, lot or dispatch.

    A release ends the holds on the same positions, or where it names none, on all of them.
    """
    events: dict[str, list[tuple[dt.date | None, str, frozenset[int] | None, str | None]]] = {}
    for item, positions, date, event, detail in rows(connection, HOLDS, ()):
        lot, _, place = item.partition("/")
        single = [int(place)] if place else []
        named = frozenset(expand_positions(positions) if positions else single)
        events.setdefault(lot, []).append((as_day(date), event, named or None, detail))
    found = {lot: list(_in_force(lot, each, on)) for lot, each in events.items()}
    return {lot: each for lot, each in found.items() if each}


def _in_force(
    lot: str,
    events: list[tuple[dt.date | None, str, frozenset[int] | None, str | None]],
    on: dt.date,
) -> Iterable[Held]:
    holds: list[Held] = []
    for date, event, positions, detail in sorted(
        events, key=lambda each: (each[0] or dt.date.min, each[1] == "released")
    ):
        if date is not None and date > on:
            continue
        if event == "hold":
            holds.append(Held(lot, positions, date, detail))
        elif positions is None:
            holds = []
        else:
            holds = [held for each in holds for held in _less(each, positions)]
    return holds


def _less(held: Held, released: frozenset[int]) -> Iterable[Held]:
    """Yield what is left of a hold after some positions are released."""
    if held.positions is None:
        yield held  # of the whole lot: a release of some trees leaves the rest held
    elif held.positions - released:
        yield held._replace(positions=held.positions - released)


SPOKEN_TREES = Query(
    "SELECT tree FROM tree_events WHERE event IN "
    "('hold', 'notice', 'died', 'topworked', 'regrew_below_union') "
    "UNION SELECT tree FROM mother_trees WHERE kind = 'increase' OR status IN ('dead', 'retired') "
    "UNION SELECT tree FROM permissions WHERE tree IS NOT NULL "
    "UNION SELECT t.tree FROM mother_trees t JOIN permissions p ON p.block = t.block "
    "UNION SELECT t.tree FROM identity_checks c JOIN mother_trees t ON t.tree = c.item "
    "WHERE c.off > 0"
)
OFF = Query("SELECT item FROM identity_checks WHERE off > 0")
OF_TREES = Query("SELECT collection FROM collections WHERE tree IN {codes}")
OF_LOTS = Query(
    "SELECT b.bundle, b.collection FROM graft_lots g JOIN bundles b ON b.bundle = g.bundle "
    "WHERE g.graft_lot IN {codes}"
)
OF_COLLECTIONS = Query("SELECT bundle FROM bundles WHERE collection IN {codes}")
SPOKEN_BUNDLES = Query(
    "SELECT bundle FROM bundle_log WHERE event = 'hold' OR condition IN ('mould', 'dead') "
    "OR (event = 'discarded' AND sticks IS NULL) OR (event = 'checked' AND sticks = 0) "
    "UNION SELECT b.bundle FROM bundles b WHERE b.collection IS NULL AND b.received_from IS NULL "
    "AND NOT EXISTS (SELECT 1 FROM bundle_parents p WHERE p.bundle = b.bundle)"
)
TIED_FROM = Query("SELECT bundle FROM bundle_parents WHERE parent IN {codes}")
GRAFTED_FROM = Query("SELECT graft_lot FROM graft_lots WHERE bundle IN {codes}")


class SpokenOf(NamedTuple):
    """What anything that is recorded may speak against, on some day; the rest nothing does.

    A quick look at a whole registry, so that only these need be judged use by use.
    """

    collections: frozenset[str]
    bundles: frozenset[str]
    lots: frozenset[str]
    dispatches: frozenset[str]


def read_spoken_of(connection: Connection, from_increase: Iterable[str]) -> SpokenOf:
    """Return what something may speak against; `from_increase` are trees of temporary sources."""

    def found(query: Query, codes: Iterable[str] = ()) -> set[str]:
        return {row[0] for row in rows(connection, query, codes)}

    named = {item.partition("/")[0] for item in found(OFF)}
    held = {row[0].partition("/")[0] for row in rows(connection, HOLDS, ())}
    trees = found(SPOKEN_TREES) | set(from_increase)
    collections = found(OF_TREES, trees) | named
    bundles = found(SPOKEN_BUNDLES) | named
    for bundle, collection in rows(connection, OF_LOTS, named):
        bundles.add(bundle)
        if collection is not None:
            collections.add(collection)
    new = bundles | found(OF_COLLECTIONS, collections)
    while new:
        bundles |= new
        new = found(TIED_FROM, new) - bundles
    return SpokenOf(
        collections=frozenset(held),
        bundles=frozenset(bundles),
        lots=frozenset(found(GRAFTED_FROM, bundles) | named | held),
        dispatches=frozenset(named | held),
    )
