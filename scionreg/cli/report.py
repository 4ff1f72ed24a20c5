"""Commands about what leaves the nursery on paper: the season's report, a printed sheet checked."""

from typing import Annotated

import typer

from scionreg.cli import console
from scionreg.cli.options import Json, Where, opened


def recheck(
    code: Annotated[str, typer.Argument(help="The code at the top of the sheet.")],
    date: Annotated[str, typer.Option(help="The day of the sheet.")],
    journal: Annotated[str, typer.Option(help="The digits after Journal, twelve or more.")],
    sheet: Annotated[str, typer.Option(help="The digits after Sheet, twelve or more.")],
    registry: Where = "",
    json: Json = False,
) -> None:
    """Check a printed trace sheet against the registry.

    Says whether the registry still has the state of records that the sheet was made from, and
    whether what it shows has changed since. Exit code 3 where it does not hold.
    """
    from scionreg.cli.answers import day_option
    from scionreg.cli.telling_report import tell_recheck
    from scionreg.records.errors import RegistryError

    day = day_option(date)
    if day is None:
        raise RegistryError("name the day of the sheet: --date 2026-11-25")
    with opened(registry) as opened_registry:
        found = opened_registry.recheck(code, date=day, journal_digest=journal, sheet_digest=sheet)
    if json:
        console.as_json(found.to_dict())
    else:
        tell_recheck(found)
    if not found.holds:
        raise typer.Exit(3)
