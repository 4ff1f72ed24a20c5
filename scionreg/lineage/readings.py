"""Readings of stores as arrays, for sums over millions of them. Loaded only where it is used."""

import datetime as dt
from typing import Any

import numpy as np
import numpy.typing as npt
from sqlalchemy import Connection

from scionreg.lineage.graph import Query, not_found, rows

Array = npt.NDArray[np.float64]
KNOWN_STORES = Query("SELECT store FROM stores ORDER BY store")
READ = np.dtype([("time", "f8"), ("temperature", "f8"), ("humidity", "f8")])
NONE = -1000.0
"""Stands for a value that was not read: neither a temperature nor a humidity."""

_SQLITE = (
    "SELECT CAST(strftime('%s', time) AS REAL), coalesce(temperature_c, -1000.0), "
    "coalesce(humidity_pct, -1000.0) FROM store_readings WHERE store = ? AND time BETWEEN ? AND ? "
    "ORDER BY time"
)
_POSTGRESQL = (
    "SELECT extract(epoch FROM time)::float8, coalesce(temperature_c, -1000.0), "
    "coalesce(humidity_pct, -1000.0) FROM store_readings WHERE store = %s "
    "AND time BETWEEN %s AND %s ORDER BY time"
)


def known_stores(connection: Connection) -> list[str]:
    """Return the codes of every store."""
    return [row[0] for row in rows(connection, KNOWN_STORES, ())]


def check_store(connection: Connection, store: str) -> None:
    """Raise `NotFoundError` for a store that is not recorded."""
    if store not in known_stores(connection):
        raise not_found(connection, store)


def read_readings(
    connection: Connection, store: str, since: dt.datetime, until: dt.datetime
) -> tuple[Array, Array, Array]:
    """Return a store's readings from `since` to `until`: seconds since 1970, °C, per cent.

    Values that were not read are NaN; the order is that of time.
    """
    driver: Any = connection.connection.driver_connection
    if connection.dialect.name == "sqlite":
        ends = [moment.strftime("%Y-%m-%d %H:%M:%S") for moment in (since, until)]
        found = driver.execute(_SQLITE, (store, *ends))
    else:
        found = driver.execute(_POSTGRESQL, (store, since, until))
    read = np.fromiter(iter(found.fetchone, None), dtype=READ)
    return (
        read["time"],
        np.where(read["temperature"] == NONE, np.nan, read["temperature"]),
        np.where(read["humidity"] == NONE, np.nan, read["humidity"]),
    )
