"""Mock recalls, checked sheets and seasons, as text."""

from typing import TYPE_CHECKING

from scionreg.cli import console
from scionreg.records.counting import many

if TYPE_CHECKING:
    from scionreg.lineage.inspection import Gap
    from scionreg.lineage.mock_recall import LotLeft, MockRecall
    from scionreg.lineage.royalties import Royalties
    from scionreg.lineage.since import ChangeSince
    from scionreg.reporting import Recheck
    from scionreg.seasons import SeasonReport

MOST = 20
"""Things of a kind that are listed; --csv lists all."""


def tell_drill(found: "MockRecall", least: float) -> None:
    """Show a mock recall: what is accounted for, how long the list took, what to look for."""
    console.data(f"mock recall of {console.one_line(found.code)}")
    console.data(
        f"  listed in {_time(found.seconds)}: {many(found.bundles, 'bundle')}, "
        f"{many(found.graft_lots, 'graft lot')} ({found.possible} of them only possible), "
        f"{many(found.customers, 'customer')}"
    )
    if found.share_of_trees is not None:
        console.data(
            f"  trees: {found.share_of_trees:.1%} of {many(found.trees, 'graft')} accounted for: "
            f"{found.sent} sent, {found.lost} lost, {found.standing} standing in a known place"
        )
    if found.share_of_sticks is not None:
        console.data(
            f"  sticks: {found.share_of_sticks:.1%} of {found.sticks:g} accounted for: "
            f"{found.sticks_gone:g} gone, {found.sticks_stored:g} counted in store; "
            f"{found.by_book:g} are there by the book only"
        )
    lots = sorted(found.lots_left, key=lambda each: -each.unaccounted)
    _list("trees not accounted for", [_lot(each) for each in lots])
    bundles = sorted(found.bundles_left, key=lambda each: -each[1])
    _list("sticks not accounted for", [f"{code}: {sticks:g}" for code, sticks in bundles])
    said = "reached" if found.reaches(least) else "not reached"
    console.talk(f"the aim of {least:.0%} (setting records.accounted) is {said}")


def _time(seconds: float) -> str:
    return f"{seconds:.1f} s" if seconds >= 1 else f"{1000 * seconds:.0f} ms"


def _lot(each: "LotLeft") -> str:
    why = [] if each.placed else ["where they stand is not recorded"]
    why += [] if each.counted else ["never counted"]
    told = f" ({', '.join(why)})" if why else ""
    return f"{each.graft_lot}: {each.unaccounted} of {each.grafts}{told}"


def _list(title: str, lines: list[str]) -> None:
    if lines:
        console.data(f"{title}:")
        for line in lines[:MOST]:
            console.data(f"  {line}")
        if len(lines) > MOST:
            console.data(f"  and {len(lines) - MOST} more")


def tell_season(found: "SeasonReport") -> None:
    """Show the numbers of a season, and where the page tells more."""
    from scionreg.documents.season_report import which_were_sent
    from scionreg.records.words import english

    console.data(f"season {found.season}, from {found.first} to {found.last}")
    numbers = {
        "sticks cut": sum(each.sticks for each in found.cut),
        "grafts made": found.grafts,
        "trees sent": sum(each.trees for each in found.sent),
        "balance alarms": len(found.alarms),
        "looks found off": len(found.off),
        "gaps in records": sum(len(each.codes) for each in found.gaps),
        "corrections": len(found.corrections),
    }
    for name, number in numbers.items():
        console.data(f"  {name:16} {number:>7,}")
    console.data(f"  {which_were_sent(found, english())}")
    _list("alarms", [f"{each.code}: {each.alarm}" for each in found.alarms])
    if found.royalties:
        console.data("counts by licence:")
        console.table([each.to_dict() for each in found.royalties], ROYALTY)
    if found.gaps:
        console.data("not recorded:")
        console.table([_gap(each) for each in found.gaps], GAP)
    console.command("the whole of it: ", "report", str(found.season), "--into", "season.html")


def tell_royalties(found: "Royalties") -> None:
    """Show the counts of a period by licence."""
    console.data(f"from {found.first} to {found.last}")
    if found.rows:
        console.table(found.to_rows(), ROYALTY)
    else:
        console.talk("no cultivar has a right or a licence recorded")
    for each in found.rows:
        if each.unlicensed:
            console.talk(f"{each.cultivar}: a right is claimed and no licence number is recorded")
        if each.mixed:
            console.talk(f"{each.cultivar}: {each.mixed} grafts of mixed wood count in full")
    if found.undated:
        console.talk(f"not counted, since nothing says when: {', '.join(found.undated[:MOST])}")
    console.talk(
        "made = taken + green + died + not told + not counted, by the last count; sold are trees "
        "that left then, whenever grafted; what is owed follows from the licence"
    )


ROYALTY = {
    "licence": "licence",
    "cultivar": "cultivar",
    "made": "made",
    "taken": "taken",
    "green": "green",
    "destroyed": "died",
    "not_told": "not told",
    "not_counted": "not counted",
    "sold": "sold",
    "cut": "sticks cut",
    "wood_sold": "sticks sold",
}
GAP = {"what": "what", "missing": "missing", "of": "of", "first": "first", "rule": "asked for by"}


def _gap(each: "Gap") -> dict[str, object]:
    from scionreg.records.words import english

    what = english()(f"season_report.gap.{each.what}")
    return {**each.to_dict(), "what": what, "first": each.codes[0]}


def tell_recheck(found: "Recheck") -> None:
    """Show what the registry says of a printed sheet."""
    line = found.line
    if line is None:
        console.data(
            "journal: no line has that digest; the sheet is not of this registry, a digit is "
            "wrong, or the journal was changed (scionreg audit tells)"
        )
    else:
        told = "as it was written" if found.intact else "but it was changed after it was written"
        console.data(
            f"journal: line {line.line} is there, {told}; {found.later} lines were added since"
        )
        if not found.stood_then:
            console.data(f"date: on {found.date} that was not the last line of the journal")
    if found.same:
        console.data(f"sheet: what it shows of {found.code} is what the registry tells now")
        return
    console.data(
        f"sheet: a sheet of {found.code} made now would differ; its digits are {found.digest[:20]}"
    )
    if found.changes:
        _list("changed since", [_change(each) for each in found.changes])
    elif line is not None:
        console.data(
            "  nothing on it was recorded or changed since: a digit is wrong, the sheet is not as "
            "it was printed, or another version of scionreg made it"
        )
    console.command("compare it with a new one: ", "trace", found.code, "--sheet", "new.pdf")


def _change(each: "ChangeSince") -> str:
    what = f" {each.kind.replace('_', ' ')} {each.key}" if each.key else ""
    why = f", because {each.why}" if each.why else ""
    return console.one_line(
        f"line {each.line}, {each.time:%Y-%m-%d} by {each.by}: {each.action}{what}{why}"
    )
