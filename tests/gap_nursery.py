"""An invented nursery, small and with every column filled somewhere, to take things out of."""

import datetime as dt
from typing import Any

from full_nursery import OUTLINE
from small_registries import Rows, day

from scionreg.records.tables import KINDS, RECORDS, fields, table


def time(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC)


def complete() -> Rows:
    """Return its records."""
    found = _records()
    for kind, rows in found.items():
        if "notes" in table(kind).columns:
            found[kind] = [{"notes": "a note", **row} for row in rows]
    return found


def _records() -> Rows:
    return {
        "cultivars": _cultivars(),
        "people": [
            {"person": f"P{n}", "roles": roles, "mark": f"mark {n}"}
            for n, roles in enumerate(("cutter;packer", "grafter;scorer", "grafter", "checker"), 1)
        ],
        "blocks": [
            {
                "block": block,
                "kind": kind,
                "row_spacing_m": 5.0,
                "tree_spacing_m": 4.0,
                "counted_from": "N",
                "outline": _outline(),
            }
            for block, kind in (("M1", "orchard"), ("N1", "nursery"))
        ],
        "stores": [{"store": "S1", "kind": "cooler"}, {"store": "S2", "kind": "box"}],
        "rootstock_lots": [
            _stock("R1", clone="Stone 4", seed_parent=None),
            _stock("R2", clone=None, seed_parent="T3"),
        ],
        "mother_trees": _trees(),
        "permissions": [
            {
                "permission": "PM1" if tree else "PM2",
                "host": "H1",
                "tree": tree,
                "block": block,
                "valid_from": day("2020-01-01"),
                "valid_until": day("2029-12-31"),
                "most_sticks": 200,
                "notice_days": 2,
            }
            for tree, block in (("T2", None), (None, "M1"))
        ],
        "tree_events": [
            _event("T1", "pruned_hard", "2021-03-01"),
            _event("T2", "topworked", "2019-03-01", limb="N"),
            _event("T3", "hold", "2026-02-01"),
            _event("T3", "released", "2026-02-05"),
        ],
        "collections": [
            _collection("C1", "T1", "2024-01-10", order_in_day=1),
            _collection("C2", "T2", "2025-01-10", limb="N", order_in_day=1),
            _collection("C3", "T3", "2026-01-10", order_in_day=1),
            _collection("C4", "T1", "2026-01-10", order_in_day=2),
            _collection("C5", "T4", "2026-01-11", order_in_day=1),
        ],
        "bundles": [
            _bundle("B1", "2024-01-11", collection="C1"),
            _bundle("B2", "2025-01-11", collection="C2"),
            _bundle("B3", "2026-01-11", collection="C3"),
            _bundle("B4", "2026-01-11", collection="C4"),
            _bundle("B5", "2026-01-12", collection="C5"),
            _bundle(
                "B6", "2026-01-12", received_from="SU1", cultivar="Birkwood", papers="a passport"
            ),
            _bundle("B7", "2026-02-01", sticks=12),
            _bundle("B8", "2026-02-02", unlabelled=True, found_at="shelf 2"),
        ],
        "bundle_parents": [
            {"bundle": "B7", "parent": "B3", "sticks": 6},
            {"bundle": "B7", "parent": "B4", "sticks": 6},
        ],
        "bundle_log": [
            _log("B3", "moved", "2026-02-10T08:00", store="S2"),
            _log("B4", "checked", "2026-02-20T08:00", sticks=30, condition="good"),
            _log("B5", "discarded", "2026-02-21T08:00", sticks=3, condition="mould"),
            _log("B6", "sold", "2026-02-22T08:00", sticks=2),
            _log("B5", "hold", "2026-02-23T08:00"),
            _log("B5", "released", "2026-02-24T08:00"),
        ],
        "store_readings": [
            {
                "store": store,
                "time": time("2026-01-11T00:00") + dt.timedelta(hours=4 * n),
                "temperature_c": 12.0 if 90 < n < 110 else 2.0,
                "humidity_pct": 90.0,
            }
            for store in ("S1", "S2")
            for n in range(0, 240, 2)
        ],
        "graft_lots": _lots(),
        "take_counts": _counts(),
        "identity_checks": _checks(),
        "genotypes": _genotypes(),
        "holds": [
            {
                "item": "G8",
                "positions": "3-5",
                "date": day("2026-08-02"),
                "event": "hold",
                "detail": "a look was off",
                "by": "P4",
            }
        ],
        "dispatches": [
            _dispatch("D1", "G1", "2024-11-05", 3, 1),
            _dispatch("D2", "G6", "2026-11-05", 5, 1),
            _dispatch("D3", "G7", "2026-11-05", 4, 2),
        ],
    }


def without(records: Rows, *columns: tuple[str, str]) -> Rows:
    """Return the records with some columns, each of a kind, empty throughout.

    Of rows that have one key then, the first stays.
    """
    left = dict(records)
    for kind, column in columns:
        emptied = [{**row, column: None} for row in left[kind]]
        key = KINDS[kind].KEY
        first = {tuple(row.get(name) for name in key): row for row in reversed(emptied)}
        kept = {id(row) for row in first.values()}
        left[kind] = [row for row in emptied if id(row) in kept]
    return left


def _kept(row: dict[str, Any], column: str, known: set[Any]) -> Any:
    value = row.get(column)
    return value if value in known else None


def lacking(records: Rows, kind: str) -> Rows:
    """Return the records without a kind, and without what cannot be without one of it."""
    left = {**records, kind: []}
    for _ in RECORDS:
        for name, rows in left.items():
            for column in fields(name):
                for reference in column.foreign_keys:
                    target = reference.column
                    known = {row[target.name] for row in left.get(target.table.name, ())}
                    rows = [
                        {**row, column.name: _kept(row, column.name, known)}
                        for row in rows
                        if column.nullable or row[column.name] in known
                    ]
            left[name] = rows
    return left


def optional_columns() -> list[tuple[str, str]]:
    """Return every column that may be left empty, with its kind."""
    return [
        (kind, column.name) for kind in complete() for column in fields(kind) if column.nullable
    ]


def _outline() -> str:
    import json

    return json.dumps(OUTLINE)


def _cultivars() -> list[dict[str, Any]]:
    of = {
        "species": "Malus domestica",
        "rights": "pvr",
        "rights_no": "PV-1",
        "rights_until": day("2040-01-01"),
        "licence_no": "L-1",
    }
    return [
        {**of, "cultivar": "Aldern", "aliases": "Ald", "cannot_tell_from": "Red Aldern"},
        {**of, "cultivar": "Birkwood", "aliases": "Birk", "cannot_tell_from": None},
        {**of, "cultivar": "Red Aldern", "cannot_tell_from": "Aldern"},
    ]


def _stock(code: str, **more: Any) -> dict[str, Any]:
    made: dict[str, Any] = {"rootstock_lot": code, "species": "Malus domestica", "supplier": "SU1"}
    made |= {"received": day("2023-12-01"), "received_in": "2023-12", "plants": 200}
    return {**made, **more}


def _trees() -> list[dict[str, Any]]:
    found = []
    for n, (cultivar, kind) in enumerate(
        (("Aldern", "bank"), ("Aldern", "bearing"), ("Birkwood", "bank"), ("Aldern", "young")), 1
    ):
        found.append(
            {
                "tree": f"T{n}",
                "cultivar": cultivar,
                "kind": kind,
                "block": "M1",
                "row": 1,
                "position": n,
                "latitude": 45.005 + n * 0.00004,
                "longitude": 4.005,
                "accuracy_m": 3.0,
                "fix_method": "phone",
                "planted": day("2014-03-01"),
                "planted_in": "2014-03" if n < 4 else "2025-03",
                "rank": "scheme: first",
                "rootstock": "Stone 4",
                "sticks_per_year": 60,
                "status": "usable",
                "location_private": n == 2,
                "received_from": "SU1" if n < 4 else None,
                "graft_lot": "G1" if n == 4 else None,
                "graft_position": 4 if n == 4 else None,
            }
        )
    found[3]["planted"] = day("2025-03-01")
    return found


def _event(tree: str, event: str, on: str, limb: str | None = None) -> dict[str, Any]:
    made = {"tree": tree, "event": event, "date": day(on), "happened_in": on[:7], "limb": limb}
    return {**made, "detail": "a word on it"}


def _collection(code: str, tree: str, on: str, **more: Any) -> dict[str, Any]:
    made = {
        "collection": code,
        "tree": tree,
        "date": day(on),
        "cut_in": on[:7],
        "cutter": "P1",
        "shoots": 20,
        "sticks": 50,
        "count": "counted",
        "share_cut": 0.6,
        "shoot_length_cm": 40.0,
        "bud_stage": 1,
        "in_leaf": False,
        "tools_cleaned": True,
        "latitude": 45.00504,
        "longitude": 4.005,
        "accuracy_m": 8.0,
    }
    return {**made, **more}


def _bundle(code: str, on: str, **more: Any) -> dict[str, Any]:
    made = {
        "bundle": code,
        "sticks": 40,
        "count": "counted",
        "sealed": True,
        "treatment": "wax",
        "packed": day(on),
        "packer": "P1",
        "store": "S1",
        "shelf": "2",
    }
    return {**made, **more}


def _log(bundle: str, event: str, at: str, **more: Any) -> dict[str, Any]:
    return {"bundle": bundle, "event": event, "time": time(at), "note": "a note", **more}


def _lots() -> list[dict[str, Any]]:
    found = []
    for n, (bundle, on) in enumerate(
        (
            ("B1", "2024-03-20"),
            ("B1", "2024-03-21"),
            ("B2", "2025-03-20"),
            ("B2", "2025-03-21"),
            ("B3", "2026-03-20"),
            ("B4", "2026-03-20"),
            ("B7", "2026-03-21"),
            ("B5", "2026-03-21"),
            ("B6", "2026-03-22"),
        ),
        1,
    ):
        found.append(
            {
                "graft_lot": f"G{n}",
                "bundle": bundle,
                "date": day(on),
                "grafter": "P2" if n % 2 else "P3",
                "method": "whip" if n % 3 else "cleft",
                "rootstock_lot": "R1" if n % 2 else "R2",
                "stock_mm": "6-8" if n % 3 else "8-10",
                "grafts": 20,
                "sticks_used": 10,
                "block": "N1",
                "row": n,
                "first": 1,
                "last": 20,
                "order_in_day": 1 + n % 2,
            }
        )
    again = {**found[5], "graft_lot": "G10", "bundle": "B3", "date": day("2026-04-20")}
    return [*found, {**again, "grafts": 2, "first": 6, "last": 7, "regraft_of": "G6"}]


def _counts() -> list[dict[str, Any]]:
    found = []
    for n in range(1, 10):
        year = 2024 if n < 3 else 2025 if n < 5 else 2026
        for on, pushing in ((f"{year}-05-20", 16 - n), (f"{year}-09-20", 15 - n)):
            found.append(
                {
                    "graft_lot": f"G{n}",
                    "date": day(on),
                    "scorer": "P2",
                    "pushing": pushing if n != 5 else 1,
                    "green": 1,
                    "dead": 1,
                    "stock_only": 1,
                    "missing": 1,
                    "broken": 1,
                }
            )
    return found


def _checks() -> list[dict[str, Any]]:
    of = {"date": day("2026-08-01"), "by": "P4", "reference": "report 12"}
    return [
        {
            **of,
            "check": "K1",
            "item": "G6",
            "method": "leaf",
            "checked": 6,
            "off": 2,
            "found": "Birkwood",
            "positions_checked": "1-6",
            "positions": "2;3",
        },
        {
            **of,
            "check": "K2",
            "item": "T1",
            "limb": "N",
            "method": "fruit",
            "checked": 1,
            "off": 0,
        },
        {
            **of,
            "check": "K3",
            "item": "G6",
            "method": "leaf",
            "checked": 2,
            "off": 2,
            "found": "Birkwood",
            "positions_checked": "2;3",
            "positions": "2;3",
            "reference": "same trees as K1",
        },
        {**of, "check": "K4", "item": "D2", "method": "leaf", "checked": 3, "off": 1},
        {**of, "check": "K5", "item": "B3", "method": "bud", "checked": 3, "off": 0},
    ]


def _genotypes() -> list[dict[str, Any]]:
    found = []
    for sample, of, base in (
        ("L1", {"cultivar": "Aldern"}, 100),
        ("L2", {"cultivar": "Birkwood"}, 120),
        ("L3", {"item": "T1"}, 100),
        ("L4", {"item": "G6/2"}, 120),
        ("L5", {"item": "R1"}, 140),
        ("L6", {"item": "T3"}, 121),
        ("L7", {"item": "B4"}, 100),
    ):
        for locus in range(10):
            one: dict[str, Any] = {
                "sample": sample,
                "laboratory": "LAB",
                "locus": f"M{locus}",
                **of,
            }
            one |= {"allele_1": base + locus, "allele_2": base + 6 + locus}
            found.append({**one, "allele_3": 210 if locus == 9 else None})
    return found


def _dispatch(code: str, lot: str, on: str, trees: int, first: int) -> dict[str, Any]:
    made = {"dispatch": code, "graft_lot": lot, "date": day(on), "customer": "CU1", "trees": trees}
    return {**made, "first": first, "last": first + trees - 1, "label_cultivar": "Aldern"}
