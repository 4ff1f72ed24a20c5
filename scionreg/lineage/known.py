"""What is known of a code in one line: enough to see that it is the one that was meant."""

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, replace

from sqlalchemy import Connection

from scionreg.lineage.chain import resolve_names
from scionreg.lineage.graph import Query, as_day, rows

CULTIVARS = Query(
    "WITH RECURSIVE up (bundle, source) AS ("
    "SELECT bundle, bundle FROM bundles WHERE bundle IN {codes} "
    "UNION SELECT up.bundle, p.parent FROM up JOIN bundle_parents p ON p.bundle = up.source) "
    "SELECT DISTINCT up.bundle, coalesce(t.cultivar, b.cultivar) AS cultivar FROM up "
    "JOIN bundles b ON b.bundle = up.source "
    "LEFT JOIN collections c ON c.collection = b.collection "
    "LEFT JOIN mother_trees t ON t.tree = c.tree "
    "WHERE coalesce(t.cultivar, b.cultivar) IS NOT NULL ORDER BY 1, 2"
)
TREES = Query(
    "SELECT tree, cultivar, block, row, position, location_private FROM mother_trees "
    "WHERE tree IN {codes}"
)
CUTTINGS = Query(
    "SELECT c.collection, t.cultivar, c.tree, c.date, c.sticks FROM collections c "
    "LEFT JOIN mother_trees t ON t.tree = c.tree WHERE c.collection IN {codes}"
)
BUNDLES = Query("SELECT bundle, packed, sticks FROM bundles WHERE bundle IN {codes}")
LOTS = Query(
    "SELECT graft_lot, bundle, date, grafts, block, row, first, last FROM graft_lots "
    "WHERE graft_lot IN {codes}"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What tells one record from another: of a tree, a collection, a bundle or a graft lot.

    `number` counts sticks, of a graft lot grafts; `date` is the day it was cut, tied or grafted. A
    place that is kept private is not there.
    """

    kind: str
    cultivars: tuple[str, ...] = ()
    tree: str | None = None
    date: dt.date | None = None
    number: int | None = None
    block: str | None = None
    row: int | None = None
    first: int | None = None
    last: int | None = None


def read_known(connection: Connection, kind: str, codes: Iterable[str]) -> dict[str, Known]:
    """Return what is known of the codes of a kind; nothing of kinds that are only names.

    Cultivars go by the names that aliases stand for.
    """
    found = _read(connection, kind, list(codes))
    names = resolve_names(connection, {name for each in found.values() for name in each.cultivars})
    return {
        code: replace(each, cultivars=tuple(dict.fromkeys(names[name] for name in each.cultivars)))
        for code, each in found.items()
    }


def _read(connection: Connection, kind: str, asked: list[str]) -> dict[str, Known]:
    match kind:
        case "mother_trees":
            return {row[0]: _tree(*row[1:]) for row in rows(connection, TREES, asked)}
        case "collections":
            return {
                code: Known(
                    kind=kind, cultivars=_one(name), tree=tree, date=as_day(day), number=sticks
                )
                for code, name, tree, day, sticks in rows(connection, CUTTINGS, asked)
            }
        case "bundles":
            names = _cultivars(connection, asked)
            return {
                code: Known(
                    kind=kind, cultivars=names.get(code, ()), date=as_day(day), number=sticks
                )
                for code, day, sticks in rows(connection, BUNDLES, asked)
            }
        case "graft_lots":
            return _lots(connection, asked)
        case _:
            return {}


def _tree(
    cultivar: str, block: str | None, row: int | None, position: int | None, private: object
) -> Known:
    if private:
        return Known(kind="mother_trees", cultivars=(cultivar,))
    return Known(
        kind="mother_trees",
        cultivars=(cultivar,),
        block=block,
        row=row,
        first=position,
        last=position,
    )


def _lots(connection: Connection, asked: list[str]) -> dict[str, Known]:
    found = rows(connection, LOTS, asked)
    names = _cultivars(connection, [row[1] for row in found])
    return {
        code: Known(
            kind="graft_lots",
            cultivars=names.get(bundle, ()),
            date=as_day(day),
            number=grafts,
            block=block,
            row=row,
            first=first,
            last=last,
        )
        for code, bundle, day, grafts, block, row, first, last in found
    }


def _cultivars(connection: Connection, bundles: list[str]) -> dict[str, tuple[str, ...]]:
    """Return the cultivars of each bundle, those of all that it was tied from."""
    found: dict[str, tuple[str, ...]] = {}
    for bundle, cultivar in rows(connection, CULTIVARS, bundles):
        found[bundle] = (*found.get(bundle, ()), cultivar)
    return found


def _one(name: str | None) -> tuple[str, ...]:
    return (name,) if name else ()
