"""Names of cultivars by the Cultivated Plant Code, and the codes that stand for people."""

import re
from dataclasses import dataclass

from scionreg.records.cells import Cell, CellError, refuse_ditto
from scionreg.records.words import Sentence

EPITHET_LENGTH = 30
"""Longest epithet, spaces and quotes not counted; older names may be longer
(Code of Nomenclature for Cultivated Plants, 9th ed. 2016, Scripta Horticulturae 18)."""

EXCLUDED_WORDS = frozenset(
    {"cultivar", "form", "grex", "group", "hybrid", "maintenance", "mixture", "selection"}
    | {"sport", "series", "strain", "variety", "improved", "transformed"}
)
"""Words that the same code lets no cultivar name hold."""

ALLOWED = re.compile(r"[^\W_]|[ '’.,\-/\\!]", re.UNICODE)


@dataclass(frozen=True, slots=True)
class Epithet(Cell):
    """A cultivar epithet as the Cultivated Plant Code (9th ed. 2016) lets it be."""

    def read(self, text: str) -> str:
        """Return the epithet without surrounding quotes or raise `CellError`."""
        refuse_ditto(text)
        name = text.strip()
        if len(name) > 2 and name[0] in "'‘" and name[-1] in "'’":
            name = name[1:-1]
        wrong = fault(name)
        if wrong:
            raise CellError("cultivar_name", f"'{text}' {wrong}", "see the Cultivated Plant Code")
        return name

    def describe(self) -> Sentence:
        """Return what the cell holds, for people."""
        return Sentence("cell.cultivar_name")


def fault(name: str) -> str | None:
    """Return what keeps `name` from being a cultivar epithet, or None."""
    letters = [sign for sign in name if sign.isalpha()]
    words = re.findall(r"[^\W\d_]+", name.lower())
    strange = sorted({sign for sign in name if not _allowed(sign)})
    banned = sorted(EXCLUDED_WORDS.intersection(words))
    if strange:
        return f"holds {' '.join(strange)}, which a cultivar name may not"
    if not letters:
        return "holds no letter"
    if len(name.replace(" ", "")) < 2:
        return "is a single letter"
    if name.count("!") > 2 or "!!" in name:
        return "holds more than two '!', or two side by side"
    if re.search(r"\bof all\b", name.lower()):
        return "praises the plant above all others, which a cultivar name may not"
    if banned:
        return f"holds the word {banned[0]}, which a cultivar name may not"
    return None


def _allowed(sign: str) -> bool:
    """Tell whether a character may stand in an epithet: letters, digits and a few marks."""
    return ALLOWED.fullmatch(sign) is not None and (sign.isalpha() or sign.isascii() or sign == "’")


@dataclass(frozen=True, slots=True)
class PersonCode(Cell):
    """A short code that stands for a person."""

    def read(self, text: str) -> str:
        """Return the code or raise `CellError`."""
        refuse_ditto(text)
        if not re.fullmatch(r"[\w.-]{1,12}", text):
            raise CellError(
                "person_by_name",
                f"'{text}' is no code of a person",
                "people are recorded by a code of at most 12 letters and digits, as in P07",
            )
        return text

    def describe(self) -> Sentence:
        """Return what the cell holds, for people."""
        return Sentence("cell.person_code")
