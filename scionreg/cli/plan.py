"""The command that plans which mother trees to cut."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from scionreg.cli import console
from scionreg.cli.options import Csv, Json, Where, Workings, opened, workings_shown
from scionreg.records.errors import RegistryError

if TYPE_CHECKING:
    from scionreg.cutting import Outlook
    from scionreg.planning import CuttingSheet
    from scionreg.rotation.demand import Order


def plan(
    demand: Annotated[
        list[Path] | None,
        typer.Option(
            help="CSV of trees to be sold: cultivar, season they are grafted in, trees, and maybe "
            "must_fill (yes or no). Give a second one to compare it with the first.",
        ),
    ] = None,
    trees: Annotated[
        list[str] | None,
        typer.Option(help="CULTIVAR=TREES to be sold, grafted in the first season; repeat it."),
    ] = None,
    season: Annotated[
        int | None, typer.Option(help="First season to plan, by its spring; else the coming one.")
    ] = None,
    seasons: Annotated[int, typer.Option(help="How many seasons to plan, 1 to 5.")] = 3,
    method: Annotated[
        str, typer.Option(help="How all will be grafted; else as each cultivar usually is.")
    ] = "",
    without: Annotated[
        list[str] | None,
        typer.Option(help="Leave this tree out, and compare; repeat it."),
    ] = None,
    cap: Annotated[
        list[str] | None,
        typer.Option(
            help="visits=30, sticks=900 or days=2.5: at most so much in a season, of all cultivars "
            "together (visits:2027=30 in that season only); compare; repeat it."
        ),
    ] = None,
    why: Annotated[
        str, typer.Option(help="Say why this tree gives what it gives, and what would change.")
    ] = "",
    picture: Annotated[
        Path | None,
        typer.Option(help="Draw supply against demand by cultivar into this .png or .svg file."),
    ] = None,
    pressure: Annotated[
        Path | None,
        typer.Option(help="Draw how hard each tree is cut, season by season, into this file."),
    ] = None,
    every: Annotated[
        bool, typer.Option("--every", help="With --csv: also trees of which nothing is cut.")
    ] = False,
    cut_back: Annotated[
        bool,
        typer.Option(
            "--cut-back", help="With --csv: also bank trees to cut back whose wood is not wanted."
        ),
    ] = False,
    check_first: Annotated[
        int,
        typer.Option(
            min=0, help="Name so many trees whose looks would protect most of what is planned."
        ),
    ] = 0,
    seconds: Annotated[float, typer.Option(help="About the most that the search may take.")] = 60,
    workings: Workings = "",
    registry: Where = "",
    json: Json = False,
    csv: Csv = False,
) -> None:
    """Plan which mother trees to cut, how much, and which must rest.

    Without --demand or --trees: what every tree can give, and why some may not be cut. Exit 3 where
    the trees cannot give what is wanted.

    Examples: scionreg plan; scionreg plan --demand orders.csv --cap days=3; scionreg plan --trees
    Brellan=2000 --without Old-7 --why Old-3
    """
    from scionreg.cutting import coming_season

    with opened(registry) as opened_registry:
        first = season if season is not None else coming_season(opened_registry.settings)
        orders, instead = _orders(demand or [], trees or [], first)
        if not orders:
            _refuse_without_orders(bool(without or cap), picture)
            with console.progress("judging trees"):
                outlook = opened_registry.outlook(first=first, seasons=seasons, tree=why or None)
            _draw(outlook, None, None, pressure)
            if not workings_shown(opened_registry, workings, outlook):
                _tell_outlook(outlook, why, json=json, csv=csv)
            return
        with console.progress("planning") as progress:
            sheet = opened_registry.plan(
                orders,
                first=first,
                seasons=seasons,
                method=method or None,
                seconds=seconds,
                progress=progress,
                without=without or (),
                instead=instead,
                caps=cap or (),
                why=why or None,
                check_first=check_first,
            )
        shown = workings_shown(opened_registry, workings, sheet)
    _draw(sheet.outlook, sheet, picture, pressure)
    if shown:
        pass  # the answer is part of it
    elif csv and not json:
        console.as_csv(sheet.to_rows(every=every, cut_back=cut_back))
    else:
        _tell_sheet(sheet, json=json)
    if sheet.short:
        raise typer.Exit(3)


def _orders(
    demand: list[Path], trees: list[str], first: int
) -> "tuple[list[Order], list[Order] | None]":
    """Return the orders, and those to compare with them."""
    from scionreg.ordering import read_orders, written_order

    if len(demand) > 2:
        raise RegistryError("two files of orders can be compared, not more")
    read = [read_orders(path) for path in demand]
    for path, found in zip(demand, read, strict=True):
        if not found:
            raise RegistryError(f"{path} has no orders")
    orders = read[0] if read else []
    orders += [written_order(each, first) for each in trees]
    return orders, read[1] if len(read) > 1 else None


def _refuse_without_orders(compared: bool, picture: Path | None) -> None:
    """Refuse what needs orders."""
    if compared:
        raise RegistryError("what is compared needs orders; give --demand or --trees")
    if picture is not None:
        raise RegistryError(
            "supply against what demand? give --demand or --trees; --pressure draws without them"
        )


def _draw(
    outlook: "Outlook",
    sheet: "CuttingSheet | None",
    picture: Path | None,
    pressure: Path | None,
) -> None:
    if picture is None and pressure is None:
        return
    from scionreg.documents.plan_pictures import draw_pressure, draw_supply

    if picture is not None and sheet is not None:
        draw_supply(sheet.plan, picture)
        console.talk(f"drawn: {picture}")
    if pressure is not None:
        draw_pressure(outlook, sheet.plan if sheet else None, pressure)
        console.talk(f"drawn: {pressure}")


def _tell_outlook(outlook: "Outlook", why: str, *, json: bool, csv: bool) -> None:
    from scionreg.cli.telling_plan import tell_outlook, tell_tree

    if json:
        console.as_json(outlook.to_dict())
    elif csv:
        console.as_csv(outlook.to_rows())
    elif why:
        tell_tree(outlook)
    else:
        tell_outlook(outlook)


def _tell_sheet(sheet: "CuttingSheet", *, json: bool) -> None:
    from scionreg.cli.telling_plan import tell_sheet

    if json:
        console.as_json(sheet.to_dict())
    else:
        tell_sheet(sheet)
