"""The cutting plan at the command line, of the invented demo."""

import csv
import json
from collections.abc import Callable
from pathlib import Path

import pytest

Run = Callable[..., tuple[int, str, str]]
SEASON = ("--season", "2027")
QUICK = (*SEASON, "--seconds", "3")
PLAN_KEYS = {"seasons", "trees", "walk", "work", "caps", "goals", "cautions", "lifts"}


@pytest.fixture(autouse=True)
def asked(demo: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the demo be the registry that commands ask."""
    monkeypatch.setenv("SCIONREG_REGISTRY", str(demo))


@pytest.fixture
def orders(tmp_path: Path) -> str:
    file = tmp_path / "orders.csv"
    file.write_text(
        "cultivar,season,trees,must_fill\nBrellan,2027,1500,yes\nTarnwick,2027,300,\n"
        "Cossamer,2028,50,\nQuarrow,2031,20,\n"
    )
    return str(file)


def one_line(text: str) -> str:
    return " ".join(text.split())


def test_without_orders_it_says_what_the_trees_can_give(run: Run) -> None:
    code, out, err = run("plan", *SEASON)
    assert code == 0
    assert "no published rule" in out
    assert "give orders" in err
    resting = one_line(out.partition("Not to be cut")[2])
    assert "Old-7 (Brellan): it rests, and may be cut again in season 2029: 75% was cut" in resting
    assert "T24-0039-5, T24-0040-5" in resting
    rows = list(csv.DictReader(run("plan", *SEASON, "--csv")[1].splitlines()))
    found = json.loads(run("plan", *SEASON, "--json")[1])
    assert len(rows) == 3 * len(found["trees"])


def test_without_orders_one_tree_is_explained(run: Run) -> None:
    code, out, _ = run("plan", *SEASON, "--why", "Old-7")
    assert code == 0
    told = one_line(out)
    assert "Old-7 (Brellan, bearing)" in told
    assert "not to be cut: it rests, and may be cut again in season 2029" in told
    assert "2029: grows" in told
    found = json.loads(run("plan", *SEASON, "--why", "Old-7", "--json")[1])
    assert [each["tree"] for each in found["trees"]] == ["Old-7"]


def test_a_small_order_is_met_within_the_limits_and_not_from_the_worn_tree(run: Run) -> None:
    code, out, _ = run("plan", *QUICK, "--trees", "Brellan=500", "--json")
    found = json.loads(out)
    assert code == 0
    assert found.keys() >= PLAN_KEYS
    (need,) = found["demand"]
    cut = [each for each in found["trees"] if each["season"] == 2027 and each["sticks"]]
    assert sum(each["sticks"] for each in cut) >= need["to_cut"] > 500
    assert "Old-7" not in {each["tree"] for each in cut}
    assert len(cut) > 1
    most = {tree["tree"]: tree["seasons"][0]["most_to_cut"] for tree in found["outlook"]}
    assert all(each["sticks"] <= most[each["tree"]] for each in cut)
    assert set(found["walk"]) == {each["tree"] for each in cut}
    assert found["compared"] is found["why"] is None
    assert found["lifts"] == []


def test_what_cannot_be_met_is_said_with_what_would_lift_it(run: Run, orders: str) -> None:
    code, out, _ = run("plan", *QUICK, "--demand", orders)
    assert code == 3
    told = one_line(out)
    for part in (
        "Cutting plan for seasons 2027 to 2029",
        "sticks of 87 in 2028: with the right holder's licence",
        "or take",
        "Sticks planned",
        "Sticks to cut, by season",
        "Not to be cut",
        "Orders, and the sticks they need",
        "Quarrow for 2031 is left out",
        "no published rule",
        "this plan is no permit",
    ):
        assert part in told
    brellan = told.partition("Brellan, ")[2].partition(" Cossamer, ")[0]
    assert "plant " in brellan
    assert "plant" not in told.partition("Cossamer, ")[2].partition("Sticks planned")[0]
    assert told.count("no permit") == 1
    _, listed, _ = run("plan", *QUICK, "--demand", orders, "--csv", "--every")
    rows = list(csv.DictReader(listed.splitlines()))
    assert all(row["sticks"] == "0" for row in rows if row["eligible"] == "False")
    assert any(int(row["sticks"]) > 0 for row in rows)
    assert "sticks_before" not in rows[0]


def test_a_change_is_set_beside_the_plan_as_it_stands(run: Run, orders: str) -> None:
    changes = ("--without", "T24-0011-1", "--cap", "visits:2027=8")
    code, out, _ = run("plan", *QUICK, "--demand", orders, *changes)
    assert code == 3
    told = one_line(out)
    assert "Changed: without T24-0011-1; at most 8 visits in 2027." in told
    assert "2027: 8 of at most 8 visits used." in told
    assert "Beside the plan as it stands" in told
    assert "T24-0011-1 (Brellan): left out, as asked." in told
    assert "because of a cap: allow" in told
    found = json.loads(run("plan", *QUICK, "--demand", orders, *changes, "--json")[1])
    left_out = [row for row in found["compared"]["trees"] if row["tree"] == "T24-0011-1"]
    assert left_out
    assert all(row["sticks"] == 0 < row["sticks_before"] for row in left_out)
    assert sum(row["visits"] for row in found["work"] if row["season"] == 2027) == 8
    assert {"all"} <= {goal["cultivar"] for goal in found["goals"]}
    rows = csv.DictReader(
        run("plan", *QUICK, "--demand", orders, *changes, "--csv")[1].splitlines()
    )
    given = [row for row in rows if row["tree"] == "T24-0011-1" and row["season"] == "2027"]
    assert int(given[0]["sticks_before"]) > 0


def test_other_orders_are_compared_with_the_first(run: Run, orders: str, tmp_path: Path) -> None:
    fewer = tmp_path / "fewer.csv"
    fewer.write_text("cultivar,season,trees\nBrellan,2027,400\n")
    code, out, _ = run("plan", *QUICK, "--demand", orders, "--demand", str(fewer))
    assert code == 0
    told = one_line(out)
    assert "Changed: other orders." in told
    assert "Tarnwick 611 → 0" in told
    assert "2027: all " in told


def test_why_names_the_limit_and_what_would_change(run: Run, orders: str) -> None:
    _, out, _ = run("plan", *QUICK, "--demand", orders, "--why", "T24-0012-2")
    told = one_line(out)
    for part in (
        "Why T24-0012-2 (Brellan) gives what it gives",
        "What limits it: the largest share cut in a season, 0.9.",
        "Without it: ",
        "more sticks short",
        "If it grew a tenth more: ",
        "fewer sticks short",
        "If a tenth more of Brellan were wanted: ",
    ):
        assert part in told


def test_pictures_are_drawn(run: Run, tmp_path: Path) -> None:
    code, _, err = run(
        "plan", *QUICK, "--trees", "Brellan=100", "--picture", "a.svg", "--pressure", "b.png"
    )
    assert code == 0
    assert "drawn: a.svg" in err
    assert (tmp_path / "a.svg").exists()
    assert (tmp_path / "b.png").exists()
    assert run("plan", *SEASON, "--pressure", "c.svg")[0] == 0
    assert "Old-7" in (tmp_path / "c.svg").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--trees", "Brellan"), "write CULTIVAR=TREES"),
        (("--trees", "Nobody=5"), "no cultivar 'Nobody'"),
        (("--trees", "Brellan=5", "--method", "glue"), "is no method"),
        (("--demand", "nowhere.csv"), "cannot be read"),
        (("--seasons", "9"), "1 to 5 seasons"),
        (("--without", "Old-7"), "needs orders"),
        (("--cap", "visits=3"), "needs orders"),
        (("--picture", "a.png"), "supply against what demand"),
        (("--why", "T24-0012-3"), "did you mean T24-0012-2"),
        (("--trees", "Brellan=5", "--why", "T24-0012-3"), "did you mean T24-0012-2"),
        (("--trees", "Brellan=5", "--without", "G24-0001-1"), "G24-0001-1"),
        (("--trees", "Brellan=5", "--why", "Old-1"), "nothing of its cultivar is wanted"),
        (("--trees", "Brellan=5", "--cap", "hours=3"), "write visits, sticks or days"),
        (("--trees", "Brellan=5", "--cap", "visits"), "is no cap"),
        (("--trees", "Brellan=5", "--cap", "visits:soon=4"), "is no cap"),
        (("--trees", "Brellan=5", "--cap", "visits:2035=4"), "caps season 2035"),
        (("--trees", "Brellan=5", "--cap", "visits=-4"), "are no cap"),
        (("--trees", "Brellan=5", "--picture", "a.txt"), "no picture file"),
        (("--trees", "Brellan=99999999999"), "more than 10,000,000 trees"),
        (("--trees", "Brellan=5", "--seconds", "nan"), "no time to plan in"),
        (("--trees", "Brellan=5", "--seconds", "-5"), "no time to plan in"),
        (("--trees", "Brellan=5", "--without", "Old-7/3"), "nothing is recorded under 'Old-7/3'"),
        (("--trees", "Brellan=5", "--without", "P01"), "no mother tree but a person"),
    ],
)
def test_what_it_cannot_plan_is_refused(run: Run, options: tuple[str, ...], message: str) -> None:
    code, _, err = run("plan", *SEASON, *options)
    assert code == 1
    assert message in err
    assert len(err.strip().splitlines()) == 1


def test_a_file_without_orders_and_a_third_one_are_refused(run: Run, tmp_path: Path) -> None:
    empty = tmp_path / "empty.csv"
    empty.write_text("cultivar,season,trees\n")
    assert "has no orders" in run("plan", *SEASON, "--demand", str(empty))[2]
    code, _, err = run("plan", *SEASON, *("--demand", str(empty)) * 3)
    assert (code, "two files" in err) == (1, True)


def test_nothing_to_cut_is_said(run: Run) -> None:
    code, out, _ = run("plan", *QUICK, "--trees", "Cossamer=10")
    assert code == 3
    told = one_line(out)
    assert "2027: none of 19 sticks; all are short." in told
    assert "Sticks to cut, by season none" in told


def test_a_cap_that_does_not_bind_is_said_to_change_nothing(run: Run) -> None:
    code, out, _ = run("plan", *QUICK, "--trees", "Oldenfarl=10", "--cap", "visits=500")
    assert code == 0
    assert "No tree is cut otherwise." in out


def test_why_a_tree_that_rests_gives_nothing(run: Run, orders: str) -> None:
    told = one_line(run("plan", *QUICK, "--demand", orders, "--why", "Old-7")[1])
    assert "What limits it: it rests, and may be cut again in season 2029" in told
    assert "Without it: no more and no fewer sticks short" in told


def test_other_trees_are_named_that_give_in_its_place(run: Run) -> None:
    _, out, _ = run("plan", *QUICK, "--trees", "Tarnwick=300", "--json")
    cut = next(row["tree"] for row in json.loads(out)["trees"] if row["sticks"])
    told = one_line(run("plan", *QUICK, "--trees", "Tarnwick=300", "--why", cut)[1])
    without = told.partition("Without it: ")[2].partition("If it grew")[0]
    assert without.startswith("nothing is short")
    assert "in 2027" in without.partition("others: ")[2]


def test_trees_with_a_sign_of_wear_are_listed(run: Run) -> None:
    told = one_line(run("plan", "--season", "2024")[1]).partition("To be watched")[2]
    assert "Old-7 (Brellan): grafts of its wood took" in told
    alone = one_line(run("plan", "--season", "2024", "--why", "Old-7")[1])
    assert "To be watched: grafts of its wood took" in alone


def test_a_list_names_places_and_only_what_is_cut_and_may_name_trees_to_cut_back(run: Run) -> None:
    options = ("plan", *QUICK, "--trees", "Brellan=100")
    rows = list(csv.DictReader(run(*options, "--csv")[1].splitlines()))
    assert all(int(row["sticks"]) > 0 and len(row["pressure"]) <= 4 for row in rows)
    assert all(row["capacity"].isdigit() for row in rows)
    assert rows[0].keys() >= {"tree", "cultivar", "kind", "block", "row", "position", "sticks"}
    listed = list(csv.DictReader(run(*options, "--csv", "--cut-back")[1].splitlines()))
    back = [row for row in listed if not row["sticks"]]
    assert listed[: len(rows)] == rows
    told = json.loads(run(*options, "--json")[1])
    assert [row["tree"] for row in back] == [each["tree"] for each in told["cut_back"]]
    cut = {row["tree"] for row in rows}
    assert not cut & {row["tree"] for row in back}
    assert {row["kind"] for row in back} == {"bank"}
    assert "T24-0028-2" not in {row["tree"] for row in back}, "it is dead"
    assert "though no wood is wanted" in run(*options)[1]


def test_the_plan_tells_how_well_each_trees_identity_is_known(run: Run) -> None:
    options = ("plan", *QUICK, "--trees", "Oldenfarl=30")
    told = one_line(run(*options)[1])
    assert "named only" in told.partition("Sticks to cut")[2].partition("To mind")[0]
    assert "nothing but the name is recorded" in told.partition("To mind")[2]
    found = json.loads(run(*options, "--json")[1])
    assert {row["identity"] for row in found["trees"]} <= {
        e["seasons"][0]["identity"] for e in found["outlook"]
    }


def test_the_one_source_of_a_cultivar_is_a_caution(run: Run) -> None:
    told = one_line(run("plan", *QUICK, "--trees", "Haddersel=2")[1])
    assert "T24-0034-6 is the only mother tree of Haddersel" in told
    assert "only mother tree" not in one_line(run("plan", *QUICK, "--trees", "Brellan=2")[1])


def test_the_arithmetic_from_trees_to_sticks_can_be_followed(run: Run) -> None:
    options = ("plan", *QUICK, "--trees", "Brellan=1000")
    told = one_line(run(*options)[1])
    (need,) = json.loads(run(*options, "--json")[1])["demand"]
    take = float(told.partition(" 1000 ")[2].split()[0]) / 100
    assert need["grafts"] == pytest.approx(1000 / (take * 0.92 * 0.9), abs=2)
    assert need["sticks"] == pytest.approx(need["grafts"] / 0.85 * 1.1, abs=1)
    for part in ("92% that stand", "90% that can be sold", "15% lost in store", "10% in reserve"):
        assert part in told


def test_one_stick_is_one_stick(run: Run) -> None:
    told = one_line(run("plan", *QUICK, "--trees", "Haddersel=1")[1])
    assert "none of 1 stick; all are short" in told
    assert "1 sticks" not in told


def test_a_season_that_is_over_is_said_to_be(run: Run) -> None:
    for options in ((), ("--trees", "Brellan=10"), ("--why", "Old-7")):
        told = one_line(run("plan", "--season", "2020", "--seconds", "3", *options)[1])
        assert "Season 2020 is over" in told


def test_a_search_that_had_no_time_still_plans(run: Run, orders: str) -> None:
    code, out, _ = run("plan", *SEASON, "--seconds", "0.01", "--demand", orders)
    assert code == 3
    assert "none" not in out.partition("Sticks to cut, by season")[2].partition("Not to be cut")[0]
