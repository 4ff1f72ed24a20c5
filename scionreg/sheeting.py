"""Field sheets of a registry, written as paper and as files."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from scionreg.documents.field_sheets.filling import Wanted, fill
from scionreg.documents.field_sheets.kinds import kind_of_sheet
from scionreg.documents.field_sheets.sheet import FieldSheet
from scionreg.documents.field_sheets.writing import check_endings, write_sheet
from scionreg.exchange.templates import known_codes, recorded_texts, write_template
from scionreg.records.cells import noun
from scionreg.records.codes import LETTER_OF
from scionreg.records.errors import RegistryError
from scionreg.records.tables import KINDS
from scionreg.records.words import Words
from scionreg.registry.settings import read_settings

if TYPE_CHECKING:
    from scionreg.api import Registry

EVERY = "all"
"""In place of a sheet's name: a workbook of every record kind."""


def write_sheets(
    registry: "Registry",
    name: str,
    paths: Sequence[Path],
    wanted: Wanted,
    words: Words,
    *,
    paper: str = "",
    blank: int = 0,
    reserve: bool = False,
    filled: bool = False,
    recorder: str = "",
) -> FieldSheet | None:
    """Write one sheet to files of the same rows, and return it; None for a workbook of all kinds.

    With `filled` that workbook has every record, to be changed and imported as corrections.
    With `reserve` each row gets a code of its own record, out of a run reserved for the person:
    what is written on the labels outside is then on the paper as well, and no two papers have the
    same.

    Raises
    ------
    RegistryError
        There is no such sheet, a file has an ending that none is written with, or the records of
        the sheet have no codes of their own.
    """
    check_endings(paths)
    if name == EVERY:
        _write_workbooks(registry, paths, filled=filled)
        return None
    if filled:
        raise RegistryError(f"only the workbook of all kinds has every record: sheets {EVERY}")
    with registry.store.reading() as connection:
        sheet = fill(connection, name, wanted, words)
        codes = known_codes(connection)
    if reserve:
        run = _reserved(registry, name, len(sheet.lines) + blank, wanted, recorder)
        sheet, blank = sheet.with_codes(run), 0
    units = registry.settings.units
    for path in paths:
        write_sheet(sheet, path, words, units=units, paper=paper, blank=blank, codes=codes)
    return sheet


def _write_workbooks(registry: "Registry", paths: Sequence[Path], *, filled: bool) -> None:
    for path in paths:
        if path.suffix.lower() != ".xlsx":
            raise RegistryError(f"'{path}' must end in .xlsx: only a workbook has every kind")
    with registry.store.reading() as connection:
        codes, zone = known_codes(connection), read_settings(connection).zone
        for path in paths:
            kinds = KINDS if filled else ()
            rows = {kind: recorded_texts(connection, kind, zone) for kind in kinds}
            write_template(path, codes=codes, filled=rows)


def _reserved(
    registry: "Registry", name: str, count: int, wanted: Wanted, recorder: str
) -> list[str]:
    kind = kind_of_sheet(name)
    if kind not in LETTER_OF:
        raise RegistryError(f"a {noun(kind)} has no code of its own to reserve")
    if not wanted.person:
        raise RegistryError("codes are reserved for a person; say for whom with --for CODE")
    if not count:
        raise RegistryError("the sheet has no rows to give codes to; ask for some with --blank")
    season = registry.settings.season(wanted.day) if wanted.day else None
    return registry.reserve(
        kind, person=wanted.person, count=count, season=season, recorder=recorder
    )
