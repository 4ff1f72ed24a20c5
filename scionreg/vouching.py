"""Answers about mother trees' identity: records read, marker profiles judged, status told."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from scionreg.identifying import Known
from scionreg.identity.tree_evidence import Sampled
from scionreg.identity.tree_status import TreeIdentity, Weights, identity_of
from scionreg.identity.when_cut import WhenCut, when_cut
from scionreg.lineage.chain import resolve_names
from scionreg.lineage.graph import CUTTINGS, find_kind, rows
from scionreg.lineage.tree_books import read_tree_books
from scionreg.records.cells import noun
from scionreg.records.errors import RegistryError
from scionreg.records.starting_values import IdentityValues, StatusValues
from scionreg.records.vocabulary import SampleFound
from scionreg.registry.settings import read_settings

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True, kw_only=True)
class Statuses:
    """Mother trees with what is known of their identity, and the collections asked about."""

    trees: tuple[TreeIdentity, ...]
    collections: tuple[WhenCut, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "trees": [each.to_dict() for each in self.trees],
            "collections": [each.to_dict() for each in self.collections],
        }

    def to_rows(self) -> list[dict[str, Any]]:
        """Return a flat dictionary a tree and limb, for CSV."""
        return [row.to_row() for tree in self.trees for row in (tree, *tree.limbs)]

    def to_frame(self) -> "pd.DataFrame":
        """Return the rows as a table."""
        import pandas as pd

        return pd.DataFrame(self.to_rows())


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
    sampled = _sampled(connection, known)
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


def _sampled(connection: Connection, known: Known) -> dict[str, tuple[Sampled, ...]]:
    """Return what marker profiles of mother trees showed, those that tell something, by tree."""
    found: dict[str, tuple[Sampled, ...]] = {}
    for sample, (tree, told) in known.verdicts(connection, trees_only=True).items():
        if told.found is not SampleFound.CANNOT_SAY:
            shown = Sampled(sample=sample, found=told.found, cultivar=told.cultivar)
            found[tree] = (*found.get(tree, ()), shown)
    return found
