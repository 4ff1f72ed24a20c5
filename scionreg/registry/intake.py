"""Taking records in: cells read, repeats recognised, rows written, rules checked.

One way in for one record typed at the terminal and for a season folder of a million: batches of
text cells come in, problems and counts come out. The caller decides, by the problems, whether the
transaction stands.
"""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import compress, repeat
from operator import attrgetter
from typing import Any

from scionreg.records import codes
from scionreg.records.cells import (
    NOT_GIVEN,
    TOTALS_ROW,
    CellError,
    Code,
    CultivarName,
    Reader,
    Ref,
    is_totals,
    noun,
    plain_text,
    unshield,
)
from scionreg.records.errors import Problem
from scionreg.records.rules import CELL_RULES, RULES
from scionreg.records.tables import KINDS, fields, table
from scionreg.records.vocabulary import Trouble
from scionreg.registry import checking, doubts, rewriting, suggestions
from scionreg.registry.changes import Change
from scionreg.registry.codeless import Codeless
from scionreg.registry.finding import Found
from scionreg.registry.lookalikes import lookalikes
from scionreg.registry.parts_of_dates import put_apart
from scionreg.registry.recorded_codes import FEW, AsRecorded, is_own
from scionreg.registry.repeats import Differing, Repeats, clash
from scionreg.registry.rows import Row, RowWriter, key_text, not_recorded, recorded_columns

CACHE = 150_000
"""Distinct texts that a column's reader remembers."""


@dataclass(frozen=True, slots=True)
class Batch:
    """Rows of text of one kind, as they stand in a file; `lines` gives each row's line."""

    kind: str
    columns: tuple[str, ...]
    rows: Sequence[Sequence[str]]
    file: str = ""
    lines: Sequence[int] = ()


def read_cell(reader: Reader, text: str, *, required: bool) -> Any:
    """Return the value of a cell's text, None where it is empty.

    Raises
    ------
    CellError
        The text cannot be taken.
    """
    clean = plain_text(text.strip())
    if clean:
        try:
            return reader(unshield(clean))
        except CellError:
            raise
        except (ValueError, OverflowError) as fault:
            wrong = f"'{clean[:40]}' is more than can be kept"
            raise CellError("out_of_range", wrong, "check it") from fault
    if required:
        raise CellError(
            "missing_value",
            "the cell is empty",
            "fill it in; where the cell above was meant, write its value again",
        )
    return None


class _Memo(dict[str, Any]):
    """What a column's texts read as; most columns repeat a few texts over and over."""

    __slots__ = ("_reader", "_required", "_size")

    def __init__(self, reader: Reader, *, required: bool, size: int) -> None:
        super().__init__()
        self._reader, self._required, self._size = reader, required, size

    def __missing__(self, text: str) -> Any:
        value = self._read(text)
        if len(self) < self._size:
            self[text] = value
        return value

    def _read(self, text: str) -> Any:
        return read_cell(self._reader, text, required=self._required)

    def column(self, texts: Sequence[str]) -> list[Any]:
        """Return what a column's texts read as; one text throughout, or none, is read once."""
        first = texts[0]
        if texts[-1] == first and texts.count(first) == len(texts):
            return [self[first]] * len(texts)
        return list(map(self.__getitem__, texts))


class _OwnCodes(_Memo):
    """A column of the records' own codes: most are issued ones, which are taken as they are."""

    __slots__ = ("_letter",)

    def __init__(self, reader: Reader, *, letter: str) -> None:
        super().__init__(reader, required=True, size=0)
        self._letter = letter

    def column(self, texts: Sequence[str]) -> list[Any]:
        """Return what a column's texts read as."""
        if {text[:1] for text in texts} == {self._letter} and all(map(codes.is_issued, texts)):
            return list(texts)
        return super().column(texts)


class _References(_Memo):
    """A column of other records' codes; `new` are those read since they were last looked up."""

    __slots__ = ("_letters", "_recorded", "_unknown", "kinds", "new")

    def __init__(
        self, reader: Reader, *, required: bool, kinds: tuple[str, ...], recorded: AsRecorded
    ) -> None:
        super().__init__(reader, required=required, size=CACHE)
        self._letters = {codes.LETTER_OF[kind] for kind in kinds if kind in codes.LETTER_OF}
        self._recorded = recorded if set(kinds) & set(FEW) else None
        self._unknown: set[str] = set()
        self.kinds = kinds
        self.new: set[str] = set()

    def column(self, texts: Sequence[str]) -> list[Any]:
        """Return what a column's texts read as."""
        if texts[-1] not in self:  # then most likely others are not either
            self._take_issued({text for text in texts if text not in self})
        if self._recorded:
            own = {text for text in texts if text not in self and is_own(text)}
            own = set(filter(str.isprintable, own))
            self._unknown = self._recorded.unknown(self.kinds, own)
        return super().column(texts)

    def _take_issued(self, texts: set[str]) -> None:
        """Remember those of the texts that are issued codes, which are taken as they are."""
        issued = {text for text in texts if text[:1] in self._letters and codes.is_issued(text)}
        if len(self) + len(issued) > self._size:
            self.clear()  # the next rows name what the last ones did
        self.update(zip(issued, issued, strict=True))
        self.new |= issued

    def __missing__(self, text: str) -> Any:
        value = super().__missing__(text)
        if value is not None:
            self.new.add(value)
        return value

    def _read(self, text: str) -> Any:
        value = super()._read(text)
        if self._recorded and text in self._unknown and value is not None:
            return self._recorded.code(self.kinds, value)
        return value


class _Cultivars(_Memo):
    """A column of cultivars' names, taken as they are recorded."""

    __slots__ = ("_recorded",)

    def __init__(self, reader: Reader, *, required: bool, recorded: AsRecorded) -> None:
        super().__init__(reader, required=required, size=CACHE)
        self._recorded = recorded

    def _read(self, text: str) -> Any:
        value = super()._read(text)
        return value and self._recorded.cultivar(value)


@dataclass(slots=True)
class Taken:
    """What an intake did: records that were new, repeated, or voided before, by kind."""

    recorded: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    repeated: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    corrected: dict[str, int] = field(default_factory=lambda: defaultdict(int))


@dataclass(frozen=True, slots=True)
class Correction:
    """A record that a row of a file gives other values to."""

    found: Found
    row: Row
    file: str
    line: int

    @property
    def made(self) -> Found:
        """Return the record as it is then."""
        return replace(self.found, row=self.row)


@dataclass(frozen=True, slots=True)
class _Place:
    """Where written rows came from: the line of each id."""

    file: str
    lines: Mapping[int, int] | Sequence[int]
    first_id: int

    def line(self, record: int) -> int | None:
        """Return the line that a record stands on, None where it is not one of these."""
        if isinstance(self.lines, Mapping):
            return self.lines.get(record)
        index = record - self.first_id
        return self.lines[index] if 0 <= index < len(self.lines) else None


class Intake:
    """Takes batches into a change. After `finish`, `problems` holds everything that is wrong."""

    def __init__(self, change: Change, *, correcting: bool = False) -> None:
        self.change, self._correcting = change, correcting
        self.corrections: dict[tuple[str, int], Correction] = {}
        self._codeless: list[Batch] = []
        self._codes = Codeless(change)
        self.problems: list[Problem] = []
        self.taken = Taken()
        self._connection = change.connection
        self._recorded = AsRecorded(change.connection)
        self._memos: dict[tuple[str, str], _Memo] = {}
        self._writers: dict[str, RowWriter] = {}
        self._repeats = Repeats(change.connection)
        self._unresolved: dict[tuple[str, ...], set[str]] = defaultdict(set)
        self._refused: dict[str, set[str]] = defaultdict(set)
        self._noted: list[Problem] = []
        self._places: dict[str, list[_Place]] = defaultdict(list)
        self._changed: dict[str, set[str]] = defaultdict(set)
        self._written = 0

    def take(self, batch: Batch) -> list[Row]:
        """Read, write and remember one batch; return the rows that could be read."""
        named, texts = put_apart(batch.kind, batch.columns, batch.rows)
        batch = replace(batch, columns=named, rows=texts)
        return self._take(self._with_codes(batch) if batch.file else batch)

    def _with_codes(self, batch: Batch) -> Batch:
        """Return a batch without the rows that need a code issued; those are for the end."""
        own = KINDS[batch.kind].KEY[0]
        if batch.kind not in codes.LETTER_OF or own not in batch.columns:
            return batch
        at = batch.columns.index(own)
        coded = [bool(row[at].strip()) or is_totals(row) for row in batch.rows]
        if all(coded):
            return batch
        lines = batch.lines or [0] * len(batch.rows)
        self._codeless.append(
            Batch(
                batch.kind,
                (*batch.columns[:at], *batch.columns[at + 1 :]),
                [
                    (*row[:at], *row[at + 1 :])
                    for row, has in zip(batch.rows, coded, strict=True)
                    if not has
                ],
                batch.file,
                [line for line, has in zip(lines, coded, strict=True) if not has],
            )
        )
        return replace(
            batch, rows=list(compress(batch.rows, coded)), lines=list(compress(lines, coded))
        )

    def _take(self, batch: Batch) -> list[Row]:
        columns, good = self._read(batch)
        if not all(good):
            self._note_references(batch, columns, good)
            columns = {name: list(compress(values, good)) for name, values in columns.items()}
        lines = batch.lines or [0] * len(batch.rows)
        lines = lines if all(good) else list(compress(lines, good))
        count = len(lines)
        ordered = [
            columns.get(column.name) or repeat(None, count)
            for column in recorded_columns(batch.kind)
        ]
        rows: list[Row] = list(zip(*ordered, strict=True))
        if rows:
            self._write(batch, rows, lines)
        self._look_up(beyond=CACHE)
        return rows

    def finish(self) -> None:
        """Check every rule that what was taken can break; of what breaks none, ask the advisers."""
        for batch in self._codeless:
            self._take(batch)
        self._check_noted_references()
        self._put_right()
        kinds = {*self._places, *self.change.corrected}
        if not kinds:
            return
        if self._written > checking.MANY or "cultivars" in self.change.corrected:
            checking.refresh_estimates(self._connection, kinds)
            scope = checking.whole(self.change.settings)
        else:
            scope = checking.touched(self._connection, self.change.settings, self._changed)
        without = frozenset() if self._has_unresolved() else frozenset({"unknown_reference"})
        for record, problem in checking.problems(self._connection, scope, kinds, without):
            if problem.rule == "unknown_reference" and self._hangs_on_refused(problem):
                continue
            better = suggestions.improve(self._connection, problem)
            self.problems.append(self._placed(record, better))
        if any(problem.trouble is Trouble.REFUSED for problem in self.problems):
            return
        for adviser in (lookalikes, *doubts.ADVISERS, *self.change.advisers):
            self.problems += [self._placed(*doubt) for doubt in adviser(self.change)]

    # Reading cells

    def _read(self, batch: Batch) -> tuple[dict[str, list[Any]], list[bool]]:
        """Return the values by column, and for each row whether all its cells could be read."""
        good = [True] * len(batch.rows)
        values: dict[str, list[Any]] = {}
        known = {column.name: column for column in recorded_columns(batch.kind)}
        # Without rows there are no columns of texts.
        for name, texts in zip(batch.columns, zip(*batch.rows, strict=True), strict=False):
            memo = self._memo(batch.kind, name, known[name])
            try:
                values[name] = memo.column(texts)
            except CellError:
                values[name] = self._read_slowly(batch, name, texts, memo, good)
        return values, good

    def _memo(self, kind: str, name: str, column: Any) -> _Memo:
        if (kind, name) not in self._memos:
            self._memos[kind, name] = self._new_memo(kind, column)
        return self._memos[kind, name]

    def _new_memo(self, kind: str, column: Any) -> _Memo:
        cell, required = column.info["cell"], not column.nullable
        reader = cell.reader(self.change.settings.zone, self.change.settings.spellings)
        if isinstance(cell, Code) and cell.kind in codes.LETTER_OF:
            return _OwnCodes(reader, letter=codes.LETTER_OF[cell.kind])
        if isinstance(cell, Ref):
            return _References(reader, required=required, kinds=cell.kinds, recorded=self._recorded)
        if isinstance(cell, CultivarName):
            return _Cultivars(reader, required=required, recorded=self._recorded)
        size = 0 if (column.name,) == KINDS[kind].KEY else CACHE  # keys do not repeat
        return _Memo(reader, required=required, size=size)

    def _read_slowly(
        self, batch: Batch, name: str, texts: Sequence[str], memo: _Memo, good: list[bool]
    ) -> list[Any]:
        """Read cell by cell and note every cell that cannot be read."""
        values: list[Any] = []
        for index, text in enumerate(texts):
            try:
                values.append(memo[text])
            except CellError as error:
                values.append(None)
                self._refuse(batch, index, name, error, first=good[index])
                good[index] = False
        return values

    def _refuse(
        self, batch: Batch, index: int, column: str, error: CellError, *, first: bool
    ) -> None:
        """Note a cell that cannot be read; of a totals row, only that it is one."""
        row = batch.rows[index]
        if is_totals(row):
            if not first:
                return
            error = TOTALS_ROW
        elif error.rule == "missing_value" and not batch.file:
            error = NOT_GIVEN
        keys = [batch.columns.index(key) for key in KINDS[batch.kind].KEY if key in batch.columns]
        self._refused[batch.kind].add(row[keys[0]].strip() if keys else "")
        problem = Problem(
            rule=error.rule,
            trouble=CELL_RULES[error.rule].trouble,
            kind=batch.kind,
            key=key_text(row[key].strip() for key in keys),
            column=column,
            value=row[batch.columns.index(column)],
            wrong=error.wrong,
            right=error.right,
            file=batch.file,
            line=batch.lines[index] if batch.lines else 0,
        )
        self.problems.append(suggestions.improve(self._connection, problem))

    # References

    def _look_up(self, *, beyond: int = 0) -> None:
        """Look up the codes that were named, and note those not recorded yet: they may still come.

        Best many at a time, so only where there are more than `beyond`.
        """
        for memo in self._memos.values():
            if isinstance(memo, _References) and len(memo.new) > beyond:
                named = {code.partition("/")[0] for code in memo.new}
                self._unresolved[memo.kinds] |= self._not_recorded(memo.kinds, named)
                memo.new.clear()

    def _note_references(
        self, batch: Batch, columns: Mapping[str, Sequence[Any]], good: Sequence[bool]
    ) -> None:
        """Note what refused rows refer to: they are not written, so no query will find it."""
        rule = RULES["unknown_reference"]
        for column in fields(batch.kind):
            cell, values = column.info["cell"], columns.get(column.name)
            if values is None or not isinstance(cell, Ref):
                continue
            for index, value in enumerate(values):
                if not good[index] and value is not None and not is_totals(batch.rows[index]):
                    target = " or ".join(map(noun, cell.kinds))
                    self._noted.append(
                        Problem(
                            rule=rule.name,
                            trouble=rule.trouble,
                            kind=batch.kind,
                            column=column.name,
                            value=value,
                            wrong=rule.wrong.format(target=target, value=value),
                            right=rule.right,
                            file=batch.file,
                            line=batch.lines[index] if batch.lines else 0,
                        )
                    )

    def _check_noted_references(self) -> None:
        for problem in self._noted:
            cell = table(problem.kind).columns[problem.column].info["cell"]
            missing = self._not_recorded(cell.kinds, {problem.value.partition("/")[0]})
            if missing and not self._hangs_on_refused(problem):
                self.problems.append(suggestions.improve(self._connection, problem))

    def _not_recorded(self, kinds: tuple[str, ...], named: set[str]) -> set[str]:
        """Return those codes that name no record of any of the kinds."""
        for target in kinds:
            if named:
                named = not_recorded(self._connection, target, named)
        return named

    def _has_unresolved(self) -> bool:
        self._look_up()
        return any(self._not_recorded(kinds, named) for kinds, named in self._unresolved.items())

    def _hangs_on_refused(self, problem: Problem) -> bool:
        """Tell whether a missing record was in the same intake and refused for another reason."""
        column = table(problem.kind).columns[problem.column]
        code = problem.value.partition("/")[0]
        return any(code in self._refused[kind] for kind in column.info["cell"].kinds)

    # Writing

    def _write(self, batch: Batch, rows: list[Row], lines: Sequence[int]) -> None:
        kind, given = batch.kind, len(rows)
        if kind in codes.LETTER_OF and KINDS[kind].KEY[0] not in batch.columns:
            new_ones = self._codes.new_of(kind, rows, lines)
            rows, lines = [row for row, _ in new_ones], [line for _, line in new_ones]
        if kind not in self._writers:
            self._writers[kind] = RowWriter(self._connection, kind, self.change.entry)
        writer = self._writers[kind]
        rows, lines, problems = self._repeats.without_voided(kind, rows, lines, batch.file)
        before = writer.last
        if rows and writer.add(rows) == len(rows):
            place = _Place(batch.file, lines, writer.first)
        else:
            new, differing = self._repeats.sort_out(kind, before, rows, lines)
            corrected = 0
            for each in differing:
                again = each.found.entry == self.change.entry
                if self._correcting and not again:
                    corrected += self._correct(batch, each, problems)
                elif again or not self._repeats.was(kind, each.row):
                    problems.append(clash(each, batch.file, again=again))
            given -= corrected
            self.taken.corrected[kind] += corrected
            rows = [row for row, _ in new.values()]
            numbers = {record: line for record, (_, line) in new.items()}
            place = _Place(batch.file, numbers, min(numbers, default=0))
        self.problems += problems
        self.taken.recorded[kind] += len(rows)
        self.taken.repeated[kind] += given - len(rows) - len(problems)
        if rows:
            self._places[kind].append(place)
            self.change.note(kind, writer.first, writer.last, rows)
            self._recorded.forget(kind)
            self._written += len(rows)
            if self._written <= checking.MANY:
                self._changed[kind].update(str(row[0]) for row in rows)

    def _correct(self, batch: Batch, different: Differing, problems: list[Problem]) -> bool:
        """Note a correction to the values of a row; tell whether it is one."""
        found = different.found
        row = tuple(
            new if column.name in batch.columns else old
            for column, new, old in zip(
                recorded_columns(found.kind), different.row, found.row, strict=True
            )
        )
        if row == found.row:
            return False  # only columns that the file does not have are other
        noted = self.corrections.setdefault(
            (found.kind, found.id), Correction(found, row, batch.file, different.line)
        )
        if noted.row != row:
            problems.append(clash(replace(different, found=noted.made), batch.file, again=True))
        return noted.row == row and noted.line == different.line

    def _put_right(self) -> None:
        """Make the corrections that the rows ask for."""
        if not self.corrections:
            return
        changes = [(each.found, each.row) for each in self.corrections.values()]
        ended = rewriting.put_right(self.change, changes)
        self.change.content["ended"] = {
            "count": len(ended),
            "sha256": rewriting.digest_of(ended),
        }
        self._written += len(changes)
        for found, row in changes:
            for each in (found.row, row):
                self._changed[found.kind].update(rewriting.owners(found.kind, each))

    def _placed(self, record: int, problem: Problem) -> Problem:
        """Return the problem with the file and line its record came from."""
        if corrected := self.corrections.get((problem.kind, record)):
            return replace(problem, file=corrected.file, line=corrected.line)
        places = self._places[problem.kind]  # in the order of their ids
        at = bisect_right(places, record, key=attrgetter("first_id")) - 1
        line = places[at].line(record) if at >= 0 else None
        return problem if line is None else replace(problem, file=places[at].file, line=line)
