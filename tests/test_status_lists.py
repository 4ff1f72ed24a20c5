"""Looks that were ended or ran out, what runs out soon, and how often wood was grafted here."""

import json
from collections.abc import Callable
from typing import Any

import pytest
from conftest import Filled, fill_by

from scionreg.registry.store import Store

Run = Callable[..., Any]


def plant(store: Store) -> None:
    """Record trees whose looks stand, ran out, or were ended by an event, over two generations."""
    lines = (
        "add person --person P01",
        "add cultivar --cultivar Tillowby --species Carya",
        *(f"add tree --tree T{n} --cultivar Tillowby --kind bank" for n in (1, 2, 3)),
        "check --check K1 --item T1 --date 2020-08-01 --method bud --checked 1 --off 0",
        "check --check K2 --item T2 --date 2025-08-01 --method bud --checked 1 --off 0",
        "add event --tree T2 --date 2025-10-01 --event retagged",
        "check --check K3 --item T3 --date 2025-08-01 --method fruit --checked 1 --off 0",
        "cut --collection C1 --tree T1 --date 2020-01-20 --sticks 40",
        "pack --bundle B1 --collection C1 --sticks 40 --packed 2020-01-20",
        "graft --graft-lot G1 --bundle B1 --date 2020-03-10 --grafter P01 --method whip --grafts 8",
        "add tree --tree T4 --cultivar Tillowby --graft-lot G1 --kind increase "
        "--planted 2023-12-10",
        "cut --collection C2 --tree T4 --date 2025-01-20 --sticks 40",
        "pack --bundle B2 --collection C2 --sticks 40 --packed 2025-01-20",
        "rebundle --bundle B3 --parent B1=4 --parent B2=4 --packed 2025-02-02",
        "graft --graft-lot G2 --bundle B3 --date 2025-03-10 --grafter P01 --method whip --grafts 8",
        "add tree --tree T5 --cultivar Tillowby --graft-lot G2",
    )
    fill_by(store, [line.split() for line in lines])


@pytest.fixture
def nursery(filled: Filled, run: Run, monkeypatch: pytest.MonkeyPatch) -> Run:
    url = filled(plant).url
    monkeypatch.setenv("SCIONREG_REGISTRY", url.render_as_string(hide_password=False))
    return run


def told(nursery: Run, *words: str) -> Any:
    return json.loads(nursery("status", "--on", "2026-11-30", *words, "--json").out)


def test_looks_that_an_event_ended_are_told_apart_from_those_that_ran_out(nursery: Run) -> None:
    voided = told(nursery, "--only", "voided")
    assert [(each["tree"], each["check"]) for each in voided["voided"]] == [("T2", "K2")]
    assert [each["tree"] for each in voided["trees"]] == ["T2"]
    lapsed = told(nursery, "--only", "lapsed")
    assert [(each["tree"], each["check"]) for each in lapsed["lapsed"]] == [("T1", "K1")]
    said = nursery("status", "--on", "2026-11-30", "--only", "voided").out
    assert "tag" in said.splitlines()[1]


def test_what_runs_out_until_a_day_is_told_the_first_first(nursery: Run) -> None:
    soon = told(nursery, "--until", "2026-12-31")
    assert [(each["tree"], each["what"], each["day"]) for each in soon["due"]] == [
        ("T4", "age", "2026-12-10")
    ]
    later = told(nursery, "--until", "2099-12-31")
    assert [(each["tree"], each["what"]) for each in later["due"]] == [
        ("T4", "age"),
        ("T3", "look"),
    ]
    assert told(nursery, "--only", "due")["due"] == soon["due"]


def test_a_generation_is_one_more_than_the_deepest_of_its_sources(nursery: Run) -> None:
    of = {each["tree"]: each["generation"] for each in told(nursery)["trees"]}
    assert of == {"T1": 0, "T2": 0, "T3": 0, "T4": 1, "T5": 2}
    assert "generation" in nursery("status", "--csv").out.splitlines()[0]


def test_the_table_ends_with_the_number_of_trees_of_each_status(nursery: Run) -> None:
    said = nursery("status", "--on", "2026-11-30")
    assert "5 trees: " in said.out
    assert "1 voided (--only voided), 1 lapsed (--only lapsed), 1 due" in said.err
    assert told(nursery)["summary"] == {"named_only": 2, "on_paper": 2, "fruit_checked": 1}
    assert "the statuses are" in nursery("status", "--only", "nonsense").err
