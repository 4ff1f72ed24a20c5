"""Looks at graft lots and their trees, as far as they speak against the lots' labels."""

import datetime as dt
from collections.abc import Collection
from typing import NamedTuple

from sqlalchemy import Connection

from scionreg.lineage.graph import Query, as_day, rows
from scionreg.lineage.phrases import found_to_be
from scionreg.lineage.reasons import Reason, barred, doubted
from scionreg.records.vocabulary import STRENGTH, Against, CheckMethod
from scionreg.records.words import Sentence

OF_LOTS = Query(
    'SELECT "check", item, date, method, checked, off, found FROM identity_checks '
    "WHERE checked > 0 AND item IN {codes} ORDER BY id"
)
OF_TREES = Query(
    'SELECT c."check", c.item, c.date, c.method, c.checked, c.off, c.found '
    "FROM graft_lots g JOIN identity_checks c "
    "ON c.item > g.graft_lot || '/' AND c.item < g.graft_lot || '0' "
    "WHERE c.checked > 0 AND g.graft_lot IN {codes} ORDER BY c.id"
)
"""Of single trees: ``lot/position`` sorts after ``lot/`` and before ``lot0``."""


class LotCheck(NamedTuple):
    """A look at a lot or at trees of it; `item` is the lot or ``lot/position``."""

    check: str
    item: str
    date: dt.date | None
    method: str
    checked: int
    off: int
    found: str | None

    def reason(self, lot: str) -> Reason:
        """Return what it speaks against: a lot that was off in all its trees is not its label."""
        all_off = self.off == self.checked and self.item == lot
        says = Sentence(
            "stop.looked_off",
            check=self.check,
            item=self.item,
            method=CheckMethod.spelled(self.method),
            off=self.off,
            checked=self.checked,
            found=found_to_be(self.found),
        )
        make, code = (barred, Against.WRONG) if all_off else (doubted, Against.DOUBTFUL)
        return make(code, says, self.item, since=self.date)


def read_lot_checks(
    connection: Connection, lots: Collection[str], on: dt.date
) -> dict[str, list[LotCheck]]:
    """Return the looks up to a day that found trees of lots off, but for those that are answered.

    A later look at the same, as strong, that found nothing answers one.
    """
    found: dict[str, list[LotCheck]] = {}
    for query in (OF_LOTS, OF_TREES):
        for check, item, date, *rest in rows(connection, query, lots):
            look = LotCheck(check, item, as_day(date), *rest)
            if look.date is None or look.date <= on:
                found.setdefault(item.partition("/")[0], []).append(look)
    return {
        lot: [each for each in looks if each.off and not any(_answers(a, each) for a in looks)]
        for lot, looks in found.items()
    }


def _answers(later: LotCheck, off: LotCheck) -> bool:
    if later.off or later.date is None or off.date is None or later.item != off.item:
        return False
    return later.date > off.date and STRENGTH[later.method] >= STRENGTH[off.method]
