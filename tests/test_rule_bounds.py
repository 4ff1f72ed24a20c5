"""Rules at their bounds: what is just allowed, and what just is not."""

from typing import Any

import pytest
from small_registries import day, holding, lot, small
from sqlalchemy import Connection

from scionreg.registry.audit import audit
from scionreg.registry.store import Store

Row = dict[str, Any]


def broken(connection: Connection, rule: str) -> list[str]:
    """Return the keys of the records that break a rule."""
    return sorted({each.key for each in audit(connection) if each.rule == rule})


@pytest.mark.parametrize(("grafts", "odd"), [(31, []), (32, []), (33, ["G1"])])
def test_a_position_holds_one_graft(store: Store, grafts: int, odd: list[str]) -> None:
    records = small()
    records["graft_lots"] = [lot("G1", "B1", first=5, last=36, grafts=grafts)]
    with holding(store, records) as connection:
        assert broken(connection, "more_grafts_than_positions") == odd


@pytest.mark.parametrize(
    ("first", "last", "overlap"),
    [(21, 40, False), (20, 39, True), (19, 38, True), (1, 20, True)],
)
@pytest.mark.parametrize("later_first", [False, True])
def test_two_lots_share_no_position(
    store: Store, first: int, last: int, overlap: bool, later_first: bool
) -> None:
    records = small()
    lots = [
        lot("G1", "B1", first=1, last=20),
        lot("G2", "B2", first=first, last=last, order_in_day=2),
    ]
    records["graft_lots"] = lots[::-1] if later_first else lots
    with holding(store, records) as connection:
        assert bool(broken(connection, "overlapping_rows")) is overlap


AGAIN = {"first": 3, "last": 4, "grafts": 2, "regraft_of": "G1"}


@pytest.mark.parametrize(
    ("pushing", "green", "regraft", "odd"),
    [
        (10, 0, None, False),
        (11, 0, None, True),
        # What is green lives too.
        (10, 1, None, True),
        (9, 1, None, False),
        # A regraft before the second count, and on its very day, accounts for more.
        (12, 0, "2026-06-30", False),
        (12, 0, "2026-07-01", False),
        (12, 0, "2026-07-02", True),
    ],
)
def test_live_grafts_rise_by_a_regraft_alone(
    store: Store, pushing: int, green: int, regraft: str | None, odd: bool
) -> None:
    records = small()
    records["take_counts"] = [
        {"graft_lot": "G1", "date": day("2026-05-20"), "pushing": 10},
        {"graft_lot": "G1", "date": day("2026-07-01"), "pushing": pushing, "green": green},
    ]
    if regraft is not None:
        records["graft_lots"].append(lot("G3", "B2", date=day(regraft), **AGAIN))
    with holding(store, records) as connection:
        assert bool(broken(connection, "rising_count")) is odd


def test_a_regraft_of_an_unknown_day_accounts_for_more(store: Store) -> None:
    records = small()
    records["take_counts"] = [
        {"graft_lot": "G1", "date": day("2026-05-20"), "pushing": 10},
        {"graft_lot": "G1", "date": day("2026-07-01"), "pushing": 12},
    ]
    records["graft_lots"].append(lot("G3", "B2", date=None, **AGAIN))
    with holding(store, records) as connection:
        assert broken(connection, "rising_count") == []
