"""Cells of numbers, and of yes or no."""

import math
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from scionreg.records.cells.base import Cell, CellError, refuse_ditto
from scionreg.records.vocabulary import spelling
from scionreg.records.words import Sentence

APPROXIMATE = re.compile(r"(?:[~≈]|ca\.?\s*|about\s+|c\.\s*)\s*(\d+)|(\d+)\s*(?:\+|\?|approx\.?)")

PLAIN = re.compile(r"[-+]?(\d+\.?\d*|\.\d+)(e-\d+)?", re.ASCII | re.IGNORECASE)
"""How every number is written; the exponent is what programs write of a very small one."""
GROUPED = re.compile(r"[-+]?\d{1,3}([,' \u00a0\u202f_]\d{3})+(\.\d+)?")
DECIMAL_COMMA = re.compile(r"[-+]?\d+,\d+")
LARGE = re.compile(r"[-+]?\d{1,3}(\.\d+)?e\+?\d{1,2}", re.ASCII | re.IGNORECASE)
LONGEST = 40
"""Digits of the longest number that is looked at."""

MEASURES = re.compile(r"([-+]?(?:\d+\.?\d*|\.\d+))\s*([^\d\s.,+-][^\d.,+-]*)", re.ASCII)

LENGTHS = {
    "mm": 0.001,
    "cm": 0.01,
    "m": 1.0,
    "km": 1000.0,
    **dict.fromkeys(("metre", "metres", "meter", "meters"), 1.0),
    **dict.fromkeys(("in", "inch", "inches", '"', "″", "”", "''"), 0.0254),
    **dict.fromkeys(("ft", "foot", "feet", "'", "′", "’"), 0.3048),
    **dict.fromkeys(("yd", "yard", "yards"), 0.9144),
}
"""Units of length in metres (inch, foot, yard: international agreement of 1959, exact)."""


def digits(text: str) -> str:
    """Return text with the digits of any script as 0 to 9, and a printer's minus as a hyphen.

    >>> digits("１２"), digits("−٣.٥")
    ('12', '-3.5')
    """
    if text.isascii():
        return text
    plain = (str(unicodedata.decimal(sign)) if sign.isdecimal() else sign for sign in text)
    return "".join(plain).replace("−", "-")


def plain_number(text: str, example: str, what: str = "number") -> str:
    """Return the text of a number in plain digits: one way of writing for whole ones and others.

    Raises
    ------
    CellError
        It is none, or one with signs between its digits, a comma or a large exponent; the message
        says how it is written, else like `example`.
    """
    clean = digits(text)
    if PLAIN.fullmatch(clean) and len(clean) <= LONGEST:
        return clean
    refuse_ditto(text)
    right = f"digits, as in {example}"
    if PLAIN.fullmatch(clean):
        raise CellError("out_of_range", f"'{text[:20]}…' is more than can be kept", "check it")
    if GROUPED.fullmatch(clean):
        right = f"write {re.sub(r'[^-+.0-9]', '', clean)}, nothing between the digits"
        if DECIMAL_COMMA.fullmatch(clean):
            right += f"; or {clean.replace(',', '.')} where the comma is a decimal mark"
    elif DECIMAL_COMMA.fullmatch(clean):
        right = f"write {clean.replace(',', '.')}, with a point for the decimal mark"
    elif LARGE.fullmatch(clean):
        right = f"write it out, {Decimal(clean):f} perhaps"
    raise CellError("not_a_number", f"'{text}' is not a {what}", right)


@dataclass(frozen=True, slots=True)
class Whole(Cell):
    """A whole number from `low` to `high`; `named` are words for the numbers from `low` on."""

    low: int = 0
    high: int = 10_000_000
    counting: bool = False
    named: tuple[str, ...] = ()

    def read(self, text: str) -> int:
        """Return the number."""
        plain = text.isdecimal() and text.isascii() and len(text) < 20
        number = int(text) if plain else self._mend(text)
        if number < self.low:
            raise CellError("below_zero", f"{number} is below {self.low}", f"at least {self.low}")
        if number > self.high:
            raise CellError("out_of_range", f"{number} is above {self.high}", f"up to {self.high}")
        return number

    def _mend(self, text: str) -> int:
        """Read what is not plain digits: a sign, a word, or a whole number written as ``40.0``."""
        rough = APPROXIMATE.fullmatch(text)
        if rough:
            number = rough[1] or rough[2]
            how = f"write {number} and 'estimated' in the column count" if self.counting else ""
            raise CellError(
                "rough_number",
                f"'{text}' is a rough number",
                how or f"write the number you can answer for, {number} perhaps",
            )
        names = [spelling(name) for name in self.named]
        if spelling(text) in names:
            return self.low + names.index(spelling(text))
        broken = DECIMAL_COMMA.fullmatch(text) and not GROUPED.fullmatch(text)
        known = None if broken else Decimal(plain_number(text, self._example(), "whole number"))
        if known is None or known != known.to_integral_value():
            raise CellError(
                "not_a_number", f"'{text}' is not a whole number", f"as in {self._example()}"
            )
        return int(known)

    def _example(self) -> str:
        """Return a number that the column takes, with its range where that is narrow."""
        if self.high >= 1000:
            return str(max(self.low, 40))
        words = f", or {' or '.join(self.named)}" if self.named else ""
        return f"{self.low + 1} ({self.low} to {self.high}{words})"

    def schema(self) -> dict[str, Any]:
        """Return the Table Schema type and constraints."""
        return {"type": "integer", "constraints": {"minimum": self.low, "maximum": self.high}}

    def describe(self) -> Sentence:
        """Return what the cell holds, for people."""
        if self.high == 10_000_000:
            return Sentence("cell.whole_from", low=self.low)
        return Sentence("cell.whole", low=self.low, high=self.high)


@dataclass(frozen=True, slots=True)
class Number(Cell):
    """A decimal number from `low` to `high`, in `unit`; a share is one from 0 to 1 without unit.

    With another unit of the same kind behind it, it is converted: ``14 in`` is 35.56 cm, ``40%`` a
    share of 0.4, ``45 °F`` 7.2222 °C.
    """

    low: float
    high: float
    unit: str = ""
    rule: str = "out_of_range"

    def read(self, text: str) -> float:
        """Return the number; the decimal mark is a point."""
        if PLAIN.fullmatch(text):
            number = float(text)
        else:
            clean = digits(text)
            parts = MEASURES.findall(clean)
            whole = "".join(number + unit for number, unit in parts)
            measured = parts and re.sub(r"\s+", "", whole) == re.sub(r"\s+", "", clean)
            number = self._measured(parts) if measured else self._plain(text)
        if not self.low <= number <= self.high or math.isnan(number):
            raise CellError(
                self.rule,
                f"{text} is outside {self.low:g} to {self.high:g}{self._unit()}",
                "check the number and its unit",
            )
        return number + 0.0  # SQLite does not keep the sign of -0.0

    def _plain(self, text: str) -> float:
        return float(plain_number(text, self._example()))

    def _measured(self, parts: list[tuple[str, str]]) -> float:
        """Return the sum of numbers with their units: one, or feet and inches."""
        units = self._units()
        total = 0.0
        for number, name in parts:
            unit = units.get(name.strip().casefold())
            if unit is None or (len(parts) > 1 and self.unit not in LENGTHS):
                raise CellError(
                    "not_a_number",
                    f"'{number} {name.strip()}' is not a number of this column",
                    f"digits, as in {self._example()}",
                )
            size, start = unit
            total += (float(number) - start) * size
        return round(total, 6)

    def _units(self) -> Mapping[str, tuple[float, float]]:
        """Return the units that may be named: their size in the column's own, and their zero."""
        if self.unit in LENGTHS:
            return {name: (size / LENGTHS[self.unit], 0.0) for name, size in LENGTHS.items()}
        if self.unit == "°C":
            celsius = dict.fromkeys(("°c", "° c", "℃", "c"), (1.0, 0.0))
            return celsius | dict.fromkeys(("°f", "° f", "℉", "f"), (1 / 1.8, 32.0))
        if self.unit == "°C·h":
            return {"°c·h": (1.0, 0.0), "°f·h": (1 / 1.8, 0.0)}
        if self.unit == "%":
            return {"%": (1.0, 0.0), "percent": (1.0, 0.0)}
        if self.unit == "degrees":
            return {"°": (1.0, 0.0), "degrees": (1.0, 0.0)}
        return {"%": (0.01, 0.0), "percent": (0.01, 0.0)} if self.high == 1 else {}

    def _example(self) -> str:
        """Return how the column is written, with the units that may stand behind a number."""
        if self.unit in LENGTHS:
            other = "14 in" if self.unit == "cm" else "40 ft"
            return f"3.5 for {self.unit}, or {other} with its unit"
        if self.unit == "°C":
            return "3.5 for °C, or 38.3 °F with its unit"
        if self.high == 1 and not self.unit:
            return "0.4, or 40%"
        return "3.5"

    def _unit(self) -> str:
        return f" {self.unit}" if self.unit else ""

    def write(self, value: Any) -> str:
        """Return the shortest text that reads back as the same number."""
        return repr(float(value)).removesuffix(".0")

    def schema(self) -> dict[str, Any]:
        """Return the Table Schema type and constraints."""
        return {"type": "number", "constraints": {"minimum": self.low, "maximum": self.high}}

    def describe(self) -> Sentence:
        """Return what the cell holds, for people."""
        low, high = f"{self.low:g}", f"{self.high:g}{self._unit()}"
        return Sentence("cell.number", low=low, high=high)


@dataclass(frozen=True, slots=True)
class YesNo(Cell):
    """Yes or no."""

    def read(self, text: str) -> int:
        """Return 1 for yes and 0 for no, as databases keep it."""
        match text.lower():
            case "yes" | "y" | "true" | "1":
                return 1
            case "no" | "n" | "false" | "0":
                return 0
            case _:
                refuse_ditto(text)
        raise CellError("unknown_word", f"'{text}' is neither yes nor no", "write yes or no")

    def write(self, value: Any) -> str:
        """Return yes or no."""
        return "yes" if value else "no"

    def schema(self) -> dict[str, Any]:
        """Return the Table Schema type and constraints."""
        return {"type": "boolean", "trueValues": ["yes"], "falseValues": ["no"]}

    def describe(self) -> Sentence:
        """Return what the cell holds, for people."""
        return Sentence("cell.yes_no")
