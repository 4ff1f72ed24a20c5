"""A cutting plan as text: what is wanted, what to cut, what must rest, what to mind."""

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from scionreg.cli import console
from scionreg.records.counting import many
from scionreg.rotation.pressure import CutState

if TYPE_CHECKING:
    from scionreg.cutting import Outlook, TreeOutlook
    from scionreg.planning import CuttingSheet
    from scionreg.rotation.comparing import Comparison
    from scionreg.rotation.why_cut import Change, WhyCut

OTHERS = 4
"""Trees named that are cut otherwise without one."""
WANTED = {
    "season": "season",
    "cultivar": "cultivar",
    "trees": "trees",
    "must": "must fill",
    "take": "take",
    "grafts": "grafts",
    "grafted": "made",
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


def tell_sheet(sheet: "CuttingSheet") -> None:
    """Show a plan as its manager reads it: in short, what to cut, what must rest, what to mind."""
    seasons = sheet.outlook.seasons
    console.data(f"Cutting plan for {_span(seasons)}")
    if sheet.compared:
        _paragraph("Changed: " + "; ".join(sheet.compared.changed) + ".", indent=2)
    for line in _in_short(sheet):
        _paragraph(line, indent=2)
    if sheet.why:
        _tell_why(sheet.why)
    if sheet.compared:
        _tell_compared(sheet.compared)
    _tell_lifts(sheet)
    console.data("\nSticks planned")
    console.table([row for row in sheet.plan.to_dict()["seasons"] if row["demand"]], GIVEN)
    _tell_cuts(sheet)
    _tell_first_looks(sheet)
    _tell_cut_back(sheet)
    cultivars = {each.cultivar for each in sheet.demand.wanted}
    _tell_stopped([each for each in sheet.outlook.trees if each.cultivar in cultivars])
    _tell_orders([_order(row) for row in sheet.demand.to_rows()])
    console.data("\nTo mind")
    for says in sheet.cautions():
        _paragraph(says[0].upper() + says[1:].rstrip(".") + ".", indent=2)
    unproven = [each for each in sheet.plan.goals if each.status == "stopped"]
    if unproven:
        console.talk(
            f"the search stopped before {len(unproven)} of {len(sheet.plan.goals)} goals were "
            "proven best; --json tells each goal's value and bound"
        )


def _span(seasons: Sequence[int]) -> str:
    return f"season {seasons[0]}" if len(seasons) == 1 else f"seasons {seasons[0]} to {seasons[-1]}"


def _in_short(sheet: "CuttingSheet") -> Iterable[str]:
    """Yield a sentence a season in which something is wanted."""
    for work in sheet.plan.work:
        rows = [row for row in sheet.plan.seasons if row.season == work.season]
        wanted, short = (sum(getattr(r, n) for r in rows) for n in ("demand", "shortfall"))
        if not wanted:
            continue
        if not work.visits:
            yield f"{work.season}: none of {many(wanted, 'stick')}; all are short."
            continue
        told = (
            f"all {many(wanted, 'stick')}"
            if not short
            else f"{wanted - short:,} of {wanted:,} sticks"
        )
        lacking = f"; {short:,} {'is' if short == 1 else 'are'} short" if short else ""
        yield (
            f"{work.season}: {told} from {_trees(work.visits)}, {_days(work.days)} "
            f"for one person{lacking}."
        )
    for cap in sheet.plan.caps:
        yield f"{cap.season}: {cap.used:,.10g} of at most {cap.most:,.10g} {cap.what} used."


def _trees(number: int) -> str:
    return many(number, "tree")


def _days(days: float) -> str:
    return f"about {days:.1f} days of work" if days >= 0.05 else "less than an hour of work"


def _order(row: dict[str, Any]) -> dict[str, Any]:
    must = "yes" if row["must_fill"] else None
    return row | {"take": f"{100 * row['take']:.1f} %", "must": must}


def _tell_orders(rows: list[dict[str, Any]]) -> None:
    """Show how the sticks follow from the orders; columns that say nothing are left out."""
    console.data("\nOrders, and the sticks they need")
    told = {n: head for n, head in WANTED.items() if any(row[n] for row in rows)}
    console.table(rows, {"season": "season", "cultivar": "cultivar", **told})
    by = {row["method"]: row["sticks_a_graft"] for row in rows if row["sticks_a_graft"] != 1}
    each = "".join(f" × {n:.3g} of {method}" for method, n in sorted(by.items()))
    for row in rows[:1]:
        _paragraph(
            f"Grafts: trees / (take × {row['survival']:.0%} that stand at the season's end × "
            f"{row['grade_out']:.0%} that can be sold). Sticks: grafts{each} / (1 − "
            f"{row['loss']:.0%} lost in store and at the bench) × (1 + {row['reserve']:.0%} in "
            "reserve). Both are rounded up.",
            indent=2,
        )


def _tell_lifts(sheet: "CuttingSheet") -> None:
    """Say what is short, and what would lift it."""
    short: dict[str, list[str]] = {}
    for row in sheet.plan.seasons:
        if row.shortfall:
            lacks = f"{many(row.shortfall, 'stick')} of {row.demand:,} in {row.season}"
            short.setdefault(row.cultivar, []).append(lacks)
    if not short:
        return
    console.data("\nShort, and what would lift it")
    for cultivar, says in short.items():
        ways = [lift.text for lift in sheet.lifts if lift.cultivar == cultivar]
        lifted = f": {'; or '.join(ways)}" if ways else " because of the cap"
        _paragraph(f"{cultivar}, {' and '.join(says)}{lifted}.", indent=2)
    shared = [lift.text for lift in sheet.lifts if lift.way == "cap"]
    if shared:
        _paragraph(f"For nothing to be short because of a cap: {'; '.join(shared)}.", indent=2)


def _tell_cuts(sheet: "CuttingSheet") -> None:
    seasons = sheet.outlook.seasons
    of_tree = {
        each.tree: {
            "identity": each.identity.value.replace("_", " "),
            "cut_by": each.cut_by[0].isoformat() if each.cut_by and each.cut_by[0] else None,
        }
        for each in sheet.outlook.trees
    }
    by_tree: dict[str, dict[str, Any]] = {}
    for each in sheet.plan.trees:
        row = by_tree.setdefault(each.tree, {"tree": each.tree, "cultivar": each.cultivar})
        row[str(each.season)] = each.sticks or None
        if each.season == seasons[0]:
            row |= {"grows": round(each.capacity), "pressure": f"{each.pressure:.2f}"}
            row |= {"why": each.why} | of_tree[each.tree]
    shown = [row for row in by_tree.values() if any(row.get(str(season)) for season in seasons)]
    console.data("\nSticks to cut, by season")
    if not shown:
        console.data("  none")
        return
    first = {"grows": f"grows {seasons[0]}", "pressure": "pressure", "identity": "identity"}
    if any(row["cut_by"] for row in shown):
        first["cut_by"] = "last day"
    columns = {"tree": "tree", "cultivar": "cultivar", **{str(s): str(s) for s in seasons}, **first}
    console.table(shown, columns | {"why": f"what limits it in {seasons[0]}"})


def _tell_first_looks(sheet: "CuttingSheet") -> None:
    """List the trees whose looks would protect most of what is planned."""
    if not sheet.first_looks:
        return
    console.data("\nTrees to look at first (a marker profile, or their fruit)")
    console.table(
        [
            {
                "tree": each.tree,
                "cultivar": each.cultivar,
                "identity": each.identity.replace("_", " "),
                "sticks": f"{each.sticks:,.0f}",
                "doubt": f"{each.doubt:.2%}",
                "at_risk": f"{each.at_risk:.1f}",
            }
            for each in sheet.first_looks
        ],
        {
            "tree": "tree",
            "cultivar": "cultivar",
            "identity": "identity",
            "sticks": "sticks planned or cut",
            "doubt": "another cultivar",
            "at_risk": "sticks at risk",
        },
    )


def _tell_cut_back(sheet: "CuttingSheet") -> None:
    """List the bank trees whose wood is not wanted, and that turn to short wood uncut."""
    by: dict[str, list[str]] = {}
    for each in sheet.cut_back():
        by.setdefault(each.cultivar, []).append(each.tree)
    if by:
        console.data(
            f"\nBank trees to cut back in {sheet.outlook.seasons[0]} though no wood is wanted"
        )
        for cultivar, codes in by.items():
            _paragraph(f"{cultivar}: {', '.join(codes)}.", indent=2)


def _tell_stopped(trees: "list[TreeOutlook]") -> None:
    """List the trees that may not be cut, those with the same reason together, and the watched."""
    stopped: dict[tuple[str, str], list[str]] = {}
    for each in trees:
        if each.why_not[0]:
            says = "; ".join(each.why_not[0]) + _again(each)
            stopped.setdefault((each.cultivar, says), []).append(each.tree)
    if stopped:
        console.data("\nNot to be cut")
        for (cultivar, says), codes in stopped.items():
            _paragraph(f"{', '.join(codes)} ({cultivar}): {says}.", indent=2)
    watched = [e for e in trees if e.status.state is CutState.WATCH and not e.why_not[0]]
    if watched:
        console.data("\nTo be watched")
        for each in watched:
            _paragraph(f"{each.tree} ({each.cultivar}): {'; '.join(each.status.why)}.", indent=2)


def _again(tree: "TreeOutlook") -> str:
    """Say from when a tree may be cut, where its reasons do not."""
    may = [each.season for each, why in zip(tree.capacity, tree.why_not, strict=True) if not why]
    return f"; from {may[0]} it may be cut" if may and tree.status.until is None else ""


# ------------------------------------------------------------------------------- what would change


def _tell_compared(found: "Comparison") -> None:
    console.data("\nBeside the plan as it stands")
    console.table(
        [
            {
                "season": str(row.season),
                "cultivar": row.cultivar,
                "wanted": _beside(row.demand_before, row.demand),
                "planned": _beside(row.planned_before, row.planned),
                "short": _beside(row.shortfall_before, row.shortfall),
            }
            for row in found.seasons
        ],
        {name: name for name in ("season", "cultivar", "wanted", "planned", "short")},
    )
    for work in found.work:
        if work.visits_before or work.visits:
            console.data(
                f"{work.season}: {_beside(work.visits_before, work.visits)} visits, "
                f"{_beside(work.sticks_before, work.sticks)} sticks, "
                f"{_beside(round(work.days_before, 1), round(work.days, 1))} days of work"
            )
    if not found.trees:
        console.data("No tree is cut otherwise.")
        return
    console.data("\nTrees cut otherwise")
    console.table(
        [
            {"tree": row.tree, "cultivar": row.cultivar, "season": str(row.season)}
            | {"before": row.sticks_before, "changed": row.sticks}
            | {"by": f"{row.sticks - row.sticks_before:+,}"}
            for row in sorted(found.trees, key=lambda row: (row.season, row.cultivar, row.tree))
        ],
        {
            "tree": "tree",
            "cultivar": "cultivar",
            "season": "season",
            "before": "as it stands",
            "changed": "changed",
            "by": "by",
        },
    )


def _beside(before: float, now: float) -> str:
    return f"{now:,.10g}" if before == now else f"{before:,.10g} → {now:,.10g}"


def _tell_why(why: "WhyCut") -> None:
    """Say what limits a tree season by season, then what changes if the plan is made anew."""
    console.data(f"\nWhy {why.tree} ({why.cultivar}) gives what it gives")
    for ahead, (sticks, grows, binds) in enumerate(
        zip(why.sticks, why.capacity, why.binding, strict=True)
    ):
        _paragraph(
            f"{why.first_season + ahead}: {sticks:,} of the {many(round(grows), 'stick')} it "
            f"grows. What limits it: {binds}.",
            indent=2,
        )
    for head, change in (
        ("Without it", why.without),
        ("If it grew a tenth more", why.with_more),
        (f"If a tenth more of {why.cultivar} were wanted", why.with_demand),
    ):
        _paragraph(f"{head}: {_changes(why, change)}.", indent=2)


def _changes(why: "WhyCut", change: "Change") -> str:
    told = []
    if change.shortfall_change:
        more = "more" if change.shortfall_change > 0 else "fewer"
        told.append(f"{many(abs(change.shortfall_change), f'{more} stick')} short")
    elif any(change.shortfall):
        told.append("no more and no fewer sticks short")
    else:
        told.append("nothing is short")
    if change.sticks != why.sticks and any(change.sticks):
        told.append(f"it gives {', '.join(f'{n:,}' for n in change.sticks)} by season")
    others = [
        f"{each.tree} {each.change:+,} in {why.first_season + each.season}"
        for each in change.others[:OTHERS]
    ]
    if len(change.others) > OTHERS:
        others.append(f"and {len(change.others) - OTHERS} more")
    if others:
        told.append(f"others: {', '.join(others)}")
    if change.visits_change:
        told.append(f"{change.visits_change:+} visits")
    return "; ".join(told)


def _paragraph(text: str, *, indent: int) -> None:
    """Show a text in lines that fit a page; further lines hang."""
    console.paragraph(text, indent)


# ------------------------------------------------------------------------------- without orders


def tell_outlook(outlook: "Outlook") -> None:
    """Show what the trees of each cultivar can give, and each tree in its first season."""
    first = outlook.seasons[0]
    sums: dict[str, dict[str, Any]] = {}
    for tree in outlook.trees:
        for row in tree.to_rows():
            told = sums.setdefault(tree.cultivar, {"cultivar": tree.cultivar, "of": 0, "trees": 0})
            told["of"] += row["season"] == first
            told["trees"] += row["season"] == first and row["most_to_cut"] > 0
            name = str(row["season"])
            told[name] = told.get(name, 0) + row["most_to_cut"]
    console.data(f"What mother trees can give in {_span(outlook.seasons)}")
    console.data("\nSticks at most, by cultivar and season (were none cut in the seasons before)")
    columns = {"cultivar": "cultivar", "of": "trees", "trees": f"to be cut in {first}"}
    columns |= {str(season): str(season) for season in outlook.seasons}
    console.table(sorted(sums.values(), key=lambda row: str(row["cultivar"])), columns)
    console.data(f"\nTrees that may be cut in {first}")
    able = sorted(
        (tree for tree in outlook.trees if not tree.why_not[0]),
        key=lambda tree: (tree.cultivar, tree.tree),
    )
    rows = [tree.to_rows()[0] for tree in able]
    columns = {
        "cultivar": "cultivar",
        "tree": "tree",
        "kind": "kind",
        "grows": "grows (90 %)",
        "most_to_cut": "at most",
        "cut_already": "cut already",
        "pressure": "pressure so far",
        "state": "state",
    }
    if not any(row["cut_already"] for row in rows):
        del columns["cut_already"]
    console.table(
        [
            row
            | {
                "grows": f"{row['capacity']} ({row['low']} to {row['high']})",
                "pressure": f"{row['pressure']:.2f}",
            }
            for row in rows
        ],
        columns,
    )
    _tell_stopped(list(outlook.trees))
    console.data("\nTo mind")
    for says in (outlook.past, outlook.limits):
        if says:
            _paragraph(says.rstrip(".") + ".", indent=2)
    console.talk("for a plan give orders: scionreg plan --trees CULTIVAR=TREES, or --demand FILE")


def tell_tree(outlook: "Outlook") -> None:
    """Show one tree without orders: what it grows, and whether it may be cut."""
    (tree,) = outlook.trees
    console.data(f"{tree.tree} ({tree.cultivar}, {tree.kind})")
    for row, against in zip(tree.to_rows(), tree.why_not, strict=True):
        grows = f"{many(row['capacity'], 'stick')} ({row['low']:,} to {row['high']:,})"
        may = (
            f"not to be cut: {'; '.join(against)}" if against else f"at most {row['most_to_cut']:,}"
        )
        _paragraph(f"{row['season']}: grows {grows}; {may}.", indent=2)
    if tree.status.state is CutState.WATCH:
        _paragraph(f"To be watched: {'; '.join(tree.status.why)}.", indent=2)
    for says in (*tree.cautions, outlook.past, outlook.limits):
        if says:
            _paragraph(says, indent=2)
