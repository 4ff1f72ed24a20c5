"""The rows that stand on the paper already, read from the CSV file that was written with it."""

import csv
from dataclasses import dataclass
from pathlib import Path

from scionreg.documents.field_sheets.kinds import SHEETS, kind_of_sheet
from scionreg.exchange.sources import digest
from scionreg.records.cells import unshield
from scionreg.records.errors import RegistryError
from scionreg.records.tables import KINDS, fields


@dataclass(frozen=True, slots=True)
class Printed:
    """A sheet's name, its record kind, its rows by column, and the digest of their file."""

    name: str
    kind: str
    rows: tuple[dict[str, str], ...] = ()
    of: str = ""


def read_printed(sheet: str) -> Printed:
    """Return a sheet by its name, or by the CSV file of its rows.

    Raises
    ------
    RegistryError
        There is no such sheet, or the file cannot be read or is none of a sheet.
    """
    if Path(sheet).suffix.lower() != ".csv":
        return Printed(sheet, kind_of_sheet(sheet))
    path = Path(sheet)
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
        rows = list(csv.reader(lines, strict=True))
        of = digest(path)
    except OSError as fault:
        raise RegistryError(f"{path} cannot be read: {fault.strerror}") from fault
    except (ValueError, csv.Error) as fault:
        raise RegistryError(f"{path} is no CSV in UTF-8 ({fault})") from fault
    kind = _kind(path, rows)
    header = rows[0]
    if wide := [number for number, row in enumerate(rows, 1) if len(row) not in (0, len(header))]:
        raise RegistryError(f"{path}:{wide[0]}: the row is not as wide as the header; mend it")
    cells = tuple(
        {name: unshield(text) for name, text in zip(header, row, strict=bool(row))}
        for row in rows[1:]
    )
    names = [name for name, of_kind in SHEETS.items() if of_kind == kind]
    return Printed((names or [kind])[0], kind, cells, of)


def _kind(path: Path, rows: list[list[str]]) -> str:
    """Return the record kind whose columns the header names, all of them and in their order."""
    for kind in KINDS:
        if rows and rows[0] == [column.name for column in fields(kind)]:
            return kind
    raise RegistryError(
        f"{path} has not the columns of a sheet; write one with: scionreg sheets, or take the file "
        "in as it is with: scionreg import"
    )
