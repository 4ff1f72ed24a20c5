"""What a registry knows as layers for maps: the records read, the ground laid out, privacy kept."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from scionreg.cartography import layers
from scionreg.cartography.places import Places
from scionreg.cartography.privacy import Privacy
from scionreg.geodesy.fixes import Fix
from scionreg.identity.where import Stand, Where, where
from scionreg.lineage.chain import resolve_names
from scionreg.lineage.place_books import read_place_books
from scionreg.records.errors import Problem, RegistryError
from scionreg.records.starting_values import PlaceValues
from scionreg.records.vocabulary import TreeStatus, Trouble
from scionreg.registry.settings import read_settings

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

TOLD = ("identity", "pressure", "take")
"""What may be told of each mother tree besides its records; each costs the time it takes."""
MOST_ACCURACY_M = 100_000


@dataclass(frozen=True, slots=True, kw_only=True)
class MapLayers:
    """Layers that belong on one map, by name, the lowest first; `notes` say what is not there."""

    what: str
    layers: "dict[str, gpd.GeoDataFrame]" = field(default_factory=dict)
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Ground:
    """The places of a registry with its privacy kept."""

    places: Places
    privacy: Privacy

    @classmethod
    def read(cls, connection: Connection, *, show_private: bool = False) -> "Ground":
        """Read where everything is, and what becomes of private places."""
        values = read_settings(connection).values(PlaceValues)
        privacy = Privacy(shown=show_private, blur_m=values.private_blur_m)
        return cls(Places(read_place_books(connection)), privacy)

    def trees(self) -> "pd.DataFrame":
        """Return the trees, what is private of them kept back."""
        return self.privacy.keep(self.places.trees)

    def notes(self, trees: "pd.DataFrame") -> tuple[str, ...]:
        """Say what is kept back of some trees, and which have no place."""
        hidden, lost = self.privacy.hides(trees), int(trees["latitude"].isna().sum())
        kept = "blurred" if self.privacy.blur_m else "left out"
        said = []
        if hidden:
            said.append(f"{hidden} private {_places(hidden)} {kept}")
        if lost:
            said.append(f"{lost} {_trees(lost)} without a place")
        return tuple(said)


def mother_trees(
    connection: Connection,
    *,
    cultivar: str | None = None,
    tell: Sequence[str] = TOLD,
    show_private: bool = False,
) -> MapLayers:
    """Return blocks and mother trees.

    Parameters
    ----------
    cultivar : only trees taken for it; its other names stand for it.
    tell : which of ``identity``, ``pressure`` and ``take`` to work out.

    Raises
    ------
    RegistryError
        No such tree has a place.
    """
    ground = Ground.read(connection, show_private=show_private)
    every, kept = ground.places.trees, ground.trees()
    if cultivar is not None:
        name = resolve_names(connection, {cultivar})[cultivar]
        every, kept = every[every["cultivar"] == name], kept[kept["cultivar"] == name]
    if not every["latitude"].notna().any():
        raise RegistryError("no such tree has a place: neither a fix nor a row in a mapped block")
    return MapLayers(
        what="mother trees",
        layers={
            "blocks": layers.blocks(ground.places, ground.privacy),
            "trees": layers.trees(kept, told(connection, tell)),
        },
        notes=ground.notes(every),
    )


def told(connection: Connection, tell: Sequence[str] = TOLD) -> dict[str, Mapping[str, Any]]:
    """Return what is known of each tree: its identity's status, pressure, and share that took."""
    found: dict[str, Mapping[str, Any]] = {}
    if "identity" in tell:
        from scionreg.vouching import statuses

        found["identity"] = {each.tree: each.status.value for each in statuses(connection).trees}
    if "pressure" in tell:
        from scionreg.cutting import outlook

        trees = outlook(connection, seasons=1).trees
        found["pressure"] = {each.tree: round(each.status.pressure, 3) for each in trees}
    if "take" in tell:
        found["take"] = _take(connection)
    return found


def _take(connection: Connection) -> dict[str, float]:
    """Return the share of each tree's grafts that took; nothing where nothing was counted."""
    from scionreg.taking import table

    try:
        return {
            each.item: round(each.rate, 4) for each in table(connection, "mother_tree").suspects
        }
    except RegistryError:
        return {}


def _places(number: int) -> str:
    return "place is" if number == 1 else "places are"


def _trees(number: int) -> str:
    return "tree is" if number == 1 else "trees are"


# ------------------------------------------------------------------------------ where one stands


def stands(connection: Connection) -> list[Stand]:
    """Return every tree that still stands and has a place, private ones too.

    Fixes of cuttings are left out: whether they are the tree's is what is asked.
    """
    trees = Places(replace(read_place_books(connection), cut_fixes=())).trees
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
    if accuracy_m is not None and not 0 < accuracy_m <= MOST_ACCURACY_M:
        raise RegistryError(
            f"{accuracy_m} is no accuracy; write the radius in metres, above 0 and at most "
            f"{MOST_ACCURACY_M:,}"
        )
    values = read_settings(connection).values(PlaceValues)
    return where(Fix(latitude, longitude, accuracy_m), stands(connection), values)


def other_cultivars(connection: Connection, cutting: Mapping[str, Any]) -> list[Problem]:
    """Return a warning where the fix of a cutting allows a tree of another cultivar."""
    fix = Fix(*(cutting[name] for name in Fix._fields))
    trees = stands(connection)
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
