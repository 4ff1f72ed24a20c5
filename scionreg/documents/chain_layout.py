"""What of a chain is drawn, and where: what matters to the question, in columns from left to right.

Columns are mother trees, collections, bundles (a bundle tied from others in a column of its own),
graft lots and dispatches, and the same again for trees grown here.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean
from typing import TYPE_CHECKING, NamedTuple

from scionreg.identity.off_type import LIKELY, ChainItem, Fault, OffType, first_group
from scionreg.identity.sureness import shown
from scionreg.records.vocabulary import Failure

if TYPE_CHECKING:
    import networkx as nx

KINDS = ("mother_tree", "collection", "bundle", "graft_lot", "dispatch")
CUTTING = (Failure.OTHER_TREE_CUT, Failure.TWO_TREES_CUT)
MOST_LOOKED_AT = 12
"""Things looked at that are drawn beside the way up and the suspect steps."""
MOST_AFFECTED = 12
"""Lots and dispatches that are drawn because they likely share the fault."""
SWEEPS = 8
"""How often the columns are put in order, back and forth."""

Layer = tuple[int, int, int]
"""Generation, kind, and how often the wood was tied together again."""


class Tie(NamedTuple):
    """What failed and a partner of it; of a cutting, a tree that may have been cut instead."""

    item: str
    partner: str
    cut_instead: bool


@dataclass(frozen=True)
class Shown:
    """What is drawn.

    Attributes
    ----------
    items : by code.
    faults : the causes that are numbered, from 1 on.
    ties : lines between suspect steps and their partners.
    hidden : how many things that came of each are left out, by code.
    """

    items: Mapping[str, ChainItem]
    faults: Sequence[Fault]
    ties: Sequence[Tie]
    hidden: Mapping[str, int]

    def numbers(self, code: str) -> list[int]:
        """Return the numbers of the causes that lie with something."""
        return [number for number, each in enumerate(self.faults, 1) if each.item == code]

    def partner(self, code: str) -> bool:
        """Return whether a cause ties something to what failed."""
        return any(code in each.partners for each in self.faults)


def choose(answer: OffType) -> Shown:
    """Return what of a chain matters: the way up, suspect steps, what was looked at or is wrong."""
    import networkx as nx

    faults = tuple(dict.fromkeys((*answer.causes[: shown(answer)], *first_group(answer))))
    every = {each.code: each for each in answer.chain}
    every |= _strangers(faults, every)
    graph = _graph(every)

    def upward(codes: Iterable[str]) -> set[str]:
        known = [code for code in codes if code in every]
        return {*known, *(each for code in known for each in nx.ancestors(graph, code))}

    named = [code for each in faults for code in (each.item, *each.partners) if code]
    kept = upward([answer.code.partition("/")[0], *named])
    related = kept.union(*(nx.descendants(graph, code) for code in kept))
    rest = [every[code] for code in sorted(related - kept)]
    looked = sorted(
        (each for each in rest if each.checked), key=lambda each: (-each.off, each.code)
    )
    wrong = [each for each in rest if each.probability >= LIKELY]
    kept |= upward(each.code for each in (*looked[:MOST_LOOKED_AT], *wrong[:MOST_AFFECTED]))
    hidden: dict[str, int] = {}
    for code in related - kept:
        for source in set(every[code].sources) & kept:
            hidden[source] = hidden.get(source, 0) + 1
    return Shown(
        items={code: each for code, each in every.items() if code in kept},
        faults=faults,
        ties=tuple(_ties(faults, kept)),
        hidden=hidden,
    )


def _graph(items: Mapping[str, ChainItem]) -> "nx.DiGraph":
    import networkx as nx

    graph = nx.DiGraph()
    graph.add_nodes_from(items)
    graph.add_edges_from(
        (source, code) for code, each in items.items() for source in each.sources if source in items
    )
    return graph


def _strangers(faults: Iterable[Fault], known: Collection[str]) -> dict[str, ChainItem]:
    """Return trees that may have been cut instead, and that the chain does not have."""
    return {
        code: ChainItem(
            kind="mother_tree",
            code=code,
            sources=(),
            label=fault.what or "",
            date=None,
            trees=0,
            checked=0,
            off=0,
            probability=0.0,
        )
        for fault in faults
        if fault.failure in CUTTING
        for code in fault.partners
        if code not in known
    }


def _ties(faults: Iterable[Fault], kept: Collection[str]) -> Iterable[Tie]:
    for fault in faults:
        for partner in fault.partners:
            if fault.item in kept and partner in kept:
                yield Tie(str(fault.item), partner, fault.failure in CUTTING)


# Places


class Placed(NamedTuple):
    """Where things are drawn.

    Attributes
    ----------
    places : column and height of each thing, by code; neighbours in a column are 1 apart or more.
    lines : from a source to what came of it, and columns and heights from one to the other.
    layers : of each column.
    """

    places: Mapping[str, tuple[int, float]]
    lines: Sequence[tuple[str, str, Sequence[tuple[int, float]]]]
    layers: Sequence[Layer]


def place(items: Mapping[str, ChainItem], ties: Iterable[Tie] = ()) -> Placed:
    """Return the places of things.

    Things are ordered so that few lines cross, each by the mean place of what it is joined with,
    column by column, back and forth (K. Sugiyama, S. Tagawa & M. Toda 1981, IEEE Trans. Syst. Man
    Cybern. 11(2):109-125). A line that passes a column takes up a place in it.
    """
    graph = _graph(items)
    layer_of = _layers(graph, items)
    layers = sorted(set(layer_of.values()))
    columns: dict[str, int] = {code: layers.index(layer) for code, layer in layer_of.items()}
    ways = [_bent(graph, columns, *line) for line in list(graph.edges)]
    for tie in ties:
        if tie.cut_instead:
            graph.add_edge(tie.partner, tie.item)
    heights = _heights(graph, _ordered(graph, columns, len(layers)))
    return Placed(
        {code: (columns[code], heights[code]) for code in items},
        [(way[0], way[-1], [(columns[name], heights[name]) for name in way]) for way in ways],
        layers,
    )


def _layers(graph: "nx.DiGraph", items: Mapping[str, ChainItem]) -> dict[str, Layer]:
    import networkx as nx

    found: dict[str, Layer] = {}
    for code in nx.topological_sort(graph):
        kind = KINDS.index(items[code].kind)
        layer: Layer = (0, kind, 0)
        for source in graph.predecessors(code):
            generation, above, tied = found[source]
            same = above == kind
            layer = max(layer, (generation + (above > kind), kind, tied + 1 if same else 0))
        found[code] = layer
    return found


def _bent(graph: "nx.DiGraph", columns: dict[str, int], source: str, code: str) -> list[str]:
    """Put a bend into a line for each column that it passes; return what it goes through."""
    between = range(columns[source] + 1, columns[code])
    way = [source, *(f"{source} {code} {column}" for column in between), code]
    if between:
        columns.update(zip(way[1:-1], between, strict=True))
        graph.remove_edge(source, code)
        graph.add_edges_from(pairwise(way))
    return way


def _ordered(graph: "nx.DiGraph", columns: Mapping[str, int], number: int) -> list[list[str]]:
    """Return the things of each column from below upward."""
    import networkx as nx

    roots = [name for name in graph if not graph.in_degree(name)]
    families = (name for root in roots for name in nx.dfs_preorder_nodes(graph, root))
    found: list[list[str]] = [[] for _ in range(number)]
    for name in dict.fromkeys(families):
        found[columns[name]].append(name)
    height = {name: float(i) for each in found for i, name in enumerate(each)}
    for sweep in range(SWEEPS):
        back = bool(sweep % 2)
        joined = graph.successors if back else graph.predecessors
        for each in reversed(found) if back else found:
            middle = {
                name: fmean([height[one] for one in joined(name)] or [height[name]])
                for name in each
            }
            each.sort(key=middle.__getitem__)
            height |= _spaced(each, middle)
    return found


def _heights(graph: "nx.DiGraph", ordered: Sequence[Sequence[str]]) -> dict[str, float]:
    """Return heights near those of what each thing is joined with, a place apart or more."""
    height = {name: float(i) for each in ordered for i, name in enumerate(each)}
    for sweep in range(2 * SWEEPS):
        for each in reversed(ordered) if sweep % 2 else ordered:
            wanted = {
                name: fmean(
                    [height[one] for one in (*graph.predecessors(name), *graph.successors(name))]
                    or [height[name]]
                )
                for name in each
            }
            height |= _spaced(each, wanted)
    return height


def _spaced(names: Sequence[str], wanted: Mapping[str, float]) -> dict[str, float]:
    """Return the heights nearest to those wanted that are a place apart or more, in this order."""
    from scipy.optimize import isotonic_regression

    if not names:
        return {}
    free = [wanted[name] - i for i, name in enumerate(names)]
    return {
        name: float(y) + i
        for i, (name, y) in enumerate(zip(names, isotonic_regression(free).x, strict=True))
    }
