"""The report of a season as a page: for the manager, a board, an authority, a right's holder.

What it counts and cites it neither judges nor vouches for. People are left out but where they
corrected a record; places of trees are left out.
"""

import os
from collections.abc import Iterator
from typing import TYPE_CHECKING

from scionreg.documents import season_pictures as pictures
from scionreg.documents.paper import Paper, Section, write_paper
from scionreg.documents.pdf import usual_paper
from scionreg.documents.season_parts import (
    MOST_LINES,
    day_or_none,
    number_or_none,
    part_of,
    table_of,
)
from scionreg.documents.season_records import (
    corrections_of,
    drill_of,
    gaps_of,
    retention_of,
    royalties_of,
)
from scionreg.documents.trace_sheet import in_groups
from scionreg.records.errors import RegistryError
from scionreg.records.vocabulary import Found
from scionreg.records.words import Words, english

if TYPE_CHECKING:
    from scionreg.cutting import TreeOutlook
    from scionreg.seasons import OffRow, SeasonReport
    from scionreg.take.summary import ClassCounts

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
        _cut, _use, _store, _take, _sent, _identity, _pressure, royalties_of, gaps_of,
        retention_of, drill_of, corrections_of,
    )  # fmt: skip
    return Paper(
        language=words("paper.language"),
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
    yield fact("off", len(report.off))
    yield fact("gaps", sum(len(each.codes) for each in report.gaps))
    yield fact("made", words.day(report.made))
    yield fact(
        "line", words("trace_sheet.line", line=report.mark.line, day=when, version=report.version)
    )
    yield fact("journal", in_groups(report.mark.digest))


# ------------------------------------------------------------------------------------ the parts


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
    return part_of(words, "cut", table_of(words, "cut", columns, rows))


BALANCE = ("cut", "received", "from_bundles", "used", "sold", "to_bundles", "discarded",
           "cut_not_tied", "in_store", "unexplained")  # fmt: skip


def _use(report: "SeasonReport", words: Words) -> Section:
    rows = [
        (
            each.code or words("season_report.several"),
            *(number_or_none(getattr(each, name)) for name in BALANCE),
        )
        for each in report.balance.rows
    ]
    columns = [("cultivar", 20), *((name, 9.0) for name in BALANCE)]
    alarms = [
        words("season_report.use.alarm", code=each.code or "?", says=each.alarm)
        for each in report.alarms
    ]
    against = [
        words("season_report.use.against", code=each.key, says=each.wrong)
        for each in report.against
    ]
    says = words("season_report.picture.use")
    drawn = [(says, pictures.draw_use(report.balance.rows, words))] if rows else []
    return part_of(
        words,
        "use",
        table_of(words, "use", columns, rows),
        lines=[*_losses(report, words), *alarms, *against],
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
            each.bundles_in_all,
            each.bundles,
        )
        for each in report.spells
    ]
    columns = [("store", 20), ("start", 20), ("hours", 15), ("hottest", 15)]
    columns += [("bundles_in_all", 15), ("bundles", 15)]
    names = list(dict.fromkeys(each.store for each in report.spells))
    says = words("season_report.picture.stores")
    drawn = []
    if names:
        svg = pictures.draw_warm_stores(report.store, names, report.units, words)
        drawn.append((says, svg))
    table = table_of(words, "store", columns, rows)
    return part_of(words, "store", table, lines=lines, drawn=drawn)


def _warmest(celsius: float, units: str, words: Words) -> str:
    if units == "US":
        return words("measure.fahrenheit", value=f"{celsius * 1.8 + 32:.0f}")
    return words("measure.celsius", value=f"{celsius:.1f}")


def _take(report: "SeasonReport", words: Words) -> Section:
    if report.take is None:
        return part_of(words, "take")
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
    lines = [f"{each.item}: {words.tell(each.text)}" for each in findings[:MOST_LINES]]
    says = words("season_report.picture.take")
    drawn = [(says, pictures.draw_take(report.take.rows, words))] if rows else []
    return part_of(
        words,
        "take",
        table_of(words, "take", columns, rows),
        lines=lines,
        notes=[words("season_report.take.note")],
        drawn=drawn,
    )


def _rate(each: "ClassCounts | None") -> str:
    return f"{each.rate:.0%} ({each.low:.0%}–{each.high:.0%})" if each else "–"


def _sent(report: "SeasonReport", words: Words) -> Section:
    columns = [("cultivar", 50), ("trees", 25), ("dispatches", 25)]
    return part_of(
        words,
        "sent",
        table_of(words, "sent", columns, report.sent),
        notes=[which_were_sent(report, words)],
    )


def which_were_sent(report: "SeasonReport", words: Words) -> str:
    """Return a sentence on when trees left that count for this season: autumn is the next one's."""
    return words(
        "season_report.sent.note",
        first=words.day(report.first),
        last=words.day(report.last),
        next=report.season + 1,
    )


def _identity(report: "SeasonReport", words: Words) -> Section:
    rows = []
    told: dict[str, str] = {}
    for each in report.off[:MOST_LINES]:
        known = Found.spelled(each.found) if each.found else None
        cause = _cause(each, told.setdefault(each.cause, each.check), words)
        rows.append(
            (
                day_or_none(each.date, words),
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
    return part_of(words, "identity", table_of(words, "identity", columns, rows), lines=lines)


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
            "; ".join(map(words.tell, each.why_not[0] or each.status.why)),
        )
        for each in telling[:MOST_LINES]
    ]
    columns = [
        ("tree", 15), ("cultivar", 15), ("pressure", 9), ("state", 10), ("until", 9), ("why", 42),
    ]  # fmt: skip
    says = words("season_report.picture.pressure", season=report.season + 1)
    drawn = [(says, pictures.draw_pressure(report.pressure, words))] if report.pressure else []
    return part_of(
        words,
        "pressure",
        table_of(words, "pressure", columns, rows),
        notes=[words("season_report.pressure.note")],
        drawn=drawn,
    )


def _state(each: "TreeOutlook", words: Words) -> str:
    """Return what a tree's cutting asks for; one may be fit and still not be cut."""
    state = each.status.state.value
    return words(f"season_report.state.{'not' if state == 'fit' and any(each.why_not) else state}")
