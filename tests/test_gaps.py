"""Whatever is not recorded, every answer is given, or refused in a sentence; none ends in a fault.

An invented nursery with everything in it loses each column that may be empty, some two at a time,
and each record kind; then it is asked whatever reads what is gone.
"""

import io
import random
import re
import shutil
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any

import pytest
from gap_nursery import complete, lacking, optional_columns, without
from small_registries import Rows
from sqlalchemy import event, insert
from sqlalchemy.pool import Pool

from scionreg.cli import console
from scionreg.cli.app import app
from scionreg.records.errors import RegistryError
from scionreg.records.tables import RECORDS, table
from scionreg.registry.create import create_store
from scionreg.registry.store import open_store

ASKED = tuple(
    words.split()
    for words in """
    trace G6/2
    trace D2
    trace T4 --sheet {into}/sheet.html
    recall T1
    recall --store S1 --from 2026-01-01 --to 2026-04-01
    recall --cutter P1 --on 2026-01-10
    recall T1 --drill
    balance
    balance --per tree
    balance --per cultivar --json
    store
    store --now --json
    take
    take --by grafter
    take --by mother_tree*rootstock_lot --json
    take --row-map N1
    take --why G5
    take --why --cultivar Aldern --season 2026 --json
    match
    match --json
    offtype
    offtype G6 --json
    offtype T1 --page {into}/off.html
    sample G6
    sample D2 --json
    status
    status T1 --json
    plan --trees Aldern=20 --trees Birkwood=10 --season 2027
    plan --season 2027 --json
    walk T1 T2 T3 T4
    where 45.005 4.005 --accuracy 5
    report 2026 --json
    royalties
    label T1 C3 B3 G6 D2 --into {into}/labels.pdf --size 70x37
    sheets counting {into}/counting.csv
    sheets cutting {into}/cutting.csv
    sheets packing {into}/packing.csv
    sheets grafting {into}/grafting.csv
    sheets identity {into}/identity.csv
    sheets cooler {into}/cooler.csv
    map mother-trees --into {into}/trees.geojson
    map trace G6/2 --into {into}/trace.geojson
    map recall T1 --into {into}/recall.geojson
    map walk T1 T3 --into {into}/walk.geojson
    map confusion --into {into}/confusion.geojson
    map rows-by-take --into {into}/rows.geojson
    map rows-by-identity --into {into}/rows.geojson
    audit
    """.strip().splitlines()
)
EACH = 1
"""Answers that are asked without a column, always the same ones."""
PAIRS = 12
"""Pairs of columns that are tried, always the same ones."""
FINE, REFUSED, FOUND, NO_SENTENCE = 0, 1, 3, -1

Column = tuple[str, str]


class Asking:
    """Asks the commands of registries that are made for it, and notes what they read."""

    def __init__(self, folder: Path) -> None:
        self._empty, self._path, self._into = folder / "empty.db", folder / "it.db", folder / "out"
        create_store(self._empty).close()
        self._read: list[str] = []
        self.reads: dict[Sequence[str], frozenset[str]] = {}

    def fill(self, records: Rows) -> None:
        """Make the registry anew, with these records and nothing else."""
        shutil.copy(self._empty, self._path)
        with closing(open_store(self._path)) as store, store.writing() as connection:
            for record in RECORDS:
                kind = record.__tablename__
                names = [column.name for column in table(kind).columns if "cell" in column.info]
                if rows := records.get(kind):
                    filled = [{**dict.fromkeys(names), **row, "entry": 1} for row in rows]
                    connection.execute(insert(table(kind)), filled)

    def ask(self, words: Sequence[str]) -> int:
        """Return the exit code of a command."""
        shutil.rmtree(self._into, ignore_errors=True)
        self._into.mkdir()
        self._read.clear()
        typed = [word.format(into=self._into) for word in words]
        with redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()), console.lacking_told():
            try:
                app([*typed, "--registry", str(self._path)], prog_name="scionreg")
            except RegistryError as refusal:
                return REFUSED if len(str(refusal).split()) > 2 else NO_SENTENCE
            except SystemExit as stop:
                return int(stop.code or 0)
        raise AssertionError("a command always ends by an exit")

    def note(self, statement: str) -> None:
        """Note a statement of the database."""
        self._read.append(statement)

    def learn(self) -> None:
        """Ask everything of the registry once, and keep the words of the statements."""
        for words in ASKED:
            assert self.ask(words) in (FINE, FOUND), words
            self.reads[tuple(words)] = frozenset(re.findall(r"\w+", " ".join(self._read)))

    def about(self, *columns: Column) -> list[tuple[str, ...]]:
        """Return what reads any of the columns, or some of it."""
        found = [
            tuple(words)
            for words in ASKED
            if any({kind, column} <= self.reads[tuple(words)] for kind, column in columns)
        ]
        draw = random.Random(repr(columns))
        return draw.sample(found, min(EACH, len(found)))


@pytest.fixture(scope="module")
def asking(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Asking]:
    """The complete registry's questions, and what they read."""
    made = Asking(tmp_path_factory.mktemp("gaps"))

    def listen(connection: Any, _record: Any) -> None:
        if isinstance(connection, sqlite3.Connection):
            connection.set_trace_callback(made.note)

    event.listen(Pool, "connect", listen)
    made.fill(complete())
    made.learn()
    yield made
    event.remove(Pool, "connect", listen)


def test_the_nursery_has_something_in_every_column() -> None:
    records = complete()
    for kind, column in optional_columns():
        assert any(row.get(column) is not None for row in records[kind]), (kind, column)


@pytest.mark.parametrize("kind", complete())
def test_an_answer_needs_no_column_that_may_be_empty(asking: Asking, kind: str) -> None:
    for column in (each for each in optional_columns() if each[0] == kind):
        asking.fill(without(complete(), column))
        for words in asking.about(column):
            assert asking.ask(words) in (FINE, REFUSED, FOUND), (column, words)


def test_an_answer_needs_no_two_of_them(asking: Asking) -> None:
    draw = random.Random(1)
    columns = optional_columns()
    for pair in (tuple(draw.sample(columns, 2)) for _ in range(PAIRS)):
        asking.fill(without(complete(), *pair))
        for words in asking.about(*pair):
            assert asking.ask(words) in (FINE, REFUSED, FOUND), (pair, words)


@pytest.mark.parametrize("kind", complete())
def test_an_answer_needs_no_kind_of_record(asking: Asking, kind: str) -> None:
    asking.fill(lacking(complete(), kind))
    reading = [words for words in ASKED if kind in asking.reads[tuple(words)]]
    for words in reading[: 3 * EACH]:
        assert asking.ask(words) in (FINE, REFUSED, FOUND), words
