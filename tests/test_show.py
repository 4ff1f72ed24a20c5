"""One thing shown with what stands around it."""

import json
from collections.abc import Callable
from typing import Any

import pytest
from conftest import Filled
from test_asked import plant

Run = Callable[..., Any]


@pytest.fixture
def nursery(filled: Filled, run: Run, monkeypatch: pytest.MonkeyPatch) -> Run:
    url = filled(plant).url
    monkeypatch.setenv("SCIONREG_REGISTRY", url.render_as_string(hide_password=False))
    monkeypatch.setenv("SCIONREG_BY", "P01")
    return run


def around(nursery: Run, code: str) -> Any:
    """Return the context that is told of a code."""
    return json.loads(nursery("show", code, "--json").out)["context"]


def test_a_bundle_is_shown_with_its_source_its_lots_and_what_is_left(nursery: Run) -> None:
    told = around(nursery, "B1")
    assert (told["sources"][0]["tree"], told["sources"][0]["cultivar"]) == ("Old-2", "Tillowby")
    assert [(each["kind"], each["code"]) for each in told["made"]] == [
        ("graft_lots", "G25"),
        ("graft_lots", "G26"),
    ]
    assert told["left"] == 90 - 9 - 9
    assert "source: 100% Tillowby, tree Old-2, cut 2025-01-20 (C1)" in nursery("show", "B1").out


def test_a_rebundle_is_shown_with_its_parents(nursery: Run) -> None:
    for line in ("rebundle --bundle B9 --parent B1=4 --parent B2=5 --packed 2025-02-02",):
        assert nursery(*line.split()).code == 0
    told = around(nursery, "B9")
    assert {(each["code"], each["number"]) for each in told["parents"]} == {("B1", 4), ("B2", 5)}
    assert ("bundles", "B9") in [
        (each["kind"], each["code"]) for each in around(nursery, "B1")["made"]
    ]


def test_a_cutting_says_how_much_of_it_was_not_tied(nursery: Run) -> None:
    assert nursery("cut", "--collection", "C7", "--tree", "Old-2", "--sticks", "9").code == 0
    assert around(nursery, "C7")["left"] == 9
    assert around(nursery, "C1")["left"] == 0


def test_a_tree_in_a_row_is_shown_by_its_lot_and_by_its_place(nursery: Run) -> None:
    look = "check --check K1 --item H26/12 --date 2026-09-01 --method leaf --checked 1 --off 1"
    assert nursery(*look.split()).code == 0
    for typed in ("H26/12", "N1/2/12"):
        told = around(nursery, typed)
        assert told["stands"] == "H26"
        assert [each["dispatch"] for each in told["sent"]] == ["D1"]
        assert [each["check"] for each in told["looks"]] == ["K1"]
    assert around(nursery, "H26/19")["sent"] == []
    assert around(nursery, "H26/19")["looks"] == []
    assert around(nursery, "N1/1/4")["stands"] == "Again"


def test_a_customer_and_a_dispatch_are_shown_line_by_line(nursery: Run) -> None:
    for code in ("cu-1", "D1"):
        told = around(nursery, code)
        assert [(each["graft_lot"], each["trees"]) for each in told["lines"]] == [
            ("G26", 3),
            ("H26", 3),
        ]
    assert "CU-1: 6 trees in 2 lines" in nursery("show", "CU-1").out
    (line,) = around(nursery, "D1/H26")["lines"]
    assert line["sources"][0]["cultivar"] == "Pendrake"


def test_a_reserved_code_says_for_whom(nursery: Run) -> None:
    assert nursery("reserve", "bundles", "--for", "P01", "--season", "2026").code == 0
    assert "reserved for P01 and not used yet" in nursery("show", "b26 0002 5").err
    pack = "pack --bundle B26-0001-7 --collection C1 --sticks 0 --packed 2025-01-21"
    assert nursery(*pack.split()).code == 0
    assert around(nursery, "B26-0001-7")["reserved_for"] == "P01"


def test_what_speaks_against_its_use_is_told(nursery: Run) -> None:
    assert "hold" not in str(json.loads(nursery("show", "B1", "--json").out)["against"])
    held = "log --bundle B1 --time 2026-02-03T08:00 --event hold"
    assert nursery(*held.split()).code == 0
    assert "speaks against its use: B1 is on hold" in nursery("show", "B1").out
    assert "on hold" in str(json.loads(nursery("show", "G26", "--json").out)["against"])
