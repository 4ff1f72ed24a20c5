"""Printed text comes from one catalogue, and a translation may be as short as it likes."""

import datetime as dt
import re
from pathlib import Path

import pytest

from scionreg.documents import pdf
from scionreg.records.errors import RegistryError
from scionreg.records.vocabulary import VOCABULARIES, Counting, Word
from scionreg.records.words import english, read_words

FORBIDDEN = ("virus-free", "disease-free", "legal to ship", "is certified")


def test_every_word_of_a_record_can_be_printed() -> None:
    words: list[Word] = [word for vocabulary in VOCABULARIES for word in vocabulary]
    assert all(english().word(word) for word in words)


def test_no_text_gives_a_verdict() -> None:
    for name in english().names():
        text = english()._texts[name].lower()
        assert not any(word in text for word in FORBIDDEN), name


def test_a_month_is_a_word() -> None:
    assert english().day(dt.date(2026, 2, 3)) == "3 Feb 2026"
    assert english().month(dt.date(2026, 12, 3)) == "Dec 2026"


def test_a_noun_goes_with_its_number_and_is_each_language_s_own(tmp_path: Path) -> None:
    said = [english()("stop.old", days=days, keeps="200") for days in (1, 2)]
    assert [each.partition(" old")[0] for each in said] == ["1 day", "2 days"]


def test_a_translation_is_english_where_it_says_nothing(tmp_path: Path) -> None:
    file = tmp_path / "other.toml"
    file.write_text(
        "[date]\nday = '{year}. {month} {day}.'\n[date.month]\n2 = 'févr.'\n"
        "[word.Counting]\ncounted = 'compté'\n",
        encoding="utf-8",
    )
    words = read_words(file)
    assert words.day(dt.date(2026, 2, 3)) == "2026. févr. 3."
    assert words.day(dt.date(2026, 3, 3)) == "2026. Mar 3."
    assert words.word(Counting.COUNTED) == "compté"
    assert words.word(Counting.ESTIMATED) == english().word(Counting.ESTIMATED)
    assert read_words(None) is english()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[date]\nday = 'on {day}'\n", "other values in braces than {day}, {month}, {year}"),
        ("[date]\nday = '{day'\n", "braces that do not close"),
        ("[date]\nmonths = 'x'\n", "'date.months', which english.toml has not"),
        ("[date]\nday = 3\n", "date.day is not text"),
        ("[date\n", "is no catalogue of words"),
    ],
)
def test_a_translation_that_cannot_be_used_is_refused(
    tmp_path: Path, text: str, message: str
) -> None:
    file = tmp_path / "other.toml"
    file.write_text(text)
    with pytest.raises(RegistryError, match=re.escape(message)):
        read_words(file)
    with pytest.raises(RegistryError, match="cannot be read"):
        read_words(tmp_path / "nowhere.toml")


def test_fonts_hold_more_than_latin() -> None:
    assert pdf.unknown_letters("Żółty Čížek Ружа ½ □") == ""
    assert pdf.unknown_letters("早早x") == "早"
    assert pdf.width("I", pdf.CODE, 10) == pdf.width("W", pdf.CODE, 10)


def test_a_file_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    with pytest.raises(ZeroDivisionError), pdf.new_pdf(tmp_path / "a.pdf", (50, 30), title="x"):
        _ = 1 / 0
    assert list(tmp_path.iterdir()) == []
    with pdf.new_pdf(tmp_path / "a.pdf", (50, 30), title="x") as canvas:
        canvas.drawString(9, 9, "x")
    assert [each.name for each in tmp_path.iterdir()] == ["a.pdf"]
    with pytest.raises(RegistryError, match=r"must end in \.pdf"), pdf.new_file("a.txt", ".pdf"):
        pass
    with (
        pytest.raises(RegistryError, match="cannot be written"),
        pdf.new_file(tmp_path / "none" / "a.pdf", ".pdf"),
    ):
        pass
