"""The command that takes in places from a receiver, a phone or a GIS."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from scionreg.cli import console
from scionreg.cli.options import By, Csv, Json, Where, opened, recorder

if TYPE_CHECKING:
    from scionreg.surveying import Survey

COLUMNS = {
    "name": "name in the file",
    "tree": "tree",
    "cultivar": "cultivar",
    "by": "by",
    "probability": "probability",
    "metres": "metres off",
    "doubt": "doubt",
}


def survey(
    file: Annotated[Path, typer.Argument(help="A .gpx, .geojson, .gpkg or .csv file.")],
    accuracy: Annotated[
        float | None,
        typer.Option(help="Radius that holds a fix at 68 %, m, where the file does not say it."),
    ] = None,
    crs: Annotated[
        str, typer.Option(help="Coordinate system of a CSV file, as EPSG:32614; else WGS 84.")
    ] = "",
    fix_method: Annotated[
        str, typer.Option(help="How the fixes were made: phone, receiver, survey, map.")
    ] = "",
    record: Annotated[
        bool, typer.Option("--record", help="Correct the trees and blocks that names go with.")
    ] = False,
    registry: Where = "",
    by: By = "",
    json: Json = False,
    csv: Csv = False,
) -> None:
    """Say which tree each fix of a file belongs to, and record them.

    A fix belongs to the tree whose code, or block-row-position, is its name; else one is proposed
    by where it lies, which is never recorded. Outlines named like a block are its outline. Exit 3
    where something speaks against a fix.

    Examples: scionreg survey trees.gpx --accuracy 3; scionreg survey trees.gpkg --record
    """
    with opened(registry) as opened_registry:
        found = opened_registry.survey(
            file,
            accuracy_m=accuracy,
            crs=crs,
            fix_method=fix_method,
            record=record,
            recorder=recorder(opened_registry, by) if record else "",
        )
    if json:
        console.as_json(found.to_dict())
    elif csv:
        console.as_csv(found.to_rows())
    else:
        _tell(found, recording=record)
    if any(each.doubt for each in found.proposals):
        raise typer.Exit(3)


def _tell(found: "Survey", *, recording: bool) -> None:
    if found.proposals:
        rows = [
            each.to_dict()
            | {"probability": None if each.probability is None else _percent(each.probability)}
            for each in found.proposals
        ]
        console.table(rows, COLUMNS)
    for each in found.outlines:
        whose = f"outline of block {each.block}" if each.block else "no block of that code"
        console.data(f"{console.one_line(each.name) or 'an outline without a name'}: {whose}")
    if found.other:
        console.talk(f"{found.other} tracks, routes or lines are passed over")
    if found.better:
        console.talk(f"the fix recorded is as good: {', '.join(found.better)}")
    if recording:
        console.talk(f"recorded: {', '.join(found.recorded) or 'nothing'}")
    elif any(each.by == "its name" for each in found.proposals):
        console.talk("nothing is recorded; --record corrects the trees that names go with")


def _percent(chance: float) -> str:
    return "< 1 %" if chance < 0.005 else f"{100 * chance:.0f} %"
