"""Which tree somebody stands at: the records read, and the reasoning asked."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

from sqlalchemy import Connection

from scionreg.cartography.places import Places
from scionreg.geodesy.fixes import Fix
from scionreg.identity.where import Stand, Where, cultivars_at, where
from scionreg.lineage.place_books import CutFix, PlaceBooks, read_place_books
from scionreg.records.errors import Problem, RegistryError
from scionreg.records.rules import INTAKE_RULES
from scionreg.records.starting_values import PlaceValues
from scionreg.records.vocabulary import TreeStatus
from scionreg.registry.settings import read_settings

MOST_ACCURACY_M = 100_000
AT_ONCE = 2_000
"""Fixes compared with trees at once: each comes with a few dozen of them."""


def standing_in(books: PlaceBooks) -> list[Stand]:
    """Return every tree that still stands and has a place, private ones too.

    Fixes of cuttings are left out: whether they are the tree's is what is asked.
    """
    trees = Places(replace(books, cut_fixes=())).trees
    placed = trees[trees["latitude"].notna() & (trees["status"] != TreeStatus.DEAD)]
    columns = ("code", "cultivar", "latitude", "longitude", "accuracy_m", "private")
    return [
        Stand(code, cultivar, Fix(*place), private)
        for code, cultivar, *place, private in zip(*(placed[name] for name in columns), strict=True)
    ]


def where_at(
    connection: Connection, latitude: float, longitude: float, accuracy_m: float | None = None
) -> Where:
    """Return which trees somebody may be standing at.

    Parameters
    ----------
    latitude, longitude : degrees, WGS 84.
    accuracy_m : radius that holds the fix at 68 %, m; None is a phone's.

    Raises
    ------
    RegistryError
        The place is off the globe, or the accuracy no distance.
    """
    if not (abs(latitude) <= 90 and abs(longitude) <= 180):
        raise RegistryError(
            f"{latitude} {longitude} is no place; write degrees north (-90 to 90) and degrees east "
            "(-180 to 180)"
        )
    if accuracy_m is not None:
        check_accuracy(accuracy_m)
    values = read_settings(connection).values(PlaceValues)
    return where(
        Fix(latitude, longitude, accuracy_m), standing_in(read_place_books(connection)), values
    )


def check_accuracy(accuracy_m: float) -> None:
    """Raise `RegistryError` for what is no radius that holds a fix, in metres."""
    if not 0 < accuracy_m <= MOST_ACCURACY_M:
        raise RegistryError(
            f"{accuracy_m} is no accuracy; write the radius in metres, above 0 and at most "
            f"{MOST_ACCURACY_M:,}"
        )


def other_cultivars(
    connection: Connection, cuttings: Sequence[CutFix]
) -> Iterator[tuple[int, Problem]]:
    """Yield a warning for each cutting whose fix allows a tree of another cultivar.

    A cutting of a tree whose own place is not known is passed over.
    """
    rule = INTAKE_RULES["fix_allows_another_cultivar"]
    trees = standing_in(read_place_books(connection))
    cultivar = {each.tree: each.cultivar for each in trees}
    values = read_settings(connection).values(PlaceValues)
    known = [each for each in cuttings if each.tree in cultivar]
    for start in range(0, len(known), AT_ONCE):
        some = known[start : start + AT_ONCE]
        found = cultivars_at([each.fix for each in some], trees, values)
        for cutting, possible in zip(some, found, strict=True):
            own = cultivar[cutting.tree]
            names = [f"{name} {100 * chance:.0f} %" for name, chance in possible if name != own]
            if names:
                said = {"own": own, "tree": cutting.tree, "others": ", ".join(names)}
                yield (
                    cutting.number,
                    Problem(
                        rule=rule.name,
                        trouble=rule.trouble,
                        kind=rule.kind,
                        key=cutting.collection,
                        column=rule.column,
                        wrong=rule.wrong.format_map(said),
                        right=rule.right,
                    ),
                )
