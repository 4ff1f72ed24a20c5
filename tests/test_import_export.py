"""What goes out comes in again the same: folders, workbooks, both engines, any text."""

import csv
import datetime as dt
import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from contextlib import AbstractContextManager, closing
from pathlib import Path

import pytest
from full_nursery import RECORDS, Rows, contents, unfilled, write_folder, write_outline
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from sqlalchemy import text
from strategies import registries

from benchmarks import postgres
from scionreg.exchange import importing
from scionreg.exchange.exporting import export_folder
from scionreg.exchange.importing import import_files
from scionreg.records.cells import CellError, plain_text, refuse_ditto, shield
from scionreg.records.errors import RegistryError
from scionreg.records.tables import KINDS, fields
from scionreg.registry.audit import audit
from scionreg.registry.create import create_store
from scionreg.registry.issuing import reserve
from scionreg.registry.journal import lines
from scionreg.registry.recording import record, record_all
from scionreg.registry.settings import Settings, read_settings, write_settings
from scionreg.registry.store import Store, open_store

NewStore = Callable[[], AbstractContextManager[Store]]


@pytest.fixture
def full(tmp_path: Path) -> Path:
    """A season folder with every column filled."""
    return write_folder(tmp_path / "full", RECORDS)


def files(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def take(store: Store, path: Path) -> None:
    imported = import_files(store, [path], by="P01")
    assert [str(each) for each in imported.problems if each.trouble == "refused"] == []


def faults_of(store: Store) -> list[str]:
    with store.reading() as connection:
        return [str(found) for found in audit(connection) if found.trouble == "refused"]


def line_count(store: Store) -> int:
    with store.reading() as connection:
        return len(list(lines(connection)))


def test_the_full_nursery_fills_every_column() -> None:
    assert set(RECORDS) == set(KINDS)
    assert unfilled() == set()


def test_an_exported_registry_comes_in_again_the_same(
    new_store: NewStore, full: Path, tmp_path: Path
) -> None:
    with new_store() as first, new_store() as second:
        take(first, full)
        export_folder(first, tmp_path / "once")
        take(second, tmp_path / "once")
        export_folder(second, tmp_path / "twice")
        assert contents(second) == contents(first)
        assert files(tmp_path / "twice") == files(tmp_path / "once")
        assert faults_of(first) == faults_of(second) == []


def test_a_registry_moves_to_the_other_engine_and_back(
    postgresql: postgres.Server, full: Path, tmp_path: Path
) -> None:
    name = tmp_path.name.lower()
    urls = [
        str(tmp_path / "first.db"),
        postgresql.create(f"{name}_there", template="empty"),
        str(tmp_path / "back.db"),
    ]
    create_store(urls[0]).close()
    create_store(urls[2]).close()
    found, folder = [], full
    for number, url in enumerate(urls):
        with closing(open_store(url)) as store:
            take(store, folder)
            folder = tmp_path / f"out{number}"
            export_folder(store, folder)
            found.append((contents(store), files(folder)))
    assert found[0] == found[1] == found[2]


@settings(max_examples=5)
@given(records=registries())
def test_any_registry_comes_in_again_the_same(
    new_store: NewStore, tmp_path_factory: pytest.TempPathFactory, records: Rows
) -> None:
    place = tmp_path_factory.mktemp("any")
    folder = write_folder(place / "in", records, outline=False)
    with new_store() as first, new_store() as second:
        assume(not import_files(first, [folder], by="P1").refused)
        export_folder(first, place / "out")
        take(second, place / "out")
        assert contents(second) == contents(first)
        assert faults_of(second) == []
    shutil.rmtree(place)


def is_text(written: str) -> bool:
    """Tell whether a cell may hold it: something that does not point at the cell above."""
    try:
        return bool(refuse_ditto(plain_text(written.strip())))
    except CellError:
        return False


WRITTEN = st.text(
    st.characters(exclude_categories=["Cs"], exclude_characters="\x00"), min_size=1, max_size=30
).filter(is_text)


@settings(max_examples=4)
@given(texts=st.lists(WRITTEN, min_size=1, max_size=60))
@example(texts=["=cmd()", "'=cmd()", "''@x", "<script>alert(1)</script>", "+1", "-1", "'", "''x"])
@example(texts=["'; drop table people; --", "a\rb", "a\r\nb", "a\nb", '"x', '",', "a;b", "\u2028x"])
@example(texts=["Total", "é", "é", "🌱 \u200f", "NULL", "\\N", "\\.", "a\tb"])
def test_any_text_is_kept_as_written_and_comes_in_again(
    new_store: NewStore, tmp_path_factory: pytest.TempPathFactory, texts: list[str]
) -> None:
    folder = tmp_path_factory.mktemp("text") / "out"
    people = [("people", {"person": f"P{n}", "mark": each}) for n, each in enumerate(texts)]
    with new_store() as first, new_store() as second:
        made = record_all(first, people, by="P01")
        plain = [plain_text(each.strip()) for each in texts]
        assert [each.record["mark"] for each in made] == plain
        export_folder(first, folder)
        take(second, folder)
        assert contents(second) == contents(first)
        assert faults_of(second) == []
    shutil.rmtree(folder)


def test_no_exported_text_would_run_in_a_spreadsheet(full: Path, tmp_path: Path) -> None:
    with closing(create_store(tmp_path / "registry.db")) as store:
        take(store, full)
        export_folder(store, tmp_path / "out")
    with (tmp_path / "out" / "people.csv").open(newline="") as file:
        assert [row["mark"] for row in csv.DictReader(file)] == ["'@blue"]
    with (tmp_path / "out" / "cultivars.csv").open(newline="") as file:
        assert [row["notes"] for row in csv.DictReader(file)] == ["'=1+1", ""]
    with (tmp_path / "out" / "store_readings.csv").open(newline="") as file:
        assert [row["temperature_c"] for row in csv.DictReader(file)] == ["-0.5"]


def test_the_same_files_again_change_nothing(store: Store, full: Path) -> None:
    take(store, full)
    before = contents(store), line_count(store)
    again = import_files(store, [full], by="P01")
    assert not again.changed
    assert again.repeated == {kind: len(rows) for kind, rows in RECORDS.items()}
    assert (contents(store), line_count(store)) == before == (contents(store), 1)


def test_a_dry_run_says_the_same_and_changes_nothing(store: Store, full: Path) -> None:
    dry = import_files(store, [full], by="P01", dry_run=True)
    assert line_count(store) == 0
    assert not any(contents(store).values())
    real = import_files(store, [full], by="P01")
    assert dry.recorded == real.recorded == {kind: len(rows) for kind, rows in RECORDS.items()}
    assert dry.problems == real.problems
    assert (dry.changed, real.changed) == (False, True)


def test_one_wrong_cell_keeps_everything_out(store: Store, full: Path) -> None:
    dispatches = full / "dispatches.csv"
    dispatches.write_text(dispatches.read_text().replace('"2","10"', '"two","10"'))
    imported = import_files(store, [full], by="P01")
    refused = [each for each in imported.problems if each.trouble == "refused" and each.line]
    assert [(each.file, each.line, each.column) for each in refused] == [
        ("dispatches.csv", 2, "trees")
    ]
    assert not any(contents(store).values())
    assert line_count(store) == 0


def write_workbook(path: Path, records: Rows) -> Path:
    """Write records as a workbook: real dates, times, numbers and yes or no; text as text."""
    book = Workbook(write_only=True)
    for kind, rows in records.items():
        sheet = book.create_sheet(kind)
        names = [column.name for column in fields(kind)]
        sheet.append(names)
        for row in rows:
            cells = []
            for name in names:
                value = row.get(name)
                moment = isinstance(value, dt.datetime)
                cell = WriteOnlyCell(sheet, value.replace(tzinfo=None) if moment else value)
                if isinstance(value, str):
                    cell = WriteOnlyCell(sheet, shield(value))
                cells.append(cell)
            sheet.append(cells)
    book.save(path)
    return path


def test_a_workbook_is_read_as_the_folder_of_the_same_records(full: Path, tmp_path: Path) -> None:
    book = write_workbook(tmp_path / "winter.xlsx", RECORDS)
    write_outline(tmp_path)
    found = []
    for path in (full, book):
        with closing(create_store(tmp_path / f"{path.stem}.db")) as store:
            take(store, path)
            found.append(contents(store))
            assert faults_of(store) == []
    assert found[0] == found[1]
    with closing(open_store(tmp_path / "full.db")) as store:
        assert not import_files(store, [book], by="P01").changed


def test_settings_and_reserved_codes_travel_with_the_folder(
    new_store: NewStore, full: Path, tmp_path: Path
) -> None:
    chosen = Settings(
        time_zone="America/Chicago", units="US", season_first_day="08-01", nursery="Ödmark"
    )
    with new_store() as first, new_store() as second:
        with first.writing() as connection:
            write_settings(connection, chosen)
        take(first, full)
        kept = reserve(first, "collections", person="P01", count=3, season=2026, by="P01")
        export_folder(first, tmp_path / "out")
        take(second, tmp_path / "out")
        with second.reading() as connection:
            assert read_settings(connection) == chosen
            (line,) = lines(connection)
        assert json.loads(line["content"])["settings"]["time_zone"] == "America/Chicago"
        cut = {"tree": "AB-1", "date": "2026-01-20", "sticks": 1}
        assert record(second, "collections", cut, by="P01").key not in kept
        third = {**cut, "collection": kept[2]}
        assert record(second, "collections", third, by="P01").key == kept[2]


@pytest.mark.parametrize(
    "package",
    [
        "[]",
        "{",
        '{"scionreg": [1]}',
        '{"scionreg": null}',
        '{"scionreg": {"time_zone": "Nowhere/Land"}}',
        '{"scionreg": {"reserved": [{"kind": "bundles"}]}}',
        '{"scionreg": {"reserved": 5}}',
        '{"scionreg": {"reserved": [{"kind": "bundles", "season": "x", "first": 1}]}}',
    ],
)
def test_a_broken_data_package_is_refused_and_changes_nothing(
    store: Store, full: Path, package: str
) -> None:
    (full / "datapackage.json").write_text(package)
    with pytest.raises(RegistryError):
        import_files(store, [full], by="P01")
    assert not any(contents(store).values())


@pytest.mark.parametrize("outline", ["[]", "{", '{"features": [{}]}', '{"features": 1}'])
def test_broken_outlines_are_refused(store: Store, full: Path, outline: str) -> None:
    (full / "blocks.geojson").write_text(outline)
    with pytest.raises(RegistryError, match="cannot be read"):
        import_files(store, [full], by="P01")


def test_an_export_overwrites_nothing(store: Store, full: Path, tmp_path: Path) -> None:
    take(store, full)
    before = files(full)
    with pytest.raises(RegistryError, match="is not empty"):
        export_folder(store, full)
    assert files(full) == before
    (tmp_path / "file").write_text("notes")
    with pytest.raises(RegistryError, match="cannot be written"):
        export_folder(store, tmp_path / "file")
    assert (tmp_path / "file").read_text() == "notes"


def test_lines_are_counted_past_cells_with_any_line_break(store: Store, tmp_path: Path) -> None:
    (tmp_path / "people.csv").write_bytes(
        b'person,mark\nP1,"a\rb"\nP2,"a\r\nb"\nP3,"a\nb"\nP 4,x\nP5,"a\rb\r\r"\nP 6,\n'
    )
    imported = import_files(store, [tmp_path / "people.csv"], by="P01")
    assert [(each.value, each.line) for each in imported.problems] == [("P 4", 8), ("P 6", 13)]


def test_a_row_twice_in_a_file_is_one_record_and_two_rows_of_one_code_are_refused(
    store: Store, tmp_path: Path
) -> None:
    file = tmp_path / "stores.csv"
    file.write_text("store,kind\nCooler,cooler\nCooler,cooler\n")
    imported = import_files(store, [file], by="P01")
    assert (imported.recorded, imported.repeated) == ({"stores": 1}, {"stores": 1})
    file.write_text("store,kind\nBox,box\nBox,shelf\n")
    refused = import_files(store, [file], by="P01")
    assert [(each.rule, each.line) for each in refused.problems] == [("duplicate_key", 3)]
    assert len(contents(store)["stores"]) == 1


def test_characters_that_are_no_text_are_refused_on_both_engines(
    store: Store, tmp_path: Path
) -> None:
    file = tmp_path / "cultivars.csv"
    file.write_text("cultivar,species,aliases\nFernhill,Malus domestica,F\x00H\n")
    imported = import_files(store, [file], by="P01")
    assert [(each.rule, each.line) for each in imported.problems] == [("unreadable_text", 2)]
    for values in ({"person": "P01", "mark": "\ud800"}, {"person": "\ud800"}):
        with pytest.raises(RegistryError):
            record(store, "people", values, by="P01")
    with pytest.raises(RegistryError, match="no character"):
        record(store, "people", {"person": "P01"}, by="P01", why="\udcff")
    assert line_count(store) == 0


def test_a_large_import_leaves_every_index_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(importing, "LARGE_ROWS", 100)
    folder = tmp_path / "season"
    folder.mkdir()
    (folder / "people.csv").write_text("person\nP01\n")
    (folder / "cultivars.csv").write_text("cultivar,species\nFernhill,Malus domestica\n")
    (folder / "mother_trees.csv").write_text("tree,cultivar\nAB-1,Fernhill\n")
    cut = (f"C-{number},AB-1,2026-01-10,1\n" for number in range(1500))
    (folder / "collections.csv").write_text("collection,tree,date,sticks\n" + "".join(cut))
    with closing(create_store(tmp_path / "registry.db")) as store:
        before = schema(store)
        take(store, folder)
        assert schema(store) == before
        assert len(contents(store)["collections"]) == 1500


def schema(store: Store) -> set[tuple[str, str | None]]:
    with store.reading() as connection:
        made = connection.execute(text("SELECT name, sql FROM sqlite_master"))
        return {(row.name, row.sql) for row in made}


def test_memory_does_not_grow_with_the_file(tmp_path: Path) -> None:
    few, many = (peak_of_import(tmp_path, rows) for rows in (60_000, 240_000))
    assert many - few < 80 * 1024


def peak_of_import(place: Path, rows: int) -> int:
    """Return the most memory, in kB, that a process used that imported so many readings."""
    folder = place / str(rows)
    folder.mkdir()
    start = dt.datetime(2020, 1, 1, tzinfo=dt.UTC)
    (folder / "stores.csv").write_text("store\nCooler\n")
    with (folder / "store_readings.csv").open("w") as file:
        file.write("store,time,temperature_c,humidity_pct\n")
        for number in range(rows):
            moment = start + dt.timedelta(minutes=10 * number)
            file.write(f"Cooler,{moment.isoformat()},{number % 70 / 10},90\n")
    create_store(place / f"{rows}.db").close()
    code = (
        "import resource, sys; from faults import take_in; take_in(*sys.argv[1:]); "
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(place / f"{rows}.db"), str(folder)],
        cwd=Path(__file__).parent,
        check=True,
        capture_output=True,
        text=True,
    )
    return int(done.stdout)
