"""Pages for whoever cuts: the walk with its neighbours, and trees that may be mistaken."""

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import pandas as pd

from scionreg.cartography.page import MapPage, Shown, Table
from scionreg.cartography.tree_page import SENSITIVE, ground, length, number, sentence

if TYPE_CHECKING:
    from scionreg.mapping import MapLayers
    from scionreg.rotation.walk import Stop, Walk

MOST_PAIRS = 200
"""Pairs in the list; the map shows all."""


def walk_page(found: "MapLayers", walk: "Walk", units: str = "SI") -> MapPage:
    """Return the page of a walk.

    Parameters
    ----------
    found : layers ``route``, ``neighbours``, ``waypoints``, ``stops`` and ``blocks``.
    walk : the walk itself, for the list; without what may not be told (`without_places`).
    units : SI or US, for lengths.
    """
    names = ("route", "neighbours", "waypoints", "stops")
    route, beside, waypoints, stops = (found.layers[name] for name in names)
    # A tree to be cut may itself stand beside another one.
    beside = beside[~beside["code"].isin(walk.codes)].drop_duplicates("code")
    return MapPage(
        title="Cutting walk",
        says=(
            ", ".join(_sum(walk, units)) + ".",
            "The line is the way on foot: along rows, and from one to the next by the headlands."
            + (" It is broken where a tree is left out." if len(stops) < len(walk.stops) else ""),
            *map(sentence, found.notes),
        ),
        layers=(
            *ground(found.layers),
            Shown(name="the way", frame=route.assign(stop="way"), themes=("stop",)),
            Shown(
                name="trees beside",
                frame=beside.assign(stop="leave"),
                themes=("stop",),
                told={"cultivar": "Cultivar", "where": "Stands", "of": "Seen from"},
                least=6,
            ),
            Shown(
                name="start, finish and gates",
                frame=waypoints.assign(stop=waypoints["kind"]),
                themes=("stop",),
                label="code",
                least=8,
            ),
            Shown(
                name="trees to cut",
                frame=stops.assign(stop="stop"),
                themes=("stop",),
                told={
                    "order": "Number",
                    "cultivar": "Cultivar",
                    "sticks": "Sticks",
                    "block": "Block",
                    "row": "Row",
                    "position": "Position",
                    "marks": "Known by",
                    "do_not_cut": "Beside it",
                    "cautions": "Mind",
                },
                label="order",
                within=True,
                least=9,
                most=11,
            ),
        ),
        tables=(_in_order(walk, units),),
        cautions=(*map(sentence, walk.cautions), SENSITIVE),
    )


def _sum(walk: "Walk", units: str) -> Iterator[str]:
    """Yield how many trees and sticks there are, and how far it is, in words."""
    sticks = sum(each.sticks or 0 for each in walk.stops)
    yield number(len(walk.stops), "tree")
    yield f"{length(walk.metres, units)} on foot"
    if walk.to_finish is not None:
        yield f"the last {length(walk.to_finish, units)} to the finish"
    if sticks:
        yield number(sticks, "stick")


def _in_order(walk: "Walk", units: str) -> Table:
    """Return the list of stops; sticks only where any number is known."""
    counted = any(each.sticks is not None for each in walk.stops)
    sticks = [(each.sticks,) if counted else () for each in walk.stops]
    return Table(
        heading="In this order",
        columns=(
            *("No.", "Tree", "Cultivar", "Row/pos."),
            *(("Sticks",) if counted else ()),
            "On foot",
        ),
        rows=[
            (each.order, each.tree, each.cultivar, _at(each), *number, _far(each, units))
            for each, number in zip(walk.stops, sticks, strict=True)
        ],
        notes=["; ".join((*each.do_not_cut(), *each.cautions)) for each in walk.stops],
        codes=(1,),
    )


def _at(stop: "Stop") -> str | None:
    return None if stop.block is None else f"{stop.block} {stop.row or '?'}/{stop.position or '?'}"


def _far(stop: "Stop", units: str) -> str | None:
    return None if stop.metres is None else length(stop.metres, units)


def confusion_page(found: "MapLayers", units: str = "SI") -> MapPage:
    """Return the page of trees of two cultivars that may be taken for each other.

    `found` has the layers ``pairs`` and ``blocks``; `units` are SI or US.
    """
    pairs = found.layers["pairs"]
    pairs = pairs.assign(
        code=pairs["tree"] + " and " + pairs["neighbour"],
        cultivars=pairs["cultivar"] + " and " + pairs["neighbour_cultivar"],
        apart=[length(metres, units) for metres in pairs["metres"]],
        chance=pairs["probability"].map("{:.0%}".format),
    )
    trees = _both_ends(pairs)
    listed = pairs.head(MOST_PAIRS)
    columns = ("chance", "apart", "tree", "neighbour")
    return MapPage(
        title="Trees that may be taken for each other",
        says=(
            f"{number(len(pairs), 'pair')} of neighbours of two cultivars, "
            f"{number(len(trees), 'tree')}. The chance is that of a cutter's fix at the one being "
            "likelier at the other.",
            *map(sentence, found.notes),
        ),
        layers=(
            *ground(found.layers),
            Shown(
                name="pairs",
                frame=pairs.drop(columns="cultivar"),
                themes=("reason",),
                filters={"reason": "Why"},
                told={
                    "cultivars": "Cultivars",
                    "apart": "Apart",
                    "reason": "Why",
                    "chance": "Chance of a mistake",
                },
            ),
            Shown(name="trees", frame=trees, told={"cultivar": "Cultivar"}, label="cultivar"),
        ),
        tables=(
            Table(
                heading="The likeliest first"
                + (f" ({len(listed)} of {len(pairs):,})" if len(listed) < len(pairs) else ""),
                columns=("Chance", "Apart", "Tree", "Neighbour"),
                rows=list(zip(*(listed[name] for name in columns), strict=True)),
                codes=(2, 3),
                notes=[
                    f"{cultivars}, {reason}"
                    for cultivars, reason in zip(listed["cultivars"], listed["reason"], strict=True)
                ],
                none="No trees of two cultivars stand close together.",
            ),
        ),
        cautions=(SENSITIVE,),
    )


def _both_ends(pairs: Any) -> Any:
    """Return the trees of pairs as points, each once, columns ``code, cultivar``."""
    import geopandas as gpd
    import shapely

    ends = [("tree", "cultivar", 0), ("neighbour", "neighbour_cultivar", 1)]
    tables = [
        pd.DataFrame(
            {
                "code": pairs[code],
                "cultivar": pairs[cultivar],
                "geometry": shapely.get_point(pairs.geometry.to_numpy(), place),
            }
        )
        for code, cultivar, place in ends
    ]
    every = pd.concat(tables, ignore_index=True).drop_duplicates("code")
    return gpd.GeoDataFrame(every, geometry="geometry", crs=pairs.crs)
