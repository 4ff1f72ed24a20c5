"""Writing a sheet: paper to fill in, and the same rows as a file that is typed or filled in."""

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path

from scionreg.documents.field_sheets.page import write_pdf
from scionreg.documents.field_sheets.sheet import FieldSheet
from scionreg.documents.pdf import new_file
from scionreg.exchange.templates import write_template
from scionreg.records.cells import shield
from scionreg.records.errors import RegistryError
from scionreg.records.tables import fields
from scionreg.records.words import Words

ENDINGS = (".pdf", ".csv", ".xlsx")


def check_endings(paths: Sequence[Path]) -> None:
    """Raise `RegistryError` for a file that no sheet can be written as."""
    for path in paths:
        if path.suffix.lower() not in ENDINGS:
            raise RegistryError(f"'{path}' must end in {', '.join(ENDINGS[:-1])} or {ENDINGS[-1]}")


def write_sheet(
    sheet: FieldSheet,
    path: Path,
    words: Words,
    *,
    units: str,
    paper: str = "",
    blank: int = 0,
    codes: Mapping[str, Sequence[str]] | None = None,
) -> None:
    """Write a sheet as its file's ending says: paper (.pdf), rows (.csv) or a workbook (.xlsx).

    `codes` are what a workbook's drop-downs offer; the rest as `page.write_pdf`.

    Raises
    ------
    RegistryError
        The file cannot be written, or has another ending.
    """
    check_endings([path])
    match path.suffix.lower():
        case ".pdf":
            write_pdf(sheet, path, words, units=units, paper=paper, blank=blank)
        case ".csv":
            _write_csv(sheet, path)
        case _:
            filled = {sheet.kind: sheet.to_rows()}
            write_template(path, [sheet.kind], codes=codes, filled=filled)


def _write_csv(sheet: FieldSheet, path: Path) -> None:
    names = [column.name for column in fields(sheet.kind)]
    with new_file(path, ".csv") as beside, beside.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, names, lineterminator="\n")
        writer.writeheader()
        for row in sheet.to_rows():
            writer.writerow({name: shield(text) for name, text in row.items()})
