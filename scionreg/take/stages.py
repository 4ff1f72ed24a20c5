"""Take at the early and at the late count, and what the counts themselves cannot mean."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
import pandas as pd

from scionreg.lineage.worked_lots import WorkedLots

Array = np.ndarray[Any, np.dtype[Any]]

TOO_YOUNG = 21
"""Days after grafting before which what pushes lives on its own reserves: no take count."""
EARLY_UNTIL = 100
"""Days after grafting up to which a count is an early one (both: common practice, no source)."""


class Stage(StrEnum):
    """Which count of a lot take is judged by."""

    EARLY = "early"
    LATE = "late"


@dataclass(frozen=True, eq=False)
class Taken:
    """What had taken at one stage.

    `lots` are the row numbers (in `WorkedLots.lots`) of the lots that were counted then, in order;
    `taken` those pushing from the scion, at most `grafts`, the number made; `green` those that were
    green without pushing (NaN unknown); `age` the days since grafting.
    """

    stage: Stage
    lots: Array
    taken: Array
    grafts: Array
    green: Array
    age: Array


def rows_at(worked: WorkedLots, stage: Stage) -> pd.DataFrame:
    """Return the rows of `worked.counts` that a stage is judged by, one a lot, by lot.

    Early: the first count at 21 to 100 days. Late: the last after 100 days.
    """
    counts = worked.counts
    if stage is Stage.EARLY:
        fit = counts[(counts["age"] >= TOO_YOUNG) & (counts["age"] <= EARLY_UNTIL)]
        return fit.sort_values(["lot", "age"]).drop_duplicates("lot", keep="first")
    fit = counts[counts["age"] > EARLY_UNTIL]
    return fit.sort_values(["lot", "age"]).drop_duplicates("lot", keep="last")


def counts_at(worked: WorkedLots, stage: Stage) -> Taken:
    """Return what had taken at a stage.

    A count of more than there were grafts is taken as all of them (and is a finding of its own).
    """
    one = rows_at(worked, stage)
    lots = one["lot"].to_numpy(dtype=np.int64)
    grafts = worked.lots["grafts"].to_numpy(dtype=np.int64)[lots]
    taken = np.minimum(one["pushing"].to_numpy(dtype=np.int64), grafts)
    kept = grafts > 0
    return Taken(
        stage=stage,
        lots=lots[kept],
        taken=taken[kept],
        grafts=grafts[kept],
        green=one["green"].to_numpy()[kept],
        age=one["age"].to_numpy()[kept],
    )


def pooled(taken: Taken, lots: "pd.Index[Any] | Array") -> tuple[int, int]:
    """Return how many took, of how many grafts, over some lots (row numbers)."""
    among = np.isin(taken.lots, np.asarray(lots))
    return int(taken.taken[among].sum()), int(taken.grafts[among].sum())


def judged_by(worked: WorkedLots) -> Stage:
    """Return the count to judge by: the late one, once half of the early lots have it."""
    early, late = (set(rows_at(worked, stage)["lot"]) for stage in Stage)
    return Stage.LATE if late and 2 * len(early & late) >= len(early) else Stage.EARLY
