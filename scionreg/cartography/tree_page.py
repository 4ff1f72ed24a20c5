"""The page of the mother trees: where they stand, and what is known of each."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import pandas as pd

from scionreg.cartography.page import MapPage, Shown, Table
from scionreg.cartography.symbols import theme

if TYPE_CHECKING:
    from scionreg.mapping import MapLayers

FOOT_M = 0.3048
SENSITIVE = (
    "Places of mother trees are worth keeping to oneself: trees of protected cultivars get robbed."
)


def ground(layers: Mapping[str, Any]) -> list[Shown]:
    """Return the blocks, if there are any, as the ground that the rest is drawn on."""
    if "blocks" not in layers or layers["blocks"].empty:
        return []
    return [Shown(name="blocks", frame=layers["blocks"], label="code", background=True)]


def mother_trees_page(
    found: "MapLayers",
    *,
    history: Mapping[str, Sequence[str]] | None = None,
    links: Mapping[str, Sequence[tuple[str, str]]] | None = None,
    units: str = "SI",
) -> MapPage:
    """Return the page of the mother trees.

    Parameters
    ----------
    found : layers ``blocks`` and ``trees``.
    history, links : lines, and texts with files, by tree.
    units : SI or US, for lengths.
    """
    trees = described(found.layers["trees"], units)
    shown = Shown(
        name="mother trees",
        frame=trees,
        themes=("may_be_cut", "status", "identity", "pressure", "take"),
        filters={"cultivar": "Cultivar", "may_said": "May it be cut"},
        told={
            "cultivar": "Cultivar",
            "may_said": "May it be cut",
            "why": "Why",
            "status_said": "Recorded status",
            "identity_said": "Identity",
            "pressure_said": "Cut pressure",
            "take_said": "Take of its grafts",
            "stands": "Stands",
            "fix": "Place",
        },
        history=history or {},
        links=links or {},
    )
    cultivars = trees["cultivar"].nunique()
    return MapPage(
        title="Mother trees",
        says=(
            f"{number(len(trees), 'mother tree')} of {number(cultivars, 'cultivar')}. A click on "
            "one shows what is recorded of it.",
            *map(sentence, found.notes),
        ),
        layers=(*ground(found.layers), shown),
        tables=(_by_cultivar(trees),),
        cautions=(SENSITIVE, "Cut pressure and limits are the nursery's own figures."),
    )


def _by_cultivar(trees: pd.DataFrame) -> Table:
    counts = trees.groupby("cultivar", sort=True)["may_be_cut"].agg(
        trees="size", may=lambda may: may.isin(("yes", "doubt")).sum()
    )
    rows = [(name, int(row.trees), int(row.may)) for name, row in counts.iterrows()]
    return Table(
        heading="By cultivar",
        columns=("Cultivar", "Trees", "May be cut"),
        rows=rows,
        codes=(),
    )


def described(trees: pd.DataFrame, units: str = "SI") -> pd.DataFrame:
    """Return trees with what a pop-up says of them, in words, and yes or no for `estimated`."""
    may = _may(trees)
    return trees.assign(
        may_be_cut=may,
        may_said=said("may_be_cut", may),
        why=trees["why"].where(trees["why"].astype(bool), None),
        status_said=said("status", trees["status"]),
        identity_said=said("identity", trees["identity"]),
        pressure_said=trees["pressure"].map("{:.2f}".format, na_action="ignore"),
        take_said=trees["take"].map("{:.0%}".format, na_action="ignore"),
        stands=_stands(trees),
        fix=_fix(trees, units),
    )


def _may(trees: pd.DataFrame) -> "pd.Series[Any]":
    """Return whether trees may be cut as words of the theme; None where nobody asked."""

    def word(eligible: Any, why: Any) -> str | None:
        if pd.isna(eligible):
            return None
        return "no" if not eligible else "doubt" if why else "yes"

    columns = (trees[name] for name in ("eligible", "why"))
    return pd.Series([word(*each) for each in zip(*columns, strict=True)], index=trees.index)


def said(name: str, values: "pd.Series[Any]") -> "pd.Series[Any]":
    """Return values in the words of a theme's legend; None for what no look is for."""
    looks = theme(name).looks
    words = {look.word: look.says for look in looks if look.word is not None}
    return values.map(words)


def _stands(trees: pd.DataFrame) -> "pd.Series[Any]":
    """Return block, row and position in words."""

    def words(block: Any, row: Any, position: Any) -> str | None:
        parts = [None if pd.isna(block) else str(block)]
        parts += [None if pd.isna(row) else f"row {row}"]
        parts += [None if pd.isna(position) else f"position {position}"]
        return ", ".join(part for part in parts if part) or None

    columns = (trees[name] for name in ("block", "row", "position"))
    return pd.Series([words(*each) for each in zip(*columns, strict=True)], index=trees.index)


def _fix(trees: pd.DataFrame, units: str) -> "pd.Series[Any]":
    """Return how well the place is known."""

    def words(estimated: bool, accuracy: Any, fixes: int) -> str | None:
        within = "" if pd.isna(accuracy) else f", within {length(accuracy, units)} (68 %)"
        if estimated:
            return f"laid out, not measured{within}"
        return f"{fixes} fix{'es' if fixes > 1 else ''}{within}" if fixes else None

    columns = (trees[name] for name in ("estimated", "accuracy_m", "fixes"))
    return pd.Series([words(*each) for each in zip(*columns, strict=True)], index=trees.index)


def number(of: int, one: str, more: str = "") -> str:
    """Return a number of things in words: ``1 tree``, ``2 trees``."""
    return f"{of:,} {one if of == 1 else more or one + 's'}"


def length(metres: float, units: str = "SI") -> str:
    """Return a length in metres or, where `units` is US, in feet: two figures, or whole ones."""
    value, unit = (metres / FOOT_M, "ft") if units == "US" else (metres, "m")
    # Nothing is known to less than a hundredth.
    return f"{value:,.0f} {unit}" if value >= 10 else f"{round(value, 2):.2g} {unit}"


def sentence(note: str) -> str:
    """Return a note with a capital and one full stop."""
    return f"{note[:1].upper()}{note[1:].rstrip('.')}."
