"""Commands about what leaves the nursery on paper: the season's report, a printed sheet checked."""

from pathlib import Path
from typing import Annotated

import typer

from scionreg.cli import console
from scionreg.cli.options import Csv, Json, Where, WordsFile, opened


def report(
    season: Annotated[int, typer.Argument(help="The season, by the year of its spring.")],
    into: Annotated[Path | None, typer.Option(help="Write the report into this HTML file.")] = None,
    words: WordsFile = None,
    registry: Where = "",
    json: Json = False,
) -> None:
    """Report a season: wood, use, losses, take, findings, counts by licence, gaps in the records.

    Example: scionreg report 2026 --into season-2026.html
    """
    from scionreg.cli.telling_report import tell_season

    with opened(registry) as opened_registry, console.progress("summing up"):
        found = opened_registry.season_report(season)
    if into is not None:
        from scionreg.documents.season_report import write_season_report
        from scionreg.records.words import read_words

        write_season_report(found, into, read_words(words))
        console.talk(f"written: {into}")
    if json:
        console.as_json(found.to_dict())
    elif into is None:
        tell_season(found)


def royalties(
    season: Annotated[
        int | None, typer.Argument(help="The season, by the year of its spring; else this one.")
    ] = None,
    since: Annotated[str, typer.Option("--from", help="Or from this day …")] = "",
    until: Annotated[str, typer.Option("--to", help="… to this day.")] = "",
    licence: Annotated[str, typer.Option(help="Only this licence.")] = "",
    registry: Where = "",
    json: Json = False,
    csv: Csv = False,
) -> None:
    """Count what licences are reported by: made, taken, died, sold.

    Examples: scionreg royalties 2026; scionreg royalties --from 2026-01-01 --to 2026-12-31 --csv
    """
    from scionreg.cli.answers import day_option
    from scionreg.cli.telling_report import tell_royalties
    from scionreg.records.errors import RegistryError

    first, last = day_option(since), day_option(until)
    if season is not None and (first or last):
        raise RegistryError("name a season or days, not both")
    with opened(registry) as opened_registry:
        found = opened_registry.royalties(
            season=season, first=first, last=last, licence=licence or None
        )
    if json:
        console.as_json(found.to_dict())
    elif csv:
        console.as_csv(found.to_rows())
    else:
        tell_royalties(found)


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
