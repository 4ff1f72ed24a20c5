"""A change: one transaction, one journal line, everything in it or nothing."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection

from scionreg.records.cells import CellError
from scionreg.records.errors import NoRecorderError, Problem
from scionreg.records.names import PersonCode
from scionreg.registry import journal
from scionreg.registry.recorded_codes import AsRecorded
from scionreg.registry.rows import Row, RowDigest
from scionreg.registry.settings import Settings, check_words_in_use, read_settings, write_settings
from scionreg.registry.store import Store


@dataclass(slots=True)
class Made:
    """The rows of one kind that a change wrote: how many, their ids, and their digest."""

    count: int = 0
    first_id: int = 0
    last_id: int = 0
    digest: RowDigest = field(default_factory=RowDigest)

    def add(self, first_id: int, last_id: int, rows: list[Row]) -> None:
        """Add rows that were written in order."""
        self.first_id = self.first_id or first_id
        self.last_id = last_id
        self.count += len(rows)
        self.digest.add(rows)

    def to_dict(self) -> dict[str, Any]:
        """Return what the journal keeps."""
        return {
            "count": self.count,
            "first_id": self.first_id,
            "last_id": self.last_id,
            "sha256": self.digest.hexdigest(),
        }


@dataclass(slots=True)
class Change:
    """A change in the making, by a person."""

    connection: Connection
    settings: Settings
    entry: int
    by: str
    advisers: Sequence["Adviser"] = ()
    content: dict[str, Any] = field(default_factory=dict)
    made: dict[str, Made] = field(default_factory=dict)
    corrected: dict[str, Made] = field(default_factory=dict)
    """Rows that were there and have other content now; their ids lie before all that were made."""
    cancelled: bool = False
    """A dry run, or one in which nothing changed: leaves no trace."""

    def change_settings(self, values: Mapping[str, str]) -> None:
        """Change settings; the journal keeps what they were, so that it can be undone."""
        before, self.settings = self.settings, self.settings.changed(values)
        check_words_in_use(self.connection, before, self.settings)
        write_settings(self.connection, self.settings)
        for said, settings in (("were", before), ("settings", self.settings)):
            kept = settings.plain() | settings.own_values
            self.content[said] = {name: kept.get(name, "") for name in values}

    def note(self, kind: str, first_id: int, last_id: int, rows: list[Row]) -> None:
        """Note rows of a kind that were written, in order."""
        if rows:
            self.made.setdefault(kind, Made()).add(first_id, last_id, rows)


Adviser = Callable[[Change], Iterable[tuple[int, Problem]]]
"""What the reasoning above finds doubtful in the records that a change made: ids and warnings."""


def _recorder(connection: Connection, by: str) -> str:
    """Return the code of who records, as it is recorded where somebody is, in other letters too.

    Raises
    ------
    NoRecorderError
        It cannot be the code of a person, or may be that of several.
    """
    try:
        code, recorded = PersonCode().read(by), AsRecorded(connection)
        return recorded.code(("people",), code) if recorded.unknown(("people",), {code}) else code
    except CellError as error:
        raise NoRecorderError(f"{error.wrong}; {error.right}") from error


class _Cancelled(Exception):
    """Rolls a cancelled change back."""


@contextmanager
def change(
    store: Store,
    *,
    by: str,
    action: str,
    why: str = "",
    kind: str = "",
    key: str = "",
    checking_references: bool = True,
) -> Iterator[Change]:
    """Give a change; at the end its journal line is written and everything committed.

    Whatever is raised within undoes all of it.

    Raises
    ------
    NoRecorderError
        `by` is empty and the registry's settings name nobody.
    """
    try:
        with store.writing(checking_references=checking_references) as connection:
            settings = read_settings(connection)
            by = by or settings.by
            if not by:
                raise NoRecorderError(
                    "who records this? give --by CODE, set SCIONREG_BY, or the setting 'by'"
                )
            by = _recorder(connection, by)
            why.encode()  # refuses what is no character before anything is done
            entry = journal.head(connection)[0] + 1
            making = Change(connection, settings, entry, by, store.advisers)
            yield making
            if making.cancelled:
                raise _Cancelled
            content = dict(making.content)
            for written, by_kind in (("made", making.made), ("corrected", making.corrected)):
                if by_kind:
                    content[written] = {name: made.to_dict() for name, made in by_kind.items()}
            journal.append(
                connection, by=by, action=action, why=why, kind=kind, key=key, content=content
            )
    except _Cancelled:
        pass
