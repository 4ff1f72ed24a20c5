"""Exact inference by eliminating variables, with everything computed once kept.

A question about identity is asked of many networks that differ in a few steps only (another
parent, one piece of a step in place of their sum). Eliminating a variable from the same factors
gives the same factor, so it is done once; and one pass backwards through all that was done gives
the probability of each state of each variable under each of many outcomes (Darwiche 2003, A
differential approach to inference in Bayesian networks, J. ACM 50(3):280-305).
"""

import heapq
import math
from collections.abc import Collection, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

import numpy as np

from scionreg.identity.states import TINY, Floats, Indices

Name = TypeVar("Name", bound=Hashable)


@dataclass(eq=False, slots=True)
class Factor:
    """Numbers over variables, an axis for each, times exp(`scale`)."""

    variables: tuple[Hashable, ...]
    values: Floats
    scale: float = 0.0


class TooWideError(Exception):
    """A table would have more entries than there is room for."""


MOST_ENTRIES = 6_000_000
"""Entries of a table that there is room for."""


@dataclass(eq=False, slots=True)
class Elimination:
    """One variable summed out of a product of factors; it is the first of `scope`."""

    variable: Hashable
    inputs: tuple[Factor, ...]
    result: Factor
    scope: tuple[Hashable, ...]
    total: float


def order_of(
    scopes: Iterable[Collection[Name]], kept: Collection[Name] = (), most: int | None = None
) -> tuple[list[Name], int]:
    """Return an order of elimination, least neighbours first, and the most variables of a table.

    Parameters
    ----------
    scopes : the variables of each factor.
    kept : variables that are not to be eliminated.
    most : of a table; a variable that would need a larger one is kept.
    """
    beside: dict[Name, set[Name]] = {}
    for scope in scopes:
        for each in scope:
            beside.setdefault(each, set()).update(scope)
    for name, others in beside.items():
        others.discard(name)
    waiting = [(len(each), name) for name, each in beside.items() if name not in kept]
    heapq.heapify(waiting)
    order: list[Name] = []
    widest = 0
    while waiting:
        size, name = heapq.heappop(waiting)
        if name not in beside or size != len(beside[name]):
            continue
        if most is not None and size >= most:
            break
        others = beside.pop(name)
        order.append(name)
        widest = max(widest, size + 1)
        for other in others:
            beside[other] |= others
            beside[other] -= {name, other}
            if other not in kept:
                heapq.heappush(waiting, (len(beside[other]), other))
    return order, widest


class Eliminator(Generic[Name]):
    """Eliminates variables, and remembers."""

    def __init__(self) -> None:
        self._kept: dict[tuple[Hashable, ...], Elimination] = {}
        self._made: set[int] = set()

    def eliminate(self, factors: Iterable[Factor], order: Iterable[Name]) -> list[Factor]:
        """Return what remains of a product of factors once variables are summed out in order."""
        with_variable: dict[Hashable, dict[int, Factor]] = {}
        remaining: dict[int, Factor] = {}

        def put(factor: Factor) -> None:
            remaining[id(factor)] = factor
            for each in factor.variables:
                with_variable.setdefault(each, {})[id(factor)] = factor

        for factor in factors:
            put(factor)
        for variable in order:
            inputs = list(with_variable.pop(variable).values())
            for factor in inputs:
                del remaining[id(factor)]
                for each in factor.variables:
                    if each != variable:
                        del with_variable[each][id(factor)]
            put(self._eliminated(variable, inputs).result)
        return list(remaining.values())

    def _eliminated(self, variable: Hashable, inputs: list[Factor]) -> Elimination:
        key = (variable, *sorted(map(id, inputs)))
        found = self._kept.get(key)
        if found is None:
            found = self._kept[key] = _sum_out(variable, tuple(inputs))
            self._made.add(id(found.result))
        return found

    def marginals(
        self, outcomes: Sequence[Mapping[Factor, float]], kept: Collection[Name] | None = None
    ) -> dict[Name, Floats]:
        """Return the probability of each state of each variable under each outcome.

        Parameters
        ----------
        outcomes : each a mix of results of full eliminations, with their weights (which sum to 1).
        kept : names of the variables wanted; None is all.

        Returns
        -------
        (outcomes, states) by variable, for those that were eliminated on the way.
        """
        weights: dict[int, Floats] = {}
        for i, outcome in enumerate(outcomes):
            for result, weight in outcome.items():
                weights.setdefault(id(result), np.zeros(len(outcomes)))[i] += weight
        found: dict[Name, Floats] = {}
        for each in reversed(self._kept.values()):
            adjoint = weights.pop(id(each.result), None)
            if adjoint is None:
                continue
            name: Any = each.variable
            active = np.flatnonzero(adjoint.reshape(len(adjoint), -1).any(axis=1))
            marginal, owed = _pass_back(each, adjoint[active], self._made)
            for factor, share in owed:
                _add(weights, id(factor), share, active, len(outcomes))
            if kept is None or name in kept:
                _add(found, name, marginal, active, len(outcomes))
        return found


def _add(
    sums: dict[Any, Floats], key: Hashable, rows: Floats, places: Indices, length: int
) -> None:
    """Add rows to those at some places of an array of `length` rows, which begins with zeros."""
    if key not in sums:
        sums[key] = np.zeros((length, *rows.shape[1:]))
    sums[key][places] += rows


def log_value(scalars: Iterable[Factor]) -> float:
    """Return the logarithm of a product of factors over nothing; -inf of zero."""
    total = 0.0
    for each in scalars:
        value = float(each.values)
        total += each.scale + math.log(value) if value > 0 else -math.inf
    return total


def _sum_out(variable: Hashable, inputs: tuple[Factor, ...]) -> Elimination:
    others = dict.fromkeys(v for each in inputs for v in each.variables if v != variable)
    scope = (variable, *others)
    own = [each for each in inputs if each.variables == (variable,)]
    rest = [each for each in inputs if each.variables != (variable,)]
    if len(rest[0].values) ** len(scope) > MOST_ENTRIES if rest else False:
        raise TooWideError
    vector, scale = _own_product(own)
    if len(scope) == 2 and rest:
        table = _spread(rest[0], scope)
        for each in rest[1:]:
            table = table * _spread(each, scope)
        values = vector @ table if own else table.sum(axis=0)
    elif len(scope) == 1:
        values = np.asarray(vector.sum())
    else:
        product = _product(rest, scope)
        values = np.tensordot(vector, product, axes=(0, 0)) if own else product.sum(axis=0)
    total = float(values.max())
    scale += sum(each.scale for each in inputs)
    if total > 0:
        values = values / total
        scale += math.log(total)
    else:
        total = 1.0
    return Elimination(variable, inputs, Factor(scope[1:], values, scale), scope, total)


def _own_product(own: Sequence[Factor]) -> tuple[Floats, float]:
    """Return the product of factors over one variable, at most 1, and the logarithm taken out."""
    if len(own) == 1:
        return own[0].values, 0.0
    if not own:
        return np.ones(1), 0.0
    logs = np.log(np.maximum([each.values for each in own], TINY)).sum(axis=0)
    top = float(logs.max())
    product: Floats = np.exp(logs - top)
    return product, top


def _spread(factor: Factor, scope: tuple[Hashable, ...]) -> Floats:
    """Return the values of a factor with an axis for each variable of `scope`."""
    if factor.variables == scope:
        return factor.values
    here = [v for v in scope if v in factor.variables]
    turned = factor.values.transpose([factor.variables.index(v) for v in here])
    return turned[tuple(slice(None) if v in factor.variables else None for v in scope)]


def _product(factors: Sequence[Factor], scope: tuple[Hashable, ...]) -> Floats:
    found = np.ones((1,) * len(scope))
    for each in sorted(factors, key=lambda factor: factor.values.size):
        found = found * _spread(each, scope)
    return found


Owed = list[tuple[Factor, Floats]]


def _pass_back(each: Elimination, adjoint: Floats, made: Collection[int]) -> tuple[Floats, Owed]:
    """Return the marginal of the variable of an elimination, and what its inputs are owed.

    `adjoint`, (outcomes, ...), times the result's values sums to an outcome's weight on it. Only
    factors that an elimination `made` (by id) have something to pass on.
    """
    own = [factor for factor in each.inputs if factor.variables == (each.variable,)]
    rest = [factor for factor in each.inputs if factor.variables != (each.variable,)]
    vector, top = _own_product(own)
    adjoint = adjoint / each.total
    owed: Owed = []
    if rest:
        message = _message(adjoint, _product(rest, each.scope))
        column = vector.reshape(-1, *(1,) * (len(each.scope) - 1))
        for i, factor in enumerate(rest):
            if id(factor) in made:
                others = _product([*rest[:i], *rest[i + 1 :]], each.scope) * column
                owed.append((factor, _gathered(adjoint[:, None] * others[None], factor, each)))
    else:
        message = np.broadcast_to(adjoint[:, None], (len(adjoint), len(vector)))
    if len(own) == 1:
        owed.append((own[0], message))
    elif any(id(factor) in made for factor in own):
        logs = np.log(np.maximum([factor.values for factor in own], TINY))
        without = np.exp(logs.sum(axis=0) - top - logs)
        owed.extend((factor, message * others) for factor, others in zip(own, without, strict=True))
    return message * vector, owed


def _message(adjoint: Floats, product: Floats) -> Floats:
    """Return (outcomes, states) of the variable eliminated, the first axis of `product`."""
    kept = product.reshape(len(product), -1)
    found: Floats = adjoint.reshape(len(adjoint), -1) @ kept.T
    return found


def _gathered(whole: Floats, factor: Factor, each: Elimination) -> Floats:
    """Return (outcomes, ...) summed over the variables that `factor` does not have."""
    gone = tuple(1 + i for i, v in enumerate(each.scope) if v not in factor.variables)
    summed: Floats = whole.sum(axis=gone) if gone else whole
    here = [v for v in each.scope if v in factor.variables]
    turned = summed.transpose(0, *(1 + here.index(v) for v in factor.variables))
    return np.broadcast_to(turned, (len(whole), *factor.values.shape))
