"""The loop that follows the paper: one cell asked after the other, every answer judged at once.

It neither reads nor prints: `Entry.take` is given what was typed and returns what to say.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from scionreg.documents.field_sheets.kinds import answers, described, must_be_filled
from scionreg.documents.field_sheets.kinds import shown as in_words
from scionreg.entering.checking import Checker, Verdict
from scionreg.entering.draft import Draft, Row, State
from scionreg.records.cells import CellError, Code, refuse_ditto
from scionreg.records.errors import Problem
from scionreg.records.tables import KINDS
from scionreg.records.vocabulary import Trouble

SIGNS: Mapping[str, str] = {
    '"': "ditto",
    "-": "empty",
    "<": "back",
    "<<": "row_back",
    ">": "skip",
    "--": "strike",
    "?": "what",
    ".": "end",
}
"""What single signs do, by names of the catalogue; none can stand in a cell by itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What to say after an answer; `over` ends the loop, `keys` are the records made."""

    lines: tuple[str, ...] = ()
    keys: tuple[str, ...] = ()
    over: bool = False


class Entry:
    """One sheet being typed in. What is typed is kept in the draft at every cell."""

    def __init__(self, checker: Checker, draft: Draft) -> None:
        self.checker, self.draft, self.words = checker, draft, checker.words
        self._ending = False
        self._said: set[str] = set()
        self._keys: Mapping[str, Callable[[], list[str]]] = {
            "<": self._back,
            "<<": self._row_back,
            ">": self._skip,
            "--": self._strike,
            "?": lambda: [described(self.column, self.words)],
            ".": self._end,
        }
        self._own = {code for row in draft.rows for code in self._names(row)}
        if not draft.rows:
            draft.rows.append(Row())

    # What is asked

    def introduction(self) -> list[str]:
        """Return what is said at first: what the signs do, and where typing goes on."""
        said = [f"  {sign:3} {self._say(f'sign.{name}')}" for sign, name in SIGNS.items()]
        said.append(self._say("keys"))
        if self.draft.holds_work() or self.draft.numbers(State.RECORDED):
            said.append(self._say("going_on", row=self.draft.row + 1))
        return said

    @property
    def column(self) -> Any:
        """Return the column that is asked for."""
        return self.checker.columns[self.draft.column]

    @property
    def prompt(self) -> str:
        """Return the question: row, column, unit, and what stands there already."""
        if self._ending:
            return self._say("record")
        must = "*" if must_be_filled(self.column) else ""
        here = self.checker.shown(self.column, self._here())
        shown = f" [{here}]" if here else ""
        return f"{self.draft.row + 1} {self._called(self.column.name)}{must}{shown}: "

    def heading(self) -> str:
        """Return what is said where a row begins: what the paper has filled in."""
        row, cells = self.draft.row + 1, self._row.cells
        filled = [
            f"{self._called(column.name)} {self.checker.shown(column, cells[column.name])}"
            for column in self.checker.columns
            if column.name in cells
        ]
        if not filled:
            return self._say("row", row=row)
        return self._say("row_filled", row=row, cells=", ".join(filled))

    def offers(self) -> list[str]:
        """Return what may be completed here."""
        return [] if self._ending else self.checker.offers(self.column)

    # What is answered

    def take(self, text: str) -> Said:
        """Take an answer, keep it, and return what to say."""
        text = text.strip()
        if self._ending:
            return self._confirm(text.casefold())
        said = self._keys[text]() if text in self._keys else self._cell(text)
        self.draft.save()
        return Said(lines=tuple(said))

    def _cell(self, text: str) -> list[str]:
        wanted = self._meant(text)
        try:
            value = self.checker.read(self.column, wanted, tuple(self._own))
        except CellError as error:
            return [f"{error.wrong}; {error.right}"]
        said = self._echo(text, value)
        self._keep(value)
        return said + self._step()

    def _keep(self, value: str) -> None:
        """Put a text into the cell; a row that is complete or struck out is open again by it."""
        if value != self._here() or self._row.state is State.STRUCK:
            self._row.state, self._row.touched = State.OPEN, True
        if value:
            self._row.cells[self.column.name] = value
        else:
            self._row.cells.pop(self.column.name, None)

    def _meant(self, text: str) -> str:
        """Return the text that an answer stands for: kept, emptied, as above, or as spelled."""
        if not text:
            return self._here()
        if text == "-":
            return ""
        try:
            refuse_ditto(text)
        except CellError:
            return self._above()
        return self.checker.spelled(self.column, text)

    def _echo(self, typed: str, value: str) -> list[str]:
        """Return what is said of a cell that was taken otherwise than typed, or names something."""
        told = self.checker.told(self.column, value) if value else ""
        if told:
            return [f"  {value}: {told}"]
        cell = self.column.info["cell"]
        shown = in_words(cell, value, self.words) or self._say("empty")
        if not typed or typed in (value, shown):
            return []
        unit = getattr(cell, "unit", "") if value else ""
        return [f"  {shown} {unit}".rstrip()]

    def _step(self) -> list[str]:
        """Go on to the next cell; at the end of a row have it judged."""
        if self.draft.column + 1 < len(self.checker.columns):
            self.draft.column += 1
            return []
        return self._finish_row()

    def _finish_row(self) -> list[str]:
        row, number = self._row, self.draft.row + 1
        if not row.cells:
            self.draft.column = 0
            return [self._say("empty_row")]
        row.state = State.TYPED
        verdict = self.checker.judge(self._typed())
        said = self._tell(verdict, anew=False)
        wrong = [each.line for each in verdict.refused]
        if wrong:
            self._go_to(verdict.refused[wrong.index(number) if number in wrong else 0])
            return said
        self._own.update(self._names(row))
        self._go_on()
        return said

    def _tell(self, verdict: Verdict, *, anew: bool = True) -> list[str]:
        """Return what is wrong or doubtful as lines, without `anew` only what was not said yet."""
        told = [(self._line(each), each.trouble is Trouble.REFUSED) for each in verdict.problems]
        told += [(self._say("repeated", row=number), False) for number in verdict.repeated]
        said = [line for line, refused in told if anew or refused or line not in self._said]
        self._said.update(line for line, _ in told)
        return said

    def _go_to(self, problem: Problem) -> None:
        """Go where something is wrong; the row is open again."""
        self.draft.row = problem.line - 1 if problem.line else self.draft.row
        self._row.state = State.OPEN
        names = [column.name for column in self.checker.columns]
        self.draft.column = names.index(problem.column) if problem.column in names else 0

    def _go_on(self) -> None:
        """Go to the next open row, a new one where there is none."""
        after = [number for number in self.draft.numbers(State.OPEN) if number > self.draft.row + 1]
        if after:
            self.draft.row = after[0] - 1
        else:
            self.draft.row = len(self.draft.rows)
            self.draft.rows.append(Row())
        self.draft.column = 0

    # Single signs

    def _back(self) -> list[str]:
        if self.draft.column:
            self.draft.column -= 1
            return []
        return self._row_back(last_cell=True)

    def _row_back(self, *, last_cell: bool = False) -> list[str]:
        before = [
            number
            for number in self.draft.numbers(State.OPEN, State.TYPED, State.STRUCK)
            if number <= self.draft.row
        ]
        if not before:
            self.draft.column = 0
            return [self._say("first_row")]
        if not self._row.cells and self.draft.row + 1 == len(self.draft.rows):
            self.draft.rows.pop()
        self.draft.row = before[-1] - 1
        self.draft.column = len(self.checker.columns) - 1 if last_cell else 0
        return []

    def _skip(self) -> list[str]:
        if not self._row.cells and self.draft.row + 1 == len(self.draft.rows):
            return [self._say("no_other_row")]
        number, state = self.draft.row + 1, self._row.state
        self._go_on()
        return [self._say("stays_open", row=number)] if state is State.OPEN else []

    def _strike(self) -> list[str]:
        number = self.draft.row + 1
        self._row.state = State.STRUCK
        self._go_on()
        return [self._say("struck_out", row=number)]

    # The end

    def _end(self) -> list[str]:
        """Judge everything once more and ask whether to record it."""
        typed = self._typed()
        if not typed:
            return [self._say("nothing_typed")]
        verdict = self.checker.judge(typed)
        said = self._tell(verdict)
        if verdict.refused:
            self._go_to(verdict.refused[0])
            return [*said, self._say("put_right")]
        self._ending = True
        for name, rows in (
            ("to_record", [number for number, _ in typed]),
            ("for_later", self.draft.unfinished()),
            ("not_recorded", self.draft.numbers(State.STRUCK)),
        ):
            if rows:
                said.append(self._say(name, rows=_spans(rows)))
        return said

    def _confirm(self, answer: str) -> Said:
        meant = answers(self.words).get(answer) if answer else "no"
        if meant is None:
            return Said(lines=(self._say("yes_or_no"),))
        self._ending = False
        if meant == "no":
            return Said(lines=(self._say("not_yet"),))
        typed = self._typed()
        verdict = self.checker.judge(typed, recording=self._settle)
        if verdict.refused:  # somebody else recorded something meanwhile
            self._go_to(verdict.refused[0])
            return Said(lines=(*self._tell(verdict), self._say("nothing")))
        for number, _ in typed:
            self.draft.rows[number - 1].state = State.RECORDED
        if unfinished := self.draft.unfinished():
            if not self.draft.rows[-1].cells:
                self.draft.rows.pop()
            self.draft.row, self.draft.column = unfinished[0] - 1, 0
            self.draft.save()
        else:
            self.draft.put_away()
        return Said(keys=verdict.keys, over=True)

    def _settle(self, issued: Mapping[int, str]) -> None:
        """Keep the codes that rows get before they are recorded with them.

        Whoever is interrupted right then finds them recorded already, and not a second time.
        """
        for number, code in issued.items():
            self.draft.rows[number - 1].cells[KINDS[self.checker.kind].KEY[0]] = code
        self.draft.save()

    # How it is said

    def _say(self, name: str, /, **values: object) -> str:
        return self.words(f"typing.{name}", **values)

    def _called(self, name: str) -> str:
        """Return what a column is called."""
        return self.checker.heading(self.checker.kind, name)

    def _line(self, problem: Problem) -> str:
        """Return a problem as it is said of a row of the sheet."""
        if problem.line:
            where = self._say("row", row=problem.line)
        else:
            where = f"{self.words(f'kind.{problem.kind}')} {problem.key}".strip()
        if problem.column:
            column = self.checker.heading(problem.kind, problem.column)
            where = self._say("column", where=where, column=column)
        said = f"{where}: {problem.wrong}; {problem.right}"
        return said if problem.trouble is Trouble.REFUSED else self._say("warning", problem=said)

    # Looking around

    @property
    def _row(self) -> Row:
        return self.draft.rows[self.draft.row]

    def _names(self, row: Row) -> list[str]:
        """Return the code that a row gives its own record, where it has one."""
        column = self.checker.columns[0]
        given = row.cells.get(column.name)
        return [given] if given and isinstance(column.info["cell"], Code) else []

    def _here(self) -> str:
        return self._row.cells.get(self.column.name, "")

    def _above(self) -> str:
        """Return the text of the same cell in the row above that is not struck out."""
        for row in reversed(self.draft.rows[: self.draft.row]):
            if row.state is not State.STRUCK:
                return row.cells.get(self.column.name, "")
        return ""

    def _typed(self) -> list[tuple[int, Mapping[str, str]]]:
        return [
            (number, self.draft.rows[number - 1].cells)
            for number in self.draft.numbers(State.TYPED)
        ]


def _spans(numbers: list[int]) -> str:
    """Return numbers with runs of them drawn together.

    >>> _spans([1, 2, 3, 7])
    '1-3, 7'
    """
    spans: list[list[int]] = []
    for number in numbers:
        if spans and number == spans[-1][-1] + 1:
            spans[-1][1:] = [number]
        else:
            spans.append([number])
    return ", ".join("-".join(map(str, span)) for span in spans)
