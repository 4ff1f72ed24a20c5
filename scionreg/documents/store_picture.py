"""A picture of stores: temperature over the season, each bundle's stay, and the warm spells.

Colours are of Okabe and Ito's set, which colour-blind people can tell apart; a letter and a hatch
say the same.
"""

import datetime as dt
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from scionreg.cold_store.curve import Curve
from scionreg.cold_store.report import BundleFigures, StoreReport
from scionreg.records.errors import RegistryError
from scionreg.records.vocabulary import StoreClass
from scionreg.records.words import Words, english

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MARKS: dict[StoreClass, tuple[str, str]] = {
    StoreClass.GOOD: ("#56B4E9", ""),
    StoreClass.NOTE: ("#009E73", ".."),
    StoreClass.UNKNOWN: ("#BBBBBB", "\\\\"),
    StoreClass.CHECK: ("#F0E442", "//"),
    StoreClass.USE_FIRST: ("#E69F00", "xx"),
    StoreClass.SAMPLE_FIRST: ("#D55E00", "++"),
}
"""Of each class: colour and hatch."""

LINE, SPELL = "#0072B2", "#D55E00"
NAMED = 45
"""Bundles of a store that are named one by one."""
MOST = 150
"""Bundles of a store that are drawn; the warmest and the longest there."""
PIECES = 3_000
"""Pieces that a curve is drawn in: more cannot be seen."""
TICKS: dict[str, list[str]] = {
    "formats": ["%Y", "%Y-%m", "%d", "%H:%M", "%H:%M", "%S.%f"],
    "zero_formats": ["", "%Y", "%Y-%m", "%d", "%H:%M", "%H:%M"],
    "offset_formats": ["", "%Y", "%Y-%m", "%Y-%m-%d", "%Y-%m-%d", "%Y-%m-%d %H:%M"],
}
"""Days along the axis, as ISO 8601 has them in every language."""


def draw_stores(
    found: StoreReport,
    file: Path,
    *,
    zone: dt.tzinfo = dt.UTC,
    units: str = "SI",
    words: Words | None = None,
) -> None:
    """Draw the stores of a report to a PNG or SVG file; temperatures in °C, or °F for US units.

    What is written on it is in English, or in the language of `words`.

    Raises
    ------
    RegistryError
        The file is of another kind, cannot be written, or there is nothing to draw.
    """
    from matplotlib.figure import Figure

    if file.suffix.lower() not in (".png", ".svg"):
        raise RegistryError(f"{file.name} is neither .png nor .svg")
    stores = [name for name in sorted(found.curves) if (found.stays["store"] == name).any()]
    if not stores:
        raise RegistryError("there is nothing to draw: no wood was in a store")
    words = words or english()
    rows = [min(_count(found, store), MOST) for store in stores]
    heights = [height for count in rows for height in (2.2, _height(count))]
    figure = Figure(figsize=(11, sum(heights) + 0.55 * len(heights) + 0.8), layout="constrained")
    axes = figure.subplots(
        len(heights), 1, sharex=True, squeeze=False, gridspec_kw={"height_ratios": heights}
    )[:, 0]
    for at, store in enumerate(stores):
        _draw_temperature(axes[2 * at], found, store, zone, words, fahrenheit=units == "US")
        _draw_stays(axes[2 * at + 1], found, store, zone, words)
    _limit(axes[0], found, zone)
    _legend(figure, found, words)
    try:
        figure.savefig(file, dpi=130)
    except OSError as fault:
        raise RegistryError(f"{file} cannot be written: {fault.strerror}") from fault


def _height(bundles: int) -> float:
    return 0.4 + bundles * (0.16 if bundles <= NAMED else 0.05)


def _count(found: StoreReport, store: str) -> int:
    return int(found.stays.loc[found.stays["store"] == store, "bundle"].nunique())


def _on_clock(moment: Any, zone: dt.tzinfo) -> Any:
    """Return a point in time as the clock of the registry showed it; pictures know no zones."""
    return moment.astimezone(zone).replace(tzinfo=None)


def _first(found: StoreReport) -> Any:
    """Return where the picture begins: with the first stay, or the period asked about."""
    first = found.stays["start"].min()
    return first if found.start is None else max(first, found.start)


def _last(found: StoreReport) -> Any:
    """Return where the picture ends: with the last stay, or the period asked about."""
    last = found.stays["end"].max()
    return last if found.end is None else min(last, found.end)


def _limit(axes: "Axes", found: StoreReport, zone: dt.tzinfo) -> None:
    """Let the picture run from its first moment to the last, with a little room."""
    start, end = _first(found), _last(found)
    room = (end - start) * 0.01
    axes.set_xlim(_on_clock(start - room, zone), _on_clock(end + room, zone))


def _draw_temperature(
    axes: "Axes",
    found: StoreReport,
    store: str,
    zone: dt.tzinfo,
    words: Words,
    *,
    fahrenheit: bool,
) -> None:
    import numpy as np
    from matplotlib import dates

    curve = found.curves[store]

    def shown(celsius: Any) -> Any:
        return celsius * 1.8 + 32 if fahrenheit else celsius

    unit = "°F" if fahrenheit else "°C"
    when, low, high = _thinned(curve)
    clock = [_on_clock(dt.datetime.fromtimestamp(each, dt.UTC), zone) for each in when]
    axes.fill_between(clock, shown(low), shown(high), color=LINE, linewidth=0.9)
    axes.axhline(shown(found.warm_above_c), color="black", linewidth=0.8, linestyle="--")
    axes.annotate(
        f"{round(shown(found.warm_above_c), 1):g} {unit}",
        (1, shown(found.warm_above_c)),
        xycoords=("axes fraction", "data"),
        xytext=(4, 0),
        textcoords="offset points",
        va="center",
        fontsize=8,
    )
    for spell in (each for each in found.spells if each.store == store):
        start, end = _on_clock(spell.start, zone), _on_clock(spell.end, zone)
        look: dict[str, Any] = {
            "facecolor": "none",
            "edgecolor": SPELL,
            "hatch": "///",
            "linewidth": 0.8,
        }
        axes.axvspan(start, end, zorder=0.5, **look)
        axes.annotate(
            f"{spell.heat_c_hours * (1.8 if fahrenheit else 1):.0f} {unit}·h",
            (start, 1),
            xycoords=("data", "axes fraction"),
            xytext=(-4, -4),
            textcoords="offset points",
            ha="right",
            va="top",
            fontsize=8,
        )
    there = (when >= _first(found).timestamp()) & (when <= _last(found).timestamp())
    seen = np.concatenate((low[there], high[there], [0.0, found.warm_above_c]))
    axes.set_ylim(shown(float(np.nanmin(seen)) - 1), shown(float(np.nanmax(seen)) + 2))
    title = words("store_picture.curve", store=store, unit=unit)
    axes.set_title(title, loc="left", fontsize=10)
    axes.set_axisbelow(True)
    axes.grid(axis="x", color="#DDDDDD", linewidth=0.6)
    formatter: Any = dates.ConciseDateFormatter
    axes.xaxis.set_major_formatter(formatter(axes.xaxis.get_major_locator(), **TICKS))
    axes.tick_params(labelsize=8, labelbottom=True)


def _thinned(curve: Curve) -> tuple[Any, Any, Any]:
    """Return times with the lowest and highest temperature there; NaN between unjoined ones."""
    import numpy as np

    times, warmth, joined = curve.times, curve.temperatures, curve.joined
    if not len(times):
        return times, warmth, warmth
    width = max(1, len(times) // PIECES)
    starts = np.arange(0, len(times), width)
    low, high = np.minimum.reduceat(warmth, starts), np.maximum.reduceat(warmth, starts)
    when = times[starts]
    gaps = np.flatnonzero(~joined)
    place = np.searchsorted(starts, gaps, side="right")
    hole = np.full(len(gaps), np.nan)
    return (
        np.insert(when, place, times[gaps] + 1),
        np.insert(low, place, hole),
        np.insert(high, place, hole),
    )


def _draw_stays(
    axes: "Axes", found: StoreReport, store: str, zone: dt.tzinfo, words: Words
) -> None:
    figures = {each.bundle: each for each in found.bundles}
    stays = found.stays[found.stays["store"] == store]
    bundles = _chosen([figures[code] for code in stays["bundle"].unique()])
    places = {each.bundle: row for row, each in enumerate(bundles)}
    for code, start, end in zip(stays["bundle"], stays["start"], stays["end"], strict=True):
        if code in places:
            colour, hatch = MARKS[figures[code].grade]
            begin, finish = _on_clock(start, zone), _on_clock(end, zone)
            axes.barh(
                places[code],
                finish - begin,
                left=begin,
                height=0.8,
                color=colour,
                hatch=hatch if len(places) <= NAMED else "",
                edgecolor="#444444" if len(places) <= NAMED else colour,
                linewidth=0.4,
            )
    for spell in (each for each in found.spells if each.store == store):
        axes.axvspan(
            _on_clock(spell.start, zone),
            _on_clock(spell.end, zone),
            facecolor="none",
            edgecolor=SPELL,
            hatch="///",
            linewidth=0.8,
        )
    axes.set_ylim(len(bundles) - 0.4, -0.6)
    title = _title(store, len(bundles), stays["bundle"].nunique(), words)
    axes.set_title(title, loc="left", fontsize=10)
    _name_rows(axes, bundles, words)
    axes.set_axisbelow(True)
    axes.grid(axis="x", color="#DDDDDD", linewidth=0.6)
    axes.tick_params(axis="x", labelsize=8, labelbottom=True)


def _title(store: str, drawn: int, there: int, words: Words) -> str:
    if drawn < there:
        return words("store_picture.some_stays", store=store, drawn=drawn, there=there)
    return words("store_picture.stays", store=store)


def _chosen(bundles: Sequence[BundleFigures]) -> list[BundleFigures]:
    """Return the bundles to draw: the warmest where there are too many; by class, then code."""
    most = sorted(bundles, key=lambda each: (-each.worst.degree_hours, -each.mean.hours))[:MOST]
    ranks = list(StoreClass)
    return sorted(most, key=lambda each: (-ranks.index(each.grade), each.bundle))


def _name_rows(axes: "Axes", bundles: Sequence[BundleFigures], words: Words) -> None:
    """Name each bundle and its class's letter; of very many, only where a class begins."""
    if len(bundles) <= NAMED:
        axes.set_yticks(range(len(bundles)))
        axes.set_yticklabels([f"{each.bundle} {_letter(each.grade, words)}" for each in bundles])
        axes.tick_params(axis="y", labelsize=7)
        return
    counts = {grade: sum(each.grade is grade for each in bundles) for grade in MARKS}
    ticks, labels, row = [], [], 0
    for grade in reversed(list(StoreClass)):
        if counts[grade]:
            ticks.append(row + counts[grade] / 2 - 0.5)
            labels.append(
                words(
                    "store_picture.many",
                    number=counts[grade],
                    name=grade,
                    letter=_letter(grade, words),
                )
            )
            row += counts[grade]
            axes.axhline(row - 0.5, color="black", linewidth=0.5)
    axes.set_yticks(ticks)
    axes.set_yticklabels(labels)
    axes.tick_params(axis="y", labelsize=8, length=0)


def _letter(grade: StoreClass, words: Words) -> str:
    return words(f"store_picture.letter.{grade.value}")


def _legend(figure: Any, found: StoreReport, words: Words) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    there = {each.grade for each in found.bundles}
    handles: list[Any] = [Line2D([], [], color=LINE, label=words("store_picture.temperature"))]
    if found.spells:
        spell = words("store_picture.warm_spell")
        handles.append(Patch(facecolor="none", edgecolor=SPELL, hatch="///", label=spell))
    handles += [
        Patch(
            facecolor=colour,
            hatch=hatch,
            edgecolor="#444444",
            label=words("store_picture.class", letter=_letter(grade, words), name=grade),
        )
        for grade, (colour, hatch) in MARKS.items()
        if grade in there
    ]
    figure.legend(handles=handles, loc="outside lower center", ncols=4, fontsize=8, frameon=False)
