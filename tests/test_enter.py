"""Typing in what was written on paper: each cell and row judged at once, all or nothing."""

import csv
import errno
import json
import os
import pty
import signal
import subprocess
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from conftest import Filled, Templates
from hypothesis import given
from hypothesis import strategies as st
from nursery import LOT, actions, add, everything, faults_of, furnish, value
from test_cli import read_until

from scionreg.api import Registry
from scionreg.documents.field_sheets.kinds import on_paper
from scionreg.entering import Entry, open_entry
from scionreg.entering.draft import Draft, State, lay_aside, place_of
from scionreg.records import codes
from scionreg.records.errors import RegistryError
from scionreg.records.tables import KINDS, fields
from scionreg.registry.settings import read_settings, write_settings
from scionreg.registry.store import Store, open_store

DAY = "2026-05-20"
NEW_LOT = {**LOT, "bundle": "B26-0001-7"}


def graft_twice(store: Store) -> None:
    """Furnish, and record a second lot of 20 grafts, G26-0002-5."""
    furnish(store)
    add(store, "graft_lots", grafts=20, **NEW_LOT)


@pytest.fixture(autouse=True)
def drafts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Keep the drafts of servers in the test's own folder."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))


@pytest.fixture
def store(filled: Filled) -> Store:
    return filled(graft_twice)


@pytest.fixture
def local(templates: Templates, tmp_path: Path) -> Iterator[Store]:
    """A registry in a file, for what no server does otherwise."""
    path = tmp_path / "registry.db"
    with templates.copy("sqlite", graft_twice, path), closing(open_store(path)) as opened:
        yield opened


def entered(store: Store, sheet: str = "counting", **options: Any) -> Entry:
    """Return a sheet of which every column is asked."""
    entry = open_entry(store, sheet, by="P01", **options)
    entry._way.ask_all()
    return entry


def typed(entry: Entry, *answers: str) -> list[str]:
    """Type answers and return everything that was said."""
    return [line for answer in answers for line in entry.take(answer).lines]


def count_of(lot: str, pushing: str, *, day: str = DAY, scorer: str = "P02") -> list[str]:
    """Return the cells of a row of the counting sheet, in the order of its columns."""
    return [lot, day, scorer, pushing, "1", "2", "", "", "", ""]


def recorded(store: Store, kind: str = "take_counts") -> list[tuple[Any, ...]]:
    return everything(store)[kind]


def draft_file(store: Store, name: str = "counting") -> Path:
    return place_of(store, name, "P01")


# From paper to records


def test_a_typed_sheet_is_recorded_as_its_csv_file_would_be(
    store: Store, new_store: Callable[[], Any], tmp_path: Path
) -> None:
    rows = [count_of("G26-0001-7", "17"), count_of("G26-0002-5", "12")]
    entry = entered(store)
    for row in rows:
        assert typed(entry, *row)[1:] == []
    typed(entry, ".")
    said = entry.take("yes")
    assert said.over
    assert said.keys == (f"G26-0001-7/{DAY}", f"G26-0002-5/{DAY}")

    file = tmp_path / "take_counts.csv"
    header = [column.name for column in fields("take_counts")]
    file.write_text("\n".join(",".join(row) for row in [header, *rows]) + "\n")
    with new_store() as other:
        graft_twice(other)
        Registry(other).import_files(file, recorder="P01")
        assert everything(store) == everything(other)


def test_all_rows_are_one_line_of_the_journal_and_the_audit_finds_nothing_wrong(
    store: Store,
) -> None:
    before = actions(store)
    entry = entered(store)
    typed(entry, *count_of("G26-0001-7", "17"), *count_of("G26-0002-5", "12"), ".", "yes")
    assert actions(store)[len(before) :] == ["record"]
    assert faults_of(store) == []


def test_every_column_is_asked_in_the_order_of_the_csv_file(local: Store) -> None:
    for kind in KINDS:
        entry = entered(local, kind)
        assert entry.checker.columns == on_paper(kind)
    entry = entered(local)
    asked = []
    for answer in count_of("G26-0001-7", "17"):
        asked.append(entry.column.name)
        entry.take(answer)
    assert asked == [column.name for column in fields("take_counts")]


def test_a_code_is_issued_where_the_paper_has_none(store: Store) -> None:
    entry = entered(store, "cutting")
    typed(entry, "", "T26-0001-7", "", "2026-02-03", "P01", "", "40", "1")
    typed(entry, *[""] * (len(entry.checker.columns) - 8), ".")
    (key,) = entry.take("y").keys
    assert codes.kind_of(key) == "collections"


def test_what_is_repeated_exactly_is_said_and_changes_nothing(store: Store) -> None:
    for told in (False, True):
        before = everything(store)
        entry = entered(store)
        said = typed(entry, *count_of("G26-0001-7", "17"))
        assert ("row 1 is recorded already, exactly so" in said) is told
        typed(entry, ".")
        assert entry.take("yes").over
        assert (everything(store) == before) is told


# Each cell at once


@pytest.mark.parametrize(
    ("column", "answer", "says"),
    [
        ("graft_lot", "G26-0001-8", "perhaps G26-0001-7"),
        ("graft_lot", "G26-0010-7", "perhaps G26-0001-7"),
        ("graft_lot", "B26-0001-7", "is the code of a bundle"),
        ("graft_lot", codes.issue("G", 2026, 7), "there is no graft lot"),
        ("graft_lot", "", "the cell is empty"),
        ("date", "5/6/2026", "2026-06-05"),
        ("date", "2026-02-30", "there is no day"),
        ("scorer", "P77", "there is no person"),
        ("pushing", "40+", "rough number"),
        ("pushing", "-3", "below 0"),
    ],
)
def test_a_wrong_cell_is_said_at_once_and_asked_again(
    local: Store, column: str, answer: str, says: str
) -> None:
    entry = entered(local)
    names = [each.name for each in fields("take_counts")]
    cells = dict(zip(names, count_of("G26-0001-7", "17"), strict=True))
    while entry.column.name != column:
        entry.take(cells[entry.column.name])
    assert says in " ".join(typed(entry, answer))
    assert entry.column.name == column
    assert "not recorded" not in " ".join(typed(entry, cells[column]))
    assert entry.column.name != column


SERIALS = st.tuples(st.sampled_from("TCBGRSKD"), st.integers(0, 99), st.integers(1, 9_999_999))


@given(SERIALS, st.data())
def test_a_code_typed_with_one_digit_wrong_or_two_exchanged_is_never_taken(
    serial: tuple[str, int, int], data: st.DataObject
) -> None:
    code = codes.issue(*serial)
    places = [place for place, sign in enumerate(code) if sign.isdigit()]
    slips = {
        code[:place] + digit + code[place + 1 :]
        for place in places
        for digit in "0123456789"
        if digit != code[place]
    }
    for here, there in pairwise(places):
        letters = list(code)
        letters[here], letters[there] = letters[there], letters[here]
        slips.add("".join(letters))
    form = data.draw(st.sampled_from([str, str.lower, lambda text: text.replace("-", " ")]))
    for slip in slips - {code}:
        assert not codes.is_issued(codes.tidied(form(slip)))
    assert codes.tidied(form(code)) == code


def test_a_code_may_be_typed_in_small_letters_and_says_what_it_is_of(local: Store) -> None:
    said = typed(entered(local), "g26 0001 7")
    assert said == ["  G26-0001-7: Fernhill · 10 Mar 2026 · 20 grafts"]


def test_words_may_be_typed_by_the_numerals_on_the_paper(local: Store) -> None:
    entry = entered(local, "grafting")
    typed(entry, "", "B26-0001-7", "", "P01")
    assert "3 inlay bark, 4 whip" in typed(entry, "?")[0]
    assert typed(entry, "4") == ["  whip"]
    assert entry.draft.rows[0].cells["method"] == "whip"


def test_lengths_are_typed_in_the_nurserys_units_and_kept_in_the_records_own(local: Store) -> None:
    with local.writing() as connection:
        write_settings(connection, read_settings(connection).changed({"units": "US"}))
    entry = entered(local, "cutting")
    typed(entry, "", "T26-0001-7", "", "2026-02-03", "", "", "40", "", "")
    assert entry.prompt == "1 shoot length in: "
    assert typed(entry, "18") == ["  45.72 cm"]
    typed(entry, "<")
    assert entry.draft.rows[0].cells["shoot_length_cm"] == "45.72"
    assert "[18]" in entry.prompt
    typed(entry, "")
    assert entry.draft.rows[0].cells["shoot_length_cm"] == "45.72"
    typed(entry, "<", "long")
    assert entry.column.name == "shoot_length_cm"


def test_what_may_be_completed_is_what_may_stand_there(local: Store) -> None:
    entry = entered(local, "grafting")
    offers = {}
    for answer in ("", "B26-0001-7", "", "P01", "whip"):
        offers[entry.column.name] = entry.offers()
        entry.take(answer)
    assert offers["bundle"] == ["B26-0001-7"]
    assert offers["grafter"] == ["P01", "P02"]
    assert "four flap" in offers["method"]
    assert offers["date"] == []
    genotypes = entered(local, "genotypes")
    typed(genotypes, "sample 1", "")
    assert genotypes.offers() == ["Fernhill", "Oldgate"]


def test_a_single_tree_of_a_lot_may_be_named(store: Store) -> None:
    entry = entered(store, "identity")
    assert "20 grafts" in typed(entry, "", "g26 0001 7/3")[0]
    assert entry.draft.rows[0].cells["item"] == "G26-0001-7/3"


# Each row at once


def test_a_row_that_breaks_a_rule_is_asked_again_where_it_is_wrong(local: Store) -> None:
    entry = entered(local)
    said = typed(entry, *count_of("G26-0001-7", "17", day="2026-03-01"))
    assert any("row 1, date" in line for line in said)
    assert (entry.draft.row, entry.column.name) == (0, "date")
    said = typed(entry, DAY, *[""] * 8)
    assert entry.draft.row == 1
    assert said == []


def test_a_row_is_judged_with_the_rows_before_it(store: Store) -> None:
    entry = entered(store)
    typed(entry, *count_of("G26-0001-7", "17"))
    said = typed(entry, *count_of("G26-0001-7", "16"))
    assert entry.draft.row == 1
    assert any(line.startswith("row 2") for line in said), said


def test_warnings_do_not_stop_a_row(local: Store) -> None:
    entry = entered(local)
    said = typed(entry, *count_of("G26-0001-7", "30"))
    assert any(line.startswith("warning: row 1, pushing") for line in said)
    assert entry.draft.row == 1
    assert any("warning: row 1" in line for line in typed(entry, "."))
    assert entry.take("yes").over
    assert len(recorded(local)) == 1


def test_a_doubt_about_a_record_that_was_there_before_is_said_once_and_at_the_end(
    local: Store,
) -> None:
    add(local, "take_counts", graft_lot="G26-0001-7", date="2026-06-20", pushing=15)
    entry = entered(local)
    said = typed(entry, *count_of("G26-0001-7", "9"))
    doubt = "warning: take counts G26-0001-7/2026-06-20, pushing: 15 live grafts, after 10"
    assert [line.startswith(doubt) for line in said].count(True) == 1
    assert not any(line.startswith(doubt) for line in typed(entry, *count_of("G26-0002-5", "9")))
    assert any(line.startswith(doubt) for line in typed(entry, "."))


def test_nothing_is_recorded_when_somebody_else_was_quicker(store: Store) -> None:
    entry = entered(store)
    typed(entry, *count_of("G26-0001-7", "17"), ".")
    add(store, "take_counts", graft_lot="G26-0001-7", date=DAY, pushing=3)
    said = entry.take("yes")
    assert not said.over
    assert said.lines[-1] == "nothing is recorded"
    assert len(recorded(store)) == 1
    assert entry.draft.rows[0].state is State.OPEN


# Single signs


@pytest.mark.parametrize("sign", ['"', "same", "ditto", "''"])
def test_the_ditto_sign_repeats_the_cell_above(local: Store, sign: str) -> None:
    entry = entered(local)
    typed(entry, *count_of("G26-0001-7", "17"), "G26-0002-5")
    assert typed(entry, sign, sign) == [f"  {DAY}", "  P02"]
    typed(entry, "11", sign, sign, sign, sign, sign, sign, ".")
    entry.take("yes")
    first, second = recorded(local)
    assert first[1:3] == second[1:3]
    assert first[4:] == second[4:]


def test_a_struck_out_row_is_not_repeated_nor_recorded_and_keeps_its_number(local: Store) -> None:
    entry = entered(local)
    typed(entry, *count_of("G26-0001-7", "17", scorer="P01"))
    typed(entry, "G26-0002-5", "2026-06-01")
    assert typed(entry, "--") == ["row 2 is struck out; << brings it back"]
    assert "3 " in entry.prompt
    typed(entry, "G26-0002-5")
    assert typed(entry, '"') == [f"  {DAY}"]
    typed(entry, "<<", "--", "--")
    said = typed(entry, ".")
    assert "struck out, not recorded: 2-3" in said
    assert len(entry.take("yes").keys) == 1


def test_a_struck_out_row_can_be_brought_back(local: Store) -> None:
    entry = entered(local)
    typed(entry, "G26-0001-7", "--", "<<")
    assert entry.prompt == "1 graft lot* [G26-0001-7]: "
    typed(entry, "", *count_of("", "17")[1:])
    assert entry.draft.numbers(State.TYPED) == [1]


def test_back_one_cell_and_back_one_row(local: Store) -> None:
    entry = entered(local)
    typed(entry, *count_of("G26-0001-7", "17"), "G26-0002-5", "<")
    assert entry.prompt == "2 graft lot* [G26-0002-5]: "
    typed(entry, "<")
    assert entry.prompt == "1 notes: "
    typed(entry, "<<")
    assert entry.prompt == "1 graft lot* [G26-0001-7]: "
    assert typed(entry, "<") == ["this is the first row"]
    assert typed(entry, "<<") == ["this is the first row"]
    typed(entry, "", "", "", "15", "", "", "", "", "", "")
    assert entry.prompt == "2 graft lot* [G26-0002-5]: "
    assert entry.draft.rows[0].cells["pushing"] == "15"


def test_going_back_from_an_empty_row_leaves_no_gap(local: Store) -> None:
    entry = entered(local)
    typed(entry, *count_of("G26-0001-7", "17"), "<<", ">")
    assert entry.draft.numbers(*State) == [1, 2]
    assert typed(entry, ">") == ["there is no other row; end the sheet with ."]


def test_a_cell_is_emptied_by_a_hyphen(local: Store) -> None:
    entry = entered(local)
    typed(entry, "G26-0001-7", DAY, "P02", "<", "-")
    assert "scorer" not in entry.draft.rows[0].cells
    assert "the cell is empty" in typed(entry, "<<", "-")[-1]


def test_a_row_left_open_stays_for_later_and_the_others_are_recorded(store: Store) -> None:
    entry = entered(store)
    typed(entry, "G26-0001-7", DAY)
    assert typed(entry, ">") == ["row 1 stays open"]
    typed(entry, *count_of("G26-0002-5", "12"))
    said = typed(entry, ".")
    assert "open for later: 1" in said
    entry.take("yes")
    assert len(recorded(store)) == 1
    again = entered(store)
    assert (again.draft.row, again.prompt) == (0, "1 graft lot* [G26-0001-7]: ")
    typed(again, "", "", *count_of("", "9")[2:])
    assert again.prompt == "3 graft lot*: ", "rows keep the numbers of the paper"
    typed(again, ".")
    again.take("yes")
    assert len(recorded(store)) == 2
    assert not draft_file(store).exists()


def test_an_empty_row_is_no_record(local: Store) -> None:
    entry = entered(local, "cutting")
    key = [""]
    said = typed(entry, *key)
    assert said == []
    assert "the cell is empty" in typed(entry, "")[0]
    assert "no row is complete" in typed(entry, ".")[0]
    stores = entered(local, "stores")
    assert "the row is empty" in typed(stores, "", "", "")[0]
    assert stores.prompt == "1 store [Enter: issue one]: "


def test_no_and_nonsense_record_nothing(local: Store) -> None:
    entry = entered(local)
    typed(entry, *count_of("G26-0001-7", "17"), ".")
    assert entry.offers() == []
    assert typed(entry, "perhaps") == ["yes or no"]
    assert typed(entry, "no") == ["nothing is recorded; go on"]
    assert recorded(local) == []
    typed(entry, ".", "yes")
    assert len(recorded(local)) == 1


# Kept at every cell


def test_it_goes_on_where_it_was_left_at_any_moment(store: Store) -> None:
    """As in one sitting, whatever was typed before somebody pulled the plug."""
    answers = [*count_of("G26-0001-7", "17"), "G26-0002-5", '"', '"', "<", "P01", "3"]
    whole = entered(store, "counting")
    typed(whole, *answers)
    expected = whole.draft
    lay_aside(draft_file(store))
    for answer in answers:
        entered(store).take(answer)
    left = entered(store).draft
    assert (left.rows, left.row, left.column) == (expected.rows, expected.row, expected.column)


def test_pulling_the_plug_right_after_recording_records_nothing_twice(
    store: Store, monkeypatch: Any
) -> None:
    entry = entered(store, "cutting")
    typed(entry, "", "T26-0001-7", "", "2026-02-03", "P01", "", "40")
    typed(entry, *[""] * (len(entry.checker.columns) - 7), ".")

    def unplugged(draft: Draft) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(Draft, "put_away", unplugged)
        with pytest.raises(KeyboardInterrupt):
            entry.take("yes")
    before = recorded(store, "collections")
    assert len(before) == 2
    again = entered(store, "cutting")
    said = typed(again, ".")
    assert "row 1 is recorded already, exactly so" in said
    assert again.take("yes").over
    assert recorded(store, "collections") == before
    assert not draft_file(store, "cutting").exists()


def test_two_who_type_the_same_sheet_do_not_write_over_each_other(store: Store) -> None:
    first, second = entered(store), entered(store)
    first.take("G26-0001-7")
    with pytest.raises(RegistryError, match="being typed somewhere else"):
        second.take("G26-0002-5")
    assert entered(store).draft.rows[0].cells == {"graft_lot": "G26-0001-7"}


def test_a_sheet_that_somebody_elses_record_made_wrong_is_put_right_first(local: Store) -> None:
    entry = entered(local)
    typed(entry, *count_of("G26-0001-7", "17"))
    add(local, "take_counts", graft_lot="G26-0001-7", date=DAY, pushing=3)
    said = typed(entry, ".")
    assert said[-1] == "nothing is recorded before this is put right"
    assert entry.draft.row == 0
    typed(entry, "<<", "", "2026-05-21", *[""] * 8, ".", "yes")
    assert len(recorded(local)) == 2


def test_there_is_nothing_above_the_first_row(local: Store) -> None:
    entry = entered(local)
    assert typed(entry, '"') == ["there is no row above; write the value"]
    assert typed(entry, "") == ["the cell is empty; it must be filled in"]
    typed(entry, "G26-0001-7", "-", *count_of("", "17")[2:], "G26-0002-5")
    assert typed(entry, '"') == ["  empty"], "the cell above may be empty"


def test_each_person_and_sheet_has_a_draft(local: Store) -> None:
    entered(local).take("G26-0001-7")
    assert open_entry(local, "counting", by="P02").draft.rows[0].cells == {}
    assert entered(local, "cooler").draft.rows[0].cells == {}


def test_a_new_beginning_lays_the_old_one_aside(local: Store) -> None:
    for number in (1, 2):
        entered(local).take("G26-0001-7")
        assert entered(local, anew=True).draft.rows[0].cells == {}
        aside = draft_file(local).with_suffix(f".{number}.json")
        assert json.loads(aside.read_text())["rows"][0]["cells"] == {"graft_lot": "G26-0001-7"}
    assert lay_aside(draft_file(local)) is None


@pytest.mark.parametrize("text", ["", "{", "[]", '{"rows": 3}', '{"rows": [], "strange": 1}'])
def test_a_damaged_draft_is_said(local: Store, text: str) -> None:
    draft_file(local).parent.mkdir(parents=True, exist_ok=True)
    draft_file(local).write_text(text)
    with pytest.raises(RegistryError, match="is damaged"):
        entered(local)


def test_a_draft_that_cannot_be_read_or_written_is_said(store: Store, tmp_path: Path) -> None:
    draft_file(store).mkdir(parents=True)
    with pytest.raises(RegistryError, match="cannot be read"):
        entered(store)
    draft_file(store).rmdir()
    entry = entered(store)
    draft_file(store).parent.rmdir()
    draft_file(store).parent.write_text("in the way")
    with pytest.raises(RegistryError, match="cannot be read"):
        entry.take("G26-0001-7")


def test_a_full_disk_loses_the_last_cell_only(local: Store, monkeypatch: Any) -> None:
    entry = entered(local)
    entry.take("G26-0001-7")

    def full(file: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", full)
        with pytest.raises(RegistryError, match="cannot be written: No space left"):
            entry.take(DAY)
    assert entered(local).draft.rows[0].cells == {"graft_lot": "G26-0001-7"}
    assert list(draft_file(local).parent.iterdir()) == [draft_file(local)]


def test_a_folder_for_drafts_that_cannot_be_made_is_said(
    local: Store, monkeypatch: Any, tmp_path: Path
) -> None:
    entry = entered(local)

    def forbidden(path: Path, **_: Any) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "mkdir", forbidden)
    with pytest.raises(RegistryError, match="cannot be made: Permission denied"):
        entry.take("G26-0001-7")


def test_where_drafts_are_kept(store: Store, tmp_path: Path, monkeypatch: Any) -> None:
    path = draft_file(store)
    if store.is_sqlite:
        assert path.parent.parent == Path(store.name).parent
        monkeypatch.setattr(os, "access", lambda *_: False)
    assert tmp_path / "data" in draft_file(store).parents
    assert "/" not in place_of(store, "counting", "../../x").name


# Rows that are on the paper already


def printed(folder: Path, *rows: dict[str, str], kind: str = "take_counts") -> str:
    file = folder / "sheet.csv"
    names = [column.name for column in on_paper(kind)]
    with file.open("w", newline="", encoding="utf-8") as opened:
        writer = csv.DictWriter(opened, names, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    return str(file)


def test_printed_rows_are_offered_and_only_the_rest_is_typed(local: Store, tmp_path: Path) -> None:
    lots = ("G26-0001-7", "G26-0002-5")
    sheet = printed(tmp_path, *({"graft_lot": lot, "date": DAY} for lot in lots))
    entry = entered(local, sheet)
    assert entry.heading() == f"row 1: graft lot G26-0001-7, date {DAY}"
    assert entry.prompt == "1 scorer: "
    typed(entry, "P02", "17", *[""] * 6)
    assert entry.heading() == f"row 2: graft lot G26-0002-5, date {DAY}"
    typed(entry, ".")
    entry.take("yes")
    assert [row[0] for row in recorded(local)] == ["G26-0001-7"]
    rest = entered(local, sheet)
    assert rest.draft.row == 1, "what was not typed is asked for the next time"


def test_another_sheet_is_not_begun_over_one_that_is_not_recorded(
    local: Store, tmp_path: Path
) -> None:
    entered(local, printed(tmp_path, {"graft_lot": "G26-0001-7"})).take(DAY)
    with pytest.raises(RegistryError, match="--anew"):
        entered(local, printed(tmp_path, {"graft_lot": "G26-0002-5"}))
    with pytest.raises(RegistryError, match="--anew"):
        entered(local)


def test_a_sheet_of_which_nothing_was_typed_makes_room_for_the_next(
    local: Store, tmp_path: Path
) -> None:
    lots = ("G26-0001-7", "G26-0002-5")
    old = entered(local, printed(tmp_path, *({"graft_lot": lot} for lot in lots)))
    typed(old, *count_of("", "17")[1:], ".")
    old.take("yes")
    new = entered(local, printed(tmp_path, {"graft_lot": "G26-0002-5", "date": "2026-06-01"}))
    assert new.heading() == "row 1: graft lot G26-0002-5, date 2026-06-01"
    typed(new, "P02", "9", "", "", "", "", "", "", ".")
    assert len(new.take("yes").keys) == 1


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (None, "cannot be read"),
        (b"", "has not the columns"),
        (b"graft_lot,date\n", "has not the columns"),
        (b"\xff\xfe", "no CSV"),
        (b'graft_lot,"date\n', "no CSV"),
        (
            b"bundle,time,event,store,sticks,condition,note\na,b\n",
            ":2: the row is not as wide as the header",
        ),
    ],
)
def test_a_file_that_is_no_sheet_is_refused(
    local: Store, tmp_path: Path, content: bytes | None, says: str
) -> None:
    file = tmp_path / "strange.csv"
    if content is not None:
        file.write_bytes(content)
    with pytest.raises(RegistryError, match=says):
        entered(local, str(file))


def test_blank_rows_of_the_file_are_blank_rows_of_the_paper(local: Store, tmp_path: Path) -> None:
    file = tmp_path / "cooler.csv"
    file.write_text("bundle,time,event,store,sticks,condition,note\n\nB26-0001-7,,checked,,,,\n")
    entry = entered(local, str(file))
    assert entry.draft.name == "cooler"
    assert [row.cells for row in entry.draft.rows] == [
        {},
        {"bundle": "B26-0001-7", "event": "checked"},
    ]


def test_there_is_no_such_sheet(local: Store) -> None:
    with pytest.raises(RegistryError, match="the sheets are cutting, packing"):
        entered(local, "pruning")


# At a terminal


@pytest.fixture
def nursery(tmp_path: Path) -> Path:
    """A folder with a registry that two people may type into."""
    registry = Registry.new(tmp_path / "registry.db", by="P01")
    graft_twice(registry.store)
    registry.close()
    return tmp_path


AS_AT_A_TERMINAL = """
import signal
from scionreg.cli import main
signal.signal(signal.SIGINT, signal.default_int_handler)
main()
"""
"""A shell has what it runs in the background ignore Ctrl-C, and so whatever runs these tests."""


class Terminal:
    """A person at a terminal in front of a command."""

    def __init__(self, folder: Path, *words: str) -> None:
        self.end, inner = pty.openpty()
        environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[1]), "TERM": "dumb"}
        environment["COLUMNS"] = "300"  # so that nothing is folded
        self.child = subprocess.Popen(
            [sys.executable, "-c", AS_AT_A_TERMINAL, *words],
            cwd=folder,
            env=environment,
            stdin=inner,
            stdout=inner,
            stderr=inner,
            start_new_session=True,
        )
        os.close(inner)

    def sees(self, wanted: str) -> str:
        shown = read_until(self.end, wanted)
        assert wanted in shown, shown
        return shown

    def types(self, *answers: str, then: Iterable[str] = ()) -> None:
        for answer, wanted in zip(answers, then, strict=True):
            os.write(self.end, f"{answer}\n".encode())
            self.sees(wanted)


@pytest.fixture
def sit_down(nursery: Path) -> Iterator[Callable[..., Terminal]]:
    sittings: list[Terminal] = []

    def begin(*words: str) -> Terminal:
        sittings.append(Terminal(nursery, "enter", *words))
        return sittings[-1]

    yield begin
    for each in sittings:
        each.child.kill()
        each.child.wait()
        os.close(each.end)


def test_a_sheet_is_typed_interrupted_killed_resumed_and_recorded(
    nursery: Path, sit_down: Callable[..., Terminal]
) -> None:
    first = sit_down("counting")
    first.sees("1 graft lot*: ")
    first.types("G26-0001-8", "g26 0001 7", then=["perhaps G26-0001-7", "1 date: "])
    first.types(DAY, then=["1 scorer: "])
    first.child.send_signal(signal.SIGINT)  # as Ctrl-C does
    first.sees("go on with: scionreg enter counting")
    assert first.child.wait(20) == 130

    second = sit_down("counting")
    second.sees("1 scorer: ")
    second.types("P02", "17", then=["1 pushing*: ", "1 green: "])
    second.child.send_signal(signal.SIGKILL)
    second.child.wait(20)

    third = sit_down("counting")
    assert "going on in row 1" in third.sees("1 green: ")
    third.types("+", then=["1 green: "])
    rest = ["dead: ", "stock only: ", "missing: ", "broken: ", "notes: ", "2 graft"]
    third.types(*[""] * 6, then=rest)
    os.write(third.end, b"\x04")
    assert third.child.wait(20) == 0
    with Registry.open(nursery / "registry.db") as registry:
        assert list(registry.records("take_counts")) == []

    last = sit_down("counting")
    last.sees("2 graft lot*: ")
    last.types(".", "yes", then=["record them? yes or no: ", "rows recorded: 1"])
    assert last.child.wait(20) == 0
    with Registry.open(nursery / "registry.db") as registry:
        assert [row["pushing"] for row in registry.records("take_counts")] == [17]


def test_who_types_the_same_sheet_twice_is_told(sit_down: Callable[..., Terminal]) -> None:
    first, second = sit_down("counting"), sit_down("counting")
    first.sees("1 graft lot*: ")
    second.sees("1 graft lot*: ")
    first.types("G26-0001-7", then=["1 date: "])
    second.types("G26-0002-5", then=["being typed somewhere else"])
    assert second.child.wait(20) == 1


def test_the_tab_key_completes_words_and_codes(sit_down: Callable[..., Terminal]) -> None:
    terminal = sit_down("grafting")
    terminal.sees("1 graft lot [Enter: issue one]: ")
    terminal.types("", then=["1 bundle*: "])
    os.write(terminal.end, b"B26\t\n")
    terminal.sees("1 date [2026-03-10]: ")


def test_a_script_is_told_to_import(nursery: Path, run: Callable[..., Any]) -> None:
    said = run("enter", "counting", "--registry", str(nursery / "registry.db"))
    assert said.code == 1
    assert "scionreg import" in said.err


def test_a_registry_opened_from_python_gives_the_same(nursery: Path) -> None:
    with Registry.open(nursery / "registry.db") as registry:
        entry = registry.enter("counting")
        typed(entry, *count_of("G26-0001-7", "17"), ".", "yes")
        assert len(list(registry.records("take_counts"))) == 1
    assert open_store(nursery / "registry.db").is_sqlite


def test_a_month_typed_where_the_day_is_not_known_is_recorded_as_one(store: Store) -> None:
    entry = entered(store, "cutting")
    cells = {"tree": "T26-0001-7", "date": "February 2026", "sticks": "40"}
    while entry.draft.row == 0:
        entry.take(cells.get(entry.column.name, ""))
    typed(entry, ".")
    (key,) = entry.take("y").keys
    assert value(store, "collections", key, "cut_in") == "2026-02"
    assert value(store, "collections", key, "date") is None
