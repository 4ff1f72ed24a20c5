"""The commands that hold something, and end a hold."""

from typing import TYPE_CHECKING, Annotated

import typer

from scionreg.cli import console
from scionreg.cli.answers import day_option
from scionreg.cli.options import By, Json, Where, agree, one_asked, opened, recorder
from scionreg.records.errors import RegistryError

if TYPE_CHECKING:
    from scionreg.api import Registry
    from scionreg.holding import Stop

Codes = Annotated[
    list[str],
    typer.Argument(
        help="A mother tree, collection, bundle, graft lot, lot/position, place or dispatch; any "
        "number of them."
    ),
]
Positions = Annotated[str, typer.Option(help="Only these positions of a graft lot, as in '3;7-9'.")]
Limb = Annotated[str, typer.Option(help="Only this limb of a mother tree.")]
Why = Annotated[str, typer.Option("--why", help="The reason; it is kept with the record.")]
Day = Annotated[str, typer.Option("--date", help="Day it was decided; else today.")]


def hold(
    codes: Codes,
    positions: Positions = "",
    limb: Limb = "",
    why: Why = "",
    date: Day = "",
    registry: Where = "",
    by: By = "",
    json: Json = False,
) -> None:
    """Hold trees, wood, lots or dispatches: the nursery's own stop.

    Whatever plans, prints or records a use says so from then on, until it is released.

    Examples: scionreg hold B26-0007-9 --why "label came off"; scionreg hold G26-0001-7
    --positions 3;7-9
    """
    with opened(registry) as opened_registry:
        _record(opened_registry, "hold", codes, positions, limb, why, date, by, as_json=json)


def release(
    codes: Codes,
    positions: Positions = "",
    limb: Limb = "",
    why: Why = "",
    date: Day = "",
    registry: Where = "",
    by: By = "",
    json: Json = False,
) -> None:
    """End a hold on trees, wood, lots or dispatches.

    An authority's notice on a mother tree ends only where the reason says notice, as in --why
    "notice lifted". A release of some positions ends holds on those.

    Example: scionreg release B26-0007-9 --why "profile agrees"
    """
    with opened(registry) as opened_registry:
        _record(opened_registry, "release", codes, positions, limb, why, date, by, as_json=json)


def _record(
    registry: "Registry",
    what: str,
    codes: list[str],
    positions: str,
    limb: str,
    why: str,
    date: str,
    by: str,
    *,
    as_json: bool,
) -> None:
    from scionreg.cli.recording import show_recorded

    day = day_option(date)
    meant = [one_asked(registry, each) for each in codes]
    who = recorder(registry, by)
    record = registry.hold if what == "hold" else registry.release
    how = {"positions": positions, "limb": limb, "why": why}
    show_recorded(registry, record(*meant, day=day, recorder=who, **how), as_json=as_json)


def hold_proposed(registry: "Registry", stops: "list[Stop]", by: str, *, yes: bool) -> None:
    """Show what is proposed to be held, ask, and record it."""
    if not stops:
        console.talk("nothing more is to be held")
        return
    for each in stops:
        console.talk(console.one_line(f"would hold {each.code}: {each.why}"))
    if not yes:
        if not console.is_terminal():
            raise RegistryError("nobody can be asked here; say --yes to hold that")
        agree("hold that")
    made = registry.hold_all(stops, recorder=recorder(registry, by))
    console.talk(f"held: {len(made)}")
