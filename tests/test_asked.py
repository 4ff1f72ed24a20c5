"""What people type for a code: any case, a place, a customer, a line of a dispatch."""

import json
from collections.abc import Callable
from typing import Any

import pytest
from conftest import Filled, fill_by

from scionreg.api import Registry
from scionreg.lineage.asked import CUSTOMERS
from scionreg.records.errors import NotFoundError, RegistryError
from scionreg.registry.store import Store

Run = Callable[..., Any]


def plant(store: Store) -> None:
    """Record two seasons in the same row, a regraft, and a dispatch of two cultivars."""
    lines = (
        "add person --person P01",
        "add cultivar --cultivar Tillowby --species Carya --aliases Tilly",
        "add cultivar --cultivar Pendrake --species Carya",
        "add block --block N1",
        "add block --block PB",
        "add tree --tree Old-1 --cultivar Tilly --block PB --row 1 --position 1 --status dead "
        "--planted 1990-01-01",
        "add tree --tree Old-2 --cultivar Tillowby --block PB --row 1 --position 1 "
        "--planted 2001-01-01",
        "add tree --tree Old-3 --cultivar Pendrake",
        "cut --collection C1 --tree Old-2 --date 2025-01-20 --sticks 90",
        "cut --collection C2 --tree Old-3 --date 2025-01-20 --sticks 90",
        "pack --bundle B1 --collection C1 --sticks 90 --packed 2025-01-20",
        "pack --bundle B2 --collection C2 --sticks 90 --packed 2025-01-20",
        "pack --bundle b1 --collection C1 --sticks 0 --packed 2025-01-20",
        "graft --graft-lot G25 --bundle B1 --date 2025-03-10 --grafter P01 --method whip "
        "--grafts 9 --block N1 --row 1 --first 1 --last 9",
        "graft --graft-lot G26 --bundle B1 --date 2026-03-10 --grafter P01 --method whip "
        "--grafts 9 --block N1 --row 1 --first 1 --last 9",
        "graft --graft-lot Again --bundle B2 --date 2026-05-10 --grafter P01 --method whip "
        "--grafts 2 --block N1 --row 1 --first 4 --last 5 --regraft-of G26",
        "graft --graft-lot H26 --bundle B2 --date 2026-03-10 --grafter P01 --method whip "
        "--grafts 9 --block N1 --row 2 --first 11 --last 19",
        "dispatch --dispatch D1 --graft-lot G26 --date 2026-11-10 --customer CU-1 --trees 3 "
        "--first 1 --last 3 --label-cultivar Tillowby",
        "dispatch --dispatch D1 --graft-lot H26 --date 2026-11-10 --customer CU-1 --trees 3 "
        "--first 11 --last 13 --label-cultivar Pendrake",
    )
    fill_by(store, [line.split() for line in lines])


@pytest.fixture
def registry(filled: Filled) -> Registry:
    return Registry(filled(plant))


@pytest.mark.parametrize(
    ("typed", "kind", "code"),
    [
        ("g26/3", "graft_lots", "G26/3"),
        ("OLD-2", "mother_trees", "Old-2"),
        ("B1", "bundles", "B1"),
        ("b1", "bundles", "b1"),
        ("pendrake", "cultivars", "Pendrake"),
        ("tilly", "cultivars", "Tillowby"),
        ("n1/1/2", "graft_lots", "G26/2"),
        ("N1/1/4", "graft_lots", "G26/4"),
        ("PB/1/1", "mother_trees", "Old-2"),
        ("d1/12", "graft_lots", "H26/12"),
        ("D1/h26", "dispatches", "D1/H26"),
        ("cu-1", CUSTOMERS, "D1"),
    ],
)
def test_what_is_typed_is_found_in_any_case_by_code_place_customer_and_line(
    registry: Registry, typed: str, kind: str, code: str
) -> None:
    found = registry.asked(typed)
    assert (found.kind, found.codes) == (kind, (code,))


def test_an_issued_code_typed_small_is_written_as_it_is(registry: Registry) -> None:
    assert registry.asked("g26 0417 7/3").codes == ("G26-0417-7/3",)


def test_what_stood_at_a_place_before_is_named(registry: Registry) -> None:
    assert registry.asked("N1/1/2").others == ("G25/2",)
    assert registry.asked("N1/1/4").others == ("G25/4",)
    assert registry.asked("PB/1/1").others == ("Old-1",)


@pytest.mark.parametrize(
    ("typed", "error", "says"),
    [
        ("N1/3/1", NotFoundError, "no mother tree and no graft lot"),
        ("N9/1/1", NotFoundError, "the blocks are N1, PB"),
        ("N1/0/1", NotFoundError, "block/row/position"),
        ("D1/9", NotFoundError, "no line holds position 9"),
        ("Old-9", NotFoundError, "did you mean Old-"),
    ],
)
def test_what_is_not_there_is_said_with_what_would_be_right(
    registry: Registry, typed: str, error: type[Exception], says: str
) -> None:
    with pytest.raises(error, match=says):
        registry.asked(typed)


def test_a_code_that_differs_from_two_by_its_case_is_not_guessed(registry: Registry) -> None:
    registry.record("people", recorder="P01", person="p01")
    registry.record("people", recorder="P01", person="PX1")
    assert registry.asked("px1").codes == ("PX1",)
    registry.record("people", recorder="P01", person="pX1")
    with pytest.raises(RegistryError, match="may be person PX1, person pX1"):
        registry.asked("Px1")


def test_each_line_of_a_dispatch_has_the_source_of_its_own_trees(registry: Registry) -> None:
    lines = registry.trace_lines("D1")
    assert [(each.line.graft_lot, each.trace.grade) for each in lines] == [
        ("G26", "certain"),
        ("H26", "certain"),
    ]
    assert [each.trace.sources[0].cultivar for each in lines] == ["Tillowby", "Pendrake"]
    assert registry.trace("D1/H26").sources[0].tree == "Old-3"


@pytest.fixture
def commands(filled: Filled, run: Run, monkeypatch: pytest.MonkeyPatch) -> Run:
    url = filled(plant).url
    monkeypatch.setenv("SCIONREG_REGISTRY", url.render_as_string(hide_password=False))
    return run


def test_trace_of_a_customer_tells_every_line(commands: Run) -> None:
    said = commands("trace", "cu-1", "--json")
    told = json.loads(said.out)
    assert (told["kind"], [line["graft_lot"] for line in told["lines"]]) == (
        CUSTOMERS,
        ["G26", "H26"],
    )
    assert "3 trees from positions 11 to 13 sold as Pendrake: certain" in (
        commands("trace", "CU-1").out
    )


def test_recall_offtype_and_label_take_places_and_refuse_what_is_several(
    commands: Run, tmp_path: Any
) -> None:
    assert '"code": "G26/4"' in commands("recall", "N1/1/4", "--json").out
    assert [
        line["dispatch"]
        for line in json.loads(commands("recall", "CU-1", "--json").out)["dispatches"]
    ] == ["D1", "D1"]
    assert json.loads(commands("offtype", "n1/1/4", "--json").out)["code"] == "Again/4"
    said = commands("label", "n1/1/4", "--csv")
    assert (said.code, "Again/4" in said.out or "G26/4" in said.out) == (0, True)
    for command in ("recall", "offtype"):
        assert "line of a dispatch" in commands(command, "D1/H26").err
    assert "name one of the dispatches: D1" in commands("offtype", "CU-1").err
