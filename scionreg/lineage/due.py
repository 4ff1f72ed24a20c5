"""Work that the records say is due: cuttings not tied yet, lots not counted yet, wood in store."""

import datetime as dt
from collections.abc import Iterable

from sqlalchemy import Connection, select

from scionreg.lineage.graph import Query, rows
from scionreg.records.tables import table

SHELVES = Query("SELECT bundle, shelf FROM bundles WHERE bundle IN {codes} AND shelf IS NOT NULL")


def not_tied(connection: Connection, since: dt.date, until: dt.date) -> list[str]:
    """Return the collections of some days that no bundle was tied from, oldest first."""
    cut, tied = table("collections").columns, table("bundles").columns
    query = (
        select(cut["collection"])
        .where(
            cut["date"].between(since, until),
            ~select(tied["bundle"]).where(tied["collection"] == cut["collection"]).exists(),
        )
        .order_by(cut["date"], cut["order_in_day"], cut["collection"])
    )
    return list(connection.execute(query).scalars())


def not_counted(
    connection: Connection, since: dt.date, day: dt.date, *, too_young: int, early_until: int
) -> list[str]:
    """Return the graft lots made since a day that are due for a count, row by row.

    Due for the early count from `too_young` to `early_until` days after grafting, thereafter for
    the late one; a lot is due until it has a count of that age.
    """
    lots, counts = table("graft_lots").columns, table("take_counts").columns
    query = (
        select(lots["graft_lot"], lots["date"], counts["date"])
        .outerjoin_from(
            table("graft_lots"),
            table("take_counts"),
            (counts["graft_lot"] == lots["graft_lot"]) & (counts["date"] <= day),
        )
        .where(lots["date"].between(since, day - dt.timedelta(days=too_young)))
        .order_by(lots["block"], lots["row"], lots["first"], lots["graft_lot"])
    )
    due: dict[str, bool] = {}
    for lot, grafted, counted in connection.execute(query):
        late = (day - grafted).days > early_until
        least = early_until + 1 if late else too_young
        met = counted is not None and (counted - grafted).days >= least
        due[lot] = due.get(lot, True) and not met
    return [lot for lot, is_due in due.items() if is_due]


def shelves(connection: Connection, bundles: Iterable[str]) -> dict[str, str]:
    """Return the shelf that each bundle was put on first, where it is recorded."""
    return dict(rows(connection, SHELVES, bundles))
