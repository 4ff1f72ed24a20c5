"""Finding one record by its key."""

import re
from dataclasses import dataclass

from sqlalchemy import Connection

from scionreg.records.errors import NotFoundError, RegistryError
from scionreg.records.tables import KINDS, code_column
from scionreg.registry.rows import Row, as_record, key_text, read_rows


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

    Raises
    ------
    NotFoundError
        Nothing is recorded under that key.
    RegistryError
        Several are: more parts of the key are needed.
    """
    # A sample's name may hold a slash, so any beginning of the key may be its first part.
    cuts = [match.start() for match in re.finditer("/", key)] if len(KINDS[kind].KEY) > 1 else []
    beginnings = [key, *(key[:cut] for cut in cuts)]
    matches = [
        Found(kind, record, entry, row)
        for record, entry, row in read_rows(connection, kind, code_column(kind).in_(beginnings))
    ]
    exact = [each for each in matches if each.key == key]
    close = exact or [each for each in matches if each.key.startswith(key)]
    if not close:
        raise NotFoundError(f"no {kind.replace('_', ' ')} are recorded under '{key}'")
    if len(close) > 1:
        some = ", ".join(each.key for each in close[:5])
        raise RegistryError(f"'{key}' names {len(close)} records; write one of: {some}")
    return close[0]
