"""Mother trees as their identity is judged: events, looks, cuttings, what came of their wood."""

import datetime as dt
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from sqlalchemy import Connection

from scionreg.lineage.chain import resolve_names
from scionreg.lineage.descent import NEARLY
from scionreg.lineage.graph import Query, as_day, not_found, rows
from scionreg.lineage.recall import recall
from scionreg.lineage.recall_items import OfCode
from scionreg.lineage.stops import Happening
from scionreg.lineage.trace import trace
from scionreg.records.errors import RegistryError
from scionreg.records.vocabulary import TreeEventKind
from scionreg.records.words import Sentence

TREES = Query(
    "SELECT tree, cultivar, kind, planted, status, received_from, graft_lot, graft_position "
    "FROM mother_trees ORDER BY id"
)
EVENTS = Query("SELECT tree, date, event, limb, detail FROM tree_events ORDER BY id")
CUTS = Query("SELECT collection, tree, limb, date, sticks FROM collections ORDER BY id")
CHECKS = Query(
    'SELECT "check", item, limb, date, method, checked, off, found FROM identity_checks '
    "WHERE checked > 0 ORDER BY id"
)
CUT_FROM = Query("SELECT collection FROM collections WHERE tree IN {codes}")
LINES = Query("SELECT dispatch, graft_lot FROM dispatches")


class Check(NamedTuple):
    """A look at a tree, or at what came of its wood; `found` is what the off ones are."""

    check: str
    item: str
    limb: str | None
    date: dt.date | None
    method: str
    checked: int
    off: int
    found: str | None


class Cut(NamedTuple):
    """A collection cut from a tree."""

    collection: str
    limb: str | None
    date: dt.date | None
    sticks: int


class WoodCheck(NamedTuple):
    """A look at something all of whose wood came from one tree, by the `collections` named.

    `true_before`: it is of trees sent, whose lot was looked at in the row and was true.
    """

    check: Check
    collections: tuple[str, ...]
    true_before: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeBook:
    """What is recorded of one mother tree.

    `cultivar` is the name that the written one stands for. `origin` says where the tree came from,
    None where nobody recorded it. `wood` are the looks at what was made of its wood alone.
    """

    tree: str
    cultivar: str
    kind: str | None
    planted: dt.date | None
    status: str | None
    origin: str | None
    events: tuple[Happening, ...] = ()
    checks: tuple[Check, ...] = ()
    cuts: tuple[Cut, ...] = ()
    wood: tuple[WoodCheck, ...] = ()


def planted_on(book: TreeBook, on: dt.date) -> dt.date | None:
    """Return the day that what stands there on a day was planted: the last replanting counts."""
    days = [
        event.date
        for event in book.events
        if event.event == TreeEventKind.REPLANTED
        and event.limb is None
        and event.date is not None
        and event.date <= on
    ]
    return max([*days, *([book.planted] if book.planted else [])], default=None)


def read_tree_books(
    connection: Connection, trees: Collection[str] = (), *, clean_too: bool = False
) -> list[TreeBook]:
    """Return the books of mother trees, of all where none is named, in the order they came in.

    `clean_too`: looks at their wood that found nothing off are read as well.

    Raises
    ------
    NotFoundError
        One of the trees is not recorded.
    """
    recorded = rows(connection, TREES, ())
    for code in trees:
        if code not in {row[0] for row in recorded}:
            raise not_found(connection, code)
    found = rows(connection, CHECKS, ())
    names = resolve_names(connection, {r[1] for r in recorded} | {r[7] for r in found if r[7]})
    checks = [_check(row, names) for row in found]
    events = _by(0, rows(connection, EVENTS, ()))
    cuts = _by(1, rows(connection, CUTS, ()))
    own: dict[str, list[Check]] = {}
    for each in checks:
        own.setdefault(each.item, []).append(each)
    every = {row[0] for row in recorded}
    concerned = [each for each in checks if each.item not in every and (each.off or clean_too)]
    if trees:
        below = _below(connection, trees)
        concerned = [each for each in concerned if each.item.partition("/")[0] in below]
    wood = _of_wood(connection, concerned, _true_in_the_row(connection, checks))
    return [
        TreeBook(
            tree=row[0],
            cultivar=names[row[1]],
            kind=row[2],
            planted=as_day(row[3]),
            status=row[4],
            origin=_origin(row[5], row[6], row[7]),
            events=tuple(Happening(e[0], as_day(e[1]), *e[2:]) for e in events.get(row[0], ())),
            checks=tuple(own.get(row[0], ())),
            cuts=tuple(Cut(c[0], c[2], as_day(c[3]), c[4]) for c in cuts.get(row[0], ())),
            wood=tuple(wood.get(row[0], ())),
        )
        for row in recorded
        if not trees or row[0] in trees
    ]


def _by(column: int, found: Iterable[tuple[Any, ...]]) -> dict[str, list[tuple[Any, ...]]]:
    grouped: dict[str, list[tuple[Any, ...]]] = {}
    for row in found:
        grouped.setdefault(str(row[column]), []).append(row)
    return grouped


def _check(row: tuple[Any, ...], names: Mapping[str, str]) -> Check:
    check, item, limb, date, method, checked, off, found = row
    what = names.get(str(found), str(found)) if found else None
    return Check(check, item, limb, as_day(date), method, checked, off, what)


def _origin(received_from: str | None, lot: str | None, position: int | None) -> Sentence | None:
    if lot is not None:
        return Sentence("tree.grown_from", lot=f"{lot}/{position}" if position else lot)
    return Sentence("tree.received_from", giver=received_from) if received_from else None


def _below(connection: Connection, trees: Iterable[str]) -> set[str]:
    """Return what may hold wood of some trees: collections, bundles, graft lots, dispatches."""
    found = recall(connection, [OfCode(tree) for tree in trees])
    below = {row[0] for row in rows(connection, CUT_FROM, trees)}
    below |= {each.bundle for each in found.bundles} | {each.graft_lot for each in found.graft_lots}
    return below | {each.dispatch for each in found.dispatches}


def _of_wood(
    connection: Connection, checks: Iterable[Check], true: Collection[str]
) -> dict[str, list[WoodCheck]]:
    """Return those looks that are at things made of one tree's wood alone, by tree."""
    found: dict[str, list[WoodCheck]] = {}
    for check in checks:
        tree, collections = _one_source(connection, check.item)
        if tree is not None:
            told = WoodCheck(check, collections, check.item in true)
            found.setdefault(tree, []).append(told)
    return found


def _one_source(connection: Connection, item: str) -> tuple[str | None, tuple[str, ...]]:
    """Return the tree that all wood of something came from, if one, and its collections."""
    try:
        sources = [each for each in trace(connection, item).sources if each.generation == 1]
    except RegistryError:
        return None, ()  # a position that is not there, or records that run in a circle
    if len({each.tree for each in sources}) != 1 or sum(each.share for each in sources) < NEARLY:
        return None, ()
    return sources[0].tree, tuple(each.collection for each in sources if each.collection)


def _true_in_the_row(connection: Connection, checks: Sequence[Check]) -> set[str]:
    """Return the dispatches whose lots were all looked at themselves, and none was off."""
    looked = {check.item.partition("/")[0] for check in checks}
    off = {check.item.partition("/")[0] for check in checks if check.off}
    lots: dict[str, set[str]] = {}
    for dispatch, lot in rows(connection, LINES, ()):
        lots.setdefault(dispatch, set()).add(lot)
    return {dispatch for dispatch, sent in lots.items() if sent <= looked - off}
