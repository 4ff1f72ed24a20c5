"""What mother trees grow: own cuts shrunk toward the kind."""

import math
import random
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scionreg.records.starting_values import RotationValues
from scionreg.rotation.capacity import CutTree, SeasonCut, capacities, usual_sticks

PECAN = "Carya illinoinensis"


def cut(season: int, sticks: int, share: float | None = 0.8, *, counted: bool = True) -> SeasonCut:
    return SeasonCut(season=season, sticks=sticks, share=share, counted=counted)


def bank(tree: str, *cuts: SeasonCut, planted: int | None = 2010) -> CutTree:
    return CutTree(tree=tree, kind="bank", species=PECAN, planted=planted, cuts=cuts)


def test_a_tree_never_cut_grows_what_its_kind_usually_does() -> None:
    found = capacities([bank("A")], [2027])["A"][0]
    assert (found.sticks, found.own, found.shrunk) == (pytest.approx(220), None, 1.0)
    assert found.low < 110 < 440 < found.high


def test_a_young_bank_tree_grows_into_its_yield() -> None:
    found = capacities([bank("A", planted=2024)], range(2025, 2032))["A"]
    shares = [each.sticks / 220 for each in found]
    assert shares == pytest.approx([0, 0.12, 0.30, 0.60, 0.90, 1.0, 1.0])


def test_sticks_of_a_small_share_say_that_more_grew() -> None:
    trees = [bank("A", cut(2026, 100, 0.5)), bank("B", cut(2026, 100, 1.0))]
    found = capacities(trees, [2027])
    assert found["A"][0].own == pytest.approx(200)
    assert found["B"][0].own == pytest.approx(100)


def test_kinds_and_species_are_apart() -> None:
    values = RotationValues()
    assert usual_sticks("bearing", "Malus domestica", values) == values.bearing_pome
    assert usual_sticks("bearing", PECAN, values) == values.bearing
    assert usual_sticks("bank", "Diospyros kaki", values) == values.bank_other


sticks = st.integers(1, 2000)
shares = st.none() | st.floats(0.05, 1)
histories = st.lists(st.tuples(sticks, shares, st.booleans()), min_size=1, max_size=4)


def grown_from(histories: list[list[tuple[int, float | None, bool]]]) -> list[CutTree]:
    return [
        bank(str(i), *(cut(2026 - k, n, s, counted=c) for k, (n, s, c) in enumerate(told)))
        for i, told in enumerate(histories)
    ]


@given(st.lists(histories, min_size=1, max_size=6))
def test_the_estimate_lies_between_own_and_kind(
    told: list[list[tuple[int, float | None, bool]]],
) -> None:
    for (found,) in capacities(grown_from(told), [2027]).values():
        assert found.own is not None
        low, high = sorted((found.own, found.usual))
        assert low * (1 - 1e-9) <= found.sticks <= high * (1 + 1e-9)
        assert 0 < found.shrunk < 1
        assert found.low < found.sticks < found.high


@given(st.lists(histories, min_size=2, max_size=5))
def test_more_evidence_means_less_shrinkage_within_a_kind(
    told: list[list[tuple[int, float | None, bool]]],
) -> None:
    """Among trees of one kind, a season more, a count and a share each weigh for the tree."""
    base = grown_from(told)
    n = told[0][0][0]
    trees = [
        *base,
        bank("none", cut(2026, n, None, counted=False)),
        bank("counted", cut(2026, n, None)),
        bank("share", cut(2026, n, 0.8)),
        bank("two", cut(2026, n, 0.8), cut(2025, n, 0.8)),
    ]
    found = capacities(trees, [2027])
    weights = [found[tree][0].shrunk for tree in ("none", "counted", "share", "two")]
    assert weights == sorted(weights, reverse=True)
    assert len(set(weights)) == 4


@given(histories, st.integers(0, 3))
def test_a_trees_own_figure_is_the_best_mean_of_what_drifts(
    told: list[tuple[int, float | None, bool]], gap: int
) -> None:
    """Generalised least squares with the whole covariance: years apart share their drift."""
    values = RotationValues(falling=0, falling_over=0)
    seasons = [2026 - (1 + gap) * back for back in range(len(told))]
    cuts = [cut(s, n, share, counted=c) for s, (n, share, c) in zip(seasons, told, strict=True)]
    (found,) = capacities([bank("A", *cuts, planted=2000)], [2027], values)["A"]
    y = np.array([math.log(n / (share or values.share_bank)) for n, share, _ in told])
    since = 2027 - np.array(seasons)
    own = [
        values.sd_season**2
        + (values.sd_counted if counted else values.sd_estimated) ** 2
        + (values.sd_share if share else values.sd_no_share) ** 2
        for _, share, counted in told
    ]
    covariance = values.sd_drift**2 * np.minimum.outer(since, since) + np.diag(own)
    weights = np.linalg.solve(covariance, np.ones(len(told)))
    assert found.own == pytest.approx(math.exp(weights @ y / weights.sum()))


def test_a_tree_that_fell_off_is_known_by_its_last_cuts() -> None:
    fell = [cut(season, 200 if season < 2025 else 80) for season in range(2018, 2027)]
    (found,) = capacities([bank("A", *fell)], [2027])["A"]
    assert found.own is not None
    assert found.own < math.sqrt(100 * 250), "two late seasons outweigh the seven before"


def worn(*grew: int, share: float = 0.9, shoots: float = 80) -> CutTree:
    """Return a tree cut hard every winter, whose shoots fall half as much as its yield."""
    cuts = [
        SeasonCut(
            season=2027 - len(grew) + at,
            sticks=round(n * share),
            share=share,
            counted=True,
            shoot_length_cm=shoots * math.sqrt(n / grew[0]),
        )
        for at, n in enumerate(grew)
    ]
    return bank("worn", *cuts)


def test_a_tree_that_falls_off_is_not_taken_to_grow_what_its_kind_does() -> None:
    mates = [bank(str(i), *(cut(s, 150 + i % 3) for s in range(2023, 2027))) for i in range(9)]
    (found,) = capacities([*mates, worn(214, 159, 117)], [2027])["worn"]
    assert found.falling > 0.5
    assert found.sticks < 125
    assert found.low < 80 < 117 < found.high
    steady = capacities([*mates, worn(150, 160, 155)], [2027])["worn"][0]
    assert steady.falling < 0.1
    assert steady.sticks == pytest.approx(160, rel=0.08)


def test_shoots_that_shorten_say_that_a_tree_falls_off() -> None:
    grew = (200, 170, 140)
    shorter = worn(*grew)
    as_long = replace(
        shorter, cuts=tuple(replace(each, shoot_length_cm=80.0) for each in shorter.cuts)
    )
    (fallen,), (sound,) = (capacities([each], [2027])["worn"] for each in (shorter, as_long))
    assert fallen.falling > sound.falling
    assert fallen.sticks < sound.sticks


def test_trees_that_fall_off_among_sound_ones_are_neither_overrated_nor_they_underrated() -> None:
    """A truth of its own: a tenth of the trees lose 20 to 45 % after each heavy cut."""
    draw = random.Random(11)
    errors: dict[bool, list[float]] = {True: [], False: []}
    inside = {True: 0, False: 0}
    for _ in range(40):
        trees, truth, fall_off = [], {}, {}
        for at in range(30):
            tree, grows = str(at), 200 * math.exp(draw.gauss(0, 0.3))
            fall_off[tree] = at % 10 == 0
            share, cuts = (0.9 if fall_off[tree] else 0.55), []
            for season in range(2023, 2027):
                grew = grows * math.exp(draw.gauss(0, 0.18))
                seen = min(1.0, share * math.exp(draw.gauss(0, 0.08)))
                cuts.append(cut(season, round(share * grew), seen))
                grows *= 1 - draw.uniform(0.2, 0.45) if fall_off[tree] else 1.0
            trees.append(bank(tree, *cuts, planted=2000))
            truth[tree] = grows * math.exp(draw.gauss(0, 0.18))
        for tree, (found,) in capacities(trees, [2027]).items():
            errors[fall_off[tree]].append(math.log(found.sticks / truth[tree]))
            inside[fall_off[tree]] += found.low <= truth[tree] <= found.high
    assert abs(np.mean(errors[False])) < 0.05
    assert inside[False] / len(errors[False]) > 0.87
    assert np.mean(errors[True]) < 0.25
    assert inside[True] / len(errors[True]) > 0.75


def test_intervals_cover_what_grows() -> None:
    """Trees drawn from the model as stated: nine of ten seasons fall into the 90 % interval."""
    draw, values, inside, errors, raw = random.Random(5), RotationValues(), 0, 0.0, 0.0
    many = 0
    for _ in range(60):
        kind = math.log(220) + draw.gauss(0, values.sd_usual)
        trees, truth = [], {}
        for i in range(20):
            own = kind + draw.gauss(0, values.sd_tree)
            cuts, was = [], own
            for season in reversed(range(2027 - draw.randint(0, 6), 2027)):
                was += draw.gauss(0, values.sd_drift)
                grew = was + draw.gauss(0, values.sd_season)
                share = draw.uniform(0.3, 0.9)
                written = share * math.exp(draw.gauss(0, values.sd_share))
                cuts.append(cut(season, max(1, round(share * math.exp(grew))), written))
            trees.append(bank(str(i), *cuts))
            truth[str(i)] = math.exp(own + draw.gauss(0, values.sd_season))
        for tree, (found,) in capacities(trees, [2027]).items():
            inside += found.low <= truth[tree] <= found.high
            many += 1
            if found.own is not None:
                errors += math.log(found.sticks / truth[tree]) ** 2
                raw += math.log(found.own / truth[tree]) ** 2
    assert 0.87 < inside / many < 0.93
    assert errors < raw
