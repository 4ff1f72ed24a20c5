"""What the records say of a mother tree that whoever stands before it should know."""

from collections.abc import Iterable

from sqlalchemy import Connection

from scionreg.lineage.graph import Query, as_day, rows
from scionreg.lineage.phrases import in_brackets
from scionreg.records.vocabulary import TreeEventKind
from scionreg.records.words import Sentence

NOTES = Query("SELECT tree, notes FROM mother_trees WHERE tree IN {codes} AND notes IS NOT NULL")
EVENTS = Query(
    "SELECT tree, date, event, limb, detail FROM tree_events WHERE tree IN {codes} ORDER BY id"
)
MARKS = (TreeEventKind.RETAGGED, TreeEventKind.LIMB_REMOVED)
"""What a tree may be known by."""


def read_marks(connection: Connection, trees: Iterable[str]) -> dict[str, tuple[str, ...]]:
    """Return what trees are known by, in words; those of which nothing is noted are lacking."""
    trees = list(trees)
    marks: dict[str, list[str]] = {}
    for tree, notes in rows(connection, NOTES, trees):
        marks.setdefault(tree, []).append(notes)
    for tree, date, event, limb, detail in rows(connection, EVENTS, trees):
        if event in MARKS:
            says = Sentence(
                "walk.event",
                of=Sentence("walk.of_limb", limb=limb) if limb else "",
                event=Sentence(f"word.TreeEventKind.{event}"),
                day=as_day(date) or Sentence("walk.unknown_day"),
                detail=in_brackets(detail),
            )
            marks.setdefault(tree, []).append(says)
    return {tree: tuple(said) for tree, said in marks.items()}
