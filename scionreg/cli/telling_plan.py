"""A cutting plan as text: what is wanted, what to cut, what must rest, what to mind."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from scionreg.cli import console
from scionreg.rotation.pressure import CutState

if TYPE_CHECKING:
    from scionreg.cutting import Outlook, TreeOutlook
    from scionreg.planning import CuttingSheet

WANTED = {
    "season": "season",
    "cultivar": "cultivar",
    "trees": "trees",
    "take": "take",
    "grafts": "grafts",
    "sticks": "sticks",
    "in_store": "in store",
    "to_cut": "to cut",
}
GIVEN = {
    "season": "season",
    "cultivar": "cultivar",
    "demand": "wanted",
    "planned": "planned",
    "shortfall": "short",
}
NOT_CUT = {"tree": "tree", "cultivar": "cultivar", "until": "until", "why": "why"}
WATCHED = {"tree": "tree", "cultivar": "cultivar", "pressure": "pressure", "why": "why"}


def tell_sheet(sheet: "CuttingSheet") -> None:
    """Show a plan: wants, sticks planned, the trees to cut, those that may not be, cautions."""
    console.data("Wanted")
    console.table([row | {"take": _percent(row["take"])} for row in sheet.demand.to_rows()], WANTED)
    console.data("\nSticks planned")
    console.table([row for row in sheet.plan.to_dict()["seasons"] if row["demand"]], GIVEN)
    _tell_cuts(sheet)
    cultivars = {each.cultivar for each in sheet.demand.wanted}
    _tell_stopped([each for each in sheet.outlook.trees if each.cultivar in cultivars])
    console.data("\nTo mind")
    for says in sheet.cautions():
        console.data(f"  {console.one_line(says)}")
    unproven = [each for each in sheet.plan.goals if each.status != "proven"]
    if unproven:
        console.talk(
            f"{len(unproven)} of {len(sheet.plan.goals)} goals are not proven best; --json tells "
            "each goal's value and bound"
        )


def _tell_cuts(sheet: "CuttingSheet") -> None:
    seasons = sheet.outlook.seasons
    by_tree: dict[str, dict[str, Any]] = {}
    for each in sheet.plan.trees:
        row = by_tree.setdefault(each.tree, {"tree": each.tree, "cultivar": each.cultivar})
        row[str(each.season)] = each.sticks or None
        if each.season == seasons[0]:
            row |= {"grows": round(each.capacity), "pressure": round(each.pressure, 2)}
            row["why"] = each.why
    shown = [row for row in by_tree.values() if any(row.get(str(season)) for season in seasons)]
    console.data("\nSticks to cut, by season")
    if not shown:
        console.data("  none")
        return
    first = {"grows": f"grows {seasons[0]}", "pressure": f"pressure {seasons[0]}"}
    columns = {"tree": "tree", "cultivar": "cultivar", **{str(s): str(s) for s in seasons}, **first}
    console.table(shown, columns | {"why": f"what binds in {seasons[0]}"})


def _tell_stopped(trees: "list[TreeOutlook]") -> None:
    stopped = [_stopped(each) for each in trees if each.why_not[0]]
    if stopped:
        console.data("\nNot to be cut")
        console.table(stopped, NOT_CUT)
    watched = [
        each.status.to_dict() | {"cultivar": each.cultivar, "why": "; ".join(each.status.why)}
        for each in trees
        if each.status.state is CutState.WATCH and not each.why_not[0]
    ]
    if watched:
        console.data("\nTo be watched")
        console.table([_rounded(each) for each in watched], WATCHED)


def _stopped(tree: "TreeOutlook") -> dict[str, Any]:
    may = [each.season for each, why in zip(tree.capacity, tree.why_not, strict=True) if not why]
    return {
        "tree": tree.tree,
        "cultivar": tree.cultivar,
        "until": tree.status.until or (may[0] if may else None),
        "why": "; ".join(tree.why_not[0]),
    }


def _rounded(row: Mapping[str, Any]) -> dict[str, Any]:
    return {**row, "pressure": round(float(row["pressure"]), 2)}


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def tell_outlook(outlook: "Outlook") -> None:
    """Show what the trees of each cultivar can give, and each tree in its first season."""
    first = outlook.seasons[0]
    sums: dict[str, dict[str, Any]] = {}
    for tree in outlook.trees:
        for row in tree.to_rows():
            told = sums.setdefault(tree.cultivar, {"cultivar": tree.cultivar, "trees": 0})
            told["trees"] += row["season"] == first and row["eligible"]
            name = str(row["season"])
            told[name] = told.get(name, 0) + row["most_to_cut"]
    console.data("Sticks that may be cut, by season (were nothing cut before)")
    seasons = {str(season): str(season) for season in outlook.seasons}
    columns = {"cultivar": "cultivar", "trees": f"trees in {first}", **seasons}
    console.table(list(sums.values()), columns)
    console.data(f"\nTrees that may be cut in season {first}")
    rows = [row for tree in outlook.trees for row in tree.to_rows()[:1] if row["eligible"]]
    console.table(
        [row | {"grows": f"{row['capacity']} ({row['low']} to {row['high']})"} for row in rows],
        {
            "tree": "tree",
            "cultivar": "cultivar",
            "kind": "kind",
            "grows": "grows (90 %)",
            "most_to_cut": "at most",
            "pressure": "pressure so far",
            "state": "state",
        },
    )
    _tell_stopped(list(outlook.trees))
    console.talk(outlook.limits)
