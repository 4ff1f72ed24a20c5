"""An invented nursery of any size, for measuring: ten seasons, from trees to dispatches.

    python -m benchmarks.dataset 100000 FOLDER

writes the season folder of a nursery with 100,000 graft lots: a tree for each 500, a collection
for each 50 (three in ten go to the first trees, which are favoured), a bundle for each 10, of
which one in ten is split from another and one in fifty is tied from two to four others; one lot
in a hundred is a regraft. The same seed makes the same nursery. Names, people and numbers are
invented.
"""

import argparse
import csv
import datetime as dt
import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from scionreg.records.codes import LETTER_OF, issue
from scionreg.records.tables import fields
from scionreg.registry.store import Store

SEASONS = range(2016, 2026)
CULTIVARS = [f"Benchnut {name}" for name in ("Alder", "Briar", "Cedar", "Dock", "Elder", "Fern")]
GRAFTS_A_STICK = 6
LOTS_A_DAY = 9
ROW_LOTS = 40

Rows = dict[str, list[tuple[Any, ...]]]

FIELDS = {
    kind: [column.name for column in fields(kind)]
    for kind in (
        *("cultivars", "people", "blocks", "stores", "rootstock_lots", "mother_trees"),
        *("collections", "bundles", "bundle_parents", "bundle_log", "graft_lots", "dispatches"),
    )
}


class Nursery:
    """The records, season by season."""

    def __init__(self, lots: int, seed: int = 1) -> None:
        self.lots = lots
        self.random = random.Random(seed)
        self.serials: dict[tuple[str, int], int] = {}
        self.rows: Rows = {}
        self.trees: list[str] = []
        self.old_lots: list[tuple[str, int]] = []
        """Some lots of earlier seasons, with a position, that mother trees may be grown from."""

    def add(self, kind: str, /, **values: Any) -> None:
        """Add a row; columns that are not given are empty."""
        self.rows.setdefault(kind, []).append(tuple(values.get(name) for name in FIELDS[kind]))

    def issue(self, kind: str, season: int) -> str:
        """Return the next code of a kind."""
        serial = self.serials.get((kind, season), 0) + 1
        self.serials[kind, season] = serial
        return issue(LETTER_OF[kind], season, serial)

    def seasons(self) -> Iterator[Rows]:
        """Yield the rows of each season by kind, what others refer to first."""
        self._standing_things()
        total = max(4, self.lots // 500)
        young = total // 20
        for _ in range(total - young):
            self._tree(SEASONS[0] - 5)
        self.stores = [self.issue("stores", SEASONS[0]) for _ in range(4)]
        for store in self.stores:
            self.add("stores", store=store, kind="cooler")
        self.rootstocks = [self.issue("rootstock_lots", SEASONS[0]) for _ in range(20)]
        for rootstocks in self.rootstocks:
            self.add("rootstock_lots", rootstock_lot=rootstocks, species="Carya illinoinensis")
        for number, season in enumerate(SEASONS):
            if number == 5:
                for lot, position in self.random.sample(self.old_lots, young):
                    self._tree(season - 1, graft_lot=lot, graft_position=position)
            lots = self.lots * (number + 1) // len(SEASONS) - self.lots * number // len(SEASONS)
            Season(self, season, lots).fill()
            yield self.rows
            self.rows = {}

    def _standing_things(self) -> None:
        for name in CULTIVARS:
            self.add("cultivars", cultivar=name, species="Carya illinoinensis")
        self.cutters = [f"P{n:03d}" for n in range(1, 3 + self.lots // 20_000)]
        # Sixty working days a season.
        hands = 1 + self.lots // len(SEASONS) // (50 * LOTS_A_DAY)
        self.grafters = [f"Q{n:03d}" for n in range(1, 1 + hands)]
        for person in self.cutters:
            self.add("people", person=person, roles="cutter;packer")
        for person in self.grafters:
            self.add("people", person=person, roles="grafter")
        self.add("blocks", block="BANK", kind="bank")
        for season in SEASONS:
            self.add("blocks", block=f"N{season % 100}", kind="nursery")

    def _tree(self, season: int, **grown: Any) -> None:
        tree, number = self.issue("mother_trees", season), len(self.trees)
        self.trees.append(tree)
        self.add(
            "mother_trees",
            tree=tree,
            cultivar=CULTIVARS[number % len(CULTIVARS)],
            kind="bank",
            block="BANK",
            row=1 + number // 50,
            position=1 + number % 50,
            planted=dt.date(season, 12, 1),
            received_from=None if grown else "SU-01",
            status="usable",
            **grown,
        )


class Bundle:
    """A bundle in the making: its sticks are known once all its uses are."""

    __slots__ = ("code", "collection", "packed", "parents", "sticks")

    def __init__(self, code: str, packed: dt.date, collection: str | None) -> None:
        self.code, self.packed, self.collection = code, packed, collection
        self.parents: list[tuple[Bundle, int]] = []
        self.sticks = 0


class Season:
    """One winter's cutting and the spring's grafting."""

    def __init__(self, nursery: Nursery, season: int, lots: int) -> None:
        self.nursery, self.season, self.lots = nursery, season, lots
        self.random = nursery.random
        self.bundles: list[Bundle] = []
        self.cuts: dict[str, dict[str, Any]] = {}

    def fill(self) -> None:
        """Add all rows of the season."""
        self._cut_and_tie()
        self._tie_anew()
        self._graft()
        self._write_wood()

    def _cut_and_tie(self) -> None:
        trees = self.nursery.trees
        cuts = max(1, self.lots // 50)
        bundles = max(1, self.lots * 88 // 1000)
        favoured = self.random.choices(trees, [1 / (20 + n) for n in range(len(trees))], k=cuts)
        chosen = [favoured[n] if n % 10 < 3 else trees[n % len(trees)] for n in range(cuts)]
        turns: dict[tuple[str, dt.date], int] = {}
        for n, tree in enumerate(chosen):
            day = dt.date(self.season, 1, 5) + dt.timedelta(days=n * 40 // cuts)
            hand = self.nursery.cutters[n % len(self.nursery.cutters)]
            turns[hand, day] = turns.get((hand, day), 0) + 1
            collection = self.nursery.issue("collections", self.season)
            self.cuts[collection] = {
                "collection": collection,
                "tree": tree,
                "limb": self.random.choice([None, "N", "E", "S", "W"]),
                "date": day,
                "cutter": hand,
                "sticks": 0,
                "count": "counted",
                "bud_stage": 0,
                "tools_cleaned": True,
                "order_in_day": turns[hand, day],
            }
            for _ in range(bundles * (n + 1) // cuts - bundles * n // cuts):
                code = self.nursery.issue("bundles", self.season)
                packed = day + dt.timedelta(days=1)
                self.bundles.append(Bundle(code, packed, collection))

    def _tie_anew(self) -> None:
        """Split one bundle in ten, and tie one in fifty from several."""
        first_day = dt.date(self.season, 2, 20)
        for n in range(self.lots * 12 // 1000):
            number = 1 if n % 6 else self.random.randint(2, 4)
            packed = first_day + dt.timedelta(days=n * 20 // max(1, self.lots * 12 // 1000))
            code = self.nursery.issue("bundles", self.season)
            bundle = Bundle(code, packed, None)
            for parent in self.random.sample(self.bundles, min(number, len(self.bundles))):
                bundle.parents.append((parent, self.random.randint(5, 15)))
            self.bundles.append(bundle)

    def _graft(self) -> None:
        first_day = dt.date(self.season, 3, 20)
        hands, block = self.nursery.grafters, f"N{self.season % 100}"
        again = self.lots // 100
        place = 1
        placed: list[tuple[str, int, int, int]] = []
        for n in range(self.lots - again):
            bundle = self.bundles[n % len(self.bundles)]
            shift, hand = divmod(n, len(hands))
            day, turn = divmod(shift, LOTS_A_DAY)
            row, within = divmod(n, ROW_LOTS)
            place = place if within else 1
            grafts = self.random.randint(20, 45)
            lot = self._lot(
                bundle,
                date=first_day + dt.timedelta(days=day),
                grafter=hands[hand],
                grafts=grafts,
                block=block,
                row=row + 1,
                first=place,
                last=place + grafts - 1,
                order_in_day=turn + 1,
            )
            placed.append((lot, row + 1, place, place + grafts - 1))
            place += grafts
            if n % 3 == 0:
                self._send(lot, grafts, placed[-1][2])
        self._regraft(placed, again, block)
        early = self.random.sample(placed, min(len(placed), 1 + self.lots // 500))
        self.nursery.old_lots += [(lot, first) for lot, _, first, _ in early]

    def _regraft(self, placed: list[tuple[str, int, int, int]], again: int, block: str) -> None:
        first_day = dt.date(self.season, 6, 1)
        hands = self.nursery.grafters
        for n, (lot, row, first, last) in enumerate(self.random.sample(placed, again)):
            start = self.random.randint(first, last - 3)
            shift, hand = divmod(n, len(hands))
            day, turn = divmod(shift, LOTS_A_DAY)
            self._lot(
                self.random.choice(self.bundles),
                date=first_day + dt.timedelta(days=day),
                grafter=hands[hand],
                grafts=4,
                block=block,
                row=row,
                first=start,
                last=start + 3,
                order_in_day=turn + 1,
                regraft_of=lot,
            )

    def _lot(self, bundle: Bundle, **values: Any) -> str:
        lot = self.nursery.issue("graft_lots", self.season)
        used = -(-values["grafts"] // GRAFTS_A_STICK)
        bundle.sticks += used
        self.nursery.add(
            "graft_lots",
            graft_lot=lot,
            bundle=bundle.code,
            method="chip_bud",
            rootstock_lot=self.random.choice(self.nursery.rootstocks),
            sticks_used=used,
            **values,
        )
        return lot

    def _send(self, lot: str, grafts: int, first: int) -> None:
        trees = grafts // 2
        self.nursery.add(
            "dispatches",
            dispatch=self.nursery.issue("dispatches", self.season),
            graft_lot=lot,
            date=dt.date(self.season, 11, self.random.randint(1, 28)),
            customer=f"CU-{self.random.randint(1, 200):03d}",
            trees=trees,
            first=first,
            last=first + trees - 1,
        )

    def _write_wood(self) -> None:
        """Add bundles, parents before which come none of their own, and the cuttings."""
        nursery = self.nursery
        for bundle in reversed(self.bundles):
            given = sum(sticks for _, sticks in bundle.parents)
            if bundle.parents and bundle.sticks > given:
                more = bundle.sticks - given
                parent, sticks = bundle.parents[0]
                bundle.parents[0] = (parent, sticks + more)
            for parent, sticks in bundle.parents:
                parent.sticks += sticks
        for bundle in self.bundles:
            given = sum(sticks for _, sticks in bundle.parents)
            left = given - bundle.sticks if bundle.parents else 2
            bundle.sticks += left
            self._bundle(bundle, left)
            for parent, sticks in bundle.parents:
                nursery.add("bundle_parents", bundle=bundle.code, parent=parent.code, sticks=sticks)
        for cut in self.cuts.values():
            nursery.add("collections", **cut)

    def _bundle(self, bundle: Bundle, left: int) -> None:
        if bundle.collection is not None:
            self.cuts[bundle.collection]["sticks"] += bundle.sticks
        self.nursery.add(
            "bundles",
            bundle=bundle.code,
            collection=bundle.collection,
            sticks=bundle.sticks,
            count="counted",
            packed=bundle.packed,
            packer=self.random.choice(self.nursery.cutters),
            store=self.random.choice(self.nursery.stores),
        )
        if left:
            self.nursery.add(
                "bundle_log",
                bundle=bundle.code,
                time=dt.datetime(self.season, 6, 28, 16, tzinfo=dt.UTC),
                event="discarded",
                sticks=left,
            )


def write_folder(folder: Path, lots: int, seed: int = 1) -> None:
    """Write the CSV files of a season folder."""
    folder.mkdir(parents=True, exist_ok=True)
    begun: set[str] = set()
    for rows in Nursery(lots, seed).seasons():
        for kind, kind_rows in rows.items():
            with (folder / f"{kind}.csv").open(
                "a" if kind in begun else "w", encoding="utf-8", newline=""
            ) as file:
                writer = csv.writer(file, lineterminator="\n")
                if kind not in begun:
                    writer.writerow(FIELDS[kind])
                    begun.add(kind)
                writer.writerows([_cell(value) for value in row] for row in kind_rows)


def _cell(value: Any) -> Any:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, dt.datetime):
        return value.strftime("%Y-%m-%dT%H:%M:%SZ")
    return value


def load(store: Store, lots: int, seed: int = 1) -> None:
    """Put the records into an empty registry by the bare driver, and gather statistics.

    PostgreSQL is left as its own upkeep leaves it some minutes later.
    """
    with store.writing(checking_references=False) as connection:
        driver: Any = connection.connection.driver_connection
        put = _put_sqlite if store.is_sqlite else _put_postgresql
        if not store.is_sqlite:
            driver.execute("SET LOCAL session_replication_role = replica")
        for rows in Nursery(lots, seed).seasons():
            for kind, kind_rows in rows.items():
                put(driver, kind, kind_rows)
    with store.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.exec_driver_sql("ANALYZE" if store.is_sqlite else "VACUUM ANALYZE")


def _quoted(kind: str) -> str:
    return ", ".join(f'"{name}"' for name in (*FIELDS[kind], "entry"))


def _put_sqlite(driver: Any, kind: str, rows: list[tuple[Any, ...]]) -> None:
    def plain(value: Any) -> Any:
        if isinstance(value, dt.datetime):
            return value.strftime("%Y-%m-%d %H:%M:%S")
        return value.isoformat() if isinstance(value, dt.date) else value

    marks = ", ".join("?" * len(FIELDS[kind]))
    driver.executemany(
        f"INSERT INTO {kind} ({_quoted(kind)}) VALUES ({marks}, 1)",
        (tuple(map(plain, row)) for row in rows),
    )


def _put_postgresql(driver: Any, kind: str, rows: list[tuple[Any, ...]]) -> None:
    with driver.cursor().copy(f"COPY {kind} ({_quoted(kind)}) FROM STDIN") as copy:
        for row in rows:
            copy.write_row((*row, 1))


def main() -> None:
    """Write a season folder as the arguments say."""
    parser = argparse.ArgumentParser(description="Write an invented season folder.")
    parser.add_argument("lots", type=int, help="graft lots, 10000 to 1000000")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    write_folder(asked.folder, asked.lots, asked.seed)


if __name__ == "__main__":
    main()
