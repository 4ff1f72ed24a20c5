"""Published figures, recomputed by the command that anybody can ask."""

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from conftest import Said

from scionreg import calculations
from scionreg.calculations import PUBLISHED, Recomputed, recomputed

Run = Callable[..., Said]


def test_every_published_figure_is_met_without_a_registry(run: Run) -> None:
    code, out, err = run("audit", "--calculations")
    assert (code, "DIFFERS" in out) == (0, False)
    assert "expected 0.2553; 0.3662" in out
    assert "source   R. G. Newcombe 1998" in out
    assert " figures recomputed, 0 off" in err
    told = json.loads(run("audit", "--calculations", "--json").out)
    assert {each["agrees"] for each in told} == {True}
    assert all(each["source"] and each["what"] for each in told)
    assert run("audit", "--calculations", "--csv").out.splitlines()[0].startswith("what,expected")


def test_a_difference_is_said_and_the_check_finds_something(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(calculations.CALCULATIONS, "damm", lambda given: [5.0])
    code, out, err = run("audit", "--calculations")
    assert code == 3
    assert "DIFFERS: Damm's check digit of 572\n  expected 4\n  got      5" in out
    assert "1 off" in err


@pytest.mark.parametrize(
    ("got", "agrees"), [((1.0005,), True), ((1.00051,), False), ((), False), ((1.0, 1.0), False)]
)
def test_a_figure_agrees_within_what_is_printed(got: tuple[float, ...], agrees: bool) -> None:
    one = Recomputed(what="it", expected=(1.0,), got=(), within=5e-4, source="somewhere")
    assert replace(one, got=got).agrees is agrees


def test_every_calculation_is_asked_for_a_figure() -> None:
    text = (PUBLISHED / "figures.toml").read_text(encoding="utf-8")
    assert all(f'calculation = "{name}"' in text for name in calculations.CALCULATIONS)
    assert len({each.what for each in recomputed()}) == text.count("[[figure]]")


def test_the_counts_that_ship_are_those_that_tests_know() -> None:
    known = Path(__file__).parent / "data" / "hickory_grafts_1923.csv"
    shipped = PUBLISHED / "hickory_grafts_1923.csv"
    assert shipped.read_bytes() == known.read_bytes()
