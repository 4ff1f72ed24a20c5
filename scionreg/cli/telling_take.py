"""Take as text for people: the table, what is tied, and what the counts cannot mean."""

from typing import TYPE_CHECKING, Any

from scionreg.cli import console
from scionreg.records.vocabulary import CountFinding, LowTake

if TYPE_CHECKING:
    from collections.abc import Iterable

    from scionreg.take.findings import Finding
    from scionreg.take.row_map import RowMap
    from scionreg.take.summary import TakeSummary
    from scionreg.take.table import Suspect, TakeTable

SAID = {
    LowTake.LOW: "low",
    LowTake.TIED: "tied",
    LowTake.NOT_ENOUGH: "not enough to tell",
    LowTake.NOT_LOW: "",
}
MOST_FINDINGS = 20

SUMMARY = {
    "season": "season",
    "cultivar": "cultivar",
    "method": "method",
    "stage": "count",
    "lots": "lots",
    "grafts": "grafts",
    "pushing": "pushing",
    "green": "green",
    "dead": "dead",
    "stock_only": "stock only",
    "missing": "missing",
    "broken": "broken",
    "not_told": "not told",
    "take": "take",
}
TABLE = {
    "item": "item",
    "lots": "lots",
    "grafts": "grafts",
    "take": "take",
    "difference": "points beside its like",
    "q": "q",
    "effect": "shrunken effect",
    "p_low": "p low",
    "verdict": "",
}


def tell_summary(found: "TakeSummary") -> None:
    """Show take by season, cultivar and method."""
    rows = [
        row | {"take": _interval(row["rate"], row["low"], row["high"])} for row in found.to_rows()
    ]
    console.table(rows, SUMMARY)
    _tell_findings(found.findings)
    console.talk("compare with: scionreg take --by mother_tree")


def tell_table(found: "TakeTable") -> None:
    """Show take by the items of a factor."""
    console.table(
        [_told(each) for each in found.suspects], TABLE | {"item": found.factor.replace("_", " ")}
    )
    for group in found.tied:
        names = [f"{each.factor.replace('_', ' ')} {each.item}" for each in group]
        console.data(console.one_line(f"nothing tells apart: {', '.join(names)}"))
    _tell_findings(found.findings)
    for note in found.notes:
        console.talk(console.one_line(note))
    share = found.taken / found.grafts
    console.talk(
        f"{found.stage} count: {found.taken} of {found.grafts} grafts took ({share:.0%}). Points: "
        "against lots alike, 95 % interval. Effect: in logit, 90 % interval"
    )


def tell_row_map(found: "RowMap") -> None:
    """Show a block's lots row by row."""
    rows = [
        {
            "row": each.row,
            "from": each.first,
            "to": each.last,
            "graft_lot": each.graft_lot,
            "take": "-" if each.rate is None else f"{each.rate:.0%} of {each.grafts}",
            "regraft": "regraft" if each.regraft else "",
        }
        for each in found.stretches
    ]
    heads = {"row": "row", "from": "from", "to": "to", "graft_lot": "graft lot", "take": "take"}
    console.table(rows, heads | {"regraft": ""})
    if found.unplaced:
        console.talk(f"without a place in the block: {', '.join(found.unplaced)}")
    console.talk(f"block {found.block}, season {found.season}, {found.stage} count")


def _told(suspect: "Suspect") -> dict[str, Any]:
    return {
        "item": suspect.item,
        "lots": suspect.lots,
        "grafts": round(suspect.grafts, 1),
        "take": _interval(suspect.rate, suspect.low, suspect.high),
        "difference": _points(suspect),
        "q": None if suspect.q is None else f"{suspect.q:.3f}",
        "effect": _effect(suspect),
        "p_low": None if suspect.p_low is None else f"{suspect.p_low:.2f}",
        "verdict": SAID[suspect.verdict],
    }


def _interval(rate: float, low: float, high: float) -> str:
    return f"{100 * rate:3.0f} % ({100 * low:.0f}-{100 * high:.0f})"


def _points(suspect: "Suspect") -> str | None:
    numbers = suspect.difference, suspect.difference_low, suspect.difference_high
    if None in numbers:
        return None
    middle, low, high = (100 * each for each in numbers if each is not None)
    return f"{middle:+.0f} ({low:+.0f} to {high:+.0f})"


def _effect(suspect: "Suspect") -> str | None:
    numbers = suspect.effect, suspect.effect_low, suspect.effect_high
    if None in numbers:
        return None
    middle, low, high = (each for each in numbers if each is not None)
    return f"{middle:+.2f} ({low:+.2f} to {high:+.2f})"


def _tell_findings(findings: "Iterable[Finding]") -> None:
    """Show findings by kind, the first of many."""
    told = list(findings)
    for kind in CountFinding:
        mine = [each for each in told if each.kind == kind]
        if mine:
            console.data(f"{kind.definition.rstrip('.')}: {len(mine)}")
        for each in mine[:MOST_FINDINGS]:
            console.data(console.one_line(f"  {each.item}  {each.text}"))
        if len(mine) > MOST_FINDINGS:
            console.data(f"  … and {len(mine) - MOST_FINDINGS} more; --json shows all")
