"""One pattern for each way an identity breaks, and the cause that it speaks for.

The patterns are common practice, no source; cultivars and codes are invented.
"""

import datetime as dt
from dataclasses import replace

import pytest

from scionreg.identity.answer import off_type
from scionreg.identity.off_type import OffType
from scionreg.lineage.identity_books import (
    Check,
    Cut,
    IdentityBooks,
    Neighbour,
    SampleFinding,
    Sent,
    Stem,
    Tied,
    Worked,
)
from scionreg.records.starting_values import OffTypeValues
from scionreg.records.vocabulary import Failure, Proposal

WINTER, SPRING, SUMMER = dt.date(2026, 1, 20), dt.date(2026, 3, 10), dt.date(2026, 8, 1)
NEXT_TO = (Neighbour("T2", "Birk", 0.5), Neighbour("T0", "Amber", 0.5))
CULTIVARS = dict.fromkeys(("Amber", "Birk", "Corl", "Dunn", "Elm"), "Malus domestica")


def nursery() -> IdentityBooks:
    """Amber trees T0 and T1 beside Birk T2; two winters' wood of T1, and a lot of T2's.

    G1 and G2 are of two bundles of cutting C1, G3 is worked right after G1 by the same hand, G4 is
    of T1's wood of the year before.
    """
    stems = {code: Stem(code, code, label) for code, label in
             (("T0", "Amber"), ("T1", "Amber"), ("T2", "Birk"))}  # fmt: skip
    year_before = dt.date(2025, 1, 20)
    cuts = {
        "C1": Cut("C1", "T1", "Amber", None, WINTER, "P1", NEXT_TO, "T0", "T2"),
        "C2": Cut("C2", "T2", "Birk", None, WINTER + dt.timedelta(1), "P1"),
        "C4": Cut("C4", "T1", "Amber", None, year_before, "P1", NEXT_TO, "T0", "T2"),
    }
    bundles = {
        "B1": Tied("B1", "Amber", "C1", (), WINTER, "P2", "S1"),
        "B2": Tied("B2", "Amber", "C1", (), WINTER, "P2", "S1"),
        "B3": Tied("B3", "Birk", "C2", (), WINTER + dt.timedelta(1), "P2", "S1"),
        "B4": Tied("B4", "Amber", "C4", (), year_before, "P2", "S1"),
    }
    lots = {
        "G1": Worked("G1", "B1", "Amber", "P3", SPRING, 40, 1, 40, None, "G3"),
        "G2": Worked("G2", "B2", "Amber", "P4", SPRING, 40, 101, 140),
        "G3": Worked("G3", "B3", "Birk", "P3", SPRING, 40, 41, 80, "G1", None),
        "G4": Worked("G4", "B4", "Amber", "P3", dt.date(2025, 3, 10), 40),
    }
    return IdentityBooks(stems, cuts, bundles, lots, cultivars=CULTIVARS)


def look(item: str, checked: int, off: int = 0, found: str | None = None, **more: object) -> Check:
    """A look at leaves, in summer."""
    kept = {"date": SUMMER, "method": "leaf", **more}
    return Check(
        f"K{item}{kept['method']}{found}", item, checked=checked, off=off, found=found, **kept
    )


def asked(books: IdentityBooks, *checks: Check, code: str = "G1", **more: object) -> OffType:
    return off_type(replace(books, checks=checks, **more), code)


def first(answer: OffType) -> tuple[Failure, str | None]:
    """Return the likeliest cause, and see that all sum to one."""
    assert sum(each.probability for each in answer.causes) == pytest.approx(1, abs=1e-9)
    return answer.causes[0].failure, answer.causes[0].item


CLEAN = (look("G2", 12), look("G3", 12), look("G4", 12))


def test_a_whole_cutting_is_the_neighbours_while_other_dates_of_the_tree_are_clean() -> None:
    answer = asked(nursery(), look("G1", 12, 9, "Birk"), look("G2", 12, 8, "Birk"), *CLEAN[1:])
    assert first(answer) == (Failure.OTHER_TREE_CUT, "C1")
    assert answer.causes[0].partners == ("T2",)
    assert answer.causes[0].what == "Birk"
    wrong = {each.item: each for each in answer.affected}
    assert wrong["G2"].probability > 0.99
    assert wrong["G2"].proposal == Proposal.RENAME
    assert {"G4", "G3", "T1"} <= {each.item for each in answer.excluded}


def test_every_date_of_a_tree_is_another_cultivar() -> None:
    wrong = [look(item, 12, 9, "Corl") for item in ("G1", "G2", "G4")]
    assert first(asked(nursery(), *wrong, CLEAN[1])) == (Failure.TREE_IS_OTHER, "T1")


def test_a_cutter_was_one_position_off_all_day() -> None:
    books = nursery()
    books.stems["T3"] = Stem("T3", "T3", "Corl")
    books.cuts["C2"] = Cut("C2", "T2", "Birk", None, WINTER, "P1", (), "T1", "T3")
    checks = (look("G1", 12, 9, "Birk"), look("G3", 12, 8, "Corl"), look("G2", 12, 9, "Birk"))
    answer = asked(books, *checks, CLEAN[2])
    assert first(answer) == (Failure.OTHER_TREE_CUT, "C1")
    assert "T2" in answer.causes[0].because
    assert asked(books, *checks, CLEAN[2], code="G3").causes[0].item == "C2"


def test_a_part_of_every_bundle_of_one_cutting_is_the_neighbours() -> None:
    some = [look(item, 20, 5, "Birk") for item in ("G1", "G2")]
    assert first(asked(nursery(), *some, *CLEAN[1:])) == (Failure.TWO_TREES_CUT, "C1")


def test_one_bundle_alone_is_another_cultivar() -> None:
    books = nursery()
    books.lots["G5"] = Worked("G5", "B1", "Amber", "P5", SPRING, 40)
    wrong = [look(item, 12, 9, "Corl") for item in ("G1", "G5")]
    assert first(asked(books, *wrong, *CLEAN)) == (Failure.BUNDLE_MISLABELLED, "B1")


def test_two_bundles_packed_together_carry_each_others_label() -> None:
    books = nursery()
    books.bundles["B3"] = books.bundles["B3"]._replace(packed=WINTER)
    books.lots["G5"] = Worked("G5", "B1", "Amber", "P5", SPRING, 40)
    books.lots["G6"] = Worked("G6", "B3", "Birk", "P6", SPRING, 40)
    answer = asked(
        books, look("G1", 12, 9, "Birk"), look("G5", 12, 8, "Birk"),
        look("G3", 12, 9, "Amber"), look("G6", 12, 8, "Amber"), look("G2", 12), look("G4", 12),
    )  # fmt: skip
    assert first(answer) == (Failure.BUNDLES_EXCHANGED, "B1")
    assert answer.causes[0].partners == ("B3",)


def test_several_known_cultivars_and_more_grafted_than_there_was() -> None:
    books = nursery()
    books.bundles["B1"] = Tied("B1", "Amber", None, (("B2", 0.5), ("B4", 0.5)), excess=0.4)
    found = (
        look("G1", 16, 10), look("G1", 3, 3, "Birk"), look("G1", 3, 3, "Corl"),
        look("G1", 2, 2, "Dunn"),
    )  # fmt: skip
    checks = (found[0]._replace(off=0), *found[1:], *CLEAN)
    answer = asked(books, *checks)
    assert first(answer) == (Failure.BUNDLE_MIXED, "B1")
    assert answer.causes[0].what == "several"


def test_one_lot_alone_is_another_cultivar() -> None:
    books = nursery()
    books.lots["G5"] = Worked("G5", "B1", "Amber", "P5", SPRING, 40)
    checks = (look("G1", 12, 9, "Corl"), look("G5", 12), *CLEAN)
    assert first(asked(books, *checks)) == (Failure.LOT_MISLABELLED, "G1")


def test_two_lots_of_one_bench_are_wholly_each_others() -> None:
    checks = (look("G1", 12, 9, "Birk"), look("G3", 12, 8, "Amber"), CLEAN[0], CLEAN[2])
    answer = asked(nursery(), *checks)
    assert first(answer) == (Failure.LOTS_EXCHANGED, "G1")
    assert answer.causes[0].partners == ("G3",)


def test_mirrored_runs_at_a_changeover() -> None:
    end, start = tuple(range(35, 41)), tuple(range(41, 44))
    checks = (
        look("G1", 40, 6, "Birk", positions=end, positions_checked=tuple(range(1, 41))),
        look("G3", 40, 3, "Amber", positions=start, positions_checked=tuple(range(41, 81))),
        CLEAN[0],
        CLEAN[2],
    )
    answer = asked(nursery(), *checks)
    assert first(answer) == (Failure.CHANGEOVER_MIXED, "G1")
    assert answer.causes[0].partners == ("G3",)


def test_scattered_seedlings_where_too_much_lives() -> None:
    books = nursery()
    books.lots["G1"] = books.lots["G1"]._replace(lives_too_much=True)
    check = look("G1", 40, 4, "rootstock", positions=(5, 14, 23, 38),
                 positions_checked=tuple(range(1, 41)))  # fmt: skip
    answer = asked(books, check, *CLEAN)
    assert first(answer) == (Failure.ROOTSTOCK_GREW, "G1")
    assert answer.causes[0].probability > 0.9


def test_short_runs_that_markers_take_for_the_label_are_a_sport() -> None:
    off = (5, 6, 7, 8, 21, 22, 23)
    seen = look("G1", 40, 7, "unknown", positions=off, positions_checked=tuple(range(1, 41)))
    same = look("G1", 4, 0, method="dna", positions_checked=off[:4])
    other_years = [look(item, 30, 4, "unknown") for item in ("G2", "G4")]
    assert first(asked(nursery(), seen, same, *other_years, CLEAN[1])) == (Failure.TREE_SPORT, "T1")


def test_a_share_of_one_trees_wood_over_the_years_by_limb() -> None:
    books = nursery()
    books.cuts["C1"] = books.cuts["C1"]._replace(limb="east")
    books.cuts["C4"] = books.cuts["C4"]._replace(limb="east")
    books.cuts["C5"] = Cut("C5", "T1", "Amber", "west", WINTER, "P1", NEXT_TO)
    books.bundles["B5"] = Tied("B5", "Amber", "C5")
    books.lots["G5"] = Worked("G5", "B5", "Amber", "P6", SPRING, 40)
    east = [look(item, 12, 9, "Corl") for item in ("G1", "G2", "G4")]
    answer = asked(books, *east, look("G5", 20), CLEAN[1])
    assert first(answer) == (Failure.TREE_PARTLY_OTHER, "T1")


def test_only_the_customers_trees_are_wrong() -> None:
    autumn = dt.date(2027, 11, 20)
    sent = (
        Sent("D1", "G1", autumn, 20, "CU-1", 1, 20),
        Sent("D2", "G3", autumn, 20, "CU-2", 41, 60),
    )
    checks = (
        look("D1", 12, 9, "Birk"), look("D2", 12, 8, "Amber"),
        look("G1", 12), look("G3", 12), CLEAN[0], CLEAN[2],
    )  # fmt: skip
    answer = asked(nursery(), *checks, code="D1", sent=sent)
    assert first(answer) == (Failure.DISPATCHES_EXCHANGED, "D1")
    assert answer.causes[0].partners == ("D2",)
    assert {each.item for each in answer.affected if each.kind == "dispatch"} == {"D1", "D2"}
    assert "G1" in {each.item for each in answer.excluded}


def test_clean_looks_leave_none_of_these() -> None:
    answer = asked(nursery(), look("G1", 12), *CLEAN)
    assert first(answer) == (Failure.NONE_OF_THESE, None)
    assert answer.causes[0].probability > 0.99
    assert not answer.affected


def test_too_few_looked_at_says_so() -> None:
    answer = asked(nursery(), look("G1", 2, 1, "Birk"))
    assert answer.looked.few
    assert answer.causes[0].probability < 0.9
    assert answer.next_checks


def test_what_stood_there_before_a_break_says_nothing_of_what_stands_there_now() -> None:
    books = nursery()
    old = Stem("T1~1", "T1", "Amber", until=dt.date(2025, 6, 1))
    books.stems["T1~1"] = old
    books.cuts["C4"] = books.cuts["C4"]._replace(stem="T1~1")
    wrong = [look(item, 12, 9, "Corl") for item in ("G1", "G2")]
    answer = asked(books, *wrong, look("G4", 20), CLEAN[1])
    assert first(answer) == (Failure.TREE_IS_OTHER, "T1")


def test_a_laboratory_names_what_a_look_could_not() -> None:
    check = look("G1", 1, 1, "unknown", positions=(7,), positions_checked=(7,))
    more = look("G2", 12, 9, "unknown")
    plain = asked(nursery(), check, more, *CLEAN[1:])
    finding = SampleFinding("G1", 7, "Birk")
    found = asked(nursery(), check, more, *CLEAN[1:], profiles=(finding,))
    by_neighbour = {answer.code: answer.causes[0].what for answer in (plain, found)}
    assert by_neighbour == {"G1": "Birk"}
    assert first(found) == (Failure.OTHER_TREE_CUT, "C1")
    assert found.causes[0].probability > plain.causes[0].probability


def test_a_second_look_at_the_same_trees_is_no_second_sample() -> None:
    wrong = look("G1", 10, 3, "unknown")
    again = wrong._replace(check="again", date=dt.date(2026, 9, 1))
    same = again._replace(same_trees_as=wrong.check)
    alone = asked(nursery(), wrong, *CLEAN)
    twice = asked(nursery(), wrong, same, *CLEAN)
    others = asked(nursery(), wrong, again, *CLEAN)

    def false_alarm(answer: OffType) -> float:
        return next(c.probability for c in answer.causes if c.failure == Failure.NONE_OF_THESE)

    assert false_alarm(twice) < false_alarm(alone)
    assert false_alarm(others) != pytest.approx(false_alarm(twice))


def tied_of(*parents: str) -> IdentityBooks:
    """Return the nursery with a lot of wood of several bundles, labelled as that of the first."""
    books = nursery()
    shares = tuple((parent, 1 / len(parents)) for parent in parents)
    tied = Tied("B9", books.bundles[parents[0]].label, None, shares)
    lots = {"G9": Worked("G9", "B9", tied.label, "P5", dt.date(2026, 3, 20), 20, 1, 20)}
    return replace(books, bundles={**books.bundles, "B9": tied}, lots={**books.lots, **lots})


@pytest.mark.parametrize("parents", [("B1", "B3"), ("B1", "B2", "B3"), ("B3", "B1", "B2", "B4")])
def test_two_cultivars_that_the_records_put_in_one_bundle_are_no_tree_s_fault(
    parents: tuple[str, ...],
) -> None:
    books = tied_of(*parents)
    found = "Birk" if parents[0] == "B1" else "Amber"
    off = 5 if len(parents) == 2 else 3 if found == "Birk" else 7
    answer = asked(books, look("G9", 10, off, found), code="G9")
    assert first(answer) == (Failure.BUNDLE_MIXED, "B9")
    assert answer.causes[0].probability > 0.9
    label = books.bundles["B9"].label
    assert answer.causes[0].because.startswith(
        f"wood of {found} was put into B9, as recorded, which is labelled {label}: "
    )
    told = {each.item: each.probability for each in answer.affected}
    assert min(told["G9"], told["B9"]) > 0.99
    assert max((each.probability for each in answer.excluded), default=0) < 0.5


def grown_under_another_name() -> IdentityBooks:
    """Return the nursery with a tree of the Birk lot G3 that is called Corl, and a lot of it."""
    books = nursery()
    return replace(
        books,
        stems={**books.stems, "T5": Stem("T5", "T5", "Corl", False, "G3", 50)},
        cuts={**books.cuts, "C5": Cut("C5", "T5", "Corl", None, dt.date(2030, 1, 20), "P1")},
        bundles={**books.bundles, "B5": Tied("B5", "Corl", "C5")},
        lots={**books.lots, "G5": Worked("G5", "B5", "Corl", "P5", dt.date(2030, 3, 20), 20)},
    )


LATER = dt.date(2031, 8, 1)


def test_a_tree_under_another_name_than_its_lot_s_is_itself_the_fault() -> None:
    checks = look("G5", 10, 10, "Birk", date=LATER)
    answer = asked(grown_under_another_name(), checks, code="G5")
    assert first(answer) == (Failure.TREE_IS_OTHER, "T5")


def test_what_is_off_by_another_name_is_no_evidence_against_the_lot_it_came_from() -> None:
    checks = (look("G5", 10, 10, "Birk", date=LATER), look("G3", 6, 2, "Amber"))
    answer = asked(grown_under_another_name(), *checks, code="G3")
    told = [each.because for each in answer.causes]
    assert not any(" of the 16 " in each or "found to be Birk" in each for each in told)
    assert any("2 of the 6 trees looked at from this bundle were off" in each for each in told)


def test_an_unlikely_sport_is_still_called_one() -> None:
    answer = asked(nursery(), look("G1", 10))
    (sport,) = (each for each in answer.causes if each.failure == Failure.TREE_SPORT)
    assert sport.probability < 0.001
    assert sport.what == "sport"


def sampled(*found: tuple[int | None, str | None]) -> tuple[SampleFinding, ...]:
    """Return profiles of trees of G1, by position and what they were found to be."""
    return tuple(SampleFinding("G1", position, what) for position, what in found)


@pytest.mark.parametrize(
    ("checks", "profiles", "expected"),
    [
        ((), ((1, "Birk"), (2, None), (4, None), (6, None)), (4, 1)),
        ((), ((1, "Birk"), (1, "Birk"), (2, None)), (2, 1)),
        ((), ((None, "Birk"), (None, None)), (2, 1)),
        (((3, 1, (1,), (1, 2, 3)),), ((1, None), (9, "Birk")), (4, 1)),
        (((3, 1, (1,), (1, 2, 3)),), ((None, "Birk"),), (3, 1)),
        (((3, 1, (), ()),), ((1, "Birk"), (2, None)), (3, 1)),
    ],
)
def test_every_sampled_tree_counts_once(
    checks: tuple[tuple[int, int, tuple[int, ...], tuple[int, ...]], ...],
    profiles: tuple[tuple[int | None, str | None], ...],
    expected: tuple[int, int],
) -> None:
    looks = [
        look("G1", n, off, "Birk", method="dna", positions=wrong, positions_checked=places)
        for n, off, wrong, places in checks
    ]
    found = asked(nursery(), *looks, profiles=sampled(*profiles)).looked
    assert (found.checked, found.off) == expected


@pytest.mark.parametrize(("odds", "tied"), [(2.1, True), (2.9, True), (3.1, False)])
def test_causes_are_tied_by_odds_below_three_though_one_explains_less(
    odds: float, tied: bool
) -> None:
    """Two true leaves of the sister bundle speak against the cutting as the cause."""
    checks = (look("G1", 10, 10, "Birk"), look("G2", 2))

    def chances(values: OffTypeValues) -> tuple[OffType, float, float]:
        found = off_type(replace(nursery(), checks=checks), "G1", values=values)
        first = found.causes[0]
        cut = next(each for each in found.causes if each.failure == "other_tree_cut")
        return found, first.probability, cut.probability

    values = OffTypeValues(day_shifted=0)
    found, first, cut = chances(values)
    assert found.causes[0].failure != "other_tree_cut"
    values = replace(values, other_tree_cut=values.other_tree_cut * first / cut / odds)
    found, first, cut = chances(values)
    assert first / cut == pytest.approx(odds, rel=0.02)
    group = {each.failure for each in found.tied[0]}
    assert ("other_tree_cut" in group) is tied
