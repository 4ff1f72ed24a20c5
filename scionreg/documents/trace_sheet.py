"""A trace sheet: one tree or lot from source to dispatch, for a buyer or an inspector.

It tells what was recorded, how sure each link is and what was not recorded; it vouches for
nothing. Labels of trees that move are asked for category, botanical name, denomination, rootstock,
quantity, year and reference number by Directive 2014/96/EU, bundles for variety, source tree and a
number counted or estimated by Florida F.A.C. 5B-62.011, lots for source tree and month of budding
by Texas 4 TAC 21.44: what of that is recorded is on the sheet.
"""

import datetime as dt
import os
import re
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any

from scionreg.documents.paper import Paper, Section, Table, write_paper
from scionreg.documents.pdf import usual_paper
from scionreg.records.shell import command_line
from scionreg.records.vocabulary import (
    Condition,
    Counting,
    Found,
    GraftMethod,
)
from scionreg.records.words import Words, english

if TYPE_CHECKING:
    from scionreg.lineage.sheet_book import Rootstock, SheetLook, SourceTree, Step
    from scionreg.lineage.traced import Source
    from scionreg.reporting import KeptStay, TraceSheet

VOUCHING = re.compile(
    r"certif|virus.?(?:free|tested)|disease.?free|healthy|legal|guarant|warrant", re.IGNORECASE
)
"""What a rank may say that no paper of the nursery's repeats: it is the authority's to say."""
GROUP, GROUPS = 4, 5
"""Digits of a digest that stand together on paper, and how many such groups are printed."""
F_HOURS = 1.8
"""°F·h in a °C·h."""
MANY = ("sticks", "grafts", "trees", "sticks_used")
"""Values that are told in the singular or plural."""


def write_trace_sheet(
    sheet: "TraceSheet", file: str | os.PathLike[str], words: Words | None = None
) -> Paper:
    """Write a trace sheet as HTML or PDF, by the ending of the file; return what it says.

    Errors as `write_paper`.
    """
    used = words or english()
    paper = trace_paper(sheet, used)
    write_paper(paper, file, used, size=usual_paper(sheet.units))
    return paper


def trace_paper(sheet: "TraceSheet", words: Words) -> Paper:
    """Return what a trace sheet says."""
    return Paper(
        language=words("paper.language"),
        title=words("trace_sheet.title"),
        code=sheet.code,
        lead=_lead(sheet, words),
        facts=tuple(_facts(sheet, words)),
        sections=tuple(_sections(sheet, words)),
        foot=(
            words("trace_sheet.foot"),
            words("caution.laboratory"),
            words("caution.moving"),
            words("caution.rights"),
        ),
        scanned=recheck_command(sheet),
        scan_says=words("trace_sheet.scan"),
    )


def _lead(sheet: "TraceSheet", words: Words) -> str:
    """Return how sure the source is, and whether anything speaks against it."""
    told = [words(f"trace_sheet.sure.{sheet.traced.grade.value}")]
    if sheet.book.contradictions:
        told.append(words("trace_sheet.spoken_against"))
    return " ".join(told)


def in_groups(digest: str) -> str:
    """Return the first digits of a digest as they are printed, in groups that can be read aloud."""
    return " ".join(digest[at : at + GROUP] for at in range(0, GROUP * GROUPS, GROUP))


def recheck_command(sheet: "TraceSheet") -> str:
    """Return the command that checks a printed sheet."""
    digits = GROUP * GROUPS
    made = ("--journal", sheet.mark.digest[:digits], "--sheet", sheet.digest[:digits])
    return command_line("recheck", sheet.code, "--date", str(sheet.made), *made)


# ----------------------------------------------------------------------------------------- facts


def _facts(sheet: "TraceSheet", words: Words) -> Iterator[tuple[str, str]]:
    """Yield what a label of it would say, and the state of the records it was made from."""
    book, unknown = sheet.book, words("trace_sheet.not_recorded")

    def fact(name: str, values: list[str]) -> tuple[str, str]:
        return words(f"trace_sheet.fact.{name}"), "; ".join(dict.fromkeys(values)) or unknown

    nearest = [each for each in sheet.traced.sources if each.generation == 1]
    sent = [each.code for each in book.steps if each.did == "sent"]
    ranks = {each.tree: each.rank for each in book.trees if each.rank}
    if sheet.nursery:
        yield fact("nursery", [sheet.nursery])
    yield fact("cultivar", [each.cultivar for each in nearest if each.cultivar])
    yield fact("species", list(book.species))
    if book.labels:
        yield fact("label", list(book.labels))
    if book.unit != "sticks":
        yield fact("rootstock", [_rootstock(each, words) for each in book.rootstocks])
    if book.quantity is not None:
        yield fact("quantity", [words.many(f"fact.{book.unit}", book.quantity)])
    yield fact("season", [str(book.season)] if book.season else [])
    if sheet.traced.kind == "graft_lots":
        yield fact("sent", sent)
    yield fact("bundles", list(book.bundles))
    yield fact("rank", [claimed(rank, words) for rank in ranks.values()])
    yield fact("made", [f"{words.day(sheet.made)} ({sheet.made})"])
    yield fact("line", [_line(sheet, words)])
    yield fact("journal", [in_groups(sheet.mark.digest)])
    yield fact("sheet", [in_groups(sheet.digest)])


def claimed(rank: str, words: Words) -> str:
    """Return a rank as claimed; one that vouches for health or a scheme is not repeated."""
    if VOUCHING.search(rank):
        return words("trace_sheet.rank_not_repeated")
    return words("trace_sheet.rank_claimed", rank=rank)


def _line(sheet: "TraceSheet", words: Words) -> str:
    when = words.day(sheet.mark.time.date()) if sheet.mark.time else "–"
    return words("trace_sheet.line", line=sheet.mark.line, day=when, version=sheet.version)


def _rootstock(lot: "Rootstock", words: Words) -> str:
    kind = lot.clone or (
        words("trace_sheet.seedling_of", parent=lot.seed_parent)
        if lot.seed_parent
        else words("trace_sheet.seedling")
    )
    told = [kind, lot.species, words("trace_sheet.lot", lot=lot.rootstock_lot)]
    if lot.supplier:
        told.append(words("fact.received_from", value=lot.supplier))
    return ", ".join(each for each in told if each)


# -------------------------------------------------------------------------------------- sections


def _sections(sheet: "TraceSheet", words: Words) -> Iterator[Section]:
    yield _sources(sheet, words)
    yield _steps(sheet, words)
    if sheet.stays:
        yield _stays(sheet, words)
    if sheet.when_cut or sheet.book.looks:
        yield _known(sheet, words)
    yield Section(
        title=words("trace_sheet.missing.title"),
        lines=_told_all(sheet.traced.missing, words) or (words("trace_sheet.missing.none"),),
    )
    yield Section(
        title=words("trace_sheet.contradictions.title"),
        lines=_told_all(sheet.book.contradictions, words)
        or (words("trace_sheet.contradictions.none"),),
    )


def _told_all(said: Iterable[str], words: Words) -> tuple[str, ...]:
    """Return sentences as they are printed, each once."""
    return tuple(dict.fromkeys(map(words.tell, said)))


def _columns(words: Words, table: str, *names: str) -> tuple[str, ...]:
    return tuple(words(f"trace_sheet.{table}.{name}") for name in names)


def _sources(sheet: "TraceSheet", words: Words) -> Section:
    """Return every tree and cutting it may come from, the nearest generation first."""
    trees = {each.tree: each for each in sheet.book.trees}
    rows, reasons = [], []
    for each in sheet.traced.sources:
        tree = trees.get(each.tree or "")
        if tree is None and each.collection is None:
            where = _outside(each.path, words)
        else:
            limb = words("fact.limb", value=each.limb) if each.limb else ""
            where = ", ".join(filter(None, (each.tree, limb, _place(tree, words))))
        rows.append(
            (
                _share(each, words),
                each.cultivar or words("trace_sheet.not_recorded"),
                where,
                _day(each.date, words) if each.collection else "",
                each.collection or "",
                words(f"trace_sheet.grade.{each.grade.value}"),
            )
        )
        reasons += list(each.because)
    return Section(
        title=words("trace_sheet.sources.title"),
        table=Table(
            columns=_columns(
                words, "sources", "share", "cultivar", "tree", "cut", "collection", "grade"
            ),
            rows=tuple(rows),
            widths=(10, 15, 37, 13, 15, 12),
        ),
        lines=_told_all(reasons, words),
    )


def _share(each: "Source", words: Words) -> str:
    """Return the share that came this way; of earlier generations, which one."""
    share = f"{each.share:.0%}"
    if each.generation == 1:
        return share
    return words("trace_sheet.generation", share=share, generation=each.generation)


def _outside(path: tuple[str, ...], words: Words) -> str:
    return words("trace_sheet.not_of_this_nursery", code=path[-1])


def _place(tree: "SourceTree | None", words: Words) -> str:
    if tree is None:
        return ""
    if tree.private:
        return words("trace_sheet.private")
    return words("fact.place_of_tree", **_parts(("block", "row", "position"), tree.place))


def _parts(names: tuple[str, ...], values: tuple[Any, ...] | None) -> dict[str, Any]:
    return dict(zip(names, values or ("?",) * len(names), strict=True))


def _steps(sheet: "TraceSheet", words: Words) -> Section:
    rows = tuple(
        (
            _day(each.date, words),
            words(f"trace_sheet.did.{each.did}"),
            each.code,
            _told(each, words),
            each.hand or "",
            words(f"trace_sheet.grade.{each.grade.value}") if each.grade else "",
        )
        for each in sheet.book.steps
    )
    return Section(
        title=words("trace_sheet.steps.title"),
        table=Table(
            columns=_columns(words, "steps", "date", "did", "code", "told", "hand", "link"),
            rows=rows,
            widths=(13, 11, 15, 44, 7, 12),
        ),
    )


def _told(step: "Step", words: Words) -> str:
    return ", ".join(
        text
        for name, value in step.told
        if value is not None
        for text in [_say(name, value, words)]
    )


SPOKEN: dict[str, type[Any]] = {
    "counting": Counting,
    "condition": Condition,
    "method": GraftMethod,
}
"""Values that are words of a vocabulary."""
PLACES: dict[str, tuple[str, ...]] = {
    "place": ("block", "row", "first", "last"),
    "positions": ("first", "last"),
    "place_of_tree": ("block", "row", "position"),
}
"""Values of several parts."""


def _say(name: str, value: Any, words: Words) -> str:
    """Return one name and value of a step, as it is printed."""
    if name in MANY:
        return words.many(f"fact.{name}", value)
    if name in SPOKEN:
        return words.stored(SPOKEN[name], value)
    if name in PLACES:
        return words(f"fact.{name}", **_parts(PLACES[name], value))
    if name in ("sealed", "tools_cleaned"):
        return words(f"fact.{name}.{'yes' if value else 'no'}")
    if name == "parents":
        return ", ".join(
            words("fact.parent", sticks=words.many("fact.sticks", sticks), bundle=bundle)
            for bundle, sticks in value
        )
    return words(f"fact.{name}", value=value)


def _stays(sheet: "TraceSheet", words: Words) -> Section:
    american = sheet.units == "US"
    warm, cold = (
        _degrees(each, words, american=american)
        for each in (sheet.warm_above_c, sheet.cold_below_c)
    )
    unit = words(f"trace_sheet.unit.{'fahrenheit' if american else 'celsius'}")

    def row(each: "KeptStay") -> tuple[str, ...]:
        unknown = words("trace_sheet.not_recorded")
        heat = None if each.heat is None else each.heat * (F_HOURS if american else 1)
        numbers = (heat, each.cold, each.unread)
        days = unknown if each.hours is None else f"{each.hours / 24:.0f}"
        return (
            each.bundle,
            each.store,
            _day(each.start, words),
            _day(each.end, words),
            days,
            *(unknown if n is None else f"{n:.0f}" for n in numbers),
        )

    columns = _columns(words, "stays", "bundle", "store", "start", "end", "days")
    return Section(
        title=words("trace_sheet.stays.title"),
        table=Table(
            columns=(
                *columns,
                words("trace_sheet.stays.heat", unit=unit, above=warm),
                words("trace_sheet.stays.cold", below=cold),
                words("trace_sheet.stays.unread"),
            ),
            rows=tuple(map(row, sheet.stays)),
            widths=(15, 14, 13, 13, 8, 14, 12, 12),
        ),
        notes=(words("trace_sheet.stays.note"),),
    )


def _degrees(celsius: float, words: Words, *, american: bool) -> str:
    if american:
        return words("measure.fahrenheit", value=f"{celsius * 1.8 + 32:.0f}")
    return words("measure.celsius", value=f"{celsius:g}")


def _known(sheet: "TraceSheet", words: Words) -> Section:
    """Return what was known of the trees when they were cut, and every look."""
    looks = sheet.book.looks
    return Section(
        title=words("trace_sheet.looks.title"),
        table=Table(
            columns=_columns(
                words, "looks", "date", "check", "item", "method", "checked", "off", "found", "by"
            ),
            rows=tuple(_look(each, words) for each in looks),
            widths=(13, 15, 17, 14, 9, 7, 18, 7),
            strong=frozenset(i for i, each in enumerate(looks) if each.off),
        )
        if looks
        else None,
        lines=tuple(
            words(
                "trace_sheet.when_cut",
                tree=each.tree if each.limb is None else f"{each.tree} ({each.limb})",
                day=_day(each.date, words),
                known=words(f"trace_sheet.known.{each.status.value if each.status else 'no_day'}"),
            )
            for each in sheet.when_cut
        ),
    )


def _look(look: "SheetLook", words: Words) -> tuple[str, ...]:
    found = ""
    if look.found:
        known = Found.spelled(look.found)
        found = words.word(known) if known else look.found
    if look.this_tree:
        this = words(f"trace_sheet.this_tree_{look.this_tree}")
        found = f"{found}; {this}" if found else this
    return (
        _day(look.date, words),
        look.check,
        look.item,
        words(f"trace_sheet.method.{look.method}"),
        str(look.checked),
        str(look.off),
        found,
        look.by or "",
    )


def _day(day: dt.date | None, words: Words) -> str:
    return words.day(day) if day else words("trace_sheet.not_recorded")
