"""The statistics of take, against published figures and reference libraries."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest, false_discovery_control
from statsmodels.stats.contingency_tables import StratifiedTable

from scionreg.take.intervals import adjusted, wilson
from scionreg.take.matching import Counted, Matched, Tables, like_with_like, mantel_haenszel

# P. J. Bickel, E. A. Hammel & J. W. O'Connell 1975, Science 187:398-404: admitted men and women,
# rejected men and women, in six departments.
ADMISSIONS = (
    (512, 89, 313, 19),
    (353, 17, 207, 8),
    (120, 202, 205, 391),
    (138, 131, 279, 244),
    (53, 94, 138, 299),
    (22, 24, 351, 317),
)


def tables(rows: list[tuple[float, float, float, float]], item: int = 0) -> Tables:
    """Return tables from rows of taken and others, failed and others that failed."""
    a, b, c, d = (np.array(column, dtype=float) for column in zip(*rows, strict=True))
    return Tables(np.full(len(rows), item), a, a + c, b, b + d)


def compared(rows: list[tuple[float, float, float, float]]) -> Matched:
    return mantel_haenszel(tables(rows), 1)


# Intervals


@pytest.mark.parametrize(
    ("taken", "grafts", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0, 0.1611)],
)
def test_wilson_intervals_are_those_printed(
    taken: int, grafts: int, low: float, high: float
) -> None:
    # R. G. Newcombe 1998, Statistics in Medicine 17:857-872, Table I.
    found = wilson(np.array([taken]), np.array([grafts]))
    assert [each[0] for each in found] == pytest.approx([low, high], abs=5e-5)


@given(grafts=st.integers(1, 3000), data=st.data())
def test_wilson_intervals_are_those_of_scipy(grafts: int, data: st.DataObject) -> None:
    taken = data.draw(st.integers(0, grafts))
    expected = binomtest(taken, grafts).proportion_ci(method="wilson")
    low, high = wilson(np.array([taken]), np.array([grafts]))
    assert (low[0], high[0]) == pytest.approx((expected.low, expected.high), abs=1e-12)


def test_no_grafts_tell_nothing() -> None:
    low, high = wilson(np.array([0.0, 3.0]), np.array([0.0, 4.0]))
    assert (low[0], high[0]) == (0, 1)
    assert 0 < low[1] < high[1] < 1


# Like with like


def test_the_admissions_test_is_the_printed_one_but_for_its_continuity_correction() -> None:
    # With the correction 1.4269 (CMH, P. J. Bickel and others 1975); ours leaves it out.
    library = StratifiedTable([np.array([[a, c], [b, d]]) for a, b, c, d in ADMISSIONS])
    assert library.test_null_odds(correction=True).statistic == pytest.approx(1.4269, abs=5e-5)
    ours = compared(list(ADMISSIONS)).chi2[0]
    assert ours == pytest.approx(library.test_null_odds(correction=False).statistic, abs=1e-9)


# Many comparisons


def test_four_of_fifteen_stay_where_bonferroni_would_leave_three() -> None:
    # Y. Benjamini & Y. Hochberg 1995, JRSS B 57:289-300; the p-values are written from memory.
    small = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459]
    p = np.array([*small, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0])
    assert (adjusted(p) <= 0.05).sum() == 4
    assert (p * len(p) <= 0.05).sum() == 3


def test_what_nothing_tells_of_is_not_counted_as_a_comparison() -> None:
    p = np.array([0.01, np.nan, 0.04, np.nan])
    found = adjusted(p)
    assert found[[0, 2]].tolist() == false_discovery_control([0.01, 0.04]).tolist()
    assert np.isnan(found[[1, 3]]).all()
    assert np.isnan(adjusted(np.array([np.nan]))).all()


# Like with like


def test_pooling_blames_and_matching_clears() -> None:
    pooled = compared([tuple(np.sum(ADMISSIONS, axis=0))])
    assert pooled.odds_ratio[0] == pytest.approx(1.841, abs=5e-4)
    matched = compared(list(ADMISSIONS))
    assert matched.odds_ratio[0] == pytest.approx(0.9047, abs=5e-5)
    low, high = matched.odds_interval()
    assert (low[0], high[0]) == pytest.approx((0.7719, 1.0603), abs=5e-5)
    assert pooled.difference[0] > 0.14
    assert abs(matched.difference[0]) < 0.02
    below, above = matched.interval()
    assert below[0] < 0 < above[0]


counts = st.tuples(*[st.integers(0, 30)] * 4).filter(lambda row: sum(row[::2]) and sum(row[1::2]))
strata = st.lists(counts, min_size=1, max_size=6)


@given(rows=strata)
def test_odds_and_test_are_those_of_statsmodels(rows: list[tuple[int, int, int, int]]) -> None:
    matched = compared(rows)
    reference = StratifiedTable([np.array([[a, c], [b, d]]) for a, b, c, d in rows])
    with np.errstate(divide="ignore", invalid="ignore"):
        odds = reference.oddsratio_pooled
        test = reference.test_null_odds()
        if np.isfinite(odds) and odds > 0:
            assert matched.odds_ratio[0] == pytest.approx(odds)
            assert matched.log_odds_se[0] == pytest.approx(reference.logodds_pooled_se)
    if np.isfinite(test.statistic):
        assert matched.chi2[0] == pytest.approx(test.statistic)
        assert matched.p_value()[0] == pytest.approx(test.pvalue)
    else:
        assert matched.chi2[0] == 0, "all took, or none did, on both sides of every stratum"


@given(row=counts)
def test_of_one_stratum_the_difference_is_that_of_the_shares(
    row: tuple[int, int, int, int],
) -> None:
    a, b, c, d = row
    assert compared([row]).difference[0] == pytest.approx(a / (a + c) - b / (b + d))


def test_the_difference_of_a_large_stratum_has_the_usual_standard_error() -> None:
    a, b, c, d = 700, 640, 300, 360
    usual = np.sqrt(a * c / (a + c) ** 3 + b * d / (b + d) ** 3)
    assert compared([(a, b, c, d)]).difference_se[0] == pytest.approx(usual, rel=0.01)


def test_intervals_of_many_small_strata_hold_the_truth_as_often_as_they_say() -> None:
    # What T. Sato's variance is for: here 40 strata of 6 against 9 grafts, and a true 15 points.
    rng = np.random.default_rng(7)
    usual = rng.uniform(0.3, 0.8, 40)
    held = []
    for _ in range(400):
        a, b = rng.binomial(6, usual + 0.15), rng.binomial(9, usual)
        matched = compared(list(zip(a, b, 6 - a, 9 - b, strict=True)))
        low, high = matched.interval()
        held.append(low[0] <= 0.15 <= high[0])
    assert 0.92 <= np.mean(held) <= 0.98


def test_a_design_effect_widens_and_doubts() -> None:
    matched = compared([(10, 16, 10, 4)])
    low, high = matched.interval()
    wide_low, wide_high = matched.interval(design_effect=2)
    assert wide_low[0] < low[0] < high[0] < wide_high[0]
    assert wide_high[0] - wide_low[0] == pytest.approx((high[0] - low[0]) * np.sqrt(2))
    assert matched.p_value(2)[0] > matched.p_value()[0]


# Which lots are like


lots = st.lists(
    st.tuples(st.integers(0, 3), st.integers(0, 2), st.integers(1, 9), st.integers(0, 9)),
    min_size=2,
    max_size=25,
)


@given(lots=lots)
def test_every_item_is_compared_as_if_it_were_the_only_one(
    lots: list[tuple[int, int, int, int]],
) -> None:
    item, stratum, grafts, taken = (np.array(column) for column in zip(*lots, strict=True))
    taken = np.minimum(taken, grafts).astype(float)
    every = np.arange(len(lots))
    counted = Counted(taken, grafts.astype(float), every, item, np.ones(len(lots)), 4)
    matched, matched_on = like_with_like(counted, {"stratum": stratum}, 0.5)
    for each in range(4):
        mine = item == each
        parts = [stratum == number for number in range(3)] if matched_on[each] else [every >= 0]
        rows = [
            (
                taken[mine & part].sum(),
                taken[~mine & part].sum(),
                (grafts - taken)[mine & part].sum(),
                (grafts - taken)[~mine & part].sum(),
            )
            for part in parts
            if (mine & part).any() and (~mine & part).any()
        ]
        if rows:
            expected = compared(rows)
            assert matched.difference[each] == pytest.approx(expected.difference[0])
            assert matched.difference_se[each] == pytest.approx(expected.difference_se[0])
        else:
            assert np.isnan(matched.difference[each])


def test_lots_are_matched_only_on_what_leaves_enough_to_compare() -> None:
    # Each item has a day to itself, and both hands.
    item = np.repeat(np.arange(4), 4)
    day, hand = item, np.tile([0, 0, 1, 1], 4)
    grafts = np.full(16, 20.0)
    counted = Counted(grafts / 2, grafts, np.arange(16), item, np.ones(16), 4)
    _, matched_on = like_with_like(counted, {"day": day, "hand": hand}, 0.5)
    assert matched_on == [("hand",)] * 4


def test_mixed_wood_is_compared_by_its_share() -> None:
    # Lot 2 is half of item 0: half of its grafts stand on either side.
    taken, grafts = np.array([8.0, 4.0, 6.0]), np.full(3, 10.0)
    pairs = np.array([0, 1, 2, 2]), np.array([0, 1, 0, 1]), np.array([1.0, 1.0, 0.5, 0.5])
    counted = Counted(taken, grafts, *pairs, 2)
    matched, _ = like_with_like(counted, {}, 0.5)
    assert matched.difference.tolist() == pytest.approx([11 / 15 - 7 / 15, 7 / 15 - 11 / 15])
