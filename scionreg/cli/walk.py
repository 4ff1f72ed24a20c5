"""The command that puts a day's trees in walking order."""

from pathlib import Path
from typing import Annotated

import typer

from scionreg.cli import console
from scionreg.cli.options import (
    Csv,
    Finish,
    Gates,
    Json,
    Start,
    Where,
    ends_of,
    gates_of,
    listed,
    opened,
)
from scionreg.records.errors import RegistryError


def walk(
    trees: Annotated[list[str] | None, typer.Argument(help="Codes of mother trees.")] = None,
    list_: Annotated[
        Path | None,
        typer.Option(
            "--list",
            help="CSV with a column tree, maybe sticks and season, as plan --csv writes; - reads "
            "standard input.",
        ),
    ] = None,
    season: Annotated[
        int | None, typer.Option(help="The season meant, where the list has several.")
    ] = None,
    start: Start = "",
    finish: Finish = "",
    gate: Gates = None,
    gpx: Annotated[
        Path | None, typer.Option(help="Also write it as GPX here, private places left out.")
    ] = None,
    registry: Where = "",
    json: Json = False,
    csv: Csv = False,
) -> None:
    """Put trees in a short walking order, and say which beside them not to cut.

    Rows are changed at headlands only. Metres come from fixes, else from spacings (est.).

    Examples: scionreg walk T24-0007-7 T24-0021-7 Old-8 --start 36.4191,-95.7703;
    scionreg plan --trees Brellan=500 --csv | scionreg walk --list - --season 2027 --gpx day.gpx
    """
    from scionreg.cli.telling_walk import tell_walk

    if trees and list_ is not None:
        raise RegistryError("name the trees or a list of them, not both")
    for name in trees or ():
        if Path(name).is_file():
            raise RegistryError(f"'{name}' is a file; to walk the trees it lists: --list {name}")
    wanted = listed(list_, season) or dict.fromkeys(trees or ())
    ends = ends_of(start, finish)
    with opened(registry) as opened_registry:
        found = opened_registry.walk(wanted, gates=gates_of(gate), **ends)
        if json:
            console.as_json(found.to_dict())
        elif csv:
            console.as_csv(found.to_rows())
        else:
            tell_walk(found, us=opened_registry.settings.units == "US")
        if gpx is not None:
            left_out = opened_registry.write_walk(found, gpx, **ends)
            console.talk("; ".join([f"wrote {gpx}", *left_out]))
