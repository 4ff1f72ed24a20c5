"""Map pages as people use them: opened in Chromium without a network, searched, sifted, clicked."""

from pathlib import Path

import browser
import geopandas as gpd
import numpy as np
import pypdfium2 as pdfium
import pytest
from playwright.sync_api import Browser, Page
from shapely import LineString

from scionreg.cartography.basemaps import basemap
from scionreg.cartography.page import MapPage, Shown, Table, write_page
from scionreg.cartography.symbols import theme

HOSTILE = "<img src=x onerror=document.title='taken'></script>{{7*7}}"


def orchard(file: Path, n: int = 60, **more: object) -> Path:
    """Write a page of trees in rows of ten, one of them with a hostile cultivar."""
    cultivars = (["Tillowby", "Pendrake", "Brellan"] * n)[:n]
    cultivars[7] = HOSTILE
    codes = [f"T{i:02d}" for i in range(n)]
    at = np.arange(n)
    frame = gpd.GeoDataFrame(
        {
            "code": codes,
            "cultivar": cultivars,
            "status": (["usable", "usable", "resting"] * n)[:n],
            "identity": (["on_paper", "fruit_checked"] * n)[:n],
            "estimated": at % 5 == 0,
        },
        geometry=gpd.points_from_xy(-95.77 + at % 10 * 5e-5, 36.41 + at // 10 * 5e-5),
        crs="EPSG:4326",
    )
    layer = Shown(
        name="mother trees",
        frame=frame,
        themes=("status", "identity"),
        filters={"cultivar": "Cultivar", "status": "Status"},
        told={"cultivar": "Cultivar", "status": "Status"},
        history={"T11": ["2025-02-05: cut, 40 sticks", HOSTILE]},
        links={"T11": [("Where its wood went", "recall-T11.html")]},
    )
    table = Table(heading="List", columns=("Tree", "Cultivar"), rows=[("T11", "Brellan")])
    told = {"tables": (table,)} | more
    page = MapPage(title="Trees", layers=(layer,), **told)  # type: ignore[arg-type]
    write_page(page, file)
    return file


def spot(page: Page, code: str) -> tuple[float, float]:
    """Return where on the screen the page says a tree is, after it was picked by search."""
    box = page.locator(".leaflet-popup-tip").bounding_box()
    assert box is not None, code
    return box["x"] + box["width"] / 2, box["y"] + box["height"]


def test_a_page_opens_without_a_network_and_without_complaint(
    chromium: Browser, tmp_path: Path
) -> None:
    with browser.opened(chromium, orchard(tmp_path / "trees.html")) as seen:
        assert len(browser.colours(seen.page)) > 3
        seen.page.mouse.move(400, 400)
        seen.page.locator(".leaflet-control-zoom-in").click()
        seen.page.wait_for_timeout(400)
        assert seen.page.title() == "Trees"
    assert seen.complaints == []
    assert seen.outside() == []


def test_search_finds_a_tree_and_its_popup_tells_its_history(
    chromium: Browser, tmp_path: Path
) -> None:
    with browser.opened(chromium, orchard(tmp_path / "trees.html")) as seen:
        page = seen.page
        page.fill("#find", "t1")
        assert page.locator("#found button").count() == 10
        page.locator("#found button", has_text="T11").click()
        popup = page.locator(".leaflet-popup-content")
        assert popup.locator("h3").inner_text() == "T11"
        assert "2025-02-05: cut, 40 sticks" in popup.inner_text()
        link = popup.get_by_role("link", name="Where its wood went")
        assert link.get_attribute("href") == "recall-T11.html"
        page.fill("#find", "nothing")
        assert "Nothing on this map" in page.locator("#found").inner_text()
    assert seen.complaints == []


def test_the_keyboard_reaches_everything(chromium: Browser, tmp_path: Path) -> None:
    with browser.opened(chromium, orchard(tmp_path / "trees.html")) as seen:
        page = seen.page
        page.focus("#find")
        page.keyboard.type("T23")
        page.keyboard.press("Enter")
        assert page.locator(".leaflet-popup-content h3").inner_text() == "T23"
        assert page.evaluate("document.activeElement.getAttribute('role')") == "dialog"
        page.keyboard.press("Escape")
        page.wait_for_selector(".leaflet-popup", state="detached")
        assert page.evaluate("document.activeElement.id") == "find"
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.textContent") == "T23, Brellan"
        page.keyboard.press("Tab")
        page.keyboard.press("ArrowRight")
        assert page.locator("input[value=identity]").is_checked()
        assert "Identity" in page.locator("#legend h2").inner_text()


def test_a_click_on_a_tree_opens_it_and_a_click_beside_closes(
    chromium: Browser, tmp_path: Path
) -> None:
    with browser.opened(chromium, orchard(tmp_path / "trees.html")) as seen:
        page = seen.page
        page.fill("#find", "T34")
        page.keyboard.press("Enter")
        x, y = spot(page, "T34")
        page.keyboard.press("Escape")
        page.wait_for_selector(".leaflet-popup", state="detached")
        page.mouse.click(x, y)
        assert page.locator(".leaflet-popup-content h3").inner_text() == "T34"
        page.mouse.click(30, 500)
        page.wait_for_selector(".leaflet-popup", state="detached")


def test_filters_leave_what_was_chosen_and_the_legend_counts_it(
    chromium: Browser, tmp_path: Path
) -> None:
    with browser.opened(chromium, orchard(tmp_path / "trees.html")) as seen:
        page = seen.page
        assert page.locator("#count").inner_text() == "Shown: 60 of 60 mother trees."
        page.select_option("#only-cultivar", label="Brellan")
        assert page.locator("#count").inner_text() == "Shown: 20 of 60 mother trees."
        page.select_option("#only-status", label="usable")
        assert page.locator("#count").inner_text() == "Shown: 0 of 60 mother trees."
        page.select_option("#only-status", label="resting")
        assert page.locator("#legend li").inner_text().split() == ["resting", "20"]
        page.fill("#find", "T00")
        page.keyboard.press("Enter")
        assert page.locator("#count").inner_text() == "Shown: 60 of 60 mother trees."
        assert page.locator(".leaflet-popup-content h3").inner_text() == "T00"


def test_the_switch_changes_colours_and_legend(chromium: Browser, tmp_path: Path) -> None:
    with browser.opened(chromium, orchard(tmp_path / "trees.html")) as seen:
        page = seen.page
        before = page.locator("#ground").screenshot()
        page.get_by_label("Identity", exact=True).check()
        assert page.locator("#legend h2").inner_text() == "Mother trees: Identity"
        assert page.locator("#legend li").count() == 2
        assert page.locator("#ground").screenshot() != before


@pytest.mark.parametrize("regraft", [None, "G1"])
def test_what_the_legend_names_first_lies_above_and_a_regraft_above_its_lot(
    chromium: Browser, tmp_path: Path, regraft: str | None
) -> None:
    line = LineString([(-95.77, 36.41), (-95.769, 36.41)])
    lots = gpd.GeoDataFrame(
        {"code": ["G1", "G2"], "take": [0.2, 0.9], "regraft_of": [None, regraft]},
        geometry=[line, line],
        crs="EPSG:4326",
    )
    told = {"regraft_of": "Regraft of"}
    layer = Shown(name="lots", frame=lots, themes=("take",), told=told, wide_m=2)
    write_page(MapPage(title="Lots", layers=(layer,)), tmp_path / "lots.html")
    low, high = (next(each for each in theme("take").looks if says in each.says).colour
                 for says in ("below 40", "85 % and"))  # fmt: skip
    with browser.opened(chromium, tmp_path / "lots.html") as seen:
        drawn = browser.colours(seen.page)
    assert (low in drawn) == (regraft is None)
    assert high in drawn or regraft is None


def test_a_hostile_name_is_shown_as_text(chromium: Browser, tmp_path: Path) -> None:
    with browser.opened(chromium, orchard(tmp_path / "trees.html")) as seen:
        page = seen.page
        page.fill("#find", "T07")
        page.keyboard.press("Enter")
        assert HOSTILE in page.locator(".leaflet-popup-content").inner_text()
        page.mouse.move(*spot(page, "T07"))
        page.fill("#find", "T11")
        page.keyboard.press("Enter")
        assert HOSTILE in page.locator(".leaflet-popup-content").inner_text()
        assert page.locator("img").count() == 0
        assert page.title() == "Trees"
    assert seen.complaints == []
    assert seen.outside() == []


def test_a_code_in_a_list_and_in_the_address_opens_the_tree(
    chromium: Browser, tmp_path: Path
) -> None:
    file = orchard(tmp_path / "trees.html")
    with browser.opened(chromium, file) as seen:
        seen.page.locator("button.to", has_text="T11").click()
        assert seen.page.locator(".leaflet-popup-content h3").inner_text() == "T11"
        seen.page.goto(file.as_uri() + "#code=T23")
        seen.page.reload()
        assert seen.page.locator(".leaflet-popup-content h3").inner_text() == "T23"
    assert seen.complaints == []


def test_on_a_phone_the_map_is_above_and_nothing_is_cut_off(
    chromium: Browser, tmp_path: Path
) -> None:
    file = orchard(tmp_path / "trees.html")
    with browser.opened(chromium, file, width=390, height=780, touch=True) as seen:
        page = seen.page
        ground, panel = (page.locator(name).bounding_box() for name in ("#ground", "#panel"))
        assert ground is not None
        assert panel is not None
        assert ground["width"] == 390
        assert panel["y"] >= ground["y"] + ground["height"] - 1
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        for size in page.locator("#controls select, #controls input[type=search]").all():
            box = size.bounding_box()
            assert box is not None
            assert box["height"] >= 40


def test_on_a_phone_nothing_to_tap_is_small(chromium: Browser, tmp_path: Path) -> None:
    file = orchard(tmp_path / "trees.html")
    with browser.opened(chromium, file, width=390, height=844, touch=True) as seen:
        page = seen.page
        page.fill("#find", "T11")
        page.keyboard.press("Enter")
        targets = (
            "#controls select, #controls input[type=search], .switch, button, "
            ".leaflet-bar a, .leaflet-popup-close-button, .leaflet-popup-content a"
        )
        found = page.locator(targets).all()
        assert len(found) > 8
        for each in found:
            box = each.bounding_box()
            assert box is not None
            assert min(box["width"], box["height"]) >= 44, each.evaluate("it => it.outerHTML")
        title = page.locator(".leaflet-popup-content h3").bounding_box()
        zoom = page.locator(".leaflet-control-zoom").bounding_box()
        assert title is not None
        assert zoom is not None
        assert title["y"] + title["height"] < zoom["y"]


def test_a_long_list_is_not_cut_off_on_a_phone(chromium: Browser, tmp_path: Path) -> None:
    codes = [f"T24-00{i:02d}-7" for i in range(5)]
    rows = [(code, "D25-0073-8", "2024-11-12", code, 11, "certain") for code in codes]
    columns = ("Customer", "Dispatch", "Day", "Lot", "Trees", "Shares it")
    lots = orchard(tmp_path / "trees.html", tables=(Table(
        heading="Sent", columns=columns, rows=rows, notes=["do not cut the next one"] * 5),
    ))  # fmt: skip
    for width in (390, 1280):
        with browser.opened(chromium, lots, width=width) as seen:
            wide, room = seen.page.evaluate(
                "(() => { const it = document.querySelector('.wide');"
                " return [it.scrollWidth, it.clientWidth]; })()"
            )
            assert wide <= room


def test_printed_a_flat_ground_takes_little_paper_and_a_square_one_more(
    chromium: Browser, tmp_path: Path
) -> None:
    tall = {}
    for n in (10, 100):  # a row of ten, and ten of them
        with browser.opened(chromium, orchard(tmp_path / f"{n}.html", n)) as seen:
            seen.page.evaluate("dispatchEvent(new Event('beforeprint'))")
            box = seen.page.locator("#ground").bounding_box()
            assert box is not None
            assert len(browser.colours(seen.page)) > 3
            tall[n] = box["height"] / box["width"]
            seen.page.evaluate("dispatchEvent(new Event('afterprint'))")
            after = seen.page.locator("#ground").bounding_box()
            assert after is not None
            assert after["height"] == 800
    assert tall[10] == pytest.approx(70 / 180, abs=0.02)
    assert tall[100] == pytest.approx(102 / 180, abs=0.02)


def test_printed_the_map_and_its_legend_fit_a_sheet(chromium: Browser, tmp_path: Path) -> None:
    file = orchard(tmp_path / "trees.html")
    with browser.opened(chromium, file) as seen:
        for paper in ("A4", "Letter"):
            with pdfium.PdfDocument(seen.page.pdf(format=paper)) as printed:
                assert len(printed) == 1
                text = "".join(printed[0].get_textpage().get_text_range().split())
                assert "recordedasusable" in text
                assert "Findbycode" not in text
                ink = np.asarray(printed[0].render(scale=1).to_pil().convert("RGB"))
                assert len(np.unique(ink.reshape(-1, 3), axis=0)) > 20
        seen.page.evaluate("dispatchEvent(new Event('beforeprint'))")
        assert not seen.page.locator("#find").is_visible()
        assert seen.page.locator("#legend").is_visible()
        seen.page.evaluate("dispatchEvent(new Event('afterprint'))")
        assert seen.page.locator("#find").is_visible()


def test_a_basemap_is_all_that_is_asked_of_the_network(chromium: Browser, tmp_path: Path) -> None:
    chosen = basemap("usa-aerial")
    with browser.opened(chromium, orchard(tmp_path / "trees.html", basemap=chosen)) as seen:
        seen.page.wait_for_timeout(200)
        assert chosen.attribution in seen.page.locator(".leaflet-control-attribution").inner_text()
    assert seen.outside()
    assert all(url.startswith(chosen.origin + "/") for url in seen.outside())
