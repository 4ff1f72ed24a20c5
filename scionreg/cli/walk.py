"""The command that puts a day's trees in walking order."""

from pathlib import Path
from typing import Annotated

import typer

from scionreg.cli import console
from scionreg.cli.options import Csv, Json, Where, opened
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
    start: Annotated[str, typer.Option(help="LATITUDE,LONGITUDE to set out from.")] = "",
    finish: Annotated[str, typer.Option(help="LATITUDE,LONGITUDE to end at.")] = "",
    gate: Annotated[
        list[str] | None,
        typer.Option(
            help="BLOCK=LATITUDE,LONGITUDE of a gate; a block with gates is entered and left by "
            "them alone. Repeat it."
        ),
    ] = None,
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
    from scionreg.walking import read_cutting_list

    if trees and list_ is not None:
        raise RegistryError("name the trees or a list of them, not both")
    if season is not None and list_ is None:
        raise RegistryError("--season says which part of a list is meant; give --list too")
    wanted = read_cutting_list(list_, season) if list_ is not None else dict.fromkeys(trees or ())
    ends = {
        name: _place(text, f"--{name}")
        for name, text in (("start", start), ("finish", finish))
        if text
    }
    with opened(registry) as opened_registry:
        found = opened_registry.walk(wanted, gates=_gates(gate or []), **ends)
        if json:
            console.as_json(found.to_dict())
        elif csv:
            console.as_csv(found.to_rows())
        else:
            tell_walk(found, us=opened_registry.settings.units == "US")
        if gpx is not None:
            left_out = opened_registry.write_walk(found, gpx, **ends)
            console.talk("; ".join([f"wrote {gpx}", *left_out]))


def _gates(texts: list[str]) -> dict[str, list[tuple[float, float]]]:
    found: dict[str, list[tuple[float, float]]] = {}
    for text in texts:
        block, equals, place = text.rpartition("=")
        if not equals or not block.strip():
            raise RegistryError(f"'{text}' is no gate; write BLOCK=LATITUDE,LONGITUDE")
        found.setdefault(block.strip(), []).append(_place(place, "--gate"))
    return found


def _place(text: str, option: str) -> tuple[float, float]:
    try:
        latitude, longitude = (float(part) for part in text.split(","))
    except ValueError:
        raise RegistryError(
            f"'{text}' in {option} is no place; write LATITUDE,LONGITUDE in degrees, as in "
            "36.4187,-95.7709"
        ) from None
    return latitude, longitude
