"""Take by tree, person and rootstock lot; what is low, what is luck, and what nobody can tell."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.special import logit
from scipy.stats import chi2_contingency, fisher_exact

from benchmarks.take_causes import draw_registry
from scionreg import new_registry
from scionreg.lineage.worked_lots import WorkedLots, read_worked_lots
from scionreg.records.errors import RegistryError
from scionreg.records.starting_values import TakeValues
from scionreg.records.vocabulary import CountFinding, LowTake
from scionreg.registry.settings import Settings
from scionreg.take.factors import memberships
from scionreg.take.findings import findings_of
from scionreg.take.matching import Tables, mantel_haenszel
from scionreg.take.row_map import row_map
from scionreg.take.stages import Stage, judged_by
from scionreg.take.summary import summarise
from scionreg.take.table import ONE_HAND, Item, Suspect, TakeTable, take_table
from tests.worked import worked_lots

HICKORY = Path(__file__).parent / "data" / "hickory_1923"


def by_item(table: TakeTable) -> dict[str, Suspect]:
    return {each.item: each for each in table.suspects}


# Published counts: W. G. Bixby, "Stocks for Hickories", Northern Nut Growers Association, Report of
# the Proceedings at the Fifteenth Annual Meeting, 1924, p. 48 ff.


@pytest.fixture(scope="module")
def hickory(tmp_path_factory: pytest.TempPathFactory) -> WorkedLots:
    """The published counts. They have no days; that they were late ones is assumed here."""
    path = tmp_path_factory.mktemp("hickory") / "registry.db"
    with new_registry(path, by="GRAFTER") as registry:
        registry.import_files(HICKORY)
        with registry.store.reading() as connection:
            worked = read_worked_lots(connection, Settings())
    worked.counts["age"] = 150.0
    return worked


def squares(worked: WorkedLots, factor: str) -> Any:
    """Return scipy's test of whether the levels of a factor took alike."""
    counts = worked.counts.set_index("lot")["pushing"]
    members = memberships(worked, factor).set_index("lot")
    both = members.assign(taken=counts, grafts=worked.lots["grafts"]).groupby("level")
    sums = both[["taken", "grafts"]].sum()
    return chi2_contingency([sums["taken"], sums["grafts"] - sums["taken"]], correction=False)


def test_hickories_took_by_the_source_of_their_wood_and_not_by_their_stock(
    hickory: WorkedLots,
) -> None:
    source, stock = squares(hickory, "mother_tree"), squares(hickory, "rootstock_lot")
    assert (source.statistic, source.dof) == (pytest.approx(72.981, abs=5e-4), 16)
    assert source.pvalue == pytest.approx(3.0e-9, rel=0.02)
    assert (stock.statistic, stock.dof) == (pytest.approx(4.826, abs=5e-4), 4)
    assert stock.pvalue == pytest.approx(0.306, abs=5e-4)

    # No source has 30 grafts, and one person's grafts are taken to vary no more than by chance.
    values = TakeValues(least_grafts=20, design_effect=1)
    sources = take_table(hickory, "mother_tree", Stage.LATE, values)
    blamed = {each.item for each in sources.suspects if each.verdict is LowTake.TIED}
    assert blamed == {"Vest tree", "Manahan tree", "Clark tree"}
    assert {(each.factor, each.item) for group in sources.tied for each in group} >= {
        ("mother_tree", "Vest tree"),
        ("cultivar", "Vest"),
    }
    stocks = take_table(hickory, "rootstock_lot", Stage.LATE, values)
    assert {each.verdict for each in stocks.suspects} == {LowTake.NOT_LOW}
    usual = take_table(hickory, "mother_tree", Stage.LATE)
    assert {each.verdict for each in usual.suspects} == {LowTake.NOT_ENOUGH}


def test_a_hickory_is_matched_on_its_rootstock(hickory: WorkedLots) -> None:
    counts = hickory.counts.set_index("lot")["pushing"]
    stock = memberships(hickory, "rootstock_lot").set_index("lot")["level"]
    vest = hickory.lots["cultivar"] == "Vest"
    tables = []
    for each in sorted(set(stock)):
        here = stock == each
        grafts = hickory.lots["grafts"]
        tables.append(
            [
                float(table[here & mine].sum())
                for mine in (vest, ~vest)
                for table in (counts, grafts)
            ]
        )
    taken, made, others, beside = np.array(tables).T
    expected = mantel_haenszel(Tables(np.zeros(5, int), taken, made, others, beside), 1)
    assert expected.odds_ratio[0] == pytest.approx(0.2048, abs=5e-5)
    low, high = expected.odds_interval()
    assert (low[0], high[0]) == pytest.approx((0.0730, 0.5746), abs=5e-5)

    found = by_item(take_table(hickory, "mother_tree", Stage.LATE))["Vest tree"]
    assert "rootstock_lot" in found.alike
    assert found.difference == pytest.approx(expected.difference[0])


def test_effects_of_hickories_are_those_of_the_usual_mixed_model(hickory: WorkedLots) -> None:
    # Random intercepts of source and stock, Laplace; figures of the R package lme4.
    found = by_item(take_table(hickory, "mother_tree", Stage.LATE))
    effects = {
        each: found[f"{each} tree"].effect for each in ("Barnes", "Siers", "Manahan", "Vest")
    }
    expected = {"Barnes": 2.05, "Siers": 1.20, "Manahan": -1.38, "Vest": -1.51}
    assert effects == pytest.approx(expected, abs=0.006)
    assert found["Siers tree"].rate == found["Barnes tree"].rate == 1, "5 of 5, and 18 of 18"
    stocks = take_table(hickory, "rootstock_lot", Stage.LATE)
    assert [each.effect for each in stocks.suspects] == pytest.approx([0] * 5, abs=0.01)


def test_the_lady_tasting_tea() -> None:
    # R. A. Fisher 1935, The Design of Experiments: what scipy reckons for small tables.
    cups = [[3, 1], [1, 3]]
    assert fisher_exact(cups, alternative="greater").pvalue == pytest.approx(0.242857, abs=5e-7)
    assert fisher_exact(cups).pvalue == pytest.approx(0.485714, abs=5e-7)


# Luck


def equal_trees(seed: int, grafts: int, trees: int = 12, take: float = 0.72) -> WorkedLots:
    rng = np.random.default_rng(seed)
    return worked_lots(
        {"tree": f"T{number:02d}", "grafts": grafts, "late": int(rng.binomial(grafts, take))}
        for number in range(trees)
    )


@pytest.mark.parametrize("grafts", [15, 40, 200])
def test_the_worst_of_twelve_equal_trees_is_luck(grafts: int) -> None:
    raw, shrunk = [], []
    for seed in range(40):
        table = take_table(equal_trees(seed, grafts), "mother_tree", Stage.LATE)
        assert {each.verdict for each in table.suspects} <= {LowTake.NOT_LOW, LowTake.NOT_ENOUGH}
        worst = min(table.suspects, key=lambda each: each.rate)
        assert worst.effect is not None
        raw.append(logit(worst.rate) - logit(table.taken / table.grafts))
        shrunk.append(worst.effect)
    assert all(low <= less <= 0.05 for low, less in zip(raw, shrunk, strict=True))
    assert np.mean(shrunk) > 0.3 * np.mean(raw), "two thirds of it were luck"


def test_small_lots_are_taken_to_be_like_their_cultivar() -> None:
    # Corvel takes poorly, its trees alike; one of them has few grafts, and of these none took.
    rng = np.random.default_rng(3)
    rows = [
        {
            "tree": f"{cultivar[0]}{tree}",
            "cultivar": cultivar,
            "grafts": 40,
            "late": int(rng.binomial(40, take)),
        }
        for cultivar, take in (("Aldern", 0.8), ("Birkwood", 0.78), ("Corvel", 0.4))
        for tree in range(6)
        for _ in range(3)
    ]
    rows.append({"tree": "C9", "cultivar": "Corvel", "grafts": 4, "late": 0})
    found = by_item(take_table(worked_lots(rows), "mother_tree", Stage.LATE))
    assert found["C9"].verdict is LowTake.NOT_ENOUGH
    assert found["C9"].effect == pytest.approx(0, abs=0.25)


# What is low


def test_a_worn_out_tree_is_called_low_and_others_only_if_they_are() -> None:
    found, truths = 0, []
    for seed in range(10):
        drawn = draw_registry(seed, "mother_tree", 1.5)
        table = take_table(drawn.worked, "mother_tree", Stage.EARLY)
        low = {each.item for each in table.suspects if each.verdict is LowTake.LOW}
        found += bool(low & drawn.items)
        truths += [drawn.tree_effects[item] for item in low - drawn.items]
    assert found >= 7
    assert len(truths) <= 10, "of about 350 other trees"
    assert max(truths) < 0, "drawn with a spread of 0.3 logit, none better than the usual is blamed"


@pytest.mark.parametrize("factor", ["store", "stock_size"])
def test_what_changes_nothing_is_never_called_low(factor: str) -> None:
    for seed in range(100, 110):
        table = take_table(draw_registry(seed, "none", 0).worked, factor, Stage.EARLY)
        assert {each.verdict for each in table.suspects} == {LowTake.NOT_LOW}


def two_methods() -> WorkedLots:
    """Return trees alike within a method, of which one was mostly worked by the poor method."""
    rows = [
        {"tree": f"T{tree}", "method": method, "grafter": hand, "grafts": 40, "late": taken}
        for tree in range(6)
        for method, taken, lots in (
            ("whip", 34, 1 if tree == 0 else 5),
            ("cleft", 16, 5 if tree == 0 else 1),
        )
        for hand in ("P1", "P2")
        for _ in range(lots)
    ]
    return worked_lots(rows)


def test_a_tree_worked_by_a_poor_method_is_not_blamed_for_it() -> None:
    table = take_table(two_methods(), "mother_tree", Stage.LATE)
    blamed = by_item(table)["T0"]
    assert blamed.rate < table.taken / table.grafts - 0.15, "raw it looks low"
    assert blamed.difference == pytest.approx(0)
    assert blamed.alike == ("season", "method", "cultivar", "grafter", "rootstock_lot")
    assert blamed.verdict is LowTake.NOT_LOW


def test_one_item_alone_has_nothing_to_be_compared_with() -> None:
    (only,) = take_table(
        worked_lots([{"late": 2}, {"late": 15}]), "mother_tree", Stage.LATE
    ).suspects
    assert (only.difference, only.q, only.effect, only.p_low) == (None, None, None, None)
    assert only.verdict is LowTake.NOT_ENOUGH
    assert (only.grafts, only.taken, only.rate) == (40, 17, pytest.approx(17 / 40))


def test_where_everything_took_there_are_no_effects_and_it_is_said() -> None:
    worked = worked_lots({"tree": f"T{each}", "late": 20} for each in range(3))
    table = take_table(worked, "mother_tree", Stage.LATE)
    assert all(each.difference == 0 and each.effect is None for each in table.suspects)
    assert "everything took" in table.notes[0]


def test_mixed_wood_counts_by_share() -> None:
    worked = worked_lots(
        [
            {"tree": "T1", "grafts": 20, "late": 16},
            {"tree": "T2", "grafts": 20, "late": 10},
            {"trees": {"T1": 0.25, "T2": 0.5}, "grafts": 40, "late": 20},
        ]
    )
    found = by_item(take_table(worked, "mother_tree", Stage.LATE))
    assert (found["T1"].grafts, found["T1"].taken) == (30, 21)
    assert (found["T2"].grafts, found["T2"].taken) == (40, 20)


# Ties and people


def tied_design() -> WorkedLots:
    """Return a tree that one person alone worked, and who worked nothing else."""
    rng = np.random.default_rng(1)
    rows = [
        {
            "tree": f"T{tree}",
            "grafter": "P9" if tree == 0 else f"P{1 + lot % 3}",
            "bundle": f"B{tree}-{lot}",
            "grafts": 30,
            "late": int(rng.binomial(30, 0.3 if tree == 0 else 0.8)),
        }
        for tree in range(8)
        for lot in range(6)
    ]
    worked = worked_lots(rows)
    worked.sources["collection"] = [f"C{each}" for each in range(len(worked.lots))]
    return worked


def test_a_tree_and_a_person_with_the_same_lots_are_tied_and_the_person_is_not_named() -> None:
    table = take_table(tied_design(), "mother_tree", Stage.LATE)
    assert by_item(table)["T0"].verdict is LowTake.TIED
    tie = (Item(factor="mother_tree", item="T0"), Item(factor="grafter", item=ONE_HAND))
    assert table.tied == (tie,)
    assert "P9" not in str(table.to_dict())


def test_people_are_compared_by_code_where_they_are_asked_about() -> None:
    table = take_table(tied_design(), "grafter", Stage.LATE)
    assert by_item(table)["P9"].verdict is LowTake.TIED
    tie = (Item(factor="grafter", item="P9"), Item(factor="mother_tree", item="T0"))
    assert table.tied == (tie,)


def test_lots_in_common_may_be_few_enough_to_tell_apart() -> None:
    worked = tied_design()
    worked.lots.loc[:1, "grafter"] = "P1"
    table = take_table(worked, "mother_tree", Stage.LATE)
    assert by_item(table)["T0"].verdict is LowTake.LOW
    assert table.tied == ()
    nearly = take_table(worked, "mother_tree", Stage.LATE, TakeValues(same_lots=0.6))
    assert by_item(nearly)["T0"].verdict is LowTake.TIED


# Counts


def test_growth_from_the_rootstock_is_not_take() -> None:
    classes = {"pushing": 5, "green": 2, "dead": 3, "stock_only": 8, "missing": 1, "broken": 1}
    worked = worked_lots([{"counts": [(150, classes)], "season": -1}])
    (row,) = summarise(worked).rows
    assert (row.stage, row.grafts, row.rate) == (Stage.LATE, 20, 0.25)
    assert {name: getattr(row, name) for name in classes} == classes
    assert (row.season, row.cultivar, row.method, row.not_told) == (None, "Aldern", "whip", 0)
    assert take_table(worked, "method", Stage.LATE).taken == 5


def test_a_summary_has_every_class_at_both_counts_and_no_people() -> None:
    worked = worked_lots(
        [
            {"early": {"pushing": 12, "green": 3}, "late": {"pushing": 11, "dead": 6}},
            {"early": {"pushing": 10}, "season": 2025},
            {"early": {"pushing": 8}, "grafter": "P8"},
        ]
    )
    summary = summarise(worked)
    rows = {(each.season, each.stage): each for each in summary.rows}
    assert [*rows] == [("2025", "early"), ("2026", "early"), ("2026", "late")]
    early = rows["2026", Stage.EARLY]
    assert (early.lots, early.grafts, early.pushing, early.green, early.not_told) == (
        2,
        40,
        20,
        3,
        17,
    )
    assert "grafter" not in str(summary.to_dict())
    assert "P8" not in str(summary.to_dict())
    assert len(summary.to_frame()) == len(rows)


def kinds(worked: WorkedLots) -> list[tuple[str, str]]:
    return [(str(each.kind), each.item) for each in findings_of(worked)]


def test_a_large_loss_after_the_early_count_is_a_finding() -> None:
    assert kinds(worked_lots([{"early": 18, "late": 9}])) == [("early_late_gap", "G1")]
    assert kinds(worked_lots([{"early": 18, "late": 16}])) == [], "as many as usual"
    assert kinds(worked_lots([{"grafts": 5, "early": 4, "late": 3}])) == [], "one may be luck"
    text = findings_of(worked_lots([{"early": 18, "late": 9}]))[0].text
    assert text == "18 of 20 grew at the early count, 9 at the late one"


def test_more_alive_than_before_needs_a_regraft() -> None:
    rising = {"early": {"pushing": 8, "green": 2}, "late": 13}
    assert kinds(worked_lots([rising])) == [("rising_count", "G1")]
    assert kinds(worked_lots([rising | {"late": 10}])) == [], "the green ones pushed"
    regraft = {"regraft_of": "G1", "late": 4}
    assert kinds(worked_lots([rising, regraft])) == []


def test_more_alive_than_grafts_is_impossible() -> None:
    worked = worked_lots([{"counts": [(40, {"pushing": 15, "green": 6})]}])
    (finding,) = findings_of(worked)
    assert finding.kind is CountFinding.IMPOSSIBLE_TAKE
    assert finding.text == "21 lived on 2026-05-30, of 20 grafts made"
    assert take_table(worked_lots([{"late": 25}]), "method", Stage.LATE).taken == 20


def test_a_count_too_young_is_a_finding_and_no_take() -> None:
    worked = worked_lots([{"counts": [(20, 19)]}, {"counts": [(21, 15)]}])
    assert kinds(worked) == [("too_young_count", "G1")]
    table = take_table(worked, "method", Stage.EARLY)
    assert (table.taken, table.grafts) == (15, 20)


def test_the_late_count_judges_once_half_of_the_lots_have_it() -> None:
    early, both = {"early": 12}, {"early": 12, "late": 11}
    assert judged_by(worked_lots([both, early])) is Stage.LATE
    assert judged_by(worked_lots([both, early, early])) is Stage.EARLY


def test_a_stage_without_counts_is_refused() -> None:
    with pytest.raises(RegistryError, match="late"):
        take_table(worked_lots([{"early": 9}]), "mother_tree", Stage.LATE)
    undated = worked_lots([{"late": 9}])
    undated.counts["age"] = float("nan")
    with pytest.raises(RegistryError, match="1 count has no day"):
        take_table(undated, "mother_tree", Stage.LATE)


# The block


def test_a_row_map_has_each_lot_where_it_stands() -> None:
    place = {"block": "N1", "row": 2, "first": 1, "last": 20}
    worked = worked_lots(
        [
            place | {"late": 15},
            place | {"row": 1, "first": 21, "last": 40},
            place | {"regraft_of": "G1", "grafts": 5, "first": 3, "last": 7, "late": 4},
            {"block": "N1"},
            place | {"season": 2024, "late": 2},
            place | {"block": "N2"},
        ]
    )
    found = row_map(worked, "N1", Stage.LATE)
    assert [(each.graft_lot, each.row, each.rate) for each in found.stretches] == [
        ("G2", 1, None),
        ("G1", 2, 0.75),
        ("G3", 2, 0.8),
    ]
    assert [each.regraft for each in found.stretches] == [False, False, True]
    assert (found.season, found.unplaced) == (2026, ("G4",))
    assert row_map(worked, "N1", Stage.LATE, 2024).stretches[0].taken == 2
    with pytest.raises(RegistryError, match="block N3"):
        row_map(worked, "N3", Stage.LATE)
