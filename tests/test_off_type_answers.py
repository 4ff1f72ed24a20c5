"""Where an identity broke, as people are told it: text, JSON, CSV, pictures and the one page."""

import csv
import datetime as dt
import io
import json
import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scionreg.api import Registry
from scionreg.cli.telling_off_type import tell_off_types
from scionreg.documents.chain_layout import KINDS, choose, place
from scionreg.documents.off_type_page import page, write_page
from scionreg.documents.off_type_picture import draw_chain
from scionreg.identity.off_type import (
    Affected,
    ChainItem,
    Fault,
    Looked,
    NextCheck,
    OffType,
    grade,
)
from scionreg.identity.reasons import also, itself, looks_at
from scionreg.identity.states import SHARES
from scionreg.identity.sureness import per_cent
from scionreg.lineage.identity_reader import read_identity_books
from scionreg.lineage.timeline import Happening, Timeline
from scionreg.off_types import OffTypes, off_types
from scionreg.records.starting_values import IdentityValues, OffTypeValues
from scionreg.records.vocabulary import Failure, Grade, Proposal
from scionreg.records.words import english
from scionreg.registry.store import Store
from tests.conftest import Said
from tests.small_registries import holding, small

ROOT = Path(__file__).parents[1]
Run = Callable[..., Said]
PERSON = re.compile(r"\bP\d\d\b")
WRONG_TREE, LEFTOVERS, EXCHANGED = "G24-0029-6/6", "G25-0322-9", "D26-0001-7"
"""Ways into the demo's stories of the neighbour that was cut, the leftovers, the two dispatches."""
TRUE = "T24-0047-1"
"""The tree that the neighbour was cut in place of."""


@pytest.fixture
def ask(run: Run, demo: str) -> Run:
    return lambda *words: run("offtype", *words, "--registry", demo)


@pytest.fixture(scope="module")
def answers(demo: str) -> dict[str, OffType]:
    with Registry.open(demo) as registry:
        found = registry.off_types(WRONG_TREE, LEFTOVERS, EXCHANGED, TRUE)
    return {each.code: each for each in found.answers}


# The demo's stories


@pytest.mark.parametrize(
    ("code", "failure", "item", "partner"),
    [
        (WRONG_TREE, Failure.OTHER_TREE_CUT, "C24-0047-1", "T24-0048-3"),
        (LEFTOVERS, Failure.BUNDLE_MIXED, "B25-0132-7", None),
        (EXCHANGED, Failure.DISPATCHES_EXCHANGED, "D26-0001-7", "D26-0002-5"),
    ],
)
def test_the_stories_come_out_first(
    answers: dict[str, OffType], code: str, failure: Failure, item: str, partner: str | None
) -> None:
    first = answers[code].causes[0]
    assert (first.failure, first.item) == (failure, item)
    assert first.probability > 0.9
    assert partner is None or partner in first.partners


def test_a_cause_is_one_sentence_with_evidence_for_and_against(
    answers: dict[str, OffType],
) -> None:
    said = answers[WRONG_TREE].causes[0].because
    assert "it is Pendrake (T24-0048-3" in said
    assert "all 10 trees looked at from this cutting were off, found to be Pendrake" in said
    assert "while none of the 18 from other wood of T24-0047-1 was off" in said
    assert "T24-0047-1 itself was found true in all 3 looks" in said
    assert "never packed into it" in answers[LEFTOVERS].causes[0].because
    exchanged = answers[EXCHANGED].causes[0].because
    assert "all 24 trees looked at from D26-0001-7 were off, found to be Quarrow" in exchanged
    assert "all 23 trees looked at from D26-0002-5 were off, found to be Tarnwick" in exchanged


def test_nobody_is_named_in_a_cause(answers: dict[str, OffType]) -> None:
    told = [cause.because for each in answers.values() for cause in each.causes]
    assert len(told) > 20
    assert not [each for each in told if PERSON.search(each)]


# At the command line


def test_a_grower_reads_the_cause_who_has_the_trees_and_what_is_excluded(ask: Run) -> None:
    code, out, err = ask(WRONG_TREE)
    assert code == 3
    first, *_ = out.splitlines()
    assert first == f"{WRONG_TREE}, labelled Tillowby: it was found off."
    assert "One look tells little by itself" in out
    assert out.index("another tree was cut") < out.index("dispatches, whose customers")
    assert re.search(r"D25-0073-8  CU-12 +11  4 of 4 off  certain  more than 99%  hold", out)
    assert re.search(r"G24-0124-6 .*certain .*Pendrake", out)
    assert "Excluded, though related or worked beside it: " in out
    assert "Nothing is renamed, held or pulled by scionreg" in out
    assert (out + err).count("laboratory") == 1


def test_json_has_the_agreed_keys_and_csv_a_row_a_cause(ask: Run) -> None:
    code, out, _ = ask(EXCHANGED, "--json")
    found = json.loads(out)
    assert code == 3
    assert {"causes", "affected", "tied", "next_checks", "excluded", "missing", "few"} <= set(found)
    assert list(found["causes"][0]) == ["failure", "item", "with", "as", "probability", "because"]
    assert sum(each["probability"] for each in found["causes"]) == pytest.approx(1)
    assert {"item", "trees", "probability"} <= set(found["affected"][0])
    assert found["looked"] == {"checked": 24, "off": 24}
    _, out, _ = ask(EXCHANGED, "--csv")
    rows = list(csv.DictReader(io.StringIO(out)))
    assert [row["failure"] for row in rows] == [each["failure"] for each in found["causes"]]
    assert rows[0]["with"] == "D26-0002-5"


def test_a_true_tree_is_no_finding(ask: Run) -> None:
    code, out, _ = ask(TRUE)
    assert code == 0
    assert "it was found true in all 3 looks" in out
    assert "Where the identity may have broken" in out


def test_without_codes_all_that_was_found_off_is_shown(ask: Run) -> None:
    code, out, err = ask()
    assert code == 3
    assert re.search(r"G24-0124-6 .* 6 of 6 .*other tree cut: C24-0047-1 with T24-0048-3", out)
    assert re.search(r"D26-0002-5 .*dispatches exchanged: D26-0002-5 with D26-0001-7", out)
    assert "scionreg offtype CODE" in err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["X99"], "nothing is recorded under 'X99'"),
        (["P01"], "'P01' is no wood"),
        (["S24-0002-8"], "'S24-0002-8' is no wood"),
        (["G24-0029-6/99"], "positions 1 to 23; there is no 99"),
        (["--picture", "a.png"], "name one code"),
        ([TRUE, EXCHANGED, "--page", "a.html"], "name one code"),
        ([TRUE, "--picture", "a.gif"], "'a.gif' is no picture file"),
        ([TRUE, "--page", "a.txt"], "'a.txt' is no page"),
        ([TRUE, "--page", "nowhere/a.html"], "cannot be written"),
        ([TRUE, "--picture", "nowhere/a.png"], "cannot be written"),
    ],
)
def test_bad_questions_are_refused_in_a_sentence(ask: Run, words: list[str], said: str) -> None:
    code, out, err = ask(*words)
    assert (code, out) == (1, "")
    assert said in err


# What the demo does not have: ties, checks worth their cost, hostile names

HOSTILE = """<script>alert('1')</script>&"$x^$"""


def made(**changed: object) -> OffType:
    """An answer as it may be, of invented things."""
    causes = (
        Fault(
            failure=Failure.BUNDLES_EXCHANGED,
            item="B1",
            partners=("B2",),
            what="Ember",
            probability=0.45,
            because="the bundles B1 and B2 carry each other's label: told",
        ),
        Fault(
            failure=Failure.BUNDLE_MISLABELLED,
            item="B1",
            partners=(),
            what="Ember",
            probability=0.45,
            because="the bundle B1 got a wrong label and is Ember: told",
        ),
        *(
            Fault(
                failure=Failure.TREE_IS_OTHER,
                item=f"T{i}",
                partners=(),
                what="other",
                probability=0.02,
                because=f"cause {i}",
            )
            for i in range(5)
        ),
    )
    plain = {"label": "Aspen", "date": None, "trees": 9, "checked": 0, "off": 0}
    chain = (
        ChainItem(kind="mother_tree", code="T1", sources=(), probability=0.02, **plain),
        ChainItem(kind="collection", code="C1", sources=("T1",), probability=0.03, **plain),
        ChainItem(kind="bundle", code="B1", sources=("C1",), probability=0.9, **plain),
        ChainItem(kind="bundle", code="B2", sources=("C1",), probability=0.6, **plain),
        ChainItem(kind="graft_lot", code="G1", sources=("B1",), probability=0.9, **plain),
    )
    answer = OffType(
        code="G1",
        label="Aspen",
        looked=Looked(checked=4, off=4),
        causes=causes,
        tied=(causes[:2],),
        affected=(
            Affected(
                kind="graft_lot",
                item="G1",
                trees=9,
                probability=0.9,
                what="Ember",
                proposal=Proposal.CHECK_FIRST,
            ),
        ),
        excluded=(),
        next_checks=(
            NextCheck(item="G1", position=None, method="dna", trees=2, cost=130.0, saves=220.0),
        ),
        missing=("the day B1 was packed",),
        chain=chain,
    )
    return replace(answer, **changed)


def told(answer: OffType, capsys: pytest.CaptureFixture[str]) -> str:
    tell_off_types(OffTypes(answers=(answer,)), in_full=True)
    return capsys.readouterr().out


def test_ties_checks_and_gaps_are_told(capsys: pytest.CaptureFixture[str]) -> None:
    out = told(made(), capsys)
    assert "That is few; each further look makes this surer." in out
    assert "  possible, 45%:\n    the bundles B1 and B2" in out
    tied = out[out.index("Nothing recorded can tell these apart:") :].splitlines()[1:3]
    assert tied == ["  bundles exchanged: B1 with B2", "  bundle mislabelled: B1"]
    assert "  2 other causes, together 4.0%" in out
    assert re.search(r"G1 +- +marker profile +2 +130 +220", out)
    assert "check first" in out
    assert out.rstrip().endswith("the day B1 was packed")


def test_no_check_is_said_where_none_is_worth_its_cost(capsys: pytest.CaptureFixture[str]) -> None:
    assert "No check is worth its cost" in told(made(next_checks=()), capsys)


def test_what_was_found_off_for_another_reason_is_not_passed_over(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """It is excluded from this fault, and yet its own looks found it off."""
    answer = made()
    other = replace(answer.chain[0], code="T9", checked=4, off=3, probability=0.01)
    out = told(replace(answer, chain=(*answer.chain, other)), capsys)
    assert "Found off as well, it seems for another reason: mother tree T9, 3 of 4" in out


def test_no_text_of_a_record_reaches_the_terminal_raw(capsys: pytest.CaptureFixture[str]) -> None:
    assert "\x1b" not in told(made(label="\x1b[31mred", missing=("\x1b[2J",)), capsys)


def test_what_was_found_off_on_an_unknown_day_comes_last_on_both_databases(store: Store) -> None:
    records = small()
    off = {"method": "dna", "checked": 1, "off": 1, "found": "other"}
    records["identity_checks"] = [
        {"check": "K1", "item": "T1", "date": None, **off},
        {"check": "K2", "item": "G1", "date": dt.date(2026, 9, 1), **off},
        {"check": "K3", "item": "G2", "date": dt.date(2026, 10, 1), **off},
    ]
    with holding(store, records) as connection:
        assert [each.code for each in off_types(connection).answers] == ["G2", "G1", "T1"]


@pytest.mark.parametrize(
    ("dates", "expected"),
    [
        ((dt.date(2026, 5, 1), dt.date(2026, 9, 1)), True),
        ((dt.date(2026, 5, 1), None), False),
    ],
)
def test_a_count_of_an_unknown_day_is_no_rise(
    store: Store, dates: tuple[dt.date | None, ...], expected: bool
) -> None:
    records = small()
    records["take_counts"] = [
        {"graft_lot": "G1", "date": date, "pushing": pushing}
        for date, pushing in zip(dates, (10, 15), strict=True)
    ]
    with holding(store, records) as connection:
        assert read_identity_books(connection, "G1").lots["G1"].lives_too_much is expected


def test_grades_speak_the_language_of_a_recall() -> None:
    assert [grade(each) for each in (1.0, 0.5, 0.05, 0.04)] == [
        "certain",
        "likely",
        "possible",
        "excluded",
    ]


def test_what_is_excluded_is_graded_so_whatever_its_probability() -> None:
    usual = Affected(
        kind="graft_lot", item="G1", trees=9, probability=0.2, what=None, proposal=None
    )
    (told,) = made(excluded=(usual,)).to_dict()["excluded"]
    assert (told["grade"], told["probability"]) == ("excluded", 0.2)


@given(st.floats(0, 1))
def test_no_probability_is_shown_as_none_or_all(probability: float) -> None:
    assert per_cent(probability) not in ("0%", "0.0%", "100%")


@pytest.mark.parametrize(
    ("checked", "off", "said"),
    [
        (0, 0, "no tree in this lot was looked at"),
        (1, 1, "the one tree looked at in this lot was off"),
        (2, 2, "both trees looked at in this lot were off"),
        (9, 0, "none of the 9 trees looked at in this lot was off"),
        (9, 1, "1 of the 9 trees looked at in this lot was off"),
        (9, 9, "all 9 trees looked at in this lot were off"),
    ],
)
def test_looks_are_put_into_words(checked: int, off: int, said: str) -> None:
    assert looks_at(Looked(checked=checked, off=off), " in this lot") == said


def test_looks_at_other_wood_are_put_into_words() -> None:
    assert also(Looked(checked=1, off=0), "there") == "the one from there was true"
    assert also(Looked(checked=3, off=2), "there") == "2 of the 3 from there were off"
    assert itself(Looked(checked=3, off=1), "T1 itself") == "1 of 3 looks at T1 itself found it off"
    assert itself(Looked(checked=1, off=1), "it") == "it was found off"


# Pictures


def test_the_picture_shows_the_way_up_the_suspect_and_what_was_looked_at(
    answers: dict[str, OffType],
) -> None:
    shown = choose(answers[WRONG_TREE])
    assert {"G24-0029-6", "B24-0107-3", "C24-0047-1", "T24-0047-1"} <= set(shown.items)
    assert shown.numbers("C24-0047-1") == [1]
    assert shown.items["T24-0048-3"].label == "Pendrake"
    assert any(tie.partner == "T24-0048-3" and tie.cut_instead for tie in shown.ties)
    looked_at = {each.code for each in answers[WRONG_TREE].chain if each.checked and each.off}
    assert looked_at <= set(shown.items)


@pytest.mark.parametrize("code", [WRONG_TREE, LEFTOVERS, EXCHANGED])
def test_pictures_are_drawn_the_same_each_time(
    answers: dict[str, OffType], tmp_path: Path, code: str
) -> None:
    files = [tmp_path / name for name in ("a.png", "b.png", "a.svg")]
    for file in files:
        draw_chain(answers[code], file)
    assert files[0].read_bytes().startswith(b"\x89PNG")
    assert files[0].read_bytes() == files[1].read_bytes()
    assert ElementTree.parse(files[2]).getroot().tag.endswith("svg")


def test_a_name_with_signs_of_a_formula_is_drawn_as_it_is(tmp_path: Path) -> None:
    answer = made(label=HOSTILE)
    answer = replace(answer, causes=(replace(answer.causes[0], because=HOSTILE),))
    draw_chain(answer, tmp_path / "a.svg")
    assert (tmp_path / "a.svg").stat().st_size > 0


def test_a_big_chain_is_drawn_small_and_what_is_left_out_is_counted() -> None:
    answer = made()
    lot = replace(answer.chain[-1], probability=0.01)
    lots = [replace(lot, code=f"H{i}", checked=i % 2) for i in range(3_000)]
    shown = choose(replace(answer, chain=(*answer.chain, *lots)))
    assert len(shown.items) < 60
    drawn = sum(code.startswith("H") for code in shown.items)
    assert shown.hidden["B1"] == 3_000 - drawn


@st.composite
def chains(draw: st.DrawFn) -> dict[str, ChainItem]:
    """Things with sources of the kind before, and bundles of bundles."""
    items: dict[str, ChainItem] = {}
    before: list[str] = []
    for kind in KINDS:
        own: list[str] = []
        for i in range(draw(st.integers(1, 5))):
            options = before + (own if kind == "bundle" else [])
            sources = draw(st.lists(st.sampled_from(options), unique=True)) if options else []
            code = f"{kind}{i}"
            items[code] = ChainItem(
                kind=kind,
                code=code,
                sources=tuple(sources),
                label="",
                date=None,
                trees=1,
                checked=0,
                off=0,
                probability=0.0,
            )
            own.append(code)
        before = own
    return items


@given(chains())
def test_nothing_lies_upon_another_and_lines_lead_to_the_right(items: dict[str, ChainItem]) -> None:
    placed = place(items)
    assert set(placed.places) == set(items)
    for column in range(len(placed.layers)):
        heights = sorted(y for x, y in placed.places.values() if x == column)
        assert all(after - before > 1 - 1e-9 for before, after in pairwise(heights))
    ends = {(source, code) for source, code, _ in placed.lines}
    assert ends == {(source, code) for code, each in items.items() for source in each.sources}
    for source, code, way in placed.lines:
        assert (way[0], way[-1]) == (placed.places[source], placed.places[code])
        assert [after - before for (before, _), (after, _) in pairwise(way)] == [1] * (len(way) - 1)


# The page


class Reader(HTMLParser):
    """Reads a page's tags, its text, and whatever names another file."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.text = ""
        self.links: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        named = [value for name, value in attrs if name in ("src", "href", "action", "data")]
        self.links += [str(value) for value in named]
        assert not [name for name, _ in attrs if name.startswith("on")]

    def handle_data(self, data: str) -> None:
        self.text += data


def read(html: str) -> Reader:
    reader = Reader()
    reader.feed(html)
    return reader


def hostile_timeline() -> Timeline:
    happening = Happening(date=dt.date(2026, 1, 1), did=HOSTILE, code=HOSTILE, text=HOSTILE)
    return Timeline(
        code=HOSTILE,
        grade=Grade.CERTAIN,
        happenings=(happening,),
        missing=(HOSTILE,),
        contradictions=(HOSTILE,),
        entry=1,
        digest="0" * 64,
    )


def test_whatever_the_records_hold_is_text_on_the_page() -> None:
    answer = made(code=HOSTILE, label=HOSTILE)
    answer = replace(
        answer,
        causes=tuple(replace(each, because=HOSTILE, item=HOSTILE) for each in answer.causes),
        tied=(tuple(replace(each, item=HOSTILE) for each in answer.causes[:2]),),
        affected=tuple(replace(each, item=HOSTILE) for each in answer.affected),
        next_checks=tuple(replace(each, item=HOSTILE) for each in answer.next_checks),
    )
    found = read(page(answer, hostile_timeline(), english()))
    assert "script" not in found.tags
    assert found.text.count(HOSTILE) >= 15


def test_the_page_loads_nothing(answers: dict[str, OffType], demo: str, tmp_path: Path) -> None:
    with Registry.open(demo) as registry:
        write_page(answers[WRONG_TREE], registry.timeline(WRONG_TREE), tmp_path / "page.html")
    html = (tmp_path / "page.html").read_text(encoding="utf-8")
    found = read(html)
    assert found.links == []
    assert not re.search(r"https?:|//|url\(|@import", html.replace("<!doctype html>", ""))
    assert "default-src 'none'" in html


def test_the_page_tells_the_chain_by_date_and_what_it_rests_on(ask: Run, demo: str) -> None:
    code, _, err = ask(WRONG_TREE, "--page", "page.html", "--picture", "chain.png")
    assert code == 3
    assert "written: page.html" in err
    assert "drawn: chain.png" in err
    text = read(Path("page.html").read_text(encoding="utf-8")).text
    with Registry.open(demo) as registry:
        last = registry.timeline(WRONG_TREE)
    assert last.digest in text
    for part in (
        "20 Feb 2017",
        "209 sticks, written down for tree T24-0047-1",
        "11 trees of G24-0029-6, positions 2 to 16, to customer CU-12",
        "K27-0044-6: 3 of 3 off by marker profile, found to be Pendrake",
        "more than 99%",
        "Identity and health results are the laboratory's",
    ):
        assert part in text
    assert not PERSON.search(text)
    assert not re.search(r"certified|disease-free|virus-free|guarantee", text)


@pytest.mark.parametrize("code", [WRONG_TREE, LEFTOVERS, EXCHANGED, "T25-0001-9", "C24-0047-1"])
def test_a_timeline_goes_from_the_oldest_to_the_newest(demo: str, code: str) -> None:
    with Registry.open(demo) as registry:
        found = registry.timeline(code)
    dates = [each.date for each in found.happenings if each.date is not None]
    assert dates == sorted(dates)
    assert {"planted", "cut"} <= {each.did for each in found.happenings}


def test_a_private_place_is_left_out(demo: str) -> None:
    with Registry.open(demo) as registry:
        every = registry.records("mother_trees")
        private = [each["tree"] for each in every if each.get("location_private")]
        told = [each for tree in private for each in registry.timeline(tree).happenings]
        shown = registry.timeline(TRUE).happenings
    planted = [each.text for each in told if each.did == "planted"]
    assert planted
    assert not [text for text in planted if "position" in text]
    assert "position" in next(each.text for each in shown if each.did == "planted")


def test_free_text_stays_in_the_registry(demo: str, tmp_path: Path) -> None:
    """An event that contradicts is told without what somebody wrote beside it."""
    own = shutil.copy(demo, tmp_path / "own.db")
    secret = "by the barn of the neighbour"
    with Registry.open(own) as registry:
        registry.record(
            "tree_events",
            tree=TRUE,
            date="2023-12-01",
            event="topworked",
            detail=secret,
            recorder="P01",
        )
        assert secret in " ".join(registry.trace(WRONG_TREE).contradictions)
        found = registry.timeline(WRONG_TREE)
        html = page(registry.off_type(WRONG_TREE), found, english())
    assert any("2023-12-01" in each for each in found.contradictions)
    assert secret not in html


# The page of docs/


def test_the_numbers_of_the_page_are_those_it_starts_from() -> None:
    text = " ".join((ROOT / "docs" / "offtype.md").read_text(encoding="utf-8").split())
    values, rates = OffTypeValues(), IdentityValues()
    *shares, whole = (f"{100 * share:.0f}" for share in SHARES)
    assert f"told apart are {', '.join(shares)} and {whole} %" in text
    tree = [values.tree_is_other, values.tree_partly_other, values.topworked_partly_other]
    cut = [values.other_tree_cut, values.elsewhere_cut, values.two_trees_cut]
    bundle = [values.bundle_mislabelled, values.bundle_mixed, values.rebundle_mixed]
    for row, numbers in (("mother tree", tree), ("collection", cut), ("bundle", bundle)):
        _, _, line = text.partition(f"| {row} |")
        often = line.split("|")[1]
        assert [f"{100 * number:g} %" in often for number in numbers] == [True] * 3
    for method in ("dna", "fruit", "leaf", "bud"):
        finds, alarms = rates.find_rate(method), rates.false_alarm(method)
        assert f"{100 * finds:g} and {100 * alarms:g} %" in text
    assert f"stays costs {values.cost_wrong_tree:g}" in text
    assert f"pulled {values.cost_good_tree:g}" in text
