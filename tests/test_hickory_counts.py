"""Published grafting counts: the season folder holds the numbers that were printed.

W. G. Bixby, "Stocks for Hickories", Northern Nut Growers Association, Report of the Proceedings at
the Fifteenth Annual Meeting, 1924, p. 48 ff. (public domain).
"""

import csv
from collections import defaultdict
from collections.abc import Iterable, Mapping
from pathlib import Path

import pytest

DATA = Path(__file__).parent / "data"
FOLDER = DATA / "hickory_1923"
Row = Mapping[str, str]
Total = tuple[int, int]
"""Catches and grafts set."""

PRINTED_BY_STOCK = {
    "shagbark": (17, 32),
    "mockernut": (20, 51),
    "pignut": (26, 52),
    "pecan": (24, 46),
    "bitternut": (53, 91),
}
PRINTED_BY_SOURCE = {"Hales": (13, 19)}
PRINTED_TOTAL = (140, 272)


def read(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def totals(rows: Iterable[Row], by: str, caught: str, made: str) -> dict[str, Total]:
    """Return catches and grafts for each value of the column `by`."""
    found: defaultdict[str, Total] = defaultdict(lambda: (0, 0))
    for row in rows:
        catches, grafts = found[row[by]]
        found[row[by]] = (catches + int(row[caught]), grafts + int(row[made]))
    return dict(found)


@pytest.fixture(scope="module")
def table() -> list[dict[str, str]]:
    """The table as it was transcribed."""
    rows = read(DATA / "hickory_grafts_1923.csv")
    return [
        row | {"source": row["scion_variety"].replace("LongBeach", "Long Beach")} for row in rows
    ]


@pytest.fixture(scope="module")
def lots() -> list[dict[str, str]]:
    """The graft lots of the folder, each with its count and the cultivar of its mother tree."""
    counts = {row["graft_lot"]: row for row in read(FOLDER / "take_counts.csv")}
    trees = {row["tree"]: row["cultivar"] for row in read(FOLDER / "mother_trees.csv")}
    cut = {row["collection"]: trees[row["tree"]] for row in read(FOLDER / "collections.csv")}
    wood = {row["bundle"]: cut[row["collection"]] for row in read(FOLDER / "bundles.csv")}
    return [
        row | {"pushing": counts[row["graft_lot"]]["pushing"], "source": wood[row["bundle"]]}
        for row in read(FOLDER / "graft_lots.csv")
    ]


def test_every_combination_is_there_once(table: list[Row], lots: list[Row]) -> None:
    assert len(lots) == 65
    expected = {(r["source"], r["stock"], r["grafts_set"], r["catches"]) for r in table}
    assert expected == {(r["source"], r["rootstock_lot"], r["grafts"], r["pushing"]) for r in lots}


def test_totals_by_rootstock_are_those_printed(lots: list[Row]) -> None:
    assert totals(lots, "rootstock_lot", "pushing", "grafts") == PRINTED_BY_STOCK


def test_totals_by_source_are_those_of_the_table(table: list[Row], lots: list[Row]) -> None:
    found = totals(lots, "source", "pushing", "grafts")
    assert found == totals(table, "source", "catches", "grafts_set")
    assert len(found) == 17
    assert found | PRINTED_BY_SOURCE == found


def test_the_total_is_that_printed(lots: list[Row]) -> None:
    caught, made = zip(*totals(lots, "source", "pushing", "grafts").values(), strict=True)
    assert (sum(caught), sum(made)) == PRINTED_TOTAL


def test_a_source_had_as_many_sticks_as_were_grafted(lots: list[Row]) -> None:
    sticks = {row["bundle"]: int(row["sticks"]) for row in read(FOLDER / "bundles.csv")}
    used = totals(lots, "bundle", "pushing", "grafts")
    assert sticks == {bundle: grafts for bundle, (_, grafts) in used.items()}
