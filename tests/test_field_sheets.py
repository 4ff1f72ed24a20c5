"""Field sheets: filled in with what is due, drawn so that nothing is lost, and taken in again."""

import csv
import datetime as dt
import shutil
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pypdfium2
import pytest
from hypothesis import given
from hypothesis import strategies as st
from nursery import LOT, add, everything, furnish
from openpyxl import load_workbook

from scionreg.api import Registry
from scionreg.documents.field_sheets import icons
from scionreg.documents.field_sheets.filling import Wanted, fill
from scionreg.documents.field_sheets.kinds import (
    SHEETS,
    US,
    kind_of_sheet,
    numbered,
    on_paper,
    tell,
)
from scionreg.documents.field_sheets.page import (
    FINE,
    HEADING_EDGES,
    MARGIN,
    NUMBER,
    _columns,
    _shared,
    _wrapped,
    write_pdf,
)
from scionreg.documents.field_sheets.sheet import ABOUT, DAYS, PEOPLE, FieldSheet, Line
from scionreg.documents.field_sheets.writing import write_sheet
from scionreg.documents.pdf import BOLD, MM, PAPERS, REGULAR, usual_paper, width
from scionreg.lineage.due import not_counted, not_tied
from scionreg.lineage.known import read_known
from scionreg.records import codes
from scionreg.records.cells import Choice
from scionreg.records.errors import RegistryError
from scionreg.records.tables import KINDS, fields
from scionreg.records.words import english, read_words
from scionreg.registry.store import Store
from scionreg.sheeting import write_sheets
from scionreg.take.stages import EARLY_UNTIL, TOO_YOUNG

WORDS = english()
JUNE = dt.date(2026, 6, 15)


@pytest.fixture
def nursery(demo: str) -> Iterator[Registry]:
    """The invented nursery, for reading."""
    with Registry.open(demo) as registry:
        yield registry


@pytest.fixture(scope="module")
def due(demo: str) -> dict[str, FieldSheet]:
    """Every sheet with what is due on a day of January, in the nursery's own words."""
    with Registry.open(demo) as registry:
        day = dt.date(2027, 1, 20)
        made = {name: registry.field_sheet(name, day=day, person="P05") for name in SHEETS}
        may = dt.date(2026, 5, 15)
        made |= {name: registry.field_sheet(name, day=may) for name in ("grafting", "counting")}
        return made


@pytest.fixture
def own(demo: str, tmp_path: Path) -> Iterator[Registry]:
    """A copy of the invented nursery to write into."""
    with Registry.open(shutil.copy(demo, tmp_path / "registry.db")) as registry:
        yield registry


def filled(registry: Registry, name: str, **wanted: Any) -> FieldSheet:
    return registry.field_sheet(name, **wanted)


def about(sheet: FieldSheet) -> list[str]:
    """Return the codes that the rows are about, in order."""
    return [line.cells[ABOUT[sheet.kind]] for line in sheet.lines]


def printed(sheet: FieldSheet, folder: Path, **options: Any) -> list[str]:
    """Write a sheet as PDF and return the text of each page."""
    file = folder / "sheet.pdf"
    write_pdf(sheet, file, options.pop("words", WORDS), **{"blank": 0, **options})
    document = pypdfium2.PdfDocument(file)
    texts = [page.get_textpage().get_text_bounded() for page in document]
    document.close()
    return texts


def flat(text: str) -> str:
    """Return text without its line breaks, which are the printer's."""
    return " ".join(text.split())


# What is due


@pytest.mark.parametrize(
    "day", ["2026-03-05", "2026-04-20", "2026-06-15", "2026-08-01", "2026-10-10", "2026-11-20"]
)
def test_lots_due_for_a_count_are_those_a_plain_reading_finds(nursery: Registry, day: str) -> None:
    today = dt.date.fromisoformat(day)
    counts: dict[str, list[dt.date]] = {}
    for count in nursery.records("take_counts"):
        when = dt.date.fromisoformat(count["date"])
        if when <= today:
            counts.setdefault(count["graft_lot"], []).append(when)
    due = set()
    for lot in nursery.records("graft_lots"):
        grafted = dt.date.fromisoformat(lot.get("date", "1900-01-01"))
        ages = [(when - grafted).days for when in counts.get(lot["graft_lot"], [])]
        age = (today - grafted).days
        if (365 >= age > 100 and not any(each > 100 for each in ages)) or (
            21 <= age <= 100 and not any(each >= 21 for each in ages)
        ):
            due.add(lot["graft_lot"])
    assert set(about(filled(nursery, "counting", day=today))) == due


def test_a_lot_is_due_from_the_first_to_the_last_day(store: Store) -> None:
    """G26-0001-7 was grafted on 10 March 2026."""
    furnish(store)
    march, since = dt.date(2026, 3, 10), dt.date(2025, 7, 1)

    def due(age: int) -> bool:
        with store.reading() as connection:
            day = march + dt.timedelta(days=age)
            return not_counted(
                connection, since, day, too_young=TOO_YOUNG, early_until=EARLY_UNTIL
            ) == ["G26-0001-7"]

    assert [due(20), due(21), due(100), due(101)] == [False, True, True, True]
    add(store, "take_counts", graft_lot="G26-0001-7", date=march + dt.timedelta(30), pushing=15)
    assert [due(29), due(30), due(100), due(101)] == [True, False, False, True]
    add(store, "take_counts", graft_lot="G26-0001-7", date=march + dt.timedelta(101), pushing=15)
    assert not due(200)


def test_lots_to_count_come_row_by_row(nursery: Registry) -> None:
    sheet = filled(nursery, "counting", day=JUNE)
    placed = {lot["graft_lot"]: lot for lot in nursery.records("graft_lots")}
    places = [
        (placed[code]["block"], placed[code]["row"], placed[code]["first"])
        for code in about(sheet)
        if placed[code].get("row")
    ]
    assert places == sorted(places)
    assert len(places) > 50


def test_cuttings_are_to_be_packed_until_a_bundle_is_tied_from_them(store: Store) -> None:
    furnish(store)
    add(store, "collections", tree="T26-0001-7", date="2026-02-03", sticks=30)
    season = dt.date(2025, 7, 1), dt.date(2026, 2, 3)
    with store.reading() as connection:
        assert not_tied(connection, *season) == ["C26-0002-5"]
        assert not_tied(connection, season[0], dt.date(2026, 2, 2)) == []
        sheet = fill(connection, "packing", Wanted(day=season[1]), WORDS)
    assert about(sheet) == ["C26-0002-5"]
    assert "30 sticks" in sheet.lines[0].told
    add(store, "bundles", collection="C26-0002-5", sticks=30, packed="2026-02-03")
    with store.reading() as connection:
        assert not_tied(connection, *season) == []


def test_what_was_cut_in_an_earlier_season_is_no_longer_to_be_packed(store: Store) -> None:
    furnish(store)
    add(store, "collections", tree="T26-0001-7", date="2026-02-03", sticks=30)
    registry = Registry(store)
    for first_day, later in (("07-01", 1), ("04-01", 0)):
        registry.change_settings(season_first_day=first_day, recorder="P01")
        for day, wood in (("2026-03-31", 1), ("2026-05-01", later)):
            sheet = registry.field_sheet("packing", day=dt.date.fromisoformat(day))
            assert len(sheet.lines) == wood, (first_day, day)


def test_trees_to_cut_come_in_walking_order_with_what_must_not_be_cut_beside_them(
    nursery: Registry,
) -> None:
    trees = {"T24-0035-1": 60, "T24-0051-0": None, "T24-0038-0": 20}
    sheet = filled(nursery, "cutting", about=trees)
    walk = nursery.walk(trees)
    assert about(sheet) == list(walk.codes)
    for line, stop in zip(sheet.lines, walk.stops, strict=True):
        assert line.warned == (*stop.do_not_cut(), *stop.cautions)
        assert ("cut " in line.told) == (stop.sticks is not None)
    assert any("do not cut the next one" in said for line in sheet.lines for said in line.warned)


def test_trees_that_may_not_be_cut_are_not_listed(
    nursery: Registry, due: dict[str, FieldSheet]
) -> None:
    rows = nursery.outlook(first=2027, seasons=1).to_rows()
    sheet = due["cutting"]
    assert set(about(sheet)) == {row["tree"] for row in rows if row["eligible"]}
    assert 0 < len(about(sheet)) < len(rows)


def test_nothing_to_cut_is_an_empty_sheet(store: Store) -> None:
    with store.reading() as connection:
        assert fill(connection, "cutting", Wanted(), WORDS).lines == ()


def test_a_private_place_is_on_no_paper(own: Registry, tmp_path: Path) -> None:
    tree = next(each for each in own.records("mother_trees") if each["tree"] == "T24-0035-1")
    assert "AB row 1" in filled(own, "cutting", about={"T24-0035-1": None}).lines[0].told
    own.correct("mother_trees", tree["tree"], why="asked", recorder="P01", location_private="yes")
    told = filled(own, "cutting", about={"T24-0035-1": None}).lines[0].told
    assert "AB" not in told
    assert told == "Tillowby Red"


def test_paper_does_not_tell_beside_which_tree_a_private_one_stands(own: Registry) -> None:
    hidden, next_to_it = "T24-0039-5", "T24-0038-0"
    own.correct("mother_trees", hidden, why="asked", recorder="P01", location_private="yes")
    sheet = filled(own, "cutting", about=dict.fromkeys((hidden, next_to_it)))
    warned = {line.cells["tree"]: "; ".join(line.warned) for line in sheet.lines}
    assert "the next one: it is Cossamer (its place is private)" in warned[next_to_it]
    assert "the next one: it is another cultivar (its place is private)" in warned[hidden]
    assert next_to_it not in warned[hidden]


def test_wood_to_graft_is_what_may_be_used_and_first_what_must_be(nursery: Registry) -> None:
    day = dt.date(2026, 5, 15)
    sheet = filled(nursery, "grafting", day=day, block="N26", row=7, person="P05")
    at = dt.datetime(2026, 5, 15, 12, tzinfo=nursery.settings.zone)
    report = nursery.store_report(now=True, at=at)
    assert about(sheet) == [each.bundle for each in report.usable()]
    assert {line.cells["block"] for line in sheet.lines} == {"N26"}
    assert {line.cells["row"] for line in sheet.lines} == {"7"}


def test_a_cooler_round_goes_shelf_by_shelf_and_says_what_may_not_be_used(
    nursery: Registry,
) -> None:
    sheet = filled(nursery, "cooler", store="S24-0001-5")
    report = nursery.store_report(store="S24-0001-5", now=True)
    assert set(about(sheet)) == {each.bundle for each in report.bundles}
    shelf = {each["bundle"]: each.get("shelf") or "" for each in nursery.records("bundles")}
    assert [shelf[code] for code in about(sheet)] == sorted(shelf[code] for code in about(sheet))
    barred = {each.bundle: each.may_not_be_used for each in report.bundles}
    assert all(line.warned == barred[line.cells["bundle"]] for line in sheet.lines)
    assert {line.cells["event"] for line in sheet.lines} == {"checked"}


def test_bundles_that_are_named_are_listed_whatever_is_left_of_them(nursery: Registry) -> None:
    used_up = {"B26-0001-7": None}
    assert about(filled(nursery, "cooler", about=used_up)) == ["B26-0001-7"]
    assert about(filled(nursery, "grafting", about=used_up)) == ["B26-0001-7"]


def test_trees_to_look_at_are_those_that_nobody_is_sure_of(nursery: Registry) -> None:
    sheet = filled(nursery, "identity")
    known = {each.tree: each.status.value for each in nursery.status().trees}
    listed = {known[code] for code in about(sheet)}
    assert listed <= {"named_only", "on_paper", "doubtful"}
    assert {tree for tree, status in known.items() if status in listed} == set(about(sheet))


def test_only_the_work_of_a_block_or_row(nursery: Registry) -> None:
    every = filled(nursery, "counting", day=JUNE)
    one = filled(nursery, "counting", day=JUNE, block="N26", row=2)
    assert 0 < len(one.lines) < len(every.lines)
    assert all("N26 row 2," in line.told for line in one.lines)
    assert filled(nursery, "counting", day=JUNE, block="AB").lines == ()
    bank = filled(nursery, "cutting", day=JUNE, block="AB")
    assert bank.lines
    assert all("AB row" in line.told for line in bank.lines)


@pytest.mark.parametrize(
    ("name", "wanted", "says"),
    [
        ("pruning", {}, "the sheets are cutting"),
        ("graft_lots", {}, "the sheets are cutting"),
        ("counting", {"about": {"G26-0001-8": None}}, "did you mean G26-0001-7"),
        ("counting", {"about": {"B26-0001-7": None}}, "is a bundle; this sheet is about a graft"),
        ("counting", {"person": "P99"}, "no person 'P99'"),
        ("counting", {"block": "Nowhere"}, "no block 'Nowhere'"),
        ("cooler", {"store": "S26-0099-9"}, "no store"),
    ],
)
def test_nothing_is_printed_that_is_not_recorded(
    nursery: Registry, name: str, wanted: dict[str, Any], says: str
) -> None:
    with pytest.raises(RegistryError, match=says):
        filled(nursery, name, **wanted)


# What is told of a code


def test_what_is_told_of_a_code_is_what_its_records_say(nursery: Registry) -> None:
    with nursery.store.reading() as connection:

        def of(kind: str, code: str) -> str:
            return tell(read_known(connection, kind, [code])[code], WORDS)

        assert of("mother_trees", "Old-3") == "Brellan · OG row 2, position 1"
        assert of("graft_lots", "G26-0005-8") == (
            "Vorlund · 19 Feb 2026 · 28 grafts · N26 row 1, positions 35–62"
        )
        collection = next(nursery.records("collections", collection="C24-0001-5"))
        told = of("collections", "C24-0001-5")
        assert collection["tree"] in told
        assert f"{collection['sticks']} sticks" in told
        mixed = next(iter(nursery.records("bundle_parents")))["bundle"]
        names = {
            name
            for source in nursery.trace(mixed).sources
            for name in [source.cultivar]
            if source.collection
        }
        assert set(of("bundles", mixed).partition(" · ")[0].split(" + ")) == names
        assert read_known(connection, "people", ["P01"]) == {}


# On paper


def test_every_sheet_has_all_columns_of_the_csv_file_with_words_and_pictures(
    tmp_path: Path,
) -> None:
    for name, kind in SHEETS.items():
        (text,) = printed(FieldSheet(name=name, kind=kind, lines=()), tmp_path, blank=1)
        for column in on_paper(kind):
            unit = getattr(column.info["cell"], "unit", "")
            heading = WORDS(f"field_sheet.heading.{column.name}", unit=unit)
            assert all(word in text for word in heading.split()), (name, heading)
            assert icons.of_column(kind, column.name)
            if isinstance(column.info["cell"], Choice):
                for number, word in numbered(column.info["cell"]).items():
                    said = WORDS.word(column.info["cell"].words(word))
                    assert f"{number} {said}" in flat(text)


def english_heading(column: str) -> str:
    return WORDS(f"field_sheet.heading.{column}", unit="{unit}")


def test_columns_stand_in_the_order_of_the_csv_file(tmp_path: Path) -> None:
    """Read off the page: where each column's head begins."""
    for name, kind in SHEETS.items():
        file = tmp_path / f"{name}.pdf"
        names = [column.name for column in on_paper(kind)]
        marks = {column: f"x{at:02d}" for at, column in enumerate(names)}
        catalogue = tmp_path / "marks.toml"
        unit = {each: " {unit}" * ("{unit}" in english_heading(each)) for each in names}
        lines = [f'{each} = "{mark}{unit[each]}"' for each, mark in marks.items()]
        catalogue.write_text("\n".join(["[field_sheet.heading]", *lines]))
        sheet = FieldSheet(name=name, kind=kind, lines=())
        write_pdf(sheet, file, read_words(catalogue), blank=1)
        document = pypdfium2.PdfDocument(file)
        page = document[0].get_textpage()
        left = []
        for mark in marks.values():
            found = page.search(mark).get_next()
            assert found is not None, (name, mark)
            left.append(page.get_charbox(found[0])[0])
        document.close()
        assert left == sorted(left)


@pytest.mark.parametrize("name", SHEETS)
@pytest.mark.parametrize(("units", "size"), [("SI", (297, 210)), ("US", (279.4, 215.9))])
def test_all_that_is_filled_in_is_on_paper_within_the_margins(
    due: dict[str, FieldSheet], tmp_path: Path, name: str, units: str, size: tuple[float, float]
) -> None:
    sheet = due[name]
    pages = printed(sheet, tmp_path, units=units)
    text = flat(" ".join(pages))
    for number, line in enumerate(sheet.lines, start=1):
        assert str(number) in text
        for written in (*line.cells.values(), *line.warned, line.told):
            assert flat(written).replace(" ", "") in text.replace(" ", ""), written
    document = pypdfium2.PdfDocument(tmp_path / "sheet.pdf")
    assert len(document) == len(pages)
    for page in document:
        assert page.get_size() == pytest.approx([each * MM for each in size], abs=0.1)
        picture = page.render(scale=1, grayscale=True).to_numpy()
        edge = int(5 * MM)
        framed = picture.copy()
        framed[edge:-edge, edge:-edge] = 255
        assert framed.min() == 255, "nothing in the margin"
        assert (picture < 128).mean() > 0.01
    document.close()


def test_cautions_are_on_the_first_page_only(due: dict[str, FieldSheet], tmp_path: Path) -> None:
    pages = printed(due["cutting"], tmp_path)
    caution = WORDS("caution.tools")
    assert len(pages) > 2
    assert [caution in flat(page) for page in pages] == [True, *[False] * (len(pages) - 1)]
    assert all(f"page {number} of {len(pages)}" in page for number, page in enumerate(pages, 1))


def test_blank_rows_fill_the_page_and_are_numbered_on(tmp_path: Path) -> None:
    empty = FieldSheet(name="packing", kind="bundles", lines=())
    (page,) = printed(empty, tmp_path)
    assert " 10" in flat(page)
    pages = printed(empty, tmp_path, blank=40)
    assert len(pages) == 3
    assert "40" in flat(pages[-1])


def test_numbers_of_many_rows_stay_in_their_column(tmp_path: Path) -> None:
    file = tmp_path / "many.pdf"
    write_pdf(FieldSheet(name="packing", kind="bundles", lines=()), file, WORDS, blank=1000)
    document = pypdfium2.PdfDocument(file)
    page = document[len(document) - 1].get_textpage()
    at, length = page.search("1000").get_next()
    left = page.get_charbox(at)[0] / MM
    right = page.get_charbox(at + length - 1)[2] / MM
    assert MARGIN < left < right < MARGIN + NUMBER
    document.close()


def test_long_texts_are_broken_not_cut(tmp_path: Path) -> None:
    code = "Alte-Streuobstwiese-hinter-der-Scheune-Reihe-12-Baum-7-Nord"
    cells = {"tree": code, "limb": "Südast über dem Weg", "cutter": "P05"}
    line = Line(cells=cells, told="lang " * 80, warned=("Ж" * 400,))
    sheet = FieldSheet(name="cutting", kind="collections", lines=(line,) * 12)
    text = "".join("".join(printed(sheet, tmp_path)).split())
    # The reader of the page gives a hyphen at the end of a line as a mark of its own.
    assert text.replace("\x02", "-").count(code) == 12
    assert text.count("Südastüber") == 12
    assert text.count("lang") == 12 * 80
    assert text.count("Ж") == 12 * 400


@given(st.text(st.characters(exclude_categories=["C"]), max_size=200), st.floats(8, 60))
def test_wrapped_lines_fit_and_hold_every_letter(text: str, room: float) -> None:
    lines = _wrapped(text, REGULAR, 8, room)
    assert "".join("".join(lines).split()) == "".join(text.split())
    assert all(len(line) == 1 or width(line, REGULAR, 8) / MM <= room for line in lines)


def test_what_is_printed_can_be_translated(tmp_path: Path) -> None:
    german = tmp_path / "german.toml"
    german.write_text('[field_sheet.title]\ncutting = "Schnitt"\n', encoding="utf-8")
    sheet = FieldSheet(name="cutting", kind="collections", lines=())
    (page,) = printed(sheet, tmp_path, words=read_words(german), blank=1)
    assert "Schnitt" in page
    assert "shoots" in page, "what is not translated is English"


def test_lengths_are_headed_by_the_nurserys_units(tmp_path: Path) -> None:
    sheet = FieldSheet(name="cutting", kind="collections", lines=())
    assert "length cm" in flat(printed(sheet, tmp_path, units="SI", blank=1)[0])
    assert "length in" in flat(printed(sheet, tmp_path, units="US", blank=1)[0])


@pytest.mark.parametrize("units", ["SI", "US"])
@pytest.mark.parametrize("name", SHEETS)
def test_no_word_of_a_heading_is_broken(name: str, units: str) -> None:
    room = PAPERS[usual_paper(units)][1] - 2 * MARGIN - NUMBER
    columns = _columns(kind_of_sheet(name), WORDS, units, room)
    assert sum(each.wide for each in columns) == pytest.approx(room)
    for each in columns:
        lines = _wrapped(each.heading, BOLD, FINE, each.wide - HEADING_EDGES)
        assert " ".join(lines) == each.heading


def test_columns_share_the_width_by_weight_where_words_are_too_wide() -> None:
    assert _shared(100, [1, 1, 2], [10, 30, 10]) == [
        pytest.approx(each) for each in (70 / 3, 30, 140 / 3)
    ]
    assert _shared(100, [1, 1, 2], [60, 60, 60]) == [25, 25, 50]


@pytest.mark.parametrize(("unit", "text", "stored"), [("cm", "18", "45.72"), ("m", "10", "3.048")])
def test_inches_and_feet_are_exact(unit: str, text: str, stored: str) -> None:
    """International yard and pound agreement, 1959: an inch is 2.54 cm, a foot 0.3048 m."""
    assert US[unit].stored(text) == stored
    assert US[unit].shown(stored) == text


# Printed, filled in, typed in


def test_a_sheet_is_printed_filled_in_typed_and_is_the_records_expected(
    own: Registry, tmp_path: Path
) -> None:
    """The typist follows the paper; somebody else fills in the file and imports it."""
    paper, rows = tmp_path / "counting.pdf", tmp_path / "take_counts.csv"
    wanted = Wanted(day=JUNE, person="P10", block="N26", row=2)
    sheet = write_sheets(own, "counting", [paper, rows], wanted, WORDS)
    assert sheet is not None
    with rows.open(encoding="utf-8", newline="") as file:
        written = list(csv.DictReader(file))
    assert written == sheet.to_rows() == sheet.to_frame().to_dict("records")
    pushing = {row["graft_lot"]: str(number) for number, row in enumerate(written, start=5)}

    other = Registry.open(shutil.copy(own.store.name, tmp_path / "other.db"))
    entry = own.enter(str(rows), recorder="P01")
    for row in written:
        for column in fields("take_counts"):
            text = pushing[row["graft_lot"]] if column.name == "pushing" else ""
            assert not [said for said in entry.take(text).lines if "wrong" in said]
    entry.take(".")
    assert len(entry.take("yes").keys) == len(written)

    with rows.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(written[0]))
        writer.writeheader()
        writer.writerows({**row, "pushing": pushing[row["graft_lot"]]} for row in written)
    other.import_files(rows, recorder="P01")
    assert everything(own.store)["take_counts"] == everything(other.store)["take_counts"]
    other.close()
    assert about(filled(own, "counting", day=JUNE, block="N26", row=2)) == []


def test_a_workbook_of_a_sheet_has_its_rows(nursery: Registry, tmp_path: Path) -> None:
    file = tmp_path / "counting.xlsx"
    sheet = filled(nursery, "counting", day=JUNE, person="P10")
    write_sheet(sheet, file, WORDS, units="SI")
    rows = list(load_workbook(file)["take_counts"].iter_rows(min_row=2, values_only=True))
    assert [row[0] for row in rows] == about(sheet)
    assert {row[2] for row in rows} == {"P10"}


def test_codes_on_paper_are_reserved_so_no_two_papers_have_the_same(
    own: Registry, tmp_path: Path
) -> None:
    wanted = Wanted(about={"T24-0035-1": None}, day=dt.date(2026, 1, 20), person="P03")
    given: list[str] = []
    for number in (1, 2):
        sheet = write_sheets(
            own,
            "cutting",
            [tmp_path / f"{number}.pdf"],
            wanted,
            WORDS,
            reserve=True,
            blank=2,
            recorder="P01",
        )
        assert sheet is not None
        given += [line.cells["collection"] for line in sheet.lines]
    assert len(given) == len(set(given)) == 6
    assert all(codes.is_issued(code) and code.startswith("C26-") for code in given)
    recorded = own.record("collections", tree="T24-0035-1", date="2026-01-20", sticks=5)
    assert recorded.key not in given
    first = own.record("collections", collection=given[0], tree="T24-0035-1", sticks=5)
    assert first.key == given[0]


@pytest.mark.parametrize(
    ("name", "wanted", "says"),
    [
        ("counting", {"person": "P03"}, "has no code of its own"),
        ("cutting", {}, "--for"),
        ("packing", {"person": "P03", "day": JUNE}, "--blank"),
    ],
)
def test_codes_that_cannot_be_reserved_are_said(
    own: Registry, tmp_path: Path, name: str, wanted: dict[str, Any], says: str
) -> None:
    with pytest.raises(RegistryError, match=says):
        write_sheets(own, name, [tmp_path / "x.pdf"], Wanted(**wanted), WORDS, reserve=True)
    assert not (tmp_path / "x.pdf").exists()


def test_every_sheet_has_a_column_for_what_it_is_about(due: dict[str, FieldSheet]) -> None:
    for name, kind in SHEETS.items():
        columns = {column.name for column in fields(kind)}
        assert {ABOUT[kind], PEOPLE.get(kind), DAYS.get(kind)} - {None} <= columns
        sheet = due[name]
        assert sheet.to_dict()["name"] == name
        assert len(sheet.to_dict()["rows"]) == len(sheet.lines)


# From the command line

Run = Callable[..., Any]


def sheets(run: Run, registry: str, *words: str) -> Any:
    return run("sheets", *words, "--registry", registry)


def test_sheets_are_written_by_the_command(run: Run, demo: str, tmp_path: Path) -> None:
    names = ["counting.pdf", "counting.csv", "counting.xlsx"]
    said = sheets(run, demo, "counting", *names, "--date", "2026-06-15", "--for", "P05")
    assert said.code == 0
    assert said.out.split() == names
    assert "rows filled in: 91" in said.err
    assert all((tmp_path / name).stat().st_size for name in names)
    assert len((tmp_path / "counting.csv").read_text().splitlines()) == 92


def test_a_plan_becomes_a_cutting_sheet(run: Run, demo: str, tmp_path: Path) -> None:
    (tmp_path / "plan.csv").write_text("tree,season,sticks\nT24-0035-1,2027,60\nOld-3,2027,0\n")
    said = sheets(run, demo, "cutting", "cutting.csv", "--list", "plan.csv", "--season", "2027")
    assert said.code == 0
    with (tmp_path / "cutting.csv").open(encoding="utf-8") as file:
        assert [row["tree"] for row in csv.DictReader(file)] == ["T24-0035-1"]


def test_a_workbook_of_every_kind(run: Run, demo: str, tmp_path: Path) -> None:
    assert sheets(run, demo, "all", "records.xlsx").code == 0
    book = load_workbook(tmp_path / "records.xlsx")
    assert set(KINDS) < set(book.sheetnames)
    said = sheets(run, demo, "all", "records.pdf")
    assert said.code == 1
    assert "must end in .xlsx" in said.err


def test_nothing_due_is_said(run: Run, demo: str) -> None:
    said = sheets(run, demo, "packing", "packing.pdf", "--date", "2026-06-15")
    assert said.code == 0
    assert "nothing is due" in said.err


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["counting", "x.doc"], "must end in .pdf, .csv or .xlsx"),
        (["counting", "no/x.pdf"], "cannot be written"),
        (["counting", "no/x.csv"], "cannot be written"),
        (["counting", "no/x.xlsx"], "cannot be written"),
        (["counting", "x.pdf", "--row", "3"], "--block"),
        (["cutting", "x.pdf", "--code", "Old-3", "--list", "x.csv"], "not both"),
        (["cutting", "x.pdf", "--words", "x.toml"], "cannot be read"),
    ],
)
def test_what_cannot_be_done_is_one_sentence(
    run: Run, demo: str, words: Sequence[str], says: str
) -> None:
    said = sheets(run, demo, *words)
    assert said.code == 1
    assert says in said.err
    assert said.out == ""


def test_codes_are_reserved_by_whoever_asks(run: Run, own: Registry, tmp_path: Path) -> None:
    words = ["packing", "packing.csv", "--codes", "--blank", "4", "--for", "P04", "--by", "P01"]
    assert sheets(run, own.store.name, *words).code == 0
    with (tmp_path / "packing.csv").open(encoding="utf-8") as file:
        given = [row["bundle"] for row in csv.DictReader(file)]
    assert len(given) == 4
    assert all(codes.kind_of(code) == "bundles" for code in given)


def test_lots_grafted_here_are_told_with_their_method_left_to_write(store: Store) -> None:
    furnish(store)
    add(store, "graft_lots", bundle="B26-0001-7", grafts=5, **LOT)
    with store.reading() as connection:
        wanted = Wanted(about={"G26-0002-5": None}, person="P02")
        sheet = fill(connection, "counting", wanted, WORDS)
    assert dict(sheet.lines[0].cells) == {"graft_lot": "G26-0002-5", "scorer": "P02"}
    assert sheet.lines[0].told == "Fernhill · 10 Mar 2026 · 5 grafts"


def test_what_is_held_is_left_out_of_due_grafting_and_marked_where_work_on_it_is_due(
    filled: Callable[[Callable[[Store], None]], Store],
) -> None:
    registry = Registry(filled(furnish))
    registry.record("collections", tree="T26-0001-7", date="2026-01-21", sticks=9, recorder="P01")

    def lines(name: str, day: str, *about: str) -> list[Line]:
        with registry.store.reading() as connection:
            wanted = Wanted(day=dt.date.fromisoformat(day), about=dict.fromkeys(about))
            return list(fill(connection, name, wanted, WORDS).lines)

    def held(found: list[Line]) -> list[bool]:
        return [any("on hold" in each for each in line.warned) for line in found]

    days = {"grafting": "2026-02-01", "packing": "2026-01-22", "counting": "2026-06-15"}
    for name, day in days.items():
        assert held(lines(name, day)) == [False], name
    for code in ("B26-0001-7", "C26-0002-5", "G26-0001-7"):
        registry.hold(code, day=dt.date(2026, 1, 21), recorder="P01")
    assert lines("grafting", days["grafting"]) == []
    assert held(lines("grafting", days["grafting"], "B26-0001-7")) == [True]
    assert held(lines("packing", days["packing"])) == [True]
    assert held(lines("counting", days["counting"])) == [True]
