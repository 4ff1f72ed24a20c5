"""The bundles and cuttings that a balance adds up, each with where its wood belongs."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection

from scionreg.lineage.chain import resolve_names
from scionreg.lineage.graph import (
    BUNDLE_COLUMNS,
    Bundle,
    Parents,
    Query,
    as_day,
    make_bundle,
    rows,
    sources_first,
)
from scionreg.lineage.sticks import Flow, read_flows
from scionreg.registry.settings import Settings


@dataclass(slots=True)
class Held:
    """One bundle: what it held, what left it, and where its wood belongs."""

    bundle: Bundle
    flow: Flow
    given: float | None
    """Sticks that its parent bundles gave; None where it has none."""
    home: str | None = None
    season: int | None = None


@dataclass(slots=True)
class Cut:
    """One collection, with the sticks tied from it (None: none were) and where it belongs."""

    collection: str
    sticks: int
    count: str | None
    tied: float | None
    home: str | None
    season: int | None


@dataclass(slots=True)
class Holdings:
    """All that one balance is about."""

    scope: str
    bundles: dict[str, Held] = field(default_factory=dict)
    cuttings: list[Cut] = field(default_factory=list)
    passed: list[tuple[str, str, int]] = field(default_factory=list)
    """Sticks from bundle to bundle: child, parent, sticks."""


_CUT = (
    "SELECT c.collection, c.tree, t.cultivar, c.date, c.sticks, c.count, "
    "(SELECT sum(b.sticks) FROM bundles b WHERE b.collection = c.collection), "
    "(SELECT min(b.packed) FROM bundles b WHERE b.collection = c.collection) "
    "FROM collections c JOIN mother_trees t ON t.tree = c.tree "
)
CUTTINGS = {
    "collection": Query(f"{_CUT}WHERE c.collection IN {{codes}}"),
    "tree": Query(f"{_CUT}WHERE c.tree IN {{codes}}"),
}
ALL_CUTTINGS = Query(_CUT)
CUTTINGS_OF_BUNDLES = Query(
    f"{_CUT}WHERE c.collection IN (SELECT collection FROM bundles WHERE bundle IN {{codes}})"
)
BUNDLES = Query(f"SELECT {BUNDLE_COLUMNS} FROM bundles b WHERE b.bundle IN {{codes}}")
ALL_BUNDLES = Query(f"SELECT {BUNDLE_COLUMNS} FROM bundles b")
TIED_FROM = {
    by: Query(
        f"WITH RECURSIVE down (bundle) AS (SELECT bundle FROM bundles WHERE {by} IN {{codes}} "
        "UNION SELECT p.bundle FROM down JOIN bundle_parents p ON p.parent = down.bundle) "
        "SELECT bundle FROM down"
    )
    for by in ("collection", "bundle")
}
"""Bundles of collections, or bundles, and all tied from them."""
PASSED = Query(
    "SELECT bundle, parent, sticks FROM bundle_parents WHERE bundle IN {codes} "
    "UNION SELECT bundle, parent, sticks FROM bundle_parents WHERE parent IN {codes}"
)
ALL_PASSED = Query("SELECT bundle, parent, sticks FROM bundle_parents")


def read_holdings(
    connection: Connection, scope: str, wanted: Sequence[str] | None, settings: Settings
) -> Holdings:
    """Return bundles and cuttings for a balance by `scope`; `settings` tell seasons apart.

    For single bundles, collections or trees only what they touch is read.
    """
    found = Holdings(scope)
    asked: Iterable[str] | None = None
    if wanted is not None and scope in CUTTINGS:
        cuttings = rows(connection, CUTTINGS[scope], wanted)
        asked = {
            row[0]
            for row in rows(connection, TIED_FROM["collection"], [cut[0] for cut in cuttings])
        }
    elif wanted is not None and scope == "bundle":
        cuttings, asked = rows(connection, CUTTINGS_OF_BUNDLES, wanted), wanted
    else:
        cuttings = rows(connection, ALL_CUTTINGS, ())
    found.passed = _read(connection, ALL_PASSED, PASSED, asked)
    bundles = [make_bundle(row) for row in _read(connection, ALL_BUNDLES, BUNDLES, asked)]
    names = _names(connection, cuttings, bundles) if scope == "cultivar" else {}
    places = [_place(scope, row, names, settings) for row in cuttings]
    found.cuttings = places
    flows = read_flows(connection, asked)
    _place_bundles(found, bundles, flows, names, settings)
    return found


def _read(
    connection: Connection, every: Query, some: Query, asked: Iterable[str] | None
) -> list[tuple[Any, ...]]:
    return rows(connection, every, ()) if asked is None else rows(connection, some, asked)


def _names(
    connection: Connection, cuttings: list[tuple[Any, ...]], bundles: list[Bundle]
) -> dict[str, str]:
    written = {row[2] for row in cuttings} | {b.claimed for b in bundles if b.claimed}
    return resolve_names(connection, written) if written else {}


def _place(scope: str, row: tuple[Any, ...], names: dict[str, str], settings: Settings) -> Cut:
    collection, tree, cultivar, date, sticks, count, tied, packed = row
    season = settings.season_of(as_day(date), collection)
    if season is None:  # bundles go where their cutting goes: in the winter they were packed
        season = settings.season_of(as_day(packed), "")
    homes = {
        "collection": collection,
        "tree": tree,
        "cultivar": names.get(cultivar, cultivar),
        "season": None if season is None else str(season),
    }
    return Cut(
        collection=collection,
        sticks=sticks,
        count=count,
        tied=None if tied is None else float(tied),
        home=homes.get(scope),
        season=season,
    )


def _place_bundles(
    found: Holdings,
    bundles: list[Bundle],
    flows: dict[str, Flow],
    names: dict[str, str],
    settings: Settings,
) -> None:
    """Say where each bundle's wood belongs: one place, or (None) several or nobody knows."""
    cuts = {cut.collection: cut for cut in found.cuttings}
    known = {bundle.bundle: bundle for bundle in bundles}
    parents: Parents = {}
    for child, parent, sticks in found.passed:
        if child in known:
            parents.setdefault(child, {})[parent] = sticks
    order = sources_first(known, lambda code: (p for p in parents.get(code, ()) if p in known))
    for code in order:
        bundle, given = known[code], parents.get(code)
        cut = cuts.get(bundle.collection or "")
        held = Held(bundle, flows.get(code) or Flow(), sum(given.values()) if given else None)
        held.season = cut.season if cut is not None else settings.season_of(bundle.packed, code)
        held.home = _home(found, held, cut, given or {}, names)
        found.bundles[code] = held


def _home(
    found: Holdings, held: Held, cut: Cut | None, given: dict[str, int], names: dict[str, str]
) -> str | None:
    bundle = held.bundle
    if found.scope == "bundle":
        return bundle.bundle
    if found.scope == "season":
        return None if held.season is None else str(held.season)
    if not given:
        if found.scope == "cultivar" and bundle.received_from is not None and bundle.claimed:
            return names[bundle.claimed]
        return None if cut is None else cut.home
    homes = {found.bundles[code].home if code in found.bundles else None for code in given}
    return homes.pop() if len(homes) == 1 else None
