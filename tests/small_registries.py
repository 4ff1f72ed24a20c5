"""Putting rows into a registry for the length of a test."""

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from sqlalchemy import Connection, insert

from scionreg.records.tables import RECORDS, fields, table
from scionreg.registry.store import Store

Rows = dict[str, list[dict[str, Any]]]


@contextmanager
def holding(store: Store, records: Rows) -> Iterator[Connection]:
    """Give a connection that sees `records` in an empty registry; nothing of them stays."""
    with store.engine.connect() as connection:
        transaction = connection.begin()
        try:
            for record in RECORDS:
                kind = record.__tablename__
                if rows := records.get(kind):
                    names = [column.name for column in fields(kind)]
                    filled = [{**dict.fromkeys(names), **row, "entry": 1} for row in rows]
                    connection.execute(insert(table(kind)), filled)
            yield connection
        finally:
            transaction.rollback()


def day(text: str) -> dt.date:
    """Return a day."""
    return dt.date.fromisoformat(text)


def small() -> Rows:
    """Return an invented registry that the examples change: two trees, one chain each."""
    return {
        "cultivars": [
            {"cultivar": "Aldern", "species": "Carya illinoinensis", "aliases": "Old Aldern;Ald"},
            {"cultivar": "Birkwood", "species": "Carya illinoinensis"},
        ],
        "people": [{"person": "P1"}, {"person": "P2"}, {"person": "P3"}],
        "blocks": [{"block": "N1"}],
        "stores": [{"store": "S1"}, {"store": "S2"}],
        "rootstock_lots": [{"rootstock_lot": "R1"}],
        "mother_trees": [
            {"tree": "T1", "cultivar": "Aldern"},
            {"tree": "T2", "cultivar": "Birkwood"},
        ],
        "collections": [
            collection("C1", "T1", limb="N"),
            collection("C2", "T2"),
        ],
        "bundles": [bundle("B1", collection="C1"), bundle("B2", collection="C2")],
        "bundle_parents": [],
        "bundle_log": [],
        "graft_lots": [lot("G1", "B1", row=1), lot("G2", "B2", row=2)],
        "dispatches": [],
        "tree_events": [],
        "identity_checks": [],
    }


def collection(code: str, tree: str, **more: Any) -> dict[str, Any]:
    """Return a collection of 50 counted sticks, cut on 10 January 2026 by P1."""
    made = {"collection": code, "tree": tree, "date": day("2026-01-10"), "cutter": "P1"}
    return {**made, "sticks": 50, "count": "counted", **more}


def bundle(code: str, **more: Any) -> dict[str, Any]:
    """Return a bundle of 40 counted sticks, packed on 11 January 2026 by P2 into store S1."""
    made = {"bundle": code, "sticks": 40, "count": "counted", "packed": day("2026-01-11")}
    return {**made, "packer": "P2", "store": "S1", **more}


def lot(code: str, of: str, **more: Any) -> dict[str, Any]:
    """Return a lot of 20 whip grafts at positions 1 to 20, made on 20 March 2026 by P3."""
    made = {"graft_lot": code, "bundle": of, "date": day("2026-03-20"), "grafter": "P3"}
    made |= {"method": "whip", "rootstock_lot": "R1", "grafts": 20, "sticks_used": 20}
    return {**made, "block": "N1", "row": 1, "first": 1, "last": 20, **more}


def dispatch(code: str, of: str, **more: Any) -> dict[str, Any]:
    """Return a line of 5 trees at positions 1 to 5, sent on 5 November 2026 to CU1."""
    made = {"dispatch": code, "graft_lot": of, "date": day("2026-11-05"), "customer": "CU1"}
    return {**made, "trees": 5, "first": 1, "last": 5, **more}
