"""Trace sheets: what is on them and what is not, and a printed copy checked later."""

import datetime as dt
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pypdfium2
import pytest
import zxingcpp
from sqlalchemy import Connection

from scionreg.api import Registry
from scionreg.documents.paper import as_html
from scionreg.documents.trace_sheet import (
    in_groups,
    recheck_command,
    trace_paper,
    write_trace_sheet,
)
from scionreg.lineage.sheet_book import Step
from scionreg.records.errors import NotFoundError, RegistryError
from scionreg.records.vocabulary import (
    BundleEventKind,
    CheckMethod,
    Grade,
    IdentityStatus,
    TreeEventKind,
)
from scionreg.records.words import english, read_words
from scionreg.registry.create import create_store
from scionreg.registry.store import Store
from scionreg.reporting import TraceSheet, recheck, trace_sheet
from tests.conftest import Said
from tests.nursery import forge
from tests.papers import told
from tests.small_registries import Rows, bundle, day, dispatch, holding, lot, small

VOUCHING = re.compile(r"certified|virus.free|disease.free|legal to ship", re.IGNORECASE)
Run = Callable[..., Said]


def full() -> Rows:
    """Return the small registry with all that a sheet may show of tree G1/3."""
    rows = small()
    rows["mother_trees"][0] |= {
        "block": "N1",
        "row": 7,
        "position": 41,
        "planted": day("2015-03-01"),
        "received_from": "SU9",
        "rank": "scheme Q: increase",
        "notes": "behind the shed of a neighbour",
    }
    rows["rootstock_lots"][0] |= {"species": "Carya texana", "clone": "QD-3", "supplier": "SU4"}
    rows["bundle_log"] = [
        {
            "bundle": "B1",
            "time": dt.datetime(2026, 2, 1, 9, tzinfo=dt.UTC),
            "event": "moved",
            "store": "S2",
            "note": "smelled sour",
        }
    ]
    rows["store_readings"] = [
        {
            "store": store,
            "time": dt.datetime(2026, 1, 11, tzinfo=dt.UTC) + dt.timedelta(hours=4 * i),
            "temperature_c": 2.0 if store == "S1" else 8.2,
        }
        for store in ("S1", "S2")
        for i in range(420)
    ]
    rows["take_counts"] = [{"graft_lot": "G1", "date": day("2026-05-20"), "pushing": 15, "dead": 5}]
    rows["identity_checks"] = [
        {
            "check": "K1",
            "item": "T1",
            "date": day("2025-09-01"),
            "method": "fruit",
            "checked": 1,
            "off": 0,
            "by": "P2",
        }
    ]
    rows["tree_events"] = [
        {
            "tree": "T1",
            "date": day("2020-02-01"),
            "event": "notice",
            "detail": "letter of A. Person",
        }
    ]
    rows["dispatches"] = [dispatch("D1", "G1", label_cultivar="Aldern")]
    return rows


@pytest.fixture
def lite(tmp_path: Path) -> Iterator[Store]:
    """An empty registry on SQLite, where only what is made of the records matters."""
    opened = create_store(tmp_path / "lite.db")
    yield opened
    opened.close()


def sheet_of(connection: Connection, code: str = "G1/3") -> TraceSheet:
    return trace_sheet(connection, code)


def text_of(sheet: TraceSheet) -> str:
    """Return all that a sheet says, as one text."""
    return told(trace_paper(sheet, english()))


def pdf_text(file: Path) -> str:
    document = pypdfium2.PdfDocument(file)
    pages = [page.get_textpage().get_text_bounded() for page in document]
    return " ".join(" ".join(pages).split())


# --------------------------------------------------------------------------------- what is on it


def test_fields_of_label_rules_are_on_the_sheet(store: Store) -> None:
    """Directive 2014/96/EU: category, botanical name, denomination, rootstock, quantity, year,
    reference number of bundle or batch. Florida F.A.C. 5B-62.011: variety, tree identification
    number, number "counted or estimated". Texas 4 TAC 21.44: cultivar, source tree, month and year
    of budding. Washington WAC 16-350-035: scion and rootstock source.
    """
    with holding(store, full()) as connection:
        said = text_of(sheet_of(connection))
        of_bundle = text_of(sheet_of(connection, "B1"))
    for field in (
        "Rank of source: scheme Q: increase (as claimed in the records)",
        "Botanical name: Carya illinoinensis",
        "Cultivar: Aldern",
        "On the label: Aldern",
        "Rootstock: QD-3, Carya texana, lot R1, from SU4",
        "Quantity: 1 tree",
        "Season grafted: 2026",
        "Bundles: B1",
        "100% | Aldern | T1, limb N, block N1, row 7, position 41 | 10 Jan 2026 | C1 | certain",
        "20 Mar 2026 | grafted | G1",
    ):
        assert field in said
    assert "40 sticks, counted, of C1" in of_bundle
    assert "50 sticks, counted, of tree T1, limb N" in of_bundle
    assert "Quantity: 40 sticks" in of_bundle


def test_steps_run_from_source_to_dispatch_with_hands_store_and_looks(store: Store) -> None:
    with holding(store, full()) as connection:
        sheet = sheet_of(connection)
    steps = [(each.did, each.code, each.hand, each.grade) for each in sheet.book.steps]
    assert steps == [
        ("planted", "T1", None, None),
        ("notice", "T1", None, None),
        ("cut", "C1", "P1", Grade.CERTAIN),
        ("packed", "B1", "P2", Grade.CERTAIN),
        ("moved", "B1", None, None),
        ("grafted", "G1", "P3", Grade.CERTAIN),
        ("counted", "G1", None, None),
        ("sent", "D1", None, Grade.CERTAIN),
    ]
    said = text_of(sheet)
    # 1.0 °C above 7.2 °C from 1 February 9:00 to 20 March is 47 days less 9 hours.
    assert "B1 | S2 | 1 Feb 2026 | 20 Mar 2026 | 47 | 1119 | 0 | 0" in said
    assert "B1 | S1 | 11 Jan 2026 | 1 Feb 2026 | 21 | 0 | 0 | 0" in said
    assert "1 Sep 2025 | K1 | T1 | fruit | 1 | 0" in said
    assert "T1 (N), cut 10 Jan 2026: its fruit had been looked at and agreed with the name." in said


def test_units_are_as_the_nursery_sets(lite: Store) -> None:
    from scionreg.registry.settings import Settings, write_settings

    with holding(lite, full()) as connection:
        write_settings(connection, Settings(units="US"))
        said = text_of(sheet_of(connection))
    assert "°F·h above 45 °F" in said
    assert "hours below 23 °F" in said
    assert "| 47 | 2014 | 0 | 0" in said  # 1119 °C·h
    assert "°C" not in said


def test_a_mixed_doubtful_chain_says_so_and_what_was_not_recorded(lite: Store) -> None:
    rows = full()
    rows["bundles"] += [bundle("B3", sticks=20, packer=None), bundle("B4", received_from="SU1")]
    rows["bundles"][-1] |= {"cultivar": "Birkwood", "sticks": 10}
    rows["bundle_parents"] = [
        {"bundle": "B3", "parent": "B1", "sticks": 10},
        {"bundle": "B3", "parent": "B4", "sticks": 10},
    ]
    rows["graft_lots"].append(lot("G3", "B3", row=3, rootstock_lot=None))
    with holding(lite, rows) as connection:
        sheet = sheet_of(connection, "G3")
    said = text_of(sheet)
    assert "one of several" in said or "likely" in said
    assert "no tree of this nursery (B4)" in said
    assert "40 sticks" in said
    assert "10 sticks of B1, 10 sticks of B4" in said
    assert "from SU1, said to be Birkwood" in said
    assert "bundle B3: packer not recorded" in said
    assert "Rootstock: not recorded" in said
    assert "Quantity: 20 grafts" in said


def test_earlier_generations_are_told_apart(demo: str) -> None:
    with Registry.open(demo) as registry:
        said = text_of(registry.trace_sheet("G25-0056-9"))
    assert "100% | Tillowby | T25-0001-9" in said
    assert "100%, generation 2 | Tillowby | T24-0044-7" in said


def test_what_was_found_off_stands_at_the_top_and_in_bold(lite: Store) -> None:
    rows = full()
    rows["identity_checks"].append(
        {
            "check": "K2",
            "item": "G1",
            "date": day("2027-08-01"),
            "method": "leaf",
            "checked": 5,
            "off": 2,
            "positions": "3;9",
            "found": "Birkwood",
        }
    )
    with holding(lite, rows) as connection:
        sheet, other = sheet_of(connection), sheet_of(connection, "G1/4")
    said = text_of(sheet)
    assert "But something recorded speaks against its label" in said.splitlines()[2]
    assert "K2 | G1 | leaf, habit | 5 | 2 | Birkwood; this tree was off" in said
    assert "this tree" not in text_of(other)
    (looks,) = (
        each.table
        for each in trace_paper(sheet, english()).sections
        if each.title == "Identity evidence"
    )
    assert looks is not None
    assert looks.strong == {1}


@pytest.mark.parametrize("code", ["D1", "C1", "T1", "G1", "K1", "B1"])
def test_every_kind_of_code_has_a_sheet(lite: Store, code: str) -> None:
    with holding(lite, full()) as connection:
        sheet = sheet_of(connection, code)
    assert "T1" in text_of(sheet)
    assert sheet.to_dict()["digest"] == sheet.digest


def test_every_word_that_a_sheet_may_need_is_in_the_catalogue() -> None:
    names = english().names()
    for group, words in {
        "did": [*BundleEventKind, *TreeEventKind],
        "sure": list(Grade),
        "grade": list(Grade),
        "method": list(CheckMethod),
        "known": list(IdentityStatus),
    }.items():
        assert {f"trace_sheet.{group}.{word.value}" for word in words} <= names


# ------------------------------------------------------------------------------ what is not on it


def test_a_private_place_and_free_text_stay_at_home(lite: Store, tmp_path: Path) -> None:
    rows = full()
    rows["mother_trees"][0] |= {
        "location_private": True,
        "latitude": 31.415926,
        "longitude": -97.271828,
    }
    rows["collections"][0] |= {"latitude": 31.415927, "longitude": -97.271829}
    rows["tree_events"].append(
        {"tree": "T1", "date": day("2025-02-01"), "event": "topworked", "detail": "by A. Person"}
    )
    with holding(lite, rows) as connection:
        sheet = sheet_of(connection)
    write_trace_sheet(sheet, tmp_path / "sheet.html")
    write_trace_sheet(sheet, tmp_path / "sheet.pdf")
    page = (tmp_path / "sheet.html").read_text()
    for said in (text_of(sheet), page, pdf_text(tmp_path / "sheet.pdf"), str(sheet.to_dict())):
        for private in ("row 7", "31.41", "97.27", "A. Person", "smelled", "shed", "'row': 7"):
            assert private not in said
    assert "place kept private" in page
    assert "T1 was topworked on 1 Feb 2025, before" in page


def test_nothing_vouches(lite: Store, demo: str) -> None:
    rows = full()
    rows["mother_trees"][0]["rank"] = "State scheme: Certified, virus-free"
    with holding(lite, rows) as connection:
        said = text_of(sheet_of(connection))
    assert not VOUCHING.search(said)
    assert "a rank is claimed in the records; ask the authority that gives it" in said
    with Registry.open(demo) as registry:
        for code in ("G24-0029-6/6", "D25-0001-9", "T25-0001-9", "G25-0322-9/87"):
            assert not VOUCHING.search(as_html(trace_paper(registry.trace_sheet(code), english())))
    assert not any(VOUCHING.search(english()._texts[name]) for name in english().names())


def test_names_are_text_never_markup(lite: Store, tmp_path: Path) -> None:
    rows = full()
    hostile = "<img src=x onerror=alert(1)>{{ 7 * 7 }}</script>&amp;"
    rows["rootstock_lots"][0]["clone"] = hostile
    with holding(lite, rows) as connection:
        sheet = sheet_of(connection)
    write_trace_sheet(sheet, tmp_path / "sheet.html")
    write_trace_sheet(sheet, tmp_path / "sheet.pdf")
    page = (tmp_path / "sheet.html").read_text()
    assert "<img src=x" not in page
    assert "{{ 7 * 7 }}&lt;/script&gt;&amp;amp;" in page
    assert "default-src 'none'" in page
    assert "onerror=alert(1)" in pdf_text(tmp_path / "sheet.pdf")


# -------------------------------------------------------------------------------------- on paper


def test_pdf_and_page_say_the_same(demo: str, tmp_path: Path) -> None:
    with Registry.open(demo) as registry:
        sheet = registry.trace_sheet("D25-0001-9")
    write_trace_sheet(sheet, tmp_path / "sheet.pdf")
    printed = pdf_text(tmp_path / "sheet.pdf").replace(" ", "")
    for line in text_of(sheet).splitlines():
        for part in line.split(" | "):
            label, _, value = part.partition(": ")
            for each in (label, value):
                assert "".join(each.split()) in printed
    assert "page1of2" in printed


def test_the_code_that_is_scanned_is_the_command_that_checks_the_sheet(
    demo: str, tmp_path: Path
) -> None:
    with Registry.open(demo) as registry:
        sheet = registry.trace_sheet("G24-0029-6/6")
    write_trace_sheet(sheet, tmp_path / "sheet.pdf")
    picture = pypdfium2.PdfDocument(tmp_path / "sheet.pdf")[0].render(scale=3).to_pil()
    assert [each.text for each in zxingcpp.read_barcodes(picture)] == [recheck_command(sheet)]


def test_a_sheet_is_printed_in_another_language(demo: str, tmp_path: Path) -> None:
    catalogue = tmp_path / "own.toml"
    catalogue.write_text('[trace_sheet]\ntitle = "Hoja de origen"\n[date.month]\n1 = "ene"\n')
    with Registry.open(demo) as registry:
        sheet = registry.trace_sheet("G24-0029-6/6")
    write_trace_sheet(sheet, tmp_path / "sheet.html", read_words(catalogue))
    page = (tmp_path / "sheet.html").read_text()
    assert "Hoja de origen" in page
    assert "16 ene 2024" in page


def test_a_text_longer_than_a_page_goes_on_over_the_next(lite: Store, tmp_path: Path) -> None:
    rows = full()
    rows["bundles"][0]["treatment"] = "dip " * 6000 + "end"
    rows["rootstock_lots"][0]["clone"] = "without_any_space" * 400
    with holding(lite, rows) as connection:
        write_trace_sheet(sheet_of(connection), tmp_path / "sheet.pdf")
    printed = pdf_text(tmp_path / "sheet.pdf")
    assert printed.count("dip ") == 6000
    assert "end" in printed


def test_other_files_are_refused(demo: str, tmp_path: Path) -> None:
    with Registry.open(demo) as registry:
        sheet = registry.trace_sheet("G24-0029-6/6")
    with pytest.raises(RegistryError, match=r"must end in \.html or \.pdf"):
        write_trace_sheet(sheet, tmp_path / "sheet.docx")
    with pytest.raises(RegistryError, match="cannot be written"):
        write_trace_sheet(sheet, tmp_path / "no folder" / "sheet.pdf")


# --------------------------------------------------------------------------------- checked later


@pytest.fixture
def own(store_url: str) -> Any:
    """A registry with one chain of records, recorded one by one."""
    with Registry.open(store_url) as registry:
        for kind, values in (
            ("people", {"person": "P01"}),
            ("cultivars", {"cultivar": "Fernhill", "species": "Malus domestica"}),
            ("mother_trees", {"tree": "AB-1", "cultivar": "Fernhill"}),
            (
                "collections",
                {"collection": "C1", "tree": "AB-1", "date": "2026-01-20", "sticks": 60},
            ),
            ("bundles", {"bundle": "B1", "collection": "C1", "sticks": 50, "packed": "2026-01-20"}),
            (
                "graft_lots",
                {
                    "graft_lot": "G1",
                    "bundle": "B1",
                    "date": "2026-03-10",
                    "grafter": "P01",
                    "method": "whip",
                    "grafts": 20,
                },
            ),
        ):
            registry.record(kind, recorder="P01", **values)
        yield registry


def check(registry: Registry, sheet: TraceSheet, **other: Any) -> Any:
    printed = {
        "date": sheet.made,
        "journal_digest": in_groups(sheet.mark.digest),
        "sheet_digest": in_groups(sheet.digest),
    }
    return registry.recheck(sheet.code, **{**printed, **other})


def test_an_unchanged_sheet_holds_whatever_else_is_recorded(own: Registry) -> None:
    sheet = own.trace_sheet("G1")
    own.record("cultivars", recorder="P01", cultivar="Oldgate", species="Malus domestica")
    found = check(own, sheet)
    assert found.holds
    assert (found.line.line, found.later) == (6, 1)
    assert own.trace_sheet("G1").digest == sheet.digest


def test_a_correction_a_void_and_a_new_finding_are_told_by_their_lines(own: Registry) -> None:
    sheet = own.trace_sheet("G1")
    own.record(
        "identity_checks", recorder="P01", check="K1", item="G1", method="leaf", checked=9, off=2
    )
    own.correct("graft_lots", "G1", why="counted again", recorder="P01", grafts="19")
    own.record("take_counts", recorder="P01", graft_lot="G1", date="2026-05-01", pushing=3)
    own.void("take_counts", "G1/2026-05-01", why="other row", recorder="P01")
    own.record("people", recorder="P01", person="P02")
    found = check(own, sheet)
    assert found.intact
    assert not found.same
    assert not found.holds
    assert [(each.action, each.kind, each.key) for each in found.changes] == [
        ("record", "identity_checks", ""),
        ("correct", "graft_lots", "G1"),
        ("void", "take_counts", "G1/2026-05-01"),
    ]
    assert found.changes[1].why == "counted again"


def test_a_wrong_digit_and_another_day_are_found(own: Registry) -> None:
    sheet = own.trace_sheet("G1")
    wrong = "0" if sheet.digest[5] != "0" else "1"
    changed = sheet.digest[:5] + wrong + sheet.digest[6:]
    found = check(own, sheet, sheet_digest=changed)
    assert not found.same
    assert found.changes == ()
    assert check(own, sheet, journal_digest="0" * 20).line is None
    assert not check(own, sheet, date=sheet.made - dt.timedelta(days=1)).stood_then
    assert check(own, sheet, date=sheet.made + dt.timedelta(days=1)).holds
    with pytest.raises(RegistryError, match="too short"):
        check(own, sheet, sheet_digest=sheet.digest[:11])
    with pytest.raises(RegistryError, match="no digest"):
        check(own, sheet, journal_digest="x" * 20)
    with pytest.raises(NotFoundError):
        own.recheck("G7", date=sheet.made, journal_digest="0" * 20, sheet_digest="0" * 20)


def test_a_journal_that_was_changed_is_noticed(own: Registry) -> None:
    sheet = own.trace_sheet("G1")
    forge(own.store, "UPDATE journal SET why = 'because' WHERE seq = 6")
    found = check(own, sheet)
    assert found.line is not None
    assert not found.intact
    assert not found.holds


def test_the_same_records_give_the_same_digest_in_any_registry(
    own: Registry, tmp_path: Path
) -> None:
    own.export(tmp_path / "season")
    with Registry.new(tmp_path / "copy.db", by="P01") as copy:
        copy.import_files(tmp_path / "season")
        assert copy.trace_sheet("G1").digest == own.trace_sheet("G1").digest


def test_every_shown_column_of_a_chain_s_records_is_in_the_digest(own: Registry) -> None:
    """What a sheet shows cannot change while its digest stays."""
    before = own.trace_sheet("G1")
    for kind, key, column, value in (
        ("graft_lots", "G1", "sticks_used", "20"),
        ("bundles", "B1", "sealed", "yes"),
        ("collections", "C1", "count", "counted"),
        ("mother_trees", "AB-1", "planted", "2015-01-01"),
        ("cultivars", "Fernhill", "species", "Malus sylvestris"),
    ):
        own.correct(kind, key, why="test", recorder="P01", **{column: value})
        after = own.trace_sheet("G1")
        assert after.digest != before.digest
        assert text_of(after) != text_of(before)
        found = check(own, before)
        assert [each.kind for each in found.changes] == [kind]
        before = after


@pytest.mark.parametrize("zone", ["Pacific/Kiritimati", "Etc/GMT+12"])  # one has another day
def test_the_journal_s_day_is_the_nursery_s(tmp_path: Path, zone: str) -> None:
    with Registry.new(tmp_path / "own.db", by="P01", time_zone=zone) as registry:
        registry.record("cultivars", cultivar="Fernhill", species="Malus domestica")
        registry.record("mother_trees", tree="AB-1", cultivar="Fernhill")
        before = registry.trace_sheet("AB-1")
        assert f"of the journal, of {english().day(before.made)}" in text_of(before)
        registry.correct("mother_trees", "AB-1", why="test", rank="none")
        (change,) = check(registry, before).changes
        assert change.time.date() == before.made


# --------------------------------------------------------------------------------- the commands


def test_the_commands(run: Run, demo: str, tmp_path: Path) -> None:
    at = ("--registry", demo)
    wrote = run("trace", "G24-0029-6/6", "--sheet", "sheet.pdf", *at)
    assert wrote.code == 0
    assert (tmp_path / "sheet.pdf").read_bytes().startswith(b"%PDF")
    (command,) = re.findall(r"ask: scionreg (.+)", wrote.err)
    checked = run(*command.split(), *at)
    assert checked.code == 0
    assert "is what the registry tells now" in checked.out
    words = command.split()
    earlier = run(*[each if each[:2] != "20" else "2020-01-01" for each in words], *at)
    assert "that was not the last line of the journal" in earlier.out
    words[-1] = "0" * 20
    wrong = run(*words, *at)
    assert wrong.code == 3
    assert "a digit is wrong" in wrong.out
    words[-3] = "0" * 20
    assert "no line has that digest" in run(*words, *at).out
    assert '"same": false' in run(*words, "--json", *at).out
    assert run("trace", "G24-0029-6/6", "--sheet", "sheet.txt", *at).code == 1
    assert run("recheck", "G24-0029-6/6", "--date", "", *words[4:], *at).code == 1


def test_a_drill_says_what_is_accounted_for(run: Run, demo: str) -> None:
    at = ("--registry", demo)
    found = run("recall", "C24-0047-1", "--drill", *at)
    assert found.code == 3
    assert "94.3% of 193 grafts accounted for" in found.out
    assert "G24-0029-6: 6 of 23" in found.out
    assert "is not reached" in found.err
    assert '"sent": 78' in run("recall", "C24-0047-1", "--drill", "--json", *at).out
    assert "graft_lot,G24-0029-6,6," in run("recall", "C24-0047-1", "--drill", "--csv", *at).out
    whole = run("recall", "--cutter", "P01", "--drill", *at)
    assert "more" in whole.out


def test_changes_since_are_told(own: Registry, run: Run) -> None:
    sheet = own.trace_sheet("G1")
    own.correct("graft_lots", "G1", why="counted again", recorder="P01", grafts="19")
    words = recheck_command(sheet).split()[1:]
    where = own.store.url.render_as_string(hide_password=False)
    found = run(*words, "--registry", where.removeprefix("sqlite:///"))
    assert found.code == 3
    assert "by P01: correct graft lots G1, because counted again" in found.out
    assert isinstance(sheet.book.steps[0], Step)
    with own.store.reading() as connection, pytest.raises(RegistryError):
        recheck(connection, "P01", date=sheet.made, journal_digest="0" * 12, sheet_digest="0" * 12)
