"""The command that tells what is left and what will stand by autumn."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from scionreg.cli import console
from scionreg.cli.options import Json, Where, opened

if TYPE_CHECKING:
    from scionreg.stock_ahead import Ahead


def ahead(
    trees: Annotated[
        list[str] | None,
        typer.Option(help="CULTIVAR=TREES to be sold, grafted in the season; repeat it."),
    ] = None,
    demand: Annotated[
        Path | None,
        typer.Option(help="CSV of trees to be sold: cultivar, season, trees; as for plan."),
    ] = None,
    season: Annotated[
        int | None,
        typer.Option(help="Season of the grafts whose trees are told of; else this autumn's."),
    ] = None,
    at: Annotated[str, typer.Option(help="As seen from this day; else today.")] = "",
    registry: Where = "",
    json: Json = False,
) -> None:
    """Tell rootstocks left, wood that may be used, and trees saleable by autumn.

    With orders: how many grafts are still to do, and whether the wood gives them.

    Examples: scionreg ahead; scionreg ahead --trees Tillowby=2000
    """
    from scionreg.cli.answers import day_option
    from scionreg.ordering import read_orders, written_order

    with opened(registry) as opened_registry:
        settings = opened_registry.settings
        day = day_option(at)
        planned = settings.season(day or settings.today())
        orders = [] if demand is None else read_orders(demand)
        orders += [written_order(each, planned) for each in trees or ()]
        found = opened_registry.ahead(orders, at=day, season=season)
    if json:
        console.as_json(found.to_dict())
    else:
        _tell(found, with_orders=bool(orders))


def _tell(found: "Ahead", *, with_orders: bool) -> None:
    told: dict[str, Any] = found.to_dict()
    orders = {"to_do": "grafts to do", "short": "short"} if with_orders else {}
    console.data(f"seen from {found.at}")
    for title, name, columns in (
        (
            "rootstocks",
            "rootstocks",
            {
                "rootstock_lot": "lot",
                "species": "species",
                "clone": "clone",
                "came": "came",
                "grafted": "grafted on",
                "left": "left",
            },
        ),
        (
            "wood that is left, in sticks",
            "wood",
            {
                "cultivar": "cultivar",
                "may": "may be used",
                "may_not": "may not",
                "gives": "gives grafts",
                "method": "by",
                **orders,
            },
        ),
        (
            f"trees of the grafts of season {found.season} that should stand by autumn",
            "saleable",
            {
                "cultivar": "cultivar",
                "counted": "counted",
                "early": "early count",
                "share": "of these stand",
                "standing": "standing",
                "low": "low",
                "high": "high",
                "saleable": "saleable",
                "not_counted": "grafts not counted",
            },
        ),
    ):
        rows = [
            {key: value.replace("_", " ") if key == "method" else value for key, value in r.items()}
            for r in told[name]
        ]
        console.data("")
        console.data(title)
        if rows:
            console.table(rows, columns)
        else:
            console.talk("none")
    if any(each["left"] is None for each in told["rootstocks"]):
        console.talk("- under left: nobody recorded how many came (column plants)")
    console.talk("nine times in ten what stands is between low and high")
    console.talk("how the figures are reckoned: docs/finding.md")
