"""The reference pages of docs/, written from the source: commands, errors, glossary, records.

``python -m scionreg.reference docs`` writes them, from the top of a source tree. A page is a
function without required arguments that returns Markdown; a new one is added to `PAGES`.
"""

import re
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from scionreg.cli.manual import manual
from scionreg.exchange.headers import COLUMN_VARIANTS, FILE_VARIANTS
from scionreg.records.cells import Choice, CultivarName, Many, Ref
from scionreg.records.fixed_values import fixed_values
from scionreg.records.rules import CELL_RULES, INTAKE_RULES, JUDGED_RULES, RULES, Rule
from scionreg.records.starting_values import GROUPS as STARTING_GROUPS
from scionreg.records.starting_values import known_values
from scionreg.records.tables import KINDS, fields, table
from scionreg.records.vocabulary import TERMS, VOCABULARIES, Found, Word

EXAMPLES = Path("tests/errors")
"""Where a source tree keeps one folder per rule with files that break it."""

MADE = "<!-- Written by python -m scionreg.reference docs; change the source, not this page. -->"


def lines(*parts: str | Iterable[str]) -> Iterator[str]:
    """Yield the parts, those of several lines one by one."""
    for part in parts:
        if isinstance(part, str):
            yield part
        else:
            yield from part


def page(*parts: str | Iterable[str]) -> str:
    """Return a page: its title, the note that it is written by a program, and the rest."""
    title, *rest = lines(*parts)
    text = "\n".join([title, "", MADE, *rest])
    return re.sub(r"\n{3,}", "\n\n", text).strip() + "\n"


def grid(header: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> list[str]:
    """Return a Markdown table, with an empty line before and after it."""
    cells = [header, ("---",) * len(header), *rows]
    written = [" | ".join(cell.replace("|", "\\|") for cell in row) for row in cells]
    return ["", *(f"| {row} |" for row in written), ""]


def fenced(text: str, language: str = "text") -> list[str]:
    """Return text as a block of code; characters that cannot be shown are replaced."""
    return [f"```{language}", text.replace("\x00", "␀").rstrip("\n"), "```", ""]


# Errors

GROUPS = {
    "": "Files and cells",
    "references": "Names and references",
    "loops": "Loops",
    "order": "Order in time",
    "counts": "Numbers",
    "places": "Places",
    "wood": "What wood is",
    "intake": "Asked of new records only",
    "judged": "Asked of the judgement",
}
"""The module a rule is in, and the heading it comes under; rules about one cell are in none."""

AUDIT_ONLY = {
    "journal_chain": (
        "Every line of the journal follows from the one before it, and none is missing.",
        "Each line holds the SHA-256 of the line before it, so that a changed, missing or added "
        "line is found.",
    ),
    "record_past_the_journal": (
        "The records are those that the journal's lines wrote.",
        "Each line holds a digest of the records it wrote, so that a record changed, added or "
        "removed by another program is found.",
    ),
    "balance": (
        "No more sticks are missing from a bundle or a collection than counting allows.",
        "What is missing beyond it was lost, or used without a record: a warning.",
    ),
}
"""What only the audit finds, because no single record is wrong: what must hold, and why."""

ERRORS_INTRODUCTION = """
Everything that is wrong with data is reported at once, not only the first of it. A message says
where, what is wrong, and what would be right:

```text
file:line: column: what is wrong; what would be right
```

The header of a file is line 1. A record that is in the registry already is named by its kind and
code in place of a file and line. A **refusal** stops everything that came with it: the registry
stays as it was. A **warning** is taken, and stays visible in every audit until the records are
corrected.

The examples are invented. Each is imported on top of the small nursery in `tests/errors/base`.
""".strip()


def errors_page(examples: Path = EXAMPLES) -> str:
    """Return the page of everything that can be wrong with data.

    `examples` is the folder that holds one folder per rule, with files that break it and
    ``expected.txt``, what is said about them.
    """
    rules = RULES | CELL_RULES | INTAKE_RULES | JUDGED_RULES
    grouped = {
        title: sorted(name for name, rule in rules.items() if _module(rule) == module)
        for module, title in GROUPS.items()
    }
    return page(
        "# Errors",
        "",
        ERRORS_INTRODUCTION,
        *(_rule_index(title, [rules[name] for name in names]) for title, names in grouped.items()),
        _only("## Found at an audit only", PAST_SCIONREG, AUDIT_ONLY),
        "## Each rule",
        "",
        *(_rule_section(rules[name], examples / name) for name in sorted(rules)),
    )


def _module(rule: Rule) -> str:
    """Return the last name of the module that holds a rule, empty for one about a cell."""
    if rule.name in INTAKE_RULES:
        return "intake"
    if rule.name in JUDGED_RULES:
        return "judged"
    return rule.find.__module__.rpartition(".")[2] if rule.find else ""


def _rule_index(title: str, rules: Iterable[Rule]) -> list[str]:
    rows = ((f"[{rule.name}](#{rule.name})", str(rule.trouble), rule.holds) for rule in rules)
    return ["", f"## {title}", *grid(("rule", "", "what must hold"), rows)]


PAST_SCIONREG = (
    "Somebody wrote to the registry past scionreg, or its file was damaged. Compare with a copy "
    "made before."
)


def _only(title: str, says: str, rules: Mapping[str, tuple[str, str]]) -> list[str]:
    rows = ((f"`{name}`", holds, why) for name, (holds, why) in rules.items())
    return [title, "", says, *grid(("rule", "what must hold", "why"), rows), ""]


def _rule_section(rule: Rule, example: Path) -> Iterator[str]:
    expected = (example / "expected.txt").read_text(encoding="utf-8")
    yield from (f"### {rule.name}", "", rule.holds, "", f"*Why:* {rule.why}", "")
    outcome = {"refused": "It is refused.", "warning": "It is taken, with a warning."}
    yield from (f"Checked {rule.when}. {outcome[rule.trouble]}", "")
    for file in sorted(example.iterdir()):
        if file.name != "expected.txt":
            language = "json" if file.suffix == ".geojson" else "text"
            yield from (f"`{file.name}`", "")
            yield from fenced(file.read_text(encoding="utf-8", errors="replace"), language)
    yield from ("What is said:", "")
    yield from fenced(expected)


# Glossary


def glossary_page() -> str:
    """Return the page of terms, and of every word that records may use."""
    terms = ((f"**{term}**", meaning) for term, meaning in sorted(TERMS.items()))
    return page(
        "# Glossary",
        "",
        "## Terms",
        *grid(("term", "meaning"), terms),
        "## Words in records",
        "",
        "Capitals do not matter, and blanks and hyphens are read as underscores.",
        "",
        *(_word_list(words) for words in VOCABULARIES),
        "## Other names of files and columns",
        "",
        "Files and sheets are found by the name of their record kind, or by another name in use.",
        *grid(("record kind", "also accepted"), _by_meaning(FILE_VARIANTS)),
        *grid(("column", "also accepted"), _by_meaning(COLUMN_VARIANTS)),
    )


def _word_list(words: type[Word]) -> Iterator[str]:
    used = [f"{kind}.{column.name}" for kind, column in _columns() if _words_of(column) is words]
    yield from (f"### {heading(words)}", "", str(words.__doc__), "")
    if used:
        links = (f"[{name}](data-model.md#{name.partition('.')[0]})" for name in used)
        yield from (f"Used in {', '.join(links)}.", "")
    rows = ((f"`{each.value}`", each.definition, _listed(each.variants)) for each in words)
    yield from grid(("word", "definition", "also accepted"), rows)


def heading(words: type[Word]) -> str:
    """Return the heading of a vocabulary: ``TreeEventKind`` is *Tree event kind*."""
    return re.sub(r"(?<!^)([A-Z])", r" \1", words.__name__).capitalize()


def _listed(names: Iterable[str]) -> str:
    return ", ".join(f"`{name}`" for name in names)


def _by_meaning(variants: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """Yield each meaning with all the variants that have it."""
    for meaning in sorted(set(variants.values())):
        yield f"`{meaning}`", _listed(name for name in variants if variants[name] == meaning)


# Data model

MODEL_INTRODUCTION = """
A season folder holds one CSV file per record kind, and `datapackage.json`, which types every
column (Frictionless Data Package). A workbook holds one sheet per record kind. Files are UTF-8
with commas and a header row; days and times are ISO 8601, and a time without an offset is in the
registry's time zone; the decimal mark is a point; shares are fractions of 1. An empty cell means
unknown, never zero. Several values in one cell are parted by `;`.

Text that a spreadsheet would run as a formula is written with an apostrophe before it, which is
taken off again when it is read.
""".strip()


def data_model_page() -> str:
    """Return the page of record kinds, with their columns, keys, references and rules."""
    kinds = ((f"[{kind}](#{kind})", str(each.__doc__).strip()) for kind, each in KINDS.items())
    return page(
        "# Data model",
        "",
        MODEL_INTRODUCTION,
        *grid(("record kind", "one record is"), kinds),
        *(_kind_section(kind) for kind in KINDS),
    )


def _kind_section(kind: str) -> Iterator[str]:
    yield from (f"## {kind}", "", str(KINDS[kind].__doc__).strip(), "")
    yield from (f"Key: {_listed(KINDS[kind].KEY)}.", "")
    rows = (
        (f"`{each.name}`", holding(each), "" if each.nullable else "yes", each.info["doc"])
        for each in fields(kind)
    )
    yield from grid(("column", "holds", "required", "definition"), rows)
    for each in table(kind).columns:
        if "apart" in each.info:
            yield from (f"`{each.name}`: {each.info['doc']}.", "")
    judging = sorted(name for name, rule in RULES.items() if kind in rule.touches)
    links = (f"[{name}](errors.md#{name})" for name in judging)
    yield from (f"Rules that a change of it can break: {', '.join(links)}.", "")


def holding(column: Any) -> str:
    """Return what a column holds, with links to the records and words it names."""
    cell = column.info["cell"]
    words = _words_of(column)
    if isinstance(cell, Ref):
        kinds = ", ".join(f"[{kind}](#{kind})" for kind in cell.kinds)
        return f"code of one of the {kinds}" + (", or graft lot/position" if cell.single else "")
    if isinstance(cell, CultivarName):
        named = "name or alias of one of the [cultivars](#cultivars)"
        return f"{named}, or {_link(Found)}" if words else named
    if words:
        return f"{'words' if isinstance(cell, Many) else 'word'}: {_link(words)}"
    return str(cell.describe())


def _link(words: type[Word]) -> str:
    anchor = heading(words).lower().replace(" ", "-")
    return f"[{', '.join(word.value for word in words)}](glossary.md#{anchor})"


def _columns() -> Iterator[tuple[str, Any]]:
    for kind in KINDS:
        for column in fields(kind):
            yield kind, column


def _words_of(column: Any) -> type[Word] | None:
    """Return the vocabulary that a column takes its words from, if any."""
    cell = column.info["cell"]
    if isinstance(cell, Choice | Many):
        return cell.words
    return Found if isinstance(cell, CultivarName) and cell.or_found else None


# Commands

COMMANDS_INTRODUCTION = """
Data goes to standard output, talk to standard error. Exit codes: 0 fine, 1 refused, 2 wrong
usage, 3 a check found something, 130 interrupted. The registry is named by `--registry`, by the
environment variable `SCIONREG_REGISTRY`, or it is `registry.db` in the folder; who records by
`--by`, `SCIONREG_BY`, or the registry's setting.
""".strip().splitlines()


def commands_page() -> str:
    """Return the page of commands: what each one's ``--help`` says."""
    helps = ([f"## {name}", "", *fenced(said)] for name, said in manual())
    return page(
        "# Commands", "", COMMANDS_INTRODUCTION, "", (line for help_ in helps for line in help_)
    )


# Settings

SETTINGS_INTRODUCTION = """
Every number that the reasoning starts from, with its source. `scionreg settings GROUP` shows those
of a registry, `scionreg settings --set GROUP.NAME=NUMBER` sets one. *Fixed* numbers stand beside
them, and no setting moves them. With the pages named they are to suffice to recompute a figure.

What one answer was reckoned from, `--workings FILE` writes as one JSON (`trace`, `recall`,
`balance`, `store`, `take` with and without `--why`, `match`, `offtype`, `sample`, `plan`, `where`):
`question`, `settings`, `constants` (the fixed numbers), `inputs` (the records read, by kind, with
the columns of a season folder) and `answer`. Free text and the places of private trees are left
out, so what follows from the fix of a private tree cannot be recomputed from it.
`scionreg audit --calculations` recomputes published figures, and says expected, got and source.
""".strip().splitlines()

TOLD_IN = {
    "store": ("Cold store", ""),
    "usual_take": ("Usual take", "take.md#the-table"),
    "take": ("Take", "take.md#the-table"),
    "cause": ("Why lots are poor", "take.md#why-some-lots-are-poor"),
    "match": ("Marker profiles", "identity.md#marker-profiles"),
    "identity": ("Looks", "offtype.md#looks"),
    "status": ("Status of a mother tree", "identity.md#status-of-a-mother-tree"),
    "offtype": ("Where an identity broke", "offtype.md#steps"),
    "rotation": ("Mother trees and the plan", "plan.md#rules"),
    "records": ("Records", "season_report.md"),
    "place": ("Places", "maps.md"),
}
"""The heading of each group, and the page that tells how its numbers are used."""


def settings_page() -> str:
    """Return the page of starting values and fixed numbers."""
    return page(
        "# Settings and fixed numbers",
        "",
        SETTINGS_INTRODUCTION,
        *(_group(name) for name in STARTING_GROUPS),
    )


def _group(name: str) -> list[str]:
    title, told = TOLD_IN.get(name, (name.replace("_", " ").capitalize(), ""))
    values = [each for key, each in known_values().items() if key.partition(".")[0] == name]
    header = ("name", "starts at", "what it is", "from, to", "source")
    rows = [
        (
            f"`{name}.{each.name}`",
            f"{each.default:g}",
            each.metadata["means"],
            f"{each.metadata['least']:g}, {each.metadata['most']:g}",
            each.metadata["source"],
        )
        for each in values
    ]
    fixed = [
        (f"`{each.name}`", _several(each.number), each.means, each.source)
        for each in fixed_values()
        if each.group == name
    ]
    of_it = ["Fixed:", *grid(("name", "number", "what it is", "source"), fixed)] if fixed else []
    used = [f"How they are used: [{told.partition('#')[0]}]({told}).", ""] if told else []
    return ["", f"## {title}", "", *used, *grid(header, rows), *of_it]


def _several(number: Any) -> str:
    each = number if isinstance(number, tuple) else (number,)
    return "; ".join(f"{one:g}" for one in each)


PAGES: dict[str, Callable[[], str]] = {
    "commands.md": commands_page,
    "errors.md": errors_page,
    "glossary.md": glossary_page,
    "data-model.md": data_model_page,
    "settings.md": settings_page,
}
"""Each page's file name, and the function that writes it."""


def write(folder: Path) -> None:
    """Write every page into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, written in PAGES.items():
        (folder / name).write_text(written(), encoding="utf-8")


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("usage: python -m scionreg.reference FOLDER")
    write(Path(sys.argv[1]))
