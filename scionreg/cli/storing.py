"""Commands about stores: readings in, what happened to wood, which to use first."""

from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from scionreg.cli import console
from scionreg.cli.answers import day_option
from scionreg.cli.options import (
    By,
    Csv,
    DryRun,
    Json,
    Where,
    Workings,
    opened,
    recorder,
    workings_shown,
)
from scionreg.records.counting import many
from scionreg.records.errors import RegistryError

if TYPE_CHECKING:
    from scionreg.cold_store.report import BundleFigures, StoreReport


def readings(
    file: Annotated[Path, typer.Argument(help="A text file that a temperature logger wrote.")],
    store: Annotated[str, typer.Option(help="The store that the logger hung in.")],
    time_column: Annotated[str, typer.Option(help="Header of the times.")] = "",
    temperature_column: Annotated[str, typer.Option(help="Header of the temperatures.")] = "",
    humidity_column: Annotated[str, typer.Option(help="Header of the relative humidity.")] = "",
    unit: Annotated[str, typer.Option(help="Unit of the temperatures: C or F.")] = "",
    dates: Annotated[str, typer.Option(help="Order in a date: ymd, dmy or mdy.")] = "",
    zone: Annotated[
        str, typer.Option(help="Time zone of the logger's clock; else the registry's.")
    ] = "",
    registry: Where = "",
    by: By = "",
    dry_run: DryRun = False,
    json: Json = False,
) -> None:
    """Take in a temperature logger's file, all or nothing.

    Columns, units and dates are recognised, and it is said how; options put them right. What a
    failed sensor wrote is left out and counted. The same file again changes nothing.

    Example: scionreg readings cooler.csv --store S26-0001-7 --unit F
    """
    if dates not in ("", "ymd", "dmy", "mdy"):
        raise RegistryError(f"'{dates}' is no order of dates; write ymd, dmy or mdy")
    with opened(registry) as opened_registry, console.progress("reading") as progress:
        done = opened_registry.import_logger(
            file,
            store,
            zone=zone,
            dry_run=dry_run,
            recorder=recorder(opened_registry, by),
            progress=progress,
            time_column=time_column,
            temperature_column=temperature_column,
            humidity_column=humidity_column,
            unit=unit,
            dates=dates,
        )
    if json:
        console.as_json(done.to_dict())
    for note in done.notes:
        console.talk(console.one_line(note))
    new, again = (sum(each.values()) for each in (done.imported.recorded, done.imported.repeated))
    said = "would take in" if dry_run else "took in"
    console.talk(f"{said} {many(new, 'reading')} of {store}; {again:,} were there already")


def store(
    bundles: Annotated[list[str] | None, typer.Argument(help="Bundles; else all.")] = None,
    in_store: Annotated[str, typer.Option("--store", help="Wood that was in this store.")] = "",
    since: Annotated[str, typer.Option("--from", help="Wood that was there from this day …")] = "",
    until: Annotated[str, typer.Option("--to", help="… to this day.")] = "",
    warm_spells: Annotated[
        bool, typer.Option("--warm-spells", help="The warm spells, and the bundles in each.")
    ] = False,
    use_first: Annotated[
        bool,
        typer.Option("--use-first", help="Wood that is left and may be used, most urgent first."),
    ] = False,
    now: Annotated[
        bool,
        typer.Option("--now", help="Wood that is left, by cultivar, and what may not be used."),
    ] = False,
    at: Annotated[
        str,
        typer.Option(help="With --now or --use-first: as it stood at the end of this day."),
    ] = "",
    picture: Annotated[
        Path | None, typer.Option(help="Draw temperatures and stays to this .png or .svg file.")
    ] = None,
    workings: Workings = "",
    registry: Where = "",
    json: Json = False,
    csv: Csv = False,
) -> None:
    """Tell what happened in store: warmth, frost, drying, hours without readings.

    Examples: scionreg store --now; scionreg store --use-first --at 2026-04-16
    """
    left = now or use_first
    day = day_option(at)
    if day is not None and not left:
        raise RegistryError("--at asks what was left on a day: it goes with --now or --use-first")
    with opened(registry) as opened_registry:
        settings = opened_registry.settings
        found = opened_registry.store_report(
            *(bundles or ()),
            store=in_store or None,
            since=day_option(since),
            until=day_option(until),
            now=left,
            day=day,
        )
        shown = workings_shown(opened_registry, workings, found)
    if picture is not None:
        from scionreg.documents.store_picture import draw_stores

        draw_stores(found, picture, zone=settings.zone, units=settings.units)
        console.talk(f"drew {picture}")
    rows = _ordered(found, use_first=use_first, now=now)
    if not rows and not json and not shown:
        console.talk(_why_empty(found, bundles, in_store, left=left, at=at))
    if shown:
        pass  # the answer is part of it
    elif json:
        whole = found.to_dict()
        console.as_json(whole | {"bundles": [each.to_dict() for each in rows]})
    elif csv:
        console.as_csv(found.rows(rows))
    elif warm_spells:
        _tell_spells(found, us=settings.units == "US")
    else:
        _tell(found, rows, us=settings.units == "US", now=left)


def _ordered(found: "StoreReport", *, use_first: bool, now: bool) -> "list[BundleFigures]":
    if use_first:
        return found.usable()
    rows = list(found.bundles)
    if now:
        rows.sort(key=lambda each: (each.wood.cultivars, each.store or "", each.bundle))
    return rows


def _why_empty(
    found: "StoreReport", bundles: list[str] | None, store: str, *, left: bool, at: str
) -> str:
    """Return why no bundle is listed."""
    of = f" of {', '.join(bundles)}" if bundles else ""
    where, when = f" in {store}" if store else "", f" at the end of {at}" if at else ""
    if not left:
        return f"no wood{of} was there{where} in that time"
    if not found.bundles:
        return f"nothing is left{of}{where}{when}"
    why = Counter(
        each.code.value.replace("_", " ")
        for bundle in found.bundles
        for each in {each.code: each for each in bundle.reasons if each.bars}.values()
    )
    told = ", ".join(f"{reason} {number}" for reason, number in why.most_common())
    sticks = sum(each.sticks_left for each in found.bundles)
    return (
        f"no wood may be used{when}: of {many(len(found.bundles), 'bundle')} with "
        f"{many(round(sticks), 'stick')} left{where} none may ({told}); store --now tells each, "
        "--at DAY asks about another day"
    )


COLUMNS = {
    "bundle": "bundle",
    "kept_as": "class",
    "days": "days",
    "degree_hours_above_7_2": "°C·h warm",
    "hours_below_minus_5": "h frost",
    "vpd_kpa_hours": "kPa·h drying",
    "hours_without_readings": "h unknown",
}
NOW = {
    "bundle": "bundle",
    "cultivars": "cultivar",
    "trees": "tree",
    "store": "store",
    "shelf": "shelf",
    "sticks_left": "sticks",
    "condition": "condition",
}
SUMS = {
    "cultivar": "cultivar",
    "bundles": "bundles",
    "sticks": "sticks",
    "may_be_used": "may be used",
}


def _tell(found: "StoreReport", rows: "list[BundleFigures]", *, us: bool, now: bool) -> None:
    """Show bundles as a table; of wood that is left, with whether it may be used, and sums."""
    if not rows:
        return
    columns = dict(COLUMNS)
    if us:
        columns["degree_f_hours_above_45"] = "°F·h warm"
    if now:
        columns = NOW | columns | {"use": "may be used"}
    shown: list[dict[str, Any]] = []
    for each in rows:
        row = each.to_dict()
        row |= {name: ", ".join(row[name]) or None for name in ("cultivars", "trees")}
        row["kept_as"] = each.kept_as.replace("_", " ")
        banned = "; ".join(each.may_not_be_used)
        row["use"] = f"no: {banned}" if banned else "yes"
        shown.append(row)
    console.table(shown, columns)
    doubtful = [each for each in rows if each.doubts]
    if doubtful:
        console.data("not recorded:")
    for each in doubtful:
        console.data(f"  {console.one_line(f'{each.bundle}: ' + '; '.join(each.doubts))}")
    if now:
        console.data("sticks left, by cultivar:")
        console.table(found.by_cultivar(), SUMS)
    console.talk("thresholds are starting values: scionreg settings shows and sets them")


def _tell_spells(found: "StoreReport", *, us: bool) -> None:
    """Show each warm spell with the bundles that sat through some of it."""
    if not found.spells:
        console.talk("no warm spell")
    for spell in found.spells:
        heat = f"{spell.heat_c_hours:.0f} °C·h"
        hottest = f"{spell.hottest_c:.1f} °C"
        if us:
            heat += f" ({spell.heat_c_hours * 1.8:.0f} °F·h)"
            hottest += f" ({spell.hottest_c * 1.8 + 32:.0f} °F)"
        start, end = (found.local(moment) for moment in (spell.start, spell.end))
        console.data(
            f"{spell.store}: {start:%Y-%m-%d %H:%M} to {end:%Y-%m-%d %H:%M}, {spell.hours:.0f} h, "
            f"{heat}, up to {hottest}"
        )
        touched = found.touched_by(spell)
        grades = {each.bundle: each.kept_as.replace("_", " ") for each in found.bundles}
        lines = zip(
            touched["bundle"], touched["share_of_spell"], touched["heat_c_hours"], strict=True
        )
        for bundle, share, heat_taken in lines:
            console.data(f"  {bundle}: {share:.0%} of it, {heat_taken:.0f} °C·h; {grades[bundle]}")
