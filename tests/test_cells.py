"""Cells: what is written reads back the same, and what cannot be read is said plainly."""

import datetime as dt
import json
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scionreg.records import codes
from scionreg.records.cells import (
    Cell,
    CellError,
    Choice,
    Code,
    CultivarName,
    Day,
    Many,
    Moment,
    Number,
    Outline,
    Positions,
    Ref,
    Whole,
    YearOrMonth,
    YesNo,
    expand_positions,
    shield,
    unshield,
)
from scionreg.records.names import Epithet, PersonCode
from scionreg.records.rules import CELL_RULES
from scionreg.records.tables import KINDS, fields
from scionreg.records.vocabulary import VOCABULARIES, Found, GraftMethod, Role

DITTOS = ["ditto", "DITTO", "do.", '"', "''", "〃", "same", "same as above", "idem", "id."]

plain_text = st.text(st.characters(exclude_characters="\x00"), min_size=1).filter(
    lambda text: text.strip() == text and text.casefold() not in DITTOS and text != '-"-'
)
own_codes = st.from_regex(r"[A-Za-z0-9][A-Za-z0-9 #.-]{0,20}[A-Za-z0-9]", fullmatch=True).filter(
    lambda text: not codes.looks_issued(text) and text.casefold() not in DITTOS
)
issued = st.builds(codes.issue, st.just("B"), st.integers(2000, 2099), st.integers(1, 9_999_999))
days = st.dates(dt.date(1700, 1, 1), dt.date(2999, 12, 31)).map(dt.date.isoformat)
moments = st.builds(
    "{} {}:{:02}:{:02}".format, days, st.integers(10, 23), *[st.integers(0, 59)] * 2
)
runs = st.tuples(st.integers(1, 500), st.integers(0, 40)).map(
    lambda run: f"{run[0]}-{run[0] + run[1]}" if run[1] else str(run[0])
)
numbers = st.floats(-90, 90, allow_nan=False).map(lambda number: number + 0.0)
corners = st.tuples(
    st.integers(-17_900, 17_800), st.integers(-8_900, 8_800), st.integers(1, 99), st.integers(1, 99)
)


def rectangle(corner: tuple[int, int, int, int]) -> str:
    """Return a GeoJSON rectangle, its outer ring clockwise as many programs write it."""
    west, south = corner[0] / 100, corner[1] / 100
    east, north = west + corner[2] / 100, south + corner[3] / 100
    ring = [[west, south], [west, north], [east, north], [east, south], [west, south]]
    return json.dumps({"type": "Polygon", "coordinates": [ring]})


WRITTEN: list[tuple[Cell, st.SearchStrategy[Any]]] = [
    (Cell(), plain_text),
    (Code("bundles"), own_codes | issued),
    (Ref(("bundles",)), own_codes | issued),
    (
        Ref(("graft_lots",), single=True),
        st.builds("{}/{}".format, own_codes, st.integers(1, 500)) | own_codes,
    ),
    *(
        (Choice(words), st.sampled_from([str(word.value) for word in words]))
        for words in VOCABULARIES
    ),
    (
        Many(Role),
        st.lists(st.sampled_from([word.value for word in Role]), min_size=1).map(";".join),
    ),
    (Whole(), st.integers(0, 10_000_000)),
    (Number(-90, 90), numbers),
    (YesNo(), st.sampled_from([0, 1])),
    (Day(), days),
    (Moment(), moments),
    (YearOrMonth(), st.from_regex(r"(1[7-9]|20)[0-9]{2}(-(0[1-9]|1[0-2]))?", fullmatch=True)),
    (CultivarName(), plain_text),
    (CultivarName(or_found=True), st.sampled_from([word.value for word in Found])),
    (Positions(), st.lists(runs, min_size=1).map(";".join)),
    (Epithet(), st.from_regex(r"[A-Z][a-z]{3,12}( [A-Z][a-z]{3,8})?", fullmatch=True)),
    (PersonCode(), st.from_regex(r"[A-Z][0-9]{2,5}", fullmatch=True)),
]


@pytest.mark.parametrize(
    ("cell", "values"),
    WRITTEN,
    ids=[f"{index}-{cell.__class__.__name__}" for index, (cell, _) in enumerate(WRITTEN)],
)
@given(data=st.data())
def test_what_is_written_reads_back_the_same(
    cell: Cell, values: st.SearchStrategy[Any], data: st.DataObject
) -> None:
    value = data.draw(values)
    assert cell.read(cell.write(value)) == value


def test_every_cell_type_is_written_and_read_here() -> None:
    used = {type(column.info["cell"]) for kind in KINDS for column in fields(kind)}
    assert used == {type(cell) for cell, _ in WRITTEN}


@given(st.text())
def test_shield_and_unshield_are_inverse(text: str) -> None:
    assert unshield(shield(text)) == text


@pytest.mark.parametrize("formula", ["=1+1", "+1", "-1", "@SUM(A1)", "\tx", "\rx", "'=1", "''=1"])
def test_no_shielded_text_is_a_formula(formula: str) -> None:
    assert shield(formula).startswith("'")
    assert unshield(shield(formula)) == formula


@pytest.mark.parametrize("text", ["'Fernhill'", "plain", "3-4", "'", ""])
def test_text_that_is_no_formula_is_left_as_it_is(text: str) -> None:
    assert shield(text) == text == unshield(text)


def read_or_refuse(cell: Cell, text: str) -> tuple[Any, Any]:
    """Return the value of a cell, or the refusal."""
    try:
        return cell.read(text), None
    except CellError as refusal:
        return None, refusal


@pytest.mark.parametrize("kind", KINDS)
@given(data=st.data())
def test_any_short_text_is_read_or_refused_by_a_known_rule(kind: str, data: st.DataObject) -> None:
    column = data.draw(st.sampled_from(fields(kind)))
    text = data.draw(st.text(min_size=1, max_size=12))
    value, refusal = read_or_refuse(column.info["cell"], text)
    assert isinstance(value, str | int | float) or refusal.rule in CELL_RULES


@pytest.mark.parametrize(
    "cell",
    [
        *(Cell(), Code("bundles"), Ref(("people",)), Choice(GraftMethod), Whole(), Number(0, 1)),
        *(YesNo(), Day(), Moment(), CultivarName(), Epithet(), PersonCode()),
    ],
    ids=lambda cell: type(cell).__name__,
)
@pytest.mark.parametrize("text", DITTOS)
def test_ditto_is_refused_in_every_column(cell: Cell, text: str) -> None:
    with pytest.raises(CellError) as refusal:
        cell.read(text)
    assert refusal.value.rule == "ditto"


@pytest.mark.parametrize(
    ("text", "number"),
    [
        *(("40+", 40), ("~50", 50), ("≈50", 50), ("ca. 60", 60), ("ca 60", 60), ("c. 60", 60)),
        *(("about 70", 70), ("80?", 80), ("90 approx.", 90)),
    ],
)
def test_rough_number_is_refused_with_the_number_it_may_mean(text: str, number: int) -> None:
    with pytest.raises(CellError, match=f"write {number} and 'estimated'") as refusal:
        Whole(counting=True).read(text)
    assert refusal.value.rule == "rough_number"


@pytest.mark.parametrize(("text", "number"), [("40", 40), ("40.0", 40), ("007", 7)])
def test_whole_number_is_read_as_spreadsheets_write_it(text: str, number: int) -> None:
    assert Whole().read(text) == number


@pytest.mark.parametrize("text", ["4 0", "40.5", "1,000", "1e3", "0x10", "forty", "40-50", "+40"])
def test_anything_else_is_no_whole_number(text: str) -> None:
    with pytest.raises(CellError) as refusal:
        Whole().read(text)
    assert refusal.value.rule == "not_a_number"


@pytest.mark.parametrize("text", ["9" * 30, "9" * 5000, "-" + "9" * 400, "9" * 400 + ".0"])
def test_number_of_any_length_is_refused_without_a_crash(text: str) -> None:
    with pytest.raises(CellError):
        Whole().read(text)


def test_time_at_the_end_of_the_calendar_is_refused_without_a_crash() -> None:
    with pytest.raises(CellError) as refusal:
        Moment().read("9999-12-31T23:00-05:00")
    assert refusal.value.rule == "impossible_date"


@pytest.mark.parametrize("text", ["nan", "inf", "-inf", "1e999"])
def test_what_is_no_finite_number_is_refused(text: str) -> None:
    with pytest.raises(CellError):
        Number(0, 1).read(text)


@pytest.mark.parametrize(
    ("text", "readings"),
    [
        ("2/3/2026", ["2026-03-02", "2026-02-03"]),
        ("14.02.2026", ["2026-02-14"]),
        ("2/14/2026", ["2026-02-14"]),
        ("3/4/26", ["2026-04-03", "2026-03-04", "2003-04-26"]),
    ],
)
def test_day_in_another_form_is_refused_with_the_days_it_may_mean(
    text: str, readings: list[str]
) -> None:
    with pytest.raises(CellError) as refusal:
        Day().read(text)
    assert refusal.value.rule == "ambiguous_date"
    assert all(day in refusal.value.right for day in readings)


@pytest.mark.parametrize("text", ["2026-02-30", "2025-02-29", "2026-13-01", "0206-01-01"])
def test_day_that_never_was_is_impossible(text: str) -> None:
    with pytest.raises(CellError) as refusal:
        Day().read(text)
    assert refusal.value.rule == "impossible_date"


@pytest.mark.parametrize(
    ("text", "zone", "stored"),
    [
        ("2026-02-14T08:30", "UTC", "2026-02-14 08:30:00"),
        ("2026-02-14T08:30", "America/Chicago", "2026-02-14 14:30:00"),
        ("2026-07-14T08:30", "Europe/Paris", "2026-07-14 06:30:00"),
        ("2026-02-14T08:30+05:30", "America/Chicago", "2026-02-14 03:00:00"),
        ("2026-02-14 08:30:15Z", "Europe/Paris", "2026-02-14 08:30:15"),
        ("2026-02-14", "America/Chicago", "2026-02-14 06:00:00"),
    ],
)
def test_time_without_an_offset_is_in_the_registry_s_zone(
    text: str, zone: str, stored: str
) -> None:
    assert Moment().reader(ZoneInfo(zone))(text) == stored


@given(st.lists(runs, min_size=1))
def test_positions_are_counted_out(parts: list[str]) -> None:
    found = expand_positions(Positions().read(" ; ".join(parts)))
    ends = [[int(end) for end in part.split("-")] for part in parts]
    assert len(found) == sum(end[-1] - end[0] + 1 for end in ends)
    assert all(any(end[0] <= place <= end[-1] for end in ends) for place in found)


@pytest.mark.parametrize("text", ["7-3", "0", "3,7", "3-", "-3", "a", "1-2-3"])
def test_what_is_no_range_of_positions_is_refused(text: str) -> None:
    with pytest.raises(CellError) as refusal:
        Positions().read(text)
    assert refusal.value.rule == "not_a_position"


@given(corners)
def test_outer_ring_of_an_outline_is_turned_counter_clockwise(
    corner: tuple[int, int, int, int],
) -> None:
    # RFC 7946, section 3.1.6: exterior rings are counter-clockwise, the first place is the last.
    ring = json.loads(Outline().read(rectangle(corner)))["coordinates"][0]
    doubled_area = sum(x * next_y - next_x * y for (x, y), (next_x, next_y) in pairwise(ring))
    assert doubled_area > 0
    assert ring[0] == ring[-1]


@given(corners)
def test_an_outline_that_was_read_reads_the_same_again(corner: tuple[int, int, int, int]) -> None:
    read = Outline().read(rectangle(corner))
    assert Outline().read(read) == read


@pytest.mark.parametrize(
    ("outline", "rule"),
    [
        ("{}", "broken_outline"),
        ("no JSON", "broken_outline"),
        ('{"type": "Point", "coordinates": [5, 45]}', "broken_outline"),
        ('{"type": "Polygon", "coordinates": []}', "broken_outline"),
        (
            '{"type": "Polygon", "coordinates": [[[185, 45], [186, 45], [186, 46], [185, 45]]]}',
            "off_the_globe",
        ),
    ],
)
def test_what_is_no_outline_is_refused(outline: str, rule: str) -> None:
    with pytest.raises(CellError) as refusal:
        Outline().read(outline)
    assert refusal.value.rule == rule
