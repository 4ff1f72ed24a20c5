"""The walking order's length and CPU time, beside general libraries for routes.

python -m benchmarks.walk [--stops N ...] [--seconds S]

networkx is a dependency. OR-Tools takes part where it can be imported, as with
uv run --no-sync --with ortools python -m benchmarks.walk
Its time limit is by the clock: on a busy machine give it more, and see its CPU time.
"""

import argparse
import importlib.util
import math
import random
import time
from collections.abc import Callable, Iterator

import networkx as nx
import numpy as np
from networkx.algorithms import approximation as approx

from scionreg.geodesy.ground import Plane
from scionreg.rotation.headlands import Spot, ways
from scionreg.rotation.rows import Row, Spacing, Standing, rows_of
from scionreg.rotation.shortest import bound, improved, length
from scionreg.rotation.walk import Asked, walk

BLOCKS, ROWS, POSITIONS = 4, 20, 60
ROW_M, TREE_M = 6.0, 4.0
TO_CM = 100
PLANE = Plane(47.0, 11.0)
START = (47.0001, 10.9998)


def orchard(turned: float = 20.0) -> tuple[list[Standing], dict[str, Spacing]]:
    """Return four blocks of 20 rows of 60 trees, each with a receiver's fix."""
    dice, trees = random.Random(1), []
    cos, sin = math.cos(math.radians(turned)), math.sin(math.radians(turned))
    for block in range(BLOCKS):
        for row in range(1, ROWS + 1):
            for position in range(1, POSITIONS + 1):
                x = block % 2 * (ROWS * ROW_M + 20) + row * ROW_M
                y = -(block // 2) * (POSITIONS * TREE_M + 15) - position * TREE_M
                x, y = x + dice.gauss(0, 0.7), y + dice.gauss(0, 0.7)
                latitude, longitude = PLANE.degrees([x * cos - y * sin, x * sin + y * cos])
                at = (float(latitude), float(longitude), 1.0)
                code = f"B{block}-{row}-{position}"
                trees.append(Standing(code, f"V{row % 7}", f"B{block}", row, position, *at))
    spacing = Spacing(ROW_M, TREE_M, "N", POSITIONS)
    return trees, {f"B{block}": spacing for block in range(BLOCKS)}


def metres_between(
    day: list[Standing], trees: list[Standing], blocks: dict[str, Spacing]
) -> np.ndarray:
    """Return the metres between a day's trees, from the start before and to it after them all."""
    rows: list[Row] = []
    for block, spacing in blocks.items():
        rows += rows_of(block, [t for t in trees if t.block == block], spacing, PLANE)
    number = {(row.block, row.row): n for n, row in enumerate(rows)}
    spots = []
    for tree in day:
        at = number[tree.block, tree.row]
        spots.append(Spot(at, float(rows[at].along[rows[at].places[tree.position]])))
    found = ways(rows, spots, outside=[PLANE.metres(*START)]).metres
    order = [len(spots), *range(len(spots)), len(spots)]
    return found[np.ix_(order, order)]


def by_networkx(metres: np.ndarray, how: Callable[..., list[int]], **options: object) -> list[int]:
    """Return the round from the start (place 0), the finish (the last place) left out."""
    graph = nx.from_numpy_array(metres[:-1, :-1])
    for a in graph:
        for b in graph:
            # Places that coincide are joined too.
            if a < b and not graph.has_edge(a, b):
                graph.add_edge(a, b, weight=0.0)
    return how(graph, **options)


def by_ortools(metres: np.ndarray, seconds: int) -> list[int]:
    from ortools.constraint_solver import pywrapcp
    from ortools.constraint_solver import routing_enums_pb2 as enums

    manager = pywrapcp.RoutingIndexManager(len(metres) - 1, 1, 0)
    routing = pywrapcp.RoutingModel(manager)
    cost = np.rint(metres * TO_CM).astype(int).tolist()
    transit = routing.RegisterTransitCallback(
        lambda a, b: cost[manager.IndexToNode(a)][manager.IndexToNode(b)]
    )
    routing.SetArcCostEvaluatorOfAllVehicles(transit)
    asked = pywrapcp.DefaultRoutingSearchParameters()
    asked.first_solution_strategy = enums.FirstSolutionStrategy.PATH_CHEAPEST_ARC
    if seconds:
        asked.local_search_metaheuristic = enums.LocalSearchMetaheuristic.GUIDED_LOCAL_SEARCH
        asked.time_limit.FromSeconds(seconds)
    found = routing.SolveWithParameters(asked)
    at, order = routing.Start(0), []
    while not routing.IsEnd(at):
        order.append(manager.IndexToNode(at))
        at = found.Value(routing.NextVar(at))
    return [*order, 0]


def peers(metres: np.ndarray, plain: list[int], seconds: int) -> Iterator[tuple[str, Callable]]:
    """Yield every way to find an order, the plain one first."""
    yield "row by row, to and fro", lambda: plain
    yield "ours", lambda: improved(metres, plain)
    yield "networkx greedy", lambda: by_networkx(metres, approx.greedy_tsp, source=0)
    yield "networkx Christofides", lambda: by_networkx(metres, approx.christofides)
    if importlib.util.find_spec("ortools"):
        yield "OR-Tools, first descent", lambda: by_ortools(metres, 0)
        yield f"OR-Tools, guided, {seconds} s", lambda: by_ortools(metres, seconds)


def measure(stops: int, seconds: int) -> None:
    trees, blocks = orchard()
    day = random.Random(stops).sample(trees, stops)
    began = time.process_time()
    whole = walk([Asked(t.tree) for t in day], trees, blocks, start=START, finish=START)
    took = time.process_time() - began
    print(f"{stops} stops among {len(trees):,} trees in {len(blocks)} blocks")
    print(f"  whole walk, neighbours and bound too: {whole.metres:,.0f} m, {took:.2f} s of CPU")
    day.sort(key=lambda t: (t.block, t.row, t.position))
    metres = metres_between(day, trees, blocks)
    plain = [0]
    for turn, named in enumerate(sorted({(t.block, t.row) for t in day})):
        its = [n for n, t in enumerate(day, start=1) if (t.block, t.row) == named]
        plain += its[::-1] if turn % 2 else its  # every second row is walked back
    plain.append(len(metres) - 1)
    found = []
    for name, search in peers(metres, plain, seconds):
        began = time.process_time()
        order = search()
        took = time.process_time() - began
        at = order[:-1].index(0)
        order = [*order[at:-1], *order[:at], len(metres) - 1]
        assert sorted(order) == list(range(len(metres)))
        found.append((name, length(metres, order), took))
    least = min(metres for _, metres, _ in found)
    floor = bound(metres, improved(metres, plain))
    for name, way, took in found:
        above = f"{way / least - 1:6.1%} above the best, {way / floor - 1:6.1%} above the bound"
        print(f"  {name:26} {way:9,.0f} m  {above}  {took:7.2f} s of CPU", flush=True)


def main(arguments: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(prog="benchmarks.walk", description=__doc__)
    parser.add_argument("--stops", type=int, nargs="+", default=[30, 100, 300])
    parser.add_argument("--seconds", type=int, default=20, help="what OR-Tools may take")
    parser.add_argument("--quick", action="store_true")
    asked = parser.parse_args(arguments)
    for stops in [30] if asked.quick else asked.stops:
        measure(stops, asked.seconds)


if __name__ == "__main__":
    main()
