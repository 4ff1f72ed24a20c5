"""What commands show fits the terminal at hand, in its letters, and makes it obey nothing."""

import io
import json
import os
import re
import shlex
import subprocess
import sys
import unicodedata
from pathlib import Path

import pytest
from conftest import called
from hypothesis import given
from hypothesis import strategies as st

from scionreg.api import Registry
from scionreg.cli import console, layout
from scionreg.records import shell

OUTPUTS = ((60, "ascii"), (80, "cp437"), (120, "cp1252"))
"""Widths of terminals, each with a code page that some machine has."""
ANSWERS = (
    "show G24-0029-6",
    "show T24-0047-1",
    "list mother_trees --limit 20",
    "list bundles --limit 20",
    "list cultivars",
    "history G24-0029-6",
    "settings",
    "settings store",
    "trace G24-0029-6/6",
    "trace D25-0042-9",
    "recall C24-0047-1",
    "balance --per cultivar",
    "balance --per season",
    "report 2025",
    "royalties 2025",
    "store B24-0008-9 B26-0007-4",
    "store --now",
    "store --store S24-0002-8 --warm-spells",
    "take --season 2025",
    "take --by grafter --season 2025",
    "take --row-map N26",
    "match G24-0029-6/6",
    "offtype G24-0029-6/6",
    "sample G25-0243-6",
    "status",
    "status T24-0047-1",
    "plan",
    "plan --why Old-7",
    "walk T24-0043-9 T24-0045-2 Old-8 --start 36.4191,-95.7703",
    "where 36.418709 -95.770968 --accuracy 5",
    "audit",
    "--help",
    "take --help",
)
SLOW = ("report 2025", "plan", "plan --why Old-7", "audit", "take --by grafter --season 2025")
"""Those that are asked once only."""


def shown(words: str, width: int | None, encoding: str) -> str:
    """Return what a command writes to standard output of that width and encoding."""
    written = io.BytesIO()
    with pytest.MonkeyPatch.context() as patch:
        patch.delenv("COLUMNS", raising=False)
        if width:
            patch.setenv("COLUMNS", str(width))
        output = io.TextIOWrapper(written, encoding, newline="\n")
        patch.setattr(sys, "stdout", output)
        called(*words.split())
        output.flush()
        return written.getvalue().decode(encoding)


def tokens(text: str) -> set[str]:
    """Return the words of a text, in letters that any output has."""
    return set(re.findall(r"[\w.-]*\w", layout.within(text, "ascii")))


@pytest.mark.parametrize("words", ANSWERS)
def test_every_answer_is_whole_on_narrow_terminals_and_in_old_code_pages(
    words: str, demo: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SCIONREG_REGISTRY", demo)
    wide = tokens(shown(words, None, "utf-8"))
    for width, encoding in OUTPUTS[:1] if words in SLOW else OUTPUTS:
        text = shown(words, width, encoding)
        if words != "take --help":  # where words of a choice are parted
            assert not wide - tokens(text)
        for line in text.splitlines():
            copied = line.lstrip().startswith("scionreg ")
            assert len(line) <= width or copied or len(line.split()) == 1, line


def _cells(draw: st.DrawFn) -> tuple[list[str], list[list[str]]]:
    word = st.text(st.sampled_from("abcé漢0123-%. "), min_size=1, max_size=30)
    heads = draw(st.lists(word, min_size=1, max_size=6))
    row = st.lists(word, min_size=len(heads), max_size=len(heads))
    return heads, draw(st.lists(row, max_size=4))


tables = st.composite(_cells)()


@given(tables, st.integers(20, 100))
def test_a_table_keeps_every_word_and_the_width(
    made: tuple[list[str], list[list[str]]], width: int
) -> None:
    heads, rows = made
    lines = list(layout.table_lines(heads, rows, width))
    words = {word for cells in ([] if not rows else [heads], rows) for row in cells for word in row}
    there = {each.rstrip(":") for line in lines for each in line.split()}
    assert {w.rstrip(":") for word in words for w in word.split()} <= there
    for line in lines:
        # Beside a wide heading a value keeps some columns, however narrow the terminal.
        least = max(map(layout.columns_of, heads), default=0) + 3 + layout.NARROWEST
        fits = layout.columns_of(line) <= max(width, least)
        assert fits or " " not in line.strip() or ":" in line


def test_numbers_stand_right_and_wide_letters_count_twice() -> None:
    lines = list(layout.table_lines(("name", "sticks"), (("漢字", "7"), ("ab", "12")), None))
    assert lines == ["name  sticks", "漢字       7", "ab        12"]


def test_a_table_that_cannot_fit_becomes_a_block_a_record() -> None:
    heads = ("bundle", "class", "days", "cultivar")
    rows = [["B26-0001-7", "use_first", "12", "Tillowby"], ["B26-0002-5", "good", "9", "Brellan"]]
    assert list(layout.table_lines(heads, rows, 30)) == [
        "bundle:    B26-0001-7",
        "class:     use_first",
        "days:      12",
        "cultivar:  Tillowby",
        "",
        "bundle:    B26-0002-5",
        "class:     good",
        "days:      9",
        "cultivar:  Brellan",
    ]


def test_long_texts_of_a_table_are_folded_between_words() -> None:
    rows = [["Old-7", "resting", "it was cut too hard three winters running"]]
    assert list(layout.table_lines(("tree", "state", "why"), rows, 40)) == [
        "tree   state    why",
        "Old-7  resting  it was cut too hard",
        "                three winters running",
    ]


def test_what_was_made_adds_up_on_sight_and_autumn_sales_go_with_the_next_season(
    demo: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SCIONREG_REGISTRY", demo)
    said = shown("royalties 2025", None, "utf-8").splitlines()
    assert " ".join(said[1].split()[2:11]) == "made taken green died not told not counted sold"
    (row,) = (line for line in said if "Quarrow" in line)
    made, *parts = row.partition("Quarrow")[2].split()[:6]
    assert int(made) == sum(map(int, parts))
    report = shown("report 2025", None, "utf-8")
    assert "the next autumn's sales included, counts for season 2026" in report


HOSTILE = "a\x1b[31mb\u2028d\U000e0041e"


class Screen(io.TextIOWrapper):
    """An output that says it is a terminal."""

    def isatty(self) -> bool:
        return True

    def fileno(self) -> int:
        raise OSError


@pytest.fixture
def hostile(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A registry with a note that a terminal would obey."""
    where = str(tmp_path / "hostile.db")
    with Registry.new(where, by="P01") as registry:
        registry.record("cultivars", cultivar="Brellan", species="Malus domestica", notes=HOSTILE)
    monkeypatch.setenv("SCIONREG_REGISTRY", where)


@pytest.mark.parametrize("words", ["show Brellan", "list cultivars", "history Brellan"])
def test_text_that_a_terminal_would_obey_is_made_visible(hostile: None, words: str) -> None:
    said = shown(words, None, "utf-8")
    assert "a<U+001B>[31mb<U+2028>d<U+E0041>e" in said


def test_csv_shows_hostile_text_on_a_terminal_and_keeps_it_in_a_file(hostile: None) -> None:
    assert HOSTILE in shown("list cultivars --csv", None, "utf-8")
    written = io.BytesIO()
    with pytest.MonkeyPatch.context() as patch:
        screen = Screen(written, "utf-8")
        patch.setattr(sys, "stdout", screen)
        called("list", "cultivars", "--csv")
        screen.flush()
        assert "a<U+001B>[31mb<U+2028>d<U+E0041>e" in written.getvalue().decode()


def test_json_escapes_what_a_terminal_would_obey_or_does_not_have(hostile: None) -> None:
    said = shown("list cultivars --json", None, "ascii")
    assert all(sign.isprintable() or sign == "\n" for sign in said)
    assert json.loads(said)[0]["notes"] == HOSTILE


def test_letters_that_an_output_lacks_are_replaced_and_that_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    where = str(tmp_path / "registry.db")
    with Registry.new(where, by="P01") as registry:
        registry.record("cultivars", cultivar="Ořešák", species="Juglans regia")
    monkeypatch.setenv("SCIONREG_REGISTRY", where)
    assert "Orešák" in shown("list cultivars", None, "cp1252")
    assert "letters that cp1252 does not have" in capsys.readouterr().err


def test_a_full_disk_under_the_output_is_said_in_a_sentence(
    demo: str,
) -> None:
    with Path("/dev/full").open("w", encoding="utf-8") as full:
        done = subprocess.run(
            [sys.executable, "-m", "scionreg", "trace", "G24-0029-6", "--registry", demo],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 1
    assert done.stderr.endswith("refused: the output could not be used: No space left on device\n")


@given(st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"])))
def test_a_printed_command_is_one_word_for_a_posix_shell(code: str) -> None:
    if os.name != "nt":
        assert shlex.split(shell.command_line("show", code)) == ["scionreg", "show", code]


@pytest.mark.parametrize(
    ("word", "typed"),
    [
        ("B26-0001-7", "B26-0001-7"),
        ("N 1", '"N 1"'),
        ("A&calc", '"A&calc"'),
        ("it's", '"it\'s"'),
        ("T$(calc)", "..."),
        ('a"b', "..."),
        ("%PATH%", "..."),
    ],
)
def test_a_printed_command_is_safe_in_both_shells_of_windows(word: str, typed: str) -> None:
    assert shell._windows(word) == typed


def test_combining_marks_take_no_column() -> None:
    assert layout.columns_of(unicodedata.normalize("NFD", "é")) == 1
    assert console.one_line("a\tb\nc\u202ed") == "a b c<U+202E>d"


def test_whoever_waits_sees_that_work_goes_on_and_the_line_is_empty_afterwards(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    written = io.BytesIO()
    screen = Screen(written, "utf-8", write_through=True)
    monkeypatch.setattr(sys, "stderr", screen)
    waiting = console._Waiting("auditing", every=0.001)
    while b"auditing: 0 s" not in written.getvalue():
        pass
    waiting.end()
    assert written.getvalue().endswith(b"\r             \r")
