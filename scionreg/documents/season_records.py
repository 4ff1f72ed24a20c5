"""The parts of a season's report that inspectors and right holders ask for."""

from typing import TYPE_CHECKING

from scionreg.documents.paper import Section
from scionreg.documents.season_parts import (
    MOST_LINES,
    number_or_none,
    part_of,
    some_of,
    table_of,
)
from scionreg.lineage.royalties import COUNTS, Royalty, by_licence
from scionreg.records.cited import CITED
from scionreg.records.words import Words

if TYPE_CHECKING:
    from scionreg.lineage.retention import Keeping
    from scionreg.seasons import SeasonReport


def royalties_of(report: "SeasonReport", words: Words) -> Section:
    """Return the counts by licence."""
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
    columns = [("licence", 11), ("cultivar", 12), ("right", 12), *((name, 7.2) for name in COUNTS)]
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
    table = table_of(words, "royalties", columns, rows, strong)
    notes = [words("season_report.royalties.note")] if rows else []
    return part_of(words, "royalties", table, lines=lines, notes=notes)


def _royalty(licence: str, each: Royalty, words: Words) -> tuple[object, ...]:
    right = words(f"word.Rights.{each.rights}") if each.rights else ""
    told = [right, each.rights_no or ""]
    if each.rights_until:
        told.append(words("season_report.royalties.until", day=words.day(each.rights_until)))
    right = " ".join(filter(None, told))
    return licence, each.cultivar, right, *(getattr(each, count) for count in COUNTS)


def gaps_of(report: "SeasonReport", words: Words) -> Section:
    """Return what is not recorded and likely to be asked for."""
    rows = [
        (
            words(f"season_report.gap.{each.what}"),
            words("season_report.gaps.of_all", missing=len(each.codes), all=each.of),
            some_of(each.codes, words),
            _cited(each.rule, words),
        )
        for each in report.gaps
    ]
    columns = [("what", 33), ("missing", 9), ("codes", 35), ("rule", 23)]
    notes = [words("season_report.gaps.note")]
    return part_of(words, "gaps", table_of(words, "gaps", columns, rows), notes=notes)


def _cited(rule: str, words: Words) -> str:
    """Return a citation; what is no rule of law is told in the reader's language."""
    own = f"season_report.rule.{rule}"
    return words(own) if own in words.names() else CITED[rule]


def retention_of(report: "SeasonReport", words: Words) -> Section:
    """Return how long to keep the records."""
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
    return part_of(words, "retention", table_of(words, "retention", columns, rows), notes=notes)


def _until(each: "Keeping", words: Words) -> str:
    if each.runs_on:
        return words("season_report.retention.runs_on")
    return words.day(each.until) if each.until else words("trace_sheet.not_recorded")


def drill_of(report: "SeasonReport", words: Words) -> Section:
    """Return what a mock recall of all wood accounts for."""
    found = report.drill
    if found is None:
        return part_of(words, "drill")
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
                by_book=number_or_none(found.by_book),
            )
        )
    lots = sorted(found.lots_left, key=lambda each: -each.unaccounted)
    if lots:
        named = some_of([f"{each.graft_lot} ({each.unaccounted})" for each in lots], words)
        lines.append(words("season_report.drill.look", lots=named))
    return part_of(words, "drill", lines=lines)


def corrections_of(report: "SeasonReport", words: Words) -> Section:
    """Return what was corrected and taken back."""
    rows = [
        (
            words.day(each.day),
            each.line,
            words(f"season_report.corrections.{each.action}"),
            f"{words(f'kind.{each.kind}')} {each.key}" if each.kind else "",
            each.by,
            each.why,
        )
        for each in report.corrections[:MOST_LINES]
    ]
    columns = [("date", 14), ("line", 8), ("action", 12), ("record", 26), ("by", 8), ("why", 32)]
    rest = len(report.corrections) - MOST_LINES
    notes = [words("season_report.more_rows", more=rest)] if rest > 0 else []
    return part_of(words, "corrections", table_of(words, "corrections", columns, rows), notes=notes)
