"""Which tree somebody stands at: the records read, and the reasoning asked."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from sqlalchemy import Connection

from scionreg.cartography.places import Places
from scionreg.geodesy.fixes import Fix
from scionreg.identity.where import Stand, Where, where
from scionreg.lineage.place_books import PlaceBooks, read_place_books
from scionreg.records.errors import Problem, RegistryError
from scionreg.records.starting_values import PlaceValues
from scionreg.records.vocabulary import TreeStatus, Trouble
from scionreg.registry.settings import read_settings

MOST_ACCURACY_M = 100_000


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


def other_cultivars(connection: Connection, cutting: Mapping[str, Any]) -> list[Problem]:
    """Return a warning where the fix of a cutting allows a tree of another cultivar."""
    fix = Fix(*(cutting[name] for name in Fix._fields))
    trees = standing_in(read_place_books(connection))
    own = next((each.cultivar for each in trees if each.tree == cutting["tree"]), None)
    found = where(fix, trees, read_settings(connection).values(PlaceValues))
    if own is None or not (others := found.other_than(own)):
        return []
    names = ", ".join(f"{name} {100 * chance:.0f} %" for name, chance in others)
    return [
        Problem(
            rule="fix_allows_another_cultivar",
            trouble=Trouble.WARNING,
            kind="collections",
            key=str(cutting["collection"]),
            column="latitude",
            wrong=f"the fix allows another cultivar than {own} of {cutting['tree']}: {names}",
            right="read the tag again, and count row and position, before the wood is tied",
        )
    ]
