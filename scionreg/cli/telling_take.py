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
    "taken": "taken",
    "take": "take",
    "range": "low to high",
    "difference": "difference",
    "sure": "sure it is low",
    "verdict": "verdict",
}
WITH_CULTIVAR = ("mother_tree", "collection", "bundle")
"""Factors whose items are each of one cultivar."""


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
    heads = {**TABLE, "item": found.factor.replace("_", " ")}
    if found.factor in WITH_CULTIVAR:
        heads = {"item": heads["item"], "cultivar": "cultivar", **heads}
    console.table([_told(each) for each in found.suspects], heads)
    for group in found.tied:
        names = [f"{each.factor.replace('_', ' ')} {each.item}" for each in group]
        console.data(console.one_line(f"nothing tells apart: {', '.join(names)}"))
    _tell_findings(found.findings)
    for note in found.notes:
        console.talk(console.one_line(note))
    share = found.taken / found.grafts
    console.talk(
        f"{found.stage} count: {found.taken} of {found.grafts} grafts took ({share:.0%}). Low to "
        "high: where the take lies but for luck. Difference: points beside lots that are alike "
        "(both 95 %). --csv and --json tell more"
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
            "regraft": "yes" if each.regraft else "",
        }
        for each in found.stretches
    ]
    heads = {"row": "row", "from": "from", "to": "to", "graft_lot": "graft lot", "take": "take"}
    console.table(rows, heads | {"regraft": "regraft"})
    if found.unplaced:
        console.talk(f"without a place in the block: {', '.join(found.unplaced)}")
    console.talk(f"block {found.block}, season {found.season}, {found.stage} count")


def _told(suspect: "Suspect") -> dict[str, Any]:
    counted = str(suspect.lots)
    if suspect.lots < suspect.lots_in_all:
        counted += f"/{suspect.lots_in_all}"
    return {
        "item": suspect.item,
        "cultivar": suspect.cultivar,
        "lots": counted,
        "grafts": round(suspect.grafts, 1),
        "taken": round(suspect.taken, 1),
        "take": f"{100 * suspect.rate:.0f} %",
        "range": f"{100 * suspect.low:.0f}-{100 * suspect.high:.0f}",
        "difference": _points(suspect),
        "sure": None if suspect.p_low is None else _sure(suspect.p_low),
        "verdict": SAID[suspect.verdict],
    }


def _sure(chance: float) -> str:
    """Return a chance in words that never claim to be certain."""
    if chance < 0.01:
        return "< 1 %"
    return "> 99 %" if chance > 0.99 else f"{100 * chance:.0f} %"


def _interval(rate: float, low: float, high: float) -> str:
    return f"{100 * rate:3.0f} % ({100 * low:.0f}-{100 * high:.0f})"


def _points(suspect: "Suspect") -> str | None:
    numbers = suspect.difference, suspect.difference_low, suspect.difference_high
    if None in numbers:
        return None
    middle, low, high = (100 * each for each in numbers if each is not None)
    return f"{middle:+.0f} ± {max(middle - low, high - middle):.0f}"


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
