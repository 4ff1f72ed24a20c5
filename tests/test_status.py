"""How well a mother tree's identity is known: the ladder, what ends evidence, when it was cut."""

import csv
import datetime as dt
import json
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from nursery import add

from scionreg.api import Registry
from scionreg.identity.tree_evidence import Sampled, evidence_of, limbs_of, months_after
from scionreg.identity.tree_status import SIDE, TreeIdentity, identity_of
from scionreg.identity.when_cut import when_cut
from scionreg.lineage.stops import Happening
from scionreg.lineage.tree_books import Check, Cut, TreeBook, WoodCheck
from scionreg.records.errors import RegistryError
from scionreg.records.starting_values import StatusValues
from scionreg.records.vocabulary import CheckMethod, IdentityStatus, SampleFound, TreeEventKind
from scionreg.registry.store import Store
from tests.conftest import Said

Run = Callable[..., Said]
LADDER = [status for status in IdentityStatus if status not in SIDE]
TODAY = dt.date(2026, 6, 1)


def day(text: str | None) -> dt.date | None:
    return dt.date.fromisoformat(text) if text else None


def look(method: str, date: str | None, off: int = 0, **more: Any) -> Check:
    """Return a look at one tree."""
    made = {"check": f"K {method} {date}", "item": "T1", "limb": None, "found": None}
    made |= {"date": day(date), "method": method, "checked": 1, "off": off}
    return Check(**made | more)


def event(kind: str, date: str | None, limb: str | None = None, detail: str = "") -> Happening:
    return Happening("T1", day(date), kind, limb, detail or None)


def book(*happened: Check | Happening | WoodCheck | Cut, **more: Any) -> TreeBook:
    """Return the book of a bank tree planted in 2015 that was received from outside."""
    made: dict[str, Any] = {"tree": "T1", "cultivar": "Aldern", "kind": "bank", "status": "usable"}
    made |= {"planted": dt.date(2015, 2, 1), "origin": "received from SU-01"}
    for name, kind in (
        ("checks", Check),
        ("events", Happening),
        ("wood", WoodCheck),
        ("cuts", Cut),
    ):
        made[name] = tuple(each for each in happened if isinstance(each, kind))
    return TreeBook(**made | more)


def status(of: TreeBook, on: dt.date = TODAY, **more: Any) -> str:
    return identity_of(of, on, **more).status.value


# The ladder


@pytest.mark.parametrize(
    ("looks", "reached"),
    [
        ([], "on_paper"),
        (["bud"], "field_checked"),
        (["leaf"], "field_checked"),
        (["fruit"], "fruit_checked"),
        (["leaf", "fruit"], "fruit_checked"),
        (["dna"], "fingerprint_agrees"),
        (["dna", "leaf"], "fingerprint_agrees"),
        (["dna", "fruit"], "cleared_as_source"),
    ],
)
def test_the_rungs(looks: list[str], reached: str) -> None:
    tree = book(*(look(method, "2025-09-01") for method in looks))
    assert status(tree) == reached


def test_a_tree_of_which_nothing_is_recorded_has_its_name_only() -> None:
    assert status(book(origin=None)) == "named_only"
    assert status(book(look("paper", "2020-01-01"), origin=None)) == "on_paper"
    both = (look("dna", "2025-09-01"), look("fruit", "2025-09-01"))
    assert status(book(*both, origin=None)) == "fingerprint_agrees"


@pytest.mark.parametrize(
    ("kind", "months"), [("bank", 24), ("bearing", 36), ("young", 24), (None, 24)]
)
def test_a_look_holds_for_a_time_and_a_profile_for_good(kind: str | None, months: int) -> None:
    tree = book(look("fruit", "2024-02-29"), look("dna", "2016-01-01"), kind=kind)
    end = months_after(dt.date(2024, 2, 29), months)
    found = identity_of(tree, end - dt.timedelta(days=1))
    assert (found.status, found.until) == (IdentityStatus.CLEARED_AS_SOURCE, end)
    assert status(tree, end) == "fingerprint_agrees"
    assert status(tree, dt.date(2060, 1, 1)) == "fingerprint_agrees"


def test_months_end_where_a_month_is_shorter() -> None:
    assert months_after(dt.date(2024, 8, 31), 6) == dt.date(2025, 2, 28)
    assert months_after(dt.date(2024, 12, 15), 24) == dt.date(2026, 12, 15)


# What ends evidence


@pytest.mark.parametrize("kind", ["topworked", "replanted", "retagged", "regrew_below_union"])
def test_an_event_ends_all_that_was_known_before(kind: str) -> None:
    checks = (look("dna", "2025-03-01"), look("fruit", "2025-09-01"))
    before, after = event(kind, "2025-02-01"), event(kind, "2025-10-01")
    # Where the tree came from says nothing of what stands there now, but for a new tag.
    whole = "cleared_as_source" if kind == "retagged" else "fingerprint_agrees"
    assert status(book(*checks, before)) == whole
    found = identity_of(book(*checks, after), TODAY)
    assert found.status == ("on_paper" if kind == "retagged" else "named_only")
    assert not any(each.stands for each in found.evidence)
    assert status(book(*checks, event(kind, "2025-09-01"))) != "fruit_checked", "the same day"
    assert status(book(*checks, event(kind, None))) in ("on_paper", "named_only"), "nobody knows"
    assert status(book(*checks, after), dt.date(2025, 9, 30)) == "cleared_as_source"


@pytest.mark.parametrize("kind", ["pruned_hard", "treated", "released", "notice"])
def test_other_events_end_nothing(kind: str) -> None:
    assert status(book(look("dna", "2025-03-01"), event(kind, "2025-10-01"))) == (
        "fingerprint_agrees"
    )


def test_a_look_at_the_tree_that_stood_there_before_says_nothing() -> None:
    tree = book(look("dna", "2014-09-01"), event("replanted", "2015-02-01"))
    found = identity_of(tree, TODAY)
    assert found.status is IdentityStatus.ON_PAPER
    assert found.evidence[0].ended == "the tree was planted on 2015-02-01, after it"
    later = book(look("dna", "2015-09-01"), event("replanted", "2015-02-01"))
    assert status(later) == "fingerprint_agrees"


def test_a_look_without_a_day_never_stands_and_a_profile_until_an_event() -> None:
    assert status(book(look("fruit", None))) == "on_paper"
    assert status(book(look("dna", None))) == "fingerprint_agrees"
    assert status(book(look("dna", None), event("retagged", "2016-01-01"))) == "on_paper"
    undated = book(look("dna", None), look("fruit", "2025-09-01"))
    assert status(undated) == "fingerprint_agrees", "cleared needs a day"


def test_what_happens_to_a_limb_is_the_limb_s_alone() -> None:
    tree = book(
        look("dna", "2025-03-01"),
        look("fruit", "2025-09-01", limb="N"),
        event("topworked", "2025-10-01", "S", "to Birkwood"),
    )
    found = identity_of(tree, TODAY)
    assert limbs_of(tree) == ["S", "N"]
    assert found.status is IdentityStatus.FINGERPRINT_AGREES, "the fruit was the limb's"
    assert any("limb S was topworked on 2025-10-01 (to Birkwood)" in r for r in found.reasons)
    assert {limb.limb: limb.status.value for limb in found.limbs} == {
        "S": "named_only",
        "N": "cleared_as_source",
    }


def test_a_limb_speaks_for_a_tree_of_one_piece() -> None:
    assert status(book(look("dna", "2025-03-01", limb="N"))) == "fingerprint_agrees"


# What speaks against it


@pytest.mark.parametrize(("method", "seen"), [("dna", "marker profile"), ("fruit", "fruit")])
def test_found_to_be_something_else_it_is_wrong(method: str, seen: str) -> None:
    off = look(method, "2025-09-01", 1, found="Birkwood")
    found = identity_of(book(look("leaf", "2025-01-01"), off), TODAY)
    assert (found.status, found.rung) == ("wrong", "field_checked")
    assert (
        found.reasons[0]
        == f"it was found to be Birkwood by {seen} (K {method} 2025-09-01 of {off.date})"
    )


def test_of_two_profiles_the_later_speaks_and_a_fruit_is_no_match_for_one() -> None:
    off, before, after = (look("dna", f"2025-0{i}-01", i == 2) for i in (2, 1, 3))
    assert status(book(before, off)) == "wrong"
    assert status(book(off, after)) == "fingerprint_agrees"
    assert status(book(before, look("fruit", "2025-09-01", 1))) == "doubtful", "a mutation?"


def test_leaves_alone_are_a_doubt_and_a_later_stronger_look_answers() -> None:
    off = look("leaf", "2025-08-01", 1)
    assert status(book(off)) == "doubtful"
    assert status(book(off, look("bud", "2025-12-01"))) == "doubtful"
    assert status(book(off, look("leaf", "2025-09-01"))) == "field_checked"
    assert status(book(off, look("dna", "2025-09-01"))) == "fingerprint_agrees"
    assert status(book(off, look("dna", "2024-09-01"))) == "doubtful", "it may be a mutation"


def test_a_part_or_a_mutation_is_a_doubt() -> None:
    assert status(book(look("fruit", "2025-09-01", 1, checked=4))) == "doubtful"
    assert status(book(look("fruit", "2025-09-01", 1, found="sport"))) == "doubtful"


def test_a_limb_found_off_is_wrong_itself_and_not_the_rest() -> None:
    tree = book(look("dna", "2024-09-01"), look("fruit", "2025-09-01", 1, limb="S", found="other"))
    found = identity_of(tree, TODAY)
    assert found.status is IdentityStatus.FINGERPRINT_AGREES
    assert [limb.status for limb in found.limbs] == [IdentityStatus.DOUBTFUL]
    alone = identity_of(book(look("fruit", "2025-09-01", 1, limb="S")), TODAY)
    assert [limb.status for limb in alone.limbs] == [IdentityStatus.WRONG]


def test_a_tree_renamed_to_what_it_was_found_to_be_agrees() -> None:
    assert status(book(look("dna", "2025-09-01", 1, found="Aldern"))) == "fingerprint_agrees"


def test_a_new_tag_does_not_right_a_wrong_tree_but_topworking_ends_the_finding() -> None:
    wrong = look("dna", "2025-03-01", 1, found="Birkwood")
    assert status(book(wrong, event("retagged", "2025-04-01"))) == "wrong"
    assert status(book(wrong, event("topworked", "2025-04-01"))) == "named_only"


def test_a_hold_is_a_doubt_until_it_is_released() -> None:
    tree = book(
        look("fruit", "2025-09-01"),
        event("hold", "2025-10-01"),
        event("released", "2025-12-01"),
    )
    assert status(tree, dt.date(2025, 9, 30)) == "fruit_checked"
    assert status(tree, dt.date(2025, 10, 15)) == "doubtful"
    assert status(tree) == "fruit_checked"


def test_a_notice_is_the_authority_s_and_no_doubt_of_identity_but_clears_nothing() -> None:
    looks = (look("fruit", "2025-09-01"), look("dna", "2025-09-01"))
    found = identity_of(book(*looks, event("notice", "2025-10-01", detail="no. 7")), TODAY)
    assert found.status is IdentityStatus.FINGERPRINT_AGREES
    assert any("under a notice (no. 7)" in reason for reason in found.reasons)


def test_dead_and_retired_trees() -> None:
    looks = (look("fruit", "2025-09-01"),)
    dead = book(*looks, event("died", "2025-10-01"))
    assert (status(dead), status(dead, dt.date(2025, 9, 30))) == ("dead", "fruit_checked")
    assert status(book(*looks, status="dead")) == "dead"
    assert status(book(*looks, status="retired")) == "retired"
    # The tree's own status has no day, so it says nothing of an earlier one.
    assert status(book(*looks, status="retired"), now=False) == "fruit_checked"
    again = book(event("died", "2014-01-01"), event("replanted", "2015-02-01"))
    assert status(again) == "on_paper"
    removed = book(*looks, event("limb_removed", "2025-10-01", "N"))
    found = identity_of(removed, TODAY)
    assert (found.status, found.limbs[0].status) == ("fruit_checked", "dead")
    assert status(book(look("dna", "2025-01-01", 1), status="retired")) == "wrong"


def test_a_marker_profile_without_a_day_counts_now() -> None:
    agrees = Sampled(sample="s", found=SampleFound.AS_LABELLED, cultivar="Aldern")
    other = Sampled(sample="s", found=SampleFound.OTHER_CULTIVAR, cultivar="Birkwood")
    assert status(book(), samples=[agrees]) == "fingerprint_agrees"
    assert status(book(), samples=[agrees], now=False) == "on_paper"
    assert status(book(event("retagged", "2020-01-01")), samples=[agrees]) == "on_paper"
    assert status(book(), samples=[other]) == "wrong"
    assert status(book(look("dna", "2025-01-01")), samples=[other]) == "doubtful"


# Off-types of its wood


def of_wood(
    off: int, checked: int, date: str = "2025-08-01", *, true_before: bool = False, **more: Any
) -> WoodCheck:
    seen = look(more.pop("method", "leaf"), date, off, checked=checked, item="G1", **more)
    return WoodCheck(seen, ("C1",), true_before)


@pytest.mark.parametrize(
    ("wood", "doubt"),
    [
        (of_wood(8, 8), True),
        (of_wood(3, 10), True),
        # One of ten by leaf: false alarms (0.03 each) make that once in four times.
        (of_wood(1, 10), False),
        (of_wood(1, 10, method="dna"), True),
        (of_wood(8, 8, found="rootstock"), False),
        (of_wood(8, 8, found="Aldern"), False),
        (of_wood(8, 8, true_before=True), False),
        (of_wood(8, 8, "2027-01-01"), False),
        (of_wood(0, 8), False),
    ],
)
def test_off_types_among_all_of_its_wood_are_a_doubt(wood: WoodCheck, doubt: bool) -> None:
    tree = book(wood, Cut("C1", None, dt.date(2025, 1, 10), 50))
    assert status(tree) == ("doubtful" if doubt else "on_paper")


def test_a_later_profile_or_release_answers_them() -> None:
    cut, wood = Cut("C1", None, dt.date(2025, 1, 10), 50), of_wood(8, 8)
    assert status(book(cut, wood, look("dna", "2025-07-01"))) == "doubtful"
    assert status(book(cut, wood, look("leaf", "2025-09-01"))) == "doubtful"
    assert status(book(cut, wood, look("dna", "2025-09-01"))) == "fingerprint_agrees"
    assert status(book(cut, wood, event("released", "2025-09-01"))) == "on_paper"


def test_off_types_of_a_limb_s_wood_are_the_limb_s() -> None:
    tree = book(
        Cut("C1", "S", dt.date(2025, 1, 10), 50), Cut("C2", "N", dt.date(2025, 1, 10), 50),
        of_wood(8, 8),
    )  # fmt: skip
    limbs = {limb.limb: limb.status.value for limb in identity_of(tree, TODAY).limbs}
    assert limbs == {"S": "doubtful", "N": "on_paper"}


# When it was cut


def test_what_stood_on_the_day_of_cutting_and_what_was_found_since() -> None:
    cut = Cut("C1", None, dt.date(2025, 1, 10), 50)
    tree = book(cut, look("leaf", "2024-08-01"), look("dna", "2025-06-01", 1), of_wood(8, 8))
    found = when_cut(tree, cut)
    assert (found.status, found.verified) == (IdentityStatus.FIELD_CHECKED, True)
    assert found.since == (
        "2025-06-01: the tree was off at 1 of 1 by marker profile (K dna 2025-06-01)",
        "2025-08-01: G1 was off at 8 of 8 by leaf and habit (K leaf 2025-08-01)",
    )


def test_wood_cut_before_any_look_or_while_on_hold_was_not_verified() -> None:
    cut = Cut("C1", None, dt.date(2025, 1, 10), 50)
    assert when_cut(book(cut, look("dna", "2025-06-01")), cut).verified is False
    held = book(cut, look("dna", "2024-06-01"), event("hold", "2025-01-09"))
    found = when_cut(held, cut)
    assert (found.status, found.verified) == (IdentityStatus.DOUBTFUL, False)
    undated = Cut("C1", None, None, 50)
    found = when_cut(book(undated, look("dna", "2024-06-01")), undated)
    assert (found.status, found.verified) == (None, None)
    ended = book(cut, look("dna", "2024-06-01"), event("retagged", "2025-01-01"))
    assert when_cut(ended, cut).verified is False


# Whatever happened


DAYS = st.dates(dt.date(2014, 1, 1), dt.date(2027, 1, 1)) | st.none()
LIMBS = st.sampled_from((None, None, "N", "S"))
CHECKS = st.builds(
    Check,
    check=st.uuids().map(str),
    item=st.just("T1"),
    limb=LIMBS,
    date=DAYS,
    method=st.sampled_from([each.value for each in CheckMethod]),
    checked=st.just(1),
    off=st.sampled_from((0, 0, 1)),
    found=st.sampled_from((None, "Birkwood", "Aldern", "rootstock", "sport")),
)
EVENTS = st.builds(
    Happening,
    tree=st.just("T1"),
    date=DAYS,
    event=st.sampled_from([each.value for each in TreeEventKind]),
    limb=LIMBS,
    detail=st.none(),
)
BOOKS = st.builds(
    lambda checks, events, planted, kind, state: book(
        *checks, *events, planted=planted, kind=kind, status=state
    ),
    st.lists(CHECKS, max_size=5),
    st.lists(EVENTS, max_size=4),
    DAYS,
    st.sampled_from((None, "bank", "bearing", "young", "dehorned", "increase")),
    st.sampled_from((None, "usable", "resting", "retired", "dead")),
)
KNOWN_DAYS = st.dates(dt.date(2014, 1, 1), dt.date(2027, 1, 1))


def height(of: TreeIdentity) -> int:
    return LADDER.index(of.rung)


@given(BOOKS, KNOWN_DAYS)
def test_a_day_knows_nothing_of_what_came_after_it(of: TreeBook, on: dt.date) -> None:
    until_then = TreeBook(
        **{name: getattr(of, name) for name in of.__dataclass_fields__}
        | {
            "checks": tuple(c for c in of.checks if c.date is None or c.date <= on),
            "events": tuple(e for e in of.events if e.date is None or e.date <= on),
        }
    )
    found, then = (identity_of(each, on, now=False) for each in (of, until_then))
    # Which limbs there are, and whether a limb is another plant, may be learned later.
    if limbs_of(of) == limbs_of(until_then) == []:
        assert found == then


@given(BOOKS, KNOWN_DAYS, st.sampled_from(["topworked", "replanted", "retagged"]))
def test_no_event_that_breaks_identity_raises_the_rung(
    of: TreeBook, on: dt.date, kind: str
) -> None:
    broken = TreeBook(
        **{name: getattr(of, name) for name in of.__dataclass_fields__}
        | {"events": (*of.events, Happening("T1", on, kind, None, None))}
    )
    assert height(identity_of(broken, on)) <= height(identity_of(of, on))


@given(BOOKS, KNOWN_DAYS)
def test_what_stands_was_seen_since_every_break_and_lately_enough(
    of: TreeBook, on: dt.date
) -> None:
    """Each look that stands, said again in plain conditions."""
    values = StatusValues()
    hold = {"bearing": 36}.get(of.kind or "bank", 24)
    breaks = ("topworked", "replanted", "retagged", "regrew_below_union")
    for each in evidence_of(of, on, values):
        if not (each.stands and each.agrees):
            continue
        ended = [e for e in of.events if e.event in breaks and e.limb is None]
        if each.date is None:
            assert each.method in ("dna", "paper")
            assert not [e for e in ended if e.date is None or e.date <= on]
            continue
        assert each.date <= on
        assert of.planted is None or of.planted <= each.date
        assert not [
            e
            for e in ended
            if (e.date is None or each.date <= e.date <= on)
            # The planting of this very tree.
            and not (e.event == "replanted" and e.date and of.planted and of.planted >= e.date)
        ]
        if each.method not in ("dna", "paper"):
            assert on < months_after(each.date, hold)


@given(BOOKS, KNOWN_DAYS)
def test_a_side_state_has_a_reason_and_the_answer_is_plain(of: TreeBook, on: dt.date) -> None:
    found = identity_of(of, on)
    assert found.reasons
    assert found.status == found.rung or found.status in SIDE
    assert json.loads(json.dumps(found.to_dict()))["status"] == found.status.value


# In a registry


@pytest.fixture
def furnished(store: Store) -> Registry:
    """A tree with wood of two winters, and a lot of each; an alias for the cultivar."""
    add(store, "people", person="P01")
    add(store, "cultivars", cultivar="Aldern", species="Malus domestica", aliases="Ald")
    add(store, "cultivars", cultivar="Birkwood", species="Malus domestica")
    add(store, "mother_trees", tree="T1", cultivar="Ald", received_from="SU-01", kind="bank")
    add(store, "mother_trees", tree="T2", cultivar="Birkwood")
    grafted = {"grafter": "P01", "method": "whip", "grafts": 20}
    for year in (2024, 2025):
        add(store, "collections", collection=f"C{year}", tree="T1", date=f"{year}-01-10", sticks=50)
        add(store, "bundles", bundle=f"B{year}", collection=f"C{year}", sticks=40)
        add(
            store, "graft_lots", graft_lot=f"G{year}", bundle=f"B{year}", date=f"{year}-03-10",
            **grafted,
        )  # fmt: skip
    add(
        store, "identity_checks", check="K1", item="G2024", date="2025-08-01", method="dna",
        checked=3, off=3, found="Birkwood",
    )  # fmt: skip
    return Registry(store)


def told(registry: Registry, code: str, **options: Any) -> TreeIdentity:
    (found,) = registry.status(code, **options).trees
    return found


def test_off_types_are_traced_to_the_tree_and_the_cutting(furnished: Registry) -> None:
    found = told(furnished, "T1", on=dt.date(2025, 9, 1))
    assert (found.status, found.cultivar, found.rung) == ("doubtful", "Aldern", "on_paper")
    assert "3 of 3 at G2024, all of its wood, were off (K1 of 2025-08-01)" in found.reasons
    first, second = furnished.status("T1").collections
    assert (first.collection, first.since) == (
        "C2024",
        ("2025-08-01: G2024 was off at 3 of 3 by marker profile (K1), found to be Birkwood",),
    )
    assert second.since == ()
    listed = {each.tree: each.status for each in furnished.status(on=dt.date(2025, 9, 1)).trees}
    assert listed == {"T1": "doubtful", "T2": "named_only"}


def test_a_tree_that_gave_only_part_of_the_wood_is_not_doubted(furnished: Registry) -> None:
    store = furnished.store
    add(store, "collections", collection="C9", tree="T2", date="2025-01-11", sticks=50)
    add(store, "bundles", bundle="B9", collection="C9", sticks=40)
    furnished.rebundle([("B9", 10), ("B2025", 10)], {"bundle": "BM", "sticks": 20}, recorder="P01")
    add(store, "graft_lots", graft_lot="GM", bundle="BM", grafts=10, grafter="P01",
        method="whip", date="2025-03-11")  # fmt: skip
    add(store, "identity_checks", check="K2", item="GM", date="2025-08-01", method="dna",
        checked=3, off=3)  # fmt: skip
    assert told(furnished, "T2").status == "named_only"
    assert not any("GM" in reason for reason in told(furnished, "T1").reasons)


def test_trees_sent_are_no_doubt_where_the_row_was_true(furnished: Registry) -> None:
    store = furnished.store
    add(store, "dispatches", dispatch="D1", graft_lot="G2025", customer="CU-1", trees=5)
    add(store, "identity_checks", check="K2", item="D1", date="2025-12-01", method="dna",
        checked=3, off=3)  # fmt: skip
    on = dt.date(2026, 1, 1)
    add(store, "tree_events", tree="T1", date="2025-09-01", event="released")
    assert told(furnished, "T1", on=on).status == "doubtful"
    add(store, "identity_checks", check="K3", item="G2025", date="2025-09-01", method="leaf",
        checked=8, off=0)  # fmt: skip
    assert told(furnished, "T1", on=on).status == "on_paper"
    add(store, "identity_checks", check="K4", item="G2025", date="2025-09-02", method="leaf",
        checked=8, off=1)  # fmt: skip
    assert "K2" in told(furnished, "T1", on=on).reasons[0]


def test_names_and_codes_that_are_asked_for(furnished: Registry) -> None:
    assert [each.tree for each in furnished.status(cultivar="Ald").trees] == ["T1"]
    only = furnished.status("C2025")
    assert (only.trees, [each.collection for each in only.collections]) == ((), ["C2025"])
    with pytest.raises(RegistryError, match="is a graft lot; name mother trees or collections"):
        furnished.status("G2024")
    with pytest.raises(RegistryError, match="nothing is recorded under 'T9'"):
        furnished.status("T9")


def test_how_long_a_look_holds_is_the_nursery_s_own(furnished: Registry) -> None:
    add(furnished.store, "identity_checks", check="K2", item="T2", date="2025-09-01",
        method="fruit", checked=1, off=0)  # fmt: skip
    on = dt.date(2026, 9, 15)
    assert told(furnished, "T2", on=on).status == "fruit_checked"
    furnished.change_settings(recorder="P01", **{"status.look_holds_bank": "12"})
    assert told(furnished, "T2", on=on).status == "named_only"


# The invented nursery


def test_the_tree_that_was_not_cut_is_cleared_and_its_wood_was_not_verified(demo: str) -> None:
    """Story 1: the book's tree is true; the wood of 2024 came from its neighbour."""
    with Registry.open(demo) as registry:
        held = told(registry, "T24-0047-1", on=dt.date(2026, 9, 10))
        cleared = told(registry, "T24-0047-1", on=dt.date(2026, 10, 1))
        cuts = {each.collection: each for each in registry.status("T24-0047-1").collections}
    assert held.status is IdentityStatus.DOUBTFUL
    assert any("on hold since 2026-09-03" in reason for reason in held.reasons)
    assert cleared.status is IdentityStatus.FINGERPRINT_AGREES
    assert cleared.alike == ("Tillowby Red",)
    assert cuts["C24-0047-1"].verified is False
    assert sum("Pendrake" in line for line in cuts["C24-0047-1"].since) == 2


def test_every_tree_of_the_demo_has_a_status_and_none_is_wrong(demo: str) -> None:
    with Registry.open(demo) as registry:
        found = registry.status(on=dt.date(2026, 10, 1)).trees
    assert len(found) == 64
    by_tree = {each.tree: each.status.value for each in found}
    assert "wrong" not in by_tree.values()
    assert by_tree["T24-0028-2"] == "dead"
    assert by_tree["Old-5"] == "named_only"


def test_a_manager_reads_the_list_and_one_tree(run: Run, demo: str) -> None:
    where = ("--registry", demo)
    code, out, err = run("status", "--cultivar", "Tilby", *where)
    assert (code, out.count("Tillowby")) == (0, 6)
    assert err.count("by the nursery's own records") == 1
    _, out, _ = run("status", "T24-0047-1", "--on", "2026-10-01", *where)
    assert "T24-0047-1, Tillowby: fingerprint agrees" in out
    assert "No marker tells it from Tillowby Red." in out
    assert "no longer stands: it held until 2026-08-21" in out
    assert "verified when cut" in out
    _, out, _ = run("status", "--only", "dead", "--csv", *where)
    assert [row["tree"] for row in csv.DictReader(out.splitlines())] == ["T24-0028-2"]
    code, _, err = run("status", "--only", "certified", *where)
    assert (code, "'certified' is no status" in err) == (1, True)
    _, out, _ = run("show", "Old-5", *where)
    assert "identity: named only; nothing but the name is recorded" in out


def test_no_answer_certifies_or_clears_a_shipment(run: Run, demo: str) -> None:
    for words in (("status",), ("status", "T24-0047-1", "Old-11")):
        _, out, err = run(*words, "--registry", demo)
        for claim in ("certif", "virus", "disease", "legal", "healthy"):
            assert claim not in (out + err).lower()
