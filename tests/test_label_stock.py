"""Sizes of labels and sheets: every label on the paper, none on another."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scionreg.documents.labels.saying import KIND_OF, LabelKind
from scionreg.documents.labels.stock import (
    SIZES,
    Stock,
    plain,
    read_pair,
    read_paper,
    read_size,
    sheet,
    shown,
    single,
)
from scionreg.documents.pdf import PAPERS
from scionreg.records.errors import RegistryError


def check_places(stock: Stock) -> None:
    """Assert that all labels are on the paper and none on another."""
    places = list(stock.places())
    width, height = stock.label
    assert len(places) == stock.number
    assert all(x >= -1e-6 and x + width <= stock.paper[0] + 1e-6 for x, _ in places)
    assert all(y >= -1e-6 and y + height <= stock.paper[1] + 1e-6 for _, y in places)
    for at, (x, y) in enumerate(places):
        for other_x, other_y in places[at + 1 :]:
            assert abs(x - other_x) >= width - 1e-6 or abs(y - other_y) >= height - 1e-6


@given(
    paper=st.sampled_from(list(PAPERS.values())),
    size=st.tuples(st.floats(10, 250), st.floats(10, 320)),
)
def test_plain_paper_holds_as_many_as_fit(
    paper: tuple[float, float], size: tuple[float, float]
) -> None:
    try:
        stock = plain(paper, size)
    except RegistryError:
        assert size[0] > paper[0] - 14 or size[1] > paper[1] - 14
        return
    check_places(stock)
    assert stock.cut_lines
    assert (stock.columns + 1) * size[0] > paper[0] - 14
    assert (stock.rows + 1) * size[1] > paper[1] - 14


@given(
    rows=st.integers(1, 20),
    columns=st.integers(1, 8),
    margins=st.tuples(st.floats(0, 60), st.floats(0, 60)),
    gaps=st.tuples(st.floats(0, 20), st.floats(0, 20)),
)
def test_label_stock_is_divided_evenly(
    rows: int, columns: int, margins: tuple[float, float], gaps: tuple[float, float]
) -> None:
    try:
        stock = sheet(PAPERS["A4"], rows=rows, columns=columns, margins=margins, gaps=gaps)
    except RegistryError:
        return
    check_places(stock)
    places = list(stock.places())
    first, last = places[0], places[-1]
    assert first == (margins[1], margins[0])
    assert last[0] + stock.label[0] + margins[1] == pytest.approx(210)
    assert last[1] + stock.label[1] + margins[0] == pytest.approx(297)


def test_labels_may_be_smaller_than_the_sheet_allows_and_not_larger() -> None:
    stock = sheet(PAPERS["A4"], rows=8, columns=3, label=(64, 34))
    check_places(stock)
    assert stock.label == (64, 34)
    with pytest.raises(RegistryError, match=r"leave 70 x 37\.12 mm a label, less than 80 x 30 mm"):
        sheet(PAPERS["A4"], rows=8, columns=3, label=(80, 30))
    with pytest.raises(RegistryError, match="leave no room"):
        sheet(PAPERS["A4"], rows=8, columns=3, margins=(0, 110))
    with pytest.raises(RegistryError, match="1 to 100 rows and columns"):
        sheet(PAPERS["A4"], rows=0, columns=3)


def test_a_roll_has_a_label_a_page() -> None:
    stock = single((70, 37))
    assert (stock.number, stock.paper, list(stock.places())) == (1, (70, 37), [(0, 0)])


@pytest.mark.parametrize(
    ("text", "size"),
    [
        ("70x37", (70, 37)),
        (" 70 X 37.5 mm ", (70, 37.5)),
        ("3x1.5in", (76.2, 38.1)),
        ("70×37", (70, 37)),
        ("Bundle", SIZES["bundle"]),
    ],
)
def test_a_size_is_named_or_written(text: str, size: tuple[float, float]) -> None:
    assert read_size(text) == pytest.approx(size)


@pytest.mark.parametrize("text", ["", "70", "70x", "axb", "0x10", "70x37cm", "9999x10", "-3x4"])
def test_what_is_no_size_is_refused(text: str) -> None:
    with pytest.raises(RegistryError, match="is no size of a label; write width x height"):
        read_size(text)


def test_every_kind_of_label_has_a_size() -> None:
    assert set(SIZES) == {kind.value for kind in LabelKind}
    assert set(KIND_OF.values()) == set(LabelKind) - {LabelKind.TREE}


def test_paper_and_margins_are_read() -> None:
    assert read_paper("letter") == PAPERS["Letter"]
    assert read_paper("100x150") == (100, 150)
    assert read_pair("13,7.5", "margins") == (13, 7.5)
    assert read_pair("0.5in", "gaps") == (12.7, 12.7)
    for text in ("", "1,2,3", "wide", "-1"):
        with pytest.raises(RegistryError, match="are no gaps"):
            read_pair(text, "gaps")
    with pytest.raises(RegistryError, match="'A9' is no paper; write A4, Letter, roll"):
        read_paper("A9")
    assert shown((76.2, 38.1), "US") == "3.00 x 1.50 in"
    assert shown((70, 37.125)) == "70 x 37.12 mm"
