"""Codes and names typed in other letters are those that are recorded; lookalikes are told once."""

from pathlib import Path
from typing import Any

import pytest
from nursery import LOT, add, value

from scionreg.exchange.importing import import_files
from scionreg.lineage.asked import asked
from scionreg.records.errors import NoRecorderError, ProblemsError
from scionreg.registry.correcting import correct
from scionreg.registry.finding import find_record
from scionreg.registry.journal import lines
from scionreg.registry.lookalikes import look
from scionreg.registry.recording import record
from scionreg.registry.store import Store


@pytest.fixture
def named(nursery: Store) -> Store:
    """A nursery that names its own store, block, person and tree."""
    add(nursery, "stores", store="Cooler-1")
    add(nursery, "blocks", block="NB")
    add(nursery, "people", person="JT")
    add(nursery, "mother_trees", tree="NB-3-1", cultivar="Fernhill", block="NB")
    return nursery


def test_typed_codes_and_names_are_recorded_as_they_were_first(named: Store) -> None:
    cut = add(named, "collections", tree="nb-3-1", cutter="jt", sticks=20, date="2026-01-21")
    assert (cut.record["tree"], cut.record["cutter"]) == ("NB-3-1", "JT")
    wood: dict[str, Any] = {"collection": cut.key.lower(), "sticks": 20, "packed": "2026-01-21"}
    tied = add(named, "bundles", store="COOLER-1", **wood)
    assert (tied.record["collection"], tied.record["store"]) == (cut.key, "Cooler-1")
    tree = add(named, "mother_trees", cultivar="FERNHILL", block="nb")
    assert (tree.record["cultivar"], tree.record["block"]) == ("Fernhill", "NB")
    assert not tree.warnings


def test_codes_in_a_file_are_found_in_other_letters(named: Store, tmp_path: Path) -> None:
    path = tmp_path / "collections.csv"
    path.write_text("collection,tree,date,cutter,sticks\nOwn-1,nb-3-1,2026-01-21,jt,20\n")
    assert not import_files(named, [path], by="JT").problems
    assert value(named, "collections", "Own-1", "tree") == "NB-3-1"
    again = import_files(named, [path], by="JT")
    assert again.repeated == {"collections": 1}


def test_a_correction_finds_them_too(named: Store) -> None:
    done = correct(named, "mother_trees", "T26-0001-7", {"block": "nb"}, by="P01", why="walked")
    assert done.record["block"] == "NB"


def test_two_codes_that_differ_in_letters_alone_stay_two(named: Store) -> None:
    second = add(named, "stores", store="cooler-1")
    (warning,) = second.warnings
    assert warning.rule == "lookalike_code"
    assert "looks like Cooler-1" in warning.wrong
    bundle: dict[str, Any] = {"sticks": 5, "packed": "2026-01-21", "collection": "C26-0001-7"}
    for store in ("Cooler-1", "cooler-1"):
        assert add(named, "bundles", store=store, **bundle).record["store"] == store
    with pytest.raises(ProblemsError) as refusal:
        add(named, "bundles", store="COOLER-1", **bundle)
    (problem,) = refusal.value.problems
    assert (problem.rule, problem.wrong) == (
        "ambiguous_code",
        "'COOLER-1' may be Cooler-1 or cooler-1",
    )


def test_a_lookalike_is_told_when_it_is_recorded_and_not_again(named: Store) -> None:
    made = add(named, "mother_trees", tree="NB 3_1", cultivar="Fernhill")
    assert [each.rule for each in made.warnings] == ["lookalike_code"]
    later = add(named, "mother_trees", tree="NB-3-2", cultivar="Fernhill")
    assert not later.warnings
    done = correct(named, "mother_trees", "NB 3_1", {"notes": "by the gate"}, by="JT", why="told")
    assert not done.warnings


@pytest.mark.parametrize("text", ["n 1", "N\u00a01", "N-1", "N_1", "Ν 1", "n\u20131"], ids=ascii)
def test_codes_that_look_alike_are_told_apart_by_nobody(text: str) -> None:
    assert look(text) == look("N 1")


@pytest.mark.parametrize("text", ["N 11", "M 1", "N1", "N 1 a"])
def test_codes_that_look_otherwise_are_left_in_peace(text: str) -> None:
    assert look(text) != look("N 1")


def test_unknown_code_is_still_refused_with_the_likely_one(named: Store) -> None:
    with pytest.raises(ProblemsError, match="perhaps NB-3-1"):
        add(named, "collections", tree="NB-3-11", cutter="JT", sticks=20, date="2026-01-21")
    with pytest.raises(ProblemsError, match="no person 'jx'"):
        add(named, "graft_lots", bundle="B26-0001-7", grafts=1, **{**LOT, "grafter": "jx"})


def test_who_records_is_known_in_other_letters_too(named: Store) -> None:
    record(named, "stores", {"store": "Box-2"}, by="jt")
    with named.reading() as connection:
        assert [line["by"] for line in lines(connection)][-1] == "JT"
    add(named, "people", person="jt")
    with pytest.raises(NoRecorderError, match="'Jt' may be JT or jt"):
        record(named, "stores", {"store": "Box-3"}, by="Jt")


def test_a_code_is_found_in_either_form_of_unicode(named: Store) -> None:
    add(named, "mother_trees", tree="Hain-é", cultivar="Fernhill")
    with named.reading() as connection:
        assert find_record(connection, "mother_trees", "Hain-e\u0301").key == "Hain-\u00e9"
        assert asked(connection, "hain-e\u0301").codes == ("Hain-\u00e9",)
