"""What labels say and how they are printed: read back from the paper they are printed on."""

import datetime as dt
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from printed import pages, qr_codes, texts

from scionreg.documents import pdf
from scionreg.documents.labels.drawing import unknown_letters, write_pdf, write_pictures
from scionreg.documents.labels.layout import (
    EDGE,
    LEAST_CODE,
    LEAST_FACT,
    MODULES,
    QUIET,
    Bar,
    Box,
    Drawing,
    Symbol,
    Text,
    TooSmallError,
    lay_out,
)
from scionreg.documents.labels.saying import (
    Fact,
    Label,
    LabelKind,
    Teller,
    labels_of,
    tree_label,
)
from scionreg.documents.labels.stock import SIZES, plain, sheet, single
from scionreg.documents.pdf import PAPERS
from scionreg.lineage.label_books import (
    LotBook,
    Named,
    Source,
    StockBook,
    StoreBook,
    TreeBook,
    WoodBook,
)
from scionreg.records import codes
from scionreg.records.errors import RegistryError
from scionreg.records.words import english

DAY = dt.date
TELL = Teller(english(), "Invented Nursery")
QUARROW = Named("Quarrow", "Carya illinoinensis", "patent", "invented 0417")
SOURCE = Source("T24-0001-5", "N", "C26-0012-6", DAY(2026, 2, 14), "P01", "Quarrow", "scheme: bank")
STOCK = StockBook(code="R24-0007-7", species="Carya illinoinensis", clone="QD-11")
WOOD = WoodBook(
    code="B26-0417-7",
    is_bundle=True,
    sources=(SOURCE,),
    cultivars=(QUARROW,),
    sticks=25,
    count="counted",
    packed=DAY(2026, 2, 15),
    packer="P04",
    store="S24-0002-8",
    shelf="C6",
    treatment="46 °C, 30 min",
)
LOT = LotBook(
    code="G26-0040-4",
    sources=(SOURCE,),
    cultivars=(QUARROW,),
    bundle="B26-0417-7",
    date=DAY(2026, 4, 14),
    grafter="P05",
    method="four_flap",
    grafts=20,
    block="N26",
    row=3,
    first=1,
    last=20,
    rootstock=STOCK,
)
TREE = TreeBook(
    code="T24-0001-5",
    sources=(SOURCE,),
    cultivars=(QUARROW,),
    place=("PB", 1, 4),
    planted=DAY(2015, 2, 20),
    rank="scheme: bank",
    rootstock="seedling",
)
BOOKS = (
    TREE,
    WOOD,
    replace(WOOD, code="C26-0012-6", is_bundle=False),
    LOT,
    STOCK,
    StoreBook(code="S24-0002-8", kind="cooler"),
)
EVERY = [label for book in BOOKS for label in labels_of(book, TELL)]
EVERY.append(tree_label(LOT, 7, TELL))
BLANKS = [
    label
    for book in (
        TreeBook(code="T26-0001-7"),
        WoodBook(code="B26-0001-7", is_bundle=True),
        WoodBook(code="C26-0001-7", is_bundle=False),
        LotBook(code="G26-0001-7"),
        StockBook(code="R26-0001-7"),
        StoreBook(code="S26-0001-7"),
    )
    for label in labels_of(book, TELL)
]


def printed(label: Label, folder: Path) -> str:
    """Return the text of a label of its usual size, printed on a roll."""
    file = folder / "label.pdf"
    assert write_pdf([label], file, single(SIZES[label.kind])) == []
    (text,) = texts(file)
    return text


def names(label: Label) -> set[str]:
    return {fact.name for fact in (label.heading, *label.facts)}


# What rules name. A label with these fields is no verdict about anything.


def test_a_bundle_names_what_florida_asks_of_a_bundle_of_budwood(tmp_path: Path) -> None:
    """Florida F.A.C. 5B-62.011: variety, tree identification number, buds counted or estimated."""
    for label in labels_of(WOOD, TELL):
        text = printed(label, tmp_path)
        for part in ("Quarrow", "tree T24-0001-5", "buds", "counted", "estimated"):
            assert part in text
        (buds,) = (fact for fact in label.facts if fact.name == "buds")
        assert buds.text is None
        assert buds.choices == ("counted", "estimated")


def test_a_stake_names_what_texas_keeps_a_lot_by(tmp_path: Path) -> None:
    """Texas 4 TAC 21.44 and 21.38: cultivar, source tree, month and year of budding; block, row."""
    text = printed(labels_of(LOT, TELL)[0], tmp_path)
    for part in ("Quarrow", "tree T24-0001-5", "grafted 14 Apr 2026", "N26 row 3, 1 to 20"):
        assert part in text


def test_a_tree_names_what_the_european_directive_asks_of_a_label(tmp_path: Path) -> None:
    """Directive 2014/96/EU: category, botanical name, denomination, rootstock, quantity, year,

    reference number. The category is the rank as claimed. Washington WAC 16-350-035: source of
    scion and rootstock. New York, Idaho and California ask for the cultivar on each tree.
    """
    label = replace(tree_label(LOT, 7, TELL))
    text = printed(replace(label, facts=tuple(f for f in label.facts if f.must)), tmp_path)
    for part in (
        "rank, as claimed scheme: bank",
        "Carya illinoinensis",
        "Quarrow",
        "on QD-11, R24-0007-7",
        "tree T24-0001-5",
        "1 tree",
        "Apr 2026",
        "G26-0040-4/7",
        "plant patent claimed: invented 0417",
        "Invented Nursery",
    ):
        assert part in text


def test_a_bundle_has_a_batch_number_quantity_and_year_too() -> None:
    """Directive 2014/96/EU, as above; a bundle of wood has no rootstock."""
    for label in labels_of(WOOD, TELL):
        assert {"rank", "species", "cultivar", "sticks", "cut"} <= names(label)
        assert all(fact.must for fact in label.facts if fact.name in {"rank", "species", "cut"})


def test_no_label_gives_a_verdict() -> None:
    said = " ".join(text for label in EVERY + BLANKS for text in label.texts()).lower()
    for word in ("certified", "virus", "disease", "legal", "guarantee"):
        assert word not in said


def test_a_private_place_is_on_no_tag() -> None:
    (label,) = labels_of(replace(TREE, place=None, private=True), TELL)
    assert "place" not in names(label)


def test_a_tree_without_a_place_has_a_line_for_it() -> None:
    (label,) = labels_of(replace(TREE, place=None), TELL)
    (place,) = (fact for fact in label.facts if fact.name == "place")
    assert place.text is None


def test_wood_of_several_trees_names_them_and_says_what_is_unknown(tmp_path: Path) -> None:
    sources = tuple(SOURCE._replace(tree=f"Old-{i}", date=DAY(2026, 1, i)) for i in range(1, 7))
    label = labels_of(replace(WOOD, sources=(*sources, Source(cultivar="Quarrow"))), TELL)[0]
    told = {fact.name: fact.text for fact in label.facts}
    assert told["tree"] == "Old-1, Old-2, Old-3, Old-4, and 2 more trees, partly unknown"
    assert told["cut"] == "1 Jan 2026 to 6 Jan 2026, partly unknown"
    outside = labels_of(replace(WOOD, sources=(Source(received_from="SU-03"),)), TELL)[0]
    told = {fact.name: fact.text for fact in outside.facts}
    assert told["tree"] == "SU-03"
    assert told["cut"] is None
    assert "from SU-03" in " ".join(printed(outside, tmp_path).split())
    both = labels_of(replace(WOOD, sources=(SOURCE, Source(received_from="SU-03"))), TELL)[0]
    assert both.to_dict()["tree"] == "T24-0001-5, from SU-03"


def test_a_count_that_nobody_described_is_ticked_by_hand() -> None:
    label = labels_of(replace(WOOD, count=None), TELL)[0]
    (sticks,) = (fact for fact in label.facts if fact.name == "sticks")
    assert (sticks.text, sticks.choices) == ("25 sticks", ("counted", "estimated"))


def test_a_box_is_kept_at_degrees_as_the_nursery_measures() -> None:
    book = StoreBook(code="S24-0002-8", kind="cooler")
    assert "kept at °C" in {fact.title for fact in labels_of(book, TELL)[0].facts}
    us = TELL._replace(fahrenheit=True)
    assert "kept at °F" in {fact.title for fact in labels_of(book, us)[0].facts}


def test_a_bundle_has_a_label_inside_and_one_outside() -> None:
    first, second = labels_of(WOOD, TELL)
    assert first.to_dict()["side"] == "inside label"
    assert second.to_dict() | {"side": "inside label"} == first.to_dict()


# QR codes and codes, read back from paper


@pytest.mark.parametrize("label", EVERY + BLANKS, ids=lambda each: f"{each.kind}-{each.code}")
def test_its_qr_code_reads_as_its_code(label: Label, tmp_path: Path) -> None:
    size = SIZES[label.kind]
    write_pdf([label], tmp_path / "label.pdf", single(size))
    (page,) = pages(tmp_path / "label.pdf")
    assert qr_codes(page) == [label.code]
    assert label.code in texts(tmp_path / "label.pdf")[0]
    for dpi in (203, 300):
        folder = tmp_path / str(dpi)
        write_pictures([label], folder, size, dpi=dpi)
        (file,) = folder.iterdir()
        with Image.open(file) as picture:
            assert picture.mode == "1"
            assert picture.size == tuple(round(side * dpi / 25.4) for side in size)
            assert round(picture.info["dpi"][0]) == dpi
            assert qr_codes(picture.convert("L")) == [label.code]


def test_a_whole_sheet_is_read_in_its_order(tmp_path: Path) -> None:
    made = [
        labels_of(replace(WOOD, code=codes.issue("B", 2026, serial)), TELL)[1]
        for serial in range(1, 31)
    ]
    stock = sheet(PAPERS["A4"], rows=7, columns=2, margins=(8, 6), gaps=(0, 2.5))
    write_pdf(made, tmp_path / "sheet.pdf", stock, start=4)
    read = [qr_codes(page) for page in pages(tmp_path / "sheet.pdf", 250)]
    assert [len(each) for each in read] == [11, 14, 5]
    assert [code for each in read for code in each] == [label.code for label in made]


@pytest.mark.parametrize("label", EVERY + BLANKS, ids=lambda each: f"{each.kind}-{each.code}")
def test_a_code_typed_back_with_a_slip_is_no_code(label: Label) -> None:
    """One digit wrong, or two neighbours exchanged: Damm's digit finds all of them."""
    code = label.code.partition("/")[0]
    assert codes.is_issued(code)
    places = [at for at, sign in enumerate(code) if sign.isdigit()]
    for at in places:
        for digit in "0123456789":
            wrong = f"{code[:at]}{digit}{code[at + 1 :]}"
            assert wrong == code or not codes.is_issued(wrong)
    for first, second in pairwise(places):
        signs = list(code)
        signs[first], signs[second] = signs[second], signs[first]
        assert "".join(signs) == code or not codes.is_issued("".join(signs))


# Layout


def check_layout(drawing: Drawing) -> None:
    """Assert that everything is on the label, large enough, and not on something else."""
    width, height = drawing.size
    (symbol,) = (item for item in drawing.items if isinstance(item, Symbol))
    assert symbol.module >= MODULES[0] - 1e-9
    side = len(symbol.rows) * symbol.module
    quiet = QUIET * symbol.module
    assert symbol.y - quiet >= -1e-6
    assert symbol.x + side + quiet <= width + 1e-6
    boxes = [(symbol.x - quiet, symbol.y - quiet, symbol.x + side, symbol.y + side + quiet)]
    for item in drawing.items:
        if isinstance(item, Text):
            high = item.size * pdf.CAP_HEIGHT
            assert high >= (LEAST_CODE if item.font == pdf.CODE else LEAST_FACT) - 1e-6
            wide = pdf.width(item.text.rstrip(), item.font, item.size)
            boxes.append((item.x, item.y - high, item.x + wide, item.y))
        elif isinstance(item, Box):
            boxes.append((item.x, item.y, item.x + item.side, item.y + item.side))
        elif isinstance(item, Bar):
            boxes.append((item.x, item.y, item.x + item.width, item.y + item.height))
    for left, top, right, bottom in boxes[1:]:
        assert left >= EDGE - 1e-6
        assert top >= EDGE - 1e-6
        assert right <= width - EDGE + 1e-6
        assert bottom <= height - EDGE + 1e-6
    for at, one in enumerate(boxes):
        for other in boxes[at + 1 :]:
            apart = (
                one[2] <= other[0] + 1e-6
                or other[2] <= one[0] + 1e-6
                or one[3] <= other[1] + 1e-6
                or other[3] <= one[1] + 1e-6
            )
            assert apart, (one, other)


TEXT = st.text("abcdefgjq ÅÖЖÿ0123456789-", min_size=1, max_size=40).map(str.strip).filter(bool)
FACTS = st.lists(
    st.builds(
        Fact,
        name=st.just("x"),
        title=TEXT | st.just(""),
        text=TEXT | st.none(),
        choices=st.just(()) | st.just(("counted", "estimated")),
        must=st.booleans(),
    ),
    max_size=9,
)
CODES = st.builds(
    codes.issue, st.sampled_from("TCBGRS"), st.integers(2000, 2099), st.integers(1, 9_999_999)
) | st.sampled_from(["AB-3-4", "Old-7", "G26-0001-7/123"])


@settings(max_examples=150)
@given(
    code=CODES,
    heading=TEXT | st.none(),
    facts=FACTS,
    size=st.tuples(st.floats(15, 200), st.floats(10, 120)),
    dot=st.sampled_from([0, 25.4 / 203, 25.4 / 300]),
)
def test_all_of_a_label_can_be_read_or_it_is_refused(
    code: str, heading: str | None, facts: list[Fact], size: tuple[float, float], dot: float
) -> None:
    label = Label(
        kind=LabelKind.TAG,
        code=code,
        heading=Fact(name="cultivar", title="cultivar", text=heading),
        facts=tuple(facts),
    )
    try:
        drawing = lay_out(label, size, dot=dot)
    except TooSmallError:
        return
    check_layout(drawing)
    assert len(drawing.left_out) <= sum(not fact.must for fact in facts)


def test_more_room_is_used_to_print_larger() -> None:
    label = labels_of(WOOD, TELL)[0]
    heights = []
    for width in (90, 120, 160):
        drawing = lay_out(label, (width, width / 2.2))
        check_layout(drawing)
        heights.append(max(item.size for item in drawing.items if isinstance(item, Text)))
    assert heights == sorted(heights)
    assert heights[0] < heights[-1]


def test_what_need_not_be_there_is_left_out_first_and_then_it_is_refused() -> None:
    label = labels_of(WOOD, TELL)[0]
    assert lay_out(label, SIZES["bundle"]).left_out == ()
    small = lay_out(label, (64, 37))
    check_layout(small)
    optional = [fact.name for fact in label.facts if not fact.must]
    assert small.left_out
    assert list(small.left_out) == optional[: -len(small.left_out) - 1 : -1]
    with pytest.raises(TooSmallError, match="is too small for tree, cut, sticks, species, rights"):
        lay_out(label, (50, 25))
    with pytest.raises(TooSmallError, match=r"too small for its code.*arm's length"):
        lay_out(label, (30, 8))


def test_the_labels_for_inside_and_outside_are_laid_out_alike() -> None:
    for size in (SIZES["bundle"], (70.0, 37.0)):
        inside, outside = (lay_out(label, size) for label in labels_of(WOOD, TELL))
        assert [_sizes(each) for each in inside.items] == [_sizes(each) for each in outside.items]


def _sizes(item: object) -> object:
    return item.size if isinstance(item, Text) else item


def test_a_long_code_goes_in_two_lines() -> None:
    drawing = lay_out(tree_label(replace(LOT, code="AB-North-2026"), 117, TELL), (62, 62))
    lines = [
        item.text for item in drawing.items if isinstance(item, Text) and item.font == pdf.CODE
    ]
    assert "".join(lines) == "AB-North-2026/117"
    assert len(lines) == 2


def test_a_size_at_which_it_fits_is_named_where_it_does_not() -> None:
    label = labels_of(WOOD, TELL)[0]
    with pytest.raises(TooSmallError) as refused:
        lay_out(label, (50, 25))
    width, _, height = str(refused.value).rpartition("; ")[2].split()[:3]
    check_layout(lay_out(label, (float(width), float(height))))


# Files


def test_letters_that_no_font_has_are_known() -> None:
    label = labels_of(replace(WOOD, treatment="温水 Żółty"), TELL)[0]
    assert unknown_letters([label]) == "水温"
    assert unknown_letters(EVERY) == ""


def test_names_beyond_latin_are_printed(tmp_path: Path) -> None:
    named = Named("Čížek Жёлтая", "Prunus")
    label = labels_of(replace(WOOD, cultivars=(named,)), TELL)[0]
    assert "Čížek Жёлтая" in printed(label, tmp_path)


def test_what_cannot_be_written_is_refused_and_leaves_nothing(tmp_path: Path) -> None:
    label = labels_of(WOOD, TELL)[0]
    stock = plain(PAPERS["Letter"], SIZES["bundle"])
    with pytest.raises(RegistryError, match=r"must end in \.pdf"):
        write_pdf([label], tmp_path / "labels.txt", stock)
    with pytest.raises(RegistryError, match="cannot be number 15"):
        write_pdf([label], tmp_path / "labels.pdf", stock, start=15)
    with pytest.raises(TooSmallError):
        write_pdf([label], tmp_path / "labels.pdf", single((20, 10)))
    with pytest.raises(RegistryError, match="no printer's"):
        write_pictures([label], tmp_path / "pictures", SIZES["bundle"], dpi=10)
    with pytest.raises(RegistryError, match="more than the 20000 that are printed at once"):
        write_pdf([label] * 20_001, tmp_path / "labels.pdf", stock)
    with pytest.raises(RegistryError, match="more than the 20000 that are printed at once"):
        write_pictures([label] * 20_001, tmp_path / "pictures", SIZES["bundle"])
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "there").mkdir()
    (tmp_path / "there" / "kept").write_text("x")
    for folder in (tmp_path / "there", tmp_path / "there" / "kept"):
        with pytest.raises(RegistryError, match="is there already"):
            write_pictures([label], folder, SIZES["bundle"])
    with pytest.raises(RegistryError, match="cannot be written"):
        write_pictures([label], tmp_path / "no" / "folder", SIZES["bundle"])
