"""What people read on paper and while typing in, told in a language without letters.

Whatever has words in small letters then is not from the catalogue: it must be what was recorded.
"""

import datetime as dt
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import foreign
import pytest
from nursery import LOT, add, furnish
from papers import told
from printed import texts
from small_registries import bundle, collection, day, dispatch, holding, lot, small
from test_enter import Terminal, count_of

from scionreg.api import Registry
from scionreg.documents.field_sheets.filling import Wanted, fill
from scionreg.documents.off_type_page import page
from scionreg.documents.paper import Paper, as_html
from scionreg.documents.season_report import season_paper
from scionreg.documents.trace_sheet import trace_paper
from scionreg.entering import Entry, open_entry
from scionreg.labelling import labels
from scionreg.records.errors import RegistryError
from scionreg.records.words import Words, read_words
from scionreg.registry.create import create_store
from scionreg.registry.store import Store
from scionreg.reporting import trace_sheet
from scionreg.sheeting import write_sheets

RECORDED = {"own scheme: second generation", "own scheme: bank", "fungicide dip", "east limb"}
"""Free text of the demo's records."""
SPANISH = """
[paper]
language = "es"

[typing]
record = "¿Apuntar? sí o no: "
recorded = "filas apuntadas: {number}"

[typing.answer]
yes = "sí"
y = "s"
no = "no"
n = "n"

[word.GraftMethod]
whip = "inglés"

[field_sheet.heading]
graft_lot = "lote"
method = "método"

[column.graft_lots]
method = "cómo se injertó"
"""


@pytest.fixture(scope="session")
def catalogue(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return foreign.written(tmp_path_factory.mktemp("language"))


@pytest.fixture(scope="session")
def words(catalogue: Path) -> Words:
    return read_words(catalogue)


def read_from(paper: Paper) -> Iterator[str]:
    """Yield every text on a paper, and in its pictures, where each stands beside its outlines."""
    for line in told(paper).splitlines():
        yield from line.split(" | ")
    for section in paper.sections:
        for says, svg in section.pictures:
            yield says
            yield from re.findall(r"<!-- (.*?) -->", svg)


def english_on(paper: Paper) -> list[str]:
    texts = [text.strip("«» ") for each in read_from(paper) for text in re.split("[;»«]", each)]
    return [text for text in foreign.english_in(texts) if text not in RECORDED]


# ---------------------------------------------------------------------------------------- on paper


def test_english_would_be_found(demo: str) -> None:
    with Registry.open(demo) as registry:
        paper = trace_paper(registry.trace_sheet("D25-0001-9"), read_words())
    assert len(english_on(paper)) > 30


def test_a_trace_sheet_has_no_english_of_its_own(demo: str, words: Words) -> None:
    with Registry.open(demo) as registry:
        for code in ("G24-0029-6/6", "D25-0001-9", "T25-0001-9", "G25-0322-9/87", "B25-0132-7"):
            assert english_on(trace_paper(registry.trace_sheet(code), words)) == []


@pytest.fixture
def lite(tmp_path: Path) -> Iterator[Store]:
    """An empty registry on SQLite."""
    opened = create_store(tmp_path / "lite.db")
    yield opened
    opened.close()


def test_nor_has_one_of_records_full_of_gaps_and_contradictions(lite: Store, words: Words) -> None:
    rows = small()
    rows["mother_trees"] += [
        {"tree": "T3", "cultivar": "Aldern", "graft_lot": "G3", "planted": day("2024-01-01")}
    ]
    rows["tree_events"] = [
        {"tree": "T1", "date": day(when), "event": event, "limb": limb, "detail": detail}
        for when, event, limb, detail in (
            ("2020-02-01", "topworked", None, "NN"),
            ("2020-02-02", "regrew_below_union", None, None),
            ("2020-02-03", "limb_removed", "N", None),
            ("2020-02-04", "notice", None, None),
            ("2020-02-05", "hold", None, None),
            ("2030-02-05", "died", None, None),
        )
    ]
    rows["tree_events"][-1]["date"] = day("2019-01-01")
    rows["collections"] = [collection("C1", "T1", limb="N", sticks=3), collection("C2", "T2")]
    rows["bundles"] = [
        bundle("B1", collection="C1", packed=day("2020-01-01"), sticks=5),
        bundle("B2", packed=None, sticks=9),
        bundle("B3", received_from="SU9", cultivar="Birkwood", packed=None),
        bundle("B4", packed=day("2019-01-01"), sticks=9),
    ]
    rows["bundle_parents"] = [
        {"bundle": "B4", "parent": "B1", "sticks": 4},
        {"bundle": "B4", "parent": "B2", "sticks": 3},
    ]
    rows["bundle_log"] = [
        {"bundle": "B4", "time": dt.datetime(2018, 1, 1, tzinfo=dt.UTC), "event": "hold"}
    ]
    rows["graft_lots"] = [
        lot("G1", "B4", date=day("2018-06-01"), grafts=20, first=1, last=20),
        lot("G2", "B3", date=None, grafts=3, regraft_of="G1", first=1, last=9),
        lot("G3", "B1", date=day("2025-01-01"), grafts=2, regraft_of="G1", first=None, last=None),
        lot("G4", "B2"),
    ]
    rows["identity_checks"] = [
        {"check": "K1", "item": "G1", "date": day("2021-09-01"), "method": "leaf", "checked": 4,
         "off": 2, "found": "other", "by": "P2"}
    ]  # fmt: skip
    rows["dispatches"] = [dispatch("D1", "G1", date=None, first=None, label_cultivar="Fernhill")]
    with holding(lite, rows) as connection:
        sheets = [trace_sheet(connection, code) for code in ("D1", "G1/3", "T3", "G4")]
    said = {
        each for sheet in sheets for each in (*sheet.traced.missing, *sheet.book.contradictions)
    }
    said |= {each for sheet in sheets for source in sheet.traced.sources for each in source.because}
    assert len({each.name for each in said}) >= 20
    for sheet in sheets:
        assert english_on(trace_paper(sheet, words)) == []


@pytest.mark.parametrize("code", ["G24-0029-6/6", "G25-0322-9", "D26-0001-7", "T24-0047-1"])
def test_a_page_on_a_wrong_tree_has_no_english_of_its_own(
    demo: str, words: Words, code: str
) -> None:
    with Registry.open(demo) as registry:
        html = page(registry.off_type(code), registry.timeline(code), words)
    texts = re.sub(r"<style>.*?</style>", "", html, flags=re.DOTALL)
    said = [text for node in re.split(r"<[^>]*>", texts) for text in re.split("[;»«]", node)]
    assert foreign.english_in(said) == []


@pytest.mark.parametrize("season", [2025, 2027])
def test_a_season_s_report_has_no_english_of_its_own(demo: str, words: Words, season: int) -> None:
    with Registry.open(demo) as registry:
        paper = season_paper(registry.season_report(season), words)
    assert english_on(paper) == []
    assert any(section.pictures for section in paper.sections) is (season == 2025)


def test_a_page_names_its_language(demo: str, tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_text('[paper]\nlanguage = "es"\n')
    with Registry.open(demo) as registry:
        sheet = registry.trace_sheet("T25-0001-9")
    assert '<html lang="es">' in as_html(trace_paper(sheet, read_words(tmp_path / "own.toml")))
    assert '<html lang="en">' in as_html(trace_paper(sheet, read_words()))


@pytest.mark.parametrize(
    "wanted", [{"every": "bundles", "season": 2025}, {"every": "mother_trees"}, {"every": "stores"}]
)
def test_labels_have_no_english_of_their_own(
    demo: str, words: Words, wanted: dict[str, Any]
) -> None:
    with Registry.open(demo) as registry, registry.store.reading() as connection:
        found = labels(connection, words=words, **wanted)
    said = {text.strip("«»") for label in found.labels for text in label.texts()}
    assert foreign.english_in({*said, *found.cautions} - RECORDED) == []


@pytest.mark.parametrize(
    ("name", "date"),
    [
        ("packing", "2026-02-01"),
        ("grafting", "2026-04-14"),
        ("counting", "2026-06-15"),
        ("identity", "2026-08-15"),
        ("cooler", "2026-04-01"),
    ],
)
def test_field_sheets_have_no_english_of_their_own(
    demo: str, words: Words, tmp_path: Path, name: str, date: str
) -> None:
    with Registry.open(demo) as registry:
        write_sheets(registry, name, [tmp_path / "sheet.pdf"], Wanted(day=day(date)), words)
    printed = " ".join(texts(tmp_path / "sheet.pdf"))
    assert set(foreign.WORD.findall(printed)) <= {name, "cm"}


def test_nor_has_what_must_be_minded_at_a_tree(furnished: Store, demo: str, words: Words) -> None:
    add(furnished, "tree_events", tree="T26-0001-7", date="2026-01-01", event="hold")
    add(furnished, "tree_events", tree="T26-0001-7", date="2026-01-01", event="limb_removed")
    with furnished.reading() as connection:
        wanted = Wanted(about={"T26-0001-7": 3})
        line = fill(connection, "cutting", wanted, words).lines[0]
        plain = fill(connection, "cutting", wanted, read_words()).lines[0]
    assert "T26-0001-7 is on hold since 1 Jan 2026" in plain.warned
    assert "limb removed 1 Jan 2026" in plain.told
    assert foreign.english_in([line.told, *line.warned]) == []
    with Registry.open(demo) as registry, registry.store.reading() as connection:
        wanted = Wanted(about={"T24-0047-1": None})
        plain = fill(connection, "cutting", wanted, read_words()).lines[0]
        line = fill(connection, "cutting", wanted, words).lines[0]
    assert any(each.startswith("do not cut the next") for each in plain.warned)
    assert foreign.english_in(line.warned) == []


# ------------------------------------------------------------------------------------ typing it in


@pytest.fixture
def furnished(tmp_path: Path) -> Iterator[Store]:
    """A registry with two lots of 20 grafts, G26-0001-7 and G26-0002-5."""
    registry = Registry.new(tmp_path / "registry.db", by="P01")
    furnish(registry.store)
    add(registry.store, "graft_lots", grafts=20, **{**LOT, "bundle": "B26-0001-7"})
    yield registry.store
    registry.close()


def typed(entry: Entry, *answers: str) -> list[str]:
    """Type answers and return everything that was said and asked."""
    said = []
    for answer in answers:
        said += [entry.heading(), entry.prompt, *entry.take(answer).lines]
    return said


def test_typing_in_says_nothing_in_english(furnished: Store, words: Words) -> None:
    entry = open_entry(furnished, "counting", by="P01", words=words)
    said = entry.introduction()
    said += typed(entry, "+", '"', "<", ">", "?", "--", ".", "<<", *count_of("G26-0001-7", "17"))
    said += typed(entry, "G26-0002-5", '"', "<", "-", "?", ">", "G26-0002-5", "--", "--", "<<")
    said += typed(entry, ".", "perhaps", "n", ".", "s", "yes")
    again = open_entry(furnished, "counting", by="P01", words=words)
    again.take("+")
    said += [*again.introduction(), *typed(again, *count_of("G26-0001-7", "17"), ".", "y")]
    assert foreign.english_in(said) == []
    for sheet in ("cutting", "grafting", "identity", "cooler", "stores", "people", "genotypes"):
        entry = open_entry(furnished, sheet, by="P01", words=words)
        for number in range(len(entry.checker.columns)):
            entry.draft.column = number
            assert foreign.english_in([entry.prompt, *entry.take("?").lines]) == []


def test_a_refusal_is_told_where_it_is_in_the_language(furnished: Store, words: Words) -> None:
    entry = open_entry(furnished, "counting", by="P01", words=words)
    said = typed(entry, *count_of("G26-0001-7", "17", day="2026-03-01"))
    assert any(line.startswith("««1» «»»: ") for line in said), said
    assert not any("row" in line or "warning" in line for line in said)


@pytest.fixture
def spanish(tmp_path: Path) -> Path:
    file = tmp_path / "spanish.toml"
    file.write_text(SPANISH, encoding="utf-8")
    return file


def test_words_and_answers_may_be_typed_in_the_language_and_in_english(
    furnished: Store, spanish: Path
) -> None:
    entry = open_entry(furnished, "grafting", by="P01", words=read_words(spanish))
    assert entry.prompt.startswith("1 lote [")
    typed(entry, "", "B26-0001-7", "", "P01")
    assert entry.prompt == "1 método* [inglés]: ", "the record before has it"
    assert "cómo se injertó: 1 four flap, 2 three flap" in typed(entry, "?")[-1]
    assert "inglés" in entry.offers()
    for answer, says in (("inglés", []), ("4", ["  inglés"]), ("whip", [])):
        assert list(entry.take(answer).lines) == says
        assert entry.draft.rows[0].cells["method"] == "whip"
        entry.take("<")
    assert entry.prompt == "1 método* [inglés]: "

    checks = open_entry(furnished, "cutting", by="P01", words=read_words(spanish))
    columns = [column.name for column in checks.checker.columns]
    checks.draft.column = columns.index("tools_cleaned")
    for answer in ("s", "SÍ", "yes", "y", "1"):
        checks.take(answer)
        assert checks.draft.rows[0].cells["tools_cleaned"] == "yes"
        checks.take("<")
        checks.take("-")
        checks.take("<")


@pytest.mark.parametrize(("answer", "rows"), [("S", 1), ("sí", 1), ("yes", 1), ("n", 0), ("", 0)])
def test_the_end_is_agreed_to_in_the_language_or_in_english(
    furnished: Store, spanish: Path, answer: str, rows: int
) -> None:
    entry = open_entry(furnished, "counting", by="P01", words=read_words(spanish))
    typed(entry, *count_of("G26-0001-7", "17"), ".")
    assert entry.prompt == "¿Apuntar? sí o no: "
    assert len(entry.take(answer).keys) == rows


def test_what_a_column_means_can_be_translated_where_there_is_one(tmp_path: Path) -> None:
    file = tmp_path / "own.toml"
    file.write_text("[column.graft_lots]\nmethods = 'x'\n")
    with pytest.raises(RegistryError, match=r"column\.graft_lots\.methods"):
        read_words(file)


def test_at_a_terminal(furnished: Store, spanish: Path, tmp_path: Path) -> None:
    terminal = Terminal(tmp_path, "enter", "counting", "--words", str(spanish))
    try:
        terminal.sees("1 lote*: ")
        for answer in count_of("G26-0001-7", "17"):
            os.write(terminal.end, f"{answer}\n".encode())
        terminal.sees("2 lote*: ")
        terminal.types(".", "sí", then=["sí o no: ", "filas apuntadas: 1"])
        assert terminal.child.wait(20) == 0
    finally:
        terminal.child.kill()
        terminal.child.wait()
        os.close(terminal.end)
