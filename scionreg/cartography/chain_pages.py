"""Pages of a chain: where something came from, and what else shares its source."""

import datetime as dt
from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING

import pandas as pd

from scionreg.cartography.page import MapPage, Shown, Table
from scionreg.cartography.tree_page import SENSITIVE, ground, number, said, sentence

if TYPE_CHECKING:
    from scionreg.lineage.recall import Recall
    from scionreg.lineage.trace import Trace
    from scionreg.mapping import MapLayers

UNKNOWN = "not recorded"
NO_PERMIT = (
    "Moving wood and trees between regions may be regulated: ask the plant-health authority; this "
    "map is no permit."
)


def trace_page(found: "MapLayers", traced: "Trace") -> MapPage:
    """Return the page of a trace: a line from what was grown to each tree it may come from.

    Parameters
    ----------
    found : layers ``rows``, ``lines`` and ``places`` of the trace, and ``blocks``.
    traced : the trace itself, for the lists.
    """
    rows, lines, places = (found.layers[name] for name in ("rows", "lines", "places"))
    told = {
        "kind": "What it is",
        "label": "Cultivar",
        "grade_said": "The link is",
        "date_said": "Wood cut on",
        "share_said": "Share of the wood",
    }
    return MapPage(
        title=f"Where {traced.code} came from",
        says=(
            f"The chain is {said('grade', pd.Series([traced.grade.value])).iloc[0]}. A line leads "
            "from what was grown to the tree its wood was cut from, with the day of the cutting.",
            *map(sentence, found.notes),
        ),
        layers=(
            *ground(found.layers),
            Shown(name="rows", frame=_told(rows), themes=("kind",), told=told, wide_m=1.0),
            Shown(
                name="links",
                frame=_told(lines),
                themes=("grade",),
                told={"to": "Cut from", **told},
                label="date_said",
            ),
            Shown(
                name="trees and positions",
                frame=_told(places),
                themes=("kind",),
                told=told,
                label="code",
                least=7,
            ),
        ),
        tables=(
            Table(
                heading="Sources",
                columns=("Gen.", "Tree", "Cultivar", "Cut on", "Share", "Link"),
                rows=[
                    (
                        each.generation,
                        each.tree or "not a tree here",
                        each.cultivar,
                        _day(each.date),
                        f"{each.share:.0%}",
                        _grade(each.grade),
                    )
                    for each in traced.sources
                ],
                codes=(1,),
                notes=["; ".join(each.because) for each in traced.sources],
            ),
            *_lines("Not recorded", traced.missing),
            *_lines("Contradictions", traced.contradictions),
        ),
        cautions=(SENSITIVE, "What a tree is stays for the laboratory or the fruit to say."),
    )


def recall_page(found: "MapLayers", recalled: "Recall") -> MapPage:
    """Return the page of a recall: rows and trees that certainly or possibly share a source.

    Parameters
    ----------
    found : layers ``rows`` and ``trees`` of the recall, and ``blocks``.
    recalled : the recall itself, for the lists.
    """
    rows, trees = (found.layers[name] for name in ("rows", "trees"))
    told = {"kind": "What it is", "reach_said": "Shares the source", "share_said": "Of its wood"}
    shown = Shown(
        name="",
        frame=rows,
        themes=("reach",),
        filters={"reach_said": "Shares the source"},
        told=told,
        label="code",
    )
    sent = {each.dispatch for each in recalled.dispatches}
    return MapPage(
        title=f"What shares a source with {recalled.code}",
        says=(
            f"{number(len(recalled.bundles), 'bundle')}, "
            f"{number(len(recalled.graft_lots), 'graft lot')}, "
            f"{number(len(sent), 'dispatch', 'dispatches')} to "
            f"{number(len(recalled.customers()), 'customer')}, "
            f"{number(len(recalled.mother_trees), 'mother tree')} grown from it. "
            "Certain: all of the wood came from there. Possible: some of it may have.",
            *map(sentence, found.notes),
        ),
        layers=(
            *ground(found.layers),
            replace(shown, name="graft lots", frame=_reached(rows), wide_m=1.0),
            replace(shown, name="trees", frame=_reached(trees), least=7),
        ),
        tables=(
            Table(
                heading="Sent to customers",
                columns=("Customer", "Dispatch", "Day", "Lot", "Trees", "Shares it"),
                rows=[
                    (
                        each.customer,
                        each.dispatch,
                        _day(each.date),
                        each.graft_lot,
                        each.trees,
                        each.grade.value,
                    )
                    for each in recalled.dispatches
                ],
                codes=(3,),
            ),
            Table(
                heading="Graft lots",
                columns=("Lot", "Block", "Row", "Positions", "Shares it"),
                rows=[
                    (each.graft_lot, each.block, each.row, each.positions, each.grade.value)
                    for each in recalled.graft_lots
                ],
            ),
            Table(
                heading="Sticks left in store",
                columns=("Bundle", "Sticks", "Shares it"),
                rows=[
                    (each.bundle, f"{each.sticks_left:.0f}", each.grade.value)
                    for each in recalled.bundles
                    if each.sticks_left >= 0.5
                ],
                codes=(),
            ),
        ),
        cautions=(SENSITIVE, NO_PERMIT),
    )


def _told(frame: pd.DataFrame) -> pd.DataFrame:
    """Return shapes of a trace with what a pop-up says of them."""
    return frame.assign(
        grade_said=said("grade", frame["grade"]),
        date_said=frame["date"].map(str, na_action="ignore"),
        share_said=frame["share"].map("{:.0%}".format, na_action="ignore"),
    )


def _reached(frame: pd.DataFrame) -> pd.DataFrame:
    """Return shapes of a recall with what a pop-up says; a source has no grade of its own."""
    reach = frame["grade"].where(frame["grade"].notna(), frame["kind"])
    return frame.assign(
        reach=reach,
        reach_said=said("reach", reach),
        share_said=frame["share"].map("{:.0%}".format, na_action="ignore"),
    )


def _grade(grade: str) -> str:
    return str(said("grade", pd.Series([grade])).iloc[0])


def _day(day: dt.date | None) -> str:
    return day.isoformat() if day else UNKNOWN


def _lines(heading: str, lines: Iterable[str]) -> list[Table]:
    rows = [(line,) for line in lines]
    return [Table(heading=heading, columns=("What",), rows=rows, codes=())] if rows else []
