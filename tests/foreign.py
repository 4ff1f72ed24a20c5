"""A language without letters, to see what does not come from the catalogue of texts."""

import re
import string
from collections.abc import Iterable
from pathlib import Path

from scionreg.records.tables import KINDS, fields
from scionreg.records.words import english

WORD = re.compile(r"(?<![\w-])[a-z]{2,}(?![\w-])")
"""A word in small letters that is no part of a code."""


def written(folder: Path) -> Path:
    """Return the file of a catalogue in which every text is only its values, in quotes."""
    texts = {name: english()._texts[name] for name in english().names()}
    texts |= {f"column.{kind}.{each.name}": "" for kind in KINDS for each in fields(kind)}
    file = folder / "foreign.toml"
    lines = [f"{name} = '{_values(text)}'" for name, text in texts.items()]
    file.write_text("\n".join(lines), encoding="utf-8")
    return file


def _values(text: str) -> str:
    """Return the values of a text in their braces."""
    found = [
        f"{{{name}:{form}}}" if form and "|" not in form else f"{{{name}}}"
        for _, name, form, _ in string.Formatter().parse(text)
        if name
    ]
    return f"«{' '.join(found)}»"


def english_in(texts: Iterable[str]) -> list[str]:
    """Return the texts that hold two words or more in small letters: they were not translated."""
    return [text for text in texts if len(WORD.findall(text)) > 1]
