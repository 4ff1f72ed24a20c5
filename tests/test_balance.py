"""Balance: what came in against what went out, in sticks."""

import datetime as dt
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from scionreg.lineage.balance import SCOPES, Balance, BalanceRow, balance
from scionreg.lineage.sticks import read_left
from scionreg.records.errors import NotFoundError, RegistryError
from scionreg.registry.store import Store
from tests.naive_chain import NaiveChain
from tests.small_registries import bundle, collection, day, holding, lot, small
from tests.strategies import Rows, registries

ONE_STORE = settings(
    deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
"""Every example is taken back before the next, so that one registry serves them all."""


def balanced(store: Store, records: Rows, **asked: Any) -> Balance:
    with holding(store, records) as connection:
        return balance(connection, **asked)


def row(store: Store, records: Rows, code: str, scope: str | None = None) -> BalanceRow:
    (found,) = balanced(store, records, scope=scope, codes=[code]).rows
    return found


def logged(code: str, time: str, event: str, **more: Any) -> dict[str, Any]:
    moment = dt.datetime.fromisoformat(time).replace(tzinfo=dt.UTC)
    return {"bundle": code, "time": moment, "event": event, **more}


# One bundle


def test_without_a_count_the_remainder_is_in_store_and_nothing_is_known_to_be_lost(
    store: Store,
) -> None:
    found = row(store, small(), "B1")
    assert (found.scope, found.cut, found.used, found.in_store) == ("bundle", 40, 20, 20)
    assert found.unexplained is None
    assert found.alarm is None


def test_a_count_in_store_tells_what_is_unexplained(store: Store) -> None:
    records = small()
    records["bundle_log"] = [logged("B1", "2026-03-25T08:00", "checked", sticks=19)]
    found = row(store, records, "B1")
    assert (found.in_store, found.unexplained, found.alarm) == (19, 1, None)


def test_what_left_after_the_count_is_taken_off_it(store: Store) -> None:
    records = small()
    records["bundles"] += [bundle("B3", sticks=3, packed=day("2026-03-27"))]
    records["bundle_parents"] = [{"bundle": "B3", "parent": "B1", "sticks": 3}]
    records["graft_lots"] += [
        lot("G3", "B1", date=day("2026-03-25"), sticks_used=2),
        lot("G4", "B1", date=day("2026-03-26"), sticks_used=4),
    ]
    records["bundle_log"] = [
        logged("B1", "2026-03-10T08:00", "checked", sticks=39),
        logged("B1", "2026-03-25T08:00", "checked", sticks=18),
        logged("B1", "2026-03-28T08:00", "sold", sticks=5),
    ]
    found = row(store, records, "B1")
    assert (found.used, found.to_bundles, found.sold) == (26, 3, 5)
    assert (found.in_store, found.unexplained) == (18 - 4 - 3 - 5, 0)


@pytest.mark.parametrize(
    ("count", "there", "alarm"),
    [
        ("counted", 18, False),
        ("counted", 17, True),
        ("counted", 23, True),
        ("estimated", 16, False),
        ("estimated", 15, True),
    ],
)
def test_what_counting_allows_raises_no_alarm(
    store: Store, count: str, there: int, alarm: bool
) -> None:
    records = small()
    records["bundles"][0]["count"] = count
    records["bundle_log"] = [logged("B1", "2026-03-25T08:00", "checked", sticks=there)]
    found = row(store, records, "B1")
    assert found.unexplained == 20 - there
    assert (found.alarm is not None) is alarm


def test_throwing_away_without_a_number_means_all_that_was_left(store: Store) -> None:
    records = small()
    records["bundle_log"] = [logged("B1", "2026-03-25T08:00", "discarded")]
    found = row(store, records, "B1")
    assert (found.discarded, found.in_store, found.unexplained) == (20, 0, None)
    counted = logged("B1", "2026-03-24T08:00", "checked", sticks=18)
    records["bundle_log"].append(counted)
    found = row(store, records, "B1")
    assert (found.discarded, found.in_store, found.unexplained) == (18, 0, 2)


def test_more_used_than_was_there_is_always_an_alarm(store: Store) -> None:
    records = small()
    records["bundles"][0]["count"] = "estimated"
    records["graft_lots"][0]["sticks_used"] = 41
    found = row(store, records, "B1")
    assert found.unexplained == -1
    assert found.alarm == (
        "41 sticks left B1, but only 40 were there: foreign wood came in, or a number is wrong"
    )


@pytest.mark.parametrize(
    ("method", "used"),
    [("whip", 20), ("four_flap", 20), ("chip_bud", 3.33), ("patch_bud", 6.67), ("cleft", 40)],
)
def test_uncounted_sticks_are_reckoned_from_grafts_and_method(
    store: Store, method: str, used: float
) -> None:
    records = small()
    records["graft_lots"][0] |= {"sticks_used": None, "method": method}
    found = row(store, records, "B1")
    assert found.used == used
    assert found.tolerance == 0.10


def test_a_re_bundle_came_from_its_parents(store: Store) -> None:
    records = small()
    records["bundles"] += [bundle("B3", sticks=12)]
    records["bundle_parents"] = [{"bundle": "B3", "parent": "B1", "sticks": 12}]
    found = row(store, records, "B3")
    assert (found.cut, found.from_bundles, found.in_store) == (0, 12, 12)
    assert row(store, records, "B1").to_bundles == 12


def test_more_tied_than_the_parents_gave_is_an_alarm(store: Store) -> None:
    records = small()
    records["bundles"] += [bundle("B3", sticks=15)]
    records["bundle_parents"] = [{"bundle": "B3", "parent": "B1", "sticks": 12}]
    alarm = row(store, records, "B3").alarm
    assert alarm is not None
    assert alarm.startswith("B3 was tied of 15 sticks, but its parents gave only 12")


def test_received_wood_is_received(store: Store) -> None:
    records = small()
    records["bundles"] += [bundle("B3", received_from="SU1", cultivar="Ald")]
    found = row(store, records, "B3")
    assert (found.cut, found.received) == (0, 40)
    cultivar = row(store, records, "Aldern")
    assert (cultivar.cut, cultivar.received, cultivar.used, cultivar.in_store) == (50, 40, 20, 60)
    assert cultivar.cut_not_tied == 10


@pytest.mark.parametrize(
    ("counts", "there", "before"),
    [
        ({"06:00": 40}, 20, True),  # a roll-call before the wood is given out
        ({"06:00": 20}, 20, False),
        ({"18:00": 20}, 20, False),
        ({"06:00": 40, "18:00": 20}, 20, False),
        ({"06:00": 40, "18:00": 40}, 20, True),
        ({"06:00": 20, "18:00": 20}, 20, False),
        ({"06:00": 39}, 19, True),
        ({"06:00": 30}, 30, False),
    ],
)
def test_a_count_on_a_day_of_grafting_is_before_or_after_as_it_agrees(
    store: Store, counts: dict[str, int], there: int, before: bool
) -> None:
    records = small()
    records["bundle_log"] = [
        logged("B1", f"2026-03-20T{time}", "checked", sticks=sticks)
        for time, sticks in counts.items()
    ]
    found = row(store, records, "B1")
    assert found.in_store == there
    assert found.note is not None
    assert found.note.startswith("B1 was counted on a day of grafting, 2026-03-20")
    assert ("before that day's grafts" in found.note) == before
    assert (found.alarm is None) == (there == 20 or there == 19)
    assert row(store, records, "B2").note is None


def test_a_count_before_is_what_a_count_on_a_day_of_grafting_is_held_beside(store: Store) -> None:
    records = small()
    records["bundle_log"] = [
        logged("B1", "2026-03-10T08:00", "checked", sticks=30),
        logged("B1", "2026-03-20T06:00", "checked", sticks=30),
    ]
    found = row(store, records, "B1")
    assert (found.in_store, found.unexplained) == (10, 10)


# Collections, trees, cultivars, seasons


def test_sticks_that_were_never_tied_lie_in_no_store(store: Store) -> None:
    records = small()
    records["collections"] += [collection("C3", "T1")]
    for scope, code in (("cultivar", "Aldern"), ("tree", "T1")):
        found = row(store, records, code, scope)
        assert (found.cut, found.cut_not_tied, found.in_store) == (100, 60, 20)
    assert row(store, records, "C3").cut_not_tied == 50
    assert row(store, records, "B1").cut_not_tied == 0


def test_a_cutting_without_a_day_goes_with_its_bundles_into_one_season(store: Store) -> None:
    records = small()
    records["collections"][0]["date"] = None
    found = {each.code: each for each in balanced(store, records, scope="season").rows}
    assert found.keys() == {"2026"}
    assert (found["2026"].cut, found["2026"].in_store) == (100, 40)


def test_wood_of_a_source_nobody_recorded_is_there_and_raises_an_alarm(store: Store) -> None:
    records = small()
    records["bundles"] += [bundle("B3", sticks=15)]
    found = row(store, records, "B3")
    assert (found.in_store, found.unexplained) == (15, -15)
    assert found.alarm == "B3 was tied of 15 sticks whose source nobody recorded"


def test_wood_tied_anew_within_one_tree_stays_its_own(store: Store) -> None:
    records = small()
    records["collections"] += [collection("C3", "T1")]
    records["bundles"] += [bundle("B3", collection="C3"), bundle("B4", sticks=10)]
    records["bundle_parents"] = [
        {"bundle": "B4", "parent": "B1", "sticks": 4},
        {"bundle": "B4", "parent": "B3", "sticks": 6},
    ]
    records["graft_lots"] += [lot("G4", "B4", sticks_used=10)]
    tree = row(store, records, "T1")
    assert (tree.cut, tree.used, tree.to_bundles, tree.in_store) == (100, 30, 0, 50)
    assert tree.cut_not_tied == 20
    cut = row(store, records, "C1")
    assert (cut.cut, cut.used, cut.to_bundles) == (50, 20, 4)


def test_mixed_wood_has_a_row_without_a_code(store: Store) -> None:
    records = small()
    records["bundles"] += [bundle("B3", sticks=10)]
    records["bundle_parents"] = [
        {"bundle": "B3", "parent": "B1", "sticks": 4},
        {"bundle": "B3", "parent": "B2", "sticks": 6},
    ]
    found = {each.code: each for each in balanced(store, records, scope="cultivar").rows}
    assert found.keys() == {"Aldern", "Birkwood", None}
    assert found["Aldern"].to_bundles == 4
    assert found[None].from_bundles == 10


def test_more_tied_than_cut_is_an_alarm(store: Store) -> None:
    records = small()
    records["bundles"] += [bundle("B3", collection="C1", sticks=11)]
    alarm = row(store, records, "C1").alarm
    assert alarm is not None
    assert alarm.startswith("51 sticks were tied from C1, but only 50 were cut")


def test_an_alarm_of_one_bundle_shows_in_its_cultivar(store: Store) -> None:
    records = small()
    records["graft_lots"][0]["sticks_used"] = 41
    found = balanced(store, records, scope="cultivar", alarms_only=True)
    (only,) = found.rows
    assert only.code == "Aldern"
    assert only.alarm is not None
    assert "41 sticks left B1" in only.alarm


def test_a_season_ends_on_its_last_day(store: Store) -> None:
    records = small()
    records["collections"] += [
        collection("C3", "T1", date=day("2026-06-30"), sticks=7),
        collection("C4", "T1", date=day("2026-07-01"), sticks=11),
    ]
    found = {each.code: each.cut for each in balanced(store, records, scope="season").rows}
    assert found == {"2026": 107, "2027": 11}


def test_one_season_alone_can_be_asked_for(store: Store) -> None:
    records = small()
    records["collections"] += [collection("C3", "T1", date=day("2027-01-10"))]
    records["bundles"] += [bundle("B3", collection="C3", packed=day("2027-01-11"))]
    records["bundles"] += [bundle("B4", packed=day("2027-01-12"), sticks=5)]
    records["bundle_parents"] = [{"bundle": "B4", "parent": "B1", "sticks": 5}]
    found = {
        each.code: (each.cut, each.from_bundles, each.to_bundles)
        for each in balanced(store, records, scope="tree", season=2027).rows
    }
    assert found == {"T1": (50, 5, 0)}
    before = balanced(store, records, scope="tree", codes=["T1"], season=2026).rows[0]
    assert (before.cut, before.to_bundles) == (50, 5)


# What may be asked


def test_codes_are_balanced_as_what_they_are(store: Store) -> None:
    found = balanced(store, small(), codes=["B1", "T2", "C1", "Ald"])
    assert {(each.scope, each.code) for each in found.rows} == {
        ("bundle", "B1"),
        ("tree", "T2"),
        ("collection", "C1"),
        ("cultivar", "Aldern"),
    }


def test_what_cannot_be_balanced_is_refused(store: Store) -> None:
    with pytest.raises(NotFoundError, match="B9"):
        balanced(store, small(), codes=["B9"])
    with pytest.raises(RegistryError, match="'G1' is a graft lot"):
        balanced(store, small(), codes=["G1"])
    with pytest.raises(RegistryError, match="'B1' is a bundle; name a tree"):
        balanced(store, small(), scope="tree", codes=["B1"])
    with pytest.raises(RegistryError, match="no balance by 'grafter'"):
        balanced(store, small(), scope="grafter")


def test_the_json_form_has_the_promised_keys(store: Store) -> None:
    found = balanced(store, small(), scope="tree")
    promised = {"scope", "code", "cut", "received", "from_bundles", "used", "discarded", "sold"}
    promised |= {"to_bundles", "in_store", "unexplained", "alarm"}
    assert all(promised <= each.keys() for each in found.to_dict()["rows"])
    assert list(found.to_frame()["code"]) == ["T1", "T2"]


# Against plain counting


def plain_flow(records: Rows, code: str) -> dict[str, float]:
    """Count what left one bundle, day by day; what was thrown away unnumbered is left out.

    On a day of work with a count the two ways round are both tried.
    """
    packed = {each["bundle"]: each["packed"] for each in records["bundles"]}
    (sticks,) = (each["sticks"] for each in records["bundles"] if each["bundle"] == code)
    total = {"used": 0.0, "to_bundles": 0.0, "discarded": 0.0, "sold": 0.0}
    work: dict[dt.date, float] = {}
    logs: dict[dt.date, list[tuple[str, int]]] = {}
    for each in records["bundle_log"]:
        if each["bundle"] == code and each["sticks"] is not None:
            logs.setdefault(each["time"].date(), []).append((each["event"], each["sticks"]))
            if each["event"] != "checked":
                total[each["event"]] += each["sticks"]
    for each in records["graft_lots"]:
        if each["bundle"] == code:
            used = each["grafts"] if each["sticks_used"] is None else each["sticks_used"]
            work[each["date"]] = work.get(each["date"], 0) + used
            total["used"] += used
    for each in records["bundle_parents"]:
        if each["parent"] == code:
            date = packed[each["bundle"]]
            work[date] = work.get(date, 0) + each["sticks"]
            total["to_bundles"] += each["sticks"]
    left = float(sticks)
    for date in sorted(work.keys() | logs.keys()):
        done = work.get(date, 0)
        its = logs.get(date, [])
        assert len(its) < 2, "one line a day"
        for event, number in its:
            if event != "checked":
                left -= number
            else:
                before = abs(left - number) < abs(left - done - number)
                total["there"] = left = number - done if before else number
                done = 0
        left -= done
        if "there" in total:
            total["there"] = max(0.0, left)
    return total


def home(naive: NaiveChain, records: Rows, code: str) -> str | None:
    """Return the one tree that all known wood of a bundle came from."""
    trees = set()
    for (what, source), _ in naive.endings(("bundle", code)).items():
        if what == "collection":
            trees |= {c["tree"] for c in records["collections"] if c["collection"] == source}
        elif what == "outside":
            trees.add(None)
    return trees.pop() if len(trees) == 1 else None


@given(records=registries())
@ONE_STORE
def test_bundles_balance_as_plain_counting_says(store: Store, records: Rows) -> None:
    found = {each.code: each for each in balanced(store, records, scope="bundle").rows}
    assert found.keys() == {each["bundle"] for each in records["bundles"]}
    for code, each in found.items():
        plain = plain_flow(records, str(code))
        assert each.used == plain["used"]
        assert each.to_bundles == plain["to_bundles"]
        assert each.sold == plain["sold"]
        rest_thrown = any(
            log["bundle"] == code and log["sticks"] is None for log in records["bundle_log"]
        )
        if not rest_thrown:
            assert each.discarded == plain["discarded"]
            if "there" in plain:
                assert each.in_store == plain["there"]
                assert each.unexplained is not None
            else:
                assert each.unexplained is None or each.unexplained < 0


@given(records=registries(), scope=st.sampled_from(SCOPES))
@ONE_STORE
def test_every_row_closes(store: Store, records: Rows, scope: str) -> None:
    for each in balanced(store, records, scope=scope).rows:
        came = each.cut + each.received + each.from_bundles
        gone = each.used + each.discarded + each.sold + each.to_bundles + each.cut_not_tied
        assert came == pytest.approx(gone + each.in_store + (each.unexplained or 0))
        assert each.in_store >= 0
        assert each.cut_not_tied >= 0


@given(records=registries())
@ONE_STORE
def test_the_rows_of_every_level_add_up_to_the_same_sticks(store: Store, records: Rows) -> None:
    levels: dict[str, dict[str, float]] = {}
    with holding(store, records) as connection:
        for scope in SCOPES:
            found = balance(connection, scope=scope).rows
            names = ("received", "used", "discarded", "sold", "in_store", "cut", "cut_not_tied")
            levels[scope] = {name: sum(getattr(each, name) for each in found) for name in names}
            levels[scope]["cut"] -= levels[scope].pop("cut_not_tied")  # sticks that were tied
            levels[scope]["moved"] = sum(each.from_bundles - each.to_bundles for each in found)
            levels[scope]["unexplained"] = sum(each.unexplained or 0 for each in found)
        left = sum(read_left(connection).values())
    first = levels.pop("bundle")
    assert first["in_store"] == pytest.approx(left)
    for level in levels.values():
        assert level == pytest.approx(first)


@given(records=registries())
@ONE_STORE
def test_trees_get_the_bundles_whose_wood_is_all_theirs(store: Store, records: Rows) -> None:
    naive = NaiveChain(records)
    homes = {each["bundle"]: home(naive, records, each["bundle"]) for each in records["bundles"]}
    found = {each.code: each for each in balanced(store, records, scope="tree").rows}
    for tree in {each["tree"] for each in records["collections"]}:
        mine = {code for code, its in homes.items() if its == tree}
        assert found[tree].used == sum(plain_flow(records, code)["used"] for code in mine)
        crossing = [
            each["sticks"]
            for each in records["bundle_parents"]
            if each["parent"] in mine and each["bundle"] not in mine
        ]
        assert found[tree].to_bundles == sum(crossing)


@given(
    records=registries(), data=st.data(), scope=st.sampled_from(["bundle", "collection", "tree"])
)
@ONE_STORE
def test_asking_for_one_gives_the_row_that_asking_for_all_gives(
    store: Store, records: Rows, data: st.DataObject, scope: str
) -> None:
    with holding(store, records) as connection:
        every = {each.code: each for each in balance(connection, scope=scope).rows}
        code = data.draw(st.sampled_from(sorted(code for code in every if code is not None)))
        assert balance(connection, scope=scope, codes=[code]).rows == (every[code],)
