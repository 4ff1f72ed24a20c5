"""Keeps tables within bounds where re-bundles tie very much wood together.

Each re-bundle ties the trees that its wood came from; hundreds of them across a nursery may tie so
much together that no order of elimination keeps the tables small. Then the re-bundles farthest
from what is asked are taken apart: the wood that came in second is taken for what all other
evidence makes of it, and learns nothing from the re-bundle. None is, where tables stay small.
"""

import math
from collections.abc import Mapping

import numpy as np

from scionreg.identity.chain import Link, Name
from scionreg.identity.network import order_of
from scionreg.identity.states import TINY, Floats
from scionreg.identity.steps import Step
from scionreg.lineage.graph import sources_first

LARGEST = 1_000_000
"""Entries of the largest table, as planned."""

MIX = 3
"""Variables of the table of a mix: it, and its two sources."""


def taken_apart(
    links: Mapping[Name, Link],
    vectors: Mapping[Name, Floats],
    asked: Name,
    less: int = 0,
) -> dict[Name, Link]:
    """Return links for the re-bundles that have to be taken apart; none where tables are small.

    Parameters
    ----------
    links : the network, by the records.
    vectors : (size,) likelihoods of the looks at each thing, at most 1.
    asked : the thing asked about; its own re-bundles come last.
    less : variables that tables should have less than would fit.
    """
    states = next(iter(links.values())).step.size
    most = max(MIX, int(math.log(LARGEST) / math.log(states)) - less)
    core = _core(links)
    if _width(core) <= most:
        return {}
    mixes = [name for name in _farthest_first(links, asked) if name in core]
    low, high = 0, len(mixes)
    while low < high:
        middle = (low + high) // 2
        cut = {name: Link(core[name].sources[:1], core[name].step) for name in mixes[:middle]}
        if _width({**core, **cut}) <= most:
            high = middle
        else:
            low = middle + 1
    beliefs = _beliefs(links, vectors)
    return {name: _apart(links[name], beliefs) for name in mixes[:high]}


def _width(links: Mapping[Name, Link]) -> int:
    """Return the most variables of a table."""
    return order_of((name, *link.sources) for name, link in links.items())[1]


def _core(links: Mapping[Name, Link]) -> dict[Name, Link]:
    """Return the part that mixes tie together: what is left without the ends, again and again."""
    left = dict(links)
    children: dict[Name, set[Name]] = {name: set() for name in links}
    for name, link in links.items():
        for source in link.sources:
            children[source].add(name)
    waiting = list(links)
    while waiting:
        name = waiting.pop()
        sources = [each for each in links[name].sources if each in left]
        if name in left and len(sources) + len(children[name]) <= 1:
            del left[name]
            for source in sources:
                children[source].discard(name)
            waiting += [*sources, *children[name]]
    return {
        name: Link(tuple(each for each in link.sources if each in left), link.step)
        for name, link in left.items()
    }


def _farthest_first(links: Mapping[Name, Link], asked: Name) -> list[Name]:
    """Return the mixes of the network, those with most links between them and the asked first."""
    beside: dict[Name, list[Name]] = {}
    for name, link in links.items():
        for source in link.sources:
            beside.setdefault(name, []).append(source)
            beside.setdefault(source, []).append(name)
    steps = {asked: 0}
    waiting = [asked]
    for name in waiting:
        for other in beside.get(name, ()):
            if other not in steps:
                steps[other] = steps[name] + 1
                waiting.append(other)
    mixes = [name for name, link in links.items() if len(link.sources) > 1]
    return sorted(mixes, key=lambda name: (-steps.get(name, len(links)), name))


def _apart(link: Link, beliefs: Mapping[Name, Floats]) -> Link:
    """Return the link of a mix whose second wood is what other evidence makes of it."""
    first, second = link.sources
    table = np.einsum("j,ijk->ik", beliefs[second], link.step.table)
    return Link((first,), Step(table))


def _beliefs(links: Mapping[Name, Link], vectors: Mapping[Name, Floats]) -> dict[Name, Floats]:
    """Return (size,) the probability of each state of everything, mixes telling nothing upward."""
    order = sources_first(links, lambda name: links[name].sources)
    below = {name: np.zeros(links[name].step.size) for name in order}
    messages: dict[Name, Floats] = {}
    for name in reversed(order):
        if name in vectors:
            below[name] += np.log(np.maximum(vectors[name], TINY))
        if len(links[name].sources) == 1:
            top = float(below[name].max())
            told = links[name].step.table @ np.exp(below[name] - top)
            messages[name] = np.log(np.maximum(told, TINY))
            below[links[name].sources[0]] += messages[name]
    found: dict[Name, Floats] = {}
    for name in order:
        sources, table = links[name].sources, links[name].step.table
        if not sources:
            prior = table
        elif len(sources) == 1:
            above = np.log(np.maximum(found[sources[0]], TINY)) - messages[name]
            prior = np.exp(above - above.max()) @ table
        else:
            prior = np.einsum("i,j,ijk->k", found[sources[0]], found[sources[1]], table)
        belief = np.log(np.maximum(prior, TINY)) + below[name]
        belief = np.exp(belief - belief.max())
        found[name] = belief / belief.sum()
    return found
