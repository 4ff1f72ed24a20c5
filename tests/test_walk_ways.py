"""Ways on foot, beside an independent graph of trees, row ends and gates."""

import itertools
import random

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from orchards import orchard

from scionreg.geodesy.ground import Plane
from scionreg.rotation.headlands import Spot, alone, ways
from scionreg.rotation.rows import Row, rows_of

PLANE = Plane(47.0, 11.0)


def ground(blocks: int, rows: int, positions: int, turned: float = 0) -> list[Row]:
    trees, spacing = orchard(blocks, rows, positions, turned=turned)
    return [
        row
        for block in spacing
        for row in rows_of(block, [t for t in trees if t.block == block], spacing[block], PLANE)
    ]


def by_graph(rows: list[Row], spots: list[Spot], gates: dict, outside: list) -> np.ndarray:
    """Return the same distances by a graph in which every tree is a node of its row."""
    graph = nx.Graph()
    at: dict = {}

    def join(a: object, b: object) -> None:
        metres = float(np.hypot(*(at[a] - at[b])))
        if not graph.has_edge(a, b) or graph.edges[a, b]["weight"] > metres:
            graph.add_edge(a, b, weight=metres)

    headlands: dict = {}
    for n, row in enumerate(rows):
        on_row = sorted((s.along, i) for i, s in enumerate(spots) if s.row == n)
        chain = [(0.0, ("end", n, 0)), *((a, ("spot", i)) for a, i in on_row)]
        chain.append((row.metres, ("end", n, 1)))
        for (a, one), (b, other) in itertools.pairwise(chain):
            graph.add_edge(one, other, weight=b - a)
        for side, point in ((0, row.points[0]), (1, row.points[-1])):
            at["end", n, side] = point
            named = (row.block, side if row.metres else f"alone {n}")
            headlands.setdefault(named, []).append(("end", n, side))
    for its in headlands.values():
        for one, other in itertools.pairwise(its):
            join(one, other)
    fenced = set(gates)
    for block, those in gates.items():
        for n, place in enumerate(those):
            at["gate", block, n] = place
            headlands[block, f"gate {n}"] = [("gate", block, n)]
    for n, place in enumerate(outside):
        at["outside", n] = place
        headlands[f"outside {n}", 0] = [("outside", n)]
    for (a, one), (b, other) in itertools.combinations(headlands.items(), 2):
        doors = [str(each[1]).startswith("gate") for each in (a, b)]
        if a[0] == b[0]:
            joined = {a[1], b[1]} != {0, 1} or not rows_in(rows, a[0])
        else:
            joined = all(d or each[0] not in fenced for d, each in zip(doors, (a, b), strict=True))
        if joined:
            nearest = min(
                itertools.product(one, other),
                key=lambda ends: np.hypot(*(at[ends[0]] - at[ends[1]])),
            )
            join(*nearest)
    nodes = [("spot", i) for i in range(len(spots))]
    nodes += [("outside", n) for n in range(len(outside))]
    lengths = dict(nx.all_pairs_dijkstra_path_length(graph))
    return np.array([[lengths[a][b] for b in nodes] for a in nodes])


def rows_in(rows: list[Row], block: str) -> bool:
    return any(each.block == block and each.metres for each in rows)


def day(
    seed: int, blocks: int, rows: int, gated: int, loose: int, ends: int
) -> tuple[list[Row], list[Spot], dict, list]:
    """Return rows, spots in them, gates, and places outside."""
    dice = random.Random(seed)
    lines = ground(blocks, rows, 6, turned=dice.uniform(0, 90))
    spots = []
    for _ in range(8):
        row = dice.randrange(len(lines))
        spots.append(Spot(row, float(lines[row].along[dice.randint(1, 6)])))

    def place() -> np.ndarray:
        return np.array([dice.uniform(-60, 160), dice.uniform(-80, 120)])

    for _ in range(loose):
        spots.append(Spot(len(lines), 0.0))
        lines.append(alone(dice.choice(("", "A")), len(lines), place()))
    gates = {"ABC"[n]: [place() for _ in range(dice.randint(1, 2))] for n in range(gated)}
    gates = {block: its for block, its in gates.items() if rows_in(lines, block)}
    return lines, spots, gates, [place() for _ in range(ends)]


DAYS = st.builds(
    day,
    seed=st.integers(0, 10**6),
    blocks=st.integers(1, 3),
    rows=st.integers(1, 4),
    gated=st.integers(0, 3),
    loose=st.integers(0, 2),
    ends=st.integers(0, 2),
)


@settings(max_examples=60)
@given(DAYS)
def test_ways_are_as_long_as_the_graph_says(made: tuple[list[Row], list[Spot], dict, list]) -> None:
    lines, spots, gates, outside = made
    found = ways(lines, spots, gates, outside).metres
    assert found == pytest.approx(by_graph(lines, spots, gates, outside), abs=1e-6)
    assert found == pytest.approx(found.T)
    through = (found[:, :, None] + found[None, :, :]).min(axis=1)
    assert np.all(found <= through + 1e-6)


@settings(max_examples=30)
@given(DAYS)
def test_what_is_passed_makes_up_the_way(made: tuple[list[Row], list[Spot], dict, list]) -> None:
    lines, spots, gates, outside = made
    found = ways(lines, spots, gates, outside)
    at = []
    for spot in spots:
        row = lines[spot.row]
        at.append(row.points[int(np.argmin(np.abs(row.along - spot.along)))])
    at += outside
    for one, other in itertools.combinations(range(len(at)), 2):
        line = np.array([at[one], *found.passed(one, other), at[other]])
        # Rows are all but straight, so the way is the broken line through what is passed.
        metres = np.hypot(*np.diff(line, axis=0).T).sum()
        assert metres == pytest.approx(found.metres[one, other], abs=0.05)


def test_to_the_next_row_one_walks_round_the_nearer_headland() -> None:
    lines = ground(1, 2, 10)
    second, third = (float(lines[0].along[p]) for p in (2, 3))
    spots = [Spot(0, second), Spot(0, third), Spot(1, second), Spot(1, float(lines[1].along[9]))]
    found = ways(lines, spots).metres
    assert found[0, 1] == pytest.approx(4.0, abs=0.01)
    # A step and a half to the headland, across, and back in; ten positions of 4 m.
    assert found[0, 2] == pytest.approx(6 + 6 + 6, abs=0.02)
    assert found[0, 3] == pytest.approx(min(6 + 6 + 34, 34 + 6 + 6), abs=0.02)


def test_a_block_with_a_gate_is_left_by_it_alone() -> None:
    lines = ground(2, 2, 6)
    spots = [Spot(1, float(lines[1].along[1])), Spot(2, float(lines[2].along[1]))]
    open_way = ways(lines, spots).metres[0, 1]
    gate = np.array([0.0, 40.0])
    fenced = ways(lines, spots, {"A": [gate]}).metres[0, 1]
    # From the north end of row 1, the nearest to the gate, and on to block B's nearest headland.
    least = np.hypot(*(gate - lines[1].points[0])) + np.hypot(*(gate - lines[2].points[0]))
    assert fenced > max(open_way, least - 1)


def test_two_doors_to_the_same_place_cost_nothing() -> None:
    lines = [alone("", 0, np.zeros(2)), alone("", 1, np.zeros(2))]
    found = ways(lines, [Spot(0, 0.0), Spot(1, 0.0)]).metres
    assert found == pytest.approx(np.zeros((2, 2)), abs=1e-6)
