"""Cultivar names by the Cultivated Plant Code, and codes of people.

Names and limits: International Code of Nomenclature for Cultivated Plants, 9th edition, 2016
(Scripta Horticulturae 18), as read in two summaries.
"""

import pytest

from scionreg.records.cells import CellError
from scionreg.records.names import EPITHET_LENGTH, EXCLUDED_WORDS, Epithet, PersonCode

ACCEPTED = ["Super 5", "Half Pint", "100th Battalion"]
REFUSED = ["$Million", "½ Pint", "Best of All"]


@pytest.mark.parametrize("name", ACCEPTED)
def test_name_that_the_code_accepts_is_taken(name: str) -> None:
    assert Epithet().read(name) == name


@pytest.mark.parametrize("name", REFUSED)
def test_name_that_the_code_rejects_is_refused(name: str) -> None:
    with pytest.raises(CellError) as refusal:
        Epithet().read(name)
    assert refusal.value.rule == "cultivar_name"


@pytest.mark.parametrize("name", ["A", "7", "1 2 3", "'", "!", "Ä"])
def test_one_letter_or_only_digits_is_no_name(name: str) -> None:
    with pytest.raises(CellError):
        Epithet().read(name)


@pytest.mark.parametrize("word", sorted(EXCLUDED_WORDS))
def test_excluded_word_is_refused_wherever_it_stands(word: str) -> None:
    for name in (word.capitalize(), f"Early {word}", f"{word.upper()} Oldgate"):
        with pytest.raises(CellError, match=word):
            Epithet().read(name)


@pytest.mark.parametrize(
    "name", ["Formosa", "Pride of Allegheny", "Strainer", "Grexham", "Sporting Chance", "Serieston"]
)
def test_word_that_only_begins_like_an_excluded_one_is_taken(name: str) -> None:
    assert Epithet().read(name) == name


def test_the_excluded_words_are_the_fourteen_of_the_code() -> None:
    assert {
        *("cultivar", "form", "grex", "group", "hybrid", "maintenance", "mixture"),
        *("selection", "sport", "series", "strain", "variety", "improved", "transformed"),
    } == EXCLUDED_WORDS
    assert EPITHET_LENGTH == 30


@pytest.mark.parametrize("mark", list("'’,.-/\\"))
def test_marks_that_the_code_allows_are_taken(mark: str) -> None:
    assert Epithet().read(f"Old{mark}gate") == f"Old{mark}gate"


@pytest.mark.parametrize("mark", list('"*@#%&()+=_:;?<>[]|~^$€×'))
def test_other_marks_are_refused(mark: str) -> None:
    with pytest.raises(CellError):
        Epithet().read(f"Old{mark}gate")


def test_two_exclamation_marks_are_the_most_and_stand_apart() -> None:
    assert Epithet().read("Oh! My!") == "Oh! My!"
    for name in ("Oh!!", "Oh! My! No!"):
        with pytest.raises(CellError):
            Epithet().read(name)


@pytest.mark.parametrize("written", ["'Fernhill'", "‘Fernhill’", "  Fernhill "])
def test_quotes_around_a_name_are_no_part_of_it(written: str) -> None:
    assert Epithet().read(written) == "Fernhill"


@pytest.mark.parametrize("name", ["Müllers Späte", "Ångström", "Dvořák", "Нежность"])
def test_letters_of_any_alphabet_are_taken(name: str) -> None:
    assert Epithet().read(name) == name


@pytest.mark.parametrize("code", ["P07", "jt", "J.T.", "crew-2", "Ä1"])
def test_short_code_stands_for_a_person(code: str) -> None:
    assert PersonCode().read(code) == code


@pytest.mark.parametrize("name", ["The new cutter", "first; second", "", "a" * 13, "x/y"])
def test_anything_longer_or_with_blanks_is_no_code_of_a_person(name: str) -> None:
    with pytest.raises(CellError) as refusal:
        PersonCode().read(name)
    assert refusal.value.rule == "person_by_name"
