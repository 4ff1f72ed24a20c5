"""The questions a nursery asks of the invented demo, at the command line."""

import datetime as dt
import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from benchmarks import postgres
from scionreg.cli.answers import day_option
from scionreg.records.errors import RegistryError

ROOT = Path(__file__).parents[1]
OLD = Path(__file__).parent / "data" / "registry_0001.db"
Run = Callable[..., tuple[int, str, str]]


@pytest.fixture(autouse=True)
def asked(demo: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the demo be the registry that commands ask."""
    monkeypatch.setenv("SCIONREG_REGISTRY", str(demo))


def test_trace_tells_the_source_the_way_the_hands_and_the_store(run: Run) -> None:
    _, out, err = run("trace", "G24-0029-6/6")
    assert "tree T24-0047-1, cut 2024-01-16 (C24-0047-1): certain" in out
    assert "way: G24-0029-6/6 < G24-0029-6 < B24-0107-3 < C24-0047-1 < T24-0047-1" in out
    assert "P01 cut C24-0047-1" in out
    assert "B24-0107-3 in S24-0001-5" in out
    assert "K27-0044-6: 3 of 3 at G24-0029-6 were off, found to be Pendrake" in out
    assert "scionreg recall C24-0047-1" in err


def test_trace_says_one_of_several_with_shares_for_a_mixed_bundle(run: Run) -> None:
    _, out, _ = run("trace", "G25-0322-9/87", "--json")
    found = json.loads(out)
    assert len(found["sources"]) == 3
    assert sum(source["share"] for source in found["sources"]) == pytest.approx(1)
    assert found["grade"] == "likely"
    assert any("foreign wood" in each for each in found["contradictions"])
    _, csv, _ = run("trace", "G25-0322-9/87", "--csv")
    assert csv.splitlines()[0].startswith("code,generation,tree")
    assert len(csv.splitlines()) == 4


def test_trace_crosses_generations(run: Run) -> None:
    _, out, _ = run("list", "collections", "--where", "tree=T25-0001-9", "--json")
    collection = json.loads(out)[0]["collection"]
    _, out, _ = run("trace", collection)
    assert "before that, generation 2:" in out
    assert "G24-0047-1" in out


def test_an_unknown_code_offers_likely_ones(run: Run) -> None:
    code, out, err = run("trace", "G24-0029-9")
    assert (code, out) == (1, "")
    assert "G24-0029-6" in err


def test_recall_lists_customers_and_what_is_excluded(run: Run) -> None:
    _, out, _ = run("recall", "C24-0047-1")
    assert "CU-12" in out
    assert "excluded:" in out
    _, csv, _ = run("recall", "C24-0047-1", "--csv")
    assert "D25-0073-8" in csv


def test_recall_by_store_and_period(run: Run) -> None:
    _, out, _ = run(
        *("recall", "--store", "S24-0002-8", "--from", "2025-04-25", "--to", "2025-04-28", "--json")
    )
    lots = {lot["graft_lot"] for lot in json.loads(out)["graft_lots"]}
    assert {"G25-0253-7", "G25-0256-8", "G25-0335-6", "G25-0342-7"} <= lots


def test_recall_by_cutter_and_day_holds_that_days_wood_and_what_grew_from_it(run: Run) -> None:
    _, out, _ = run("recall", "--cutter", "P01", "--on", "2024-01-16", "--json")
    bundles = {bundle["bundle"] for bundle in json.loads(out)["bundles"]}
    _, out, _ = run("list", "collections", "--where", "cutter=P01", "--json")
    cut = json.loads(out)
    own = {each["collection"] for each in cut if each.get("date") == "2024-01-16"}
    other = {each["collection"] for each in cut if each.get("date", "") > "2025-06"}
    _, out, _ = run("list", "bundles", "--json")
    by_collection: dict[str, set[str]] = {}
    for each in json.loads(out):
        by_collection.setdefault(each.get("collection", ""), set()).add(each["bundle"])
    assert own
    assert other
    assert all(by_collection[each] <= bundles for each in own)
    assert not any(by_collection.get(each, set()) & bundles for each in other)


def test_recall_by_grafter_and_day(run: Run) -> None:
    _, out, _ = run("recall", "--grafter", "P06", "--on", "2024-03-04", "--json")
    assert "G24-0029-6" in {lot["graft_lot"] for lot in json.loads(out)["graft_lots"]}


def test_several_codes_are_recalled_together(run: Run) -> None:
    _, one, _ = run("recall", "C24-0047-1", "--json")
    _, both, _ = run("recall", "C24-0047-1", "Old-7", "--json")
    assert len(json.loads(both)["graft_lots"]) == len(json.loads(one)["graft_lots"]) + 11


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["recall"], "recall what"),
        (["recall", "C24-0047-1", "--from", "2025-04-25"], "go with --store"),
        (["recall", "C24-0047-1", "--on", "2025-04-25"], "goes with --cutter or --grafter"),
        (
            ["recall", "--store", "S24-0002-8", "--from", "2025-04-28", "--to", "2025-04-25"],
            "the period ends on 2025-04-25, before it begins on 2025-04-28",
        ),
        (["recall", "--store", "S24-0002-8", "--from", "25.25.2025"], "25.25.2025"),
        (["recall", "--store", "nowhere"], "nowhere"),
        (["list", "nonsense"], "no record kind"),
        (["list", "bundles", "--where", "colour=red"], "no column 'colour'"),
        (["correct", "G24-0029-6", "--set", "grafts=22"], "why"),
        (["correct", "G24-0029-6", "--set", "graft_lot=X", "--why", "x"], "key"),
        (["import", "x.csv", "--kind", "nonsense"], "no record kind"),
        (["import", "nowhere.csv"], "no file or folder"),
        (["reserve", "cultivars", "--for", "P01"], "no issued codes"),
        (["reserve", "bundles", "--for", "P99"], "no person"),
        (["show", "G24-0029-6/2024-04-01"], "G24-0029-6 is recorded, but nothing under"),
        (["history", "B25-0129-8/"], "is one of bundle_parents, bundle_log; say with --kind which"),
        (["void", "T24-0047-1", "--why", "x"], "is named by"),
        (["rebundle", "--parent", "B24-0106-1"], "CODE=STICKS"),
    ],
)
def test_what_cannot_be_done_is_said_in_a_sentence(run: Run, words: list[str], said: str) -> None:
    code, _, err = run(*words)
    assert code == 1
    assert said in err


def test_balance_by_cultivar_and_season(run: Run) -> None:
    code, out, _ = run("balance", "--per", "cultivar", "--season", "2025")
    assert code == 3
    assert "Tarnwick" in out
    _, csv, _ = run("balance", "B25-0132-7", "--csv")
    assert csv.splitlines()[1].startswith("bundle,B25-0132-7")


def test_the_audit_names_the_story_of_the_leftovers(run: Run) -> None:
    code, out, err = run("audit", "--json")
    assert code == 3
    found = {(each["rule"], each["key"]) for each in json.loads(out)}
    assert ("used_more_than_packed", "B25-0132-7") in found
    assert ("balance", "B25-0031-2") in found
    assert "0 faults" in err
    _, csv, _ = run("audit", "--csv")
    assert csv.startswith("kind,file,line,column")


def test_a_line_of_a_log_is_shown_by_its_whole_key(run: Run) -> None:
    _, out, _ = run("list", "take_counts", "--where", "graft_lot=G24-0029-6", "--json")
    day = json.loads(out)[0]["date"]
    code, out, _ = run("show", f"G24-0029-6/{day}", "--kind", "take_counts")
    assert code == 0
    assert "pushing" in out
    code, out, _ = run("history", f"G24-0029-6/{day}", "--kind", "take_counts", "--json")
    assert json.loads(out)[0]["action"] == "import"


def test_lists_are_cut_short_for_people_and_whole_for_programs(run: Run) -> None:
    _, out, err = run("list", "graft_lots")
    assert len(out.splitlines()) == 51
    assert "--limit 0" in err
    _, out, _ = run("list", "graft_lots", "--json")
    assert len(json.loads(out)) == 1022


def test_an_old_registry_is_upgraded_from_the_command_line(run: Run, tmp_path: Path) -> None:
    old = shutil.copy(OLD, tmp_path / "old.db")
    code, _, err = run("trace", "Old-1", "--registry", str(old))
    assert code == 1
    assert "scionreg upgrade" in err
    code, _, err = run("upgrade", "--registry", str(old), "--by", "P01")
    assert code == 0
    assert "0001-copy" in err
    assert run("trace", "Old-1", "--registry", str(old))[0] == 0
    assert "up to date" in run("upgrade", "--registry", str(old))[2]


def test_the_same_commands_take_a_postgresql_url(
    run: Run, postgresql: postgres.Server, tmp_path: Path
) -> None:
    url = postgresql.create(f"{tmp_path.name.lower()}_cli")
    assert run("new", url, "--by", "P01")[0] == 0
    assert run("new", url, "--by", "P01")[0] == 1
    assert run("import", str(ROOT / "demo_registry"), "--registry", url)[0] == 0
    for words in (
        ("trace", "G24-0029-6/6"),
        ("trace", "G25-0322-9/87"),
        ("recall", "C24-0047-1"),
        ("balance", "--per", "bundle", "--alarms"),
        ("list", "bundle_log", "--limit", "5"),
        ("audit",),
    ):
        assert run(*words, "--registry", url, "--json")[:2] == run(*words, "--json")[:2]


def test_a_day_of_an_option_is_taken_as_it_is_typed() -> None:
    before = dt.datetime.now().astimezone().date()
    assert day_option("today") in (before, before + dt.timedelta(days=1))  # past midnight
    assert day_option("15 April 2026") == dt.date(2026, 4, 15)
    assert day_option("") is None
    with pytest.raises(RegistryError, match="2026-04-03 or 2026-03-04"):
        day_option("3/4/2026")
