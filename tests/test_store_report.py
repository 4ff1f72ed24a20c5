"""What happened in store, from records: stays, unknown moments, what may not be used and why."""

import datetime as dt
from typing import Any

import pytest

from scionreg.cold_store.report import BundleFigures, StoreReport
from scionreg.documents.field_sheets.filling import Wanted, fill
from scionreg.records.errors import NotFoundError, RegistryError
from scionreg.records.words import english
from scionreg.registry.store import Store
from scionreg.storing import report
from tests.small_registries import Rows, bundle, collection, day, holding, lot, small

AT = dt.datetime(2026, 4, 1, tzinfo=dt.UTC)


def when(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC)


def readings(
    store: str, start: str, end: str, warm: float = 2.0, humid: float | None = 95.0
) -> list[dict[str, Any]]:
    """Return hourly readings of a store."""
    at, until, found = when(start), when(end), []
    while at <= until:
        found.append({"store": store, "time": at, "temperature_c": warm, "humidity_pct": humid})
        at += dt.timedelta(hours=1)
    return found


def kept_cold(**more: Any) -> Rows:
    """Return the small registry, all wood grafted, with both stores read throughout, and cold."""
    records = small()
    for each in records["graft_lots"]:
        each["sticks_used"] = 40
    records["store_readings"] = [
        *readings("S1", "2026-01-01", "2026-04-10"),
        *readings("S2", "2026-01-01", "2026-04-10"),
    ]
    return {**records, **more}


def warmed(store: str, start: str, end: str, warm: float) -> list[dict[str, Any]]:
    """Return a store's readings, cold but for one period."""
    found = readings(store, "2026-01-01", "2026-04-10")
    for each in found:
        if when(start) <= each["time"] <= when(end):
            each["temperature_c"] = warm
    return found


def moved(code: str, to: str | None, time: str | None) -> dict[str, Any]:
    at = None if time is None else when(time)
    return {"bundle": code, "time": at, "event": "moved", "store": to}


def told(opened: Store, records: Rows, /, *codes: str, **options: Any) -> StoreReport:
    with holding(opened, records) as connection:
        return report(connection, codes, **{"at": AT, **options})


def one(store: Store, records: Rows, code: str = "B1", **options: Any) -> BundleFigures:
    (figures,) = told(store, records, code, **options).bundles
    return figures


# ---------------------------------------------------------------------------------------- stays


def test_a_stay_lasts_from_packing_to_the_last_use(store: Store) -> None:
    figures = one(store, kept_cold())
    assert figures.mean.hours == (day("2026-03-20") - day("2026-01-11")).days * 24
    assert (figures.days, figures.since) == (69, "cutting")
    assert figures.mean.without_readings == 0
    assert figures.grade == "good"
    plain = figures.to_dict()
    assert plain["degree_hours_above_7_2"] == 0
    assert plain["vpd_kpa_hours"] == pytest.approx(figures.mean.hours * 0.0353, rel=1e-2)


def test_the_last_of_several_uses_counts_and_so_does_a_rebundle(store: Store) -> None:
    records = kept_cold()
    records["graft_lots"].append(lot("G3", "B1", row=3, date=day("2026-03-25")))
    assert one(store, records).until == when("2026-03-25")
    records["bundles"].append(bundle("B3", sticks=5, packed=day("2026-03-28")))
    records["bundle_parents"] = [{"bundle": "B3", "parent": "B1", "sticks": 5}]
    assert one(store, records).until == when("2026-03-28")


def test_sticks_that_are_left_stay_in_store_through_what_comes_after(store: Store) -> None:
    """A bundle that was opened on 20 March and lies there still sits through a warm April."""
    records = kept_cold(store_readings=warmed("S1", "2026-03-25", "2026-03-28", 17.2))
    whole = one(store, records)
    assert (whole.until, whole.mean.degree_hours) == (when("2026-03-20"), 0)
    records["graft_lots"][0]["sticks_used"] = 20
    opened = one(store, records)
    assert (opened.until, opened.sticks_left) == (AT, 20)
    assert opened.mean.degree_hours == pytest.approx(10 * 3 * 24, rel=0.05)
    spell = {"since": day("2026-03-25"), "until": day("2026-03-28")}
    found = told(store, records, store="S1", **spell)
    assert [each.bundle for each in found.bundles] == ["B1"]
    (warm,) = found.spells
    assert list(found.touched_by(warm)["bundle"]) == ["B1"]
    (left,) = told(store, records, now=True).bundles
    assert left.mean == opened.mean
    assert left.grade == opened.grade == "sample_first"


@pytest.mark.parametrize(
    ("log", "until"),
    [
        ([("checked", "2026-03-20T18:00", 0)], "2026-03-20T18:00"),
        ([("checked", "2026-03-25T08:00", 0)], "2026-03-25T08:00"),
        ([("checked", "2026-03-25T08:00", 7)], "2026-04-01"),
        ([("discarded", "2026-03-25T08:00", 20)], "2026-03-25T08:00"),
        ([("discarded", "2026-03-25T08:00", 19)], "2026-04-01"),
        ([("discarded", "2026-03-25T08:00", None)], "2026-03-25T08:00"),
        ([("sold", "2026-03-26T08:00", 20)], "2026-03-26T08:00"),
        # All was thrown away before, and yet some were grafted: not all was.
        ([("discarded", "2026-03-02T08:00", None)], "2026-03-20"),
        # Found after all was gone by the books.
        (
            [("discarded", "2026-03-22T08:00", 20), ("checked", "2026-03-25T08:00", 2)],
            "2026-04-01",
        ),
        # Nothing was found where nothing was left.
        (
            [("discarded", "2026-03-22T08:00", 20), ("checked", "2026-03-25T08:00", 0)],
            "2026-03-22T08:00",
        ),
        ([("checked", "2026-03-15T08:00", 20)], "2026-03-20"),
    ],
)
def test_a_bundle_lasts_until_nothing_is_left_of_it(
    store: Store, log: list[tuple[str, str, int | None]], until: str
) -> None:
    records = kept_cold(graft_lots=[lot("G1", "B1")])
    records["bundle_log"] = [logged(event, time, sticks=number) for event, time, number in log]
    assert one(store, records).until == when(until)


def test_without_a_use_a_stay_lasts_until_it_was_discarded_or_until_now(store: Store) -> None:
    records = kept_cold(graft_lots=[])
    assert one(store, records).until == AT
    gone = {"bundle": "B1", "time": when("2026-02-01T08:00"), "event": "discarded"}
    records["bundle_log"] = [gone]
    assert one(store, records).until == when("2026-02-01T08:00")


def test_days_begin_on_the_registrys_clock(store: Store) -> None:
    from scionreg.registry.settings import Settings, write_settings

    with holding(store, kept_cold()) as connection:
        write_settings(connection, Settings(time_zone="America/Chicago"))
        (figures,) = report(connection, ["B1"], at=AT).bundles
    # The clock was put forward on 8 March: an hour less.
    assert figures.until == when("2026-03-20T05:00")
    assert figures.mean.hours == 68 * 24 - 1


def test_days_told_are_those_of_the_registrys_clock(store: Store) -> None:
    from scionreg.registry.settings import Settings, write_settings

    late = "2026-02-02T02:00"  # in the evening of the first in Chicago
    records = kept_cold(
        bundle_log=[logged("hold", late), logged("checked", late, condition="mould")]
    )
    with holding(store, records) as connection:
        write_settings(connection, Settings(time_zone="America/Chicago"))
        (figures,) = report(connection, ["B1"], at=AT).bundles
    assert figures.may_not_be_used == (
        "B1 is on hold since 2026-02-01",
        "B1 was mouldy when it was looked at on 2026-02-01",
    )


@pytest.mark.parametrize(
    ("zone", "sales", "until"),
    [
        ("UTC", ("2026-03-20T08:00", "2026-03-20T17:00"), "2026-03-20T17:00"),
        # On the 21st in Auckland, a day after the grafting.
        ("Pacific/Auckland", ("2026-03-20T05:00", "2026-03-20T20:00"), "2026-03-20T20:00"),
        ("Pacific/Auckland", ("2026-03-19T05:00",), "2026-03-19T11:00"),
        ("America/Chicago", ("2026-03-20T02:00",), "2026-03-20T05:00"),
    ],
)
def test_the_last_use_is_the_last_moment_and_not_the_first_of_its_day(
    store: Store, zone: str, sales: tuple[str, ...], until: str
) -> None:
    from scionreg.registry.settings import Settings, write_settings

    sold = [{"bundle": "B1", "time": when(each), "event": "sold", "sticks": 1} for each in sales]
    with holding(store, kept_cold(bundle_log=sold)) as connection:
        write_settings(connection, Settings(time_zone=zone))
        (figures,) = report(connection, ["B1"], at=AT).bundles
    assert figures.until == when(until)


def test_each_store_counts_for_the_time_the_wood_was_there(store: Store) -> None:
    records = kept_cold(bundle_log=[moved("B1", "S2", "2026-02-01T12:00")])
    records["store_readings"] = [
        *warmed("S1", "2026-01-20", "2026-01-30", 8.2),
        *warmed("S2", "2026-01-20", "2026-01-30", 30.0),
    ]
    figures = one(store, records)
    assert figures.mean.degree_hours == pytest.approx(240, abs=1)
    assert figures.store == "S2"


def test_a_gap_is_unknown_and_never_good(store: Store) -> None:
    records = kept_cold()
    records["store_readings"] = [
        *readings("S1", "2026-01-01", "2026-02-01"),
        *readings("S1", "2026-02-03", "2026-04-10"),
    ]
    figures = one(store, records)
    assert figures.mean.without_readings == 48
    assert figures.grade == "unknown"


def test_a_store_without_readings_is_unknown(store: Store) -> None:
    figures = one(store, kept_cold(store_readings=[]))
    assert figures.mean.without_readings == figures.mean.hours > 0
    assert figures.to_dict()["vpd_kpa_hours"] is None
    assert figures.grade == "unknown"


def test_a_store_without_a_hygrometer_has_no_drying(store: Store) -> None:
    records = kept_cold(store_readings=readings("S1", "2026-01-01", "2026-04-10", humid=None))
    figures = one(store, records)
    assert figures.to_dict()["vpd_kpa_hours"] is None
    assert figures.grade == "good"


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"bundles": [bundle("B1", collection="C1", packed=None)]}, "packed"),
        ({"bundle_log": [moved("B1", "S2", None)]}, "moved"),
        ({"graft_lots": [lot("G1", "B1", row=1, date=None, sticks_used=40)]}, "used"),
    ],
)
def test_unknown_moments_are_said_and_never_good(
    store: Store, change: dict[str, Any], says: str
) -> None:
    figures = one(store, kept_cold(**change))
    assert any(says in doubt for doubt in figures.doubts)
    assert figures.grade == "unknown"


def test_wood_moved_at_an_unknown_time_was_nobody_knows_where(store: Store) -> None:
    figures = one(store, kept_cold(bundle_log=[moved("B1", "S2", None)]))
    assert figures.mean.without_readings == figures.mean.hours == 68 * 24


def test_an_unknown_day_of_packing_is_taken_to_be_the_day_of_cutting(store: Store) -> None:
    records = kept_cold(bundles=[bundle("B1", collection="C1", packed=None)])
    assert one(store, records).mean.hours == 69 * 24


def test_wood_tied_from_warm_wood_is_not_good(store: Store) -> None:
    records = kept_cold()
    records["store_readings"] = [
        *warmed("S1", "2026-02-01", "2026-02-05", 17.2),
        *readings("S2", "2026-01-01", "2026-04-10"),
    ]
    records["bundles"][1]["store"] = "S2"
    records["bundles"].append(bundle("B3", sticks=20, packed=day("2026-02-20"), store="S2"))
    records["bundle_parents"] = [
        {"bundle": "B3", "parent": "B1", "sticks": 5},
        {"bundle": "B3", "parent": "B2", "sticks": 15},
    ]
    records["graft_lots"].append(lot("G3", "B3", row=3))
    found = told(store, records, "B3", "B1", "B2")
    mixed, warm, cold = found.bundles
    assert cold.worst.degree_hours == 0
    assert mixed.worst.degree_hours == pytest.approx(warm.mean.degree_hours)
    assert mixed.mean.degree_hours == pytest.approx(warm.mean.degree_hours / 4)
    assert mixed.grade == "sample_first"
    (spell,) = found.spells
    shares = found.touched_by(spell).set_index("bundle")["share_of_spell"].to_dict()
    assert shares == pytest.approx({"B1": 1.0, "B3": 0.25})


def test_stone_fruit_bears_half(store: Store) -> None:
    records = kept_cold()
    records["store_readings"] = warmed("S1", "2026-02-01", "2026-02-02", 8.7)
    assert one(store, records).grade == "note"
    for cultivar in records["cultivars"]:
        cultivar["species"] = "Prunus persica"
    assert one(store, records).grade == "check"


# ------------------------------------------------------------------------------------ which wood


def test_a_store_and_a_period_choose_the_wood_that_was_there(store: Store) -> None:
    records = kept_cold(bundle_log=[moved("B2", "S2", "2026-02-01T12:00")])

    def there(**options: Any) -> list[str]:
        return [each.bundle for each in told(store, records, **options).bundles]

    assert there(store="S1") == ["B1", "B2"]
    assert there(store="S2") == ["B2"]
    assert there(store="S2", until=day("2026-01-31")) == []
    assert there(store="S1", since=day("2026-02-02")) == ["B1"]
    assert there(since=day("2026-03-21")) == []


def test_wood_that_was_tied_again_was_in_the_stores_it_came_from(store: Store) -> None:
    records = kept_cold(store_readings=warmed("S1", "2026-02-01", "2026-02-05", 17.2))
    records["bundles"] += [
        bundle("B3", sticks=5, packed=day("2026-02-10"), store="S2"),
        bundle("B4", sticks=3, packed=day("2026-02-20"), store="S2"),
        bundle("B5", collection="C2", packed=day("2026-02-20"), store="S2"),
    ]
    records["bundle_parents"] = [
        {"bundle": "B3", "parent": "B1", "sticks": 5},
        {"bundle": "B4", "parent": "B3", "sticks": 3},
    ]
    spell = {"since": day("2026-02-01"), "until": day("2026-02-05")}
    for options in ({"store": "S1"}, {"store": "S1", **spell}, spell):
        found = told(store, records, **options)
        assert [each.bundle for each in found.bundles] == ["B1", "B2", "B3", "B4"]
    found = told(store, records, store="S1")
    (warm,) = found.spells
    assert set(found.touched_by(warm)["bundle"]) == {"B1", "B2", "B3", "B4"}
    later = {"since": day("2026-02-25"), "until": day("2026-02-26")}
    found = told(store, records, store="S1", **later)
    assert [each.bundle for each in found.bundles] == ["B1", "B2"]


def test_names_that_are_none_are_refused(store: Store) -> None:
    with pytest.raises(NotFoundError):
        told(store, kept_cold(), "B99")
    with pytest.raises(NotFoundError):
        told(store, kept_cold(), store="S99")
    with pytest.raises(RegistryError, match="is a collection"):
        told(store, kept_cold(), "C1")
    with pytest.raises(RegistryError, match="before it begins"):
        told(store, kept_cold(), since=day("2026-03-02"), until=day("2026-03-01"))


def test_now_is_what_is_left_with_figures_to_this_moment(store: Store) -> None:
    records = kept_cold(graft_lots=[lot("G1", "B1"), lot("G2", "B2", row=2)])
    records["bundle_log"] = [
        {"bundle": "B2", "time": when("2026-03-21T08:00"), "event": "discarded"},
    ]
    (figures,) = told(store, records, now=True).bundles
    assert (figures.bundle, figures.until, figures.sticks_left) == ("B1", AT, 20)
    assert told(store, records, now=True, store="S2").bundles == ()


# -------------------------------------------------------------------------- what may not be used


def happened(event: str, date: str, limb: str | None = None, detail: str | None = None) -> Any:
    return {"tree": "T1", "date": day(date), "event": event, "limb": limb, "detail": detail}


def logged(event: str, time: str, **more: Any) -> dict[str, Any]:
    return {"bundle": "B1", "time": when(time), "event": event, **more}


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"bundle_log": [logged("hold", "2026-02-01")]}, "B1 is on hold since 2026-02-01"),
        ({"tree_events": [happened("hold", "2026-02-01")]}, "T1 is on hold since 2026-02-01"),
        (
            {"tree_events": [happened("notice", "2026-02-01", detail="order 7")]},
            "T1 is under a notice (order 7) since 2026-02-01",
        ),
        (
            {
                "tree_events": [
                    happened("notice", "2026-02-01"),
                    happened("released", "2026-02-08"),
                ]
            },
            "T1 is under a notice since 2026-02-01",
        ),
        (
            {"bundle_log": [logged("checked", "2026-02-01", condition="mould")]},
            "B1 was mouldy when it was looked at on 2026-02-01",
        ),
        (
            {"bundle_log": [logged("checked", "2026-02-01", condition="dead")]},
            "B1 was dead when it was looked at on 2026-02-01",
        ),
        (
            {"store_readings": warmed("S1", "2026-02-01", "2026-02-05", 17.2)},
            "graft a sample first",
        ),
        ({"bundles": [bundle("B1")]}, "the source of B1 is not recorded"),
        (
            {
                "identity_checks": [
                    {
                        "check": "K1",
                        "item": "T1",
                        "method": "dna",
                        "checked": 1,
                        "off": 1,
                        "found": "Birkwood",
                    }
                ]
            },
            "K1: T1 is not true to its label by dna",
        ),
    ],
)
def test_wood_that_may_not_be_used_says_why(
    store: Store, change: dict[str, Any], says: str
) -> None:
    found = told(store, kept_cold(**change), "B1")
    (figures,) = found.bundles
    assert any(says in reason for reason in figures.may_not_be_used), figures.may_not_be_used
    assert found.usable() == []


def seen(code: str, date: str, method: str, found: str | None = None, **more: Any) -> Any:
    off = int(found is not None)
    made = {"check": code, "item": "T1", "date": day(date), "method": method, "checked": 1}
    return {**made, "off": off, "found": found, **more}


@pytest.mark.parametrize(
    "change",
    [
        {
            "identity_checks": [
                seen("K1", "2025-06-01", "bud", "Birkwood"),
                seen("K2", "2025-07-01", "dna"),
            ]
        },
        {"identity_checks": [seen("K1", "2025-06-01", "dna", "Ald")]},
        {
            "identity_checks": [seen("K1", "2024-06-01", "dna", "Birkwood")],
            "tree_events": [happened("replanted", "2025-03-01")],
        },
        {
            "identity_checks": [seen("K1", "2026-06-01", "dna", "Birkwood")],
            "tree_events": [happened("topworked", "2026-03-01")],
        },
        {
            "identity_checks": [
                seen("K1", "2026-01-12", "bud", "Birkwood", item="B1"),
                seen("K2", "2026-01-20", "bud", item="B1"),
            ]
        },
    ],
)
def test_a_look_that_is_answered_or_of_another_plant_stops_nothing(
    store: Store, change: dict[str, Any]
) -> None:
    assert one(store, kept_cold(**change)).may_not_be_used == ()


@pytest.mark.parametrize(
    "change",
    [
        {
            "identity_checks": [
                seen("K1", "2025-06-01", "dna", "Birkwood"),
                seen("K2", "2025-07-01", "fruit"),
            ]
        },
        {
            "identity_checks": [
                seen("K1", "2025-06-01", "bud", "Birkwood"),
                seen("K2", "2025-05-01", "dna"),
            ]
        },
        {
            "identity_checks": [
                seen("K1", "2025-06-01", "bud", "Birkwood"),
                seen("K2", "2025-07-01", "dna", limb="S"),
            ]
        },
        {
            "identity_checks": [seen("K1", "2024-06-01", "dna", "Birkwood")],
            "tree_events": [happened("topworked", "2025-03-01", limb="S")],
        },
        {
            "identity_checks": [seen("K1", "2024-06-01", "dna", "Birkwood")],
            "tree_events": [happened("topworked", "2026-03-01")],
        },
    ],
)
def test_a_look_that_nothing_answers_stops_its_wood(store: Store, change: dict[str, Any]) -> None:
    (says,) = one(store, kept_cold(**change)).may_not_be_used
    assert says.startswith("K1: T1 is not true to its label")


@pytest.mark.parametrize(
    "change",
    [
        {},
        {"bundle_log": [logged("hold", "2026-02-01"), logged("released", "2026-02-03")]},
        {"tree_events": [happened("hold", "2026-02-01"), happened("released", "2026-02-08")]},
        {"tree_events": [happened("hold", "2026-02-01", limb="S")]},
        {
            "tree_events": [
                happened("notice", "2026-02-01"),
                happened("released", "2026-02-08", detail="notice lifted"),
            ]
        },
        {
            "bundle_log": [
                logged("checked", "2026-02-01", condition="mould"),
                logged("checked", "2026-02-09", condition="good"),
            ]
        },
    ],
)
def test_what_is_over_or_about_another_limb_stops_nothing(
    store: Store, change: dict[str, Any]
) -> None:
    found = told(store, kept_cold(**change), "B1")
    assert [each.bundle for each in found.usable()] == ["B1"]


def test_what_stops_wood_stops_what_was_tied_from_it(store: Store) -> None:
    records = kept_cold(tree_events=[happened("hold", "2026-02-01")])
    records["bundles"].append(bundle("B3", sticks=5, packed=day("2026-03-01")))
    records["bundle_parents"] = [{"bundle": "B3", "parent": "B1", "sticks": 5}]
    assert one(store, records, "B3").may_not_be_used == ("T1 is on hold since 2026-02-01",)


def test_a_retired_tree_is_no_source(store: Store) -> None:
    records = kept_cold()
    records["mother_trees"][0]["status"] = "retired"
    assert one(store, records).may_not_be_used == ("T1 is retired as a source",)


def test_old_wood_is_past_its_time(store: Store) -> None:
    records = kept_cold(graft_lots=[])
    figures = one(store, records, at=when("2026-08-01"))
    assert "203 days old, and such wood keeps 150" in figures.may_not_be_used
    records["collections"][0]["date"] = None
    records["bundles"][0]["collection"] = None
    records["bundles"][0] |= {"received_from": "SU-1", "cultivar": "Aldern"}
    assert one(store, records).since == "packing"


def test_warm_and_dry_wood_is_used_first_then_the_oldest(store: Store) -> None:
    records = kept_cold(graft_lots=[])
    records["store_readings"] = [
        *readings("S1", "2026-01-01", "2026-04-10"),
        *warmed("S2", "2026-02-01", "2026-02-02T12:00", 13.2),
    ]
    records["collections"].append(collection("C3", "T1", date=day("2026-01-30"), limb="N"))
    records["bundles"] = [
        bundle("old", collection="C1"),
        bundle("young", collection="C3", packed=day("2026-02-10")),
        bundle("warm", collection="C3", packed=day("2026-01-31"), store="S2"),
        bundle("dry", collection="C3", packed=day("2026-02-10")),
    ]
    records["bundle_log"] = [
        {"bundle": "dry", "time": when("2026-03-01"), "event": "checked", "condition": "dry"}
    ]
    found = told(store, records, now=True)
    assert [each.bundle for each in found.usable()] == ["warm", "dry", "old", "young"]


def test_wood_that_may_not_be_used_is_called_use_first_nowhere(store: Store) -> None:
    records = kept_cold(graft_lots=[], bundle_log=[logged("hold", "2026-02-01")])
    records["store_readings"] = warmed("S1", "2026-02-01", "2026-02-02T12:00", 13.2)
    found = told(store, records, now=True)
    grades = {each.bundle: (each.grade, each.kept_as) for each in found.bundles}
    assert grades == {"B1": ("use_first", "much_warmth"), "B2": ("use_first", "use_first")}
    assert [each.bundle for each in found.usable()] == ["B2"]
    assert found.by_cultivar() == [
        {"cultivar": "Aldern", "bundles": 1, "sticks": 40, "may_be_used": 0},
        {"cultivar": "Birkwood", "bundles": 1, "sticks": 40, "may_be_used": 40},
    ]
    with holding(store, records) as connection:
        sheet = fill(connection, "cooler", Wanted(day=day("2026-03-01")), english())
    held, free = (line.told for line in sheet.lines)
    assert "not to be used; as kept: much warmth" in held
    assert "as kept: use first" in free
    assert "not to be used" not in free


def test_a_shelf_is_left_behind_by_a_move(store: Store) -> None:
    records = kept_cold(graft_lots=[])
    records["bundles"][0]["shelf"] = records["bundles"][1]["shelf"] = "A3"
    records["bundle_log"] = [moved("B1", "S2", "2026-02-01")]
    found = told(store, records, now=True)
    assert [(each.bundle, each.store, each.shelf) for each in found.bundles] == [
        ("B1", "S2", None),
        ("B2", "S1", "A3"),
    ]


def test_json_has_the_promised_keys(store: Store) -> None:
    (plain,) = told(store, kept_cold(), "B1").to_dict()["bundles"]
    assert list(plain)[:7] == [
        "bundle",
        "days",
        "degree_hours_above_7_2",
        "hours_below_minus_5",
        "vpd_kpa_hours",
        "hours_without_readings",
        "class",
    ]


def test_a_spell_of_the_evening_before_the_grafting_was_sat_through(store: Store) -> None:
    from scionreg.asking_why import sat_through
    from scionreg.lineage.worked_lots import read_worked_lots
    from scionreg.registry.settings import Settings

    records = small()
    # In Chicago from five to ten in the evening of the day before.
    records["store_readings"] = warmed("S1", "2026-03-19T22:00", "2026-03-20T03:00", 25)
    settings = Settings(time_zone="America/Chicago")
    with holding(store, records) as connection:
        worked = read_worked_lots(connection, settings)
        found = sat_through(connection, worked, settings)
    assert list(worked.lots.loc[found["lot"], "graft_lot"]) == ["G1", "G2"]
