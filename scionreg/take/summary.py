"""How take stood by season, cultivar and method: every class at both counts, and findings."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd

from scionreg.lineage.worked_lots import WorkedLots
from scionreg.records.errors import RegistryError
from scionreg.records.starting_values import TakeValues
from scionreg.take.factors import memberships
from scionreg.take.findings import Finding, findings_of
from scionreg.take.intervals import wilson
from scionreg.take.stages import Stage, rows_at

CLASSES = ("pushing", "green", "dead", "stock_only", "missing", "broken")
"""What is counted; only what grows from the scion has taken."""

BY = ("season", "cultivar", "method")


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassCounts:
    """What stood in the counted lots of one season, cultivar and method at one count.

    `rate` is pushing of the grafts made, with Wilson's 95 % interval. `not_told` are grafts in no
    class: what was not counted, or not written down. None where a season or cultivar is unknown.
    """

    season: str | None
    cultivar: str | None
    method: str | None
    stage: Stage
    lots: int
    grafts: int
    pushing: int
    green: int
    dead: int
    stock_only: int
    missing: int
    broken: int
    not_told: int
    rate: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeSummary:
    """Take by season, cultivar and method at the early and the late count, never by person."""

    rows: tuple[ClassCounts, ...]
    findings: tuple[Finding, ...]

    def to_frame(self) -> pd.DataFrame:
        """Return a row for each season, cultivar, method and count."""
        return pd.DataFrame(self.to_rows(), columns=list(ClassCounts.__dataclass_fields__))

    def to_rows(self) -> list[dict[str, Any]]:
        """Return the rows of the frame as plain values."""
        return [asdict(each) for each in self.rows]

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {"rows": self.to_rows(), "findings": [asdict(each) for each in self.findings]}


def summarise(worked: WorkedLots, values: TakeValues | None = None) -> TakeSummary:
    """Return what was counted of these lots; raise `RegistryError` where nothing was."""
    labels = pd.DataFrame(index=range(len(worked.lots)))
    for name in BY:
        labels[name] = memberships(worked, name).set_index("lot")["level"]
    labels = labels.astype(object).where(labels.notna(), None)
    rows = [row for stage in Stage for row in _class_counts(worked, stage, labels)]
    if not rows and worked.counts.empty:
        raise RegistryError("no counts of take are recorded of these lots")
    ordered = sorted(rows, key=lambda row: [getattr(row, name) or "" for name in BY])
    return TakeSummary(rows=tuple(ordered), findings=findings_of(worked, values))


def _class_counts(worked: WorkedLots, stage: Stage, labels: pd.DataFrame) -> Sequence[ClassCounts]:
    counts = rows_at(worked, stage)
    lots = counts["lot"].to_numpy(dtype=np.int64)
    of = labels.iloc[lots].reset_index(drop=True)
    classes = counts[list(CLASSES)].fillna(0).reset_index(drop=True).astype("int64")
    grafts = worked.lots["grafts"].to_numpy()[lots]
    told = classes.sum(axis=1)
    table = of.join(classes).assign(
        lots=1,
        grafts=grafts,
        not_told=np.maximum(grafts - told, 0),
        # As everywhere, no more can take than were made.
        taken=np.minimum(classes["pushing"], grafts),
    )
    sums = table.groupby(list(BY), dropna=False).sum().reset_index()
    low, high = wilson(sums["taken"].to_numpy(), sums["grafts"].to_numpy())
    rate = sums["taken"] / sums["grafts"]
    told_rows = sums.drop(columns="taken").assign(rate=rate, low=low, high=high)
    plain = told_rows.astype(object).where(told_rows.notna(), None)
    rows: list[dict[Any, Any]] = plain.to_dict("records")
    return [ClassCounts(stage=stage, **row) for row in rows]
