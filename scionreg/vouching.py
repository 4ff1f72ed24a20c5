"""Answers about mother trees' identity: records read, marker profiles judged, status told."""

import datetime as dt
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, NamedTuple

from sqlalchemy import Connection

from scionreg.identifying import Known
from scionreg.identity.tree_evidence import Sampled, months_after
from scionreg.identity.tree_status import TreeIdentity, Weights, identity_of
from scionreg.identity.when_cut import WhenCut, when_cut
from scionreg.lineage.chain import resolve_names
from scionreg.lineage.generations import read_generations
from scionreg.lineage.graph import CUTTINGS, Query, as_day, find_kind, rows
from scionreg.lineage.tree_books import read_tree_books
from scionreg.records.cells import noun
from scionreg.records.errors import RegistryError
from scionreg.records.starting_values import IdentityValues, RotationValues, StatusValues
from scionreg.records.vocabulary import CheckMethod, IdentityStatus, SampleFound
from scionreg.registry.settings import Settings, read_settings

if TYPE_CHECKING:
    import pandas as pd


NOT_BY_AN_EVENT = ("tree.held_until", "tree.no_day")
"""What ends a look without anything having happened to the tree: its time, or no day of it."""
SOON = dt.timedelta(days=90)
"""How far ahead what runs out is told, where nobody says a day."""


class RunsOut(NamedTuple):
    """Something about a tree that ends on a day: the look that gives its status, or its age."""

    tree: str
    cultivar: str
    what: str
    day: dt.date

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {**self._asdict(), "day": self.day.isoformat()}


class Ended(NamedTuple):
    """A look at a tree, or a limb, that no longer stands, and what ended it."""

    tree: str
    cultivar: str
    limb: str | None
    check: str
    method: str
    date: dt.date | None
    ended: str

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {**self._asdict(), "date": self.date.isoformat() if self.date else None}


@dataclass(frozen=True, slots=True, kw_only=True)
class Statuses:
    """Mother trees with what is known of their identity, and the collections asked about.

    `generations` says how often the wood of a tree was grafted here, `last_days` until when a
    temporary source of buds may be one by its age, for the trees that are told.
    """

    trees: tuple[TreeIdentity, ...]
    collections: tuple[WhenCut, ...]
    generations: Mapping[str, int] = field(default_factory=dict)
    last_days: Mapping[str, dt.date] = field(default_factory=dict)

    def statuses(self) -> dict[IdentityStatus, int]:
        """Return how many trees there are of each status, the commonest first."""
        return dict(Counter(each.status for each in self.trees).most_common())

    def voided(self) -> list[Ended]:
        """Return the looks that something which happened to the tree has ended."""
        return [
            each
            for tree in self.trees
            for each in _ended(tree)
            if getattr(each.ended, "name", "") not in NOT_BY_AN_EVENT
        ]

    def lapsed(self) -> list[Ended]:
        """Return the last look of each tree whose looks have all run out."""
        return [looks[-1] for tree in self.trees if (looks := _lapsed(tree))]

    def due(self, until: dt.date) -> list[RunsOut]:
        """Return what runs out until a day, the first first; ages that are past too."""
        found = [
            RunsOut(tree.tree, tree.cultivar, "look", tree.until)
            for tree in self.trees
            if tree.until is not None and tree.until <= until and tree.status is tree.rung
        ]
        found += [
            RunsOut(tree.tree, tree.cultivar, "age", self.last_days[tree.tree])
            for tree in self.trees
            if tree.tree in self.last_days and self.last_days[tree.tree] <= until
        ]
        return sorted(found, key=lambda each: (each.day, each.tree))

    def kept(self, trees: Collection[str]) -> "Statuses":
        """Return the same of some trees only."""
        return replace(self, trees=tuple(each for each in self.trees if each.tree in trees))

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "trees": [{**each.to_dict(), **self._more(each.tree)} for each in self.trees],
            "collections": [each.to_dict() for each in self.collections],
            "summary": {status.value: number for status, number in self.statuses().items()},
            "voided": [each.to_dict() for each in self.voided()],
            "lapsed": [each.to_dict() for each in self.lapsed()],
        }

    def _more(self, tree: str) -> dict[str, Any]:
        last = self.last_days.get(tree)
        return {
            "generation": self.generations.get(tree),
            "last_day": last.isoformat() if last else None,
        }

    def to_rows(self) -> list[dict[str, Any]]:
        """Return a flat dictionary a tree and limb, for CSV."""
        return [
            {**row.to_row(), **self._more(tree.tree)}
            for tree in self.trees
            for row in (tree, *tree.limbs)
        ]

    def to_frame(self) -> "pd.DataFrame":
        """Return the rows as a table."""
        import pandas as pd

        return pd.DataFrame(self.to_rows())


def _ended(tree: TreeIdentity) -> list[Ended]:
    """Return the looks at a tree and its limbs that no longer stand, each once."""
    found = [
        Ended(tree.tree, tree.cultivar, each.limb, each.check, each.method, each.date, each.ended)
        for part in (tree, *tree.limbs)
        for each in part.evidence
        if each.ended is not None
    ]
    return list(dict.fromkeys(found))


def _lapsed(tree: TreeIdentity) -> list[Ended]:
    """Return the looks of a tree that ran out, oldest first; none where a look still stands."""
    if any(each.stands and each.method != CheckMethod.PAPER for each in tree.evidence):
        return []
    return [each for each in _ended(tree) if getattr(each.ended, "name", "") == "tree.held_until"]


LAST_DAYS = Query(
    "SELECT tree, planted FROM mother_trees WHERE kind = 'increase' AND planted IS NOT NULL"
)


def _last_days(connection: Connection, settings: Settings) -> dict[str, dt.date]:
    """Return until when temporary sources of buds may be one, by the day they were planted."""
    most = round(settings.values(RotationValues).increase_months)
    return {
        tree: months_after(day, most)
        for tree, planted in rows(connection, LAST_DAYS, ())
        if (day := as_day(planted)) is not None
    }


def statuses(
    connection: Connection,
    codes: Sequence[str] = (),
    *,
    on: dt.date | None = None,
    cultivar: str | None = None,
) -> Statuses:
    """Return what is known of mother trees' identity, and of each cutting on its day.

    Parameters
    ----------
    codes : trees, with all their collections, or single collections; none means every tree,
        without collections.
    on : the day it is asked for; None is today, and then what has no day counts too.
    cultivar : only trees taken for it.

    Raises
    ------
    RegistryError
        There is no such code, or it is neither a tree nor a collection.
    """
    settings = read_settings(connection)
    weights = Weights(settings.values(StatusValues), settings.values(IdentityValues))
    trees, collections = _asked(connection, codes)
    books = read_tree_books(connection, {*trees, *collections.values()}, clean_too=bool(codes))
    if cultivar is not None:
        name = resolve_names(connection, {cultivar})[cultivar]
        books = [book for book in books if book.cultivar == name]
    known = Known.read(connection)
    sampled = sampled_trees(connection, known)
    day = on or settings.today()
    return Statuses(
        trees=tuple(
            identity_of(
                book,
                day,
                now=on is None,
                samples=sampled.get(book.tree, ()),
                alike=tuple(known.panel.alike(book.cultivar)),
                weights=weights,
            )
            for book in books
            if not codes or book.tree in trees
        ),
        collections=tuple(
            when_cut(book, cut, weights)
            for book in books
            for cut in book.cuts
            if book.tree in trees or cut.collection in collections
        )
        if codes
        else (),
        generations=read_generations(connection),
        last_days=_last_days(connection, settings),
    )


def _asked(connection: Connection, codes: Sequence[str]) -> tuple[set[str], dict[str, str]]:
    """Return the trees asked about, and the tree of each collection asked about."""
    trees, collections = set(), []
    for code in codes:
        kind = find_kind(connection, code)
        if kind == "mother_trees":
            trees.add(code)
        elif kind == "collections":
            collections.append(code)
        else:
            raise RegistryError(f"'{code}' is a {noun(kind)}; name mother trees or collections")
    return trees, {row[0]: row[1] for row in rows(connection, CUTTINGS, collections)}


def sampled_trees(
    connection: Connection, known: Known | None = None
) -> dict[str, tuple[Sampled, ...]]:
    """Return what marker profiles of mother trees showed, those that tell something, by tree."""
    known = known or Known.read(connection)
    found: dict[str, tuple[Sampled, ...]] = {}
    for sample, (tree, told) in known.verdicts(connection, trees_only=True).items():
        if told.found is not SampleFound.CANNOT_SAY:
            shown = Sampled(sample=sample, found=told.found, cultivar=told.cultivar)
            found[tree] = (*found.get(tree, ()), shown)
    return found
