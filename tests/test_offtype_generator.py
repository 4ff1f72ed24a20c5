"""The benchmark of `offtype`: registries load, their truth fits their records, scores count."""

from collections.abc import Iterator
from contextlib import ExitStack
from typing import Any

import pytest

from benchmarks.offtype_causes import calibration, grouped, rise_after, score, thumb
from benchmarks.offtype_faults import PLANTERS, ROOTSTOCK
from benchmarks.offtype_looks import as_positions
from benchmarks.offtype_nursery import Lot, Sent
from benchmarks.offtype_registries import KINDS, Drawn, Registries, answer_check, draw_registry
from scionreg.api import Registry
from scionreg.records.vocabulary import Failure

SEEDS = range(2)
PAIRS = {"bundles_exchanged", "lots_exchanged", "changeover_mixed", "dispatches_exchanged"}


@pytest.fixture(scope="module")
def registries(tmp_path_factory: pytest.TempPathFactory) -> Registries:
    return Registries(tmp_path_factory.mktemp("drawn"))


@pytest.fixture(scope="module", params=KINDS)
def drawn(request: pytest.FixtureRequest) -> list[Drawn]:
    """Registries of one kind."""
    return [draw_registry(seed, request.param) for seed in SEEDS]


@pytest.fixture(scope="module")
def loaded(drawn: list[Drawn], registries: Registries) -> Iterator[list[tuple[Drawn, Registry]]]:
    """The same, each with the registry that it was imported into."""
    with ExitStack() as stack:
        yield [(each, stack.enter_context(registries.holding(each))) for each in drawn]


def foreign_lots(drawn: Drawn) -> set[str]:
    """Return the lots with a tree that is neither as labelled nor a sprout."""
    return {lot.code for lot in drawn.nursery.lots if drawn.grown.foreign(lot)}


def all_kinds() -> Iterator[str]:
    return (failure.value for failure in Failure if failure is not Failure.NONE_OF_THESE)


def test_every_kind_of_failure_is_planted() -> None:
    assert set(PLANTERS) == set(all_kinds())


def test_the_records_load_and_say_what_was_drawn(
    loaded: list[tuple[Drawn, Registry]],
) -> None:
    for each, registry in loaded:
        for kind, rows in each.rows.items():
            assert len(list(registry.records(kind))) == len(rows)
        counted = {row["graft_lot"]: row["pushing"] for row in registry.records("take_counts")}
        assert counted == {code: len(trees) for code, trees in each.real.items()}
        sent = {
            (row["dispatch"], row["graft_lot"]): row["trees"]
            for row in registry.records("dispatches")
        }
        assert sent == {line: len(trees) for line, trees in each.sent.items()}


def test_wrong_trees_descend_from_the_fault_and_nowhere_else(
    loaded: list[tuple[Drawn, Registry]],
) -> None:
    """Recall from what went wrong reaches every lot with trees of other wood."""
    for each, registry in loaded:
        if each.fault is None:
            assert not foreign_lots(each)
            continue
        if each.fault.failure in ("rootstock_grew", "dispatches_exchanged"):
            assert not foreign_lots(each)
            continue
        things = [cut.code for cut in each.fault.instead] or [each.fault.thing.code]
        if each.fault.failure in PAIRS and each.fault.partner is not None:
            things.append(each.fault.partner.code)
        reached = set(things)
        for code in things:
            reached |= {row.graft_lot for row in registry.recall(code).graft_lots}
        assert foreign_lots(each) <= reached


def test_the_truth_names_the_fault(drawn: list[Drawn]) -> None:
    for each in drawn:
        assert each.truth
        for failure, item, partner in each.truth:
            assert failure in {each.kind, "rootstock_grew", "none_of_these"}
            assert (partner != "") == (failure in PAIRS)
            assert item != "" or failure == "none_of_these"


def test_who_asks_has_a_reason(drawn: list[Drawn]) -> None:
    for each in drawn:
        off = sum(row["off"] for row in each.rows["identity_checks"]
                  if row["item"].partition("/")[0] == each.asked)  # fmt: skip
        assert (off > 0) == (each.kind != "clean")
        checked = sum(row["checked"] for row in each.rows["identity_checks"])
        assert checked == sum(len(look.seen) for look in each.looks)
        if each.well_looked_at:
            assert off >= 2
    if drawn[0].kind == "clean":
        assert not any(row["off"] for each in drawn for row in each.rows["identity_checks"])


def test_a_seed_draws_the_same_registry_again(drawn: list[Drawn]) -> None:
    again = draw_registry(drawn[0].seed, drawn[0].kind)
    assert again.rows == drawn[0].rows
    assert (again.asked, again.truth, again.real) == (
        drawn[0].asked,
        drawn[0].truth,
        drawn[0].real,
    )


def test_exchanged_lots_hold_each_others_wood() -> None:
    drawn = draw_registry(5, "lots_exchanged")
    assert drawn.fault is not None
    one, other = drawn.fault.thing, drawn.fault.partner
    assert isinstance(one, Lot)
    assert isinstance(other, Lot)
    assert set(drawn.real[one.code].values()) - {ROOTSTOCK} == {other.label}
    assert set(drawn.real[other.code].values()) - {ROOTSTOCK} == {one.label}


def test_exchanged_dispatches_leave_the_rows_true() -> None:
    drawn = draw_registry(4, "dispatches_exchanged")
    assert drawn.fault is not None
    one, other = drawn.fault.thing, drawn.fault.partner
    assert isinstance(one, Sent)
    assert isinstance(other, Sent)
    assert set(drawn.sent[one.code, one.lot.code]) - {ROOTSTOCK} == {other.lot.label}
    assert set(drawn.real[one.lot.code].values()) - {ROOTSTOCK} == {one.lot.label}


def test_positions_are_written_as_runs() -> None:
    assert as_positions([7, 3, 12, 13, 14]) == "3;7;12-14"


# ------------------------------------------------------------------------------------- the scoring


def cause(
    failure: str, item: str | None, probability: float, partner: Any = None
) -> dict[str, Any]:
    return {"failure": failure, "item": item, "with": partner, "probability": probability}


def answer(*causes: dict[str, Any], tied: Any = (), few: bool = False) -> dict[str, Any]:
    return {"causes": list(causes), "tied": list(tied), "few": few}


TREE, CUT = cause("tree_is_other", "T1", 0.5), cause("other_tree_cut", "C1", 0.3)
SWAP = cause("lots_exchanged", "G2", 0.15, "G1")
NONE = cause("none_of_these", None, 0.05)


def test_the_truth_is_looked_for_in_order() -> None:
    said = answer(TREE, CUT, SWAP, NONE, few=True)
    found = score(said, {("other_tree_cut", "C1", "")})
    assert (found.rank, found.alone, found.first, found.truth) == (2, 2, 0.5, 0.3)
    assert found.few
    assert not found.right
    assert score(said, {("none_of_these", "", "")}).rank == 4
    assert score(said, {("two_trees_cut", "C1", "")}).rank is None


def test_an_exchange_needs_its_partner() -> None:
    said = answer(SWAP, NONE)
    both = {("lots_exchanged", "G1", "G2"), ("lots_exchanged", "G2", "G1")}
    assert score(said, both).right
    assert not score(said, {("lots_exchanged", "G2", "G3")}).right
    listed = answer(cause("lots_exchanged", "G2", 0.9, ["G1"]))
    assert score(listed, both).right


def test_tied_causes_count_as_one_where_the_first_of_them_stands() -> None:
    tie = [
        {"failure": "tree_is_other", "item": "T1", "with": None},
        {"failure": "lots_exchanged", "item": "G2", "with": "G1"},
    ]
    said = answer(TREE, CUT, SWAP, NONE, tied=[tie])
    assert [len(group) for group in grouped(said)] == [2, 1, 1]
    swapped = score(said, {("lots_exchanged", "G2", "G1")})
    assert (swapped.rank, swapped.alone, swapped.tied) == (1, 3, (2,))
    assert swapped.first == pytest.approx(0.65)
    assert score(said, {("other_tree_cut", "C1", "")}).rank == 2


def test_calibration_is_the_gap_between_said_and_right() -> None:
    sure = [score(answer(cause("tree_is_other", "T1", 0.95)), {("tree_is_other", item, "")})
            for item in ("T1", "T1", "T1", "T2")]  # fmt: skip
    unsure = [score(answer(TREE), {("tree_is_other", item, "")}) for item in ("T1", "T2")]
    error, bins = calibration([*sure, *unsure])
    assert bins[9] == pytest.approx((4, 0.95, 0.75))
    assert bins[5] == pytest.approx((2, 0.5, 0.5))
    assert error == pytest.approx(4 / 6 * 0.2)


def test_the_rule_of_thumb_blames_what_is_most_off() -> None:
    """A lot that got another's label is off by itself; its bundle and tree are off less often."""
    named = 0
    for seed in range(8):
        drawn = draw_registry(seed, "lot_mislabelled")
        named += thumb(drawn) in {item for _, item, _ in drawn.truth}
    assert named >= 3


def test_a_proposed_check_is_answered_from_the_truth_and_taken_back(
    registries: Registries, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn = next(
        each
        for each in (draw_registry(seed, "lot_mislabelled") for seed in range(50))
        if each.asked.startswith("G") and len(each.real[each.asked]) >= 10
    )
    rows = answer_check(drawn, drawn.asked, None, "dna", 10, 900)
    assert sum(row["checked"] for row in rows) == 10
    assert sum(row["off"] for row in rows) >= 8
    seen: list[int] = []

    class Said:
        """An answer that grows surer with every check."""

        def __init__(self, checks: int) -> None:
            self.checks = checks

        def to_dict(self) -> dict[str, Any]:
            return answer(cause("lot_mislabelled", drawn.asked, min(1.0, self.checks / 100)))

    def off_type(self: Registry, code: str) -> Said:
        assert code == drawn.asked
        seen.append(len(list(self.records("identity_checks"))))
        return Said(seen[-1])

    monkeypatch.setattr(Registry, "off_type", off_type, raising=False)
    with registries.holding(drawn) as registry:
        before = score(registry.off_type(drawn.asked).to_dict(), drawn.truth)
        rise = rise_after(registry, drawn, before, rows)
        assert rise == pytest.approx(len(rows) / 100)
        assert seen[1] == seen[0] + len(rows)
        assert len(list(registry.records("identity_checks"))) == seen[0]
