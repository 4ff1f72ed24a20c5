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
from scionreg.rotation.pressure import BY_SHARE, OWN_LIMITS
from scionreg.rotation.supply import LOOK_BACK

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from scionreg.cutting import Outlook, TreeOutlook
    from scionreg.rotation.cutting_plan import Plan, SeasonSupply

BLUE, ORANGE, SKY, GREY = "#0072B2", "#D55E00", "#56B4E9", "#595959"
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

    Without a plan only the seasons before are drawn. A tree's limits are its kind's; bank trees and
    temporary sources have none, and are judged by vigour.

    Raises
    ------
    RegistryError
        The file's ending is neither ``.png`` nor ``.svg``, it cannot be written, or there is no
        tree.
    """
    first = outlook.seasons[0]
    before = list(range(first - LOOK_BACK, first))
    planned = {(row.tree, row.season): row for row in plan.trees} if plan else {}
    seasons = [*before, *(outlook.seasons if plan else ())]
    known = [each for each in outlook.trees if not plan or (each.tree, first) in planned]
    lines = {
        each.tree: [*each.before, *(planned[each.tree, s].pressure for s in seasons[LOOK_BACK:])]
        for each in known
    }
    shown = sorted(known, key=lambda each: (-_strain(each, lines[each.tree]), each.tree))
    shown = shown[:MOST_TREES]
    if not shown:
        raise RegistryError("there is nothing to draw: no tree is recorded")
    most = max(1.0, *(max(lines[each.tree]) for each in shown))
    figure = new_figure(3.2 + 1.15 * len(seasons), 1.9 + 0.3 * len(shown))
    axes = figure.subplots()
    for place, tree in enumerate(shown):
        sticks = [
            planned[tree.tree, season].sticks if season >= first else None for season in seasons
        ]
        _pressure_line(axes, place, tree, lines[tree.tree], sticks, most)
    axes.set_xticks(range(len(seasons)), [str(season) for season in seasons])
    axes.set_xlim(-0.55, len(seasons) - 0.45)
    axes.set_yticks(range(len(shown)), [f"{e.tree} ({e.kind})" for e in shown], fontsize=8)
    for label in axes.get_yticklabels():
        label.set_parse_math(False)
    axes.set_ylim(len(shown) - 0.5, -0.5)
    if plan:
        axes.axvline(LOOK_BACK - 0.5, color=GREY, linewidth=1, linestyle="--")
    axes.tick_params(length=0)
    left_out = len(known) - len(shown)
    notes = [f"{left_out} trees under less pressure are not shown."] if left_out else []
    notes += ["In brackets: sticks to cut."] if plan else []
    axes.set_xlabel("\n".join([" ".join(notes), OWN_LIMITS]).strip(), fontsize=8, color=GREY)
    said = f"past and planned, the plan from {first}" if plan else "as it was cut"
    write_words(axes.title, f"Pressure on mother trees, {said}")
    _legend_of_pressure(figure, columns=3 if plan else 1)
    save_picture(figure, file)


def _strain(tree: "TreeOutlook", pressures: Sequence[float]) -> float:
    """Return how near a tree's pressure ever is to what its kind may bear."""
    return max(pressures) / tree.supply.limits.rest


def _pressure_line(
    axes: "Axes",
    place: int,
    tree: "TreeOutlook",
    pressures: Sequence[float],
    sticks: Sequence[int | None],
    most: float,
) -> None:
    """Draw a tree: a bar a season as long as the pressure, with its number and mark."""
    from matplotlib.patches import Rectangle

    limits = tree.supply.limits
    by_share = tree.kind in BY_SHARE
    for at, (pressure, cut) in enumerate(zip(pressures, sticks, strict=True)):
        color, hatch, mark = SKY, "", ""
        if by_share and pressure > limits.rest + 1e-9:
            color, hatch, mark = ORANGE, "////", " R"
        elif by_share and pressure > limits.watch + 1e-9:
            color, hatch, mark = "#F0E442", "....", " W"
        width = 0.92 * pressure / most
        box = (at - 0.46, place + 0.08), width, 0.34
        look: Any = {"facecolor": color, "edgecolor": GREY, "hatch": hatch, "linewidth": 0.3}
        axes.add_patch(Rectangle(*box, **look))
        told = f"{pressure:.2f}{mark}" + (f" ({cut:,})" if cut else "")
        axes.text(at - 0.46, place - 0.14, told, va="center", fontsize=7)


def _legend_of_pressure(figure: "Figure", columns: int) -> None:
    from matplotlib.patches import Patch

    handles = [
        Patch(facecolor=SKY, edgecolor=GREY, label="below its kind's limits, or judged by vigour"),
        Patch(facecolor="#F0E442", edgecolor=GREY, hatch="....", label="W: above the watch level"),
        Patch(facecolor=ORANGE, edgecolor=GREY, hatch="////", label="R: above the rest level"),
    ]
    figure.legend(
        handles=handles, loc="outside lower center", ncols=columns, frameon=False, fontsize=8
    )
