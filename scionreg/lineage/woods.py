"""What the wood of bundles is: cultivars, species, trees, the oldest cutting."""

import datetime as dt
from dataclasses import dataclass

from sqlalchemy import Connection

from scionreg.lineage.chain import resolve_names
from scionreg.lineage.graph import Query, rows
from scionreg.lineage.stays import Kept

SPECIES = Query("SELECT cultivar, species FROM cultivars WHERE cultivar IN {codes}")
IN_LEAF = Query("SELECT collection FROM collections WHERE collection IN {codes} AND in_leaf")


@dataclass(frozen=True, slots=True, kw_only=True)
class Wood:
    """The wood of one bundle, all that it was tied from included.

    `oldest` is the day its oldest wood was cut, or where that is not known (`cut_known` False, as
    of wood from outside) the first day it was packed here.
    """

    cultivars: tuple[str, ...] = ()
    species: tuple[str, ...] = ()
    trees: tuple[str, ...] = ()
    oldest: dt.date | None = None
    cut_known: bool = True
    in_leaf: bool = False

    def __add__(self, other: "Wood") -> "Wood":
        days = [day for day in (self.oldest, other.oldest) if day is not None]
        return Wood(
            cultivars=_both(self.cultivars, other.cultivars),
            species=_both(self.species, other.species),
            trees=_both(self.trees, other.trees),
            oldest=min(days, default=None),
            cut_known=self.cut_known and other.cut_known,
            in_leaf=self.in_leaf or other.in_leaf,
        )


def _both(first: tuple[str, ...], second: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(first + second))


def read_woods(connection: Connection, kept: Kept) -> dict[str, Wood]:
    """Return what the wood of each bundle of `kept` is."""
    written = {tree.cultivar for tree in kept.trees.values()}
    written |= {bundle.claimed for bundle in kept.bundles.values() if bundle.claimed}
    names = resolve_names(connection, written) if written else {}
    species = dict(rows(connection, SPECIES, set(names.values())))
    in_leaf = {row[0] for row in rows(connection, IN_LEAF, kept.cuttings)}
    woods: dict[str, Wood] = {}
    for code in kept.order():
        woods[code] = _own(kept, code, names, species, in_leaf)
        for parent in kept.parents.get(code, ()):
            woods[code] += woods[parent]
    return woods


def _own(
    kept: Kept, code: str, names: dict[str, str], species: dict[str, str], in_leaf: set[str]
) -> Wood:
    """Return what a bundle holds beside what it was tied from."""
    bundle, cutting = kept.bundles[code], kept.cutting(code)
    tree = kept.trees.get(cutting.tree) if cutting is not None else None
    if cutting is None and bundle.received_from is None and kept.parents.get(code):
        return Wood()
    written = bundle.claimed if tree is None else tree.cultivar
    named = (names[written],) if written else ()
    cut = cutting.date if cutting is not None else None
    return Wood(
        cultivars=named,
        species=tuple(species[name] for name in named if name in species),
        trees=() if tree is None else (tree.tree,),
        oldest=cut or bundle.packed,
        cut_known=cut is not None,
        in_leaf=bundle.collection in in_leaf,
    )
