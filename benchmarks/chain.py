"""Trace, recall and balance on registries of three sizes, beside the barest query that could do.

    python -m benchmarks.chain [--lots 10000 100000 1000000] [--on sqlite postgresql]

* trace: of single graft lots, and of lots whose bundle was tied from others. Beside it, one
  recursive statement on the bare driver that returns the steps and nothing else.
* recall: of ordinary mother trees and of the ten that most wood was cut from; once more with every
  lot and dispatch looked at, which are put together only then. Beside it, twice on the bare driver,
  the rows that the answer is made of: each fetched by its own known key; and by the known keys of
  what they hang on, as an index holds them (bundles by collections, the log and graft lots by
  bundles, dispatches and mother trees by graft lots). Neither has to find out where to look.
* balance: of the whole registry, by cultivar and by bundle.

Times are medians over the sampled codes of the best of several rounds, in milliseconds, work and
peers in turn. The registries are made by `benchmarks.dataset` and removed afterwards.
"""

import argparse
import random
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from benchmarks import postgres
from benchmarks.dataset import load
from scionreg.lineage.balance import balance
from scionreg.lineage.graph import Query, rows
from scionreg.lineage.recall import Recall, recall
from scionreg.lineage.recall_items import OfCode
from scionreg.lineage.trace import trace
from scionreg.registry.create import create_store
from scionreg.registry.store import Store

ROUNDS = 5

_UP = (
    "WITH RECURSIVE up (bundle, sticks) AS ("
    "SELECT bundle, 0 FROM graft_lots WHERE graft_lot IN {codes} "
    "UNION SELECT p.parent, p.sticks FROM up JOIN bundle_parents p ON p.bundle = up.bundle) "
    "SELECT up.bundle, up.sticks, b.sticks, b.packed, c.collection, c.date, c.cutter, t.tree, "
    "t.cultivar FROM up "
)
BARE_TRACE = {
    "sqlite": Query(
        f"{_UP}JOIN bundles b ON b.bundle = up.bundle "
        "LEFT JOIN collections c ON c.collection = b.collection "
        "LEFT JOIN mother_trees t ON t.tree = c.tree"
    ),
    # Plain joins have PostgreSQL read whole tables, since it cannot guess how few rows go up.
    "postgresql": Query(
        f"{_UP}JOIN LATERAL (SELECT * FROM bundles WHERE bundle = up.bundle LIMIT 1) b ON TRUE "
        "LEFT JOIN LATERAL "
        "(SELECT * FROM collections WHERE collection = b.collection LIMIT 1) c ON TRUE "
        "LEFT JOIN LATERAL (SELECT * FROM mother_trees WHERE tree = c.tree LIMIT 1) t ON TRUE"
    ),
}
_LOT = "SELECT graft_lot, bundle, grafts, sticks_used, block, row, first, last FROM graft_lots"
_BUNDLE = "SELECT bundle, collection, sticks, count, packed, store FROM bundles"
_LINE = "SELECT dispatch, graft_lot, customer, date, trees, first, last FROM dispatches"
_TREE = "SELECT tree, graft_lot, graft_position FROM mother_trees"
LOTS = Query(f"{_LOT} WHERE graft_lot IN {{codes}}")
LOTS_OF_BUNDLES = Query(f"{_LOT} WHERE bundle IN {{codes}}")
BUNDLES = Query(f"{_BUNDLE} WHERE bundle IN {{codes}}")
BUNDLES_OF_COLLECTIONS = Query(f"{_BUNDLE} WHERE collection IN {{codes}}")
EVENTS = Query("SELECT bundle, time, event, sticks FROM bundle_log WHERE bundle IN {codes}")
LINES = Query(f"{_LINE} WHERE dispatch IN {{codes}}")
LINES_OF_LOTS = Query(f"{_LINE} WHERE graft_lot IN {{codes}}")
TREES = Query(f"{_TREE} WHERE tree IN {{codes}}")
TREES_OF_LOTS = Query(f"{_TREE} WHERE graft_lot IN {{codes}}")
MIXED = Query("SELECT bundle FROM bundle_parents GROUP BY bundle HAVING count(*) > 1")
FIRST_LOTS = Query("SELECT min(graft_lot) FROM graft_lots WHERE bundle IN {codes} GROUP BY bundle")
TREES_BY_CUTS = Query("SELECT tree FROM collections GROUP BY tree ORDER BY count(*) DESC, tree")
ALL_LOTS = Query("SELECT graft_lot FROM graft_lots")

Work = Callable[[], Any]
Report = Callable[[str, Sequence[float]], None]


def by_own_keys(connection: Connection, found: Recall) -> Work:
    """Return the fetching of the rows that an answer is made of, by their own known keys."""
    bundles = [each.bundle for each in found.bundles]
    asked = [
        (BUNDLES, bundles),
        (EVENTS, bundles),
        (LOTS, [each.graft_lot for each in found.graft_lots]),
        (LINES, [each.dispatch for each in found.dispatches]),
        (TREES, [each.tree for each in found.mother_trees]),
    ]

    return partial(fetch, connection, asked)


def by_index_keys(connection: Connection, found: Recall) -> Work:
    """Return the fetching of the same rows by the known keys of what they hang on."""
    bundles = [each.bundle for each in found.bundles]
    lots = [each.graft_lot for each in found.graft_lots]
    cut = {row[0]: row[1] for row in rows(connection, BUNDLES, bundles)}
    asked = [
        (BUNDLES_OF_COLLECTIONS, list({collection for collection in cut.values() if collection})),
        (BUNDLES, [bundle for bundle, collection in cut.items() if collection is None]),
        (EVENTS, bundles),
        (LOTS_OF_BUNDLES, bundles),
        (LINES_OF_LOTS, lots),
        (TREES_OF_LOTS, lots),
    ]
    return partial(fetch, connection, asked)


def fetch(connection: Connection, asked: Sequence[tuple[Query, list[str]]]) -> None:
    """Fetch the rows of some statements for the codes that each asks for."""
    for query, codes in asked:
        rows(connection, query, codes)


def timed(work: Work) -> float:
    """Return milliseconds."""
    start = time.perf_counter()
    work()
    return (time.perf_counter() - start) * 1000


def side_by_side(cases: Sequence[Sequence[Work]]) -> list[float]:
    """Return the medians over the cases of a work and its peers, each the best of its rounds."""
    best = [[float("inf")] * len(works) for works in cases]
    for _ in range(ROUNDS):
        for times, works in zip(best, cases, strict=True):
            for i, work in enumerate(works):
                times[i] = min(times[i], timed(work))
    return [statistics.median(times) for times in zip(*best, strict=True)]


def measure_traces(connection: Connection, report: Report) -> None:
    """Measure traces of ordinary and of mixed graft lots."""
    draw = random.Random(7)
    lots = [row[0] for row in rows(connection, ALL_LOTS, ())]
    mixed = [row[0] for row in rows(connection, MIXED, ())]
    mixed = draw.sample(mixed, min(100, len(mixed)))
    deep = [row[0] for row in rows(connection, FIRST_LOTS, mixed)]
    bare = BARE_TRACE[connection.dialect.name]
    for name, sample in (("trace a graft", draw.sample(lots, 200)), ("trace a mix", deep)):
        cases = [
            (
                lambda code=code: trace(connection, code),
                lambda code=code: rows(connection, bare, [code]),
            )
            for code in sample
        ]
        report(name, side_by_side(cases))


def measure_recalls(connection: Connection, report: Report) -> None:
    """Measure recalls of the trees in the middle and of those that most was cut from."""
    trees = [row[0] for row in rows(connection, TREES_BY_CUTS, ())]
    middle = len(trees) // 2
    ordinary = trees[max(0, middle - 10) : middle + 10]
    for name, sample in (("recall a tree", ordinary), ("recall a great tree", trees[:10])):
        cases, items, lots = [], [], []
        for tree in sample:
            found = recall(connection, [OfCode(tree)])
            lots.append(len(found.graft_lots))
            peers = by_own_keys(connection, found), by_index_keys(connection, found)
            work = partial(recall, connection, [OfCode(tree)])
            cases.append((work, *peers))
            items.append((partial(look_at, work), *peers))
        report(f"{name} ({statistics.median(lots):.0f} lots)", side_by_side(cases))
        report(f"{name}, looked at", side_by_side(items))


def look_at(work: Callable[[], Recall]) -> int:
    """Look at every item of an answer."""
    found = work()
    return len(tuple(found.graft_lots)) + len(tuple(found.dispatches))


def measure_balances(connection: Connection, report: Report) -> None:
    """Measure balances of everything."""
    for scope in ("cultivar", "bundle"):
        work = min(timed(partial(balance, connection, scope=scope)) for _ in range(2))
        report(f"balance by {scope}", [work])


@contextmanager
def store_on(server: postgres.Server | None, name: str) -> Iterator[Store]:
    """Give an empty registry: a database of the server, or without one a SQLite file."""
    with tempfile.TemporaryDirectory() as folder:
        made = create_store(server.create(name) if server else Path(folder) / "registry.db")
        try:
            yield made
        finally:
            made.close()


def run(sizes: Sequence[int], server: postgres.Server | None = None) -> None:
    """Measure on one database over the sizes, and print a line for each work and size."""
    first: dict[str, float] = {}
    for lots in sizes:
        with store_on(server, f"chain_{lots}") as store:
            load(store, lots)

            def report(work: str, times: Sequence[float], lots: int = lots) -> None:
                ours, *peers = times
                beside = "".join(f"{peer:10.3f} {ours / peer:6.2f}" for peer in peers)
                growth = ours / first.setdefault(work.partition(" (")[0], ours)
                name = "postgresql" if server else "sqlite"
                print(
                    f"{name:10} {lots:9,} {work:32} {ours:9.3f} {growth:7.2f} {beside}", flush=True
                )

            with store.reading() as connection:
                measure_traces(connection, report)
                measure_recalls(connection, report)
                measure_balances(connection, report)


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure as the arguments say."""
    parser = argparse.ArgumentParser(description="Time trace, recall and balance.")
    parser.add_argument("--lots", type=int, nargs="+", default=[10_000, 100_000, 1_000_000])
    parser.add_argument("--on", nargs="+", default=["sqlite", "postgresql"])
    asked = parser.parse_args(arguments)
    print(
        f"{'database':10} {'lots':>9} {'work':32} {'ms':>9} {'growth':>7} "
        f"{'peer ms':>10} {'ratio':>6}{'peer 2 ms':>10} {'ratio':>6}"
    )
    if "sqlite" in asked.on:
        run(asked.lots)
    if "postgresql" in asked.on:
        with postgres.server("shared_buffers=512MB", "max_wal_size=4GB") as server:
            run(asked.lots, server)


if __name__ == "__main__":
    main()
