"""What the program says of records comes from the catalogue, and can be said in any language."""

import ast
import copy
import datetime as dt
import pickle
import re
import string
from collections.abc import Callable, Iterator
from pathlib import Path

import orjson
import pytest

from scionreg.records.vocabulary import TreeEventKind
from scionreg.records.words import Sentence, Words, english, joined

PACKAGE = Path(__file__).parents[1] / "scionreg"
OTHER = Words({name: f"«{english()._texts[name]}»" for name in english().names()})
EVENT = Sentence(
    "walk.event",
    of=Sentence("walk.of_limb", limb="N"),
    event=TreeEventKind.LIMB_REMOVED,
    day=dt.date(2026, 3, 10),
    detail="",
)


def test_a_sentence_is_its_english_text() -> None:
    said = Sentence("doubt.undated.cut", code="C26-0001-7")
    assert said == "the day C26-0001-7 was cut is not recorded"
    assert orjson.dumps([said]) == b'["the day C26-0001-7 was cut is not recorded"]'
    assert Sentence.many("pressure.seasons", 1) == "1 season"
    assert Sentence.many("pressure.seasons", 2) == "2 seasons"


def test_as_text_it_has_days_and_words_as_they_are_stored() -> None:
    assert EVENT == "N: limb_removed 2026-03-10"
    assert english().tell(EVENT) == "N: limb removed 10 Mar 2026"


def test_it_is_told_in_another_language_with_all_that_is_in_it() -> None:
    assert OTHER.tell(EVENT) == "««N: »«limb removed» «10 «Mar» 2026»»"
    assert OTHER.tell("T26-0001-7") == "T26-0001-7"


def pickled(value: Sentence) -> Sentence:
    return pickle.loads(pickle.dumps(value))


@pytest.mark.parametrize("copied", [copy.copy, copy.deepcopy, pickled])
def test_a_copy_can_be_told_too(copied: Callable[[Sentence], Sentence]) -> None:
    assert OTHER.tell(copied(EVENT)) == OTHER.tell(EVENT)


def test_other_values_make_another_sentence() -> None:
    assert EVENT.with_values(of="") == "limb_removed 2026-03-10"
    assert EVENT.startswith("N: ")


def test_texts_are_joined_two_by_two() -> None:
    assert joined(["A", "B", "C"], "joined.or") == "A or B or C"
    assert OTHER.tell(joined(["A", "B"], "joined.or")) == "«A or B»"
    assert joined(["A"], "joined.or") == "A"
    assert joined([], "joined.or") == ""


def asked(file: Path) -> Iterator[tuple[str, ast.Call, bool]]:
    """Yield where a file asks for a text of the catalogue, and whether for the one of a number."""
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and node.args:
            many = isinstance(node.func, ast.Attribute) and node.func.attr == "many"
            called = ast.unparse(node.func.value if many else node.func)
            if called in ("Sentence", "words") or called.endswith(".words"):
                yield f"{file.name}:{node.lineno}", node, many


def names_in(name: ast.expr) -> str:
    """Return the names that an expression may stand for; nothing where it may be any."""
    match name:
        case ast.Constant(value=str(text)):
            return re.escape(text)
        case ast.JoinedStr(values=parts):
            return "".join(map(names_in, parts))
        case ast.FormattedValue(value=ast.IfExp(body=one, orelse=other)):
            return f"({names_in(one)}|{names_in(other)})"
        case ast.FormattedValue():
            return r"\w+"
        case _:
            return ""


def test_whatever_is_asked_of_the_catalogue_is_there_with_its_values() -> None:
    texts = english()._texts
    found = set()
    for where, call, many in (each for file in PACKAGE.rglob("*.py") for each in asked(file)):
        names = names_in(call.args[0])
        values = {each.arg for each in call.keywords} | ({"number"} if many else set())
        if not names or None in values:
            continue
        pattern = names + (r"\.(one|other)" if many else "")
        meant = [name for name in texts if re.fullmatch(pattern, name)]
        full = [set(fields(texts[name])) <= values for name in meant]
        # A sentence is made deep down, of whatever is found there; a paper names what it wants.
        every = ast.unparse(call.func).startswith("Sentence")
        assert meant, f"{where}: {pattern} is not in the catalogue"
        assert all(full) if every else any(full), f"{where}: a value of {pattern} is lacking"
        found |= set(meant)
    assert {"doubt.undated.sent", "cause.because", "tree.found.part"} <= found


def fields(text: str) -> list[str]:
    """Return the names in braces."""
    return [name for _, name, _, _ in string.Formatter().parse(text) if name]
