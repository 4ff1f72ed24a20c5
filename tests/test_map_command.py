"""Maps of a registry: what is on each page and what is kept off it, the command, a browser."""

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import browser
import orjson
import pytest
from page_parts import Page, unpack
from playwright.sync_api import Browser

from scionreg import map_pages
from scionreg.api import Registry
from scionreg.cartography.page import render
from scionreg.cartography.symbols import theme

Pages = Callable[..., str]
WRONG = "G24-0029-6/6"
GROWN_HERE = "T25-0001-9"


def sheets(file: Path | str) -> dict[str, dict[str, Any]]:
    html = file.read_text(encoding="utf-8") if isinstance(file, Path) else file
    return {each["name"]: each for each in Page(html).told()["sheets"]}


def column(sheet: dict[str, Any], name: str) -> list[Any]:
    return unpack(sheet["columns"][name])


def looks(sheet: dict[str, Any], theme: str) -> list[str]:
    """Return what the legend says of each feature."""
    found = next(each for each in sheet["themes"] if each["name"] == theme)
    return [found["looks"][number]["says"] for number in unpack(found["of"])]


@pytest.fixture(scope="module")
def registry(demo: str) -> Iterator[Registry]:
    with Registry.open(demo) as opened:
        yield opened


@pytest.fixture(scope="module")
def pages(registry: Registry) -> Callable[..., str]:
    """Give a page, each made once."""
    made: dict[tuple[Any, ...], str] = {}

    def page(what: str, *codes: str, **options: Any) -> str:
        key = (what, codes, repr(options))
        if key not in made:
            made[key] = render(registry.map_page(what, *codes, **options))
        return made[key]

    return page


def test_every_tree_that_is_not_private_is_on_the_map(registry: Registry, pages: Pages) -> None:
    trees = sheets(pages("mother-trees"))["mother trees"]
    recorded = list(registry.records("mother_trees"))
    private = {each["tree"] for each in recorded if each.get("location_private")}
    assert private
    assert set(column(trees, "code")) == {each["tree"] for each in recorded} - private
    assert "Oldenfarl" not in column(trees, "cultivar")


def test_pop_ups_say_what_the_records_and_answers_say(registry: Registry, pages: Pages) -> None:
    trees = sheets(pages("mother-trees"))["mother trees"]
    at = column(trees, "code").index("Old-7")
    told = {name: column(trees, name)[at] for name, _ in trees["told"]}
    assert told["cultivar"] == "Brellan"
    assert told["stands"] == "OG, row 2, position 2"
    take = next(each for each in registry.take("mother_tree").suspects if each.item == "Old-7")
    assert told["take_said"] == f"{take.rate:.0%}"
    status = registry.status("Old-7").trees[0].status
    looked = next(each for each in theme("identity").looks if each.word == status)
    assert looks(trees, "identity")[at] == told["identity_said"] == looked.says
    counts = unpack(trees["history"]["counts"])
    begin = sum(counts[:at])
    lines = unpack(trees["history"]["lines"])[begin : begin + counts[at]]
    cuts = registry.records("collections", tree="Old-7")
    newest = sorted(cuts, key=lambda cut: cut["date"], reverse=True)
    said = [f"{cut['date']}: cut, {cut['sticks']} sticks" for cut in newest]
    assert [line for line in lines if ": cut, " in line] == said


def test_a_trace_leads_to_the_tree_that_trace_names(registry: Registry, pages: Pages) -> None:
    traced = registry.trace(WRONG)
    drawn = sheets(pages("trace", WRONG))
    links = drawn["links"]
    assert column(links, "code") == [WRONG]
    assert column(links, "to") == [traced.sources[0].tree]
    assert looks(links, "grade") == ["certain"]
    assert column(links, "date_said") == [str(traced.sources[0].date)]
    assert set(column(drawn["trees and positions"], "code")) == {WRONG, traced.sources[0].tree}


def test_mixed_wood_has_a_line_to_each_tree_and_says_why_it_is_no_more_than_likely(
    registry: Registry,
    pages: Pages,
) -> None:
    html = pages("trace", "G25-0322-9/87")
    assert set(looks(sheets(html)["links"], "grade")) == {"likely"}
    assert len(column(sheets(html)["links"], "to")) == 3
    assert "foreign wood may have come in" in Page(html).text


def test_a_recall_tells_certain_from_possible_by_the_line_too(
    registry: Registry, pages: Pages
) -> None:
    recalled = registry.recall("T24-0047-1")
    lots = sheets(pages("recall", "T24-0047-1"))["graft lots"]
    grades = {each.graft_lot: each.grade.value for each in recalled.graft_lots}
    drawn = dict(zip(column(lots, "code"), looks(lots, "reach"), strict=True))
    assert drawn == {lot: grades[lot] for lot in drawn}
    assert {"certain", "possible"} == set(drawn.values())
    styles = {look["says"]: look["line"] for look in lots["themes"][0]["looks"]}
    assert styles["certain"] != styles["possible"]
    text = Page(pages("recall", "T24-0047-1")).text
    for line in recalled.dispatches:
        assert line.dispatch in text


def test_rows_show_the_take_that_take_says(registry: Registry, pages: Pages) -> None:
    lots = sheets(pages("rows-by-take", season=2025))["graft lots"]
    rates = dict(zip(column(lots, "code"), column(lots, "take_said"), strict=True))
    stretches = registry.row_map("N25", season=2025).stretches
    counted = [each for each in stretches if each.rate is not None]
    assert len(counted) > 200
    assert all(rates[each.graft_lot] == f"{each.rate:.0%}" for each in counted)
    assert {"below 40 %", "not counted"} < set(looks(lots, "take"))


def test_positions_found_off_are_marked_and_their_lot_too(registry: Registry, pages: Pages) -> None:
    drawn = sheets(pages("rows-by-identity", block="N24", season=2024))
    lots = dict(
        zip(column(drawn["graft lots"], "code"), looks(drawn["graft lots"], "looked"), strict=True)
    )
    assert lots["G24-0029-6"] == "off-types found"
    assert "not looked at" in lots.values()
    assert drawn["positions"]["from"] > 0


def test_a_walk_is_numbered_and_names_the_neighbours_not_to_cut(
    registry: Registry, pages: Pages
) -> None:
    trees = ["T24-0047-1", "T24-0048-3", "Old-7"]
    walk = registry.walk(trees)
    html = pages("walk", *trees)
    drawn = sheets(html)
    stops = drawn["trees to cut"]
    assert column(stops, "code") == list(walk.codes)
    assert column(stops, "order") == [1, 2, 3]
    beside = {each.tree for stop in walk.stops for each in stop.neighbours} - set(trees)
    private = {t["tree"] for t in registry.records("mother_trees") if t.get("location_private")}
    assert set(column(drawn["trees beside"], "code")) == beside - private
    assert beside & private
    text = Page(html).text
    assert "do not cut the next one: it is Tillowby (T24-0047-1)" in text
    assert "Oldenfarl (its place is private)" in text
    assert not [code for code in private if code in html]


def test_a_registry_in_feet_has_maps_in_feet(
    run: Callable[..., Any], demo: str, tmp_path: Path
) -> None:
    copy = tmp_path / "copy.db"
    copy.write_bytes(Path(demo).read_bytes())
    assert run("settings", "--set", "units=US", "--registry", str(copy)).code == 0
    with Registry.open(copy) as registry:
        html = render(registry.map_page("walk", "T24-0047-1", "T24-0046-0"))
    assert " ft on foot." in Page(html).text
    assert Page(html).told()["units"] == "US"


def test_a_list_of_stops_has_sticks_only_where_some_are_known(registry: Registry) -> None:
    (alone,) = registry.map_page("walk", "Old-7").tables
    (counted,) = registry.map_page("walk", sticks={"Old-7": 40, "T24-0047-1": None}).tables
    assert "Sticks" not in alone.columns
    at = counted.columns.index("Sticks")
    assert sorted(str(row[at]) for row in counted.rows) == ["40", "None"]
    for table in (alone, counted):
        assert {len(row) for row in table.rows} == {len(table.columns)}


def test_a_walk_takes_sticks_from_a_list(registry: Registry, pages: Pages) -> None:
    stops = sheets(pages("walk", sticks={"Old-7": 40, "T24-0047-1": None}))["trees to cut"]
    sticks = dict(zip(column(stops, "code"), column(stops, "sticks"), strict=True))
    assert sticks == {"Old-7": 40, "T24-0047-1": None}


def test_the_walk_on_the_page_is_the_one_that_the_command_tells(
    run: Callable[..., Any], demo: str, tmp_path: Path
) -> None:
    words = ["T24-0047-1", "T24-0007-7", "T24-0037-2", "T24-0021-7", "--registry", demo]
    words += ["--start", "36.4191,-95.7703", "--finish", "36.4181,-95.7695"]
    words += ["--gate", "PB=36.4195,-95.7709"]
    told = orjson.loads(run("walk", *words, "--json").out)
    said = run("map", "walk", *words, "--into", "walk.html")
    assert said.code == 0
    drawn = sheets(tmp_path / "walk.html")
    assert column(drawn["trees to cut"], "code") == [each["tree"] for each in told["stops"]]
    assert f"{told['metres']:,.0f} m on foot, the last {told['to_finish']:,.0f} m" in said.err
    assert column(drawn["start, finish and gates"], "code") == ["start", "finish", "gate of PB"]
    assert run("map", "walk", *words, "--into", "walk.gpx").code == 0
    assert "gate of PB" in (tmp_path / "walk.gpx").read_text(encoding="utf-8")


def test_pairs_that_may_be_mistaken_are_of_two_cultivars(registry: Registry, pages: Pages) -> None:
    drawn = sheets(pages("confusion"))
    assert "T24-0048-3 and T24-0047-1" in column(drawn["pairs"], "code") or (
        "T24-0047-1 and T24-0048-3" in column(drawn["pairs"], "code")
    )
    for cultivars in column(drawn["pairs"], "cultivars"):
        one, other = cultivars.split(" and ")
        assert one != other
    only = sheets(pages("confusion", cultivar="Pendrake"))["pairs"]
    assert all("Pendrake" in cultivars for cultivars in column(only, "cultivars"))


def test_a_private_place_is_nowhere_in_any_page_unless_asked_for(
    registry: Registry,
    pages: Pages,
    demo: str,
    run: Callable[..., Any],
    tmp_path: Path,
) -> None:
    private = [t for t in registry.records("mother_trees") if t.get("location_private")]
    code = private[0]["tree"]
    whole = [round(private[0]["latitude"] * 1e7), round(private[0]["longitude"] * 1e7)]
    for what, codes in (("mother-trees", ()), ("recall", (code,)), ("confusion", ())):
        for sheet in sheets(pages(what, *codes)).values():
            lat, lon = (list(_summed(sheet["places"][name])) for name in ("lat", "lon"))
            assert whole not in [list(pair) for pair in zip(lat, lon, strict=True)]
    copy = tmp_path / "copy.db"
    copy.write_bytes(Path(demo).read_bytes())
    asked = ["map", "confusion", "--show-private", "--by", "P01", "--registry", str(copy)]
    assert run(*asked, "--into", str(tmp_path / "all.html")).code == 0
    assert code in column(sheets(tmp_path / "all.html")["trees"], "code")
    with Registry.open(copy) as opened:
        assert not [each for each in opened.audit() if each.trouble == "refused"]


def _summed(steps: list[int]) -> Iterator[int]:
    at = 0
    for step in steps:
        at += step
        yield at


# ----------------------------------------------------------------------------- the command


def test_the_command_names_the_file_and_says_what_is_on_the_map(
    run: Callable[..., Any], demo: str, tmp_path: Path
) -> None:
    said = run("map", "trace", WRONG, "--registry", demo)
    assert (said.code, said.out) == (0, "trace-G24-0029-6_6.html\n")
    assert "The chain is certain" in said.err
    assert (tmp_path / "trace-G24-0029-6_6.html").exists()


def test_pages_of_each_tree_are_linked(run: Callable[..., Any], demo: str, tmp_path: Path) -> None:
    said = run(
        "map", "mother-trees", "--cultivar", "Tillowby", "--with-pages", "--into",
        str(tmp_path / "trees.html"), "--registry", demo,
    )  # fmt: skip
    assert said.code == 0
    links = sheets(tmp_path / "trees.html")["mother trees"]["links"]
    assert [text for text, _ in links[GROWN_HERE]] == ["Where it came from", "Where its wood went"]
    for pages in links.values():
        for _, file in pages:
            assert (tmp_path / file).exists()


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["trace"], "name what to trace, as in: scionreg map trace G26-0001-5"),
        (
            ["walk"],
            "name what to walk, as in: scionreg map walk T26-0001-5 T26",
        ),
        (["mother-trees", "Old-7"], "the map mother-trees is of all of them; Old-7 is not needed"),
        (["trace", WRONG, "--season", "2025"], "--season is for rows-by-take"),
        (["confusion", "--with-pages"], "--with-pages is for mother-trees only"),
        (["trace", "NOPE"], "nothing is recorded under 'NOPE'"),
        (["trace", WRONG, "--basemap", "x"], "no basemap 'x'"),
        (["rows-by-take", "--block", "XX"], "no graft lot stands there"),
        (["mother-trees", "--cultivar", "Nobody"], "no such tree has a place"),
        (["mother-trees", "--into", "trees.pdf"], "let its name end in one of .html, .png"),
        (["confusion", "--into", "none/trees.html"], "cannot be written"),
        (["walk", "--list", "none.csv"], "none.csv cannot be read"),
        (["walk", "Old-8", "--season", "2027"], "give --list too"),
        (["walk", "Old-8", "--gate", "PB"], "'PB' is no gate"),
        (["walk", "Old-8", "--start", "95"], "'95' in --start is no place"),
        (["confusion", "--start", "36.4,-95.7"], "--start is for walk only"),
    ],
)
def test_what_means_nothing_is_refused(
    run: Callable[..., Any], demo: str, words: list[str], says: str
) -> None:
    said = run("map", *words, "--registry", demo)
    assert said.code == 1
    assert says in said.err


def test_a_basemap_is_named_with_its_terms(run: Callable[..., Any], demo: str) -> None:
    said = run("map", "confusion", "--basemap", "street", "--registry", demo)
    assert said.code == 0
    assert "Credit its contributors" in said.err
    assert "https://operations.osmfoundation.org/policies/tiles/" in said.err


def test_an_unknown_map_is_refused_from_python_too(registry: Registry) -> None:
    with pytest.raises(Exception, match="there is no map of 'x'; there are mother-trees, trace"):
        registry.map_page("x")


def test_names_of_files_hold_nothing_that_a_folder_would_obey() -> None:
    assert map_pages.file_of("recall", "../G 1/2&x") == "recall-.._G_1_2_x.html"
    assert map_pages.file_of("walk") == "walk.html"


# ------------------------------------------------------------------------------ in a browser


@pytest.mark.parametrize(
    ("what", "codes"),
    [
        ("mother-trees", ()),
        ("trace", (WRONG,)),
        ("trace", (GROWN_HERE,)),
        ("recall", ("T24-0047-1",)),
        ("walk", ("T24-0047-1", "T24-0048-3", "Old-7")),
        ("confusion", ()),
        ("rows-by-take", ()),
        ("rows-by-identity", ()),
    ],
)
def test_every_map_of_the_demo_opens_offline(
    registry: Registry,
    pages: Pages,
    chromium: Browser,
    tmp_path: Path,
    what: str,
    codes: tuple[str, ...],
) -> None:
    file = tmp_path / "map.html"
    file.write_text(pages(what, *codes), encoding="utf-8")
    with browser.opened(chromium, file) as seen:
        assert len(browser.colours(seen.page)) > 3
        assert seen.page.locator("#legend li").count() >= 1
        first = seen.page.evaluate(
            "JSON.parse(document.getElementById('told').textContent).sheets.at(-1).columns.code"
        )
        code = unpack(orjson.loads(orjson.dumps(first)))[0]
        seen.page.fill("#find", code)
        seen.page.keyboard.press("Enter")
        assert seen.page.locator(".leaflet-popup-content h3").inner_text() == code
        assert re.search(r"\d (k?m|ft)", seen.page.locator(".leaflet-control-scale").inner_text())
    assert seen.complaints == []
    assert seen.outside() == []
