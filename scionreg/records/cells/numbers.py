"""Cells of numbers, and of yes or no."""

import math
import re
from dataclasses import dataclass
from typing import Any

from scionreg.records.cells.base import Cell, CellError, refuse_ditto
from scionreg.records.words import Sentence

APPROXIMATE = re.compile(r"(?:[~≈]|ca\.?\s*|about\s+|c\.\s*)\s*(\d+)|(\d+)\s*(?:\+|\?|approx\.?)")


@dataclass(frozen=True, slots=True)
class Whole(Cell):
    """A whole number from `low` to `high`."""

    low: int = 0
    high: int = 10_000_000
    counting: bool = False

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
        """Read what is not plain digits: a sign, or a whole number written as ``40.0``."""
        if re.fullmatch(r"-?\d{1,20}(\.0{1,20})?", text, re.ASCII):
            return int(float(text))
        rough = APPROXIMATE.fullmatch(text)
        if rough:
            number = rough[1] or rough[2]
            how = f"write {number} and 'estimated' in the column count" if self.counting else ""
            raise CellError(
                "rough_number",
                f"'{text}' is a rough number",
                how or f"write the number you can answer for, {number} perhaps",
            )
        refuse_ditto(text)
        raise CellError("not_a_number", f"'{text}' is not a whole number", "digits only, as in 40")

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
    """A decimal number from `low` to `high`, in `unit`."""

    low: float
    high: float
    unit: str = ""
    rule: str = "out_of_range"

    def read(self, text: str) -> float:
        """Return the number; the decimal mark is a point."""
        try:
            number = float(text)
        except ValueError:
            refuse_ditto(text)
            right = "write a point for the decimal mark" if "," in text else "digits, as in 3.5"
            raise CellError("not_a_number", f"'{text}' is not a number", right) from None
        if not self.low <= number <= self.high or math.isnan(number):
            raise CellError(
                self.rule,
                f"{text} is outside {self.low:g} to {self.high:g}{self._unit()}",
                "check the number and its unit",
            )
        return number + 0.0  # SQLite does not keep the sign of -0.0

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
