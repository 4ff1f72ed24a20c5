"""The pictures of a season's report, as SVG: what became of the wood, and how hard trees were cut.

Colours are Okabe and Ito's; hatches, shapes and numbers say the same.
"""

import io
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from scionreg.records.vocabulary import GraftMethod
from scionreg.records.words import Words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from scionreg.cold_store.report import StoreReport
    from scionreg.cutting import TreeOutlook
    from scionreg.lineage.balance import BalanceRow
    from scionreg.take.summary import ClassCounts

GONE: tuple[tuple[str, str, str], ...] = (
    ("used", "#0072B2", ""),
    ("sold", "#009E73", "//"),
    ("to_bundles", "#56B4E9", "\\\\"),
    ("discarded", "#E69F00", ".."),
    ("cut_not_tied", "#999999", "oo"),
    ("in_store", "#F0E442", "--"),
    ("unexplained", "#D55E00", "xx"),
)
"""Where sticks went, by the names of a balance's numbers, with colour and hatch."""
STATES = {"fit": ("o", "#0072B2"), "watch": ("s", "#E69F00"), "rest": ("D", "#D55E00")}
COUNTS = {"early": ("o", "#56B4E9", -0.16), "late": ("s", "#0072B2", 0.16)}
"""Marker and colour of each count, and how far off the middle of its line it is drawn."""
MOST_TREES, MOST_KINDS = 20, 45
"""Trees in the picture of pressure, and cultivars by method in that of take."""
WIDE = 8.2


def draw_use(rows: "Sequence[BalanceRow]", words: Words) -> str:
    """Return what became of the sticks of each cultivar, as shares of what came in."""
    shown = [row for row in rows if row.cut + row.received + row.from_bundles > 0]
    figure, axes = _figure(len(shown))
    for place, row in enumerate(shown):
        came = row.cut + row.received + row.from_bundles
        left = 0.0
        for name, color, hatch in GONE:
            share = 100 * max(0.0, getattr(row, name) or 0.0) / came
            bar = axes.barh(place, share, left=left, height=0.7, facecolor=color, hatch=hatch)
            bar.patches[0].set(edgecolor="white", linewidth=0.5)
            left += share
    _name(axes, [row.code or words("season_report.several") for row in shown])
    sticks = [row.cut + row.received + row.from_bundles for row in shown]
    _beside(axes, [words.many("fact.sticks", round(each)) for each in sticks])
    axes.axvline(100, color="#595959", linewidth=0.8)
    axes.set_xlabel(words("season_report.picture.use_axis"))
    _legend(
        figure, [(words(f"season_report.gone.{name}"), color, hatch) for name, color, hatch in GONE]
    )
    return _svg(figure)


def draw_pressure(trees: "Sequence[TreeOutlook]", words: Words) -> str:
    """Return the cut pressure of trees, in the order they come, by what it asks for."""
    from matplotlib.lines import Line2D

    shown = trees[:MOST_TREES]
    figure, axes = _figure(len(shown))
    for place, each in enumerate(shown):
        marker, color = STATES[each.status.state.value]
        axes.plot([0, each.status.pressure], [place, place], color="#BBBBBB", linewidth=1)
        axes.plot(each.status.pressure, place, marker, color=color, markersize=6)
    _name(axes, [f"{each.tree} {each.cultivar}" for each in shown])
    axes.set_xlim(left=0)
    axes.set_xlabel(words("season_report.picture.pressure_axis"))
    marks = [
        Line2D([], [], linestyle="", marker=marker, color=color, label=_state(name, words))
        for name, (marker, color) in STATES.items()
    ]
    figure.legend(handles=marks, loc="outside lower center", ncols=3, frameon=False, fontsize=8)
    return _svg(figure)


def _state(name: str, words: Words) -> str:
    return words(f"season_report.state.{name}")


def draw_take(rows: "Sequence[ClassCounts]", words: Words) -> str:
    """Return the take of each cultivar and method at both counts, with Wilson's intervals."""
    from matplotlib.lines import Line2D

    kinds = sorted({(each.cultivar or "?", each.method or "?") for each in rows})[:MOST_KINDS]
    places = {kind: place for place, kind in enumerate(kinds)}
    figure, axes = _figure(len(kinds))
    for each in rows:
        place = places.get((each.cultivar or "?", each.method or "?"))
        if place is None:
            continue
        marker, color, aside = COUNTS[each.stage.value]
        at = place + aside
        axes.plot([100 * each.low, 100 * each.high], [at, at], color=color, linewidth=1.2)
        axes.plot(100 * each.rate, at, marker, color=color, markersize=4.5)
    _name(axes, [f"{cultivar}, {method_in_words(method, words)}" for cultivar, method in kinds])
    axes.set_xlim(0, 100)
    axes.set_xlabel(words("season_report.picture.take_axis"))
    marks = [
        Line2D([], [], marker=marker, color=color, label=words(f"season_report.take.{name}"))
        for name, (marker, color, _) in COUNTS.items()
    ]
    figure.legend(handles=marks, loc="outside lower center", ncols=2, frameon=False, fontsize=8)
    return _svg(figure)


def method_in_words(method: str, words: Words) -> str:
    """Return a method as it is printed; a question mark where none is known."""
    return "?" if method == "?" else words.stored(GraftMethod, method)


def draw_warm_stores(store: "StoreReport", names: Sequence[str], units: str, words: Words) -> str:
    """Return the temperatures of the stores named, and the stays of bundles that grew warm."""
    from scionreg.documents.store_picture import draw_stores

    curves = {name: curve for name, curve in store.curves.items() if name in names}
    warm = store.stays["bundle"].isin(set(store.touched["bundle"]))
    some = replace(store, curves=curves, stays=store.stays[warm])
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "stores.svg"
        draw_stores(some, file, zone=store.zone, units=units, words=words)
        return file.read_text(encoding="utf-8")


def _figure(bars: int) -> "tuple[Figure, Axes]":
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDE, 1.3 + 0.24 * bars), layout="constrained")
    axes = figure.add_subplot()
    axes.set_ylim(bars - 0.4, -0.6)
    axes.grid(axis="x", color="#DDDDDD", linewidth=0.6)
    axes.set_axisbelow(True)
    return figure, axes


def _name(axes: "Axes", names: Sequence[str]) -> None:
    axes.set_yticks(range(len(names)), names, fontsize=8)
    for label in axes.get_yticklabels():
        label.set_parse_math(False)


def _beside(axes: "Axes", texts: Sequence[str]) -> None:
    for place, text in enumerate(texts):
        at = axes.get_yaxis_transform()
        axes.text(1.01, place, text, transform=at, va="center", fontsize=8, parse_math=False)


def _legend(figure: "Figure", entries: Sequence[tuple[str, str, str]]) -> None:
    from matplotlib.patches import Patch

    patches = [
        Patch(facecolor=color, hatch=hatch, edgecolor="white", label=says)
        for says, color, hatch in entries
    ]
    figure.legend(handles=patches, loc="outside lower center", ncols=3, frameon=False, fontsize=8)


def _svg(figure: "Figure") -> str:
    import matplotlib

    same: dict[str, Any] = {"Date": None}
    out = io.BytesIO()
    with matplotlib.rc_context({"svg.hashsalt": "scionreg"}):
        figure.savefig(out, format="svg", metadata=same)
    return out.getvalue().decode()
