"""Why lots took poorly: planted causes named, innocents left alone, doubt said."""

import csv
import json
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import sparse
from scipy.special import expit

from benchmarks.take_causes import CAUSES, asked_of, draw_registry, is_right, lowest
from scionreg.api import Registry
from scionreg.records.errors import RegistryError
from scionreg.records.starting_values import CauseValues
from scionreg.take.candidates import find_candidates
from scionreg.take.evidence import Ground, Part, covariance_of, ground_of
from scionreg.take.verdict import grafts_needed
from scionreg.take.why import why_poor

Run = Callable[..., tuple[int, str, str]]
ROOT = Path(__file__).parent.parent


# The evidence, against plainer ways to reckon it


def a_ground(seed: int, lots: int = 12) -> Ground:
    rng = np.random.default_rng(seed)
    grafts = rng.integers(5, 40, lots).astype(float)
    levels = rng.integers(4, size=lots)
    shares = np.eye(4)[levels]
    parts = [Part("tree", shares, 0.5, 0.5), Part("lot", np.eye(lots), 0.3, 0.5)]
    taken = rng.binomial(grafts.astype(int), expit(rng.normal(0.8, 0.7, lots))).astype(float)
    return Ground(taken, grafts, np.full(lots, 0.9), covariance_of(parts, [0.5, 0.3]))


def log_joint(ground: Ground, logits: np.ndarray) -> float:
    far = logits - ground.mean
    inverse = np.linalg.inv(ground.covariance)
    _, size = np.linalg.slogdet(2 * np.pi * ground.covariance)
    fits = ground.taken * logits - ground.grafts * np.logaddexp(0, logits)
    return float(fits.sum() - far @ inverse @ far / 2 - size / 2)


@pytest.mark.parametrize("seed", range(5))
def test_the_evidence_is_laplaces_by_its_definition(seed: int) -> None:
    ground = a_ground(seed)
    logits = ground.mode.logits
    slope = ground.taken - ground.grafts * expit(logits)
    pull = np.linalg.solve(ground.covariance, logits - ground.mean)
    assert slope == pytest.approx(pull, abs=1e-4)
    chance = expit(logits)
    bend = np.linalg.inv(ground.covariance) + np.diag(ground.grafts * chance * (1 - chance))
    _, size = np.linalg.slogdet(bend / (2 * np.pi))
    assert ground.mode.log_evidence == pytest.approx(log_joint(ground, logits) - size / 2, abs=1e-5)


def test_the_evidence_of_one_lot_is_near_its_integral() -> None:
    ground = Ground(np.array([9.0]), np.array([25.0]), np.array([0.9]), np.array([[0.4]]))
    at = np.linspace(-6, 8, 20001)
    heights = [log_joint(ground, np.array([each])) for each in at]
    whole = np.log(np.trapezoid(np.exp(heights), at))
    assert ground.mode.log_evidence == pytest.approx(whole, abs=0.01)


@pytest.mark.parametrize("seed", range(5))
def test_the_precision_and_the_shift_are_those_of_normal_counts(seed: int) -> None:
    ground = a_ground(seed)
    whole = ground.covariance + np.diag(1 / ground.mode.weight)
    assert ground.precision == pytest.approx(np.linalg.inv(whole), abs=1e-8)
    lots = np.zeros(12)
    lots[:4] = 1
    moved = ground.shifted(lots, -1.2, 0.8)
    assert moved.covariance == pytest.approx(ground.covariance + 0.64 * np.outer(lots, lots))
    exact = moved.mode.log_evidence - ground.mode.log_evidence
    quick = ground.screen(sparse.csc_array(lots[:, None]), -1.2, 0.8)[0]
    assert quick == pytest.approx(exact, abs=0.5)


def test_many_grafts_make_the_quick_factor_exact() -> None:
    grafts = np.full(6, 1e6)
    ground = Ground(grafts * 0.7, grafts, np.full(6, 0.8), np.eye(6) * 0.01 + 0.02)
    lots = np.array([1.0, 1, 0, 0, 0, 0])
    moved = ground.shifted(lots, -0.1, 0.1)
    exact = moved.mode.log_evidence - ground.mode.log_evidence
    quick = ground.screen(sparse.csc_array(lots[:, None]), -0.1, 0.1)[0]
    assert quick == pytest.approx(exact, abs=1e-3)


def test_spread_stays_near_its_natural_value() -> None:
    rng = np.random.default_rng(3)
    hands = np.arange(60) % 5
    bad = np.where(hands == 0, -2.5, 0.0)
    grafts = np.full(60, 30.0)
    taken = rng.binomial(30, expit(0.9 + bad)).astype(float)
    parts = [
        Part("hand", np.eye(5)[hands], 0.25, 0.15),
        Part("lot", sparse.csr_array(np.eye(60)), 0.2, 0.5),
    ]
    _, sds = ground_of(taken, grafts, np.full(60, 0.9), parts)
    assert 0.25 < sds["hand"] < 0.5  # one bad hand of five stays a bad hand


# Planted causes


@pytest.mark.parametrize("seed", range(14))
def test_a_planted_cause_comes_first_and_no_wrong_one_is_named(seed: int) -> None:
    cause = CAUSES[seed % len(CAUSES)]
    drawn = draw_registry(seed, cause, 1.3)
    if cause == "none":
        for number in (1, 4):
            found = why_poor(drawn.worked, lowest(drawn, number), spells=drawn.spells)
            assert found.verdict != "cause"
    else:
        found = why_poor(drawn.worked, asked_of(drawn, seed), spells=drawn.spells)
        assert is_right(found, drawn)


@pytest.mark.parametrize("seed", [1, 8])
def test_what_goes_together_is_tied_with_the_work_that_would_part_it(seed: int) -> None:
    drawn = draw_registry(seed, "none", 0.0, tied=True)
    worked = drawn.worked
    struck = worked.lots["grafter"].eq("P0").to_numpy()
    counts = worked.counts.copy()
    counts.loc[struck, "pushing"] = (counts.loc[struck, "pushing"] * 0.2).round()
    worked = type(worked)(worked.lots, worked.sources, counts)
    found = why_poor(worked, list(worked.lots["graft_lot"][struck]), spells=drawn.spells)
    assert found.verdict == "tied"
    assert {cause.factor for cause in found.tied[0]} >= {"grafter", "mother_tree"}
    assert "the other way round" in found.separate[0]
    assert found.needed is not None


def test_a_lot_like_the_others_has_no_shortfall() -> None:
    drawn = draw_registry(6, "none", 0.0)
    counts = drawn.worked.counts
    grafts = drawn.worked.lots["grafts"]
    best = int((counts["pushing"] / grafts).idxmax())
    found = why_poor(drawn.worked, [drawn.worked.lots["graft_lot"][best]], spells=drawn.spells)
    assert found.verdict == "no_shortfall"
    assert found.causes == ()


def test_lots_that_were_never_counted_are_refused() -> None:
    drawn = draw_registry(6, "none", 0.0)
    with pytest.raises(RegistryError, match="no graft lot is recorded under G999"):
        why_poor(drawn.worked, ["G999"])
    bare = type(drawn.worked)(drawn.worked.lots, drawn.worked.sources, drawn.worked.counts[:0])
    with pytest.raises(RegistryError, match="has a take count"):
        why_poor(bare, ["G001"])


@pytest.mark.parametrize("gone", ["row", "block"])
def test_lots_that_stand_in_no_row_are_weighed_without_the_ground(gone: str) -> None:
    drawn = draw_registry(4, "mother_tree", 1.3)
    worked = drawn.worked
    bare = type(worked)(worked.lots.assign(**{gone: None}), worked.sources, worked.counts)
    found = why_poor(bare, asked_of(drawn, 4), spells=drawn.spells)
    assert found.causes[0].factor == "mother_tree"
    assert "row" not in {cause.factor for cause in found.causes}


@settings(deadline=None, max_examples=5)
@given(st.randoms(use_true_random=False))
def test_the_order_of_the_records_changes_nothing(shuffle: object) -> None:
    drawn = draw_registry(4, "mother_tree", 1.3)
    worked = drawn.worked
    order = list(range(len(worked.lots)))
    shuffle.shuffle(order)  # type: ignore[attr-defined]
    place = {old: new for new, old in enumerate(order)}
    moved = type(worked)(
        worked.lots.iloc[order].reset_index(drop=True),
        worked.sources.assign(lot=worked.sources["lot"].map(place)),
        worked.counts.assign(lot=worked.counts["lot"].map(place)),
    )
    spells = drawn.spells.assign(lot=drawn.spells["lot"].map(place))
    asked = asked_of(drawn, 4)
    one = why_poor(worked, asked, spells=drawn.spells)
    other = why_poor(moved, asked, spells=spells)
    assert one.verdict == other.verdict
    assert one.causes[0].item == other.causes[0].item
    assert one.causes[0].p_low == pytest.approx(other.causes[0].p_low, abs=1e-3)


# Candidates


def test_runs_are_short_and_near_and_pairs_occur_apart() -> None:
    drawn = draw_registry(2, "none", 0.0)
    lots = np.arange(len(drawn.worked.lots))
    found = find_candidates(drawn.worked, lots, lots[:3], CauseValues(), drawn.spells)
    factors = {candidate.factor for candidate in found.each}
    assert factors >= {"mother_tree", "grafter", "row", "graft_day", "warm_spell", "bundle"}
    for candidate in found.each:
        if candidate.factor == "row":
            rows = [int(item.split("/")[1]) for item in candidate.items]
            assert len(rows) <= 8
            assert all(after - before <= 3 for before, after in pairwise(rows))
        if candidate.factor in ("graft_day", "cutting_day"):
            assert len(candidate.items) <= 3
    assert found.shares.shape == (len(lots), len(found.each))
    assert found.shares.max() <= 1
    near = [each.prior for each in found.each if each.factor == "row" and each.prior > 0.03 / 100]
    rows = drawn.worked.lots["row"].to_numpy()
    assert sum(near) == pytest.approx(0.03 * len(set(rows[:3])), rel=0.35)


def test_the_grafts_needed_are_those_of_the_tables() -> None:
    # 80 % power, 5 % two-sided, a side, doubled for clustering: common tables, from memory.
    for one, other, tabled in ((0.8, 0.7, 290), (0.8, 0.65, 135), (0.8, 0.6, 78), (0.8, 0.5, 36)):
        assert grafts_needed(one, other) == pytest.approx(2 * tabled, rel=0.03)


# The invented nursery


WARMED = ("G25-0253-7", "G25-0256-8", "G25-0335-6", "G25-0342-7")


def test_the_demos_warm_cooler_is_named_and_the_others_stand_behind_it(demo: str) -> None:
    with Registry.open(demo) as registry:
        found = registry.why(*WARMED)
    assert found.verdict == "cause"
    assert (found.causes[0].factor, found.causes[0].items) == ("warm_spell", ("S24-0002-8",))
    behind = {(cause.factor, cause.items[0]) for cause in found.background}
    assert behind == {("grafter*graft_day", "P07"), ("mother_tree", "Old-7")}


def test_the_demos_worn_out_tree_is_named(demo: str) -> None:
    with Registry.open(demo) as registry:
        lots = [row["graft_lot"] for row in registry.recall("Old-7").to_dict()["graft_lots"]]
        found = registry.why(*lots)
    assert (found.verdict, found.causes[0].item) == ("cause", "Old-7")
    assert any("shoots of" in sign for sign in found.causes[0].signs)


def test_the_demos_poor_week_is_named(demo: str) -> None:
    with (ROOT / "demo_registry" / "graft_lots.csv").open(encoding="utf-8") as file:
        lots = [
            row["graft_lot"]
            for row in csv.DictReader(file)
            if row["grafter"] == "P07" and "2026-05-04" <= row["date"] <= "2026-05-08"
        ]
    with Registry.open(demo) as registry:
        found = registry.why(*lots)
    assert (found.verdict, found.causes[0].factor) == ("cause", "grafter*graft_day")
    assert found.causes[0].items == ("P07", "2026-05-04", "2026-05-08")


def test_the_answer_at_the_command_line(
    demo: str, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SCIONREG_REGISTRY", str(demo))
    status, out, _ = run("take", "--why", *WARMED)
    assert status == 0
    assert "lots like them take" in out
    assert "The cause: warm spell S24-0002-8" in out
    assert "It follows: its other lots took" in out
    status, out, _ = run("take", "--why", *WARMED, "--json")
    told = json.loads(out)
    assert told.keys() >= {
        "lots", "stage", "expected", "taken", "causes", "tied", "verdict", "needed", "findings",
    }  # fmt: skip
    assert told["causes"][0].keys() >= {"factor", "item", "items", "carries", "p_low"}
    assert 0 < told["causes"][0]["carries"] <= 1
    status, out, _ = run("take", "--why", WARMED[0], "--csv")
    assert (status, out.splitlines()[0].split(",")[:2]) == (0, ["factor", "item"])


def test_a_person_is_named_only_where_the_verdict_is_reached() -> None:
    drawn = draw_registry(15, "grafter", 1.0)
    found = why_poor(drawn.worked, asked_of(drawn, 15), spells=drawn.spells)
    assert found.verdict == "not_enough"
    assert found.causes[0].factor == "grafter"
    assert found.shown()[0].item == "one grafter"
    assert not any(f'"{code}"' in json.dumps(found.to_dict()) for code in ("P0", "P1", "P3", "P6"))
    drawn = draw_registry(1, "grafter", 1.3)
    found = why_poor(drawn.worked, asked_of(drawn, 1), spells=drawn.spells)
    assert found.verdict == "cause"
    assert found.shown()[0].item == "P3"


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (["take", "--why"], "name the lots that took poorly"),
        (["take", WARMED[0]], "go with --why"),
        (["take", "--why", "G24-9999-9"], "no graft lot is recorded under G24-9999-9"),
        (["take", "--why", "--day", "soon"], "is not a date"),
        (["take", "--why", "--row", "N24/999"], "no graft lot is of that"),
        (["take", "--why", "--by", "grafter", WARMED[0]], "--why answers alone"),
        (["take", "--why", "--row", "N24/1", WARMED[0]], "lots are named; leave"),
        (["take", "--why", "--season", "2020", WARMED[0]], "lots are named; leave"),
    ],
)
def test_a_question_that_cannot_be_answered_is_refused_plainly(
    demo: str, run: Run, monkeypatch: pytest.MonkeyPatch, asked: list[str], said: str
) -> None:
    monkeypatch.setenv("SCIONREG_REGISTRY", str(demo))
    status, _, err = run(*asked)
    assert status == 1
    assert said in err
