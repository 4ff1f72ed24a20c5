"""A day's page: what is due, what runs out, what is wrong and what changed."""

import datetime as dt
import os
from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, Any

from scionreg.documents.paper import Paper, Section, Table, write_paper
from scionreg.documents.pdf import usual_paper
from scionreg.records.words import Words, english

if TYPE_CHECKING:
    from scionreg.daybook import DueCount, Today
    from scionreg.lineage.known import Known

MOST_ROWS = 20
"""Rows of one part on paper; of more their number is told."""


def write_today(today: "Today", file: str | os.PathLike[str], words: Words | None = None) -> Paper:
    """Write a day's page as HTML or PDF and return what it says; errors as `write_paper`."""
    used = words or english()
    paper = today_paper(today, used, MOST_ROWS)
    write_paper(paper, file, used, size=usual_paper(today.units))
    return paper


def today_paper(today: "Today", words: Words, most: int | None = None) -> Paper:
    """Return what a day's page says; a part has `most` rows, and the number of the others."""
    return Paper(
        language=words("paper.language"),
        title=words("today.title"),
        code=today.nursery or words.day(today.at),
        lead=words("today.lead", day=today.at, until=today.until),
        facts=(),
        sections=tuple(
            _part(words, name, widths, [tell(each, words) for each in getattr(today, name)], most)
            for name, widths, tell in PARTS
        ),
        foot=(words("today.foot"), words("caution.moving")),
    )


def _part(
    words: Words,
    name: str,
    widths: Sequence[tuple[str, float]],
    found: Sequence[Sequence[object]],
    most: int | None,
) -> Section:
    shown = found[:most]
    lines = () if found else (words("today.nothing"),)
    if len(found) > len(shown):
        lines = (words("today.more", number=len(found) - len(shown)),)
    table = Table(
        columns=tuple(words(f"today.column.{column}") for column, _ in widths),
        rows=tuple(tuple(_text(cell, words) for cell in row) for row in shown),
        widths=tuple(width for _, width in widths),
    )
    return Section(
        title=words(f"today.part.{name}", number=len(found)),
        table=table if found else None,
        lines=lines,
    )


def _text(cell: object, words: Words) -> str:
    match cell:
        case None:
            return "–"
        case float():
            return f"{cell:g}"
        case str():
            return words.tell(cell)
        case dt.date():
            return words.day(cell)
        case _:
            return str(cell)


def _count(each: "DueCount", words: Words) -> tuple[object, ...]:
    known = each.known
    stage = words(f"today.word.{each.stage}")
    return (
        *(_place(known, words), each.graft_lot, ", ".join(known.cultivars), known.number),
        *(stage, each.days),
    )


def _place(known: "Known", words: Words) -> str | None:
    if known.block is None:
        return None
    if known.row is None:
        return known.block
    place = words("field_sheet.row", block=known.block, row=known.row)
    if known.first is not None:
        place += words("field_sheet.positions", first=known.first, last=known.last or "–")
    return place


def _joined(texts: Iterable[str], words: Words) -> str:
    return "; ".join(words.tell(each) for each in texts)


Tell = Callable[[Any, Words], tuple[object, ...]]
PARTS: tuple[tuple[str, tuple[tuple[str, float], ...], Tell], ...] = (
    (
        "alarms",
        (("what", 2), ("item", 3), ("says", 9)),
        lambda each, words: (words(f"today.word.{each.what}"), each.item, each.says),
    ),
    (
        "ending",
        (("day", 2), ("what", 2), ("item", 3), ("says", 7)),
        lambda each, words: (*(each.day, words(f"today.word.{each.what}"), each.item, each.says),),
    ),
    (
        "counts",
        (("place", 5), ("graft_lot", 3), ("cultivar", 3), ("grafts", 2), ("stage", 2), ("days", 2)),
        _count,
    ),
    (
        "rounds",
        (("store", 3), ("bundles", 2), ("sticks", 2), ("looked", 3)),
        lambda each, words: (each.store, each.bundles, each.sticks, each.looked),
    ),
    (
        "wood_first",
        (
            *(("bundle", 3), ("cultivar", 3), ("sticks", 2), ("days", 2), ("grade", 2)),
            *(("store", 3), ("shelf", 2)),
        ),
        lambda each, words: (
            *(each.bundle, ", ".join(each.cultivars), each.sticks, each.days),
            *(each.grade.replace("_", " "), each.store, each.shelf),
        ),
    ),
    (
        "wood_banned",
        (("bundle", 3), ("cultivar", 3), ("sticks", 1.5), ("store", 3), ("why", 8)),
        lambda each, words: (
            *(each.bundle, ", ".join(each.cultivars), each.sticks, each.store),
            _joined(each.why, words),
        ),
    ),
    (
        "holds",
        (("item", 3), ("since", 3), ("says", 9)),
        lambda each, words: (
            each.item,
            f"{words.day(each.since) if each.since else '–'}"
            + (f" ({words('today.long')})" if each.long else ""),
            each.says,
        ),
    ),
    (
        "open_sheets",
        (("sheet", 3), ("person", 3), ("rows", 2)),
        lambda each, words: (each.sheet, each.person, each.rows),
    ),
    (
        "changed",
        (("time", 3), ("by", 2), ("says", 10)),
        lambda each, words: (
            *(f"{each.time:%Y-%m-%d %H:%M}", each.by),
            words.tell(each.text) + (f" ({each.why})" if each.why else ""),
        ),
    ),
)
"""The parts of a day's page in their order: what it is told of, its columns with their widths."""
