"""Commands that answer: trace, recall, balance."""

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from scionreg.cli import console
from scionreg.cli.options import (
    Csv,
    Json,
    Where,
    WordsFile,
    Workings,
    asked,
    one_asked,
    opened,
    workings_shown,
)
from scionreg.records.errors import RegistryError

if TYPE_CHECKING:
    from scionreg.api import Registry
    from scionreg.lineage.recall_items import Item


def trace(
    code: Annotated[
        str,
        typer.Argument(
            help="Any code; a single tree as graft lot/position (G26-0001-7/12) or "
            "block/row/position (N26/50/3); a customer; a line of a dispatch as dispatch/graft lot."
        ),
    ],
    sheet: Annotated[
        Path | None, typer.Option(help="Write a trace sheet for others: an HTML or PDF file.")
    ] = None,
    words: WordsFile = None,
    workings: Workings = "",
    registry: Where = "",
    json: Json = False,
    csv: Csv = False,
) -> None:
    """Go up the chain: which tree and cutting, how sure.

    A dispatch, or all that a customer got, is traced line by line.

    Examples: scionreg trace G26-0001-7/12 --sheet trace.pdf; scionreg trace N26/50/3; scionreg
    trace CU-12
    """
    from scionreg.cli.telling import tell_lines, tell_trace
    from scionreg.lineage.asked import CUSTOMERS

    with opened(registry) as opened_registry:
        meant = asked(opened_registry, code)
        zone = opened_registry.settings.zone
        by_line = meant.kind == CUSTOMERS or (
            meant.kind == "dispatches" and "/" not in meant.codes[0]
        )
        lines = opened_registry.trace_lines(*meant.codes) if by_line else ()
        if sheet is not None:
            _write_sheet(opened_registry, meant.one(), sheet, words)
        if meant.kind == CUSTOMERS:
            if json:
                plain = [each.to_dict() for each in lines]
                console.as_json({"code": code, "kind": CUSTOMERS, "lines": plain})
            elif csv:
                console.as_csv(row for each in lines for row in each.to_rows())
            else:
                tell_lines(code, lines)
            return
        found = opened_registry.trace(meant.codes[0])
        shown = workings_shown(opened_registry, workings, found)
    if shown:
        pass  # the answer is part of it
    elif json and by_line:
        console.as_json({**found.to_dict(), "lines": [each.to_dict() for each in lines]})
    elif json:
        console.as_json(found.to_dict())
    elif csv:
        console.as_csv(found.to_rows())
    else:
        tell_trace(found, zone, lines)


def _write_sheet(registry: "Registry", code: str, file: Path, words: Path | None) -> None:
    from scionreg.documents.pdf import unknown_letters
    from scionreg.documents.trace_sheet import recheck_command, write_trace_sheet
    from scionreg.records.words import read_words

    sheet = registry.trace_sheet(code)
    paper = write_trace_sheet(sheet, file, read_words(words))
    console.talk(f"written: {file}")
    if file.suffix.lower() == ".pdf":
        console.lacking(unknown_letters("".join(paper.texts())))
    console.talk(f"whoever has it can ask: {recheck_command(sheet)}")


def recall(
    codes: Annotated[
        list[str] | None,
        typer.Argument(help="Trees, collections, bundles, graft lots, places, customers, …"),
    ] = None,
    limb: Annotated[str, typer.Option(help="Only this limb of the tree.")] = "",
    store: Annotated[str, typer.Option(help="What was in this store …")] = "",
    since: Annotated[str, typer.Option("--from", help="… from this day …")] = "",
    until: Annotated[str, typer.Option("--to", help="… to this day.")] = "",
    cutter: Annotated[str, typer.Option(help="What this person cut.")] = "",
    grafter: Annotated[str, typer.Option(help="What this person grafted.")] = "",
    on: Annotated[str, typer.Option(help="On this day only, with --cutter or --grafter.")] = "",
    drill: Annotated[
        bool,
        typer.Option("--drill", help="A mock recall: how much is accounted for, and the time."),
    ] = False,
    workings: Workings = "",
    registry: Where = "",
    json: Json = False,
    csv: Csv = False,
) -> None:
    """Go down the chain: all that shares a source.

    With --drill, exit code 3 where less is accounted for than the setting records.accounted.

    Examples: scionreg recall --store S26-0001-7 --from 2026-03-02 --to 2026-03-05; scionreg recall
    T26-0001-7 --drill
    """
    from scionreg.cli.telling import tell_recall
    from scionreg.lineage.recall_items import OfCutter, OfGrafter, OfStore

    if (since or until) and not store:
        raise RegistryError("--from and --to go with --store")
    if on and not (cutter or grafter):
        raise RegistryError("--on goes with --cutter or --grafter")
    items: list[Item] = []
    if store:
        items.append(OfStore(store, day_option(since), day_option(until)))
    if cutter:
        items.append(OfCutter(cutter, day_option(on)))
    if grafter:
        items.append(OfGrafter(grafter, day_option(on)))
    if not items and not codes:
        raise RegistryError("recall what? name codes, or --store, --cutter or --grafter")
    with opened(registry) as opened_registry:
        items = [*_wood_of(opened_registry, codes or [], limb or None), *items]
        if drill:
            _drill(opened_registry, items, json=json, csv=csv)
            return
        found = opened_registry.recall(*items)
        shown = workings_shown(opened_registry, workings, found)
    if shown:
        pass  # the answer is part of it
    elif json:
        console.as_json(found.to_dict())
    elif csv:
        console.as_csv(found.to_rows())
    else:
        tell_recall(found)


def _wood_of(registry: "Registry", codes: list[str], limb: str | None) -> "list[Item]":
    """Return what typed codes stand for; of a customer, every dispatch."""
    from scionreg.lineage.asked import CUSTOMERS
    from scionreg.lineage.recall_items import OfCode

    found: list[Item] = []
    for text in codes:
        meant = registry.asked(text)
        several = meant.kind == CUSTOMERS
        named = meant.codes if several else (one_asked(registry, text),)
        found += [OfCode(code, limb) for code in named]
    return found


def _drill(registry: "Registry", items: "list[Item]", *, json: bool, csv: bool) -> None:
    from scionreg.cli.telling_report import tell_drill
    from scionreg.records.starting_values import RecordValues

    least = registry.settings.values(RecordValues).accounted
    found = registry.mock_recall(*items)
    if json:
        console.as_json(found.to_dict())
    elif csv:
        console.as_csv(found.to_rows(), ("kind", "code", "trees", "sticks"))
    else:
        tell_drill(found, least)
    if not found.reaches(least):
        raise typer.Exit(3)


def balance(
    codes: Annotated[
        list[str] | None, typer.Argument(help="Bundles, collections, trees or cultivars.")
    ] = None,
    per: Annotated[
        str, typer.Option(help="A row for each bundle, collection, tree, cultivar or season.")
    ] = "",
    season: Annotated[int | None, typer.Option(help="Only this season.")] = None,
    alarms: Annotated[bool, typer.Option("--alarms", help="Only rows with an alarm.")] = False,
    workings: Workings = "",
    registry: Where = "",
    json: Json = False,
    csv: Csv = False,
) -> None:
    """Weigh what came in against what went out, in sticks.

    Example: scionreg balance --per bundle --alarms
    """
    from scionreg.cli.telling import tell_balance

    with opened(registry) as opened_registry:
        found = opened_registry.balance(
            scope=per or None, codes=codes or None, season=season, alarms_only=alarms
        )
        shown = workings_shown(opened_registry, workings, found)
    if shown:
        pass  # the answer is part of it
    elif json:
        console.as_json(found.to_dict())
    elif csv:
        console.as_csv(found.to_rows())
    else:
        of = "" if season is None else f" of season {season}"
        tell_balance(found, f"no alarm{of}" if alarms else f"no wood{of} is recorded")
    if any(row.alarm for row in found.rows):
        raise typer.Exit(3)


def day_option(text: str) -> dt.date | None:
    """Return the day that an option's text names by the clock of whoever types, None for none."""
    from scionreg.records.cells import CellError, Day

    if not text:
        return None
    try:
        today = dt.datetime.now().astimezone().date()
        return dt.date.fromisoformat(Day().read(Day().typed(text, today)))
    except CellError as error:
        raise RegistryError(f"{error.wrong}; {error.right}") from error
