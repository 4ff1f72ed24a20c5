"""What counts of take cannot mean, or should not pass unseen."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.stats import binom

from scionreg.lineage.worked_lots import WorkedLots
from scionreg.records.starting_values import TakeValues
from scionreg.records.vocabulary import CountFinding
from scionreg.records.words import Sentence
from scionreg.take.stages import TOO_YOUNG, Stage, rows_at


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One finding about the counts of a graft lot, in a sentence."""

    kind: CountFinding
    item: str
    text: Sentence


def findings_of(worked: WorkedLots, values: TakeValues | None = None) -> tuple[Finding, ...]:
    """Return the findings about every count, by kind and lot."""
    values = values or TakeValues()
    found = [
        *_early_late_gaps(worked, values),
        *_rising_counts(worked),
        *_impossible_takes(worked),
        *_too_young_counts(worked),
    ]
    order = list(CountFinding)
    return tuple(sorted(found, key=lambda each: (order.index(each.kind), each.item)))


def _early_late_gaps(worked: WorkedLots, values: TakeValues) -> Iterator[Finding]:
    """Lots that lost far more than is usual; what died late seldom died of bad wood.

    The loss that is usual is a binomial share of what grew early.
    """
    early = rows_at(worked, Stage.EARLY).set_index("lot")
    late = rows_at(worked, Stage.LATE).set_index("lot")
    both = early[["pushing"]].join(
        late[["pushing"]].rename(columns={"pushing": "pushing_late"}), how="inner"
    )
    lost = both["pushing"] - both["pushing_late"]
    luck = binom.sf(lost - 1, both["pushing"], values.usual_loss)
    grafts = worked.lots["grafts"].to_numpy()[both.index]
    large = (lost >= values.gap * grafts) & (luck <= values.gap_luck)
    for row in _rows(both[large & (grafts > 0)]):
        yield Finding(
            kind=CountFinding.EARLY_LATE_GAP,
            item=_code(worked, row.Index),
            text=Sentence(
                "count_finding.early_late_gap",
                early=f"{row.pushing:.0f}",
                grafts=int(worked.lots["grafts"].iloc[row.Index]),
                late=f"{row.pushing_late:.0f}",
            ),
        )


def _rising_counts(worked: WorkedLots) -> Iterator[Finding]:
    """Lots of which more lived than before, without a regraft that explains it.

    What was green may push later; what was not green cannot.
    """
    counts = worked.counts[worked.counts["date"].notna()].sort_values(["lot", "date"])
    live = counts["pushing"] + counts["green"].fillna(0)
    before = live.groupby(counts["lot"]).shift()
    day_before = counts["date"].groupby(counts["lot"]).shift()
    rose = counts.assign(live=live, before=before, day_before=day_before)[live > before]
    regrafted = set(worked.lots["regraft_of"].dropna())
    for row in _rows(rose):
        code = _code(worked, row.lot)
        if code not in regrafted:
            yield Finding(
                kind=CountFinding.RISING_COUNT,
                item=code,
                text=Sentence(
                    "count_finding.rising_count",
                    before=f"{row.before:.0f}",
                    day_before=row.day_before.date(),
                    live=f"{row.live:.0f}",
                    day=row.date.date(),
                ),
            )


def _impossible_takes(worked: WorkedLots) -> Iterator[Finding]:
    counts = worked.counts
    live = counts["pushing"] + counts["green"].fillna(0)
    grafts = worked.lots["grafts"].to_numpy()[counts["lot"].to_numpy(dtype=np.int64)]
    for row in _rows(counts.assign(live=live, grafts=grafts)[live > grafts]):
        yield Finding(
            kind=CountFinding.IMPOSSIBLE_TAKE,
            item=_code(worked, row.lot),
            text=Sentence(
                "count_finding.impossible_take",
                live=f"{row.live:.0f}",
                on=_on(row.date),
                grafts=row.grafts,
            ),
        )


def _too_young_counts(worked: WorkedLots) -> Iterator[Finding]:
    for row in _rows(worked.counts[worked.counts["age"] < TOO_YOUNG]):
        yield Finding(
            kind=CountFinding.TOO_YOUNG_COUNT,
            item=_code(worked, row.lot),
            text=Sentence("count_finding.too_young_count", age=f"{row.age:.0f}", first=TOO_YOUNG),
        )


def _rows(table: pd.DataFrame) -> Iterator[Any]:
    return table.itertuples()


def _on(day: Any) -> Sentence:
    if pd.isna(day):
        return Sentence("count_finding.unknown_day")
    return Sentence("count_finding.on", day=day.date())


def _code(worked: WorkedLots, lot: int) -> str:
    return str(worked.lots["graft_lot"].iloc[lot])
