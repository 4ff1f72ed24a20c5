"""The command that judges take."""

from typing import TYPE_CHECKING, Annotated, Any

import typer

from scionreg.cli import console
from scionreg.cli.options import Csv, Json, Where, Workings, opened, workings_shown
from scionreg.records.errors import RegistryError
from scionreg.records.vocabulary import TakeFactor

if TYPE_CHECKING:
    from scionreg.api import Registry

STAGES = ("early", "late")


def take(
    lots: Annotated[
        list[str] | None, typer.Argument(help="With --why: the graft lots that took poorly.")
    ] = None,
    why: Annotated[
        bool, typer.Option("--why", help="Say why these lots took poorly, or why nobody can tell.")
    ] = False,
    by: Annotated[
        str,
        typer.Option(help=f"Compare by {', '.join(TakeFactor)}, or two joined by *."),
    ] = "",
    count: Annotated[
        str, typer.Option(help="Judge by the early or the late count; else by what there is.")
    ] = "",
    season: Annotated[int | None, typer.Option(help="Only this season.")] = None,
    cultivar: Annotated[str, typer.Option(help="Only this cultivar.")] = "",
    row: Annotated[str, typer.Option(help="With --why: the lots of this row, BLOCK/ROW.")] = "",
    day: Annotated[str, typer.Option(help="With --why: the lots of this graft day.")] = "",
    row_map: Annotated[str, typer.Option(help="Show the lots of this block, row by row.")] = "",
    picture: Annotated[
        str, typer.Option(help="Draw --by or --row-map into this PNG or SVG file.")
    ] = "",
    workings: Workings = "",
    registry: Where = "",
    json: Json = False,
    csv: Csv = False,
) -> None:
    """Judge take: what is low among like lots, and what the counts cannot mean.

    Examples: scionreg take --by mother_tree --count late --picture trees.png;
    scionreg take --why G25-0253-7 G25-0256-8
    """
    _check(by, count, cultivar, row_map, picture)
    if why:
        if by or row_map or picture:
            raise RegistryError("--why answers alone; leave --by, --row-map and --picture out")
        asked = (registry, lots or [], count, season, cultivar, row, day)
        _tell_why(*asked, workings=workings, json=json, csv=csv)
        return
    if lots or row or day:
        raise RegistryError("graft lots, --row and --day go with --why")
    with opened(registry) as opened_registry:
        found = _found(opened_registry, by, count, season, cultivar, row_map)
        shown = workings_shown(opened_registry, workings, found)
    _draw(found, picture)
    if shown:
        pass  # the answer is part of it
    elif json:
        console.as_json(found.to_dict())
    elif csv:
        console.as_csv(found.to_rows())
    else:
        _tell(found)


def _tell_why(
    registry: str,
    lots: list[str],
    count: str,
    season: int | None,
    cultivar: str,
    row: str,
    day: str,
    *,
    workings: str,
    json: bool,
    csv: bool,
) -> None:
    from scionreg.cli.answers import day_option
    from scionreg.cli.telling_why import tell_why

    with opened(registry) as opened_registry, console.progress("weighing") as progress:
        found = opened_registry.why(
            *lots,
            cultivar=cultivar or None,
            row=row or None,
            day=day_option(day),
            season=season,
            stage=count or None,
            progress=progress,
        )
        shown = workings_shown(opened_registry, workings, found, "take --why")
    if shown:
        pass  # the answer is part of it
    elif json:
        console.as_json(found.to_dict())
    elif csv:
        console.as_csv(found.to_rows())
    else:
        tell_why(found)


def _check(by: str, count: str, cultivar: str, row_map: str, picture: str) -> None:
    if count and count not in STAGES:
        raise RegistryError(f"'{count}' is no count; judge by {' or '.join(STAGES)}")
    if by and row_map:
        raise RegistryError("--by compares, --row-map shows a block; ask for one of them")
    if row_map and cultivar:
        raise RegistryError("--row-map shows all of a block; leave --cultivar out")
    if picture and not (by or row_map):
        raise RegistryError("a picture of what? give --by or --row-map")


def _found(
    registry: "Registry", by: str, count: str, season: int | None, cultivar: str, row_map: str
) -> Any:
    if row_map:
        return registry.row_map(row_map, stage=count or None, season=season)
    if not by:
        return registry.take_summary(season=season, cultivar=cultivar or None)
    with console.progress("fitting") as progress:
        return registry.take(
            by,
            stage=count or None,
            season=season,
            cultivar=cultivar or None,
            progress=progress,
        )


def _draw(found: Any, picture: str) -> None:
    if not picture:
        return
    from scionreg.documents.take_pictures import draw_intervals, draw_row_map
    from scionreg.take.row_map import RowMap

    if isinstance(found, RowMap):
        draw_row_map(found, picture)
    else:
        draw_intervals(found, picture)
    console.talk(f"drawn: {picture}")


def _tell(found: Any) -> None:
    from scionreg.cli.telling_take import tell_row_map, tell_summary, tell_table
    from scionreg.take.row_map import RowMap
    from scionreg.take.summary import TakeSummary

    if isinstance(found, RowMap):
        tell_row_map(found)
    elif isinstance(found, TakeSummary):
        tell_summary(found)
    else:
        tell_table(found)
