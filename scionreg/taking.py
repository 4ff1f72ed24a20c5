"""Answers about take: records read, and the reasoning asked."""

from typing import TYPE_CHECKING

from sqlalchemy import Connection

from scionreg.lineage.chain import resolve_names
from scionreg.lineage.worked_lots import WorkedLots, read_worked_lots
from scionreg.records.starting_values import TakeValues, UsualTake
from scionreg.registry.settings import Settings, read_settings
from scionreg.take.factors import lots_of
from scionreg.take.row_map import RowMap, row_map
from scionreg.take.stages import Stage, judged_by
from scionreg.take.summary import TakeSummary, summarise
from scionreg.take.table import TakeTable, take_table

if TYPE_CHECKING:
    from scionreg.take.mixed_logit import Progress


def table(
    connection: Connection,
    by: str,
    *,
    stage: str | None = None,
    season: int | None = None,
    cultivar: str | None = None,
    progress: "Progress | None" = None,
) -> TakeTable:
    """Return take by the items of a factor.

    Parameters
    ----------
    by : a word of `TakeFactor`, or several joined by ``*``.
    stage : ``early`` or ``late``; None is the late count once half of the lots have it.
    season, cultivar : only these lots; a cultivar's other names stand for it.

    Raises
    ------
    RegistryError
        There is no such factor, no such lot, or nothing was counted at that stage.
    """
    worked, settings = _asked(connection, season, cultivar)
    return take_table(
        worked,
        by,
        Stage(stage) if stage else judged_by(worked),
        settings.values(TakeValues),
        settings.values(UsualTake),
        progress,
    )


def summary(
    connection: Connection, *, season: int | None = None, cultivar: str | None = None
) -> TakeSummary:
    """Return every class at both counts by season, cultivar and method; errors as `table`."""
    worked, settings = _asked(connection, season, cultivar)
    return summarise(worked, settings.values(TakeValues))


def rows_of(
    connection: Connection, block: str, *, stage: str | None = None, season: int | None = None
) -> RowMap:
    """Return how the lots of a block took, by row; the last season there unless named."""
    worked, _ = _asked(connection, season, None)
    return row_map(worked, block, Stage(stage) if stage else judged_by(worked), season)


def _asked(
    connection: Connection, season: int | None, cultivar: str | None
) -> tuple[WorkedLots, Settings]:
    settings = read_settings(connection)
    if cultivar is not None:
        cultivar = resolve_names(connection, {cultivar})[cultivar]
    worked = read_worked_lots(connection, settings)
    return lots_of(worked, season=season, cultivar=cultivar), settings
