"""Which trees of another cultivar may be cut by mistake, since they stand beside the right one."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from scionreg.geodesy.fixes import UNKNOWN_M, reach
from scionreg.geodesy.ground import metres_apart, nearby
from scionreg.records.words import Sentence, joined
from scionreg.rotation.rows import Standing

IN_ROW, ACROSS, WITHIN_FIX = "next in the row", "across the row", "within the fix"
SAYS = {IN_ROW: "in_row", ACROSS: "across", WITHIN_FIX: "within_fix"}
"""The sentence of the catalogue on each, in the order they are said."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Neighbour:
    """A tree of another cultivar that may be cut by mistake; `where` it stands, seen from there."""

    tree: str
    cultivar: str
    where: str


def do_not_cut(neighbours: Sequence[Neighbour]) -> list[str]:
    """Return sentences on a tree's neighbours, as a cutter reads them."""
    said: list[str] = []
    for where, name in SAYS.items():
        its = [
            Sentence("do_not_cut.tree", cultivar=each.cultivar, tree=each.tree)
            for each in neighbours
            if each.where == where
        ]
        if its:
            trees = joined(its, "joined.comma")
            said.append(Sentence.many(f"do_not_cut.{name}", len(its), trees=trees))
    return said


def neighbours(
    trees: Sequence[Standing], standing: Sequence[Standing]
) -> dict[str, list[Neighbour]]:
    """Return, by tree, those of another cultivar that may be cut in its place.

    Next in its row, at its position in the next rows, or where the distance of the two fixes is no
    more than their accuracies together (root of the sum of their squares).
    """
    at = {(each.block, each.row, each.position): each for each in standing if each.in_row}
    within = _within_fix(trees, standing)
    found: dict[str, list[Neighbour]] = {}
    for tree in trees:
        near = {each.tree: (each, WITHIN_FIX) for each in within.get(tree.tree, ())}
        for where, rows, steps in ((ACROSS, (-1, 1), (0,)), (IN_ROW, (0,), (-1, 1))):
            for row in rows if tree.in_row else ():
                for step in steps:
                    place = (tree.block, (tree.row or 0) + row, (tree.position or 0) + step)
                    if place in at:
                        near[at[place].tree] = (at[place], where)
        found[tree.tree] = [
            Neighbour(tree=each.tree, cultivar=each.cultivar, where=where)
            for each, where in sorted(near.values(), key=lambda n: list(SAYS).index(n[1]))
            if each.cultivar != tree.cultivar
        ]
    return found


def _within_fix(
    trees: Sequence[Standing], standing: Sequence[Standing]
) -> dict[str, list[Standing]]:
    """Return, by tree, those that its fix does not tell from it."""
    own, fixed = (
        [each for each in some if each.placed and not each.estimated] for some in (trees, standing)
    )
    if not own or not fixed:
        return {}
    here, there = (
        np.array([each[5:8] for each in some], dtype=np.float64).T for some in (own, fixed)
    )
    widest = reach(here[2], float(np.nanmax([*there[2], UNKNOWN_M])))
    found: dict[str, list[Standing]] = {}
    near = nearby(here[0], here[1], there[0], there[1], widest)
    for number, (tree, others) in enumerate(zip(own, near, strict=True)):
        apart = metres_apart(here[0, number], here[1, number], *there[:2, others])
        for other in others[apart <= reach(here[2, number], there[2, others])].tolist():
            if fixed[other].tree != tree.tree:
                found.setdefault(tree.tree, []).append(fixed[other])
    return found
