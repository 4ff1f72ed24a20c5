"""The cutting plan at the command line, of the invented demo."""

import csv
import json
from collections.abc import Callable
from pathlib import Path

import pytest

Run = Callable[..., tuple[int, str, str]]
SEASON = ("--season", "2027")
PLAN_KEYS = {"seasons", "trees", "walk", "goals", "cautions"}


@pytest.fixture(autouse=True)
def asked(demo: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the demo be the registry that commands ask."""
    monkeypatch.setenv("SCIONREG_REGISTRY", str(demo))


def test_without_orders_it_says_what_the_trees_can_give(run: Run) -> None:
    code, out, err = run("plan", *SEASON)
    assert code == 0
    assert "no published rule" in err
    resting = out.partition("Not to be cut")[2]
    assert "Old-7" in resting
    assert "2029" in next(line for line in resting.splitlines() if line.startswith("Old-7"))
    rows = list(csv.DictReader(run("plan", *SEASON, "--csv")[1].splitlines()))
    found = json.loads(run("plan", *SEASON, "--json")[1])
    assert len(rows) == 3 * len(found["trees"])


def test_a_small_order_is_met_within_the_limits_and_not_from_the_worn_tree(run: Run) -> None:
    code, out, _ = run("plan", *SEASON, "--trees", "Brellan=500", "--json")
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


def test_what_cannot_be_met_is_said_and_exits_3(run: Run, tmp_path: Path) -> None:
    orders = tmp_path / "orders.csv"
    orders.write_text("cultivar,season,trees\nBrellan,2027,1500\nCossamer,2028,50\n")
    code, out, _ = run("plan", *SEASON, "--demand", str(orders), "--seconds", "10")
    assert code == 3
    for part in ("Wanted", "Sticks planned", "Sticks to cut", "Not to be cut", "To mind"):
        assert part in out
    assert "licence" in out
    assert "no published rule" in out
    _, listed, _ = run("plan", *SEASON, "--demand", str(orders), "--seconds", "10", "--csv")
    rows = list(csv.DictReader(listed.splitlines()))
    assert all(row["sticks"] == "0" for row in rows if row["eligible"] == "False")
    assert any(int(row["sticks"]) > 0 for row in rows)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--trees", "Brellan"), "write CULTIVAR=TREES"),
        (("--trees", "Nobody=5"), "no cultivar 'Nobody'"),
        (("--trees", "Brellan=5", "--method", "glue"), "is no method"),
        (("--demand", "nowhere.csv"), "cannot be read"),
        (("--seasons", "9"), "1 to 5 seasons"),
    ],
)
def test_what_it_cannot_plan_is_refused(run: Run, options: tuple[str, ...], message: str) -> None:
    code, _, err = run("plan", *SEASON, *options)
    assert code == 1
    assert message in err
