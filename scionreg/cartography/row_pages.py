"""Pages of nursery rows: how the lots took, and what was looked at."""

from typing import TYPE_CHECKING, Literal

import pandas as pd

from scionreg.cartography.page import MapPage, Shown
from scionreg.cartography.tree_page import ground, number, said, sentence

if TYPE_CHECKING:
    from scionreg.mapping import MapLayers

TITLES = {"take": "How the rows took", "looked": "What was looked at in the rows"}
SAYS = {
    "take": "Take is the share of grafts that grow from the scion; a missing one failed.",
    "looked": "As labelled means the trees that were looked at; the others of a lot may differ.",
}
CLOSE_M = 0.08
"""Metres a pixel from which single positions are drawn."""


def rows_page(found: "MapLayers", by: Literal["take", "looked"]) -> MapPage:
    """Return the page of nursery rows, coloured by take or by what was looked at at first.

    Parameters
    ----------
    found : layers ``blocks``, ``rows`` and maybe ``positions``.
    by : what they are coloured by; the page has a switch to the other.
    """
    themes = (by, "looked" if by == "take" else "take")
    lots = _described(found.layers["rows"])
    shared = {"cultivar": "Cultivar", "take_said": "Take", "looked_said": "Looked at"}
    filters = {"block": "Block", "cultivar": "Cultivar"}
    layers = [
        Shown(
            name="graft lots",
            frame=lots,
            themes=themes,
            filters=filters,
            told={
                **shared,
                "found": "Found off",
                "block": "Block",
                "row": "Row",
                "stands": "Positions",
                "season": "Season",
                "grafts": "Grafts",
                "regraft_of": "Regraft of",
            },
            label="take_said" if by == "take" else "found",
            wide_m=0.8,
        )
    ]
    if "positions" in found.layers:
        told = {"lot": "Graft lot", **shared, "block": "Block", "row": "Row"}
        layers.append(
            Shown(
                name="positions",
                frame=_worded(found.layers["positions"]),
                themes=themes,
                filters=filters,
                told={**told, "position": "Position"},
                apart_m=0.4,
                least=2,
                from_m=CLOSE_M,
            )
        )
    return MapPage(
        title=TITLES[by],
        says=(
            f"{number(len(lots), 'graft lot')} of "
            f"{number(lots['cultivar'].nunique(), 'cultivar')}. {SAYS[by]}",
            "The rows are laid out, not measured: by the outline of their block, its spacings and "
            "what fixes there are.",
            *map(sentence, found.notes),
        ),
        layers=(*ground(found.layers), *layers),
    )


def _worded(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.assign(
        looked=frame["identity"],
        looked_said=said("looked", frame["identity"]),
        take_said=frame["take"].map("{:.0%}".format, na_action="ignore"),
    )


def _described(lots: pd.DataFrame) -> pd.DataFrame:
    """Return lots with what a pop-up says of them."""
    found = [
        f"{off} of {looked}" if looked else ""
        for off, looked in zip(lots["off"], lots["looked_at"], strict=True)
    ]
    stands = [f"{a} to {z}" for a, z in zip(lots["first"], lots["last"], strict=True)]
    return _worded(lots).assign(stands=stands, found=found)
