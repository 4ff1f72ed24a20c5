"""Which tree one stands at: probabilities against Monte Carlo, and what a person is told."""

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from nursery import add, furnish

from scionreg.api import Registry
from scionreg.entering.checking import Checker
from scionreg.geodesy.fixes import Fix, deviation, together
from scionreg.geodesy.ground import Plane
from scionreg.identity.where import Stand, cultivars_at, where
from scionreg.records.errors import Problem, ProblemsError
from scionreg.records.starting_values import PlaceValues
from scionreg.records.tables import fields
from scionreg.records.words import english
from scionreg.registry.store import Store

MIDDLE = (36.4, -95.8)
PLANE = Plane(*MIDDLE)


def orchard(accuracies: list[float | None]) -> list[Stand]:
    """Return trees of two cultivars every 6 m on a line, the first in the middle."""
    stands = []
    for number, accuracy in enumerate(accuracies):
        latitude, longitude = PLANE.degrees((6.0 * number, 0.0))
        place = Fix(float(latitude), float(longitude), accuracy)
        stands.append(Stand(f"T{number}", "AB"[number % 2], place))
    return stands


def test_probabilities_are_those_of_many_fixes_drawn() -> None:
    """Somebody stands at a tree or at a place nobody recorded; of the fixes that came out here."""
    dice = np.random.default_rng(11)
    own = [0.5, 3.0, 1.0, 4.0]
    stands, values = orchard(own), PlaceValues(unrecorded_per_ha=100)
    here, accuracy, near = np.array([4.0, 2.0]), 6.0, 0.6
    # Places that nobody recorded: 36 on 0.36 ha about here. Each is as likely as a tree.
    draws, side = 3_000_000, 60.0
    what = dice.integers(0, len(own) + 36, draws)
    at = np.where(
        (what < len(own))[:, None],
        np.stack([6.0 * what, np.zeros(draws)], axis=1),
        here + dice.uniform(-side / 2, side / 2, (draws, 2)),
    )
    spread = np.where(
        what < len(own),
        together(accuracy, np.array([*own, 0.0])[np.minimum(what, 4)]),
        deviation(accuracy),
    )
    fixes = at + dice.normal(0, 1, (draws, 2)) * spread[:, None]
    hits = what[np.hypot(*(fixes - here).T) < near]
    latitude, longitude = PLANE.degrees(here)
    found = where(Fix(float(latitude), float(longitude), accuracy), stands, values)
    share = {each.tree: each.probability for each in found.trees}
    tolerance = 4 * (0.25 / len(hits)) ** 0.5
    assert len(hits) > 1_000
    for number in range(len(own)):
        drawn = (hits == number).mean()
        assert share.get(f"T{number}", 0.0) == pytest.approx(drawn, abs=tolerance)
    assert found.none_of_these == pytest.approx((hits >= len(own)).mean(), abs=tolerance)


def test_probabilities_sum_to_one_and_cultivars_are_those_of_their_trees() -> None:
    found = where(Fix(*MIDDLE, 20), orchard([2.0] * 60))
    listed = sum(each.probability for each in found.trees)
    assert listed + found.others + found.none_of_these == pytest.approx(1)
    assert found.others > 0
    assert found.mixed
    assert [each.probability for each in found.trees] == sorted(
        (each.probability for each in found.trees), reverse=True
    )
    summed = {
        name: sum(each.probability for each in found.trees if each.cultivar == name)
        for name in "AB"
    }
    assert dict(found.cultivars) == pytest.approx(summed, abs=found.others)


@given(
    st.lists(
        st.tuples(
            st.floats(-80, 80),
            st.floats(-80, 80),
            st.none() | st.floats(0.1, 30),
            st.sampled_from("ABC"),
        ),
        max_size=15,
    ),
    st.lists(
        st.tuples(st.floats(-90, 90), st.floats(-90, 90), st.none() | st.floats(0.1, 30)),
        max_size=6,
    ),
    st.floats(0.01, 500),
)
def test_many_fixes_at_once_allow_the_cultivars_that_each_does_alone(
    trees: list[tuple[float, float, float | None, str]],
    fixes: list[tuple[float, float, float | None]],
    unrecorded: float,
) -> None:
    def fix(east: float, north: float, accuracy: float | None) -> Fix:
        latitude, longitude = PLANE.degrees((east, north))
        return Fix(float(latitude), float(longitude), accuracy)

    stands = [Stand(f"T{n}", cultivar, fix(*at)) for n, (*at, cultivar) in enumerate(trees)]
    values = PlaceValues(unrecorded_per_ha=unrecorded)
    asked = [fix(*each) for each in fixes]
    together_found = cultivars_at(asked, stands, values)
    assert len(together_found) == len(asked)
    for each, found in zip(asked, together_found, strict=True):
        alone = where(each, stands, values).cultivars
        assert dict(found) == pytest.approx(dict(alone), abs=1e-6)
        assert [chance for _, chance in found] == sorted((c for _, c in found), reverse=True)


def test_far_from_everything_it_is_none_of_these() -> None:
    for stands in (orchard([1.0, 1.0]), []):
        found = where(Fix(10.0, 10.0, 5.0), stands)
        assert (found.trees, found.cultivars, found.none_of_these) == ((), (), 1.0)


def test_a_sharp_fix_names_one_tree_and_a_private_one_is_not_measured() -> None:
    stands = [each._replace(private=True) for each in orchard([0.2, 0.2])]
    found = where(Fix(*MIDDLE, 0.5), stands)
    assert [(each.tree, each.metres) for each in found.trees] == [("T0", None)]
    assert found.trees[0].probability > 0.99
    assert not found.mixed
    assert found.to_frame()["tree"].tolist() == ["T0"]


# On a registry


@pytest.fixture
def planted(store: Store) -> Store:
    """The small nursery with a tree of each cultivar 5 m apart, and one that is dead between."""
    furnish(store)
    for tree, cultivar, east, status in (
        ("North-1", "Fernhill", 0.0, "usable"),
        ("North-2", "Oldgate", 5.0, "usable"),
        ("Stump", "Oldgate", 0.5, "dead"),
    ):
        latitude, longitude = PLANE.degrees((east, 0.0))
        place = {"latitude": round(float(latitude), 7), "longitude": round(float(longitude), 7)}
        add(store, "mother_trees", tree=tree, cultivar=cultivar, status=status, **place)
    return store


def cut(registry: Registry, tree: str, east: float | None, accuracy: float) -> list[str]:
    """Record a cutting with a fix and return its warnings about it."""
    fix: dict[str, Any] = {}
    if east is not None:
        latitude, longitude = (float(each) for each in PLANE.degrees((east, 0.0)))
        fix = {"latitude": latitude, "longitude": longitude, "accuracy_m": accuracy}
    made = registry.record(
        "collections", recorder="P01", tree=tree, date="2026-02-01", sticks=10, **fix
    )
    return [str(each) for each in made.warnings if each.rule == "fix_allows_another_cultivar"]


def test_a_cutting_between_two_cultivars_warns_and_one_well_away_does_not(planted: Store) -> None:
    registry = Registry(planted)
    (warning,) = cut(registry, "North-1", 2.5, 4.0)
    assert "allows another cultivar than Fernhill of North-1: Oldgate 48 %" in warning
    assert cut(registry, "North-1", -12.0, 1.0) == []
    assert cut(registry, "North-1", None, 1.0) == []
    assert cut(registry, "T26-0001-7", 5.0, 1.0) == []  # its own place is not known


def test_cuttings_from_a_file_are_told_the_same(planted: Store, tmp_path: Path) -> None:
    registry = Registry(planted)
    spots = (("Cut-1", "North-1", 2.5), ("Cut-2", "North-1", -12.0), ("Cut-3", "North-2", 3.0))
    lines = ["collection,tree,date,sticks,latitude,longitude,accuracy_m"]
    for code, tree, east in spots:
        latitude, longitude = (float(each) for each in PLANE.degrees((east, 0.0)))
        lines.append(f"{code},{tree},2026-02-02,10,{latitude},{longitude},4")
    lines.append("Cut-4,North-1,2026-02-02,10,,,")
    file = tmp_path / "collections.csv"
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")

    def doubts(*, dry_run: bool = False) -> list[Problem]:
        done = registry.import_files(file, dry_run=dry_run, recorder="P01")
        return [each for each in done.problems if each.rule == "fix_allows_another_cultivar"]

    tried, told, again = doubts(dry_run=True), doubts(), doubts()
    assert [(each.key, each.line) for each in told] == [("Cut-1", 2), ("Cut-3", 4)]
    assert tried == told
    assert again == []
    (recorded,) = cut(registry, "North-1", 2.5, 4.0)
    assert recorded.split("the fix")[1] == str(told[0]).split("the fix")[1]


def test_fixes_are_judged_among_sound_records_only(planted: Store, tmp_path: Path) -> None:
    """Half a fix of a tree would be no place to measure from."""
    latitude, longitude = (f"{float(each)}" for each in PLANE.degrees((2.5, 0.0)))
    trees = tmp_path / "mother_trees.csv"
    trees.write_text(f"tree,cultivar,latitude,longitude\nHalf,Oldgate,{latitude},\n")
    cuttings = tmp_path / "collections.csv"
    cuttings.write_text(
        "collection,tree,date,sticks,latitude,longitude\n"
        f"Cut-1,North-1,2026-02-02,10,{latitude},{longitude}\n"
    )
    with pytest.raises(ProblemsError) as refused:
        Registry(planted).import_files(trees, cuttings, recorder="P01")
    assert [each.rule for each in refused.value.problems] == ["half_a_fix"]


def test_cuttings_from_a_typed_sheet_are_told_the_same(planted: Store) -> None:
    registry = Registry(planted)
    latitude, longitude = (f"{float(each)}" for each in PLANE.degrees((2.5, 0.0)))
    typed = {"tree": "North-1", "date": "2026-02-01", "sticks": "10", "accuracy_m": "4"}
    typed |= {"latitude": latitude, "longitude": longitude}
    checker = Checker(
        registry.store, "collections", fields("collections"), by="P01", words=english()
    )
    (told,) = checker.judge([(7, typed)]).problems
    assert (told.rule, told.line) == ("fix_allows_another_cultivar", 7)
    (recorded,) = cut(registry, "North-1", 2.5, 4.0)
    assert recorded.split("the fix")[1] == str(told).split("the fix")[1]


def test_the_fix_of_a_cutting_does_not_move_its_tree(planted: Store) -> None:
    registry = Registry(planted)
    before = registry.where(*MIDDLE, 3.0)
    cut(registry, "North-1", 2.0, 0.5)
    assert registry.where(*MIDDLE, 3.0) == before
    assert {each.tree for each in before.trees} == {"North-1", "North-2"}


def test_where_on_the_command_line(run: Callable[..., Any], demo: str) -> None:
    at = ("36.41848", "-95.770964", "--registry", demo)
    said = run("where", *at, "--accuracy", "5")
    assert said.code == 3
    assert "2 cultivars are possible here (Quarrow" in said.err
    assert "none of these" in said.out
    found = json.loads(run("where", *at, "--json").out)
    assert found["trees"][0]["cultivar"] == "Quarrow"
    rows = list(csv.DictReader(io.StringIO(run("where", *at, "--csv").out)))
    assert rows[0]["tree"] == found["trees"][0]["tree"]
    sharp = run("where", "36.418709", "-95.770968", "--accuracy", "1", "--registry", demo)
    assert sharp.code == 0
    assert "read the tag as well" in sharp.err
    wide = run("where", *at, "--accuracy", "60")
    assert "another tree" in wide.out


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("95", "0"), "95.0 0.0 is no place"),
        (("nan", "0"), "is no place"),
        (("36", "-95", "--accuracy", "0"), "0.0 is no accuracy"),
        (("36", "-95", "--accuracy", "nan"), "nan is no accuracy"),
    ],
)
def test_what_is_no_fix_is_refused(
    run: Callable[..., Any], demo: str, words: tuple[str, ...], says: str
) -> None:
    said = run("where", *words, "--registry", demo)
    assert said.code == 1
    assert says in said.err


def test_private_trees_are_named_without_a_distance(run: Callable[..., Any], demo: str) -> None:
    with Registry.open(demo) as registry:
        private = next(registry.records("mother_trees", location_private=True))
    said = run(
        "where", str(private["latitude"]), str(private["longitude"]), "--accuracy", "2",
        "--registry", demo,
    )  # fmt: skip
    line = next(each for each in said.out.splitlines() if private["tree"] in each)
    assert line.endswith("private")
