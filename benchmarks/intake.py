"""The import of graft lots, validated and journalled, beside the bare driver's executemany.

    python -m benchmarks.intake [--lots 1000000] [--on sqlite postgresql] [--rounds 1]

Everything that graft lots refer to is imported first. Then `graft_lots.csv` goes into one copy of
that registry by `import_files`, and into others by executemany of tuples that were read and
converted beforehand: the same tables, indexes, guards and connection settings, the same order, one
transaction, committed as durably. On SQLite the bare insert is timed with its foreign keys checked,
and without; the import checks them itself. The bare insert is the driver as it comes: it keeps the
indexes up row by row, where the import builds them at the end, it begins a statement for each row,
where the import inserts many in one, and it looks for an adapter for every empty cell, where the
import has registered one.

Each runs in a process of its own; wall and CPU in seconds (PostgreSQL's own CPU is not in it), peak
memory of the process in MB, which for the bare insert includes the tuples held ready. Ratios are
the import's over the bare insert's.
"""

import argparse
import csv
import datetime as dt
import gc
import json
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from sqlalchemy import Date, Integer

from benchmarks import postgres
from benchmarks.dataset import write_folder
from scionreg.exchange.importing import import_files
from scionreg.records.tables import fields
from scionreg.registry.create import create_store
from scionreg.registry.store import Store, open_store

BASE = (
    *("cultivars", "people", "blocks", "stores", "rootstock_lots", "mother_trees"),
    *("collections", "bundles", "bundle_parents"),
)
LOTS = "graft_lots"
WAYS = {
    "sqlite": ("import", "bare", "unchecked"),
    "postgresql": ("import", "bare"),
}
SAID = {
    "import": "import_files",
    "bare": "executemany",
    "unchecked": "executemany, foreign keys off",
}


def trees_last(folder: Path) -> None:
    """Leave out mother trees grown from graft lots, which are not there yet."""
    path = folder / "mother_trees.csv"
    with path.open(encoding="utf-8", newline="") as file:
        header, *rows = csv.reader(file)
    where = header.index("graft_lot")
    for row in rows:
        row[where] = row[where + 1] = ""
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows([header, *rows])


def import_whole(store: Store, paths: Sequence[Path]) -> None:
    """Import files that nothing may be wrong with."""
    done = import_files(store, paths, by="P001")
    if done.refused:
        raise RuntimeError(f"{len(done.problems)} problems, the first: {done.problems[0]}")


def read_tuples(path: Path, *, days_as_text: bool) -> tuple[list[str], list[tuple[Any, ...]]]:
    """Return the columns of a CSV file of graft lots, and its rows as the driver wants them."""

    def day(text: str) -> Any:
        return text if days_as_text else dt.date.fromisoformat(text)

    readers: dict[str, Callable[[str], Any]] = {}
    for column in fields(LOTS):
        kind = column.type
        readers[column.name] = (
            int if isinstance(kind, Integer) else day if isinstance(kind, Date) else sys.intern
        )
    with path.open(encoding="utf-8", newline="") as file:
        lines = csv.reader(file)
        names = next(lines)
        cells = [readers[name] for name in names]
        rows = [
            (*(read(text) if text else None for read, text in zip(cells, line, strict=True)), 1)
            for line in lines
        ]
    return [*names, "entry"], rows


def insert_bare(store: Store, path: Path, *, checked: bool) -> tuple[float, float]:
    """Insert the rows of a file by the bare driver; return wall and CPU seconds."""
    names, rows = read_tuples(path, days_as_text=store.is_sqlite)
    mark = "?" if store.is_sqlite else "%s"
    columns = ", ".join(f'"{name}"' for name in names)
    statement = f"INSERT INTO {LOTS} ({columns}) VALUES ({', '.join([mark] * len(names))})"
    pooled = store.engine.raw_connection()
    driver: Any = pooled.driver_connection
    if not checked:
        driver.execute("PRAGMA foreign_keys=OFF")
    gc.freeze()
    gc.disable()
    wall, cpu = time.perf_counter(), time.process_time()
    if store.is_sqlite:
        driver.execute("BEGIN IMMEDIATE")
    driver.cursor().executemany(statement, rows)
    driver.commit()
    taken = time.perf_counter() - wall, time.process_time() - cpu
    pooled.close()
    return taken


def run_here(way: str, url: str, path: Path) -> None:
    """Do one of the ways in this process, and print what it took."""
    store = open_store(url)
    if way == "import":
        wall, cpu = time.perf_counter(), time.process_time()
        import_whole(store, [path])
        taken = time.perf_counter() - wall, time.process_time() - cpu
    else:
        taken = insert_bare(store, path, checked=way == "bare")
    store.close()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps([*taken, peak]))


def run_apart(way: str, url: str, path: Path) -> list[float]:
    """Do one of the ways in a process of its own; return wall, CPU and peak memory."""
    command = [sys.executable, "-m", "benchmarks.intake", "--way", way, "--into", url]
    done = subprocess.run([*command, "--file", str(path)], check=True, stdout=subprocess.PIPE)
    taken: list[float] = json.loads(done.stdout)
    return taken


def compare(engine: str, copy: Callable[[str], str], path: Path, lots: int, rounds: int) -> None:
    """Time every way into copies of the same registry, best of the rounds, and print them."""
    best: dict[str, list[float]] = {}
    for number in range(rounds):
        for way in WAYS[engine]:
            taken = run_apart(way, copy(f"{way}_{number}"), path)
            best[way] = min(best.get(way, taken), taken)
    for way, (wall, cpu, peak) in best.items():
        ours = best["import"]
        ratio = "" if way == "import" else f"{ours[0] / wall:10.2f} {ours[1] / cpu:10.2f}"
        print(
            f"{engine:10} {lots:9,} {SAID[way]:30} {wall:8.2f} {cpu:8.2f} {peak:8.0f} {ratio}",
            flush=True,
        )


def on_sqlite(folder: Path, lots: int, rounds: int) -> None:
    """Compare on SQLite."""
    base = folder / "base.db"
    store = create_store(base)
    import_whole(store, [folder / f"{kind}.csv" for kind in BASE])
    store.close()

    def copy(name: str) -> str:
        return str(shutil.copy(base, folder / f"{name}.db"))

    compare("sqlite", copy, folder / f"{LOTS}.csv", lots, rounds)


def on_postgresql(folder: Path, lots: int, rounds: int) -> None:
    """Compare on PostgreSQL."""
    with postgres.server("shared_buffers=512MB", "max_wal_size=4GB") as server:
        store = create_store(server.create("base"))
        import_whole(store, [folder / f"{kind}.csv" for kind in BASE])
        store.close()

        def copy(name: str) -> str:
            return server.create(name, template="base")

        compare("postgresql", copy, folder / f"{LOTS}.csv", lots, rounds)


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure as the arguments say."""
    parser = argparse.ArgumentParser(description="Time the import of graft lots.")
    parser.add_argument("--lots", type=int, default=1_000_000)
    parser.add_argument("--on", nargs="+", default=["sqlite", "postgresql"])
    parser.add_argument("--rounds", type=int, default=1)
    parser.add_argument("--way", choices=SAID, help=argparse.SUPPRESS)
    parser.add_argument("--into", help=argparse.SUPPRESS)
    parser.add_argument("--file", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args(arguments)
    if asked.way:
        run_here(asked.way, asked.into, asked.file)
        return
    print(
        f"{'database':10} {'lots':>9} {'way':30} {'wall s':>8} {'CPU s':>8} {'peak MB':>8} "
        f"{'ratio wall':>10} {'ratio CPU':>10}"
    )
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_folder(folder, asked.lots)
        trees_last(folder)
        if "sqlite" in asked.on:
            on_sqlite(folder, asked.lots, asked.rounds)
        if "postgresql" in asked.on:
            on_postgresql(folder, asked.lots, asked.rounds)


if __name__ == "__main__":
    main()
