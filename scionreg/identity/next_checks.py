"""Which check is worth its money next.

Each check would come out in some way under each cause; after it, the trees that are likelier wrong
than it pays to keep are pulled, and the others left. Worth is the loss that is expected now, less
the one expected after it.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import binom  # noqa: TID253

from scionreg.identity.off_type import NextCheck
from scionreg.identity.states import LABEL, SPORT, Floats, Space
from scionreg.records.starting_values import IdentityValues, OffTypeValues
from scionreg.records.vocabulary import CheckMethod

SIZES = {CheckMethod.DNA: (1, 2, 4), CheckMethod.LEAF: (5, 10, 20)}
"""Numbers of trees that are tried for each method."""
MOST = 5
"""Checks that are proposed at most."""


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """Something that could be looked at: (causes, states) probabilities of its wood's states."""

    item: str
    position: int | None
    trees: int
    states: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Stake:
    """Trees that are lost if they are wrong and left, or true and pulled.

    `wrong` is (causes, things) the expected share of wrong trees, `trees` (things,) their number.
    """

    wrong: Floats
    trees: Floats

    def loss(self, weights: Floats, values: OffTypeValues) -> Floats:
        """Return (results,) the loss of the better choices; `weights` is (results, causes)."""
        wrong = weights @ self.wrong
        left, pulled = wrong * values.cost_wrong_tree, (1 - wrong) * values.cost_good_tree
        found: Floats = np.minimum(left, pulled) @ self.trees
        return found


def next_checks(
    space: Space,
    causes: Floats,
    candidates: Iterable[Candidate],
    stake: Stake,
    rates: IdentityValues,
    values: OffTypeValues,
) -> tuple[NextCheck, ...]:
    """Return the checks that save more than they cost, best first; one for each thing.

    Parameters
    ----------
    causes : (causes,) probabilities, which sum to one.
    """
    now = float(stake.loss(causes[None, :], values)[0])
    found = []
    for each in candidates:
        options = [
            _valued(each, method, size, causes, stake, now, space, rates, values)
            for method, size in _options(each)
        ]
        worth = [one for one in options if one.saves > one.cost]
        if worth:
            found.append(max(worth, key=lambda one: one.saves - one.cost))
    found.sort(key=lambda one: one.cost - one.saves)
    return tuple(found[:MOST])


def _options(candidate: Candidate) -> list[tuple[CheckMethod, int]]:
    return [
        (method, size)
        for method, sizes in SIZES.items()
        for size in sorted({min(size, candidate.trees) for size in sizes})
        if size
    ]


def _valued(
    candidate: Candidate,
    method: CheckMethod,
    size: int,
    causes: Floats,
    stake: Stake,
    now: float,
    space: Space,
    rates: IdentityValues,
    values: OffTypeValues,
) -> NextCheck:
    results = chances_of_off(candidate.states, method, size, space, rates)
    joint = causes[:, None] * results
    total = joint.sum(axis=0)
    possible = total > 0
    weights = (joint[:, possible] / total[possible]).T
    after = float(stake.loss(weights, values) @ total[possible])
    return NextCheck(
        item=candidate.item,
        position=candidate.position,
        method=method.value,
        trees=size,
        cost=values.cost_visit + size * values.cost(method),
        saves=max(0.0, now - after),
    )


def chances_of_off(
    states: Floats, method: CheckMethod, size: int, space: Space, rates: IdentityValues
) -> Floats:
    """Return (causes, size + 1) the probability of each number of trees found off."""
    off = np.full(space.types, rates.find_rate(method))
    off[LABEL] = rates.false_alarm(method)
    if method == CheckMethod.DNA:
        off[space.type_of(SPORT)] = off[LABEL]
    share = space.composition @ off
    numbers: Sequence[int] = range(size + 1)
    found: Floats = states @ binom.pmf(np.array(numbers)[None, :], size, share[:, None])
    return found
