"""Pictures of a cutting plan: supply against demand, and how hard each tree is cut.

Colours are of Okabe and Ito's set (M. Okabe & K. Ito 2008, Color Universal Design), and none is the
only cue: hatches, marks and printed numbers say the same.
"""

import os
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from scionreg.documents.take_pictures import new_figure, save_picture, write_words
from scionreg.records.errors import RegistryError
from scionreg.rotation.pressure import BY_SHARE, OWN_LIMITS, CutState
from scionreg.rotation.supply import LOOK_BACK

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from scionreg.cutting import Outlook, TreeOutlook
    from scionreg.rotation.cutting_plan import Plan, SeasonSupply

BLUE, ORANGE, SKY, GREY = "#0072B2", "#D55E00", "#56B4E9", "#595959"
YELLOW = "#F0E442"
RESTS: Any = {"color": ORANGE, "marker": "X", "markersize": 7, "linestyle": "none"}
NEVER: Any = {
    "color": GREY,
    "marker": "o",
    "markersize": 5,
    "markerfacecolor": "white",
    "linestyle": "none",
}
MOST_TREES = 40
"""Trees in one picture, those under most pressure first: more cannot be read on a page."""
MOST_CULTIVARS = 24
"""Cultivars in one picture, those most wanted first."""
BAR = 0.8
NAME, NAME_LINE = 28, 0.7
"""Letters of a cultivar's name in a line, and the height of a line in bars."""


def draw_supply(plan: "Plan", file: str | os.PathLike[str]) -> None:
    """Draw sticks planned and short of each cultivar by season, as PNG or SVG.

    Raises
    ------
    RegistryError
        The file's ending is neither ``.png`` nor ``.svg``, it cannot be written, or nothing is
        wanted.
    """
    wanted: dict[str, int] = {}
    for row in plan.seasons:
        wanted[row.cultivar] = wanted.get(row.cultivar, 0) + row.demand
    shown = sorted((c for c in wanted if wanted[c]), key=lambda c: -wanted[c])[:MOST_CULTIVARS]
    if not shown:
        raise RegistryError("there is nothing to draw: nothing has to be cut")
    figure, rows = new_figure(9, 1), [row for row in plan.seasons if row.demand]
    axes, at = figure.subplots(), 0.0
    ticks: list[float] = []
    names: list[str] = []
    for cultivar in shown:
        its = sorted((r for r in rows if r.cultivar == cultivar), key=lambda row: row.season)
        names.append(textwrap.fill(cultivar, NAME))
        # A name of many lines is higher than its bars.
        spare = max(0.0, NAME_LINE * (names[-1].count("\n") + 1) - len(its)) / 2
        at += spare
        ticks.append(at + (len(its) - 1) / 2)
        for row in its:
            _supply_bar(axes, at, row)
            at += 1
        at += spare + 0.6
    figure.set_size_inches(9, 1.5 + 0.24 * at)
    axes.set_yticks(ticks, names)
    for label in axes.get_yticklabels():
        label.set_parse_math(False)
    axes.set_ylim(at - 0.9, -0.7)
    axes.set_xlim(0, 1.38 * max(row.demand for row in rows))
    left_out = sum(wanted[c] > 0 for c in wanted) - len(shown)
    axes.set_xlabel("sticks" + (f" ({left_out} more cultivars are not shown)" if left_out else ""))
    axes.xaxis.set_major_formatter("{x:,.0f}")
    axes.grid(axis="x", color="#DDDDDD", linewidth=0.6)
    axes.set_axisbelow(True)
    write_words(axes.title, "Sticks planned against sticks wanted")
    _legend_of_supply(figure)
    save_picture(figure, file)


def _supply_bar(axes: "Axes", at: float, row: "SeasonSupply") -> None:
    """Draw a season: what is planned, and behind it what lacks."""
    axes.barh(at, row.planned, BAR, color=BLUE)
    says = f" {row.season}: {row.planned:,} of {row.demand:,}"
    if row.shortfall:
        lacks: Any = {"facecolor": "white", "edgecolor": ORANGE, "hatch": "////", "linewidth": 0.8}
        axes.barh(at, row.shortfall, BAR, left=row.planned, **lacks)
        says += f", {row.shortfall:,} short"
    axes.text(row.demand, at, says, va="center", fontsize=8)


def _legend_of_supply(figure: "Figure") -> None:
    from matplotlib.patches import Patch

    planned = Patch(facecolor=BLUE, label="planned")
    short = Patch(facecolor="white", edgecolor=ORANGE, hatch="////", label="short")
    figure.legend(
        handles=[planned, short], loc="outside lower center", ncols=2, frameon=False, fontsize=8
    )


def draw_pressure(outlook: "Outlook", plan: "Plan | None", file: str | os.PathLike[str]) -> None:
    """Draw the pressure on each tree over the seasons before and those planned, as PNG or SVG.

    Without a plan only the seasons before are drawn. A tree's limits are its kind's, marked at its
    bars; bank trees and temporary sources rest by their vigour alone. Trees that rest come first.

    Raises
    ------
    RegistryError
        The file's ending is neither ``.png`` nor ``.svg``, it cannot be written, or there is no
        tree.
    """
    first = outlook.seasons[0]
    planned = {(row.tree, row.season): row for row in plan.trees} if plan else {}
    seasons = [*range(first - LOOK_BACK, first), *(outlook.seasons if plan else ())]
    known = [each for each in outlook.trees if not plan or (each.tree, first) in planned]
    lines = {
        each.tree: [*each.before, *(planned[each.tree, s].pressure for s in seasons[LOOK_BACK:])]
        for each in known
    }
    shown = sorted(known, key=lambda each: (*_order(each, lines[each.tree]), each.tree))
    shown = shown[:MOST_TREES]
    if not shown:
        raise RegistryError("there is nothing to draw: no tree is recorded")
    most = max(1.0, *(max(lines[each.tree]) for each in shown))
    figure = new_figure(4.4 + 1.15 * len(seasons), 2.1 + 0.3 * len(shown))
    axes = figure.subplots()
    for place, tree in enumerate(shown):
        for at, (season, pressure) in enumerate(zip(seasons, lines[tree.tree], strict=True)):
            cut = planned[tree.tree, season].sticks if season >= first else None
            rests = season >= first and tree.status.state_in(season) is CutState.REST
            _pressure_bar(axes, at, place, tree, pressure, cut, rests, most)
    axes.set_xticks(range(len(seasons)), [str(season) for season in seasons])
    axes.set_xlim(-0.55, len(seasons) - 0.45)
    axes.set_yticks(range(len(shown)), [_named(each) for each in shown], fontsize=8)
    for label in axes.get_yticklabels():
        label.set_parse_math(False)
    axes.set_ylim(len(shown) - 0.5, -0.5)
    if plan:
        axes.axvline(LOOK_BACK - 0.5, color=GREY, linewidth=1, linestyle="--")
    axes.tick_params(length=0)
    left_out = len(known) - len(shown)
    notes = [f"{left_out} trees under less pressure are not shown."] if left_out else []
    if unused := sum(each.never_cut for each in known):
        notes.append(f"Never cut: {unused} of {len(known)} trees.")
    notes += ["In brackets: sticks to cut."] if plan else []
    axes.set_xlabel("\n".join([" ".join(notes), OWN_LIMITS]).strip(), fontsize=8, color=GREY)
    said = f"past and planned, the plan from {first}" if plan else "as it was cut"
    write_words(axes.title, f"Pressure on mother trees, {said}")
    _legend_of_pressure(figure, columns=2)
    save_picture(figure, file)


def _order(tree: "TreeOutlook", pressures: Sequence[float]) -> tuple[bool, bool, float]:
    """Return what trees are drawn by: those at rest, then how near any came to its limit."""
    rests = tree.status.state is CutState.REST
    return not rests, tree.never_cut, -max(pressures) / tree.supply.limits.rest


def _named(tree: "TreeOutlook") -> str:
    told = f"{tree.tree} ({tree.kind})"
    if tree.status.state is CutState.REST:
        return f"{told} rests, again in {tree.status.until}"
    return f"{told} watched" if tree.status.state is CutState.WATCH else told


def _pressure_bar(
    axes: "Axes",
    at: int,
    place: int,
    tree: "TreeOutlook",
    pressure: float,
    cut: int | None,
    rests: bool,
    most: float,
) -> None:
    """Draw a tree's season: a bar as long as the pressure, its kind's limits, number and mark."""
    from matplotlib.patches import Rectangle

    limits = tree.supply.limits
    by_share = tree.kind in BY_SHARE
    left, scale = at - 0.46, 0.92 / most
    color, hatch, mark = SKY, "", ""
    if by_share and pressure > limits.rest + 1e-9:
        color, hatch, mark = ORANGE, "////", " R"
    elif pressure > limits.watch + 1e-9:
        color, hatch, mark = YELLOW, "....", " W"
    if tree.never_cut and not pressure:
        axes.text(left, place - 0.14, "never cut", va="center", fontsize=7, style="italic")
        axes.plot(left, place + 0.25, **NEVER)
        return
    look: Any = {"facecolor": color, "edgecolor": GREY, "hatch": hatch, "linewidth": 0.3}
    axes.add_patch(Rectangle((left, place + 0.08), scale * pressure, 0.34, **look))
    for limit, line in ((limits.watch, ":"), (limits.rest, "-")):
        if limit <= most:
            x = left + scale * limit
            axes.plot([x, x], [place + 0.02, place + 0.48], color="black", lw=0.9, linestyle=line)
    told = f"{pressure:.2f}{mark}" + (f" ({cut:,})" if cut else "")
    if rests:
        told += " rests"
        axes.plot(left + 0.92, place + 0.25, **RESTS)
    axes.text(left, place - 0.14, told, va="center", fontsize=7)


def _legend_of_pressure(figure: "Figure", columns: int) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles = [
        Patch(facecolor=SKY, edgecolor=GREY, label="below its kind's watch level"),
        Patch(facecolor=YELLOW, edgecolor=GREY, hatch="....", label="W: above the watch level"),
        Patch(facecolor=ORANGE, edgecolor=GREY, hatch="////", label="R: above the rest level"),
        Line2D([], [], color="black", lw=0.9, linestyle=":", label="its kind's watch level"),
        Line2D([], [], color="black", lw=0.9, label="its kind's rest level (bank trees: none)"),
        Line2D([], [], **RESTS, label="it rests that season"),
        Line2D([], [], **NEVER, label="no cutting of it is recorded"),
    ]
    figure.legend(
        handles=handles, loc="outside lower center", ncols=columns, frameon=False, fontsize=8
    )
