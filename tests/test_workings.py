"""What an answer was reckoned from: enough to recompute it, and nothing that is private."""

import json
from collections.abc import Callable
from fractions import Fraction
from math import prod
from pathlib import Path
from typing import Any

import pytest
from conftest import Filled, Said
from gap_nursery import complete
from sqlalchemy import insert

from scionreg.records.errors import RegistryError
from scionreg.records.tables import RECORDS, table
from scionreg.registry.store import Store
from scionreg.workings import READS, workings

Run = Callable[..., Said]
ASKED = {
    "trace": "trace G7",
    "recall": "recall T1",
    "balance": "balance --per tree",
    "store": "store",
    "take": "take --by grafter",
    "take --why": "take --why G5",
    "match": "match L3",
    "offtype": "offtype G6",
    "sample": "sample G6",
    "plan": "plan --season 2027 --trees Aldern=20",
    "where": "where 45.005 4.005",
}


def furnish(store: Store) -> None:
    with store.writing() as connection:
        for record in RECORDS:
            kind = record.__tablename__
            names = [column.name for column in table(kind).columns if "cell" in column.info]
            if rows := complete().get(kind):
                filled = [{**dict.fromkeys(names), **row, "entry": 1} for row in rows]
                connection.execute(insert(table(kind)), filled)


@pytest.fixture
def engine() -> str:
    """A file: what is told does not depend on the database."""
    return "sqlite"


@pytest.fixture
def store(filled: Filled) -> Store:
    return filled(furnish)


@pytest.fixture
def told(store: Store, run: Run) -> Callable[[str], dict[str, Any]]:
    """Give the workings of a command, shown in the answer's place."""

    def ask(command: str) -> dict[str, Any]:
        said = run(*ASKED[command].split(), "--workings", "-", "--registry", store.name)
        found: dict[str, Any] = json.loads(said.out)
        return found

    return ask


def test_every_command_that_tells_its_workings_is_asked_here() -> None:
    assert ASKED.keys() == READS.keys()


@pytest.mark.parametrize("command", ASKED)
def test_workings_hold_question_settings_numbers_inputs_and_the_answer(
    told: Callable[[str], dict[str, Any]], store: Store, run: Run, tmp_path: Path, command: str
) -> None:
    found = told(command)
    keys = ["question", "settings", "constants", "inputs", "left_out", "answer"]
    assert list(found) == keys
    assert found["question"]["command"] == command
    assert found["settings"].keys() >= {"time_zone", "season_first_day", *READS[command].groups}
    assert found["inputs"]
    words = (*ASKED[command].split(), "--registry", store.name)
    plain = run(*words, "--json")
    if command not in ("plan", "store"):  # a search may end elsewhere, and time goes on
        assert json.loads(plain.out) == found["answer"]
    beside = run(*words, "--workings", str(tmp_path / "it.json"))
    assert beside.code == plain.code
    assert "written: " in beside.err
    assert json.loads((tmp_path / "it.json").read_text())["inputs"] == found["inputs"]


def test_nothing_private_and_no_free_text_is_told(
    told: Callable[[str], dict[str, Any]],
) -> None:
    found = told("plan")
    trees = {each["tree"]: each for each in found["inputs"]["mother_trees"]}
    assert "latitude" in trees["T1"]
    assert "latitude" not in trees["T2"], "it is private"
    cuttings = {each["collection"]: each for each in found["inputs"]["collections"]}
    assert "latitude" in cuttings["C1"]
    assert "latitude" not in cuttings["C2"], "of T2"
    assert found["left_out"] == {"private_places": 1}
    assert '"notes"' not in json.dumps(found["inputs"])


def test_a_trace_tells_the_records_of_its_chain_and_no_others(
    told: Callable[[str], dict[str, Any]],
) -> None:
    """G7's wood is B7's, of which B3 and B4 gave six sticks each."""
    found = told("trace")
    assert {each["bundle"] for each in found["inputs"]["bundles"]} == {"B3", "B4", "B7"}
    parents = found["inputs"]["bundle_parents"]
    whole = sum(each["sticks"] for each in parents)
    shares = {each["parent"]: Fraction(each["sticks"], whole) for each in parents}
    answered = {
        each["tree"]: each["share"]
        for each in found["answer"]["sources"]
        if each["generation"] == 1
    }
    assert answered == {"T3": float(shares["B3"]), "T1": float(shares["B4"])}


def test_a_profile_s_odds_follow_from_what_is_told(told: Callable[[str], dict[str, Any]]) -> None:
    found = told("match")
    sample = {
        each["locus"]: {each[name] for name in each if name.startswith("allele")}
        for each in found["inputs"]["genotypes"]
        if each["sample"] == "L3"
    }
    reference = {
        each["locus"]: {each[name] for name in each if name.startswith("allele")}
        for each in found["inputs"]["genotypes"]
        if each.get("cultivar") == "Aldern"
    }
    off = sum(sample[locus] != reference[locus] for locus in sample)
    best = found["answer"]["best"][0]
    assert (best["cultivar"], best["loci"], best["mismatches"]) == ("Aldern", len(sample), off)
    assert best["loci"] >= found["settings"]["match"]["full_loci"]
    assert found["answer"]["verdict"] == "match"


def test_a_method_s_sample_size_follows_from_what_is_told(
    told: Callable[[str], dict[str, Any]],
) -> None:
    found = told("sample")
    answer, rate = found["answer"], found["settings"]["identity"]["find_rate_leaf"]
    trees, looked = answer["trees"], answer["by_method"]["leaf"]
    assert answer["off"] == 1

    def unseen(looked: int) -> float:
        return 1 - looked / trees * rate

    if looked is None:
        assert unseen(trees) > 1 - answer["confidence"]
    else:
        assert prod([unseen(looked)]) <= 1 - answer["confidence"] < unseen(looked - 1)


def test_other_commands_tell_none(store: Store) -> None:
    with store.reading() as connection, pytest.raises(RegistryError, match="'status' tells no"):
        workings(connection, "status", {}, {})
