"""An invented nursery with a record of every kind in which every column is filled."""

import csv
import datetime as dt
import json
from pathlib import Path
from typing import Any

from scionreg.records.cells import shield
from scionreg.records.tables import KINDS, fields, table
from scionreg.registry.rows import Row, read_rows
from scionreg.registry.store import Store

Rows = dict[str, list[dict[str, Any]]]

OUTLINE = {
    "type": "Polygon",
    "coordinates": [[[4.0, 45.0], [4.01, 45.0], [4.01, 45.01], [4.0, 45.01], [4.0, 45.0]]],
}


def day(text: str) -> dt.date:
    return dt.date.fromisoformat(text)


def time(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC)


RECORDS: Rows = {
    "cultivars": [
        {
            "cultivar": "Fernhill",
            "species": "Malus domestica",
            "aliases": "FH;Fern",
            "rights": "pvr",
            "rights_no": "PV-1",
            "rights_until": day("2040-01-01"),
            "licence_no": "L-1",
            "cannot_tell_from": "Oldgate",
            "notes": "=1+1",
        },
        {"cultivar": "Oldgate", "species": "Malus domestica", "cannot_tell_from": "Fernhill"},
    ],
    "people": [
        {"person": "P01", "roles": "cutter;grafter", "mark": "@blue", "notes": "left-handed"}
    ],
    "blocks": [
        {
            "block": "N1",
            "kind": "nursery",
            "row_spacing_m": 4.5,
            "tree_spacing_m": 0.1,
            "counted_from": "N",
            "notes": "wet",
        }
    ],
    "stores": [{"store": "Cooler", "kind": "cooler", "notes": "behind"}],
    "rootstock_lots": [
        {
            "rootstock_lot": "R-1",
            "species": "Malus domestica",
            "clone": "-9",
            "seed_parent": "'+plain",
            "supplier": "SU1",
            "received": day("2025-12-01"),
            "received_in": "2025-12",
            "plants": 400,
            "notes": "two sacks",
        }
    ],
    "mother_trees": [
        {
            "tree": "AB-1",
            "cultivar": "Fernhill",
            "kind": "bank",
            "block": "N1",
            "row": 90,
            "position": 3,
            "latitude": 45.005,
            "longitude": 4.0051234567,
            "accuracy_m": 2.5,
            "fix_method": "phone",
            "planted": day("2010-03-01"),
            "planted_in": "2010",
            "rank": "scheme: first",
            "received_from": "SU1",
            "rootstock": "M9",
            "sticks_per_year": 80,
            "status": "usable",
            "location_private": True,
            "notes": 'two\nlines, a comma and "quotes"',
        },
        {"tree": "AB-2", "cultivar": "Fernhill", "graft_lot": "G-1", "graft_position": 4},
    ],
    "tree_events": [
        {
            "tree": "AB-1",
            "date": day("2020-05-01"),
            "event": "treated",
            "limb": "north",
            "detail": "<script>alert(1)</script>",
            "happened_in": "2020-05",
            "notes": "twice",
        }
    ],
    "collections": [
        {
            "collection": "C-1",
            "tree": "AB-1",
            "limb": "north",
            "date": day("2026-01-10"),
            "cutter": "P01",
            "shoots": 20,
            "sticks": 60,
            "count": "counted",
            "share_cut": 0.25,
            "shoot_length_cm": 45.5,
            "bud_stage": 0,
            "in_leaf": False,
            "tools_cleaned": True,
            "order_in_day": 1,
            "latitude": 45.005,
            "longitude": 4.005,
            "accuracy_m": 8.0,
            "cut_in": "2026",
            "notes": "snow",
        }
    ],
    "bundles": [
        {
            "bundle": "B-1",
            "collection": "C-1",
            "sticks": 50,
            "count": "counted",
            "sealed": True,
            "treatment": "'; drop table bundles; --",
            "shelf": "3",
            "packed": day("2026-01-11"),
            "packer": "P01",
            "store": "Cooler",
            "notes": "wet",
        },
        {
            "bundle": "B-2",
            "received_from": "SU2",
            "cultivar": "Oldgate",
            "sticks": 10,
            "packed": day("2026-01-12"),
            "count": "estimated",
            "papers": "PP-7",
        },
        {"bundle": "B-4", "sticks": 7, "unlabelled": True, "found_at": "floor, beside B-1"},
        {"bundle": "B-3", "sticks": 5, "packed": day("2026-02-01")},
    ],
    "bundle_parents": [{"bundle": "B-3", "parent": "B-1", "sticks": 5, "notes": "thick"}],
    "bundle_log": [
        {
            "bundle": "B-1",
            "time": time("2026-02-01T08:30:15"),
            "event": "checked",
            "store": "Cooler",
            "sticks": 45,
            "condition": "good",
            "note": "früh, 早い 🌱",
        }
    ],
    "store_readings": [
        {
            "store": "Cooler",
            "time": time("2026-01-15T00:00:00"),
            "temperature_c": -0.5,
            "humidity_pct": 93.0,
            "notes": "by hand",
        }
    ],
    "graft_lots": [
        {
            "graft_lot": "G-1",
            "bundle": "B-1",
            "date": day("2026-03-10"),
            "grafter": "P01",
            "method": "whip",
            "rootstock_lot": "R-1",
            "stock_mm": "8-10",
            "grafts": 20,
            "sticks_used": 20,
            "block": "N1",
            "row": 1,
            "first": 1,
            "last": 20,
            "order_in_day": 1,
            "notes": "wind, stopped at 3",
        },
        {
            "graft_lot": "G-2",
            "bundle": "B-3",
            "date": day("2026-04-10"),
            "grafter": "P01",
            "method": "cleft",
            "grafts": 1,
            "block": "N1",
            "row": 1,
            "first": 2,
            "last": 2,
            "regraft_of": "G-1",
        },
    ],
    "take_counts": [
        {
            "graft_lot": "G-1",
            "date": day("2026-06-01"),
            "scorer": "P01",
            "pushing": 14,
            "green": 1,
            "dead": 2,
            "stock_only": 1,
            "missing": 1,
            "broken": 1,
            "notes": "wind",
        }
    ],
    "identity_checks": [
        {
            "check": "K-1",
            "item": "G-1/7",
            "limb": "all",
            "positions_checked": "5-9",
            "positions": "7",
            "date": day("2026-08-01"),
            "method": "leaf",
            "checked": 5,
            "off": 1,
            "found": "rootstock",
            "by": "P01",
            "reference": "same trees as K-0",
            "notes": "with a lens",
        }
    ],
    "genotypes": [
        {
            "sample": "L/1",
            "item": "AB-1",
            "laboratory": "LAB",
            "locus": "M1",
            "allele_1": 101,
            "allele_2": 105,
            "allele_3": 109,
            "notes": "weak",
        },
        {"sample": "L/2", "cultivar": "Oldgate", "locus": "M1", "allele_1": 99},
    ],
    "dispatches": [
        {
            "dispatch": "D-1",
            "graft_lot": "G-1",
            "date": day("2026-11-05"),
            "customer": "CU1",
            "trees": 2,
            "first": 10,
            "last": 11,
            "label_cultivar": "Fernhill",
            "notes": "by lorry",
        }
    ],
    "permissions": [
        {
            "permission": "P-1",
            "host": "H-1",
            "tree": "AB-1",
            "valid_from": day("2026-01-01"),
            "valid_until": day("2027-12-31"),
            "most_sticks": 60,
            "notice_days": 7,
            "notes": "ring first",
        },
        {"permission": "P-2", "host": "H-2", "block": "N1"},
    ],
    "holds": [
        {
            "item": "G-1",
            "positions": "3;4",
            "date": day("2026-09-01"),
            "event": "hold",
            "detail": "looked odd",
            "by": "P01",
            "notes": "see photo",
        }
    ],
}


def write_folder(folder: Path, records: Rows, *, outline: bool = True) -> Path:
    """Write records as the CSV files of a season folder."""
    folder.mkdir()
    for kind, rows in records.items():
        if not rows:
            continue
        cells = {column.name: column.info["cell"] for column in fields(kind)}
        with (folder / f"{kind}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(cells), restval="", quoting=csv.QUOTE_ALL)
            writer.writeheader()
            for row in rows:
                known = {name: value for name, value in row.items() if value is not None}
                writer.writerow(
                    {name: shield(cells[name].write(value)) for name, value in known.items()}
                )
    if outline:
        write_outline(folder)
    return folder


def write_outline(folder: Path) -> None:
    feature = {"type": "Feature", "properties": {"block": "N1"}, "geometry": OUTLINE}
    collection = {"type": "FeatureCollection", "features": [feature]}
    (folder / "blocks.geojson").write_text(json.dumps(collection))


def contents(store: Store) -> dict[str, list[Row]]:
    """Return every record in the order they came in."""
    with store.reading() as connection:
        return {kind: [row for _, _, row in read_rows(connection, kind)] for kind in KINDS}


def unfilled() -> set[str]:
    """Return the columns that no record fills."""
    return {
        f"{kind}.{column.name}"
        for kind in KINDS
        for column in table(kind).columns
        if "cell" in column.info and "apart" not in column.info
        if all(row.get(column.name) is None for row in RECORDS.get(kind, ()))
    }
