"""The command that tells what changed in the records, when and by whom."""

import datetime as dt
from typing import Annotated

import typer

from scionreg.cli import console
from scionreg.cli.options import Csv, Json, Where, opened
from scionreg.records.errors import RegistryError

WEEK = dt.timedelta(days=7)


def journal(
    since: Annotated[
        str, typer.Option("--from", help="From this day on; else the last seven days.")
    ] = "",
    until: Annotated[str, typer.Option("--to", help="Up to this day; else to now.")] = "",
    by: Annotated[str, typer.Option(help="Only what this person recorded.")] = "",
    kind: Annotated[str, typer.Option(help="Only changes to a record kind, as in bundles.")] = "",
    action: Annotated[
        str,
        typer.Option(help="Only a kind of change: record, import, correct, void, settings, …"),
    ] = "",
    registry: Where = "",
    json: Json = False,
    csv: Csv = False,
) -> None:
    """Tell what changed in the records, by whom, the newest last.

    Days are those of the registry's clock, when it was typed in; when it happened is in the
    records.

    Examples: scionreg journal; scionreg journal --from 2026-11-24 --by P01
    """
    from scionreg.cli.answers import day_option
    from scionreg.exchange.headers import kind_named

    which = kind_named(kind) if kind else ""
    if which is None:
        from scionreg.records.tables import KINDS

        raise RegistryError(f"'{kind}' is no record kind; one of: {', '.join(KINDS)}")
    with opened(registry) as opened_registry:
        first, last = day_option(since), day_option(until)
        if first is None:
            first = (last or opened_registry.settings.today()) - WEEK
        found = opened_registry.changes(since=first, until=last, by=by, kind=which, action=action)
    if json:
        console.as_json(
            {"since": first, "until": last, "changes": [each.to_dict() for each in found]}
        )
    elif csv:
        console.as_csv([each.to_row() for each in found], COLUMNS)
    else:
        for each in found:
            why = f" ({each.why})" if each.why else ""
            console.data(
                console.one_line(f"{each.time:%Y-%m-%d %H:%M}  {each.by}  {each.text}{why}")
            )
        number = "nothing" if not found else f"{len(found)} changes"
        console.talk(f"{number} from {first} to {last or 'now'}")


COLUMNS = ("line", "time", "by", "action", "kinds", "records", "keys", "why", "text")
