"""The report of a season as a page: for the manager, a board, an authority, a right's holder.

What it counts and cites it neither judges nor vouches for. People are left out but where they
corrected a record; places of trees are left out.
"""

import datetime as dt
import os
from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

from scionreg.documents import season_pictures as pictures
from scionreg.documents.paper import Paper, Section, Table, write_paper
from scionreg.documents.pdf import usual_paper
from scionreg.documents.trace_sheet import in_groups
from scionreg.documents.words import Words, english
from scionreg.lineage.royalties import COUNTS, Royalty, by_licence
from scionreg.records.cited import CITED
from scionreg.records.errors import RegistryError
from scionreg.records.vocabulary import Found

if TYPE_CHECKING:
    from scionreg.cutting import TreeOutlook
    from scionreg.lineage.retention import Keeping
    from scionreg.seasons import OffRow, SeasonReport
    from scionreg.take.summary import ClassCounts

MOST_CODES, MOST_LINES = 6, 30
"""Codes that are named beside a gap, and lines of a table that may grow long."""
SURE = 0.5
"""Probability from which the likeliest cause of an off-type is named."""


def write_season_report(
    report: "SeasonReport", file: str | os.PathLike[str], words: Words | None = None
) -> None:
    """Write the report of a season as HTML.

    Raises
    ------
    RegistryError
        The file's name does not end in ``.html``, or it cannot be written.
    """
    if not os.fspath(file).lower().endswith(".html"):
        raise RegistryError(f"'{file}' is no page; let its name end in .html")
    used = words or english()
    write_paper(season_paper(report, used), file, used, size=usual_paper(report.units))


def season_paper(report: "SeasonReport", words: Words) -> Paper:
    """Return what the report of a season says."""
    told = (
        _cut, _use, _store, _take, _sent, _identity, _pressure, _royalties, _gaps, _retention,
        _drill, _corrections,
    )  # fmt: skip
    return Paper(
        title=words("season_report.title"),
        code=str(report.season),
        lead=words(
            "season_report.lead", first=words.day(report.first), last=words.day(report.last)
        ),
        facts=tuple(_facts(report, words)),
        sections=tuple(tell(report, words) for tell in told),
        foot=(
            words("season_report.foot"),
            words("caution.rights"),
            words("caution.moving"),
            words("caution.laboratory"),
        ),
    )


def _facts(report: "SeasonReport", words: Words) -> Iterator[tuple[str, str]]:
    def fact(name: str, value: object) -> tuple[str, str]:
        return words(f"season_report.fact.{name}"), str(value)

    when = words.day(report.mark.time.date()) if report.mark.time else "–"
    if report.nursery:
        yield words("trace_sheet.fact.nursery"), report.nursery
    yield fact("sticks", sum(each.sticks for each in report.cut))
    yield fact("trees_cut", sum(each.trees for each in report.cut))
    yield fact("grafts", report.grafts)
    yield fact("sent", sum(each.trees for each in report.sent))
    yield fact("alarms", len(report.alarms))
    yield fact("off", sum(each.failed for each in report.off))
    yield fact("gaps", sum(len(each.codes) for each in report.gaps))
    yield fact("made", words.day(report.made))
    yield fact(
        "line", words("trace_sheet.line", line=report.mark.line, day=when, version=report.version)
    )
    yield fact("journal", in_groups(report.mark.digest))


# ------------------------------------------------------------------------------------ the parts


def _table(
    words: Words,
    part: str,
    widths: Sequence[tuple[str, float]],
    rows: Iterable[Sequence[object]],
    strong: Iterable[int] = (),
) -> Table | None:
    """Return a table of a part, None where it would have no rows; `widths` by column name."""
    texts = tuple(tuple("" if cell is None else str(cell) for cell in row) for row in rows)
    if not texts:
        return None
    return Table(
        columns=tuple(words(f"season_report.{part}.{name}") for name, _ in widths),
        rows=texts,
        widths=tuple(width for _, width in widths),
        strong=frozenset(strong),
    )


def _section(
    words: Words,
    part: str,
    table: Table | None = None,
    *,
    lines: Sequence[str] = (),
    notes: Sequence[str] = (),
    drawn: Sequence[tuple[str, str]] = (),
) -> Section:
    """Return a part; one that has nothing to tell says so."""
    if table is None and not lines:
        lines = (words("season_report.nothing"),)
    return Section(
        title=words(f"season_report.{part}.title"),
        table=table,
        lines=tuple(lines),
        notes=tuple(notes),
        pictures=tuple(drawn),
    )


def _some(codes: Sequence[str], words: Words) -> str:
    named = ", ".join(codes[:MOST_CODES])
    more = len(codes) - MOST_CODES
    return words("season_report.and_more", named=named, more=more) if more > 0 else named


def _day(day: dt.date | None, words: Words) -> str:
    return words.day(day) if day else words("trace_sheet.not_recorded")


def _number(value: float | None) -> str:
    return "?" if value is None else f"{value:g}"


def _cut(report: "SeasonReport", words: Words) -> Section:
    rows = [
        (each.cultivar, each.trees, each.collections, each.sticks, each.estimated)
        for each in report.cut
    ]
    columns = [
        ("cultivar", 30),
        ("trees", 12),
        ("collections", 12),
        ("sticks", 12),
        ("estimated", 20),
    ]
    return _section(words, "cut", _table(words, "cut", columns, rows))


BALANCE = ("cut", "received", "from_bundles", "used", "sold", "to_bundles", "discarded", "in_store",
           "unexplained")  # fmt: skip


def _use(report: "SeasonReport", words: Words) -> Section:
    rows = [
        (
            each.code or words("season_report.several"),
            *(_number(getattr(each, name)) for name in BALANCE),
        )
        for each in report.balance.rows
    ]
    columns = [("cultivar", 20), *((name, 10.0) for name in BALANCE)]
    alarms = [
        words("season_report.use.alarm", code=each.code or "?", says=each.alarm or "")
        for each in report.alarms
    ]
    says = words("season_report.picture.use")
    drawn = [(says, pictures.draw_use(report.balance.rows, words))] if rows else []
    return _section(
        words,
        "use",
        _table(words, "use", columns, rows),
        lines=[*_losses(report, words), *alarms],
        notes=[words("season_report.use.note")] if rows else [],
        drawn=drawn,
    )


def _losses(report: "SeasonReport", words: Words) -> Iterator[str]:
    """Yield what was lost: sticks thrown away, and grafts by how they were lost."""
    thrown = sum(each.discarded for each in report.balance.rows)
    if thrown:
        yield words("season_report.use.thrown", sticks=words.many("fact.sticks", round(thrown)))
    rows = report.take.rows if report.take else ()
    for stage in ("early", "late"):
        at = [each for each in rows if each.stage == stage]
        if at:
            yield words(
                f"season_report.use.lost_{stage}",
                grafts=words.many("fact.grafts", sum(each.grafts for each in at)),
                dead=sum(each.dead for each in at),
                stock_only=sum(each.stock_only for each in at),
                missing=sum(each.missing for each in at),
                broken=sum(each.broken for each in at),
            )


def _store(report: "SeasonReport", words: Words) -> Section:
    lines = [
        words(
            f"season_report.store.class_{name}", bundles=words.many("season_report.bundles", number)
        )
        for name, number in sorted(report.classes.items())
    ]
    rows = [
        (
            each.store,
            words.day(each.start.astimezone(report.zone).date()),
            f"{each.hours:.0f}",
            _warmest(each.hottest_c, report.units, words),
            each.bundles,
        )
        for each in report.spells
    ]
    columns = [("store", 25), ("start", 20), ("hours", 15), ("hottest", 15), ("bundles", 25)]
    names = list(dict.fromkeys(each.store for each in report.spells))
    says = words("season_report.picture.stores")
    drawn = [(says, pictures.draw_warm_stores(report.store, names, report.units))] if names else []
    table = _table(words, "store", columns, rows)
    return _section(words, "store", table, lines=lines, drawn=drawn)


def _warmest(celsius: float, units: str, words: Words) -> str:
    if units == "US":
        return words("measure.fahrenheit", value=f"{celsius * 1.8 + 32:.0f}")
    return words("measure.celsius", value=f"{celsius:.1f}")


def _take(report: "SeasonReport", words: Words) -> Section:
    if report.take is None:
        return _section(words, "take")
    lots: dict[tuple[str, str], dict[str, ClassCounts]] = {}
    for each in report.take.rows:
        key = each.cultivar or "?", each.method or "?"
        lots.setdefault(key, {})[each.stage.value] = each
    rows = [
        (
            cultivar,
            pictures.method_in_words(method, words),
            max(each.grafts for each in stages.values()),
            *(_rate(stages.get(stage)) for stage in ("early", "late")),
        )
        for (cultivar, method), stages in sorted(lots.items())
    ]
    columns = [("cultivar", 22), ("method", 20), ("grafts", 12), ("early", 23), ("late", 23)]
    findings = report.take.findings
    lines = [f"{each.item}: {each.text}" for each in findings[:MOST_LINES]]
    says = words("season_report.picture.take")
    drawn = [(says, pictures.draw_take(report.take.rows, words))] if rows else []
    return _section(
        words,
        "take",
        _table(words, "take", columns, rows),
        lines=lines,
        notes=[words("season_report.take.note")],
        drawn=drawn,
    )


def _rate(each: "ClassCounts | None") -> str:
    return f"{each.rate:.0%} ({each.low:.0%}–{each.high:.0%})" if each else "–"


def _sent(report: "SeasonReport", words: Words) -> Section:
    columns = [("cultivar", 50), ("trees", 25), ("dispatches", 25)]
    return _section(words, "sent", _table(words, "sent", columns, report.sent))


def _identity(report: "SeasonReport", words: Words) -> Section:
    rows = []
    told: dict[str, str] = {}
    for each in report.off[:MOST_LINES]:
        known = Found.spelled(each.found) if each.found else None
        cause = _cause(each, told.setdefault(each.cause, each.check), words)
        rows.append(
            (
                _day(each.date, words),
                each.check,
                each.item,
                words(f"trace_sheet.method.{each.method}"),
                words("season_report.identity.of", off=each.off, checked=each.checked),
                words.word(known) if known else each.found,
                cause,
            )
        )
    columns = [
        ("date", 13), ("check", 13), ("item", 15), ("by", 11), ("off", 8), ("found", 11),
        ("cause", 37),
    ]  # fmt: skip
    lines = [
        words(
            f"season_report.identity.{name}", cuttings=words.many("season_report.cuttings", number)
        )
        for name, number in (
            ("verified", report.known.get(True, 0)),
            ("unverified", report.known.get(False, 0)),
            ("undated", report.known.get(None, 0)),
        )
        if number
    ]
    if len(report.off) > MOST_LINES:
        lines.append(words("season_report.more_rows", more=len(report.off) - MOST_LINES))
    return _section(words, "identity", _table(words, "identity", columns, rows), lines=lines)


def _cause(each: "OffRow", first: str, words: Words) -> str:
    """Return the likely cause of an off-type; one told before is named by its check."""
    if each.probability < SURE:
        return words("season_report.identity.no_cause")
    if first != each.check:
        return words("season_report.identity.same", check=first)
    chance = f"{each.probability:.0%}"
    return words("season_report.identity.cause_is", says=each.cause, chance=chance)


def _pressure(report: "SeasonReport", words: Words) -> Section:
    telling = [each for each in report.pressure if each.status.state != "fit" or any(each.why_not)]
    rows = [
        (
            each.tree,
            each.cultivar,
            f"{each.status.pressure:.2f}",
            _state(each, words),
            each.status.until,
            "; ".join(each.why_not[0] or each.status.why),
        )
        for each in telling[:MOST_LINES]
    ]
    columns = [
        ("tree", 15), ("cultivar", 15), ("pressure", 9), ("state", 10), ("until", 9), ("why", 42),
    ]  # fmt: skip
    says = words("season_report.picture.pressure", season=report.season + 1)
    drawn = [(says, pictures.draw_pressure(report.pressure, words))] if report.pressure else []
    return _section(
        words,
        "pressure",
        _table(words, "pressure", columns, rows),
        notes=[words("season_report.pressure.note")],
        drawn=drawn,
    )


def _state(each: "TreeOutlook", words: Words) -> str:
    """Return what a tree's cutting asks for; one may be fit and still not be cut."""
    state = each.status.state.value
    return words(f"season_report.state.{'not' if state == 'fit' and any(each.why_not) else state}")


def _royalties(report: "SeasonReport", words: Words) -> Section:
    rows: list[tuple[object, ...]] = []
    strong = []
    for licence, sums in by_licence(report.royalties).items():
        name = licence or words("season_report.royalties.no_licence")
        mine = [each for each in report.royalties if each.licence == licence]
        rows += [_royalty(name, each, words) for each in mine]
        if len(mine) > 1 and licence is not None:
            strong.append(len(rows))
            whole = words("season_report.royalties.whole")
            rows.append((name, whole, "", *(sums[count] for count in COUNTS)))
    columns = [("licence", 13), ("cultivar", 13), ("right", 14), *((name, 9.0) for name in COUNTS)]
    lines = [
        words("season_report.royalties.unlicensed", cultivar=each.cultivar)
        for each in report.royalties
        if each.unlicensed
    ]
    lines += [
        words(
            "season_report.royalties.mixed",
            cultivar=each.cultivar,
            grafts=words.many("fact.grafts", each.mixed),
        )
        for each in report.royalties
        if each.mixed
    ]
    table = _table(words, "royalties", columns, rows, strong)
    notes = [words("season_report.royalties.note")] if rows else []
    return _section(words, "royalties", table, lines=lines, notes=notes)


def _royalty(licence: str, each: Royalty, words: Words) -> tuple[object, ...]:
    right = words(f"word.Rights.{each.rights}") if each.rights else ""
    told = [right, each.rights_no or ""]
    if each.rights_until:
        told.append(words("season_report.royalties.until", day=words.day(each.rights_until)))
    right = " ".join(filter(None, told))
    return licence, each.cultivar, right, *(getattr(each, count) for count in COUNTS)


def _gaps(report: "SeasonReport", words: Words) -> Section:
    rows = [
        (
            words(f"season_report.gap.{each.what}"),
            words("season_report.gaps.of_all", missing=len(each.codes), all=each.of),
            _some(each.codes, words),
            _cited(each.rule, words),
        )
        for each in report.gaps
    ]
    columns = [("what", 33), ("missing", 9), ("codes", 35), ("rule", 23)]
    notes = [words("season_report.gaps.note")]
    return _section(words, "gaps", _table(words, "gaps", columns, rows), notes=notes)


def _cited(rule: str, words: Words) -> str:
    """Return a citation; what is no rule of law is told in the reader's language."""
    own = f"season_report.rule.{rule}"
    return words(own) if own in words.names() else CITED[rule]


def _retention(report: "SeasonReport", words: Words) -> Section:
    rows = [
        (
            _cited(each.rule, words),
            each.years,
            words(f"season_report.retention.{each.counted_from}"),
            words.day(each.since) if each.since else "–",
            _until(each, words),
        )
        for each in report.keepings
    ]
    columns = [("rule", 28), ("years", 8), ("counted", 30), ("since", 14), ("until", 20)]
    notes = [words("season_report.retention.note")]
    return _section(words, "retention", _table(words, "retention", columns, rows), notes=notes)


def _until(each: "Keeping", words: Words) -> str:
    if each.runs_on:
        return words("season_report.retention.runs_on")
    return words.day(each.until) if each.until else words("trace_sheet.not_recorded")


def _drill(report: "SeasonReport", words: Words) -> Section:
    found = report.drill
    if found is None:
        return _section(words, "drill")
    lines = [
        words(
            "season_report.drill.listed",
            milliseconds=f"{1000 * found.seconds:.0f}",
            bundles=found.bundles,
            lots=found.graft_lots,
            customers=found.customers,
        )
    ]
    if found.share_of_trees is not None:
        lines.append(
            words(
                "season_report.drill.trees",
                share=f"{found.share_of_trees:.1%}",
                grafts=words.many("fact.grafts", found.trees),
                sent=found.sent,
                lost=found.lost,
                standing=found.standing,
            )
        )
    if found.share_of_sticks is not None:
        lines.append(
            words(
                "season_report.drill.sticks",
                share=f"{found.share_of_sticks:.1%}",
                sticks=words.many("fact.sticks", round(found.sticks)),
                by_book=_number(found.by_book),
            )
        )
    lots = sorted(found.lots_left, key=lambda each: -each.unaccounted)
    if lots:
        named = _some([f"{each.graft_lot} ({each.unaccounted})" for each in lots], words)
        lines.append(words("season_report.drill.look", lots=named))
    return _section(words, "drill", lines=lines)


def _corrections(report: "SeasonReport", words: Words) -> Section:
    rows = [
        (
            words.day(each.day),
            each.line,
            words(f"season_report.corrections.{each.action}"),
            f"{each.kind.replace('_', ' ')} {each.key}",
            each.by,
            each.why,
        )
        for each in report.corrections[:MOST_LINES]
    ]
    columns = [("date", 14), ("line", 8), ("action", 12), ("record", 26), ("by", 8), ("why", 32)]
    rest = len(report.corrections) - MOST_LINES
    notes = [words("season_report.more_rows", more=rest)] if rest > 0 else []
    return _section(words, "corrections", _table(words, "corrections", columns, rows), notes=notes)
