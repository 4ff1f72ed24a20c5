"""What a registry knows as layers for maps: the records read, the ground laid out, privacy kept."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from scionreg.cartography import chain_layers, layers
from scionreg.cartography.places import Places
from scionreg.cartography.privacy import Privacy
from scionreg.cartography.tree_page import length
from scionreg.lineage.chain import resolve_names
from scionreg.lineage.graph import find_kind
from scionreg.lineage.place_books import (
    read_lot_looks,
    read_lot_places,
    read_place_books,
)
from scionreg.lineage.recall import Item, OfCode, recall
from scionreg.lineage.trace import trace
from scionreg.records.errors import RegistryError
from scionreg.records.starting_values import PlaceValues
from scionreg.registry.changes import change
from scionreg.registry.settings import read_settings
from scionreg.registry.store import Store

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from scionreg.rotation.walk import Walk

TOLD = ("eligible", "identity", "pressure", "take")
"""What may be told of each mother tree besides its records; each costs the time it takes."""


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
    units: str = "SI"

    @classmethod
    def read(cls, connection: Connection, *, show_private: bool = False) -> "Ground":
        """Read where everything is, and what becomes of private places."""
        settings = read_settings(connection)
        blur_m = settings.values(PlaceValues).private_blur_m
        privacy = Privacy(shown=show_private, blur_m=blur_m)
        return cls(Places(read_place_books(connection)), privacy, settings.units)

    def trees(self) -> "pd.DataFrame":
        """Return the trees, what is private of them kept back."""
        return self.privacy.keep(self.places.trees)

    def hidden(self) -> set[str]:
        """Return the trees whose places are private and not shown."""
        if self.privacy.shown:
            return set()
        return {each.tree for each in self.places.books.trees if each.private}

    def notes(self, trees: "pd.DataFrame") -> tuple[str, ...]:
        """Say what is kept back of some trees, and where places are wanting or by fixes alone."""
        hidden, lost = self.privacy.hides(trees), int(trees["latitude"].isna().sum())
        kept = "blurred" if self.privacy.blur_m else "left out"
        said = []
        if hidden:
            said.append(f"{hidden} private {_places(hidden)} {kept}")
        if lost:
            said.append(f"{lost} {_trees(lost)} without a place")
        laid_out = trees[trees["estimated"] & (self.privacy.shown | ~trees["private"])]
        return (*said, *self.by_fixes(laid_out["block"].dropna()))

    def by_fixes(self, blocks: Iterable[str]) -> Iterator[str]:
        """Say of which of some blocks the rows are laid out by fixes alone, and how well."""
        for block in sorted(set(blocks)):
            grid = self.places.grid(block)
            if grid is not None and self.places.blocks[block].outline is None:
                within = length(grid.accuracy_m, self.units)
                off = "" if grid.off_m is None else f", {length(grid.off_m, self.units)} off them"
                yield (
                    f"block {block} has no outline: its rows are laid out by the fixes of its "
                    f"trees{off}, within {within} (68 %)"
                )


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
    tell : which of ``eligible``, ``identity``, ``pressure`` and ``take`` to work out.

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
    """Return what is known of each tree: may it be cut, identity, pressure, share that took."""
    found: dict[str, Mapping[str, Any]] = {}
    if "eligible" in tell:
        from scionreg.judgement import Judge

        judged = Judge(connection).trees()
        found["eligible"] = {tree: each.may for tree, each in judged.items()}
        found["why"] = {
            tree: "; ".join(reason.says for reason in each.bars or each.against)
            for tree, each in judged.items()
        }
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


# ------------------------------------------------------------------------------ any of them


def layers_of(
    connection: Connection, what: str, of: Sequence[Item | str], *, show_private: bool, **more: Any
) -> MapLayers:
    """Return the layers of one of `KINDS`; `more` as its function.

    Raises
    ------
    RegistryError
        There is no such map, or it is of something that was not named.
    """
    if what not in KINDS:
        raise RegistryError(f"there is no map of '{what}'; there are {', '.join(KINDS)}")
    return KINDS[what](connection, of, show_private=show_private, **more)


def note_shown(store: Store, what: str, of: Sequence[str], *, by: str = "") -> None:
    """Write to the journal that private places are shown: who, on what map, of how many trees.

    Raises
    ------
    NoRecorderError
        Nobody is named who shows them.
    """
    with change(store, by=by, action="locations_shown", kind="mother_trees") as making:
        private = [each.tree for each in read_place_books(making.connection).trees if each.private]
        making.content["shown"] = {"map": what, "of": list(of), "private_trees": len(private)}


# ------------------------------------------------------------------------------ rows


def nursery_rows(
    connection: Connection,
    *,
    block: str | None = None,
    season: int | None = None,
    stage: str | None = None,
    each_position: bool = False,
) -> MapLayers:
    """Return graft lots in their rows, with take and what was looked at.

    Parameters
    ----------
    block : only this block.
    season : lots of this season; None is the last one grafted in each block.
    stage : ``early`` or ``late`` count; None as `taking.table`.
    each_position : a layer ``positions`` too, a point each.

    Raises
    ------
    RegistryError
        No lot stands there in that season, or no block tells how its rows lie.
    """
    lots, off = _lots(connection, stage)
    if block is not None:
        lots = lots[lots["block"] == block]
    last = lots.groupby("block")["season"].transform("max")
    lots = lots[lots["season"] == (last if season is None else season)]
    ground = Ground.read(connection)
    drawn = layers.rows(ground.places, lots)
    if drawn.empty:
        raise RegistryError(
            "no graft lot stands there: none in that block and season has a row and positions, or "
            "the block has neither an outline nor fixes that tell how its rows lie"
        )
    found = {"blocks": _blocks_of(ground, drawn), "rows": drawn}
    if each_position:
        found["positions"] = layers.positions(ground.places, lots, off)
    lost = len(lots) - len(drawn)
    unplaced = f"{lost} graft {'lot has' if lost == 1 else 'lots have'} no place"
    return MapLayers(
        what="nursery rows",
        layers=found,
        notes=(*((unplaced,) if lost else ()), *ground.by_fixes(drawn["block"])),
    )


def _blocks_of(ground: Ground, rows: Any) -> Any:
    blocks = layers.blocks(ground.places, ground.privacy)
    return blocks[blocks["code"].isin(set(rows["block"]))].reset_index(drop=True)


def _lots(
    connection: Connection, stage: str | None
) -> tuple["pd.DataFrame", dict[str, frozenset[int]]]:
    """Return the graft lots that have a place, and positions found off, by lot."""
    from scionreg.lineage.worked_lots import read_worked_lots
    from scionreg.take.stages import Stage, counts_at, judged_by

    worked = read_worked_lots(connection, read_settings(connection))
    taken = counts_at(worked, Stage(stage) if stage else judged_by(worked))
    lots = worked.lots.rename(columns={"graft_lot": "code"})
    lots["take"] = float("nan")
    lots.loc[taken.lots, "take"] = (taken.taken / taken.grafts).round(4)
    looks = read_lot_looks(connection)
    lots["looked_at"] = lots["code"].map({code: each.checked for code, each in looks.items()})
    lots["off"] = lots["code"].map({code: each.off for code, each in looks.items()})
    lots[["looked_at", "off"]] = lots[["looked_at", "off"]].fillna(0).astype(int)
    lots["identity"] = "not looked at"
    lots.loc[lots["looked_at"] > 0, "identity"] = "true where looked"
    lots.loc[lots["off"] > 0, "identity"] = "off"
    placed = lots[["block", "row", "first", "last"]].notna().all(axis=1)
    kept = lots[placed].astype(dict.fromkeys(("row", "first", "last"), "int64"))
    return kept, {code: each.positions for code, each in looks.items()}


# ------------------------------------------------------------------------------ the chain


def trace_layers(connection: Connection, code: str, *, show_private: bool = False) -> MapLayers:
    """Return blocks, and the places and lines of where something came from; errors as `trace`."""
    found = trace(connection, code)
    lots = {each for source in found.sources for each in source.path} | {code.partition("/")[0]}
    ground, placed = _placed(connection, lots, show_private=show_private)
    every = ground.places.trees
    sources = every[every["code"].isin({code, *(source.tree for source in found.sources)})]
    cultivars = {each.tree: each.cultivar for each in ground.places.books.trees}
    lost = sum(each.tree is None for each in found.sources)
    outside = (f"{lost} {'source is' if lost == 1 else 'sources are'} no tree here",)
    return MapLayers(
        what=f"trace of {code}",
        layers={"blocks": layers.blocks(ground.places, ground.privacy)}
        | chain_layers.trace(found, placed, cultivars),
        notes=(*ground.notes(sources), *(outside if lost else ())),
    )


def recall_layers(
    connection: Connection, items: Sequence[Item], *, show_private: bool = False
) -> MapLayers:
    """Return blocks, and the rows and trees of everything that may share a source.

    Errors as `recall`.
    """
    found = recall(connection, items)
    lots = {each.graft_lot for each in found.graft_lots}
    ground, placed = _placed(connection, lots, show_private=show_private)
    asked = _trees_of(connection, items)
    every = ground.places.trees
    drawn = chain_layers.recall(found, asked, placed)
    lost = len(lots) - len(drawn["rows"])
    unplaced = f"{lost} graft {'lot has' if lost == 1 else 'lots have'} no place"
    shown = {*asked, *(each.tree for each in found.mother_trees)}
    return MapLayers(
        what=f"recall of {found.code}",
        layers={"blocks": layers.blocks(ground.places, ground.privacy)} | drawn,
        notes=(*ground.notes(every[every["code"].isin(shown)]), *((unplaced,) if lost else ())),
    )


def _placed(
    connection: Connection, lots: set[str], *, show_private: bool
) -> tuple[Ground, chain_layers.Placed]:
    ground = Ground.read(connection, show_private=show_private)
    places = read_lot_places(connection, lots)
    return ground, chain_layers.Placed(ground.places, ground.trees(), places)


def _trees_of(connection: Connection, items: Sequence[Item]) -> list[str]:
    """Return the mother trees that the codes asked about are, or were cut or grown from."""
    trees = []
    for code in (each.code for each in items if isinstance(each, OfCode)):
        trees += [code] if find_kind(connection, code) == "mother_trees" else []
        trees += [source.tree for source in trace(connection, code).sources if source.tree]
    return list(dict.fromkeys(trees))


# ------------------------------------------------------------------------------ who cuts


def drawn_walk(
    connection: Connection,
    trees: Sequence[str] | Mapping[str, int | None],
    *,
    show_private: bool = False,
    **options: Any,
) -> "tuple[MapLayers, Walk]":
    """Return a walk on the map (stops, the way, neighbours not to be cut, blocks), and the walk.

    Private places are left out of both, never blurred: nobody walks to a blurred tree. Options and
    errors as `walking.walk_of`.
    """
    from scionreg.cartography import walk_layers as walks
    from scionreg.walking import standing, walk_of

    ground = Ground.read(connection, show_private=show_private)
    found = walks.without_places(walk_of(connection, trees, **options), ground.hidden())
    stands = standing(ground.places.books, found.codes)
    every = ground.places.trees
    lost = every[every["code"].isin(found.codes)]
    drawn = MapLayers(
        what="walk",
        layers={"blocks": layers.blocks(ground.places, ground.privacy)}
        | walks.walk(found, stands, ground.hidden(), **options),
        notes=replace(ground, privacy=replace(ground.privacy, blur_m=0)).notes(lost),
    )
    return drawn, found


def confusion_layers(
    connection: Connection,
    *,
    cultivar: str | None = None,
    fix_m: float | None = None,
    show_private: bool = False,
) -> MapLayers:
    """Return blocks, and pairs of trees of two cultivars that may be mistaken, likeliest first.

    Parameters
    ----------
    cultivar : only pairs with a tree of it; its other names stand for it.
    fix_m : accuracy of the fixes that cutters take; None is a phone's.
    """
    from scionreg.cartography import walk_layers as walks
    from scionreg.rotation.beside import neighbours
    from scionreg.walking import standing

    ground = Ground.read(connection, show_private=show_private)
    stands = standing(ground.places.books)
    asked = stands
    if cultivar is not None:
        name = resolve_names(connection, {cultivar})[cultivar]
        asked = [each for each in stands if each.cultivar == name]
    hidden = ground.hidden()
    shown = [each for each in stands if each.tree not in hidden]
    notes = (f"{len(hidden)} private {_places(len(hidden))} left out",) if hidden else ()
    return MapLayers(
        what="trees that may be mistaken",
        layers={
            "blocks": layers.blocks(ground.places, ground.privacy),
            "pairs": walks.confusion(neighbours(asked, stands), shown, fix_m),
        },
        notes=notes,
    )


def _as_items(of: Sequence[Item | str], what: str) -> list[Item]:
    if not of:
        raise RegistryError(f"name what to {what}: a code of the registry")
    return [OfCode(each) if isinstance(each, str) else each for each in of]


def _one_code(of: Sequence[Item | str]) -> str:
    if len(of) != 1 or not isinstance(of[0], str):
        raise RegistryError("name one code to trace")
    return of[0]


KINDS: dict[str, Callable[..., MapLayers]] = {
    "mother-trees": lambda connection, of, **more: mother_trees(connection, **more),
    "rows": lambda connection, of, *, show_private, **more: nursery_rows(connection, **more),
    "trace": lambda connection, of, **more: trace_layers(connection, _one_code(of), **more),
    "walk": lambda connection, of, *, sticks=None, **more: drawn_walk(
        connection, sticks or of, **more
    )[0],
    "confusion": lambda connection, of, **more: confusion_layers(connection, **more),
    "recall": lambda connection, of, **more: recall_layers(
        connection, _as_items(of, "recall"), **more
    ),
}
"""The maps there are, by the word that asks for one."""
