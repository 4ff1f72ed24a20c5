"""Where in a block the lots stand, and how they took: what a person sees from the headland."""

from dataclasses import asdict, dataclass
from typing import Any

import pandas as pd

from scionreg.lineage.worked_lots import WorkedLots
from scionreg.records.errors import RegistryError
from scionreg.take.stages import Stage, counts_at


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """One lot in its row, from position `first` to `last`; counts None where it was not counted."""

    graft_lot: str
    row: int
    first: int
    last: int
    regraft: bool
    grafts: int | None
    taken: int | None

    @property
    def rate(self) -> float | None:
        """Return the share that took; None where it was not counted."""
        return self.taken / self.grafts if self.grafts and self.taken is not None else None


@dataclass(frozen=True, slots=True, kw_only=True)
class RowMap:
    """The lots of a block in one season, by row and position; `unplaced` ones have no place."""

    block: str
    season: int
    stage: Stage
    stretches: tuple[Stretch, ...]
    unplaced: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """Return a row for each stretch."""
        return pd.DataFrame(self.to_rows(), columns=[*Stretch.__dataclass_fields__, "rate"])

    def to_rows(self) -> list[dict[str, Any]]:
        """Return the rows of the frame as plain values."""
        return [asdict(each) | {"rate": each.rate} for each in self.stretches]

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "block": self.block,
            "season": self.season,
            "stage": self.stage,
            "stretches": self.to_rows(),
            "unplaced": list(self.unplaced),
        }


def row_map(worked: WorkedLots, block: str, stage: Stage, season: int | None = None) -> RowMap:
    """Return the lots of a block, in one season: the last one grafted there unless named.

    Raises
    ------
    RegistryError
        No lot stands there in that season.
    """
    lots = worked.lots[worked.lots["block"] == block]
    season = season if season is not None else lots["season"].max()
    lots = lots[lots["season"] == season]
    if lots.empty:
        raise RegistryError(f"no graft lot stands in block {block}, or none in that season")
    counted = counts_at(worked, stage)
    counts = pd.DataFrame({"counted": counted.grafts, "taken": counted.taken}, index=counted.lots)
    placed = lots[["row", "first", "last"]].notna().all(axis=1)
    joined = lots[placed].join(counts).sort_values(["row", "first", "date"])
    return RowMap(
        block=block,
        season=int(season),
        stage=stage,
        stretches=tuple(map(_stretch, _rows(joined))),
        unplaced=tuple(lots.loc[~placed, "graft_lot"]),
    )


def _rows(table: pd.DataFrame) -> list[dict[Any, Any]]:
    return table.to_dict("records")


def _stretch(row: dict[Any, Any]) -> Stretch:
    counted = pd.notna(row["taken"])
    return Stretch(
        graft_lot=row["graft_lot"],
        row=int(row["row"]),
        first=int(row["first"]),
        last=int(row["last"]),
        regraft=pd.notna(row["regraft_of"]),
        grafts=int(row["counted"]) if counted else None,
        taken=int(row["taken"]) if counted else None,
    )
