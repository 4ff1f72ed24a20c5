"""Writing a registry as a season folder: import of it into an empty registry gives the same."""

import csv
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from sqlalchemy import func, select

from scionreg.exchange import datapackage
from scionreg.records.cells import Number, Whole, shield
from scionreg.records.errors import RegistryError
from scionreg.records.tables import KINDS, fields, table
from scionreg.registry.issuing import spent
from scionreg.registry.rows import read_rows, recorded_columns
from scionreg.registry.settings import read_settings
from scionreg.registry.store import Store

Progress = Callable[[int, int], None]


def export_folder(
    store: Store, folder: Path, *, progress: Progress = lambda done, total: None
) -> dict[str, int]:
    """Write every record into `folder` as a season folder; return the number of each kind.

    Record kinds without records have no file. A folder that has files in it is refused, so that
    nothing of an earlier export is left among the new.

    Raises
    ------
    RegistryError
        The folder is not empty or cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()):
            raise RegistryError(f"{folder} is not empty; name a new folder")
        return _export(store, folder, progress)
    except OSError as fault:
        raise RegistryError(f"{folder} cannot be written: {fault.strerror}") from fault


def _export(store: Store, folder: Path, progress: Progress) -> dict[str, int]:
    with store.reading() as connection:
        counts = {
            kind: connection.execute(select(func.count()).select_from(table(kind))).scalar_one()
            for kind in KINDS
        }
        done, total = 0, sum(counts.values())
        for kind in (kind for kind, count in counts.items() if count):
            with (folder / f"{kind}.csv").open("w", encoding="utf-8", newline="") as file:
                plain = csv.writer(file, lineterminator="\n")
                quoted = csv.writer(file, lineterminator="\n", quoting=csv.QUOTE_ALL)
                plain.writerow([column.name for column in fields(kind)])
                shown = _writers(kind)
                for _, _, row in read_rows(connection, kind):
                    cells = [
                        write(row[index]) if row[index] is not None else ""
                        for index, write in shown
                    ]
                    # Before Python 3.13 a lone carriage return is not quoted by itself.
                    (quoted if "\r" in "".join(cells) else plain).writerow(cells)
                    done += 1
                    if done % 10_000 == 0:
                        progress(done, total)
        _write_outlines(connection, folder)
        package = datapackage.describe(
            [kind for kind, count in counts.items() if count],
            read_settings(connection),
            datapackage.reserved_runs(connection),
            spent(connection),
        )
        (folder / "datapackage.json").write_text(
            json.dumps(package, indent=1, ensure_ascii=False) + "\n", encoding="utf-8"
        )
    return {kind: count for kind, count in counts.items() if count}


def _writers(kind: str) -> list[tuple[int, Callable[[Any], str]]]:
    """Return, for each column of the CSV file, its place in a row and how it is written."""
    names = [column.name for column in recorded_columns(kind)]
    return [(names.index(column.name), _writer(column.info["cell"])) for column in fields(kind)]


def _writer(cell: Any) -> Callable[[Any], str]:
    if isinstance(cell, Number | Whole):
        write: Callable[[Any], str] = cell.write
        return write
    return lambda value: shield(cell.write(value))


def _write_outlines(connection: Any, folder: Path) -> None:
    """Write the blocks' outlines as GeoJSON (RFC 7946)."""
    columns = table("blocks").columns
    features = [
        {
            "type": "Feature",
            "properties": {"block": block},
            "geometry": json.loads(outline),
        }
        for block, outline in connection.execute(
            select(columns["block"], columns["outline"])
            .where(columns["outline"].is_not(None))
            .order_by(columns["id"])
        )
    ]
    if features:
        collection = {"type": "FeatureCollection", "features": features}
        (folder / "blocks.geojson").write_text(
            json.dumps(collection, ensure_ascii=False) + "\n", encoding="utf-8"
        )
