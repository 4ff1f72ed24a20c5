"""The command that plans which mother trees to cut."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from scionreg.cli import console
from scionreg.cli.options import Csv, Json, Where, opened
from scionreg.records.errors import RegistryError

if TYPE_CHECKING:
    from scionreg.rotation.demand import Order


def plan(
    demand: Annotated[
        Path | None,
        typer.Option(
            help="CSV of trees to be sold: cultivar, season they are grafted in, trees, and maybe "
            "must_fill (yes or no).",
        ),
    ] = None,
    trees: Annotated[
        list[str] | None,
        typer.Option(help="CULTIVAR=TREES to be sold, grafted in the first season; repeat it."),
    ] = None,
    season: Annotated[
        int | None, typer.Option(help="First season to plan, by its spring; else the one it is.")
    ] = None,
    seasons: Annotated[int, typer.Option(help="How many seasons to plan, 1 to 5.")] = 3,
    method: Annotated[
        str, typer.Option(help="How all will be grafted; else as each cultivar usually is.")
    ] = "",
    seconds: Annotated[float, typer.Option(help="About the most that the search may take.")] = 60,
    registry: Where = "",
    json: Json = False,
    csv: Csv = False,
) -> None:
    """Plan which mother trees to cut, how much, and which must rest.

    Without --demand or --trees: what every tree can give, and why some may not be cut. Exit 3 where
    the trees cannot give what is wanted.

    Examples: scionreg plan; scionreg plan --demand orders.csv; scionreg plan --trees Brellan=2000
    """
    from scionreg.cli.telling_plan import tell_outlook, tell_sheet

    with opened(registry) as opened_registry:
        settings = opened_registry.settings
        first = season if season is not None else settings.season(settings.today())
        orders = _orders(demand, trees or [], first)
        if not orders:
            outlook = opened_registry.outlook(first=first, seasons=seasons)
            if json:
                console.as_json(outlook.to_dict())
            elif csv:
                console.as_csv(outlook.to_rows())
            else:
                tell_outlook(outlook)
            return
        with console.progress("planning") as progress:
            sheet = opened_registry.plan(
                orders,
                first=first,
                seasons=seasons,
                method=method or None,
                seconds=seconds,
                progress=progress,
            )
    if json:
        console.as_json(sheet.to_dict())
    elif csv:
        console.as_csv(sheet.to_rows())
    else:
        tell_sheet(sheet)
    if sheet.short:
        raise typer.Exit(3)


def _orders(demand: Path | None, trees: list[str], first: int) -> "list[Order]":
    from scionreg.ordering import read_orders
    from scionreg.rotation.demand import Order

    orders = read_orders(demand) if demand is not None else []
    if demand is not None and not orders:
        raise RegistryError(f"{demand} has no orders")
    for each in trees:
        cultivar, equals, number = each.rpartition("=")
        if not equals or not cultivar.strip() or not (number.isascii() and number.isdigit()):
            raise RegistryError(f"'{each}' is no order; write CULTIVAR=TREES, as in Brellan=2000")
        orders.append(Order(cultivar=cultivar.strip(), season=first, trees=int(number)))
    return orders
