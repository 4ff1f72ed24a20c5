"""The loop that follows the paper: one cell asked after the other, every answer judged at once.

It neither reads nor prints: `Entry.take` is given what was typed and returns what to say.
"""

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from scionreg.documents.field_sheets.kinds import answers, described, is_issued, must_be_filled
from scionreg.documents.field_sheets.kinds import shown as in_words
from scionreg.entering.checking import Checker, Verdict
from scionreg.entering.draft import Draft, Row, State
from scionreg.entering.likely import WORK_DAY, Cells, likely
from scionreg.entering.way import Way
from scionreg.records.cells import CellError, Code, Whole, refuse_ditto
from scionreg.records.errors import Problem
from scionreg.records.tables import KINDS
from scionreg.records.vocabulary import Trouble
from scionreg.registry.recording import Recorded

SIGNS: Mapping[str, str] = {
    '"': "ditto",
    "-": "empty",
    "<": "back",
    "<<": "row_back",
    ">": "skip",
    "--": "strike",
    "?": "what",
    ",": "rest",
    "+": "all",
    ".": "end",
}
"""What single signs do, by names of the catalogue; none can stand in a cell by itself."""

OF_SHEETS = frozenset({"<<", ">", "--", "."})
"""Those that a single record has no use for."""

STOP = "nt" if os.name == "nt" else "posix"
"""Where the end of input is another key."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What to say after an answer; `over` ends the loop, `made` are the records made."""

    lines: tuple[str, ...] = ()
    made: tuple[Recorded, ...] = ()
    over: bool = False

    @property
    def keys(self) -> tuple[str, ...]:
        """Return the keys of the records made."""
        return tuple(each.key for each in self.made)


class Entry:
    """One sheet, or one record `alone`, being typed in. A sheet is kept in the draft at every cell.

    `way` says which cells are asked, `notes` is said before the first. A record alone is recorded
    with its last cell; where it `may_be_empty`, also when nothing was typed.
    """

    def __init__(
        self,
        checker: Checker,
        draft: Draft,
        way: Way,
        *,
        alone: bool = False,
        may_be_empty: bool = False,
        notes: Sequence[str] = (),
    ) -> None:
        self.checker, self.draft, self.words = checker, draft, checker.words
        self.alone, self._may_be_empty = alone, may_be_empty
        self._way, self._notes = way, tuple(notes)
        self._ending = False
        self._odd = ""
        self._doubt: Problem | None = None
        self._said: set[str] = set()
        self._done: Said | None = None
        keys: Mapping[str, Callable[[], list[str]]] = {
            "<": self._back,
            "<<": self._row_back,
            ">": self._skip,
            "--": self._strike,
            "?": lambda: [described(self.column, self.words)],
            ",": self._rest,
            "+": self._ask_all,
            ".": self._end,
        }
        self._keys = {sign: do for sign, do in keys.items() if not (alone and sign in OF_SHEETS)}
        self._own = {code for row in draft.rows for code in self._names(row)}
        if not draft.rows:
            draft.rows.append(Row())
        way.begin(draft, column=draft.column)

    # What is asked

    def introduction(self) -> list[str]:
        """Return what is said at first: what the signs do, and where typing goes on."""
        if self.draft.path is None:
            return [self._say("keys_alone"), *self._notes]
        said = [f"  {sign:3} {self._say(f'sign.{name}')}" for sign, name in SIGNS.items()]
        said.append(self._say("keys", stop=self._say(f"stop.{STOP}")))
        if self.draft.holds_work() or self.draft.numbers(State.RECORDED):
            said.append(self._say("going_on", row=self.draft.row + 1))
        return [*said, *self._notes]

    @property
    def column(self) -> Any:
        """Return the column that is asked for."""
        return self.checker.columns[self.draft.column]

    @property
    def prompt(self) -> str:
        """Return the question: row, column, unit, and what stands there already or is offered."""
        if self._ending:
            return self._say("record_doubtful" if self.alone else "record")
        must = "*" if must_be_filled(self.column) else ""
        here = self.checker.shown(self.column, self._here() or self._offered())
        if not here and is_issued(self.column):
            here = self._say("issue_one")
        shown = f" [{here}]" if here else ""
        number = "" if self.alone else f"{self.draft.row + 1} "
        return f"{number}{self._called(self.column.name)}{must}{shown}: "

    def heading(self) -> str:
        """Return what is said where a row begins: what the paper has filled in."""
        row, cells = self.draft.row + 1, self._row.cells
        filled = [
            self._filled(column, cells[column.name])
            for column in self.checker.columns
            if cells.get(column.name)
        ]
        if not filled:
            return self._say("row", row=row)
        return self._say("row_filled", row=row, cells=", ".join(filled))

    def opening(self) -> list[str]:
        """Return all that is said where a row begins: its heading, and what speaks against it."""
        said = [] if self.alone and not self._row.cells else [self.heading()]
        for column in self.checker.columns:
            if text := self._row.cells.get(column.name):
                said += self._against(column, text)
        return said

    def offers(self) -> list[str]:
        """Return what may be completed here."""
        return [] if self._ending else self.checker.offers(self.column)

    # What is answered

    def take(self, text: str) -> Said:
        """Take an answer, keep it, and return what to say."""
        text = text.strip()
        if self._ending:
            return self._confirm(text.casefold())
        said = self._keys[text]() if text in self._keys else self._answer(text)
        if self._done:
            return replace(self._done, lines=(*said, *self._done.lines))
        self.draft.save()
        return Said(lines=tuple(said))

    def _answer(self, text: str) -> list[str]:
        """Take the text of a cell; a number may bring the sign for the rest of the row along."""
        number, comma = text.rstrip(","), text.endswith(",")
        if not comma or not isinstance(self.column.info["cell"], Whole):
            return self._cell(text)
        row, column = self.draft.row, self.draft.column
        said = self._cell(number)
        goes_on = self.draft.row == row and self.draft.column > column and not self._ending
        return said + self._rest() if goes_on and not self._done else said

    def _cell(self, text: str) -> list[str]:
        try:
            value = self.checker.read(self.column, self._meant(text), tuple(self._own))
        except CellError as error:
            return [f"{error.wrong}; {error.right}"]
        if text != self._odd and text and self.checker.is_odd(self.column, value):
            self._odd = text
            return [self._say("odd_code", code=value)]
        said = self._echo(text, value)
        self._keep(value, typed=bool(text))
        return said + self._step()

    def _keep(self, value: str, *, typed: bool) -> None:
        """Put a text into the cell; a row that is complete or struck out is open again by it."""
        if value != self._here() or self._row.state is State.STRUCK:
            self._row.state = State.OPEN
            self._row.touched |= typed
        if value:
            self._row.cells[self.column.name] = value
        else:
            self._row.cells.pop(self.column.name, None)

    def _meant(self, text: str) -> str:
        """Return the text that an answer stands for: kept, emptied, as above, or as spelled."""
        if not text:
            return self._here() or self._offered()
        if text == "-":
            return ""
        try:
            refuse_ditto(text)
        except CellError as error:
            return self._as_above(error.rule)
        return self.checker.spelled(self.column, text, self._day())

    def _as_above(self, rule: str) -> str:
        """Return the text of the cell above."""
        above = self._above()
        text = (above or {}).get(self.column.name, "")
        if not text and (above is None or must_be_filled(self.column)):
            nothing = "nothing_above" if above is not None else "no_row_above"
            if self.alone:
                nothing = "nothing_before"
            raise CellError(rule, self._say(nothing), self._say("write_it"))
        return text

    def _echo(self, typed: str, value: str) -> list[str]:
        """Return what is said of a cell that was taken otherwise than typed, or names something."""
        told = self.checker.told(self.column, value) if value else ""
        if told:
            return [f"  {value}: {told}", *self._against(self.column, value)]
        cell = self.column.info["cell"]
        shown = in_words(cell, value, self.words) or self._say("empty")
        if not typed or typed in (value, shown):
            return []
        unit = getattr(cell, "unit", "") if value else ""
        return [f"  {shown} {unit}".rstrip()]

    def _against(self, column: Any, value: str) -> list[str]:
        """Return what the registry knows against using what a cell names: it is said, no more."""
        said = self.checker.against(column, value, self._day())
        return [self._say("against", code=value, reasons=said)] if said else []

    def _step(self) -> list[str]:
        """Go on to the next cell; at the end of a row have it judged."""
        following = self._way.following(self.draft, self.draft.column)
        if following is None:
            return self._finish_row()
        self.draft.column = following
        return []

    def _rest(self) -> list[str]:
        """Take the rest of the row as it stands and is offered, as far as that is right."""
        said: list[str] = []
        taken: list[str] = []
        row, cells, goes_on = self.draft.row, self._row.cells, True
        while goes_on:
            at, column, offered = self.draft.column, self.column, self._offered()
            said += self._cell("")
            if offered and cells.get(column.name) == offered:
                taken.append(self._filled(column, offered))
            over = self._done is not None or self._ending
            goes_on = self.draft.row == row and self.draft.column > at and not over
        return [self._say("rest_taken", cells=", ".join(taken)), *said] if taken else said

    def _finish_row(self) -> list[str]:
        row, number = self._row, self.draft.row + 1
        if self._is_empty(row):
            self._empty_row()
            return [self._say("nothing_alone" if self.alone else "empty_row")]
        row.state = State.TYPED
        verdict = self.checker.judge(self._typed())
        said = self._tell(verdict, anew=False)
        wrong = [each.line for each in verdict.refused]
        if wrong:
            self._go_to(verdict.refused[wrong.index(number) if number in wrong else 0])
            return said
        if self.alone:
            return said + self._finish_alone(verdict)
        self._own.update(self._names(row))
        self._go_on()
        return said

    def _is_empty(self, row: Row) -> bool:
        """Tell whether nobody put anything into the row: what was offered there is no record."""
        if self._may_be_empty:
            return False
        untouched = row.state is State.OPEN and not row.touched and self._way.is_blank(self.draft)
        return untouched or not row.cells

    def _empty_row(self) -> None:
        self._row.cells.clear()
        self._way.begin(self.draft)

    def _finish_alone(self, verdict: Verdict) -> list[str]:
        """Record the one record; where something is doubtful, ask before."""
        if verdict.repeated:
            self._done = Said(over=True)
        elif verdict.problems:
            self._ending = True
            self._doubt = verdict.problems[0]
        else:
            return self._record()
        return []

    def _tell(self, verdict: Verdict, *, anew: bool = True) -> list[str]:
        """Return what is wrong or doubtful as lines, without `anew` only what was not said yet."""
        told = [(self._line(each), each.trouble is Trouble.REFUSED) for each in verdict.problems]
        repeated = "repeated_alone" if self.alone else "repeated"
        told += [(self._say(repeated, row=number), False) for number in verdict.repeated]
        said = [line for line, refused in told if anew or refused or line not in self._said]
        self._said.update(line for line, _ in told)
        return said

    def _go_to(self, problem: Problem) -> None:
        """Go where something is wrong; the row is open again."""
        self.draft.row = problem.line - 1 if problem.line else self.draft.row
        self._row.state = State.OPEN
        names = [column.name for column in self.checker.columns]
        self.draft.column = names.index(problem.column) if problem.column in names else 0
        self._way.look_through()

    def _go_on(self) -> None:
        """Go to the next open row, a new one where there is none."""
        after = [number for number in self.draft.numbers(State.OPEN) if number > self.draft.row + 1]
        if after:
            self.draft.row = after[0] - 1
        else:
            self.draft.row = len(self.draft.rows)
            self.draft.rows.append(Row())
        self._way.begin(self.draft)

    # Single signs

    def _back(self) -> list[str]:
        before = self._way.preceding(self.draft, self.draft.column)
        if before is not None:
            self.draft.column = before
            return []
        return [self._say("first_cell")] if self.alone else self._row_back(last_cell=True)

    def _row_back(self, *, last_cell: bool = False) -> list[str]:
        before = [
            number
            for number in self.draft.numbers(State.OPEN, State.TYPED, State.STRUCK)
            if number <= self.draft.row
        ]
        if not before:
            self._way.begin(self.draft)
            return [self._say("first_row")]
        if not self._row.cells and self.draft.row + 1 == len(self.draft.rows):
            self.draft.rows.pop()
        self.draft.row = before[-1] - 1
        self._way.look_through()
        past = len(self.checker.columns)
        last = self._way.preceding(self.draft, past)
        self.draft.column = (last or 0) if last_cell else (self._way.following(self.draft, -1) or 0)
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

    def _ask_all(self) -> list[str]:
        self._way.ask_all()
        return [self._say("asking_all")]

    # The end

    def _end(self) -> list[str]:
        """Judge everything once more and ask whether to record it."""
        if self._is_empty(self._row):
            self._empty_row()
        typed = self._typed()
        if not typed:
            return [self._say("nothing_typed", stop=self._say(f"stop.{STOP}"))]
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
            if self._doubt:
                self._go_to(self._doubt)
            return Said(lines=(self._say("not_yet"),))
        said = self._record()
        return self._done or Said(lines=tuple(said))

    def _record(self) -> list[str]:
        """Record all that is complete; return what is said where it cannot be."""
        typed = self._typed()
        verdict = self.checker.judge(typed, recording=self._settle)
        if verdict.refused:  # somebody else recorded something meanwhile
            self._go_to(verdict.refused[0])
            return [*self._tell(verdict), self._say("nothing")]
        for number, _ in typed:
            self.draft.rows[number - 1].state = State.RECORDED
        if unfinished := self.draft.unfinished():
            if not self.draft.rows[-1].cells:
                self.draft.rows.pop()
            self.draft.row, self.draft.column = unfinished[0] - 1, 0
            self.draft.save()
        else:
            self.draft.put_away()
        self._done = Said(made=verdict.made, over=True)
        return []

    def _settle(self, issued: Mapping[int, str]) -> None:
        """Keep the codes that rows get before they are recorded with them.

        Whoever is interrupted right then finds them recorded already, and not a second time.
        """
        for number, code in issued.items():
            if not number:
                continue  # of a record that is no row
            self.draft.rows[number - 1].cells[KINDS[self.checker.kind].KEY[0]] = code
        self.draft.save()

    # How it is said

    def _say(self, name: str, /, **values: object) -> str:
        return self.words(f"typing.{name}", **values)

    def _called(self, name: str) -> str:
        """Return what a column is called."""
        return self.checker.heading(self.checker.kind, name)

    def _filled(self, column: Any, text: str) -> str:
        """Return a column and what is in it."""
        return f"{self._called(column.name)} {self.checker.shown(column, text)}"

    def _line(self, problem: Problem) -> str:
        """Return a problem as it is said of a row of the sheet."""
        if problem.line and self.alone:
            where = ""
        elif problem.line:
            where = self._say("row", row=problem.line)
        else:
            where = f"{self.words(f'kind.{problem.kind}')} {problem.key}".strip()
        if problem.column:
            column = self.checker.heading(problem.kind, problem.column)
            where = self._say("column", where=where, column=column) if where else column
        said = ": ".join(part for part in (where, f"{problem.wrong}; {problem.right}") if part)
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

    def _offered(self) -> str:
        """Return what the cell most likely holds."""
        return self._way.offered(self.draft, self._before())

    def _day(self) -> date | None:
        """Return the day of the work in this row, as it is typed or offered; None for none."""
        name = WORK_DAY.get(self.checker.kind, "")
        cells = self._row.cells
        text = cells.get(name) or likely(self.checker.kind, name, cells, self._before())
        try:
            return date.fromisoformat(text[:10])
        except ValueError:
            return None

    def _above(self) -> Cells | None:
        """Return the row above that is not struck out, of a record alone the one before."""
        if self.alone:
            return self._way.before or None
        above = reversed(self.draft.rows[: self.draft.row])
        return next((row.cells for row in above if row.state is not State.STRUCK), None)

    def _before(self) -> Cells:
        """Return the row above, or the record before the first row."""
        return self._above() or self._way.before

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
