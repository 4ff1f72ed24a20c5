"""Cells: what is written reads back the same, and what cannot be read is said plainly."""

import datetime as dt
import json
import re
import unicodedata
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import assume, given
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
    Name,
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
from scionreg.records.tables import KINDS, fields, table
from scionreg.records.vocabulary import (
    VOCABULARIES,
    BundleEventKind,
    Condition,
    Found,
    GraftMethod,
    Role,
    Word,
    spelling,
)

DITTOS = ["ditto", "DITTO", "do.", '"', "''", "〃", "same", "same as above", "idem", "id."]

plain_text = st.text(
    st.characters(exclude_categories=["Cc", "Cf", "Cs", "Co", "Cn", "Zs", "Zl", "Zp"])
    | st.just(" "),
    min_size=1,
).filter(
    lambda text: (
        text.strip() == text == unicodedata.normalize("NFC", text)
        and text.casefold() not in DITTOS
        and text != '-"-'
    )
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
    (Name(), plain_text),
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


HIDDEN = ["\u200b", "\u2060", "\ufeff", "\u202e", "\u2066", "\u00ad"]


@pytest.mark.parametrize("sign", HIDDEN, ids=ascii)
@pytest.mark.parametrize(
    "cell",
    [Code("mother_trees"), Ref(("stores",)), Name(), CultivarName(), Many()],
    ids=lambda cell: type(cell).__name__,
)
def test_what_cannot_be_seen_in_a_code_or_name_is_refused_with_its_place(
    cell: Cell, sign: str
) -> None:
    code = f"{ord(sign):04X}"
    with pytest.raises(CellError, match=rf"after 'N'.*U\+{code}") as refusal:
        cell.read(f"N{sign}1")
    assert refusal.value.rule == "unreadable_text"
    with pytest.raises(CellError, match="at its beginning"):
        cell.read(f"{sign}N1")


@pytest.mark.parametrize("sign", ["\u202e", "\u2067", "\ufeff"], ids=ascii)
def test_no_text_may_turn_the_reading_direction_round(sign: str) -> None:
    with pytest.raises(CellError, match="invisible character after 'wind, '"):
        Cell().read(f"wind, {sign}stopped")


def test_text_is_kept_in_one_form_of_unicode() -> None:
    assert Cell().read("caf\u0065\u0301") == Cell().read("caf\u00e9") == "caf\u00e9"
    assert Code("stores").read("N\u00a01") == "N 1"


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


@pytest.mark.parametrize(
    ("text", "number"),
    [
        *(("40", 40), ("40.0", 40), ("007", 7), ("+40", 40)),
        *(("١٢", 12), ("４０", 40)),
    ],
)
def test_whole_number_is_read_as_spreadsheets_write_it(text: str, number: int) -> None:
    assert Whole().read(text) == number


@pytest.mark.parametrize("text", ["4 0", "40.5", "1,000", "1e3", "0x10", "forty", "40-50", "1_0"])
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
    ("text", "right"),
    [
        ("1_000", "write 1000,"),
        ("1,000", "write 1000, .* or 1.000 where"),
        ("1 000", "write 1000,"),
        ("1e3", "write it out, 1000"),
    ],
)
@pytest.mark.parametrize("cell", [Whole(), Number(0, 100_000, "m")], ids=["whole", "decimal"])
def test_number_in_another_form_is_refused_alike_with_the_right_one(
    cell: Cell, text: str, right: str
) -> None:
    with pytest.raises(CellError, match=right) as refusal:
        cell.read(text)
    assert refusal.value.rule == "not_a_number"


@pytest.mark.parametrize(
    ("unit", "text", "number"),
    [
        *(("cm", "14 in", 35.56), ("cm", '14"', 35.56), ("cm", "0.35 m", 35), ("cm", "35cm", 35)),
        *(("cm", "1 ft 2 in", 35.56), ("m", "40 ft", 12.192), ("m", "10 yards", 9.144)),
        *(("°C", "45 °F", 7.222222), ("°C", "-4 F", -20), ("%", "85 %", 85), ("", "40%", 0.4)),
    ],
)
def test_number_with_a_unit_behind_it_is_converted(unit: str, text: str, number: float) -> None:
    assert Number(-60, 1 if not unit else 1000, unit).read(text) == number


@given(st.floats(0, 10_000, allow_nan=False), st.sampled_from(["cm", "m", "in", "ft", "yd", "mm"]))
def test_a_length_is_the_same_in_every_column_that_measures_lengths(
    number: float, unit: str
) -> None:
    text = f"{number:.6f} {unit}"
    in_metres, in_cm = Number(0, 1e9, "m").read(text), Number(0, 1e9, "cm").read(text)
    assert in_cm == pytest.approx(in_metres * 100, abs=1e-4)


@pytest.mark.parametrize("text", ["3 kg", "14 in 3", "in 14", "5 °F", "14 % in"])
def test_unit_that_a_length_cannot_have_is_refused_with_one_that_it_can(text: str) -> None:
    with pytest.raises(CellError, match="14 in with its unit"):
        Number(0, 1000, "cm").read(text)


def examples(right: str) -> list[str]:
    """Return what a message writes as an example."""
    return re.findall(r"as in ([^\s,()]+)", right)


@pytest.mark.parametrize("kind", KINDS)
def test_every_example_in_a_message_fits_its_column(kind: str) -> None:
    for column in fields(kind):
        cell = column.info["cell"]
        if isinstance(cell, Whole | Number | Day | Moment | Positions):
            _, refusal = read_or_refuse(cell, "?!")
            shown = examples(refusal.right)
            assert shown
            for example in shown:
                cell.read(example)


@pytest.mark.parametrize(("text", "stage"), [("tight", 0), ("Green tip", 3), ("scales_split", 2)])
def test_numbers_that_stand_for_stages_may_be_given_by_name(text: str, stage: int) -> None:
    assert table("collections").columns["bud_stage"].info["cell"].read(text) == stage


def test_a_decimal_comma_is_told_as_what_the_column_takes() -> None:
    with pytest.raises(CellError, match=r"write 4\.5, with a point"):
        Number(0, 100, "cm").read("4,5")
    with pytest.raises(CellError, match="'4,5' is not a whole number; as in 40"):
        Whole().read("4,5")


def test_dirty_numbers_never_read_as_another_number() -> None:
    for text in ("1.000,5", "1.2.3", "--4", "4-", "1/2", "½", "Ⅳ"):
        for cell in (Whole(), Number(0, 100)):
            assert read_or_refuse(cell, text)[0] is None


@pytest.mark.parametrize(
    ("text", "word"),
    [
        *(("4-flap", "four_flap"), ("4 flap", "four_flap"), ("FOUR FLAP", "four_flap")),
        *(("3-flap", "three_flap"), ("whip tongue", "whip_and_tongue")),
        *(("Whip & Tongue", "whip_and_tongue"), ("whip-and-tongue", "whip_and_tongue")),
        *(("T-bud", "t_bud"), ("side veneer", "side"), ("Chip budding", "chip_bud")),
    ],
)
def test_word_is_known_however_its_parts_are_put_together(text: str, word: str) -> None:
    assert Choice(GraftMethod).read(text) == word


def test_words_of_the_cooler_are_known() -> None:
    assert [Choice(Condition).read(text) for text in ("ok", "tight", "Moldy")] == [
        *("good", "good", "mould")
    ]
    assert Choice(BundleEventKind).read("discard") == "discarded"


@pytest.mark.parametrize("words", VOCABULARIES, ids=lambda words: words.__name__)
def test_no_spelling_means_two_words(words: type[Word]) -> None:
    meant: dict[str, str] = {}
    for word in words:
        for text in (word.value, *word.variants):
            assert meant.setdefault(spelling(text), word.value) == word.value


def test_misspelt_word_is_refused_with_the_likely_one() -> None:
    with pytest.raises(CellError, match=r"perhaps cleft; else one of: four_flap"):
        Choice(GraftMethod).read("clefft")


def test_words_may_be_parted_by_commas_since_none_holds_one() -> None:
    assert Many(Role).read("cutter, grafter") == "cutter;grafter"
    assert Many().read("Old Home, dwarf") == "Old Home, dwarf"


def test_positions_are_taken_with_commas_and_dashes() -> None:
    assert Positions().read("3, 7, 12–15") == "3;7;12-15"


FORMS = [
    *("{y}-{m:02}-{d:02}", "{y}/{m}/{d}", "{y}.{m}.{d}", "{y}-{m}-{d}", "{y}{m:02}{d:02}"),
    *("{d} {name} {y}", "{d}. {name} {y}", "{d}-{name:.3}-{y}", "{d}{name:.3}{y}"),
    *("{name} {d}, {y}", "{name:.3}. {d} {y}", "{d} of {name}, {y}", "{y} {name} {d}"),
]
MONTH_NAMES = [dt.date(2026, month, 1).strftime("%B") for month in range(1, 13)]


@given(st.dates(dt.date(1700, 1, 1), dt.date(2999, 12, 31)), st.sampled_from(FORMS))
def test_every_form_of_a_day_reads_as_that_day(day: dt.date, form: str) -> None:
    text = form.format(y=day.year, m=day.month, d=day.day, name=MONTH_NAMES[day.month - 1])
    for written in (text, text.upper(), text.lower()):
        assert Day().read(written) == day.isoformat()


@given(st.dates(dt.date(1700, 1, 1), dt.date(2999, 12, 31)), st.sampled_from("/.-"))
def test_a_day_in_numbers_is_taken_where_it_can_mean_no_other(day: dt.date, mark: str) -> None:
    month_first = f"{day.month}{mark}{day.day}{mark}{day.year}"
    day_first = f"{day.day}{mark}{day.month}{mark}{day.year}"
    for text in (month_first, day_first):
        value, refusal = read_or_refuse(Day(), text)
        if day.day > 12 or day.day == day.month:
            assert value == day.isoformat()
        else:
            assert refusal.rule == "ambiguous_date"
            assert day.isoformat() in refusal.right


@given(
    st.dates(dt.date(2000, 1, 1), dt.date(2099, 12, 31)),
    st.integers(0, 365),
    st.sampled_from(["{d} {name}", "{name:.3} {d}", "{d}. {name:.3}.", "{m}/{d}", "{d}.{m}."]),
)
def test_a_typed_day_without_a_year_is_the_last_one(today: dt.date, ago: int, form: str) -> None:
    day = today - dt.timedelta(days=ago)
    assume((day.month, day.day) != (2, 29))
    text = form.format(m=day.month, d=day.day, name=MONTH_NAMES[day.month - 1])
    typed = Day().typed(text, today)
    if "{m}" in form and day.day <= 12 and day.day != day.month:
        assert read_or_refuse(Day(), typed)[1].rule == "ambiguous_date"
    else:
        found = dt.date.fromisoformat(typed)
        assert (found.month, found.day) == (day.month, day.day)
        assert dt.timedelta() <= today - found <= dt.timedelta(days=366)


@pytest.mark.parametrize("text", ["today", "yesterday", "16 apr", "4/16"])
def test_file_does_not_hold_a_day_that_means_another_next_year(text: str) -> None:
    today = dt.date(2026, 5, 1)
    assert Day().read(Day().typed(text, today)) <= today.isoformat()
    assert read_or_refuse(Day(), text)[1].rule == "not_a_date"


@pytest.mark.parametrize(
    ("text", "readings"),
    [
        ("2/3/2026", ["2026-03-02", "2026-02-03"]),
        ("3/4/26", ["2026-04-03", "2026-03-04", "2003-04-26"]),
        ("3/4", ["YEAR-03-04", "YEAR-04-03"]),
    ],
)
def test_day_that_may_mean_several_is_refused_with_all_of_them(
    text: str, readings: list[str]
) -> None:
    with pytest.raises(CellError) as refusal:
        Day().read(Day().typed(text, dt.date(2026, 5, 1)))
    assert refusal.value.rule == "ambiguous_date"
    assert all(day in refusal.value.right for day in readings)


@pytest.mark.parametrize("text", ["2009", "2009-04", "April 2009"])
def test_date_without_a_day_is_said_to_lack_one(text: str) -> None:
    with pytest.raises(CellError, match="names no day"):
        Day().read(text)


@pytest.mark.parametrize(
    ("text", "stored"),
    [
        ("2026-04-30 8:00", "2026-04-30 06:00:00"),
        ("30 April 2026 8:05 pm", "2026-04-30 18:05:00"),
        ("April 30, 2026, 12:15 am", "2026-04-29 22:15:00"),
        ("4/30/2026 8:00+00:00", "2026-04-30 08:00:00"),
        ("yesterday 9:30", "2026-05-01 07:30:00"),
    ],
)
def test_time_is_taken_as_people_type_it(text: str, stored: str) -> None:
    typed = Moment().typed(text, dt.date(2026, 5, 2))
    assert Moment().reader(ZoneInfo("Europe/Paris"))(typed) == stored


def test_time_that_the_clock_left_out_is_refused_with_the_next_one() -> None:
    read = Moment().reader(ZoneInfo("Europe/Paris"))
    with pytest.raises(CellError, match=r"put forward .*03:30"):
        read("2026-03-29T02:30")
    assert read("2026-03-29T03:30") == read("2026-03-29T02:30+01:00") == "2026-03-29 01:30:00"
    assert read("2026-10-25T02:30") == "2026-10-25 00:30:00"  # the first of two


@given(
    st.builds(
        dt.datetime.combine, st.dates(dt.date(1990, 1, 1), dt.date(2039, 12, 31)), st.times()
    ),
    st.sampled_from(["Europe/Paris", "America/Chicago", "Australia/Lord_Howe", "UTC"]),
)
def test_a_time_is_refused_only_where_no_clock_showed_it(time: dt.datetime, zone: str) -> None:
    time = time.replace(microsecond=0)
    here = ZoneInfo(zone)
    try:
        stored = Moment().reader(here)(time.isoformat(" "))
    except CellError:
        stored = ""
    there = time.replace(tzinfo=here).astimezone(dt.UTC)
    was_shown = there.astimezone(here).replace(tzinfo=None) == time
    assert stored == (f"{there:%Y-%m-%d %H:%M:%S}" if was_shown else "")


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


@pytest.mark.parametrize("text", ["7-3", "0", "3 7", "3-", "-3", "a", "1-2-3"])
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
