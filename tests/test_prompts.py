"""At the keyboard: what is asked, what is offered, what may be typed in short, one record alone."""

import datetime as dt
import io
import os
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest
from conftest import Filled, Said, Templates
from nursery import LOT, add, everything, furnish
from sqlalchemy import text
from test_enter import Terminal

from scionreg.api import Registry
from scionreg.cli import console
from scionreg.entering import Entry, open_entry, open_record
from scionreg.entering.likely import STAYS, WORK_DAY, likely
from scionreg.entering.short import beginning_of, codes_ending
from scionreg.exchange.importing import import_files
from scionreg.records import codes
from scionreg.records.tables import KINDS, fields
from scionreg.registry.issuing import reserve
from scionreg.registry.recording import Recorded, record
from scionreg.registry.store import Store, open_store

STOCKS = codes.issue("R", 26, 1)


def furnish_two(store: Store) -> None:
    """Furnish, and record a place to graft in."""
    furnish(store)
    add(store, "blocks", block="N26")
    add(store, "rootstock_lots", rootstock_lot=STOCKS)
    place = {"block": "N26", "row": 4, "first": 1, "last": 20, "rootstock_lot": STOCKS}
    add(store, "graft_lots", grafts=20, bundle="B26-0001-7", **place, **LOT)


@pytest.fixture(autouse=True)
def drafts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))


@pytest.fixture
def store(filled: Filled) -> Store:
    return filled(furnish_two)


@pytest.fixture
def local(templates: Templates, tmp_path: Path) -> Iterator[Store]:
    path = tmp_path / "registry.db"
    with templates.copy("sqlite", furnish_two, path), closing(open_store(path)) as opened:
        yield opened


def typed(entry: Entry, *answers: str) -> list[str]:
    return [line for answer in answers for line in entry.take(answer).lines]


def asked(entry: Entry) -> list[str]:
    """Return the columns of a row that are asked, whatever is answered."""
    found = []
    while entry.column.name not in found:
        found.append(entry.column.name)
        entry.draft.column = entry._way.following(entry.draft, entry.draft.column) or 0
    return found


# What is asked, and what is offered


def test_columns_that_nobody_here_fills_are_asked_only_on_demand(store: Store) -> None:
    plain = asked(open_entry(store, "counting", by="P01"))
    assert plain == ["graft_lot", "date", "scorer", "pushing", "green", "dead", "stock_only"]
    add(store, "take_counts", graft_lot="G26-0001-7", date="2026-05-01", pushing=3, broken=1)
    assert asked(open_entry(store, "counting", by="P01")) == [*plain, "broken"]
    entry = open_entry(store, "counting", by="P01")
    typed(entry, "+")
    assert asked(entry) == [column.name for column in fields("take_counts")]


def test_every_offer_and_every_question_is_of_a_column() -> None:
    from scionreg.entering.asked import ASKED

    for table in (ASKED, STAYS, {kind: (name,) for kind, name in WORK_DAY.items()}):
        for kind, names in table.items():
            assert set(names) <= {column.name for column in fields(kind)}
    assert set(ASKED) == set(KINDS)


def test_a_lot_goes_on_where_the_one_above_ended() -> None:
    above = {"block": "N26", "row": "4", "first": "1", "last": "20", "order_in_day": "7"}
    above |= {"date": "2026-04-14", "grafter": "P07"}
    here = {"block": "N26", "row": "4", "grafts": "12", "date": "2026-04-14", "grafter": "P07"}
    assert likely("graft_lots", "first", here, above) == "21"
    assert likely("graft_lots", "last", {**here, "first": "21"}, above) == "32"
    assert likely("graft_lots", "order_in_day", here, above) == "8"
    elsewhere = {**here, "row": "5", "grafter": "P08"}
    assert likely("graft_lots", "first", elsewhere, above) == ""
    assert likely("graft_lots", "order_in_day", elsewhere, above) == ""
    assert likely("graft_lots", "grafts", here, above) == "", "what is counted is never offered"


def test_the_day_is_of_the_row_above_and_a_record_alone_is_of_today(local: Store) -> None:
    entry = open_record(local, "graft_lots", {}, by="P01")
    assert entry._way.before["date"] == LOT["date"], "recorded today, so the work goes on"
    age_the_journal(local)
    entry = open_record(local, "graft_lots", {}, by="P01")
    assert entry._way.before["date"] == entry.checker.settings.today().isoformat()
    assert entry._way.before["method"] == "whip"
    assert "date" not in open_entry(local, "grafting", by="P01")._way.before
    assert open_record(local, "graft_lots", {}, by="P02")._way.before.keys() == {"date"}


def age_the_journal(store: Store) -> None:
    """Let everything have been recorded long ago."""
    with store.engine.begin() as connection:
        connection.exec_driver_sql("DROP TRIGGER guard_journal_update")
        connection.execute(text("UPDATE journal SET time = '2026-03-11 10:00:00'"))


def test_a_row_of_offers_alone_is_no_record(local: Store) -> None:
    add(local, "stores", kind="cooler")
    before = everything(local)
    entry = open_entry(local, "stores", by="P01")
    assert "[cooler]" in (typed(entry, ""), entry.prompt)[1]
    assert "the row is empty" in typed(entry, "")[0]
    assert "no row is complete" in typed(entry, "", ".")[0]
    alone = open_record(local, "stores", {}, by="P01")
    assert "nothing was typed" in typed(alone, "", "")[0]
    assert everything(local) == before


def test_an_offer_is_refused_by_a_hyphen_and_not_made_again(local: Store) -> None:
    entry = open_entry(local, "grafting", by="P01")
    typed(entry, "", "1", "-")
    assert "date" not in entry.draft.rows[0].cells
    typed(entry, "<")
    assert entry.prompt == "1 date: "


def test_the_rest_of_a_row_is_taken_as_offered(local: Store) -> None:
    entry = open_entry(local, "grafting", by="P01")
    typed(entry, "", "1", "", "", "", "", "10")
    said = typed(entry, ",")
    assert said[0] == "  block N26, row 4, first 21, last 30"
    assert entry.draft.row == 1
    assert entry.draft.rows[0].cells["last"] == "30"


def test_the_rest_stops_where_something_must_be_filled(local: Store) -> None:
    entry = open_entry(local, "counting", by="P01")
    typed(entry, "1")
    assert typed(entry, ",")[-1] == "the cell is empty; it must be filled in"
    assert entry.column.name == "pushing"
    typed(entry, "9,")
    assert entry.draft.row == 1


# In short


def test_a_day_may_be_typed_without_its_year(local: Store) -> None:
    entry = open_entry(local, "grafting", by="P01")
    today = entry.checker.settings.today()
    typed(entry, "", "1")
    for answer, days in (("today", 0), ("Yesterday", 1)):
        assert typed(entry, answer, "<") == [f"  {today - dt.timedelta(days=days)}"]
    (said,) = typed(entry, "16 apr", "<")
    assert said.endswith("-04-16")
    assert "more than one way" in typed(entry, "4/6")[0]


def test_a_word_is_known_by_its_beginning_or_its_initials(local: Store) -> None:
    entry = open_entry(local, "grafting", by="P01")
    typed(entry, "", "1", "", "")
    assert entry.column.name == "method"
    for answer, stored in (("wt", "whip_and_tongue"), ("cl", "cleft"), ("whip", "whip")):
        typed(entry, answer, "<")
        assert entry.draft.rows[0].cells["method"] == stored
    assert "may be inlay_bark, inverted_t" in typed(entry, "in")[0]
    known = {"counted": "counted", "estimated": "estimated"}
    assert beginning_of("x", known) == []


def test_a_word_of_the_nurserys_own_is_known_by_its_beginning_too(local: Store) -> None:
    Registry(local).change_settings(recorder="P01", **{"words.method.tongue_graft": "also=zunge"})
    entry = open_entry(local, "grafting", by="P01")
    typed(entry, "", "1", "", "")
    for answer in ("zunge", "zun", "tongue g"):
        typed(entry, answer, "<")
        assert entry.draft.rows[0].cells["method"] == "tongue_graft"


def test_a_code_is_known_by_its_last_digits_and_the_echo_tells_it(local: Store) -> None:
    entry = open_entry(local, "counting", by="P01")
    for answer in ("1", "17", "0001", "g26 0001 7", "G26-0001-7"):
        assert typed(entry, answer, "<")[0].startswith("  G26-0001-7: Fernhill")
    assert "there is no graft lot '9'" in typed(entry, "9")[0]


def test_last_digits_that_may_be_of_two_codes_are_asked_again(local: Store) -> None:
    for season in (25, 26):
        for serial in (3, 31):
            code = codes.issue("T", season, serial)
            add(local, "mother_trees", tree=code, cultivar="Fernhill")
    with local.reading() as connection:
        assert len(codes_ending(connection, ("mother_trees",), "31", 2026)) >= 2
        seasonal = codes_ending(connection, ("graft_lots",), "1", 2031)
        assert seasonal == ["G26-0001-7"], "there is no other season"
    entry = open_entry(local, "cutting", by="P01")
    assert "'31' may be T25-0031" in typed(entry, "", "31")[0]
    assert entry.column.name == "tree"


def test_an_own_code_that_is_all_digits_is_meant_before_any_ending(local: Store) -> None:
    add(local, "graft_lots", graft_lot="17", bundle="B26-0001-7", grafts=1, **LOT)
    entry = open_entry(local, "counting", by="P01")
    typed(entry, "17")
    assert entry.draft.rows[0].cells["graft_lot"] == "17"


def test_codes_and_names_may_be_typed_in_small_letters(local: Store) -> None:
    add(local, "mother_trees", tree="NB-3-1", cultivar="Fernhill")
    entry = open_entry(local, "cutting", by="P01")
    assert typed(entry, "", "nb-3-1")[0].startswith("  NB-3-1: Fernhill")
    trees = open_record(local, "mother_trees", {}, by="P01")
    assert typed(trees, "", "FERNHILL") == ["  Fernhill"]


def test_a_time_may_be_now_or_a_clock_alone(local: Store) -> None:
    entry = open_record(local, "bundle_log", {}, by="P01")
    today = entry.checker.settings.today().isoformat()
    typed(entry, "1")
    for answer in ("8:05", "today 8:05 am"):
        assert typed(entry, answer, "<") == [f"  {today}T08:05"]
    assert typed(entry, "now")[0].startswith(f"  {today}T")


@pytest.mark.parametrize("slip", ["16 apr", "2026-04-16", "4/16", "B", "P01"])
def test_a_code_of_ones_own_that_looks_like_a_slip_is_asked_for_once_more(
    local: Store, slip: str
) -> None:
    entry = open_entry(local, "grafting", by="P01")
    if "/" not in slip:
        assert "is hardly a code" in typed(entry, slip)[0]
    else:
        assert "cannot be a code" in typed(entry, slip)[0]
    assert entry.column.name == "graft_lot"
    typed(entry, "")
    assert entry.column.name == "bundle"
    if "/" not in slip:
        typed(entry, "<", slip, slip)
        assert entry.draft.rows[0].cells["graft_lot"] == slip
    typed(open_entry(local, "grafting", by="P02"), "Lot 7")


# How many keys


def keys(*answers: str) -> int:
    """Return how many keys answers take, each with Enter."""
    return sum(len(answer) + 1 for answer in answers)


def write(file: Path, header: str, rows: list[str]) -> None:
    file.write_text("\n".join([header, *rows]) + "\n")


def test_the_two_hundredth_graft_lot_of_a_season_takes_twenty_keys(
    local: Store, tmp_path: Path
) -> None:
    bundles = [codes.issue("B", 26, serial) for serial in range(401, 421)]
    lots = [codes.issue("G", 26, serial) for serial in range(3, 200)]
    folder = tmp_path / "season"
    folder.mkdir()
    rows = [f"{bundle},C26-0001-7,400,2026-01-21" for bundle in bundles]
    write(folder / "bundles.csv", "bundle,collection,sticks,packed", rows)
    names = "graft_lot,bundle,date,grafter,method,rootstock_lot,stock_mm,grafts,sticks_used,block"
    rows = [
        f"{lot},{bundles[number % 20]},2026-04-{10 + number // 20},P02,four_flap,{STOCKS},9-12,8,3,"
        f"N26,{10 + number // 20},{1 + number % 20 * 8},{8 + number % 20 * 8},{number % 20 + 1}"
        for number, lot in enumerate(lots)
    ]
    write(folder / "graft_lots.csv", f"{names},row,first,last,order_in_day", rows)
    assert import_files(local, [folder], by="P01").changed

    entry = open_entry(local, "grafting", by="P01")
    answers = ("", "417", "", "", "", "", "", "16", "4,")
    assert keys(*answers) <= 20
    said = typed(entry, *answers)
    assert said[0].startswith(f"  {codes.issue('B', 26, 417)}: Fernhill")
    assert said[-1] == "  block N26, row 19, first 137, last 152, order in day 18"
    assert entry.draft.row == 1
    typed(entry, ".")
    (key,) = entry.take("y").keys
    assert key == codes.issue("G", 26, 200)


def test_a_count_on_a_printed_sheet_takes_six_keys(local: Store, tmp_path: Path) -> None:
    file = tmp_path / "counting.csv"
    header = ",".join(column.name for column in fields("take_counts"))
    rows = [f"{lot},2026-05-20,P02,,,,,,," for lot in ("G26-0001-7", "G26-0002-5")]
    file.write_text("\n".join([header, *rows]) + "\n")
    entry = open_entry(local, str(file), by="P01")
    for number, answers in enumerate((("17", "", "", ""), ("12,",)), 1):
        assert entry.column.name == "pushing"
        typed(entry, *answers)
        assert entry.draft.row == number
        assert keys(*answers) <= 6
    typed(entry, ".")
    assert len(entry.take("y").keys) == 2


# One record alone


def test_a_record_alone_is_recorded_with_its_last_cell(store: Store) -> None:
    entry = open_record(store, "take_counts", {"date": "2026-05-20"}, by="P01")
    assert entry.prompt == "graft lot*: "
    typed(entry, "1", "P02", "17", "", "3")
    assert everything(store)["take_counts"] == []
    said = entry.take("")
    assert said.over
    assert said.keys == ("G26-0001-7/2026-05-20",)
    assert len(everything(store)["take_counts"]) == 1


def test_a_wrong_cell_is_asked_again_and_nothing_typed_is_lost(local: Store) -> None:
    given = {"method": "glue", "bundle": "B26-0001-8", "grafter": "P02"}
    entry = open_record(local, "graft_lots", given, by="P01")
    assert len([line for line in entry.introduction() if "glue" in line or "0001-8" in line]) == 2
    typed(entry, "", "B26-0001-7", "2026-03-10")
    assert entry.column.name == "method", "who grafted was given"
    assert "is not a word used here" in typed(entry, "glue")[0]
    typed(entry, "whip", "-", "7", "2", "-", "-", "-")
    said = entry.take("-")
    assert said.over, said
    assert said.made[0].record["grafts"] == 7
    assert said.made[0].record["grafter"] == "P02"


def test_what_breaks_a_rule_is_asked_again_where_it_is_wrong(local: Store) -> None:
    entry = open_record(local, "take_counts", {"scorer": "P02"}, by="P01")
    said = typed(entry, "1", "2026-03-01", "5,")
    assert any(line.startswith("date: ") for line in said)
    assert entry.column.name == "date"
    typed(entry, "2026-05-20", "", "")
    assert entry.take(",").over


def test_a_doubtful_record_is_asked_for_before_it_is_recorded(local: Store) -> None:
    entry = open_record(local, "take_counts", {"scorer": "P02"}, by="P01")
    said = typed(entry, "1", "2026-05-20", "30,")
    assert any(line.startswith("warning: pushing") for line in said)
    assert entry.prompt == "record it like this? yes or no: "
    assert not entry.take("no").over
    assert entry.column.name == "pushing"
    typed(entry, "31,")
    assert entry.take("y").keys == ("G26-0001-7/2026-05-20",)
    assert everything(local)["take_counts"][0][3] == 31


def test_the_same_record_again_is_said_and_changes_nothing(local: Store) -> None:
    entry = open_record(local, "people", {}, by="P01")
    said = [*typed(entry, "P02"), *entry.take("").lines]
    assert said == ["it is recorded already, exactly so"]
    assert entry.take("").over


def test_ditto_is_as_in_the_record_before(local: Store) -> None:
    entry = open_record(local, "graft_lots", {"bundle": "B26-0001-7"}, by="P01")
    assert typed(entry, "", '"') == [f"  {LOT['date']}"]
    counts = open_record(local, "take_counts", {}, by="P01")
    assert typed(counts, '"') == ["nothing is known of a record before; write the value"]


def test_a_tree_is_asked_for_its_place_and_gets_no_code_unasked(local: Store) -> None:
    entry = open_record(local, "mother_trees", {}, by="P01")
    assert asked(entry) == ["tree", "cultivar", "kind", "block", "row", "position"]
    entry = open_record(local, "mother_trees", {}, by="P01")
    assert entry.prompt == "tree [Enter: issue one]: "
    typed(entry, "NB-3-1", "Fernhill", "", "N26", "3")
    assert entry.take("1").keys == ("NB-3-1",)
    entry = open_record(local, "mother_trees", {}, by="P01")
    typed(entry, "NB-3-2", "", "", "", "")
    assert entry.prompt == "position [2]: "


# What is doubtful by what was recorded around it


def test_the_same_cutting_again_within_minutes_is_told(store: Store) -> None:
    cutting = {"tree": "T26-0001-7", "date": "2026-02-03", "sticks": 40}
    first = add(store, "collections", **cutting)
    again = add(store, "collections", **cutting)
    (said,) = [each for each in again.warnings if each.rule == "recorded_lately"]
    assert f"was recorded just now as {first.key}" in said.wrong
    assert not warned(add(store, "collections", **{**cutting, "sticks": 41}))
    bundle = {"collection": first.key, "sticks": 10, "packed": "2026-02-03"}
    assert not [warned(add(store, "bundles", **bundle)) for _ in "12" if warned(first)]


def warned(made: Recorded) -> list[str]:
    return [each.rule for each in made.warnings if each.rule == "recorded_lately"]


def test_what_is_alike_but_older_is_no_slip(local: Store) -> None:
    cutting = {"tree": "T26-0001-7", "date": "2026-02-03", "sticks": 40}
    add(local, "collections", **cutting)
    age_the_journal(local)
    assert not warned(add(local, "collections", **cutting))


def test_whoever_records_under_a_code_that_nobody_has_is_told_the_likely_one(
    local: Store,
) -> None:
    made = record(local, "stores", {"store": "Box-1"}, by="P022")
    assert [(each.rule, each.right[:11]) for each in made.warnings] == [
        ("unknown_recorder", "perhaps P02")
    ]
    assert not record(local, "stores", {"store": "Box-2"}, by="P02").warnings
    new = record(local, "people", {"person": "XY"}, by="XY")
    assert not new.warnings


def test_nobody_is_unknown_where_nobody_is_recorded_yet(tmp_path: Path) -> None:
    with Registry.new(tmp_path / "new.db") as registry:
        assert not registry.record("stores", store="Box-1", recorder="P01").warnings


def test_a_code_reserved_for_one_person_is_told_when_another_uses_it(local: Store) -> None:
    codes_of_p02 = reserve(local, "graft_lots", person="P02", count=3, season=2026, by="P01")
    lot = {"bundle": "B26-0001-7", "grafts": 1, "method": "whip", "date": "2026-03-10"}
    for code, grafter, by, told in zip(
        codes_of_p02, ("P01", "P02", "P01"), ("P01", "P01", "P02"), (1, 0, 0), strict=True
    ):
        made = record(local, "graft_lots", {**lot, "graft_lot": code, "grafter": grafter}, by=by)
        assert [each.rule for each in made.warnings].count("reserved_for_another") == told


def test_what_is_recorded_already_is_not_said_to_be_recorded(
    nursery: Path, run: Callable[..., Said]
) -> None:
    for already in (False, True):
        said = run("add", "store", "--store", "Box-1")
        assert said.out.startswith("was recorded already" if already else "recorded Box-1")


# What the registry knows against a use


def test_what_speaks_against_a_use_is_said_at_the_cell_and_recorded_all_the_same(
    local: Store,
) -> None:
    held = {"tree": "T26-0001-7", "date": "2026-01-10", "event": "hold", "detail": "wrong nuts"}
    add(local, "tree_events", **held)
    entry = open_record(local, "collections", {}, by="P01")
    told, against = typed(entry, "", "1")
    assert told.startswith("  T26-0001-7: Fernhill")
    assert against.startswith("  ! T26-0001-7: ")
    assert "on hold" in against
    assert entry.column.name == "date", "it may be cut all the same"
    before = {**held, "date": "2026-03-01", "event": "released"}
    add(local, "tree_events", **before)
    entry = open_record(local, "collections", {"date": "2026-03-02"}, by="P01")
    assert not any("on hold" in line for line in typed(entry, "", "1"))


def test_what_is_printed_is_told_of_where_the_row_begins(local: Store, tmp_path: Path) -> None:
    add(local, "tree_events", tree="T26-0001-7", date="2026-01-10", event="hold")
    file = tmp_path / "cutting.csv"
    names = [column.name for column in fields("collections")]
    row = ["T26-0001-7" if name == "tree" else "" for name in names]
    write(file, ",".join(names), [",".join(row)])
    opening = open_entry(local, str(file), by="P01").opening()
    assert opening[0] == "row 1: tree T26-0001-7"
    assert "on hold" in opening[1]


# At a terminal


@pytest.fixture
def nursery(tmp_path: Path) -> Path:
    registry = Registry.new(tmp_path / "registry.db", by="P01")
    furnish_two(registry.store)
    registry.close()
    return tmp_path


@pytest.fixture
def sit_down(nursery: Path) -> Iterator[Callable[..., Terminal]]:
    sittings: list[Terminal] = []

    def begin(*words: str) -> Terminal:
        sittings.append(Terminal(nursery, *words))
        return sittings[-1]

    yield begin
    for each in sittings:
        each.child.kill()
        each.child.wait()
        os.close(each.end)


def test_a_command_asks_checks_at_once_and_records_with_the_last_answer(
    nursery: Path, sit_down: Callable[..., Terminal]
) -> None:
    terminal = sit_down("count")
    terminal.sees("graft lot*: ")
    terminal.types("G26-0001-8", "1", then=["perhaps G26-0001-7", "date ["])
    terminal.types("16 may", "P77", "P02", then=["scorer", "there is no person", "pushing*: "])
    terminal.types("17,", then=["recorded G26-0001-7/"])
    assert terminal.child.wait(20) == 0
    with Registry.open(nursery / "registry.db") as registry:
        (count,) = registry.records("take_counts")
    assert (count["pushing"], count["scorer"]) == (17, "P02")


def test_a_command_that_is_stopped_records_nothing_and_says_how_to_go_on(
    nursery: Path, sit_down: Callable[..., Terminal]
) -> None:
    for stop, code in ((lambda t: t.child.send_signal(signal.SIGINT), 130), (end_of_input, 0)):
        terminal = sit_down("graft", "--by", "P02")
        terminal.sees("graft lot [Enter: issue one]: ")
        terminal.types("", "B26-0001-7", then=["bundle*: ", "date ["])
        stop(terminal)
        said = terminal.sees("--by P02")
        assert "nothing is recorded" in said
        assert "scionreg graft --bundle B26-0001-7 --by P02" in said
        assert terminal.child.wait(20) == code
    with Registry.open(nursery / "registry.db") as registry:
        assert len(list(registry.records("graft_lots"))) == 2


def end_of_input(terminal: Terminal) -> None:
    os.write(terminal.end, b"\x04")


def test_a_bundle_tied_from_others_is_asked_for_them_row_by_row(
    nursery: Path, sit_down: Callable[..., Terminal]
) -> None:
    with Registry.open(nursery / "registry.db") as registry:
        add(registry.store, "bundles", collection="C26-0001-7", sticks=10, packed="2026-01-20")
    stopped = sit_down("rebundle", "--packer", "P02")
    stopped.sees("bundle [Enter: issue one]: ")
    stopped.types("", "2026-02-20", ",", then=["packed [", "store: ", "1 parent*: "])
    stopped.types("1", "6", then=["1 sticks*: ", "2 parent*: "])
    end_of_input(stopped)
    said = stopped.sees("=6")
    assert "nothing is recorded" in said
    assert "rebundle --packer P02 --packed 2026-02-20 --parent B26-0001-7=6" in said

    terminal = sit_down("rebundle", "--packed", "2026-02-20")
    terminal.sees("bundle [Enter: issue one]: ")
    terminal.types(",", "1", "6", then=["1 parent*: ", "1 sticks*: ", "2 parent*: "])
    terminal.types("1", "3", then=["2 sticks*: ", "stands with sticks 6, here 3"])
    terminal.types("<", "2", "4", then=["2 parent", "2 sticks", "3 parent*: "])
    terminal.types(".", "y", then=["record them? yes or no: ", "recorded B26-0003-0"])
    assert terminal.child.wait(20) == 0
    with Registry.open(nursery / "registry.db") as registry:
        *_, tied = registry.records("bundles")
        parents = [(row["parent"], row["sticks"]) for row in registry.records("bundle_parents")]
    assert (tied["sticks"], tied["packed"]) == (10, "2026-02-20")
    assert parents == [("B26-0001-7", 6), ("B26-0002-5", 4)]


def test_a_script_is_told_what_a_tied_bundle_lacks(nursery: Path, run: Callable[..., Said]) -> None:
    assert "--parent CODE=STICKS" in run("rebundle", "--packed", "2026-02-20").err


def test_a_complete_command_is_not_asked_anything(
    nursery: Path, sit_down: Callable[..., Terminal]
) -> None:
    terminal = sit_down("add", "person", "--person", "P09", "--roles", "grafter")
    assert "recorded P09" in terminal.sees("recorded P09")
    assert terminal.child.wait(20) == 0


def test_without_a_library_for_line_editing_one_types_all_the_same(
    nursery: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "readline", None)
    monkeypatch.setattr("sys.stdin", io.StringIO("P09\n"))
    assert console.typed("person: ") == "P09"
    assert console.typed("person: ") is None


def test_the_keys_that_end_the_input_are_told_in_words_of_the_system(
    local: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    for system, told in (("posix", "Ctrl-D"), ("nt", "Ctrl-Z and Enter")):
        monkeypatch.setattr("scionreg.entering.loop.STOP", system)
        assert any(told in line for line in open_entry(local, "counting", by="P01").introduction())
