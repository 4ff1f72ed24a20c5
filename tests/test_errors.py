"""One example per rule: the files that break it, and the very words that say so.

`tests/errors/<rule>/` is imported on top of `tests/errors/base/`, a small invented nursery, and
what is said must be `expected.txt`. `pytest tests/test_errors.py --update-golden` writes it anew.
"""

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from scionreg.api import Registry
from scionreg.exchange.importing import import_files
from scionreg.records.columns import Base
from scionreg.records.errors import Problem
from scionreg.records.rules import CELL_RULES, INTAKE_RULES, JUDGED_RULES, RULES
from scionreg.records.vocabulary import Trouble
from scionreg.registry.audit import audit
from scionreg.registry.correcting import void
from scionreg.registry.create import create_store
from scionreg.registry.issuing import reserve
from scionreg.registry.recording import record
from scionreg.registry.store import Store

EXAMPLES = Path(__file__).parent / "errors"
ALL_RULES = RULES | CELL_RULES | INTAKE_RULES | JUDGED_RULES


def void_a_check(store: Store) -> None:
    void(store, "identity_checks", "K26-0003-0", by="P03", why="entered for the wrong tree")


def record_a_cutting(store: Store) -> None:
    cutting = {"tree": "T20-0001-2", "date": "2026-01-19", "cutter": "P01", "sticks": 15}
    record(store, "collections", {**cutting, "count": "counted"}, by="P01")


def reserve_for_another(store: Store) -> None:
    reserve(store, "stores", person="P02", count=9, season=2026, by="P01")


STEPS: dict[str, Callable[[Store], None]] = {
    "recorded_lately": record_a_cutting,
    "reserved_for_another": reserve_for_another,
    "voided_code": void_a_check,
}
"""What has to happen in the registry before an example breaks its rule."""

BY = {"unknown_recorder": "P30"}
"""Who imports an example, where it is not P01."""

COMES_WITH = {"used_before_cut": {"used_before_packed"}}
"""Rules that cannot be broken alone: wood used before it was cut was not yet tied either."""


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a registry file that holds the base folder."""
    path = tmp_path_factory.mktemp("base") / "registry.db"
    store = create_store(path)
    imported = import_files(store, [EXAMPLES / "base"], by="P01")
    store.close()
    assert imported.changed
    assert imported.problems == ()
    return path


@pytest.fixture
def store(base: Path, tmp_path: Path) -> Iterator[Store]:
    """Return a registry of its own with the base folder in it."""
    with Registry.open(shutil.copy(base, tmp_path / "registry.db")) as registry:
        yield registry.store


def content(store: Store) -> dict[str, list[Any]]:
    """Return every row of every table: records, earlier versions, journal, settings."""
    with store.reading() as connection:
        return {
            name: [tuple(row) for row in connection.execute(select(table))]
            for name, table in Base.metadata.tables.items()
        }


def said(problems: tuple[Problem, ...]) -> str:
    """Return problems as the text of `expected.txt`."""
    return "".join(f"{problem.trouble}: {problem}\n" for problem in problems)


def test_base_is_without_a_fault_or_a_doubt(store: Store) -> None:
    with store.reading() as connection:
        assert list(audit(connection)) == []


def test_every_rule_has_an_example_and_every_example_a_rule() -> None:
    assert {each.name for each in EXAMPLES.iterdir() if each.is_dir()} - {"base"} == set(ALL_RULES)


@pytest.mark.parametrize("rule", sorted(ALL_RULES))
def test_example_says_what_is_wrong_and_what_would_be_right(
    rule: str, store: Store, request: pytest.FixtureRequest
) -> None:
    STEPS.get(rule, lambda _: None)(store)
    expected = EXAMPLES / rule / "expected.txt"
    problems = import_files(store, [EXAMPLES / rule], by=BY.get(rule, "P01")).problems
    if request.config.getoption("--update-golden", default=False):
        expected.write_text(said(problems), encoding="utf-8")
    assert said(problems) == expected.read_text(encoding="utf-8")
    assert {problem.rule for problem in problems} == {rule} | COMES_WITH.get(rule, set())
    assert {problem.trouble for problem in problems} == {ALL_RULES[rule].trouble}
    assert all(problem.line or problem.key for problem in problems)


@pytest.mark.parametrize(
    "rule", sorted(name for name, each in ALL_RULES.items() if each.trouble is Trouble.REFUSED)
)
def test_refusal_leaves_the_registry_as_it_was(rule: str, store: Store) -> None:
    STEPS.get(rule, lambda _: None)(store)
    before = content(store)
    imported = import_files(store, [EXAMPLES / rule], by="P01")
    assert imported.refused
    assert content(store) == before


@pytest.mark.parametrize(
    "rule", sorted(name for name, each in ALL_RULES.items() if each.trouble is Trouble.WARNING)
)
def test_warning_is_taken_and_stays_visible(rule: str, store: Store) -> None:
    STEPS.get(rule, lambda _: None)(store)
    imported = import_files(store, [EXAMPLES / rule], by=BY.get(rule, "P01"))
    assert imported.changed
    still = {
        (problem.rule, problem.key, problem.wrong)
        for problem in Registry(store).audit()
        if problem.rule != "balance"
    }
    said = {(problem.rule, problem.key, problem.wrong) for problem in imported.problems}
    assert still == (set() if rule in INTAKE_RULES else said)
