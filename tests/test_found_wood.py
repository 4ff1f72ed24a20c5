"""Wood without a label: what is said of it, and which bundles it may be of, never that it is."""

import datetime as dt

from hypothesis import given
from hypothesis import strategies as st
from small_registries import bundle, day, holding, small

from scionreg.lineage.context import context
from scionreg.lineage.found_wood import LOOSE_DAYS, Lacking, perhaps
from scionreg.lineage.presence import NEVER, Presence
from scionreg.lineage.trace import trace
from scionreg.records.vocabulary import Grade
from scionreg.registry.store import Store

FOUND = dt.date(2026, 3, 10)


def there(first: str, last: str, store: str = "S1", *, sure: bool = True) -> Presence:
    begin, end = day(first), day(last)
    return Presence(store, begin, end, *((begin, end) if sure else (NEVER, end)))


def lacking(code: str, sticks: float, *presences: Presence) -> Lacking:
    return Lacking(code, sticks, ("Aldern",), presences)


def test_bundles_of_the_store_that_lack_about_as_many_sticks_come_first() -> None:
    found = perhaps(
        12,
        "S1",
        FOUND,
        [
            lacking("B1", 20, there("2026-01-05", "2026-04-01")),
            lacking("B2", 13, there("2026-01-05", "2026-04-01", sure=False)),
            lacking("B3", 11, there("2026-01-05", "2026-04-01")),
            lacking("B4", 12, there("2026-01-05", "2026-04-01", "S2")),
            lacking("B5", 12, there("2026-03-11", "2026-04-01")),
            lacking("B6", 0, there("2026-01-05", "2026-04-01")),
            lacking("B7", 13, there("2026-01-05", "2026-03-01", sure=False)),
            lacking("B8", 12, there("2025-01-05", "2025-04-01")),
        ],
    )
    # B4 lay in another store, B5 came later, B8 left a year ago, B6 lacks nothing.
    # 11 and 13 are both one apart.
    assert [each.bundle for each in found] == ["B3", "B2", "B7", "B1"]
    assert [each.apart for each in found] == [1, 1, 1, 8]
    assert [each.days for each in found] == [0, 0, 9, 0]


days = st.dates(dt.date(2026, 1, 1), dt.date(2026, 4, 30))
places = st.builds(
    lambda store, ends, sure: Presence(
        store, min(ends), max(ends), *((min(ends), max(ends)) if sure else (NEVER, max(ends)))
    ),
    st.sampled_from(["S1", "S2"]),
    st.tuples(days, days),
    st.booleans(),
)
bundles = st.lists(
    st.tuples(st.integers(0, 30), st.lists(places, max_size=3)).map(tuple), max_size=6
)


@given(bundles, st.integers(1, 30), st.sampled_from([None, "S1"]), days)
def test_the_order_is_that_of_looking_at_each_day_of_each_bundle(
    made: list[tuple[int, list[Presence]]], sticks: int, store: str | None, on: dt.date
) -> None:
    given_ = [Lacking(f"B{i}", lacks, (), tuple(there_)) for i, (lacks, there_) in enumerate(made)]
    naive = []
    for each in given_:
        was: set[int] = set()
        surely = False
        for back in range(LOOSE_DAYS + 1):
            then = on - dt.timedelta(back)
            for place in each.presences:
                if store in (None, place.store) and place.first <= then <= place.last:
                    was.add(back)
                    surely |= back == 0 and place.sure_first <= then
        if each.sticks > 0 and was:
            naive.append((abs(each.sticks - sticks), not surely, min(was), each.bundle))
    found = perhaps(sticks, store, on, given_)
    assert [(e.apart, not e.surely, e.days, e.bundle) for e in found] == sorted(naive)


def test_wood_without_a_label_is_unknown_and_may_be_of_what_lacks_sticks(store: Store) -> None:
    records = small()
    records["bundles"].append(
        bundle("B9", sticks=6, packed=FOUND, unlabelled=True, found_at="floor of S1")
    )
    # Of the 40 sticks of B1 only 34 were there, and nobody had used any yet.
    records["bundle_log"] = [
        {
            "bundle": "B1",
            "time": dt.datetime(2026, 3, 9, 12, tzinfo=dt.UTC),
            "event": "checked",
            "sticks": 34,
        }
    ]
    with holding(store, records) as connection:
        traced = trace(connection, "B9")
        assert traced.grade is Grade.UNKNOWN
        assert [(each.tree, each.cultivar) for each in traced.sources] == [(None, None)]
        (one,) = context(connection, "bundles", "B9").perhaps or ()
        assert (one.bundle, one.lacks, one.apart, one.cultivars) == ("B1", 6, 0, ("Aldern",))
        assert context(connection, "bundles", "B1").perhaps is None
