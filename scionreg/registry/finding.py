"""Finding one record by its key."""

import datetime as dt
import re
import unicodedata
from dataclasses import dataclass

from sqlalchemy import Connection

from scionreg.records.cells import CellError, Moment
from scionreg.records.errors import NotFoundError, RegistryError
from scionreg.records.tables import KINDS, code_column, table
from scionreg.registry.rows import Row, as_moment, as_record, key_text, read_rows
from scionreg.registry.settings import read_settings

LINES = tuple(kind for kind, record in KINDS.items() if len(record.KEY) > 1)
"""Kinds whose records have no code of their own."""


@dataclass(frozen=True, slots=True)
class Found:
    """A record as it is, with its id and the journal line that wrote it."""

    kind: str
    id: int
    entry: int
    row: Row

    @property
    def key(self) -> str:
        """Return the key as text."""
        return key_text(as_record(self.kind, self.row).get(name) for name in KINDS[self.kind].KEY)


def find_record(connection: Connection, kind: str, key: str) -> Found:
    """Return the record of a kind that a key names; its parts are joined by ``/``.

    A time may be written as it is shown and typed, by the registry's clock.

    Raises
    ------
    NotFoundError
        Nothing is recorded under that key.
    RegistryError
        Several are: more parts of the key are needed.
    """
    key = unicodedata.normalize("NFC", key)  # as it was recorded
    close = _close(connection, kind, key) or _close(
        connection, kind, kept_key(connection, kind, key)
    )
    if not close:
        beginning = key.partition("/")[0]
        if beginning != key and _close(connection, kind, beginning):
            raise NotFoundError(f"{beginning} is recorded, but nothing under '{key}'")
        raise NotFoundError(f"no {kind.replace('_', ' ')} are recorded under '{key}'")
    if len(close) > 1:
        zone = read_settings(connection).zone
        some = ", ".join(shown_key(kind, each.key, zone) for each in close[:5])
        raise RegistryError(f"'{key}' names {len(close)} records; write one of: {some}")
    return close[0]


def kinds_of_key(connection: Connection, key: str) -> list[str]:
    """Return the kinds of lines that a key of several parts names one of, or its beginning does."""
    kept = {kind: {key, kept_key(connection, kind, key)} for kind in LINES}
    return [kind for kind in LINES if any(_close(connection, kind, each) for each in kept[kind])]


def _close(connection: Connection, kind: str, key: str) -> list[Found]:
    """Return the record that has just this key, else those whose keys begin with it."""
    # A sample's name may hold a slash, so any beginning of the key may be its first part.
    cuts = [match.start() for match in re.finditer("/", key)] if len(KINDS[kind].KEY) > 1 else []
    beginnings = [key, *(key[:cut] for cut in cuts)]
    matches = [
        Found(kind, record, entry, row)
        for record, entry, row in read_rows(connection, kind, code_column(kind).in_(beginnings))
    ]
    exact = [each for each in matches if each.key == key]
    return exact or [each for each in matches if each.key.startswith(key)]


def shown_key(kind: str, key: str, zone: dt.tzinfo) -> str:
    """Return a key as it is shown and typed: its time by the registry's clock.

    Where that clock shows the same time twice, the offset says which.
    """
    parts = key.split("/")
    for at, name in enumerate(KINDS[kind].KEY[: len(parts)]):
        cell = table(kind).columns[name].info["cell"]
        if isinstance(cell, Moment) and parts[at]:
            local = as_moment(parts[at]).astimezone(zone)
            exact = "minutes" if not local.second else "seconds"
            plain = local.replace(tzinfo=None).isoformat(timespec=exact)
            unique = cell.reader(zone)(plain) == parts[at]
            parts[at] = plain if unique else local.isoformat(timespec=exact)
    return "/".join(parts)


def kept_key(connection: Connection, kind: str, key: str) -> str:
    """Return a key with its time as it is kept, in UTC; without an offset it is the registry's."""
    parts = key.split("/")
    for at, name in enumerate(KINDS[kind].KEY[: len(parts)]):
        cell = table(kind).columns[name].info["cell"]
        if isinstance(cell, Moment) and parts[at]:
            try:
                parts[at] = cell.reader(read_settings(connection).zone)(parts[at])
            except CellError:
                return key
    return "/".join(parts)
