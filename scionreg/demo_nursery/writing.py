"""Writes the nursery's books as a season folder."""

import csv
import json
from collections.abc import Sequence
from pathlib import Path

from scionreg.demo_nursery.places import BLOCKS
from scionreg.demo_nursery.telling import readme
from scionreg.demo_nursery.things import Books, Nursery
from scionreg.records import tables

TIME_ZONE = "America/Chicago"


def write_folder(nursery: Nursery, folder: Path) -> None:
    """Write every file of the season folder into `folder`, which is made if need be."""
    folder.mkdir(parents=True, exist_ok=True)
    kept = [kind for kind in tables.KINDS if nursery.books.rows[kind]]
    for kind in kept:
        _write_table(nursery.books, kind, folder / f"{kind}.csv")
    _write_json(folder / "blocks.geojson", outlines())
    if not (folder / "datapackage.json").exists():
        _write_json(folder / "datapackage.json", package(kept))
    (folder / "README.md").write_text(readme(nursery), encoding="utf-8", newline="\n")


def _write_table(books: Books, kind: str, path: Path) -> None:
    """Write one record kind; the columns and the spelling of values are the registry's own."""
    columns = tables.fields(kind)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(column.name for column in columns)
        for row in books.rows[kind]:
            values = [row.get(column.name) for column in columns]
            writer.writerow(
                ""
                if value is None
                else value
                if isinstance(value, str)
                else column.info["cell"].write(value)
                for column, value in zip(columns, values, strict=True)
            )


def outlines() -> dict[str, object]:
    """Return the blocks' outlines as GeoJSON (RFC 7946): longitude first, counter-clockwise."""
    features = [
        {
            "type": "Feature",
            "properties": {"block": block.code},
            "geometry": {"type": "Polygon", "coordinates": [block.outline()]},
        }
        for block in BLOCKS
    ]
    return {"type": "FeatureCollection", "features": features}


def package(kinds: Sequence[str]) -> dict[str, object]:
    """Return a minimal data package: where the tables are, and the registry's settings."""
    return {
        "name": "demo-registry",
        "scionreg": {"time_zone": TIME_ZONE, "season_first_day": "07-01", "units": "SI"},
        "resources": [{"name": kind, "path": f"{kind}.csv"} for kind in kinds],
    }


def _write_json(path: Path, content: dict[str, object]) -> None:
    path.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8", newline="\n")
