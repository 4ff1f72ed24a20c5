"""Mother trees as a cutting plan sees them: what they are, what was cut, what stops them."""

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, NamedTuple

from sqlalchemy import Connection

from scionreg.lineage.chain import resolve_names
from scionreg.lineage.graph import Query, as_day, rows
from scionreg.lineage.stops import Happening, in_force
from scionreg.records.vocabulary import Counting, TreeEventKind
from scionreg.registry.settings import Settings

TREES = Query(
    "SELECT tree, cultivar, kind, planted, status, sticks_per_year, "
    "CASE WHEN location_private THEN NULL ELSE block END, "
    "CASE WHEN location_private THEN NULL ELSE row END, "
    "CASE WHEN location_private THEN NULL ELSE position END FROM mother_trees ORDER BY id"
)
CULTIVARS = Query("SELECT cultivar, species, rights, rights_until, licence_no FROM cultivars")
CUTS = Query(
    "SELECT tree, date, sticks, count, share_cut, in_leaf, shoot_length_cm FROM collections "
    "ORDER BY id"
)
EVENTS = Query(
    "SELECT tree, date, event, limb, detail FROM tree_events "
    "WHERE event IN ('hold', 'notice', 'released', 'replanted') ORDER BY id"
)

FROM_INCREASE = Query(
    "WITH RECURSIVE wood (bundle, source) AS ("
    "SELECT b.bundle, c.tree FROM bundles b JOIN collections c ON c.collection = b.collection "
    "JOIN mother_trees t ON t.tree = c.tree WHERE t.kind = 'increase' "
    "UNION SELECT p.bundle, w.source FROM bundle_parents p JOIN wood w ON p.parent = w.bundle) "
    "SELECT t.tree, MIN(w.source) FROM wood w JOIN graft_lots g ON g.bundle = w.bundle "
    "JOIN mother_trees t ON t.graft_lot = g.graft_lot GROUP BY t.tree"
)


class CutMade(NamedTuple):
    """One cutting of a tree; `season` None where its day is unknown."""

    season: int | None
    sticks: int
    share: float | None
    counted: bool
    in_leaf: bool
    shoot_length_cm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CutBook:
    """What is recorded of one mother tree; `cultivar` is the name that the written one stands for.

    Where another tree was planted in its place, `planted` is that day, and `cuts` are those since.
    `stopped` are the holds and notices in force, with the limb each is about (None: the tree).
    `at` is its block, row and position, nothing where that is private.
    """

    tree: str
    cultivar: str
    species: str
    kind: str | None
    planted: dt.date | None
    status: str | None
    sticks_per_year: int | None
    rights: str | None
    rights_until: dt.date | None
    licence: str | None
    cuts: tuple[CutMade, ...]
    stopped: tuple[tuple[str | None, str], ...]
    at: tuple[str | None, int | None, int | None] = (None, None, None)


def read_cut_books(connection: Connection, settings: Settings) -> list[CutBook]:
    """Return the books of every mother tree, in the order they came in."""
    recorded = rows(connection, TREES, ())
    names = resolve_names(connection, {row[1] for row in recorded})
    named = {row[0]: row[1:] for row in rows(connection, CULTIVARS, ())}
    cuts: dict[str, list[tuple[dt.date | None, CutMade]]] = {}
    for tree, *rest in rows(connection, CUTS, ()):
        cuts.setdefault(tree, []).append((as_day(rest[0]), _cut(rest, settings)))
    events: dict[str, list[Happening]] = {}
    for tree, date, *rest in rows(connection, EVENTS, ()):
        events.setdefault(tree, []).append(Happening(tree, as_day(date), *rest))
    found = []
    for tree, written, kind, planted, status, expected, *at in recorded:
        cultivar = names.get(written, written)
        species, rights, until, licence = named.get(cultivar, ("", None, None, None))
        replanted = _replanted(events.get(tree, ()), settings.today())
        days = [day for day in (as_day(planted), replanted) if day is not None]
        found.append(
            CutBook(
                tree=tree,
                cultivar=cultivar,
                species=species,
                kind=kind,
                planted=max(days, default=None),
                status=status,
                sticks_per_year=expected,
                rights=rights,
                rights_until=as_day(until),
                licence=licence,
                cuts=tuple(
                    cut
                    for day, cut in cuts.get(tree, ())
                    if replanted is None or (day is not None and day >= replanted)
                ),
                stopped=tuple((limb, says) for limb, says, _ in in_force(events.get(tree, ()))),
                at=(at[0], at[1], at[2]),
            )
        )
    return found


def _replanted(events: Iterable[Happening], today: dt.date) -> dt.date | None:
    """Return the last day that another tree was planted in a tree's place."""
    days = (
        each.date
        for each in events
        if each.event == TreeEventKind.REPLANTED and each.limb is None and each.date is not None
    )
    return max((day for day in days if day <= today), default=None)


def grown_from_increase(connection: Connection) -> dict[str, str]:
    """Return of each mother tree grown from a temporary source's wood which source that was."""
    return dict(rows(connection, FROM_INCREASE, ()))


def _cut(row: list[Any], settings: Settings) -> CutMade:
    date, sticks, count, share, in_leaf, length = row
    day = as_day(date)
    return CutMade(
        season=settings.season(day) if day else None,
        sticks=sticks,
        share=share,
        counted=count == Counting.COUNTED,
        in_leaf=bool(in_leaf),
        shoot_length_cm=length,
    )
