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
    """Numbers over variables, times exp(`scale`).

    `variables` are places in the order of elimination, ascending; `values` has an axis for each.
    """

    variables: tuple[int, ...]
    values: Floats
    scale: float = 0.0


class TooWideError(Exception):
    """A table would have more entries than there is room for."""


MOST_ENTRIES = 6_000_000
"""Entries of a table that there is room for."""


@dataclass(eq=False, slots=True)
class Elimination:
    """One variable summed out of a product of factors."""

    variable: int
    inputs: tuple[Factor, ...]
    result: Factor
    scope: tuple[int, ...]
    total: float


class Eliminator(Generic[Name]):
    """Eliminates variables in a fixed order, and remembers."""

    def __init__(self, order: Sequence[Name]) -> None:
        """Take the names of the variables, first to be eliminated first."""
        self.place = {name: i for i, name in enumerate(order)}
        self._names = tuple(order)
        self._kept: dict[tuple[int, ...], Elimination] = {}
        self._made: set[int] = set()

    def factor(self, names: Sequence[Name], values: Floats, scale: float = 0.0) -> Factor:
        """Return a factor over named variables; `values` has their axes in that order."""
        places = [self.place[name] for name in names]
        axes = sorted(range(len(places)), key=places.__getitem__)
        return Factor(tuple(places[axis] for axis in axes), values.transpose(axes), scale)

    def eliminate(
        self, factors: Iterable[Factor], later: Iterable[Sequence[Name]] = ()
    ) -> list[Factor]:
        """Return what remains of a product of factors, all that can be summed out summed out.

        `later` are the variables of factors that are still to come: what these bear on, in the
        order of elimination, waits for them.
        """
        buckets: dict[int, list[Factor]] = {}
        scopes: dict[int, list[tuple[int, ...]]] = {}
        waiting: list[int] = []
        remaining: list[Factor] = []

        def bucket(first: int) -> None:
            if first not in buckets:
                buckets[first], scopes[first] = [], []
                heapq.heappush(waiting, first)

        def put(factor: Factor) -> None:
            if factor.variables:
                bucket(factor.variables[0])
                buckets[factor.variables[0]].append(factor)
            else:
                remaining.append(factor)

        def put_later(scope: tuple[int, ...]) -> None:
            if scope:
                bucket(scope[0])
                scopes[scope[0]].append(scope)

        for factor in factors:
            put(factor)
        for names in later:
            put_later(tuple(sorted({self.place[name] for name in names})))
        while waiting:
            variable = heapq.heappop(waiting)
            here, to_come = buckets.pop(variable), scopes.pop(variable)
            if to_come:
                remaining.extend(here)
                whole = {v for scope in to_come for v in scope}
                whole.update(v for factor in here for v in factor.variables)
                put_later(tuple(sorted(whole - {variable})))
            else:
                put(self._eliminated(variable, here).result)
        return remaining

    def _eliminated(self, variable: int, inputs: list[Factor]) -> Elimination:
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
        (outcomes, states) by variable name, for the variables that were eliminated on the way.
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
            name = self._names[each.variable]
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


def _sum_out(variable: int, inputs: tuple[Factor, ...]) -> Elimination:
    scope = tuple(sorted({v for each in inputs for v in each.variables}))
    own = [each for each in inputs if each.variables == (variable,)]
    rest = [each for each in inputs if each.variables != (variable,)]
    if len(rest[0].values) ** len(scope) > MOST_ENTRIES if rest else False:
        raise TooWideError
    vector, scale = _own_product(own)
    if len(scope) == 2 and rest:
        table = rest[0].values
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


def _spread(factor: Factor, scope: tuple[int, ...]) -> Floats:
    """Return the values of a factor with an axis for each variable of `scope`."""
    if factor.variables == scope:
        return factor.values
    return factor.values[tuple(slice(None) if v in factor.variables else None for v in scope)]


def _product(factors: Sequence[Factor], scope: tuple[int, ...]) -> Floats:
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
    return np.broadcast_to(summed, (len(whole), *factor.values.shape))
