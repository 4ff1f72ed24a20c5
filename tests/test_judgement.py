"""One judgement of trees, wood, lots and lines: may it be used on a day, why not, until when."""

import datetime as dt
from collections.abc import Iterator
from typing import Any

import pytest
from small_registries import Rows, bundle, day, dispatch, holding, small

from scionreg.identity.tree_evidence import months_after
from scionreg.judgement import Judge, Judgement
from scionreg.judgement.trees import Asked, TreeFacts, tree_reasons
from scionreg.lineage.judged_books import Ground, Permit, Right
from scionreg.lineage.reasons import judged
from scionreg.lineage.stops import Happening
from scionreg.lineage.tree_books import Check, TreeBook
from scionreg.records.vocabulary import Against, Weight
from scionreg.registry.store import Store
from scionreg.rotation.capacity import CutTree, SeasonCut
from scionreg.rotation.pressure import cut_status

ON = dt.date(2027, 1, 15)


def tree(*events: Happening, on: dt.date = ON, **facts: Any) -> Judgement:
    """Return the judgement of an invented bearing tree, planted in 2015 and looked at in 2026."""
    look = Check("K1", "T1", None, dt.date(2026, 9, 1), "fruit", 3, 0, None)
    of_book = {"kind": "bearing", "planted": dt.date(2015, 2, 1), "status": "usable"}
    for name in ("kind", "planted", "status", "checks", "cultivar"):
        if name in facts:
            of_book[name] = facts.pop(name)
    made: dict[str, Any] = {"tree": "T1", "cultivar": "Aldern", "origin": "SU-1", "checks": (look,)}
    book = TreeBook(**made | of_book, events=events)
    facts.setdefault("right", Right("Aldern", "Malus domestica", "none", None, None))
    now_is = facts.pop("now_is", 2027)
    season = on.year + (on.month >= 7)
    until = facts.pop("until", None)
    limb = facts.pop("limb", None)
    asked = Asked(on=on, season=season, until=until, now_is=now_is, limb=limb)
    return judged("T1", "mother_trees", on, tree_reasons(TreeFacts(book=book, **facts), asked))


def event(kind: str, when: str | None, detail: str = "", limb: str | None = None) -> Happening:
    return Happening("T1", day(when) if when else None, kind, limb, detail or None)


def barred(found: Judgement) -> list[str]:
    return [each.code.value for each in found.bars]


# Mother trees


def test_a_sound_tree_may_be_cut() -> None:
    assert tree().may
    assert tree().reasons == ()


@pytest.mark.parametrize(
    ("events", "code"),
    [
        ([event("hold", "2027-01-10", "wrong nuts")], "hold"),
        ([event("notice", "2026-10-01", "order 12")], "notice"),
        ([event("died", "2026-12-24")], "dead"),
        ([event("topworked", "2026-10-05", "to Quarrow")], "topworked"),
        ([event("regrew_below_union", "2026-10-05")], "regrown"),
    ],
)
def test_what_happened_to_a_tree_bars_it_from_its_day_on(
    events: list[Happening], code: str
) -> None:
    found = tree(*events)
    assert barred(found) == [code]
    first = events[0].date
    assert first is not None
    assert tree(*events, on=first - dt.timedelta(days=1)).may
    assert not tree(*events, on=first).may


def test_a_released_hold_is_over_and_a_notice_needs_its_own_release() -> None:
    held = event("hold", "2026-10-01"), event("notice", "2026-10-01", "order 12")
    released = event("released", "2026-11-01")
    assert barred(tree(*held, released)) == ["notice"]
    assert tree(*held, event("released", "2026-11-01", "notice lifted")).may


def test_a_topworked_tree_is_a_source_again_once_looked_at_or_renamed() -> None:
    worked = event("topworked", "2026-05-05", "to Quarrow")
    assert tree(worked).may  # fruit was looked at in September
    assert barred(tree(worked, checks=())) == ["topworked"]
    assert tree(worked, checks=(), renamed=dt.date(2026, 6, 1)).may
    assert not tree(worked, checks=(), renamed=dt.date(2025, 6, 1)).may
    assert tree(worked, checks=(), cultivar="Quarrow").may


def test_a_replanted_or_retagged_tree_is_doubtful_until_somebody_looked() -> None:
    for kind in ("replanted", "retagged"):
        found = tree(event(kind, "2026-10-05"))
        assert found.may
        assert [each.code.value for each in found.doubts] == [kind]
        assert tree(event(kind, "2026-08-05")).doubts == ()
    assert tree(event("replanted", "2026-10-05"), planted=dt.date(2026, 10, 5)).doubts == ()


def test_what_is_known_of_a_limb_bars_that_limb_and_is_told_of_the_tree() -> None:
    east = event("topworked", "2026-10-05", "to Quarrow", limb="east")
    assert tree(east).may
    assert [each.code for each in tree(east).doubts] == [Against.LIMB]
    assert barred(tree(east, limb="east")) == ["topworked"]
    assert tree(east, limb="west").may
    assert tree(east, limb="west").doubts == ()


def test_recorded_as_resting_counts_this_season_only() -> None:
    assert barred(tree(status="resting")) == ["resting"]
    assert tree(status="resting", on=dt.date(2027, 8, 1)).may
    assert barred(tree(status="retired")) == ["retired"]


def test_a_tree_cut_too_hard_rests_until_its_season() -> None:
    cut = SeasonCut(
        season=2026, sticks=40, share=0.4, counted=True, in_leaf=False, shoot_length_cm=None
    )
    hard = CutTree(tree="T1", kind="bearing", species="", planted=None, expected=100, cuts=(cut,))
    rest = cut_status(hard, 2027, 100)
    found = tree(rest=rest)
    assert barred(found) == ["rests"]
    assert "may be cut again in season 2028" in found.why
    assert tree(rest=rest, on=dt.date(2027, 7, 1)).may


def test_an_increase_plant_is_used_to_the_day_its_time_is_over() -> None:
    planted = dt.date(2024, 1, 20)
    last = months_after(planted, 36)
    on_its_last = tree(kind="increase", planted=planted, on=last)
    assert on_its_last.may
    assert [(each.code.value, each.until) for each in on_its_last.doubts] == [("age_ends", last)]
    over = tree(kind="increase", planted=planted, on=last + dt.timedelta(days=1))
    assert [(each.code.value, each.since) for each in over.bars] == [
        ("too_old", last + dt.timedelta(days=1))
    ]
    assert barred(tree(kind="increase", planted=None)) == ["age_unknown"]
    by_year = Ground("T1", None, False, "2025")
    assert tree(kind="increase", planted=None, ground=by_year).may
    again = event("replanted", "2026-10-01")
    assert tree(again, kind="increase", planted=dt.date(2020, 1, 1)).may
    assert barred(tree(from_increase="T9")) == ["from_increase"]


def test_a_right_asks_for_a_licence_until_it_ends() -> None:
    def claimed(until: str | None, licence: str | None = None) -> Judgement:
        ends = day(until) if until else None
        return tree(right=Right("Aldern", "Malus domestica", "patent", ends, licence))

    assert barred(claimed("2027-01-15")) == ["licence"]
    assert claimed("2027-01-14").reasons == ()
    assert claimed(None, "L-1").may
    assert [each.code.value for each in claimed(None, "L-1").reasons] == ["licensed"]
    unknown = tree(right=Right("Aldern", "Malus domestica", None, None, None))
    assert [each.weight for each in unknown.reasons] == [Weight.NOTE]


def test_the_owner_s_permission_bars_before_it_begins_and_after_it_ends() -> None:
    def allowed(*permits: Permit, until: dt.date | None = None) -> Judgement:
        return tree(permits=permits, until=until)

    def permit(since: str | None, until: str | None, **more: Any) -> Permit:
        ends = day(until) if until else None
        return Permit(
            "P1", "H-1", "T1", None, day(since) if since else None, ends,
            more.get("most"), more.get("notice"),
        )  # fmt: skip

    assert allowed(permit("2027-01-15", "2027-01-15")).may
    assert barred(allowed(permit("2027-01-16", None))) == ["permission"]
    assert barred(allowed(permit(None, "2027-01-14"))) == ["permission"]
    assert allowed(permit("2027-02-01", None), until=dt.date(2027, 6, 30)).may
    assert allowed(permit(None, "2027-01-14"), permit("2027-01-01", None)).may
    told = allowed(permit(None, "2027-03-01", most=20, notice=7)).reasons
    assert [each.code.value for each in told] == ["permission_ends", "owner", "owner"]


# Wood, lots and lines


def judge(store: Store, records: Rows) -> Iterator[Judge]:
    with holding(store, records) as connection:
        yield Judge(connection, dt.date(2026, 4, 20))


def codes(found: Judgement) -> set[tuple[str, str]]:
    return {(each.code.value, each.weight.value) for each in found.against}


def with_event(kind: str, when: str, **more: Any) -> Rows:
    records = small()
    happened = {"tree": "T1", "date": day(when), "event": kind, **more}
    records["tree_events"] = [happened]
    return records


def asked(store: Store, records: Rows) -> dict[str, set[tuple[str, str]]]:
    """Return what is known against the first tree's wood, lot and line."""
    (found,) = (
        {
            "bundle": codes(each.bundles(["B1"])["B1"]),
            "lot": codes(each.lots(["G1"])["G1"]),
        }
        for each in judge(store, records)
    )
    return found


def test_sound_wood_may_be_used(store: Store) -> None:
    assert asked(store, small()) == {"bundle": set(), "lot": set()}


def test_a_hold_on_the_tree_bars_its_wood_and_is_a_doubt_about_its_lots(store: Store) -> None:
    found = asked(store, with_event("hold", "2026-03-01"))
    assert found == {"bundle": {("hold", "bars")}, "lot": {("hold", "doubt")}}


def test_wood_cut_from_a_dead_tree_is_no_named_wood(store: Store) -> None:
    found = asked(store, with_event("died", "2023-03-01"))
    assert ("source", "bars") in found["bundle"]
    assert ("source", "doubt") in found["lot"]


def test_a_tree_that_died_after_it_was_cut_leaves_good_wood(store: Store) -> None:
    assert asked(store, with_event("died", "2026-04-01"))["bundle"] == set()


def test_discarded_wood_is_gone(store: Store) -> None:
    records = small()
    thrown = {"bundle": "B1", "time": dt.datetime(2026, 3, 1, 9, tzinfo=dt.UTC)}
    records["bundle_log"] = [{**thrown, "event": "discarded"}]
    assert asked(store, records)["bundle"] == {("gone", "bars")}


def test_wood_without_a_label_may_not_be_used(store: Store) -> None:
    records = small()
    found = {**bundle("B9"), "collection": None, "unlabelled": True}
    records["bundles"].append(found)
    for each in judge(store, records):
        assert ("unlabelled", "bars") in codes(each.bundles(["B9"])["B9"])


def test_a_hold_on_a_lot_bars_it_and_one_on_positions_bars_those(store: Store) -> None:
    records = small()
    records["holds"] = [
        {"item": "G1", "positions": "3;4", "date": day("2026-04-01"), "event": "hold"}
    ]
    for each in judge(store, records):
        assert codes(each.lots(["G1"])["G1"]) == {("hold", "doubt")}
        assert codes(each.lots(["G1"], positions={"G1": [3]})["G1"]) == {("hold", "bars")}
        assert codes(each.lots(["G1"], positions={"G1": [5]})["G1"]) == set()
    records["holds"].append({"item": "G1", "date": day("2026-04-10"), "event": "released"})
    for each in judge(store, records):
        assert codes(each.lots(["G1"])["G1"]) == set()
        assert codes(each.lots(["G1"], on=day("2026-04-05"))["G1"]) == {("hold", "doubt")}


def test_a_lot_that_was_all_off_is_not_its_label(store: Store) -> None:
    records = small()
    look = {"check": "K1", "item": "G1", "date": day("2026-04-15"), "method": "dna"}
    records["identity_checks"] = [{**look, "checked": 3, "off": 3, "found": "Birkwood"}]
    assert ("wrong", "bars") in asked(store, records)["lot"]
    records["identity_checks"] = [{**look, "item": "G1/2", "checked": 1, "off": 1}]
    assert asked(store, records)["lot"] == {("doubtful", "doubt")}


def test_each_line_of_a_lot_is_judged_by_its_own_positions(store: Store) -> None:
    records = small()
    records["dispatches"] = [
        dispatch("D8", "G1", first=1, last=2, trees=2),
        dispatch("D9", "G1", first=5, last=6, trees=2),
    ]
    held = {"item": "G1", "positions": "1;2", "date": day("2026-04-01"), "event": "hold"}
    records["holds"] = [held]
    for each in judge(store, records):
        found = each.lines(["D8", "D9"])
        assert codes(found["D8/G1"]) == {("hold", "bars")}
        assert codes(found["D9/G1"]) == set()
