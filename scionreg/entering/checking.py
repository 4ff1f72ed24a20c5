"""Each cell and each row of a sheet judged as it is typed, and all of them recorded in the end.

The rules are those of every other way in: a row is judged by recording all that was typed so far
and taking it back.
"""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from scionreg.documents.field_sheets.kinds import (
    heading,
    measure_of,
    must_be_filled,
    numbered,
    shown,
    spoken,
    tell,
    vocabulary_of,
)
from scionreg.entering import short
from scionreg.entering.against import USES, against
from scionreg.lineage.known import read_known
from scionreg.records import codes
from scionreg.records.cells import (
    Cell,
    CellError,
    Choice,
    Code,
    CultivarName,
    Day,
    Many,
    Moment,
    Number,
    Positions,
    Ref,
    Whole,
    YesNo,
    noun,
)
from scionreg.records.cells.dates import part_of_date
from scionreg.records.errors import Problem
from scionreg.records.rules import RULES
from scionreg.records.tables import KINDS, table
from scionreg.records.vocabulary import Trouble, spelling
from scionreg.records.words import Words
from scionreg.registry import suggestions
from scionreg.registry.changes import Change, change
from scionreg.registry.intake import Batch, Intake, read_cell
from scionreg.registry.recorded_codes import AsRecorded
from scionreg.registry.recording import Recorded, completed
from scionreg.registry.rows import Row, as_moment, as_record, key_of, key_text, not_recorded
from scionreg.registry.settings import read_settings
from scionreg.registry.store import Store

WRITTEN = (Choice, Day, Many, Number, Positions, Whole, YesNo)
"""Cells that are kept as they are written, however they were typed."""

Cells = Mapping[str, str]
"""The texts of a row by column."""

CLOCK = "%Y-%m-%dT%H:%M"
HOUR = re.compile(r"\d{1,2}:\d\d", re.ASCII)
SOME = 6
"""As many are named of what a text may be short for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What comes of recording some rows: problems by row (`line`), and the records made.

    `repeated` are the rows that are recorded already, exactly so.
    """

    problems: tuple[Problem, ...]
    made: tuple[Recorded, ...]
    repeated: tuple[int, ...]

    @property
    def refused(self) -> list[Problem]:
        """Return the problems that stop everything."""
        return [each for each in self.problems if each.trouble is Trouble.REFUSED]


class Checker:
    """Judges the cells and rows of some columns, for the person `by` who types in a language."""

    def __init__(
        self, store: Store, kind: str, columns: Sequence[Any], *, by: str, words: Words
    ) -> None:
        self.kind, self.by, self.words = kind, by, words
        self.columns = columns
        self._store = store
        self._against: dict[tuple[str, str, date | None], str] = {}
        with store.reading() as connection:
            self.settings = read_settings(connection)

    def read(self, column: Any, text: str, own: Sequence[str] = ()) -> str:
        """Return the text of a cell as it is kept, empty where it is; `own` are the sheet's codes.

        Raises
        ------
        CellError
            The text cannot be taken; it says why, and what was perhaps meant.
        """
        cell: Cell = column.info["cell"]
        text = text.strip()
        if not text:
            return self._empty(column)
        if isinstance(cell, Day) and cell.else_in and (part := part_of_date(text)):
            return part  # put into its own column when it is recorded
        try:
            value = read_cell(
                cell.reader(self.settings.zone, self.settings.spellings), text, required=True
            )
        except CellError as error:
            raise self._better(column, text, error) from error
        self._check_known(column, str(value), own)
        return cell.write(value) if isinstance(cell, WRITTEN) else text

    def spelled(self, column: Any, text: str, day: date | None = None) -> str:
        """Return what was typed as the CSV file has it, where that is plain.

        Codes typed in short are of the season of `day`, today's if None.

        A word may be given by its numeral, by its beginning or as the paper has it, a length in
        the nursery's units, a day without its year, a code by its last digits, in small letters and
        with blanks for hyphens.

        Raises
        ------
        CellError
            It is short for several things.
        """
        cell = column.info["cell"]
        match cell:
            case Ref():
                code, slash, position = text.partition("/")
                return self._code(cell, code, day) + slash + position
            case CultivarName():
                return self._cultivar(cell, text)
            case Moment():
                return self._moment(cell, text)
            case Choice() | YesNo():
                return self._word(cell, text)
            case _:
                text = cell.typed(self._in_english(text), self.settings.today())
        measure = measure_of(cell, self.settings.units)
        return measure.stored(text) if measure else text

    def _word(self, cell: Choice | YesNo, text: str) -> str:
        """Return the stored word that a numeral, a word of the language or a beginning is of."""
        known = spoken(cell, self.words)
        plain = (numbered(cell) | known).get(text.casefold())
        if plain or not isinstance(cell, Choice):
            return plain or text
        own = self.settings.spellings.get(cell.own, {})
        if spelling(text) in own or cell.words.spelled(text):
            return text
        return self._one_of(text, short.beginning_of(text, {**own, **known})) or text

    def _code(self, cell: Ref, text: str, day: date | None) -> str:
        """Return the code that was typed in short or in other letters; else as it was typed."""
        tidied = codes.tidied(text)
        if codes.is_issued(tidied):
            return tidied
        with self._store.reading() as connection:
            recorded = AsRecorded(connection)
            if short.LAST_DIGITS.fullmatch(tidied) and recorded.unknown(cell.kinds, {tidied}):
                season = self.settings.season(day or self.settings.today())
                found = short.codes_ending(connection, cell.kinds, tidied, season)
                return self._one_of(text, found) or text
            return str(recorded.as_recorded(cell, tidied))

    def _cultivar(self, cell: CultivarName, text: str) -> str:
        """Return a cultivar's name as it is recorded, or the word for what was found."""
        known = spoken(cell, self.words)
        with self._store.reading() as connection:
            return known.get(text.casefold()) or AsRecorded(connection).cultivar(text)

    def _moment(self, cell: Moment, text: str) -> str:
        """Return a time as the CSV file has it, by the registry's clock; a clock alone is today's.

        What is no time stays as it is.
        """
        now, said = datetime.now(self.settings.zone), self._in_english(text)
        if said == "now":
            return now.strftime(CLOCK)
        wanted = cell.typed(f"{now:%Y-%m-%d}T{text}" if HOUR.fullmatch(text) else said, now.date())
        try:
            datetime.fromisoformat(wanted)
        except ValueError:
            with suppress(CellError):
                moment = as_moment(cell.reader(self.settings.zone)(wanted))
                return moment.astimezone(self.settings.zone).strftime(CLOCK)
        return wanted

    def _in_english(self, text: str) -> str:
        """Return a day or time that was said in the language as it is said in English."""
        names = ("today", "yesterday", "now")
        said = {self.words(f"typing.day.{name}").casefold(): name for name in names}
        return said.get(text.casefold(), text.casefold() if text.casefold() in names else text)

    def _one_of(self, text: str, found: Sequence[str]) -> str:
        """Return the one thing that a text is short for, none for nothing."""
        if len(found) > 1:
            raise CellError(
                "unknown_word",
                self.words("typing.several", text=text, found=", ".join(found[:SOME])),
                self.words("typing.type_more"),
            )
        return found[0] if found else ""

    def is_odd(self, column: Any, text: str) -> bool:
        """Tell whether a code of one's own is rather a slip: a stray sign, a day, a person."""
        cell = column.info["cell"]
        if not isinstance(cell, Code) or cell.kind not in codes.LETTER_OF or not text:
            return False
        if len(text) == 1 or short.looks_like_day(text):
            return True
        with self._store.reading() as connection:
            return not AsRecorded(connection).unknown(("people",), {text})

    def shown(self, column: Any, text: str) -> str:
        """Return a stored text as whoever types it in reads it."""
        cell = column.info["cell"]
        measure = measure_of(cell, self.settings.units)
        return measure.shown(text) if measure and text else shown(cell, text, self.words)

    def heading(self, kind: str, name: str) -> str:
        """Return what a column of a kind is called, its own name where it has no heading."""
        column = table(kind).columns.get(name)
        if column is None or "cell" not in column.info:
            return name
        return heading(column, self.words, self.settings.units)

    def told(self, column: Any, text: str) -> str:
        """Return what is known of a code in one line, empty for what is no code of anything."""
        cell = column.info["cell"]
        if not isinstance(cell, Ref):
            return ""
        with self._store.reading() as connection:
            for kind in cell.kinds:
                code = text.partition("/")[0] if cell.single else text
                if found := read_known(connection, kind, [code]):
                    return tell(found[code], self.words)
        return ""

    def against(self, column: Any, code: str, day: date | None) -> str:
        """Return in one line what speaks against using what a cell names on a day, if anything."""
        used = USES.get((self.kind, column.name))
        if used is None:
            return ""
        asked = (column.name, code, day)
        if asked not in self._against:
            with self._store.reading() as connection:
                self._against[asked] = against(connection, used, code, day, self.words)
        return self._against[asked]

    def offers(self, column: Any) -> list[str]:
        """Return what may be completed in a cell: words, or the first codes recorded."""
        from scionreg.exchange.templates import known_codes

        cell = column.info["cell"]
        if isinstance(cell, Choice):
            return [self.words.word(word) for word in vocabulary_of(cell) or ()]
        kinds = cell.kinds if isinstance(cell, Ref) else ()
        if isinstance(cell, CultivarName):
            kinds = ("cultivars",)
        with self._store.reading() as connection:
            return [code for each in known_codes(connection, kinds).values() for code in each]

    def judge(
        self,
        rows: Sequence[tuple[int, Cells]],
        *,
        recording: Callable[[Mapping[int, str]], None] | None = None,
    ) -> Verdict:
        """Return what comes of recording rows, given with their numbers, in one change or not.

        It is taken back, unless `recording` is given: that is called with the codes that were
        issued, by row, right before the change is committed.
        """
        with change(self._store, by=self.by, action="record", kind=self.kind) as making:
            intake = Intake(making)
            taken: list[Recorded] = []
            repeated: list[int] = []
            issued: dict[int, str] = {}
            for number, kind, text in self._texts(making, rows):
                before = len(intake.problems)
                new = intake.take(Batch(kind, tuple(text), [list(text.values())], lines=[number]))
                if sum(intake.taken.recorded.values()) > len(taken):
                    taken += [_recorded(kind, row) for row in new]
                    if kind in codes.LETTER_OF:
                        issued[number] = text[KINDS[kind].KEY[0]]
                elif len(intake.problems) == before:
                    repeated.append(number)
            intake.finish()
            verdict = Verdict(
                problems=tuple(intake.problems),
                made=tuple(taken),
                repeated=tuple(repeated),
            )
            making.content["records"] = [
                {"kind": each.kind, "record": each.record} for each in taken
            ]
            making.cancelled = recording is None or bool(verdict.refused) or not taken
            if recording is not None and not making.cancelled:
                recording(issued)
        return verdict

    def _texts(
        self, making: Change, rows: Sequence[tuple[int, Cells]]
    ) -> Iterator[tuple[int, str, Cells]]:
        """Yield the records that rows are, each with its row, kind and texts."""
        for number, cells in rows:
            yield number, self.kind, completed(making, self.kind, cells)

    def _empty(self, column: Any) -> str:
        """Return an empty text where a cell may be empty, or gets a code when it is recorded."""
        if must_be_filled(column):
            empty, fill = self.words("typing.cell_empty"), self.words("typing.fill_in")
            raise CellError("missing_value", empty, fill)
        return ""

    def _check_known(self, column: Any, code: str, own: Sequence[str]) -> None:
        """Refuse a code or cultivar that nothing recorded has, nor this sheet."""
        cell = column.info["cell"]
        if not isinstance(cell, Ref) or code in own:
            return
        with self._store.reading() as connection:
            unknown = {code.partition("/")[0] if cell.single else code}
            for kind in cell.kinds:
                unknown = not_recorded(connection, kind, unknown)
        if unknown:
            rule = RULES["unknown_reference"]
            target = " or ".join(map(noun, cell.kinds))
            wrong = rule.wrong.format(target=target, value=code)
            raise self._better(column, code, CellError(rule.name, wrong, rule.right))

    def _better(self, column: Any, text: str, error: CellError) -> CellError:
        """Return the error with what was probably meant."""
        problem = Problem(
            rule=error.rule,
            trouble=Trouble.REFUSED,
            kind=self.kind,
            column=column.name,
            value=text,
            wrong=error.wrong,
            right=error.right,
        )
        with self._store.reading() as connection:
            right = suggestions.improve(connection, problem).right
        return CellError(error.rule, error.wrong, right)


def _recorded(kind: str, row: Row) -> Recorded:
    key = key_text(key_of(kind, row))
    return Recorded(kind=kind, key=key, record=as_record(kind, row), warnings=())
