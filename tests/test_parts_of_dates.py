"""A year or month, where nobody knows the day, is recorded as what it is, however it comes in."""

import datetime as dt
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from nursery import add, value

from scionreg.exchange.importing import import_files
from scionreg.records.cells import last_day, span
from scionreg.records.errors import ProblemsError
from scionreg.registry.correcting import correct
from scionreg.registry.store import Store

TREE = "T26-0001-7"
PLANTED = ("planted", "planted_in")
days = st.dates(dt.date(1700, 1, 1), dt.date(2999, 12, 31))


@pytest.mark.parametrize(
    ("typed", "kept"),
    [("2009", "2009"), ("2009-04", "2009-04"), ("April 2009", "2009-04"), ("4/2009", "2009-04")],
)
def test_a_year_typed_where_a_day_is_asked_for_goes_beside_it(
    nursery: Store, typed: str, kept: str
) -> None:
    made = add(nursery, "mother_trees", cultivar="Fernhill", planted=typed)
    assert made.record["planted_in"] == kept
    assert "planted" not in made.record


def test_a_file_may_hold_days_and_parts_of_them_in_one_column(
    nursery: Store, tmp_path: Path
) -> None:
    path = tmp_path / "mother_trees.csv"
    path.write_text(
        "tree,cultivar,planted,planted_in\n"
        "Own-1,Fernhill,2009,\nOwn-2,Fernhill,2010-03-04,\nOwn-3,Fernhill,,May 2011\n"
        "Own-4,Fernhill,2012,2012-06\n"
    )
    done = import_files(nursery, [path], by="P01")
    assert not done.problems
    kept = [
        tuple(value(nursery, "mother_trees", f"Own-{number}", name) for name in PLANTED)
        for number in (1, 2, 3, 4)
    ]
    assert kept == [
        *((None, "2009"), (dt.date(2010, 3, 4), None), (None, "2011-05"), (None, "2012-06"))
    ]


def test_what_is_known_of_a_date_is_said_in_the_warning(nursery: Store) -> None:
    made = add(nursery, "collections", tree=TREE, date="2025-02", sticks=5, cutter="P01")
    (warning,) = made.warnings
    assert (warning.rule, warning.wrong) == (
        "unknown_date",
        "of the date only 2025-02 is recorded",
    )
    assert made.key.startswith("C25-")


@pytest.mark.parametrize(
    ("planted", "part", "rule"),
    [
        ("2009-04-03", "2010", "part_of_another_date"),
        ("2009-04-03", "2009-05", "part_of_another_date"),
        ("2009", "2010", "not_a_date"),
        ("", "2926", "future_date"),
        ("2926-05", "", "future_date"),
        ("1600", "", "impossible_date"),
    ],
)
def test_a_part_that_cannot_be_is_refused(
    nursery: Store, planted: str, part: str, rule: str
) -> None:
    with pytest.raises(ProblemsError) as refusal:
        add(nursery, "mother_trees", cultivar="Fernhill", planted=planted, planted_in=part)
    assert [each.rule for each in refusal.value.problems] == [rule]


def test_a_day_found_out_later_may_stand_beside_its_year(nursery: Store) -> None:
    code = add(nursery, "mother_trees", cultivar="Fernhill", planted="2009").key
    done = correct(nursery, "mother_trees", code, {"planted": "3 April 2009"}, by="P01", why="book")
    assert (done.record["planted"], done.record["planted_in"]) == ("2009-04-03", "2009")
    done = correct(
        nursery, "mother_trees", code, {"planted": "2009-04"}, by="P01", why="day was a guess"
    )
    assert "planted" not in done.record
    assert done.record["planted_in"] == "2009-04"


@given(days)
def test_a_day_lies_within_the_span_of_its_month_and_year(day: dt.date) -> None:
    assert span(day, None) == span(day.isoformat(), "1999") == (day, day)
    for part in (f"{day:%Y-%m}", f"{day:%Y}"):
        begin, end = span(None, part) or (dt.date.max, dt.date.min)
        assert begin <= day <= end == last_day(part)
        after = end + dt.timedelta(days=1)
        assert begin.day == after.day == 1
        assert f"{after:%Y-%m}"[: len(part)] != part == f"{begin:%Y-%m}"[: len(part)]
    assert span(None, None) is None
