"""Cells that name a record, and cells that refer to one."""

import re
from dataclasses import dataclass
from datetime import date

from scionreg.records import codes
from scionreg.records.cells.base import (
    TOTALS,
    TOTALS_ROW,
    Cell,
    CellError,
    noun,
    refuse_ditto,
    seen,
)
from scionreg.records.words import Sentence, joined


@dataclass(frozen=True, slots=True)
class Code(Cell):
    """The code that names a record of `kind`: an issued one or the nursery's own."""

    kind: str

    def typed(self, text: str, today: date) -> str:
        """Return an issued code typed in small letters or with blanks as it is written."""
        return codes.tidied(text)

    def read(self, text: str) -> str:
        """Return the code; raise `CellError` for a wrong check digit or the wrong kind."""
        return read_code(text, (self.kind,))

    def describe(self) -> Sentence:
        """Return what the cell holds, for people."""
        letter = codes.LETTER_OF.get(self.kind)
        if letter is None:
            return Sentence("cell.own_code")
        return Sentence("cell.code", code=codes.issue(letter, 2026, 1))


@dataclass(frozen=True, slots=True)
class Ref(Cell):
    """The code of another record, of one of `kinds`; with `single`, also graft lot/position."""

    kinds: tuple[str, ...]
    single: bool = False

    def typed(self, text: str, today: date) -> str:
        """Return an issued code typed in small letters or with blanks as it is written."""
        lot, slash, position = text.partition("/")
        return codes.tidied(lot) + slash + position

    def read(self, text: str) -> str:
        """Return the code; raise `CellError` for a wrong check digit or the wrong kind."""
        if self.single and "/" in text:
            lot, _, position = text.rpartition("/")
            if not position.isdecimal() or int(position) < 1:
                raise CellError(
                    "not_a_position",
                    f"'{position}' is no row position",
                    "write graft lot/position, as in G26-0001-3/7",
                )
            return f"{read_code(lot, ('graft_lots',))}/{int(position)}"
        return read_code(text, self.kinds)

    def describe(self) -> Sentence:
        """Return what the cell holds, for people."""
        of = joined(map(noun, self.kinds), "joined.or")
        return Sentence(f"cell.{'code_or_tree' if self.single else 'code_of'}", of=of)


def read_code(text: str, kinds: tuple[str, ...]) -> str:
    """Return `text` if it may be the code of a record of `kinds`, else raise `CellError`."""
    text = seen(text)
    if codes.is_issued(text) and codes.LETTERS[text[0]] in kinds:
        return text
    if codes.ISSUED.fullmatch(text):
        if not codes.is_issued(text):
            raise CellError(
                "wrong_check_digit",
                f"the check digit of '{text}' does not fit, so a digit is wrong or two are swapped",
                "look at the label again",
            )
        kind = codes.LETTERS[text[0]]
        if kind not in kinds and set(kinds) <= set(codes.LETTER_OF):
            raise CellError(
                "wrong_kind_of_code",
                f"'{text}' is the code of a {noun(kind)}",
                f"write the code of a {' or '.join(map(noun, kinds))}",
            )
        return text
    if codes.looks_issued(text) and set(kinds) & set(codes.LETTER_OF):
        raise CellError(
            "wrong_check_digit",
            f"'{text}' looks like an issued code but is not written as one",
            "write letter, two digits of the year, serial and check digit, as in B26-0417-7",
        )
    refuse_ditto(text)
    if TOTALS.fullmatch(text):
        raise TOTALS_ROW
    if text != text.strip() or len(text) > 60 or re.search(r"[/;\x00-\x1f]", text):
        raise CellError(
            "unusable_code",
            f"'{text}' cannot be a code",
            "use at most 60 characters without '/', ';' or line breaks",
        )
    return text
