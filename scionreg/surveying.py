"""Taking places in: which tree or block each place of a file belongs to, and recording them."""

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from scionreg.cartography.places import Places
from scionreg.exchange.geo_in import Surveyed, read_places
from scionreg.geodesy.fixes import Fix, deviation
from scionreg.geodesy.ground import metres_apart
from scionreg.identity.surveyed import Proposal, averaged, propose, spelled, to_frame
from scionreg.lineage.place_books import PlaceBooks, TreePlace, read_place_books
from scionreg.locating import check_accuracy, standing_in
from scionreg.records.cells import CellError, Outline
from scionreg.records.errors import RegistryError
from scionreg.records.starting_values import PlaceValues
from scionreg.registry.correcting import correct
from scionreg.registry.settings import read_settings
from scionreg.registry.store import Store

if TYPE_CHECKING:
    import pandas as pd

SAME_M = 0.02
"""Places nearer than this are one place written twice, m."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlined:
    """An outline of a file, and the block that its name is the code of; None where none is."""

    name: str
    block: str | None
    outline: dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Survey:
    """Places of a file with what they belong to; `recorded` codes were given theirs.

    `better` are trees whose recorded fix is no worse than the file's, which is therefore kept;
    `other` counts shapes that are neither points nor outlines.
    """

    proposals: tuple[Proposal, ...]
    outlines: tuple[Outlined, ...]
    other: int
    better: tuple[str, ...] = ()
    recorded: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "proposals": self.to_rows(),
            "outlines": [{"name": each.name, "block": each.block} for each in self.outlines],
            "other": self.other,
            "better": list(self.better),
            "recorded": list(self.recorded),
        }

    def to_rows(self) -> list[dict[str, Any]]:
        """Return a flat dictionary a fix, for CSV."""
        return [each.to_dict() for each in self.proposals]

    def to_frame(self) -> "pd.DataFrame":
        """Return the rows as a table."""
        return to_frame(self.proposals)


def survey(
    store: Store,
    file: str | os.PathLike[str],
    *,
    accuracy_m: float | None = None,
    crs: str = "",
    fix_method: str = "",
    record: bool = False,
    by: str = "",
) -> Survey:
    """Return which tree or block each place of a file belongs to; record them if wanted.

    Several fixes of a tree are averaged. Recorded are those that the tree's name goes with and
    nothing speaks against, where the recorded fix is worse, and they are not what a map had written
    for the tree anyway; and outlines named like a block. Each is a correction of its own.

    Parameters
    ----------
    accuracy_m : of the fixes that do not say theirs.
    crs : of a CSV file's coordinates, as `read_places`.
    fix_method : how the fixes were made, a word of `FixMethod`.

    Raises
    ------
    RegistryError
        The file cannot be read, or a fix would break a rule.
    """
    if accuracy_m is not None:
        check_accuracy(accuracy_m)
    read = read_places(Path(file), crs=crs)
    with store.reading() as connection:
        books = read_place_books(connection)
        found = _proposed(connection, books, read, accuracy_m)
    if not record:
        return found
    trees = {each.tree: each for each in books.trees}
    fixes = {tree: _rounded(fix) for tree, fix in averaged(found.proposals).items()}
    on_map = {row["code"]: row for row in Places(books).trees.to_dict("records")}
    better = {
        tree
        for tree, fix in fixes.items()
        if _is_known(on_map[tree], fix) or not _improves(trees[tree], fix)
    }
    why = f"surveyed: {Path(file).name}"
    recorded = []
    for tree, fix in fixes.items():
        if tree not in better:
            values = fix._asdict() | {"fix_method": fix_method}
            correct(store, "mother_trees", tree, values, by=by, why=why)
            recorded.append(tree)
    outlines = {each.block: each.outline for each in found.outlines if each.block}
    known = {each.block: each.outline for each in books.blocks}
    for block, outline in outlines.items():
        if outline != known[block]:
            text = json.dumps(outline)
            correct(store, "blocks", block, {"outline": text}, by=by, why=why)
            recorded.append(block)
    return replace(found, better=tuple(sorted(better)), recorded=tuple(recorded))


def _rounded(fix: Fix) -> Fix:
    """Return a fix as it is worth keeping: to a centimetre."""
    return Fix(round(fix.latitude, 7), round(fix.longitude, 7), round(fix.accuracy_m or 0, 2))


def _is_known(tree: Mapping[Any, Any], fix: Fix) -> bool:
    """Tell whether a fix is the place that maps have for a tree: written by us, and come back."""
    apart = metres_apart(tree["latitude"], tree["longitude"], fix.latitude, fix.longitude)
    return bool(apart < SAME_M)


def _improves(tree: TreePlace, fix: Fix) -> bool:
    """Tell whether a fix is better than the one recorded for a tree, if any."""
    if tree.latitude is None:
        return True
    recorded, new = (
        float(deviation(float("nan") if each is None else each))
        for each in (tree.accuracy_m, fix.accuracy_m)
    )
    return new < recorded


def _proposed(
    connection: Connection, books: PlaceBooks, read: Surveyed, accuracy_m: float | None
) -> Survey:
    values = read_settings(connection).values(PlaceValues)
    points = [
        (each.name, each.fix._replace(accuracy_m=each.fix.accuracy_m or accuracy_m))
        for each in read.points
    ]
    blocks = {spelled(each.block): each.block for each in books.blocks}
    return Survey(
        proposals=propose(points, standing_in(books), _names(books), values),
        outlines=tuple(
            Outlined(name=name, block=blocks.get(spelled(name)), outline=_clean(name, outline))
            for name, outline in read.outlines
        ),
        other=read.other,
    )


def _clean(name: str, outline: Mapping[str, Any]) -> dict[str, Any]:
    """Return an outline as it is kept; refuse one that cannot be."""
    try:
        kept: dict[str, Any] = json.loads(Outline().read(json.dumps(outline)))
    except CellError as error:
        raise RegistryError(f"{name or 'an outline'}: {error.wrong}; {error.right}") from error
    return kept


def _names(books: PlaceBooks) -> dict[str, tuple[str, str]]:
    """Return the tree that each name means: its code, or block, row and position.

    A name that means two trees means none.
    """
    found: dict[str, tuple[str, str]] = {}
    twice = set()
    for tree in books.trees:
        place = f"{tree.block}-{tree.row}-{tree.position}"
        for name in {spelled(tree.tree), spelled(place)} - {spelled("None-None-None")}:
            if name in found:
                twice.add(name)
            found[name] = (tree.tree, tree.cultivar)
    return {name: tree for name, tree in found.items() if name not in twice}
