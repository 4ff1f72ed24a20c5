"""Where identity broke, in registries of which every lot was looked at, beside a library.

    python -m benchmarks.offtype_scale [--lots 1000 3000 20000]

Every lot of a `benchmarks.dataset` nursery is looked at, 8 to 12 trees by leaf; the wood of one
collection is another cultivar's, in every hundredth lot a rootstock grew. Asked is a lot of that
collection: records read, all causes weighed, everything that shares the fault, next checks. Each
size runs in a process of its own. Beside it, up to 3,000 lots, the library pyAgrum: the same
network with the same evidence, by its LazyPropagation, for the posteriors of all wood once; no
ties, no causes, no next checks. "Taken apart" counts the re-bundles whose loops were cut, since
tables would have been too large; with none the answer is exact. Printed beside is how much it
moves when still more are taken apart.
"""

import argparse
import json
import random
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from benchmarks.dataset import CULTIVARS, load
from scionreg.identity import far_mixes
from scionreg.identity.off_type import OffType
from scionreg.registry.create import create_store
from scionreg.registry.store import Store, open_store

SIZES = (1_000, 3_000, 20_000)
LIBRARY_UP_TO = 3_000
CHECK = (
    'INSERT INTO identity_checks ("check", item, date, method, checked, off, found, entry) '
    "VALUES (?, ?, '2026-08-01', 'leaf', ?, ?, ?, 1)"
)


def look_at_all(store: Store, seed: int = 1) -> str:
    """Write a look at every lot, with one collection's wood wrong; return a lot of it."""
    draw = random.Random(seed)
    driver: Any
    with store.writing() as connection:
        driver = connection.connection.driver_connection
        lots = driver.execute(
            "SELECT g.graft_lot, b.collection, t.cultivar FROM graft_lots g "
            "JOIN bundles b ON b.bundle = g.bundle "
            "LEFT JOIN collections c ON c.collection = b.collection "
            "LEFT JOIN mother_trees t ON t.tree = c.tree ORDER BY g.graft_lot"
        ).fetchall()
        passed = "SELECT b.collection FROM bundle_parents p JOIN bundles b ON b.bundle = p.parent"
        mixed = {row[0] for row in driver.execute(passed)}
        cut = [row[1] for row in lots if row[1] and row[1] not in mixed]
        wrong = max(sorted(set(cut)), key=cut.count)
        asked = next(lot for lot, collection, _ in lots if collection == wrong)
        label = next(cultivar for _, collection, cultivar in lots if collection == wrong)
        other = next(name for name in CULTIVARS if name != label)
        rows = []
        for i, (lot, collection, _) in enumerate(lots):
            checked = draw.randint(8, 12)
            if collection == wrong:
                off, found = sum(draw.random() < 0.7 for _ in range(checked)), other
            else:
                off, found = int(draw.random() < 0.01), "rootstock"
            rows.append((f"K{i}", lot, checked, off, found if off else None))
        driver.executemany(CHECK, rows)
    return str(asked)


def ours(path: Path, lot: str) -> dict[str, Any]:
    """Ask, and return CPU seconds, memory and the likeliest cause."""
    import scionreg

    with scionreg.open_registry(str(path)) as registry:
        start = time.process_time()
        found = registry.off_type(lot)
        seconds = time.process_time() - start
        megabytes = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        far_mixes.LARGEST //= 100
        less = registry.off_type(lot)
    first = found.causes[0]
    apart, more = len(found.taken_apart), len(less.taken_apart)
    return {
        "cpu": seconds,
        "mb": megabytes,
        "first": f"{first.failure.value} {first.probability:.3f}, {apart} taken apart"
        + (f" (with {more}, {_moved(found, less):.0e} else)" if more > apart else ""),
    }


def _moved(one: OffType, other: OffType) -> float:
    """Return the largest difference of the probability of a cause between two answers."""
    chances = [
        {str(each.named()): each.probability for each in answer.causes} for answer in (one, other)
    ]
    names = {name for each in chances for name in each}
    return max(abs(chances[0].get(name, 0.0) - chances[1].get(name, 0.0)) for name in names)


def library(path: Path, lot: str) -> dict[str, Any]:
    """Return CPU seconds and memory of the library for the posteriors of all wood."""
    import pyagrum

    from scionreg.identity.answer import named
    from scionreg.identity.chain import LOT, Chain, Name
    from scionreg.identity.evidence import Evidence
    from scionreg.identity.looks import Reports
    from scionreg.identity.sights import Sights
    from scionreg.identity.states import Space
    from scionreg.lineage.identity_reader import read_identity_books
    from scionreg.records.starting_values import IdentityValues, OffTypeValues

    store = open_store(str(path))
    with store.reading() as connection:
        books = read_identity_books(connection, lot)
    store.close()
    values = OffTypeValues()
    space = Space(named(books))
    chain = Chain(books, space, values)
    sights = Sights(chain, values)
    evidence = Evidence(Reports(space, IdentityValues(), values), values.stick_run)
    links = chain.upward(Name(LOT, code) for code in books.lots)
    network = pyagrum.BayesNet()
    number = {
        name: network.add(pyagrum.LabelizedVariable(f"v{i}", "", space.size))
        for i, name in enumerate(links)
    }
    for name, link in links.items():
        for source in reversed(link.sources):
            network.addArc(number[source], number[name])
    for name, link in links.items():
        network.cpt(number[name]).fillWith(link.step.table.reshape(-1).tolist())
    soft = {
        number[name]: evidence.likelihood(sights.of(name))[0].tolist()
        for name in links
        if sights.looked(name)
    }
    start = time.process_time()
    engine = pyagrum.LazyPropagation(network)
    engine.setEvidence(soft)
    engine.makeInference()
    for each in number.values():
        engine.posterior(each)
    return {
        "cpu": time.process_time() - start,
        "mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        "first": f"{len(links):,} pieces of wood",
    }


WAYS = {"scionreg": ours, "pyAgrum": library}


def apart(way: str, path: Path, lot: str) -> dict[str, Any]:
    """Do one of the ways in a process of its own."""
    command = [sys.executable, "-m", "benchmarks.offtype_scale", "--way", way, str(path), lot]
    done = subprocess.run(command, stdout=subprocess.PIPE, text=True, check=True)
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return found


def main(arguments: Sequence[str] | None = None) -> None:
    """Print CPU seconds and memory by size."""
    parser = argparse.ArgumentParser(description="Off-type causes, all lots looked at.")
    parser.add_argument("--lots", type=int, nargs="+", default=list(SIZES))
    parser.add_argument("--way", nargs=3, help=argparse.SUPPRESS)
    asked = parser.parse_args(arguments)
    if asked.way:
        way, path, lot = asked.way
        print(json.dumps(WAYS[way](Path(path), lot)))
        return
    print(f"{'lots':>8} {'':10} {'CPU s':>8} {'MB':>6}  likeliest cause")
    for lots in asked.lots:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "registry.db"
            store = create_store(path)
            load(store, lots)
            lot = look_at_all(store)
            store.close()
            for way in WAYS:
                if way == "scionreg" or lots <= LIBRARY_UP_TO:
                    found = apart(way, path, lot)
                    cells = f"{found['cpu']:>8.2f} {found['mb']:>6.0f}  {found['first']}"
                    print(f"{lots:>8,} {way:10} {cells}", flush=True)


if __name__ == "__main__":
    main()
