"""What store readings come to: integrals, warm spells, exposure of wood, classes."""

import datetime as dt
import itertools
import re
from dataclasses import fields
from pathlib import Path

import numpy as np
import pandas as pd
import psychrolib
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from scionreg.cold_store.curve import Curve, saturation_pressure, vapour_pressure_deficit
from scionreg.cold_store.exposure import Exposure, exposures, stays_frame
from scionreg.cold_store.judging import classify, is_stone_fruit, keeping_days
from scionreg.cold_store.spells import Spell, touched, until_used, warm_spells
from scionreg.records.starting_values import StoreValues
from scionreg.records.vocabulary import StoreClass

HOUR = 3600.0
VALUES = StoreValues()


def moment(hours: float) -> dt.datetime:
    """Return a point in time some hours after the beginning of 2026."""
    return dt.datetime(2026, 1, 1, tzinfo=dt.UTC) + dt.timedelta(hours=float(hours))


def curve(*readings: tuple[float, ...], values: StoreValues = VALUES) -> Curve:
    """Return the curve of readings: hours, °C, and perhaps per cent."""
    times = [moment(each[0]).timestamp() for each in readings]
    humid = [each[2] if len(each) > 2 else np.nan for each in readings]
    return Curve(times, [each[1] for each in readings], humid, values)


def sums(of: Curve, start: float, end: float) -> dict[str, float]:
    found = of.sums(np.array([moment(start).timestamp()]), np.array([moment(end).timestamp()]))
    return {
        name: float(getattr(found, name)[0])
        for name in (
            "hours",
            "degree_hours",
            "cold_hours",
            "deficit_hours",
            "without_readings",
            "without_humidity",
        )
    }


# ------------------------------------------------------------------------------ vapour pressure


def test_saturation_pressure_is_that_of_the_published_example() -> None:
    """FAO Irrigation and Drainage Paper 56, example 3."""
    assert saturation_pressure(15.0) == pytest.approx(1.705, abs=5e-4)
    assert saturation_pressure(24.5) == pytest.approx(3.075, abs=5e-4)


@pytest.mark.parametrize("celsius", [0.01, 1, 2, 5, 7.2, 10, 16, 20, 25, 30])
def test_saturation_pressure_agrees_with_an_independent_library(celsius: float) -> None:
    """Psychrolib (ASHRAE Handbook of Fundamentals 2017), within 0.1 %."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    pascals = psychrolib.GetSatVapPres(celsius)
    assert saturation_pressure(celsius) == pytest.approx(pascals / 1000, rel=1e-3)


def test_deficit_in_a_good_cooler() -> None:
    assert vapour_pressure_deficit(2, 90) == pytest.approx(0.0706, abs=5e-5)


def test_drying_is_the_deficit_times_the_hours() -> None:
    steady = curve(*((hour, 2.0, 90.0) for hour in range(0, 49, 4)))
    assert sums(steady, 3, 43)["deficit_hours"] == pytest.approx(40 * 0.0706, rel=1e-3)


# ------------------------------------------------------------------------------------ integrals


def test_warmth_is_summed_above_the_threshold_only() -> None:
    # Up from 4.2 to 10.2 in two hours: above 7.2 for one of them, by 1.5 on the mean.
    triangle = curve((0, 4.2), (2, 10.2), (4, 4.2))
    assert sums(triangle, 0, 4)["degree_hours"] == pytest.approx(3.0)
    assert sums(triangle, 0, 2)["degree_hours"] == pytest.approx(1.5)
    assert sums(triangle, 1, 1.5)["degree_hours"] == pytest.approx(0.375)


def test_trade_example_of_a_warm_spell() -> None:
    """62 h at a mean of 57 °F above 45 °F are 744 °F·h (the trade's excursion rule)."""
    warm = (57 - 32) / 1.8
    found = sums(curve(*((hour, warm) for hour in range(63))), 0, 62)["degree_hours"]
    assert found * 1.8 == pytest.approx(62 * (57 - (7.2 * 1.8 + 32)), abs=1e-6)
    assert found * 1.8 == pytest.approx(744, rel=5e-3)


def test_frost_is_timed_to_the_crossing() -> None:
    assert sums(curve((0, -3), (2, -7), (4, -3)), 0, 4)["cold_hours"] == pytest.approx(2.0)
    assert sums(curve((0, -6), (4, -6)), 1, 3)["cold_hours"] == 2.0
    assert sums(curve((0, -5), (4, -5)), 1, 3)["cold_hours"] == 0.0


def test_a_gap_is_unknown_and_not_bridged() -> None:
    gapped = curve((0, 12), (6, 12), (12.1, 12), (14, 12))
    found = sums(gapped, 0, 14)
    assert found["without_readings"] == pytest.approx(6.1)
    assert found["degree_hours"] == pytest.approx(4.8 * (6 + 1.9))


def test_time_before_the_first_and_after_the_last_reading_is_unknown() -> None:
    found = sums(curve((10, 2), (12, 2)), 0, 30)
    assert (found["hours"], found["without_readings"]) == (30, 28)
    assert sums(curve(), 0, 30)["without_readings"] == 30
    assert sums(curve((5, 9)), 0, 30)["without_readings"] == 30


def test_temperature_without_humidity_leaves_the_drying_unknown_only() -> None:
    found = sums(curve((0, 2, 90), (2, 2), (4, 2), (6, 2, 90), (8, 2, 90)), 0, 8)
    assert found["without_readings"] == 0
    assert found["without_humidity"] == 0  # six hours are joined
    found = sums(curve(*((h, 2) for h in range(9))), 0, 8)
    assert (found["without_readings"], found["without_humidity"]) == (0, 8)


def test_readings_may_come_in_any_order_and_twice() -> None:
    tidy = curve((0, 4), (1, 9), (2, 12))
    mixed = curve((2, 12), (0, 4), (1, 9), (1, 60))
    assert sums(tidy, 0, 2) == sums(mixed, 0, 2)


READINGS = st.lists(
    st.tuples(
        st.floats(0.05, 9, allow_nan=False),
        st.floats(-12, 22, allow_nan=False),
        st.floats(40, 100, allow_nan=False),
    ),
    min_size=0,
    max_size=12,
)


def placed(steps: list[tuple[float, float, float]]) -> list[tuple[float, float, float]]:
    """Return readings at times that add up from the first numbers."""
    times = itertools.accumulate(step for step, _, _ in steps)
    return [(time, warm, humid) for time, (_, warm, humid) in zip(times, steps, strict=True)]


def stepped(
    readings: list[tuple[float, float, float]], start: float, end: float
) -> dict[str, float]:
    """Return the same sums by going along in small steps: the naive twin."""
    total = dict.fromkeys(("degree_hours", "cold_hours", "deficit_hours", "known"), 0.0)
    for (a, warm_a, wet_a), (b, warm_b, wet_b) in itertools.pairwise(readings):
        if b - a > VALUES.gap_hours:
            continue
        steps = 4000
        middle = a + (np.arange(steps) + 0.5) * (b - a) / steps
        width = np.where((middle >= start) & (middle < end), (b - a) / steps, 0.0)
        part = (middle - a) / (b - a)
        warm, wet = warm_a + part * (warm_b - warm_a), wet_a + part * (wet_b - wet_a)
        total["degree_hours"] += float((np.maximum(warm - 7.2, 0) * width).sum())
        total["cold_hours"] += float(((warm < -5) * width).sum())
        pressure = 0.6108 * np.exp(17.27 * warm / (warm + 237.3))
        total["deficit_hours"] += float((pressure * (1 - wet / 100) * width).sum())
        total["known"] += float(width.sum())
    return total


@given(READINGS, st.floats(0, 60), st.floats(0, 60))
def test_exact_sums_are_those_of_going_along_in_small_steps(
    steps: list[tuple[float, float, float]], start: float, length: float
) -> None:
    readings = placed(steps)
    found = sums(curve(*readings), start, start + length)
    naive = stepped(readings, start, start + length)
    for name in ("degree_hours", "cold_hours", "deficit_hours"):
        assert found[name] == pytest.approx(naive[name], abs=0.12)
    assert found["hours"] - found["without_readings"] == pytest.approx(naive["known"], abs=0.02)


@given(READINGS, st.lists(st.floats(0, 60), min_size=3, max_size=3))
def test_a_stay_comes_to_the_sum_of_its_parts(
    steps: list[tuple[float, float, float]], edges: list[float]
) -> None:
    of, (first, middle, last) = curve(*placed(steps)), sorted(edges)
    whole, before, after = sums(of, first, last), sums(of, first, middle), sums(of, middle, last)
    for name, value in whole.items():
        assert before[name] + after[name] == pytest.approx(value, abs=1e-4)


@given(READINGS, st.floats(0, 60), st.floats(0, 60))
def test_no_sum_is_below_zero_and_unknown_hours_are_no_more_than_the_stay(
    steps: list[tuple[float, float, float]], start: float, length: float
) -> None:
    found = sums(curve(*placed(steps)), start, start + length)
    assert min(found.values()) >= -1e-9
    assert found["without_readings"] <= found["without_humidity"] + 1e-9
    assert found["without_humidity"] <= found["hours"] + 1e-9


# ---------------------------------------------------------------------------------- warm spells


def warmed(*spans: tuple[float, float, float], until: float = 200) -> Curve:
    """Return an hourly curve at 2 °C that is at other temperatures from … to …."""
    return curve(
        *(
            (hour, next((warm for a, b, warm in spans if a <= hour <= b), 2.0))
            for hour in np.arange(0, until + 1)
        )
    )


def test_a_spell_lasts_from_crossing_to_crossing() -> None:
    (spell,) = warm_spells("S1", warmed((50, 80, 12.0)))
    assert spell.hottest_c == 12
    assert spell.start.timestamp() == pytest.approx(moment(49 + 5.2 / 10).timestamp(), abs=1)
    assert spell.end.timestamp() == pytest.approx(moment(80 + 4.8 / 10).timestamp(), abs=1)
    assert spell.heat_c_hours == pytest.approx(30 * 4.8 + 2 * 4.8 * 0.48 / 2)


def test_short_dips_are_part_of_a_spell_and_long_ones_part_it() -> None:
    assert len(warm_spells("S1", warmed((50, 60, 12.0), (64, 70, 12.0)))) == 1
    assert len(warm_spells("S1", warmed((50, 60, 12.0), (75, 90, 12.0)))) == 2


def test_a_door_left_open_for_a_moment_is_no_spell() -> None:
    assert warm_spells("S1", warmed((50, 50, 9.0))) == []
    loose = StoreValues(spell_heat=0.1)
    of = curve(*((h, 9.0 if h == 50 else 2.0) for h in range(100)), values=loose)
    assert len(warm_spells("S1", of)) == 1


def test_no_readings_no_spell() -> None:
    assert warm_spells("S1", curve()) == []
    assert warm_spells("S1", curve((0, 20))) == []


@given(READINGS)
def test_spells_hold_all_warmth_but_small_ones(steps: list[tuple[float, float, float]]) -> None:
    of = curve(*placed(steps), values=StoreValues(spell_heat=0))
    spells = warm_spells("S1", of)
    assert sum(s.heat_c_hours for s in spells) == pytest.approx(float(of.heat_pieces().sum()))
    for first, second in itertools.pairwise(spells):
        assert second.start - first.end > dt.timedelta(hours=VALUES.spell_join_hours - 0.01)


def spell(start: float, end: float, store: str = "S1") -> Spell:
    return Spell(
        store=store, start=moment(start), end=moment(end), heat_c_hours=100.0, hottest_c=15.0
    )


def stays(*rows: tuple[str, str, float, float]) -> pd.DataFrame:
    frame = pd.DataFrame(
        [(b, s, moment(start), moment(end)) for b, s, start, end in rows],
        columns=["bundle", "store", "start", "end"],
    )
    for name in ("start", "end"):
        frame[name] = pd.to_datetime(frame[name], utc=True)
    return frame


def test_wood_is_touched_by_the_part_of_a_spell_that_it_was_there_for() -> None:
    found = touched(
        [spell(100, 140)],
        stays(
            ("whole", "S1", 0, 200),
            ("half", "S1", 120, 200),
            ("twice", "S1", 90, 110),
            ("twice", "S1", 130, 150),
            ("before", "S1", 0, 100),
            ("elsewhere", "S2", 0, 200),
        ),
    )
    shares = dict(zip(found["bundle"], found["share_of_spell"], strict=True))
    assert shares == pytest.approx({"whole": 1.0, "half": 0.5, "twice": 0.5})
    assert found["heat_c_hours"].tolist() == pytest.approx([100, 50, 50])
    assert (found["start"] == pd.Timestamp(moment(100))).all()


def test_heat_taken_up_in_part_of_a_spell_is_that_of_the_curve() -> None:
    of = warmed((50, 60, 12.0), (61, 80, 17.2))
    (one,) = warm_spells("S1", of)
    found = touched([one], stays(("B1", "S1", 0, 60)), {"S1": of})
    assert found["heat_c_hours"].item() == pytest.approx(10 * 4.8 + 4.8 * 0.48 / 2)


def test_uses_on_several_days_are_kept_apart() -> None:
    uses = pd.DataFrame(
        {"bundle": ["B1", "B1", "B9"], "date": ["2026-01-03", "2026-01-09", "2026-01-09"]}
    )
    clipped = until_used(stays(("B1", "S1", 0, 300)), uses)
    found = touched([spell(24, 72)], clipped)
    assert found["share_of_spell"].tolist() == pytest.approx([0.5, 1.0])
    assert found["date"].tolist() == ["2026-01-03", "2026-01-09"]


def test_nothing_touched_has_the_same_columns() -> None:
    empty = touched([], stays())
    some = touched([spell(1, 2)], stays(("B1", "S1", 0, 9)))
    assert list(empty.columns) == list(some.columns)


@given(
    st.lists(st.tuples(st.integers(0, 90), st.integers(1, 40)), max_size=5),
    st.lists(
        st.tuples(st.sampled_from("AB"), st.sampled_from(["S1", "S2"]), st.integers(0, 120)),
        max_size=8,
    ),
)
def test_touched_is_what_comparing_every_pair_gives(
    spans: list[tuple[int, int]], given_stays: list[tuple[str, str, int]]
) -> None:
    spells = [spell(a, a + length) for a, length in spans]
    assume(len({each.start for each in spells}) == len(spells))
    rows = [(b, s, float(start), start + 10.0) for b, s, start in given_stays]
    found = touched(spells, stays(*rows))
    naive: dict[tuple[str, dt.datetime], float] = {}
    for each in spells:
        for bundle, store, start, end in rows:
            shared = min(moment(end), each.end) - max(moment(start), each.start)
            if store == each.store and shared > dt.timedelta():
                key = (bundle, each.start)
                naive[key] = naive.get(key, 0) + shared / (each.end - each.start)
    got = {
        (row.bundle, row.start.to_pydatetime()): row.share_of_spell for row in found.itertuples()
    }
    assert got == pytest.approx(naive)


# ---------------------------------------------------------------------- what wood went through


WARM = {"S1": warmed((50, 80, 17.2))}


def test_stays_in_several_stores_add_up_and_unknown_places_are_unknown_hours() -> None:
    found = exposures(
        [
            ("B1", None, "S1", moment(0), moment(60)),
            ("B1", None, "no such store", moment(60), moment(70)),
            ("B1", None, None, moment(70), moment(75)),
        ],
        WARM,
    )
    mean, worst = found["B1"]
    assert mean == worst
    assert mean.hours == 75
    assert mean.without_readings == 15
    assert mean.degree_hours == pytest.approx(100, rel=0.05)


def test_wood_tied_from_others_brings_what_they_went_through() -> None:
    # P was warm until it was tied in at hour 100; Q lay in a cold store; 3 to 1 by sticks.
    cold = {**WARM, "S2": warmed()}
    found = exposures(
        [
            ("P", None, "S1", moment(0), moment(150)),
            ("Q", None, "S2", moment(0), moment(100)),
            ("P", "M", "S1", moment(0), moment(100)),
            ("Q", "M", "S2", moment(0), moment(100)),
            ("M", None, "S2", moment(100), moment(120)),
            ("M", "N", "S2", moment(100), moment(110)),
            ("N", None, "S2", moment(110), moment(111)),
        ],
        cold,
        order=["P", "Q", "M", "N"],
        shares={"M": {"P": 0.75, "Q": 0.25}, "N": {"M": 0.5, None: 0.5}},
    )
    heat = found["P"][0].degree_hours
    assert heat > 290
    assert found["M"][0].degree_hours == pytest.approx(0.75 * heat)
    assert found["M"][1].degree_hours == pytest.approx(heat)
    assert found["N"][0].degree_hours == pytest.approx(0.375 * heat)
    assert found["N"][1].degree_hours == pytest.approx(heat)
    assert found["M"][0].hours == pytest.approx(120)
    assert found["N"][1].hours == pytest.approx(111)


def test_stays_of_mixed_wood_carry_the_share_that_was_there() -> None:
    rows = [
        ("P", "M", "S1", moment(0), moment(100)),
        ("M", "N", "S2", moment(100), moment(110)),
        ("N", None, "S2", moment(110), moment(120)),
    ]
    frame = stays_frame(rows, ["P", "M", "N"], {"M": {"P": 0.8, None: 0.2}, "N": {"M": 0.5}})
    found = touched([spell(0, 50)], frame)
    shares = dict(zip(found["bundle"], found["share_of_spell"], strict=True))
    assert shares == pytest.approx({"M": 0.8, "N": 0.4})


# -------------------------------------------------------------------------------------- classes


@pytest.mark.parametrize(
    ("fahrenheit_hours", "grade"),
    [
        (0, StoreClass.GOOD),
        (20, StoreClass.NOTE),
        (99, StoreClass.NOTE),
        (101, StoreClass.CHECK),
        (299, StoreClass.CHECK),
        (301, StoreClass.USE_FIRST),
        (799, StoreClass.USE_FIRST),
        (801, StoreClass.SAMPLE_FIRST),
    ],
)
def test_classes_follow_the_trades_thresholds(fahrenheit_hours: int, grade: StoreClass) -> None:
    assert classify(Exposure(degree_hours=fahrenheit_hours / 1.8), VALUES) is grade
    halved = Exposure(degree_hours=fahrenheit_hours / 2 / 1.8)
    assert classify(halved, VALUES, stone_fruit=True) is grade


def test_hours_without_readings_are_never_good() -> None:
    assert classify(Exposure(without_readings=7), VALUES) is StoreClass.UNKNOWN
    assert classify(Exposure(degree_hours=20, without_readings=7), VALUES) is StoreClass.UNKNOWN
    assert classify(Exposure(degree_hours=200, without_readings=7), VALUES) is StoreClass.USE_FIRST
    assert classify(Exposure(), VALUES, doubtful=True) is StoreClass.UNKNOWN


def test_frost_asks_for_a_look() -> None:
    assert classify(Exposure(cold_hours=0.5), VALUES) is StoreClass.CHECK
    assert classify(Exposure(cold_hours=0.5, degree_hours=200), VALUES) is StoreClass.USE_FIRST


def test_wood_keeps_as_long_as_its_kind_that_keeps_least() -> None:
    assert keeping_days(["Carya illinoinensis"], VALUES) == 150
    assert keeping_days(["Carya illinoinensis", "Prunus persica"], VALUES) == 75
    assert keeping_days(["Malus domestica"], VALUES, in_leaf=True) == 10
    assert keeping_days(["Citrus × sinensis"], VALUES, in_leaf=True) == 28
    assert keeping_days([], VALUES) == VALUES.keep_other_days
    assert is_stone_fruit(["Malus domestica", "Prunus avium"])
    assert not is_stone_fruit(["Prunella vulgaris"])


def test_the_page_names_the_settings_and_what_they_start_from() -> None:
    page = (Path(__file__).parents[1] / "docs" / "cold_store.md").read_text(encoding="utf-8")
    named = set(re.findall(r"\[`(\w+)`\]", page))
    assert named == {each.name for each in fields(StoreValues)}
    for name in named:
        start = getattr(StoreValues(), name)
        assert f"{start:g}".replace("-", "−") in page, name
