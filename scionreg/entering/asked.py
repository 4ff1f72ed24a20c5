"""Which columns are asked at the keyboard, and what is known of the record before."""

import datetime as dt
from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, func, select

from scionreg.documents.field_sheets.kinds import must_be_filled
from scionreg.records.cells import Cell, Moment
from scionreg.records.tables import fields, table
from scionreg.registry.ledger import JournalLine
from scionreg.registry.rows import as_moment, recorded_columns, stored
from scionreg.registry.settings import Settings

ASKED: Mapping[str, tuple[str, ...]] = {
    "cultivars": ("cultivar", "species", "aliases", "rights"),
    "people": ("person", "roles"),
    "blocks": ("block", "kind"),
    "stores": ("store", "kind"),
    "rootstock_lots": ("rootstock_lot", "species", "supplier", "received"),
    "mother_trees": ("tree", "cultivar", "kind", "block", "row", "position"),
    "permissions": ("permission", "host", "tree", "block", "valid_from", "valid_until"),
    "tree_events": ("tree", "date", "event", "detail"),
    "collections": ("collection", "tree", "date", "cutter", "sticks", "count"),
    "bundles": ("bundle", "collection", "sticks", "count", "packed", "packer", "store"),
    "bundle_parents": ("bundle", "parent", "sticks"),
    "bundle_log": ("bundle", "time", "event", "sticks"),
    "store_readings": ("store", "time", "temperature_c"),
    "graft_lots": (
        *("graft_lot", "bundle", "date", "grafter", "method", "rootstock_lot", "grafts"),
        *("sticks_used", "block", "row", "first", "last"),
    ),
    "take_counts": ("graft_lot", "date", "scorer", "pushing", "green", "dead", "stock_only"),
    "identity_checks": ("check", "item", "date", "method", "checked", "off", "by"),
    "genotypes": ("sample", "item", "locus", "allele_1", "allele_2"),
    "dispatches": ("dispatch", "graft_lot", "date", "customer", "trees"),
    "holds": ("item", "date", "event", "detail", "by"),
}
"""What is always asked, besides what must be filled: the bare record of the work."""

LATELY = 1000
"""A column that none of so many last records fills is not asked."""

LAST = 50
"""Among so many last records a person's own is looked for."""


def never_filled(connection: Connection, kind: str) -> frozenset[str]:
    """Return the columns of a kind that need not be asked: nobody here fills them."""
    columns = {each.name: each for each in fields(kind)}
    optional = [
        name
        for name, column in columns.items()
        if name not in ASKED[kind] and not must_be_filled(column)
    ]
    if not optional:
        return frozenset()
    newest = table(kind).c.id.desc()
    lately = select(*(columns[name] for name in optional)).order_by(newest).limit(LATELY).subquery()
    filled = connection.execute(select(*(func.count(lately.c[name]) for name in optional))).one()
    return frozenset(name for name, count in zip(optional, filled, strict=True) if not count)


def record_before(
    connection: Connection, kind: str, by: str, settings: Settings
) -> tuple[dict[str, str], bool]:
    """Return the texts of what a person recorded last of a kind, and whether that was today.

    There are none where it is long ago.
    """
    columns, own = recorded_columns(kind), table(kind)
    query = (
        select(JournalLine.by, JournalLine.time, *columns)
        .join_from(own, JournalLine, JournalLine.seq == own.c.entry)
        .order_by(own.c.id.desc())
        .limit(LAST)
    )
    for who, when, *values in connection.execute(query):
        if who == by:
            day = as_moment(stored(when)).astimezone(settings.zone).date()
            cells = {
                column.name: _text(column.info["cell"], stored(value), settings.zone)
                for column, value in zip(columns, values, strict=True)
                if value is not None
            }
            return cells, day == settings.today()
    return {}, False


def _text(cell: Cell, value: Any, zone: dt.tzinfo) -> str:
    """Return a stored value as it would be typed, a moment by the registry's clock."""
    if isinstance(cell, Moment):
        return as_moment(value).astimezone(zone).strftime("%Y-%m-%dT%H:%M")
    return cell.write(value)
