"""The report of a season: its numbers against the records, its page, its command."""

import base64
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from scionreg.api import Registry
from scionreg.documents.paper import as_html
from scionreg.documents.season_report import season_paper, write_season_report
from scionreg.records.cited import CITED
from scionreg.records.errors import RegistryError
from scionreg.records.vocabulary import GraftMethod, StoreClass
from scionreg.records.words import english, read_words
from scionreg.registry.create import create_store
from scionreg.registry.settings import Settings, write_settings
from scionreg.registry.store import Store
from scionreg.seasons import SeasonReport, season_report
from tests.conftest import Said
from tests.papers import told
from tests.small_registries import bundle, collection, day, dispatch, holding, small

VOUCHING = re.compile(r"certified|virus.free|disease.free|legal to ship", re.IGNORECASE)
Run = Callable[..., Said]


@pytest.fixture(scope="module")
def of_2025(demo: str) -> SeasonReport:
    with Registry.open(demo) as registry:
        return registry.season_report(2025)


@pytest.fixture
def lite(tmp_path: Path) -> Iterator[Store]:
    """An empty registry on SQLite, where only what is made of the records matters."""
    opened = create_store(tmp_path / "lite.db")
    yield opened
    opened.close()


def text_of(report: SeasonReport) -> str:
    """Return all that a report says, as one text."""
    return told(season_paper(report, english()))


# ------------------------------------------------------------------------------------ its numbers


def test_its_numbers_are_those_of_the_records(of_2025: SeasonReport, demo: str) -> None:
    with Registry.open(demo) as registry:
        cut = [
            each
            for each in registry.records("collections")
            if "2024-07-01" <= (each.get("date") or "") <= "2025-06-30"
        ]
        sent = [
            each
            for each in registry.records("dispatches")
            if "2024-07-01" <= (each.get("date") or "") <= "2025-06-30"
        ]
        worked = [
            each["grafts"]
            for each in registry.records("graft_lots")
            if "2024-07-01" <= (each.get("date") or "") <= "2025-06-30"
        ]
    assert sum(each.sticks for each in of_2025.cut) == sum(each["sticks"] for each in cut) > 0
    assert sum(each.estimated for each in of_2025.cut) == sum(
        each["sticks"] for each in cut if each.get("count") != "counted"
    )
    assert sum(each.trees for each in of_2025.sent) == sum(each["trees"] for each in sent) > 0
    assert of_2025.grafts == sum(worked) > 0
    assert sum(of_2025.known.values()) == len(cut)
    assert sum(row.cut for row in of_2025.balance.rows) == sum(each["sticks"] for each in cut)
    assert of_2025.first == day("2024-07-01")
    assert of_2025.last == day("2025-06-30")


@pytest.fixture(scope="module")
def of_2027(demo: str) -> SeasonReport:
    with Registry.open(demo) as registry:
        return registry.season_report(2027)


def test_the_demo_s_stories_are_in_it(of_2025: SeasonReport, of_2027: SeasonReport) -> None:
    assert "B25-0132-7" in [each.code for each in of_2025.alarms]
    assert [(each.store, each.bundles, each.bundles_in_all) for each in of_2025.spells] == [
        ("S24-0002-8", 30, 36)
    ]
    assert of_2025.classes["sample_first"] == 30
    resting = [each.tree for each in of_2025.pressure if each.status.state.value == "rest"]
    assert "Old-7" in resting
    causes = {each.item: each.cause for each in of_2027.off}
    assert causes["D26-0001-7"].startswith("the dispatches D26-0001-7 and D26-0002-5")
    assert causes["G24-0029-6/6"].startswith("another tree was cut than is written down")


def test_undated_records_are_gaps_and_no_alarms(demo: str) -> None:
    with Registry.open(demo) as registry:
        found = registry.season_report(2024)
    gaps = {each.what: each.codes for each in found.gaps}
    assert gaps["cutting_day"] == ("C24-0007-7", "C24-0009-0")
    assert not {"C24-0007-7", "C24-0009-0"} & {each.code for each in found.alarms}


def test_a_small_season_is_told_whole(store: Store) -> None:
    rows = small()
    rows["cultivars"][0] |= {"rights": "patent", "licence_no": "L-1"}
    rows["cultivars"][1] |= {"rights": "pvr", "licence_no": "L-1"}
    rows["bundle_log"] = []
    rows["dispatches"] = [dispatch("D1", "G1", date=day("2026-05-01"), label_cultivar=None)]
    with holding(store, rows) as connection:
        write_settings(connection, Settings(units="US", nursery="Hollow Lane"))
        found = season_report(connection, 2026)
        said = text_of(found)
    assert found.take is None
    assert found.off == ()
    assert "Nursery: Hollow Lane" in said
    assert "Aldern | 5 | 1" in said
    assert "L-1 | all |  | 40 | 0 | 0 | 0 | 0 | 40 | 5 | 100 | 0" in said
    assert "cultivar on the label | 1 of 1 | D1 | Directive 2014/96/EU" in said
    assert "Texas 4 TAC 21.38 | 4 |" in said
    assert found.to_dict()["take"] is None


def test_a_season_of_which_nothing_is_recorded_is_refused(lite: Store) -> None:
    refused = pytest.raises(RegistryError, match="nothing was cut, grafted or sent in season 2031")
    with holding(lite, small()) as connection, refused:
        season_report(connection, 2031)


def test_a_season_that_only_received_wood(lite: Store) -> None:
    rows = small()
    rows["bundles"].append(
        bundle("B9", received_from="SU1", cultivar="Aldern", packed=day("2030-01-05"))
    )
    rows["collections"].append(collection("C9", "T1", date=None))
    with holding(lite, rows) as connection:
        found = season_report(connection, 2030)
    assert found.grafts == 0
    assert [row.received for row in found.balance.rows if row.code == "Aldern"] == [40]
    assert "C9" in {code for each in found.gaps for code in each.codes}


def test_corrections_within_the_season_are_listed(tmp_path: Path) -> None:
    with Registry.new(tmp_path / "registry.db", by="P01") as registry:
        season = registry.settings.season(registry.settings.today())
        today = registry.settings.today().isoformat()
        registry.record("people", person="P01")
        registry.record("cultivars", cultivar="Fernhill", species="Malus domestica")
        registry.record("mother_trees", tree="AB-1", cultivar="Fernhill")
        registry.record("collections", collection="C1", tree="AB-1", date=today, sticks=60)
        registry.correct("collections", "C1", why="counted again", sticks="58", count="counted")
        found = registry.season_report(season)
    assert [(each.action, each.key, each.why) for each in found.corrections] == [
        ("correct", "C1", "counted again")
    ]
    assert "corrected | collections C1 | P01 | counted again" in text_of(found)


# --------------------------------------------------------------------------------------- its page


def test_the_page_has_every_part_pictures_inside_and_needs_no_network(
    of_2025: SeasonReport, tmp_path: Path
) -> None:
    write_season_report(of_2025, tmp_path / "season.html")
    page = (tmp_path / "season.html").read_text()
    for part in (
        "cut", "use", "store", "take", "sent", "identity", "pressure", "royalties", "gaps",
        "retention", "drill", "corrections",
    ):  # fmt: skip
        assert f"<h2>{english()(f'season_report.{part}.title')}</h2>" in page
    pictures = re.findall(r'src="data:image/svg\+xml;base64,([^"]+)"', page)
    assert len(pictures) == 4
    assert all(b"<svg" in base64.b64decode(each) for each in pictures)
    assert not re.findall(r'(?:src|href)="(?!data:)', page)
    assert "default-src 'none'" in page
    assert not VOUCHING.search(page)


def test_a_page_without_anything_is_still_a_page(of_2027: SeasonReport, tmp_path: Path) -> None:
    write_season_report(of_2027, tmp_path / "season.html")
    assert "Nothing to tell." in (tmp_path / "season.html").read_text()


def test_long_lists_are_cut_short_and_doubtful_causes_not_named(of_2027: SeasonReport) -> None:
    look = of_2027.off[0]
    doubtful = replace(of_2027, off=(*(look._replace(probability=0.3),) * 31,))
    said = text_of(doubtful)
    assert said.count("not enough to say") == 30
    assert "1 more are left out here." in said
    twice = text_of(replace(of_2027, off=(look, look._replace(check="K9"))))
    assert f"| as at {look.check}" in twice


def test_temperatures_are_in_the_nursery_s_units(of_2025: SeasonReport) -> None:
    warm = replace(of_2025, units="US", take=None, pressure=())
    assert "| 61 °F | 36 | 30" in text_of(warm)


def test_it_is_printed_in_another_language(of_2027: SeasonReport, tmp_path: Path) -> None:
    catalogue = tmp_path / "own.toml"
    catalogue.write_text(
        '[season_report]\ntitle = "Temporada"\n[season_report.gap]\nsent_positions="X"\n'
    )
    page = as_html(season_paper(of_2027, read_words(catalogue)))
    assert "Temporada" in page
    assert "<td>X</td>" in page


def test_the_catalogue_has_every_word_it_may_need() -> None:
    names = english().names()
    assert {f"season_report.store.class_{each.value}" for each in StoreClass} <= names
    assert {f"word.GraftMethod.{each.value}" for each in GraftMethod} <= names
    asked = {name.rpartition(".")[2] for name in names if name.startswith("season_report.gap.")}
    source = Path(__file__).parents[1] / "scionreg" / "lineage" / "inspection.py"
    assert set(re.findall(r'_gap\(\s*"(\w+)", "(\w+)"', source.read_text())) >= {
        ("bundle_source", "florida_budwood")
    }
    for what, rule in re.findall(r'_gap\(\s*"(\w+)", "(\w+)"', source.read_text()):
        assert what in asked
        assert rule in CITED


# ------------------------------------------------------------------------------------ the command


def test_the_command(run: Run, demo: str, tmp_path: Path) -> None:
    at = ("--registry", demo)
    wrote = run("report", "2027", "--into", "season.html", "--json", *at)
    assert wrote.code == 0
    assert '"mock_recall": null' in wrote.out
    assert "Season report" in (tmp_path / "season.html").read_text()
    said = run("report", "2025", *at)
    assert "balance alarms         3" in said.out
    assert "invented L-22  Quarrow    634" in said.out
    assert "whether the sticks cut were counted or estimated" in said.out
    assert run("report", "2027", "--into", "season.pdf", *at).code == 1
    assert "nothing was cut" in run("report", "1999", *at).err
    assert "'99999' is no season" in run("report", "99999", *at).err
    assert "'0' is no season" in run("royalties", "0", *at).err
