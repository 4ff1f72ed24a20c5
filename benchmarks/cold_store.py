"""A logger's file taken in, and what it did to the wood, beside pandas.

    python -m benchmarks.cold_store [--readings 100000 1000000] [--bundles 20000] [--on sqlite]

* readings: a logger's text file of so many readings imported by `import_logger`, and once more (the
  same file changes nothing). Beside it pandas' `read_csv` with parsed times and `to_sql` into a
  bare table, which recognises, cleans, checks and journals nothing.
* store: the figures of all bundles by `storing.report` from the registry, and of that the sums
  alone (`exposures`). Beside it the sums by pandas: readings resampled to a minute and joined by
  lines, added up, and for each stay the difference between its ends.
* spells: the warm spells and all wood they touched (`warm_spells`, `touched`) for 50,000 lots.

Seconds of wall time; each import in a registry of its own. The peer's largest relative difference
from the exact sums is printed too.
"""

import argparse
import datetime as dt
import random
import sqlite3
import tempfile
import time
from collections.abc import Callable, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from benchmarks import postgres
from scionreg.api import Registry
from scionreg.cold_store.exposure import exposures
from scionreg.cold_store.spells import touched, until_used, warm_spells
from scionreg.lineage.stays import read_kept
from scionreg.records.starting_values import StoreValues
from scionreg.registry.create import create_store
from scionreg.registry.store import Store
from scionreg.storing import read_curves, report

SEASON = dt.datetime(2026, 1, 1, tzinfo=dt.UTC)
DAYS = 150
LOTS = 50_000


def write_log(path: Path, readings: int) -> None:
    """Write a logger's file of one season: °F, month first, some doors, one warm spell."""
    draw = random.Random(5)
    step = DAYS * 86_400 / readings
    with path.open("w", encoding="utf-8") as file:
        file.write('"Logger of a cooler"\n"#","Date Time, GMT+00:00","Temp, °F","RH, %"\n')
        for i in range(readings):
            seconds = round(i * step)
            at = SEASON + dt.timedelta(seconds=seconds)
            warm = 28 if 110 < seconds / 86_400 < 113 else 8 * (draw.random() < 0.002)
            fahrenheit = 34.5 + warm + draw.gauss(0, 0.5)
            wet = min(99.0, 94 + draw.gauss(0, 1))
            file.write(f"{i + 1},{at:%m/%d/%y %H:%M:%S},{fahrenheit:.2f},{wet:.1f}\n")


def write_bundles(folder: Path, bundles: int) -> None:
    """Write a season folder of bundles of one tree, all put into one store, one lot each."""
    draw = random.Random(6)
    days = [dt.date(2026, 1, 2) + dt.timedelta(days=n) for n in range(DAYS - 2)]
    packed = [draw.randrange(0, 50) for _ in range(bundles)]
    used = [draw.randrange(60, DAYS - 2) for _ in range(bundles)]
    tables: dict[str, list[str]] = {
        "people": ["person", "P01"],
        "stores": ["store", "S1"],
        "cultivars": ["cultivar,species", "Fernhill,Malus domestica"],
        "mother_trees": ["tree,cultivar", "T1,Fernhill"],
        "collections": ["collection,tree,date,sticks", f"C1,T1,2026-01-01,{bundles * 20}"],
        "bundles": ["bundle,collection,sticks,packed,store"]
        + [f"B{i},C1,20,{days[packed[i]]},S1" for i in range(bundles)],
        "graft_lots": ["graft_lot,bundle,date,grafter,method,grafts"]
        + [f"G{i},B{i},{days[used[i]]},P01,whip,15" for i in range(bundles)],
    }
    folder.mkdir()
    for kind, lines in tables.items():
        (folder / f"{kind}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


def timed(work: Callable[[], Any]) -> tuple[float, Any]:
    """Return seconds, and what the work returned."""
    start = time.perf_counter()
    found = work()
    return time.perf_counter() - start, found


def bare_import(log: Path, scratch: Path) -> None:
    """Do what the import does without recognising, cleaning, checking or journalling."""
    frame = pd.read_csv(log, skiprows=1)
    frame["time"] = pd.to_datetime(frame.iloc[:, 1], format="%m/%d/%y %H:%M:%S")
    frame["celsius"] = (frame.iloc[:, 2] - 32) / 1.8
    with sqlite3.connect(scratch) as database:
        frame[["time", "celsius", frame.columns[3]]].to_sql("readings", database, index=False)


def resampled(readings: pd.DataFrame, starts: pd.Series, ends: pd.Series) -> np.ndarray:
    """Return each stay's °C·h above 7.2 °C by adding up minutes: the peer."""
    minutes = readings.set_index("time")["celsius"].resample("1min").mean().interpolate(limit=360)
    heat = (minutes - 7.2).clip(lower=0).cumsum() / 60
    before = heat.reindex(starts, method="ffill").fillna(0).to_numpy()
    return np.asarray(heat.reindex(ends, method="ffill").fillna(0).to_numpy() - before)


def measure_import(store: Store, log: Path, readings: int, scratch: Path) -> None:
    """Time the import of a logger's file, its repetition, and the peer."""
    registry = Registry(store)
    seconds, done = timed(lambda: registry.import_logger(log, "S1", recorder="P01"))
    again, _ = timed(lambda: registry.import_logger(log, "S1", recorder="P01"))
    peer, _ = timed(lambda: bare_import(log, scratch))
    taken = done.imported.recorded["store_readings"]
    print(
        f"{store.engine.dialect.name:<11}{readings:>10,}  import {seconds:7.2f} s "
        f"({taken:,} taken)  again {again:6.2f} s  bare pandas {peer:6.2f} s  "
        f"ratio {seconds / peer:4.1f}"
    )


def measure_figures(store: Store, readings: int) -> None:
    """Time the figures of every bundle, the sums alone, and the peer."""
    at = SEASON + dt.timedelta(days=DAYS)
    with store.reading() as connection:
        seconds, found = timed(lambda: report(connection, at=at))
        kept = read_kept(connection, dt.UTC, at=at)
        curves = read_curves(connection, kept, StoreValues())
    sums, exposed = timed(lambda: exposures(kept.stays, curves))
    curve = curves["S1"]
    frame = pd.DataFrame(
        {"time": pd.to_datetime(curve.times, unit="s", utc=True), "celsius": curve.temperatures}
    )
    stays = found.stays
    peer, naive = timed(lambda: resampled(frame, stays["start"], stays["end"]))
    exact = np.array([exposed[bundle][0].degree_hours for bundle in stays["bundle"]])
    off = float(np.max(np.abs(naive - exact) / np.maximum(exact, 1)))
    print(
        f"{store.engine.dialect.name:<11}{readings:>10,}  figures of {len(found.bundles):,} "
        f"bundles {seconds:6.2f} s, sums alone {sums:6.3f} s  pandas resampling {peer:6.3f} s "
        f"(off by up to {off:.1%})"
    )
    lots = pd.DataFrame({"bundle": stays["bundle"].sample(LOTS, replace=True, random_state=1)})
    days = np.random.default_rng(1).integers(60, DAYS, LOTS)
    lots["date"] = pd.Timestamp(SEASON) + pd.to_timedelta(days, unit="D")
    seconds, touching = timed(
        lambda: touched(warm_spells("S1", curve), until_used(stays, lots), curves)
    )
    print(
        f"{'':<11}{readings:>10,}  spells over {LOTS:,} lots {seconds:6.2f} s, "
        f"{len(touching):,} touched"
    )


@contextmanager
def empty(engine: str, folder: Path, name: str) -> Any:
    """Give an empty registry on an engine."""
    if engine == "sqlite":
        store = create_store(folder / f"{name}.db")
        yield store
        store.close()
        return
    with postgres.server() as server:
        store = create_store(server.create(name))
        yield store
        store.close()


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="Cold stores beside pandas.")
    parser.add_argument("--readings", type=int, nargs="+", default=[100_000, 300_000, 1_000_000])
    parser.add_argument("--bundles", type=int, default=20_000)
    parser.add_argument("--on", nargs="+", default=["sqlite"], choices=["sqlite", "postgresql"])
    asked = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        write_bundles(folder / "season", asked.bundles)
        for engine in asked.on:
            for readings in asked.readings:
                log = folder / f"logger-{readings}.csv"
                write_log(log, readings)
                with empty(engine, folder, f"r{readings}") as store:
                    Registry(store).import_files(folder / "season", recorder="P01")
                    peer = folder / f"peer-{engine}-{readings}.db"
                    measure_import(store, log, readings, peer)
                    measure_figures(store, readings)


if __name__ == "__main__":
    main()
