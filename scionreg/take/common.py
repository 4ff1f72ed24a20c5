"""What graft lots have in common, and how much each of it varies: the ground causes stand on."""

import numpy as np
import pandas as pd
from scipy import sparse

from scionreg.lineage.worked_lots import WorkedLots
from scionreg.records.fixed_values import WHY
from scionreg.records.starting_values import CauseValues
from scionreg.take.evidence import Array, Part
from scionreg.take.factors import memberships

FACTORS = (
    "method",
    "season",
    "cultivar",
    "mother_tree",
    "collection",
    "bundle",
    "grafter",
    "rootstock_lot",
    "graft_day",
    "rows",
)
FEW_ENOUGH_FOR_DENSE = 60
"""Levels up to which shares are kept as a dense matrix."""
ROWS_TOGETHER = WHY.rows_together
"""Neighbouring rows that stand on like ground."""


def common_parts(worked: WorkedLots, lots: Array, values: CauseValues) -> list[Part]:
    """Return what `lots` (row numbers) have in common, and how much each varies."""
    found = [_named("usual", np.ones((len(lots), 1)), values)]
    months = worked.lots["days_in_store"].to_numpy()[lots] / 30.4
    known = ~np.isnan(months)
    if known.any():
        far = np.where(known, months - months[known].mean(), 0.0)
        found.append(_named("month_in_store", far[:, None], values))
    for name in FACTORS:
        members = _members(worked, lots, name)
        levels, codes = np.unique(members["level"].to_numpy(dtype=str), return_inverse=True)
        at = (members["at"].to_numpy(), codes)
        shape = (len(lots), len(levels))
        shares = sparse.csr_array((members["share"].to_numpy(), at), shape=shape)
        few = len(levels) <= FEW_ENOUGH_FOR_DENSE
        found.append(_named(name, shares.toarray() if few else shares, values))
    found.append(_named("lot", sparse.csr_array(sparse.eye_array(len(lots))), values))
    return found


def _named(name: str, shares: Array | sparse.csr_array, values: CauseValues) -> Part:
    few = shares.shape[1] < values.few_levels
    freedom = values.sd_freedom_few if few else values.sd_freedom
    return Part(name, shares, getattr(values, f"sd_{name}"), freedom)


def _members(worked: WorkedLots, lots: Array, name: str) -> pd.DataFrame:
    at = pd.Series(range(len(lots)), index=lots)
    members = memberships(worked, "row" if name == "rows" else name)
    members = members[members["lot"].isin(at.index)]
    if name == "rows":
        # Named groups are columns even where no lot has a row.
        parts = members["level"].astype(str).str.extract(r"^(?P<block>.*)/(?P<row>\d+)$")
        ground = (parts["row"].astype(int) - 1) // ROWS_TOGETHER
        season = worked.lots["season"].to_numpy()[members["lot"]].astype(str)
        members = members.assign(level=parts["block"] + "/" + ground.astype(str) + "/" + season)
    return members.assign(at=at[members["lot"]].to_numpy())
