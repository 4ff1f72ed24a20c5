"""The model that estimates what each tree, person, rootstock lot or day does to take by itself."""

from collections.abc import Collection, Sequence
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import logit

from scionreg.lineage.worked_lots import WorkedLots
from scionreg.records.starting_values import UsualTake
from scionreg.records.vocabulary import TakeFactor
from scionreg.take.common import ROWS_TOGETHER
from scionreg.take.factors import alike_for, memberships
from scionreg.take.mixed_logit import Factor, Fit, Progress, fit
from scionreg.take.stages import Taken

Array = np.ndarray[Any, np.dtype[Any]]

NEARLY = 1.1
"""Levels of another factor to an item up to which it has one: a few bundles are mixed."""

USUAL = (
    TakeFactor.MOTHER_TREE,
    TakeFactor.CULTIVAR,
    TakeFactor.GRAFTER,
    TakeFactor.ROOTSTOCK_LOT,
    TakeFactor.METHOD,
    TakeFactor.SEASON,
    TakeFactor.GRAFT_DAY,
    TakeFactor.COLLECTION,
    TakeFactor.BUNDLE,
)
"""What take always varies by, besides the ground and the lot itself."""


def fit_take(
    worked: WorkedLots,
    taken: Taken,
    factor: str,
    usual: UsualTake,
    progress: Progress | None = None,
    without: Collection[str] = (),
) -> Fit:
    """Fit take to everything that is recorded of the lots, `factor` among it.

    The logit of a lot's take is its method's usual one, the days its wood was in store, and a
    random effect of each thing that it shares with other lots; mixed wood by share. An effect
    shrinks to zero where there is little to tell by: a tree of one small lot is taken to be like
    its cultivar's others. It is of all that an item brings along: where cuttings are compared, no
    effect of their trees stands beside them. Factors of `without` are left out.

    Raises
    ------
    RegistryError
        As `mixed_logit.fit`.
    """
    place = pd.Series(np.arange(len(taken.lots)), index=taken.lots)
    beside = [each for each in USUAL if each not in without and not _brings(worked, factor, each)]
    names = [factor, *beside]
    factors = [_factor(each, memberships(worked, each), place) for each in dict.fromkeys(names)]
    factors += [] if factor == TakeFactor.ROW else [_ground(worked, taken)]
    factors.append(_each_lot(taken))
    fixed, names = _fixed(worked, taken)
    return fit(
        taken.taken,
        taken.grafts,
        fixed,
        _distinct(factors, len(taken.lots)),
        fixed_names=names,
        offset=None if TakeFactor.METHOD in factor.split("*") else _offset(worked, taken, usual),
        progress=progress,
    )


def _brings(worked: WorkedLots, factor: str, other: TakeFactor) -> bool:
    """Tell whether an item of `factor` brings along one of `other`, as a cutting does its tree.

    What lots are matched on is shared with like lots, and is no part of the item.
    """
    if other in factor.split("*"):
        return "*" in factor
    if other in alike_for(factor):
        return False
    items = memberships(worked, factor)["level"].nunique()
    both = memberships(worked, f"{factor}*{other}")["level"].nunique()
    return bool(both <= NEARLY * items)


def _factor(name: str, members: pd.DataFrame, place: "pd.Series[Any]") -> Factor:
    counted = members[members["lot"].isin(place.index)]
    codes, levels = pd.factorize(counted["level"], sort=True)
    lots = place[counted["lot"]].to_numpy()
    return Factor(name, tuple(levels), lots, codes, counted["share"].to_numpy())


def _ground(worked: WorkedLots, taken: Taken) -> Factor:
    """Return the runs of neighbouring rows."""
    lots = worked.lots.iloc[taken.lots]
    run = ((lots["row"] - 1) // ROWS_TOGETHER).map("{:g}".format, na_action="ignore")
    labels = (lots["block"] + "/" + run).astype(object)
    return Factor.of("rows", labels.where(labels.notna(), None).tolist())


def _each_lot(taken: Taken) -> Factor:
    every = np.arange(len(taken.lots))
    return Factor("lot", tuple(map(str, taken.lots)), every, every, np.ones(len(every)))


def _fixed(worked: WorkedLots, taken: Taken) -> tuple[Array, list[str]]:
    """Return a column of ones, and months in store where the lots differ in them."""
    columns, names = [np.ones(len(taken.lots))], ["usual"]
    days = worked.lots["days_in_store"].to_numpy()[taken.lots]
    known = days[~np.isnan(days)]
    if len(known) and np.ptp(known) > 0:
        months = (np.where(np.isnan(days), known.mean(), days) - known.mean()) / 30
        columns.append(months)
        names.append("month_in_store")
    return np.column_stack(columns), names


def _offset(worked: WorkedLots, taken: Taken, usual: UsualTake) -> Array:
    methods = worked.lots["method"].iloc[taken.lots]
    found: Array = logit([usual.of(method) for method in methods])
    return found


def _distinct(factors: Sequence[Factor], lots: int) -> list[Factor]:
    """Return the factors that part the lots, each only once: what parts them alike is one."""
    found: dict[bytes, Factor] = {}
    for each in factors:
        if len(each.levels) > 1:
            found.setdefault(_partition(each, lots), each)
    return list(found.values())


def _partition(factor: Factor, lots: int) -> bytes:
    """Return how a factor parts the lots, whatever its levels are called."""
    order = np.lexsort((factor.members, factor.lots))
    numbers = pd.factorize(np.asarray(factor.members)[order])[0]
    rows = np.asarray(factor.lots)[order]
    shares = np.round(np.asarray(factor.shares)[order], 9)
    return np.column_stack([rows, numbers, shares]).tobytes() + lots.to_bytes(8, "big")
