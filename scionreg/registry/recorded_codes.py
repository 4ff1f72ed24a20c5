"""Codes and cultivars as they are recorded, in whatever letters somebody writes them."""

from collections import defaultdict
from collections.abc import Collection, Iterable
from typing import Any

from sqlalchemy import Connection, select

from scionreg.records import codes
from scionreg.records.cells import Cell, CellError, CultivarName, Ref
from scionreg.records.tables import code_column, table
from scionreg.registry.rows import not_recorded

FEW = ("people", "blocks", "stores", "rootstock_lots", "mother_trees")
"""Kinds that a nursery mostly names by codes of its own, and of which it has few enough to read."""

CULTIVARS = "cultivars"


class AsRecorded:
    """Finds what is recorded under a code or name written in other letters.

    What is recorded exactly so is taken as it is, so that two codes that differ in case alone stay
    two. Nothing is read until something is not recorded as it is written.
    """

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._known: dict[str, dict[str, set[str]]] = {}

    def forget(self, kind: str) -> None:
        """Read a kind anew the next time, since records of it were added."""
        self._known.pop(kind, None)

    def unknown(self, kinds: Iterable[str], named: Collection[str]) -> set[str]:
        """Return those codes that name no record of any of the kinds, written exactly so."""
        left = set(named)
        for kind in kinds:
            if left:
                left = not_recorded(self._connection, kind, left)
        return left

    def code(self, kinds: Iterable[str], written: str) -> str:
        """Return a code that is not recorded as the one that is, in other letters; else itself.

        Raises
        ------
        CellError
            Several are.
        """
        return self._one(written, *(kind for kind in kinds if kind in FEW))

    def cultivar(self, written: str) -> str:
        """Return the recorded name or alias of a cultivar, in other letters; else as written.

        Raises
        ------
        CellError
            There are several.
        """
        return self._one(written, CULTIVARS)

    def as_recorded(self, cell: Cell, value: Any) -> Any:
        """Return the value of one cell as `code` and `cultivar` do, of another cell itself."""
        if isinstance(cell, Ref) and is_own(value or "/") and self.unknown(cell.kinds, {value}):
            return self.code(cell.kinds, value)
        return self.cultivar(value) if isinstance(cell, CultivarName) and value else value

    def _one(self, written: str, *kinds: str) -> str:
        found = {each for kind in kinds for each in self._of(kind).get(written.casefold(), ())}
        if not found or written in found:
            return written
        if len(found) > 1:
            raise CellError(
                "ambiguous_code",
                f"'{written}' may be {' or '.join(sorted(found))}",
                "write it exactly so, capital and small letters too",
            )
        return found.pop()

    def _of(self, kind: str) -> dict[str, set[str]]:
        """Return the codes or names of a kind by their letters without regard to case."""
        if kind not in self._known:
            by_letters: dict[str, set[str]] = defaultdict(set)
            for each in self._read(kind):
                by_letters[each.casefold()].add(each)
            self._known[kind] = by_letters
        return self._known[kind]

    def _read(self, kind: str) -> Iterable[str]:
        if kind != CULTIVARS:
            return self._connection.execute(select(code_column(kind))).scalars()
        columns = table(CULTIVARS).columns
        rows = self._connection.execute(select(columns["cultivar"], columns["aliases"]))
        return [
            name
            for cultivar, aliases in rows
            for name in (cultivar, *(aliases or "").split(";"))
            if name
        ]


def is_own(code: str) -> bool:
    """Tell whether a code is the nursery's own and names a whole record."""
    return "/" not in code and not codes.is_issued(code)
