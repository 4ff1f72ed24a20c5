"""A day's trees in walking order, from a registry: named, planned for a season, or listed."""

import csv
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from sqlalchemy import Connection

from scionreg.cartography.places import Places
from scionreg.judgement import Judge
from scionreg.lineage.graph import find_kind, not_found
from scionreg.lineage.place_books import PlaceBooks, read_place_books
from scionreg.lineage.walk_notes import read_marks
from scionreg.records.cells import noun, unshield
from scionreg.records.errors import RegistryError
from scionreg.records.vocabulary import Against, TreeStatus
from scionreg.rotation.cutting_plan import Plan
from scionreg.rotation.rows import Spacing, Standing
from scionreg.rotation.walk import Asked, Degrees, Walk, walk

TOOLS = "Pruners and knives cut, and they carry disease from tree to tree; clean them in between."
MOST_TREES = 5_000
"""Trees of one walk: memory grows with their square, and nobody walks to more in a day."""
NOT_HERE = (Against.NAMED_ONLY, Against.LICENCE, Against.LICENSED, Against.RIGHTS_UNKNOWN)
"""What whoever stands before a tree need not be told there."""
OF_ALL = (Against.LICENCE, Against.LICENSED, Against.RIGHTS_UNKNOWN)
"""What is said of a cultivar, once for the walk and not at each of its trees."""


def walk_of(
    connection: Connection,
    trees: Iterable[str] | Mapping[str, int | None],
    *,
    start: Degrees | None = None,
    finish: Degrees | None = None,
    gates: Mapping[str, Sequence[Degrees]] | None = None,
) -> Walk:
    """Return mother trees in a short walking order.

    Parameters
    ----------
    trees : their codes, maybe with the sticks to cut of each.
    start, finish, gates : as `rotation.walk.walk`.

    Raises
    ------
    RegistryError
        No tree is named, or more than `MOST_TREES`; one is not recorded or no mother tree; a block
        with a gate is not recorded; a place is off the globe.
    """
    sticks: Mapping[str, int | None] = (
        trees if isinstance(trees, Mapping) else dict.fromkeys(trees, None)
    )
    books = read_place_books(connection)
    _check(connection, books, sticks, [start, finish], gates or {})
    may = Judge(connection).trees(sticks)
    marks = read_marks(connection, sticks)
    asked = [
        Asked(
            tree,
            number,
            marks.get(tree, ()),
            tuple(each.says for each in may[tree].reasons if each.code not in NOT_HERE),
        )
        for tree, number in sticks.items()
    ]
    found = walk(
        asked,
        standing(books, sticks),
        {
            each.block: Spacing(
                each.row_spacing_m, each.tree_spacing_m, each.counted_from, each.positions
            )
            for each in books.blocks
        },
        start=start,
        finish=finish,
        gates=gates,
    )
    of_all = (each.says for tree in sticks for each in may[tree].reasons if each.code in OF_ALL)
    said = [*found.cautions, *dict.fromkeys(of_all), TOOLS]
    return replace(found, cautions=tuple(said))


def planned_cuts(plan: Plan, season: int) -> dict[str, int | None]:
    """Return the trees that a plan cuts in a season, with their sticks, as `walk_of` takes them."""
    return {each.tree: each.sticks for each in plan.trees if each.season == season and each.sticks}


def without_private_places(connection: Connection, found: Walk) -> Walk:
    """Return a walk as papers and files for others tell it: of private places, it tells nothing."""
    from scionreg.cartography.walk_layers import without_places

    return without_places(found, _private(read_place_books(connection)))


def standing(books: PlaceBooks, asked: Iterable[str] = ()) -> list[Standing]:
    """Return the trees that stand, and those `asked` for, where all fixes of them say they are."""
    placed = Places(books).trees
    names = ["code", *Standing._fields[1:]]
    plain = placed[names].astype(object).where(placed[names].notna(), None)
    gone = {each.tree for each in books.trees if each.status == TreeStatus.DEAD} - set(asked)
    return [Standing(*row) for row in plain.itertuples(index=False) if row.code not in gone]


def _private(books: PlaceBooks) -> set[str]:
    return {each.tree for each in books.trees if each.private}


def _check(
    connection: Connection,
    books: PlaceBooks,
    trees: Iterable[str],
    ends: Iterable[Degrees | None],
    gates: Mapping[str, Sequence[Degrees]],
) -> None:
    recorded = {each.tree for each in books.trees}
    trees = list(trees)
    if not trees:
        raise RegistryError("no tree is named to walk to; name the trees, or a list of them")
    if len(trees) > MOST_TREES:
        raise RegistryError(f"{len(trees):,} trees are no day's walk; name at most {MOST_TREES:,}")
    for tree in trees:
        if tree not in recorded:
            kind = noun(find_kind(connection, tree))
            raise RegistryError(f"{tree} is a {kind}; name mother trees")
    for block in gates:
        if block not in {each.block for each in books.blocks}:
            raise not_found(connection, block)
    for place in (*ends, *(each for those in gates.values() for each in those)):
        if place is not None and not (abs(place[0]) <= 90 and abs(place[1]) <= 180):
            raise RegistryError(
                f"{place[0]:g}, {place[1]:g} is off the globe; write latitude, then longitude"
            )


# ---------------------------------------------------------------------------------- cutting lists


def read_cutting_list(path: Path, season: int | None = None) -> dict[str, int | None]:
    """Return the trees of a cutting list, with the sticks to cut of each.

    Parameters
    ----------
    path : a CSV file with the column tree, maybe sticks and season, as `plan` writes it; ``-`` is
        standard input. Trees of which no stick is to be cut are left out.
    season : the one meant, where the list has several.

    Raises
    ------
    RegistryError
        It cannot be read, has no column tree, has several seasons and none is named, or a number
        is none.
    """
    rows = _read(path)
    seasons = sorted({row["season"] for _, row in rows if row.get("season")})
    if season is None and len(seasons) > 1:
        raise RegistryError(f"{path} is for seasons {', '.join(seasons)}; say which is meant")
    found: dict[str, int | None] = {}
    for line, row in rows:
        if season is not None and seasons and row.get("season") != str(season):
            continue
        tree, text = row["tree"], row.get("sticks", "")
        if not tree:
            raise RegistryError(f"{path}:{line}: no tree; write its code")
        if text and not (text.isascii() and text.isdigit()):
            raise RegistryError(f"{path}:{line}: '{text}' in sticks; write a whole number")
        if text == "" or int(text):
            before = found.get(tree)
            found[tree] = (before or 0) + int(text) if text else before
    if not found:
        of = f" in season {season}" if season is not None else ""
        raise RegistryError(f"{path} has no tree to cut{of}")
    return found


def _read(path: Path) -> list[tuple[int, dict[str, str]]]:
    """Return the lines of a CSV file that hold anything, with their numbers."""
    try:
        text = sys.stdin.read() if str(path) == "-" else path.read_text(encoding="utf-8-sig")
        reader = csv.DictReader(text.splitlines(), strict=True)
        if "tree" not in (reader.fieldnames or ()):
            raise RegistryError(f"{path} has no column tree")
        return [
            (reader.line_num, {name: unshield((row[name] or "").strip()) for name in row if name})
            for row in reader
        ]
    except (OSError, UnicodeDecodeError, csv.Error) as fault:
        why = fault.strerror if isinstance(fault, OSError) else fault
        raise RegistryError(f"{path} cannot be read: {why}") from fault


def where(connection: Connection, found: Walk) -> tuple[dict[str, Degrees], list[str]]:
    """Return the places of a walk's trees that are not private, and what is left out and why."""
    books = read_place_books(connection)
    private = _private(books)
    places = {
        each.tree: (each.latitude, each.longitude)
        for each in standing(books, found.codes)
        if each.latitude is not None and each.longitude is not None
    }
    hidden = sorted(private.intersection(found.codes))
    lost = [tree for tree in found.codes if tree not in places]
    said = []
    if hidden:
        said.append(f"left out, since their places are private: {', '.join(hidden)}")
    if lost:
        said.append(f"left out, since their places are not known: {', '.join(lost)}")
    return {tree: at for tree, at in places.items() if tree not in private}, said
