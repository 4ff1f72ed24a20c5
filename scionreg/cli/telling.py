"""Answers as text for people: what it is, how sure, and what to do next."""

import datetime as dt
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from scionreg.cli import console
from scionreg.records.counting import many
from scionreg.records.vocabulary import Grade, Reach

if TYPE_CHECKING:
    from scionreg.lineage.balance import Balance
    from scionreg.lineage.line_traces import TracedLine
    from scionreg.lineage.recall import Recall
    from scionreg.lineage.trace import Source, Trace

SURE = {
    Grade.CERTAIN: "certain",
    Grade.ONE_OF: "one of several",
    Grade.LIKELY: "likely",
    Grade.UNKNOWN: "unknown",
}

SPOKEN_AGAINST = " by its records, but something recorded speaks against it: see contradicts"


def tell_trace(found: "Trace", zone: dt.tzinfo, lines: "Sequence[TracedLine]" = ()) -> None:
    """Show a trace, with points in time as they are in `zone`; several `lines` each by itself."""
    if len(lines) > 1:
        tell_lines(found.code, lines)
    else:
        doubt = SPOKEN_AGAINST if found.contradictions else ""
        console.data(f"{found.code}: {SURE[found.grade]}{doubt}")
        _tell_sources(found)
    _section("hands", (f"{h.date or 'no date'}  {h.person} {h.did} {h.code}" for h in found.hands))
    _section(
        "stores",
        (
            f"{s.bundle} in {s.store} from {_moment(s.start, zone)} to "
            + ("now: sticks are left" if s.left else _moment(s.end, zone))
            for s in found.stays
        ),
    )
    _section(
        "identity checks",
        (
            f"{look.date or 'no date'}  {look.check}: {look.item} by {look.method}, "
            f"{look.off} of {look.checked} off" + (f", found {look.found}" if look.found else "")
            for look in found.checks
        ),
    )
    _section(
        "regrafts",
        (
            f"{lot.date or 'no date'}  {lot.graft_lot} on positions {lot.first} to {lot.last} "
            f"of {lot.regraft_of}"
            for lot in found.regrafts
        ),
    )
    _section("not recorded", found.missing)
    _section("contradicts", found.contradictions)
    if found.contradictions:
        console.command("what went wrong: ", "offtype", found.code)
    nearest = next((s.collection for s in found.sources if s.collection), None)
    if nearest:
        console.command("what shares this source: ", "recall", nearest)


def tell_lines(code: str, lines: "Sequence[TracedLine]") -> None:
    """Show what was sent line by line, each with the sources of its trees."""
    console.data(console.one_line(f"{code}: {len(lines)} lines, each with wood of its own"))
    for line, found in lines:
        at = f" from positions {line.first} to {line.last}" if line.first else ""
        sold = f" sold as {line.label_cultivar}" if line.label_cultivar else ""
        sent = f"{line.date or 'no date'}  {line.dispatch} to {line.customer}, {line.graft_lot}"
        console.data(
            console.one_line(f"{sent}: {many(line.trees, 'tree')}{at}{sold}: {SURE[found.grade]}")
        )
        _tell_sources(found)
        for each in found.contradictions:
            console.data(console.one_line(f"          contradicts: {each}"))


def _tell_sources(found: "Trace") -> None:
    generation = 0
    for source in found.sources:
        if source.generation > 1 and source.generation != generation:
            console.data(f"before that, generation {source.generation}:")
        generation = source.generation
        _tell_source(source)


def where_from(source: "Source") -> str:
    """Return the tree that wood came from, in words."""
    if source.tree:
        return f"tree {source.tree}"
    return "tree unknown" if source.grade is Grade.UNKNOWN else "no tree of this nursery"


def _tell_source(source: "Source") -> None:
    where = where_from(source)
    limb = f" limb {source.limb}" if source.limb else ""
    cut = f", cut {source.date}" if source.date else ", day of cutting not recorded"
    collection = f" ({source.collection})" if source.collection else ""
    written = f", written {source.written}" if source.written not in (source.cultivar, None) else ""
    console.data(
        console.one_line(
            f"  {source.share:6.1%}  {source.cultivar or 'cultivar unknown'}{written}, "
            f"{where}{limb}{cut if source.tree else ''}{collection}: {SURE[source.grade]}"
        )
    )
    console.data(console.one_line(f"          way: {' < '.join(source.path)}"))
    for reason in source.because:
        console.data(console.one_line(f"          because {reason}"))


def _section(title: str, lines: Iterable[str]) -> None:
    shown = [console.one_line(line) for line in lines]
    if shown:
        console.data(f"{title}:")
        for line in shown:
            console.data(f"  {line}")


def _moment(moment: dt.date | None, zone: dt.tzinfo) -> str:
    if isinstance(moment, dt.datetime):
        return f"{moment.astimezone(zone):%Y-%m-%d %H:%M}"
    return "unknown" if moment is None else str(moment)


def tell_recall(found: "Recall") -> None:
    """Show a recall."""
    console.data(f"recall of {console.one_line(found.code)}")
    sent = {
        grade: sum(line.trees for line in found.dispatches if line.grade == grade)
        for grade in (Reach.CERTAIN, Reach.POSSIBLE)
    }
    console.data(
        f"  {many(len(found.bundles), 'bundle')}, {many(len(found.graft_lots), 'graft lot')}, "
        f"{many(sum(lot.grafts for lot in found.graft_lots), 'graft')}; trees sent: "
        f"{sent[Reach.CERTAIN]} certain, {sent[Reach.POSSIBLE]} possible; "
        f"{many(len(found.mother_trees), 'mother tree')} grown from it"
    )
    _table(
        "bundles",
        [
            {**bundle._asdict(), "share": f"{bundle.share:.0%}"}
            for bundle in sorted(found.bundles, key=lambda each: each.bundle)
        ],
        {"bundle": "bundle", "sticks_left": "sticks left", "share": "share", "grade": "grade"},
    )
    _table(
        "graft lots",
        [
            {
                "graft_lot": lot.graft_lot,
                "grafts": lot.grafts,
                "place": f"{lot.block} row {lot.row}" if lot.row is not None else None,
                "positions": lot.positions,
                "share": f"{lot.share:.0%}",
                "grade": lot.grade.value,
            }
            for lot in sorted(found.graft_lots, key=lambda each: each.graft_lot)
        ],
        {
            "graft_lot": "graft lot",
            "grafts": "grafts",
            "place": "place",
            "positions": "positions",
            "share": "share",
            "grade": "grade",
        },
    )
    _table(
        "sent",
        [line._asdict() for line in sorted(found.dispatches, key=lambda each: each.customer)],
        {
            "customer": "customer",
            "dispatch": "dispatch",
            "date": "date",
            "graft_lot": "graft lot",
            "trees": "trees",
            "grade": "grade",
        },
    )
    _table(
        "mother trees grown from it",
        [tree._asdict() for tree in found.mother_trees],
        {"tree": "tree", "graft_lot": "graft lot", "generation": "generation", "grade": "grade"},
    )
    _section("excluded", (f"{each.bundle}: {each.because}" for each in found.excluded))


def _table(title: str, rows: list[dict[str, object]], columns: dict[str, str]) -> None:
    if rows:
        console.data("")
        console.data(title)
        console.table(rows, columns)


BALANCE_COLUMNS = {
    "code": "code",
    "cut": "cut",
    "received": "received",
    "from_bundles": "from bundles",
    "used": "used",
    "discarded": "thrown away",
    "sold": "sold",
    "to_bundles": "to bundles",
    "cut_not_tied": "cut, not tied",
    "in_store": "in store",
    "unexplained": "not explained",
}


def tell_balance(found: "Balance", why_empty: str = "no wood is recorded") -> None:
    """Show a balance, with each alarm in words; where it has no rows, `why_empty`."""
    rows = found.to_rows()
    if not rows:
        console.talk(why_empty)
    for scope in dict.fromkeys(row["scope"] for row in rows):
        console.data(f"sticks by {scope}")
        console.table([row for row in rows if row["scope"] == scope], BALANCE_COLUMNS)
    _section(
        "alarms",
        (f"{row['scope']} {row['code'] or '-'}: {row['alarm']}" for row in rows if row["alarm"]),
    )
    for row in rows:
        if row["note"]:
            console.talk(console.one_line(row["note"]))
    if any(row["unexplained"] is None for row in rows):
        console.talk("- under not explained: no count in store, so nobody can tell")
