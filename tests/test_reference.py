"""The reference pages are what the source says, and leave nothing unsaid."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from scionreg import reference
from scionreg.records.cells import Number
from scionreg.records.rules import CELL_RULES, INTAKE_RULES, JUDGED_RULES, RULES, Rule
from scionreg.records.tables import KINDS, fields
from scionreg.records.vocabulary import TERMS, VOCABULARIES, Word

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"
ALL_RULES = RULES | CELL_RULES | INTAKE_RULES | JUDGED_RULES
WORDS = [(words, word) for words in VOCABULARIES for word in words]


@pytest.fixture(autouse=True)
def at_the_top_of_the_source(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)


@pytest.mark.parametrize("name", reference.PAGES)
def test_committed_page_is_the_one_the_source_gives(name: str) -> None:
    committed = (DOCS / name).read_text(encoding="utf-8")
    assert committed == reference.PAGES[name](), "run: python -m scionreg.reference docs"


def test_pages_are_written_into_a_new_folder(tmp_path: Path) -> None:
    reference.write(tmp_path / "docs")
    assert {each.name for each in (tmp_path / "docs").iterdir()} == set(reference.PAGES)


@pytest.mark.parametrize("name", reference.PAGES)
def test_links_lead_somewhere(name: str) -> None:
    links = re.findall(r"\]\(([\w.-]*)#([\w-]+)\)", (DOCS / name).read_text(encoding="utf-8"))
    assert links or name == "commands.md"
    for page, anchor in links:
        text = (DOCS / (page or name)).read_text(encoding="utf-8")
        anchors = {
            title.lower().replace(" ", "-")
            for title in re.findall(r"^#+ (.+)$", text, re.MULTILINE)
        }
        assert anchor in anchors, f"{page or name}#{anchor}"


def test_every_rule_has_a_section() -> None:
    text = (DOCS / "errors.md").read_text(encoding="utf-8")
    assert set(re.findall(r"^### (\w+)$", text, re.MULTILINE)) == set(ALL_RULES)


@pytest.mark.parametrize("rule", ALL_RULES.values(), ids=lambda rule: rule.name)
def test_rule_says_what_must_hold_and_why(rule: Rule) -> None:
    for sentence in (rule.holds, rule.why):
        assert re.fullmatch(r"[A-Z0-9'].+\.", sentence, re.DOTALL), sentence


@pytest.mark.parametrize(("words", "word"), WORDS, ids=lambda value: str(value))
def test_word_has_a_definition_that_is_a_sentence(words: type[Word], word: Word) -> None:
    assert re.fullmatch(r"[A-Z].+\.", word.definition)
    assert words.__doc__ is not None
    assert word.definition in reference.glossary_page()


@pytest.mark.parametrize("words", VOCABULARIES)
def test_no_variant_means_two_words(words: type[Word]) -> None:
    spelled = [name for word in words for name in (word.value.lower(), *word.variants)]
    assert len(spelled) == len(set(spelled))
    assert all(words.spelled(name.replace("_", " ").upper()) is not None for name in spelled)


@pytest.mark.parametrize("kind", KINDS)
def test_every_column_of_a_kind_has_a_definition(kind: str) -> None:
    assert KINDS[kind].__doc__
    for column in fields(kind):
        assert len(column.info["doc"]) > 2, column
        assert column.info["cell"].describe(), column


def test_every_term_is_in_the_glossary() -> None:
    page = reference.glossary_page()
    assert all(f"| **{term}** | {meaning} |" in page for term, meaning in TERMS.items())


def named_rules() -> Iterator[str]:
    """Yield the rule of every problem and cell error that the source makes itself."""
    for file in (ROOT / "scionreg").rglob("*.py"):
        for call in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if not isinstance(call, ast.Call) or not isinstance(call.func, ast.Name):
                continue
            given = {"CellError": call.args[:1], "Problem": []}.get(call.func.id)
            if given is None:
                continue
            given += [each.value for each in call.keywords if each.arg == "rule"]
            yield from (str(each.value) for each in given if isinstance(each, ast.Constant))


def test_every_fault_that_the_source_names_is_explained() -> None:
    cells = {column.info["cell"] for kind in KINDS for column in fields(kind)}
    made = set(named_rules()) | {cell.rule for cell in cells if isinstance(cell, Number)}
    assert made == {*CELL_RULES, *reference.AUDIT_ONLY}
