"""Records picked out by what they are of, when, where and for whom."""

import json
from collections.abc import Callable
from typing import Any

import pytest
from conftest import Filled, fill_by

from scionreg.registry.store import Store

Run = Callable[..., Any]


def plant(store: Store) -> None:
    """Record wood of two cultivars, one under an alias, one bundle mixed and one from outside."""
    lines = (
        "add person --person P01",
        "add cultivar --cultivar Tillowby --species Carya --aliases Tilly",
        "add cultivar --cultivar Pendrake --species Carya",
        "add block --block N1",
        "add store --store Cooler-1",
        "add tree --tree Old-1 --cultivar Tilly",
        "add tree --tree Old-2 --cultivar Pendrake",
        "cut --collection C1 --tree Old-1 --date 2026-01-20 --sticks 40",
        "cut --collection C2 --tree Old-2 --date 2026-01-21 --sticks 40",
        "pack --bundle B1 --collection C1 --sticks 40 --packed 2026-01-20 --store Cooler-1",
        "pack --bundle B2 --collection C2 --sticks 40 --packed 2026-01-21",
        "pack --bundle B3 --received-from SU-1 --cultivar Tillowby --sticks 9 --packed 2026-02-01",
        "rebundle --bundle B4 --parent B1=4 --parent B2=4 --packed 2026-02-02",
        "log --bundle B1 --time 2026-02-03T23:30 --event checked --sticks 36",
        "graft --graft-lot G1 --bundle B4 --date 2026-03-10 --grafter P01 --method whip "
        "--grafts 8 --block N1 --row 1 --first 1 --last 8",
        "graft --graft-lot G2 --bundle B2 --date 2026-03-11 --grafter P01 --method whip "
        "--grafts 8 --block N1 --row 2 --first 1 --last 8",
        "graft --graft-lot G3 --bundle B1 --date 2026-05-11 --grafter P01 --method whip "
        "--grafts 2 --block N1 --row 2 --first 1 --last 2 --regraft-of G2",
        "graft --graft-lot G4 --bundle B3 --date 2026-03-10 --grafter P01 --method whip --grafts 2",
        "log --bundle B1 --time 2026-06-03T08:00 --event hold",
        "count --graft-lot G2 --date 2026-06-01 --pushing 6",
        "check --check K1 --item G1/3 --date 2026-06-01 --method leaf --checked 1 --off 0",
        "dispatch --dispatch D1 --graft-lot G1 --date 2026-11-10 --customer CU-1 --trees 3",
        "dispatch --dispatch D2 --graft-lot G2 --date 2026-11-11 --customer CU-2 --trees 3",
    )
    fill_by(store, [line.split() for line in lines])


@pytest.fixture
def nursery(filled: Filled, run: Run, monkeypatch: pytest.MonkeyPatch) -> Run:
    url = filled(plant).url
    monkeypatch.setenv("SCIONREG_REGISTRY", url.render_as_string(hide_password=False))
    return run


@pytest.mark.parametrize(
    ("words", "codes"),
    [
        ("trees --cultivar tillowby", ["Old-1"]),
        ("trees --where cultivar=TILLY", ["Old-1"]),
        ("collections --where date=21-Jan-2026", ["C2"]),
        ("collections --cultivar Tilly", ["C1"]),
        ("bundles --cultivar Tillowby", ["B1", "B3", "B4"]),
        ("bundles --where cultivar=pendrake", ["B2", "B4"]),
        ("bundles --where cultivar!=Pendrake", ["B1", "B3"]),
        ("graft_lots --cultivar Tillowby", ["G1", "G3", "G4"]),
        ("dispatches --cultivar Pendrake", ["D1", "D2"]),
        ("take_counts --cultivar Pendrake", ["G2"]),
        ("bundle_log --cultivar Tillowby", ["B1", "B1"]),
        ("identity_checks --cultivar Pendrake", ["K1"]),
        ("graft_lots --where regraft_of!=", ["G3"]),
        ("graft_lots --where regraft_of=", ["G1", "G2", "G4"]),
        ("bundles --where store=", ["B2", "B3", "B4"]),
        ("bundles --where store=cooler-1", ["B1"]),
        ("bundles --where store!=Cooler-1", ["B2", "B3", "B4"]),
        ("bundles --from 2026-01-21 --to 2026-02-01", ["B2", "B3"]),
        ("bundle_log --from 2026-02-03 --to 2026-02-03", ["B1"]),
        ("bundle_log --from 2026-06-04", []),
        ("dispatches --customer cu-2", ["D2"]),
        ("graft_lots --block n1 --row 2", ["G2", "G3"]),
        ("dispatches --block N1 --row 1", ["D1"]),
        ("take_counts --block N1 --row 1", []),
        ("bundles --outside", ["B3"]),
        ("graft_lots --outside", ["G4"]),
        ("graft_lots --outside --cultivar Pendrake", []),
        ("graft_lots --against", ["G1", "G3"]),
        ("dispatches --against", ["D1"]),
    ],
)
def test_lists_are_of_a_cultivar_some_days_a_customer_and_a_place(
    nursery: Run, words: str, codes: list[str]
) -> None:
    said = nursery("list", *words.split(), "--json")
    found = json.loads(said.out)
    assert [next(iter(row.values())) for row in found] == codes
    assert nursery("list", *words.split(), "--count").out.strip() == str(len(codes))


def test_a_list_tells_what_the_wood_is(nursery: Run) -> None:
    (lot,) = json.loads(nursery("list", "graft_lots", "--row", "1", "--json").out)
    assert (lot["cultivars"], lot["source_trees"]) == (["Pendrake", "Tillowby"], ["Old-1", "Old-2"])
    said = nursery("list", "dispatches", "--customer", "CU-2")
    assert said.out.splitlines()[1].split()[-2:] == ["Pendrake", "Old-2"]


def test_a_list_tells_who_wood_from_outside_came_from_and_what_speaks_against_wood(
    nursery: Run,
) -> None:
    (lot,) = json.loads(nursery("list", "graft_lots", "--outside", "--json").out)
    assert (lot["sources_outside"], lot["source_trees"]) == (["SU-1"], [])
    against = json.loads(nursery("list", "bundles", "--against", "--json").out)
    held = {each["bundle"] for each in against if "on hold" in str(each["against"])}
    assert held == {"B1", "B4"}
    named = json.loads(nursery("list", "cultivars", "--json").out)
    assert [(each["cultivar"], each["mother_trees"]) for each in named] == [
        ("Tillowby", 1),
        ("Pendrake", 1),
    ]


def test_an_empty_list_says_what_there_is_none_of(nursery: Run) -> None:
    words = ("bundles", "--cultivar", "Pendrake", "--from", "2030-01-01")
    said = nursery("list", *words)
    assert (said.out, said.err.strip()) == (
        "",
        "no bundles of Pendrake from 2030-01-01 to now",
    )
    assert json.loads(nursery("list", *words, "--json").out) == []


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ("bundles --cultivar Tillowbie", "did you mean Tillowby?"),
        ("stores --cultivar Tillowby", "stores are of no cultivar"),
        ("people --from 2026-01-01", "people have no day"),
        ("bundles --customer CU-1", "bundles go to no customer"),
        ("bundles --row 1", "bundles have no place in a row"),
        ("bundles --from 2026-02-01 --to 2026-01-01", "before it begins"),
        ("stores --against", "stores are not judged"),
        ("trees --outside", "mother trees are of no wood from outside"),
        ("bundles --where colour=", "have no column 'colour'; there are: bundle"),
    ],
)
def test_what_records_do_not_have_is_said(nursery: Run, words: str, says: str) -> None:
    said = nursery("list", *words.split())
    assert said.code == 1
    assert says in said.err


def test_blocks_with_an_outline_are_listed_as_csv(run: Run, demo: str) -> None:
    said = run("list", "blocks", "--csv", "--registry", demo)
    assert said.out.startswith("block,kind,row_spacing_m,tree_spacing_m,counted_from")
    assert len(said.out.splitlines()) == 9
