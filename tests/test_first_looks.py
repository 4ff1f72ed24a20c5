"""Which mother trees to look at first: the sticks that a look protects."""

import csv
import json
from collections.abc import Callable

import pytest

from scionreg.identity.first_looks import doubt, first_looks
from scionreg.records.starting_values import IdentityValues
from scionreg.records.vocabulary import IdentityStatus


def test_a_look_that_agrees_leaves_what_it_would_miss() -> None:
    """By Bayes' rule, reckoned by hand: a leaf look misses 30 % of the 2 %."""
    values = IdentityValues()
    assert doubt(IdentityStatus.NAMED_ONLY, 0.02, values) == pytest.approx(0.02)
    assert doubt(IdentityStatus.ON_PAPER, 0.02, values) == pytest.approx(0.02)
    left = 0.02 * 0.3
    assert doubt(IdentityStatus.FIELD_CHECKED, 0.02, values) == pytest.approx(left / (left + 0.98))
    rungs = list(IdentityStatus)[1:6]
    doubts = [doubt(rung, 0.02, values) for rung in rungs]
    assert doubts == sorted(doubts, reverse=True)


def test_the_trees_that_most_sticks_hang_on_come_first() -> None:
    wanted = [
        ("A", "Ostra", IdentityStatus.FINGERPRINT_AGREES, 500.0),
        ("B", "Ostra", IdentityStatus.NAMED_ONLY, 40.0),
        ("C", "Velm", IdentityStatus.FIELD_CHECKED, 200.0),
        ("D", "Velm", IdentityStatus.NAMED_ONLY, 90.0),
    ]
    found = first_looks(wanted, 3, 0.02)
    assert [each.tree for each in found] == ["D", "C", "B"]
    assert found[0].at_risk == pytest.approx(90 * 0.02)
    assert first_looks(wanted, 0, 0.02) == ()


def test_a_plan_names_them_where_it_is_asked(
    demo: str, run: Callable[..., tuple[int, str, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SCIONREG_REGISTRY", demo)
    options = ("plan", "--season", "2027", "--seconds", "3", "--trees", "Oldenfarl=60")
    found = json.loads(run(*options, "--check-first", "2", "--json")[1])
    planned = {row["tree"] for row in csv.DictReader(run(*options, "--csv")[1].splitlines())}
    named = [each["tree"] for each in found["check_first"]]
    assert named[0] == "Old-2", "nothing but its name is recorded"
    assert len(named) == 2
    assert set(named) <= planned
    told = run(*options, "--check-first", "2")[1]
    assert "Trees to look at first" in told
    assert "Trees to look at first" not in run(*options)[1]
