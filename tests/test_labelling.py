"""Labels of a registry: of what is recorded, and blanks that are bound by a record later."""

import csv
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from nursery import add
from printed import pages, qr_codes, texts
from small_registries import bundle, collection, dispatch, holding, lot, small
from sqlalchemy import Connection

from scionreg.api import Registry
from scionreg.labelling import Labels, labels
from scionreg.records import codes
from scionreg.records.errors import NotFoundError, ProblemsError, RegistryError
from scionreg.registry.correcting import void
from scionreg.registry.store import Store

Run = Callable[..., tuple[int, str, str]]


def told(connection: Connection, *asked: str, **options: Any) -> list[dict[str, Any]]:
    """Return what the labels of some codes say."""
    return labels(connection, asked, **options).to_rows()


@pytest.fixture
def nursery(nursery: Store) -> Registry:
    return Registry(nursery)


# What is recorded


def test_a_bundle_tied_from_others_names_every_tree_by_what_it_gave(store: Store) -> None:
    records = small()
    records["bundles"] += [bundle("B3", sticks=10), bundle("B4", sticks=20)]
    records["bundle_parents"] = [
        {"bundle": "B3", "parent": "B1", "sticks": 3},
        {"bundle": "B3", "parent": "B2", "sticks": 7},
        {"bundle": "B4", "parent": "B3", "sticks": 10},
    ]
    with holding(store, records) as connection:
        found = labels(connection, ["B3", "B4"])
        three, _, four, _ = found.to_rows()
        assert three["tree"] == "T2, T1"
        assert three["cultivar"] == "Birkwood + Aldern"
        assert four["tree"] == "T2, T1, partly unknown"
        assert "B3 holds wood of several cultivars: Birkwood, Aldern" in found.cautions


def test_an_alias_is_printed_as_its_cultivar(store: Store) -> None:
    records = small()
    records["mother_trees"][0]["cultivar"] = "ALD"
    with holding(store, records) as connection:
        assert told(connection, "B1")[0]["cultivar"] == "Aldern"
        assert told(connection, "B1")[0]["species"] == "Carya illinoinensis"


def test_received_wood_is_from_whom_it_came(store: Store) -> None:
    records = small()
    records["bundles"].append(bundle("B9", received_from="SU1", cultivar="Aldern"))
    with holding(store, records) as connection:
        label = told(connection, "B9")[0]
        assert (label["tree"], label["cut"], label["cultivar"]) == ("SU1", None, "Aldern")


def test_a_private_place_stays_off_the_tag_unless_it_is_not_private(store: Store) -> None:
    records = small()
    place = {"block": "N1", "row": 90, "position": 3}
    records["mother_trees"][0] |= {**place, "location_private": True}
    records["mother_trees"][1] |= place | {"position": 4}
    with holding(store, records) as connection:
        private, open_ = told(connection, "T1", "T2")
        assert "place" not in private
        assert open_["place"] == "N1 row 90 tree 4"


def test_a_tree_is_labelled_by_the_graft_that_stands_there_now(store: Store) -> None:
    records = small()
    records["graft_lots"].append(lot("G3", "B2", first=4, last=5, grafts=1, regraft_of="G1"))
    with holding(store, records) as connection:
        found = labels(connection, ["G1/3", "G1/4"])
        assert [(each.code, each.to_dict()["cultivar"]) for each in found.labels] == [
            ("G1/3", "Aldern"),
            ("G3/4", "Birkwood"),
        ]
        assert any("the first graft may still stand at 4" in each for each in found.cautions)
        every = labels(connection, ["G1"], trees=True).labels
        assert [each.code for each in every[2:6]] == ["G1/3", "G3/4", "G3/5", "G1/6"]
        assert len(every) == 20


def test_a_dispatch_gets_a_label_a_tree_under_the_name_it_is_sold_by(store: Store) -> None:
    records = small()
    records["dispatches"] = [
        dispatch("D1", "G1", label_cultivar="Aldern"),
        dispatch("D1", "G2", trees=3, label_cultivar="Aldern"),
        dispatch("D2", "G2", first=None, last=None, trees=2),
    ]
    with holding(store, records) as connection:
        found = labels(connection, ["D1", "D2"])
        # Three of the five positions were sent, and nobody wrote down which.
        assert [each.code for each in found.labels] == [
            *(f"G1/{position}" for position in range(1, 6)),
            *["G2"] * 5,
        ]
        assert [each.to_dict()["cultivar"] for each in found.labels[4:8]] == ["Aldern"] * 4
        (wrong,) = (each for each in found.cautions if "sold as" in each)
        assert wrong == "D1: trees of G2 are sold as Aldern and recorded as Birkwood"


def test_a_lot_without_positions_has_a_label_a_graft(store: Store) -> None:
    records = small()
    records["graft_lots"][0] |= {"row": None, "first": None, "last": None, "grafts": 3}
    with holding(store, records) as connection:
        assert [each["code"] for each in told(connection, "G1", trees=True)] == ["G1"] * 3
        assert told(connection, "G1")[0]["place"] == "N1"


def test_all_of_a_kind_and_season(store: Store) -> None:
    records = small()
    records["collections"].append(collection("C3", "T1", date=None))
    with holding(store, records) as connection:
        assert [each["code"] for each in told(connection, every="collections")] == [
            "C1",
            "C2",
            "C3",
        ]
        of_season = told(connection, "C2", every="collections", season=2026)
        assert [each["code"] for each in of_season] == ["C2", "C1"]
        assert [each["code"] for each in told(connection, every="stores")] == ["S1", "S2"]
        with pytest.raises(NotFoundError, match="no collections of season 2020 are recorded"):
            told(connection, every="collections", season=2020)
        with pytest.raises(RegistryError, match="stores belong to no season"):
            told(connection, every="stores", season=2026)
        with pytest.raises(RegistryError, match="there is no label for people; there are for"):
            told(connection, every="people")


def test_what_has_no_label_is_refused(store: Store) -> None:
    with holding(store, small()) as connection:
        with pytest.raises(RegistryError, match="there is no label for cultivars"):
            told(connection, "Aldern")
        with pytest.raises(NotFoundError, match="nothing is recorded under 'B7'"):
            told(connection, "B7")
        with pytest.raises(RegistryError, match="G1 has no position 21; it has 1 to 20"):
            told(connection, "G1/21")
        with pytest.raises(NotFoundError, match="nothing is recorded under 'G9/1'"):
            told(connection, "G9/1")


# Blanks


def test_a_blank_is_bound_by_the_record_that_uses_its_code(nursery: Registry) -> None:
    run = nursery.reserve("bundles", person="P02", count=3, season=2026, recorder="P01")
    blank: Labels = nursery.blank_labels("P02")
    assert [each.code for each in blank.labels] == [code for code in run for _ in range(2)]
    assert {each.to_dict()["tree"] for each in blank.labels} == {None}
    nursery.record(
        "bundles",
        bundle=run[1],
        collection="C26-0001-7",
        sticks=8,
        packed="2026-01-22",
        recorder="P02",
    )
    assert nursery.labels(run[1]).to_rows()[0]["tree"] == "T26-0001-7"
    left = nursery.blank_labels("P02", kind="bundles").labels
    assert {each.code for each in left} == {run[0], run[2]}


def test_a_blank_typed_back_with_a_slip_is_refused_and_the_likely_code_named(
    nursery: Registry,
) -> None:
    run = nursery.reserve("bundles", person="P02", count=1, season=2026, recorder="P01")
    wrong = run[0][:-1] + str((int(run[0][-1]) + 1) % 10)
    values = {"collection": "C26-0001-7", "sticks": 8, "packed": "2026-01-22"}
    with pytest.raises(ProblemsError, match=run[0]):
        nursery.record("bundles", bundle=wrong, recorder="P02", **values)


def test_a_voided_code_gets_no_blank(nursery: Registry) -> None:
    run = nursery.reserve("stores", person="P02", count=2, season=2026, recorder="P01")
    add(nursery.store, "stores", store=run[0])
    void(nursery.store, "stores", run[0], by="P01", why="never built")
    assert [each.code for each in nursery.blank_labels("P02").labels] == [run[1]]


def test_every_kind_with_a_label_has_a_blank(nursery: Registry) -> None:
    for kind in codes.LETTER_OF:
        nursery.reserve(kind, person="P02", count=1, season=2026, recorder="P01")
    for kind in codes.LETTER_OF:
        if kind in ("identity_checks", "dispatches", "permissions"):
            with pytest.raises(RegistryError, match="there is no label for"):
                nursery.blank_labels("P02", kind=kind)
        else:
            assert {each.code[0] for each in nursery.blank_labels("P02", kind=kind).labels} == {
                codes.LETTER_OF[kind]
            }
    with pytest.raises(NotFoundError, match="scionreg reserve bundles --for P01"):
        nursery.blank_labels("P01")


# The command


@pytest.fixture
def on_demo(demo: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SCIONREG_REGISTRY", str(demo))


@pytest.mark.usefixtures("on_demo")
def test_labels_of_a_season_are_printed_and_read_back(run: Run) -> None:
    listed = json.loads(run("list", "rootstock_lots", "--json")[1])
    code, out, err = run("label", "--all", "rootstock_lots", "--into", "lots.pdf")
    assert (code, out) == (0, "")
    assert f"{len(listed)} labels of 96 x 40 mm on 2 pages: lots.pdf" in err
    read = [each for page in pages(Path("lots.pdf")) for each in qr_codes(page)]
    assert sorted(read) == sorted(each["rootstock_lot"] for each in listed)


@pytest.mark.usefixtures("on_demo")
def test_sheets_of_labels_and_rolls(run: Run) -> None:
    stock = ("--rows", "7", "--columns", "2", "--margins", "8,6", "--gaps", "0,2.5")
    _, _, err = run("label", "B24-0001-5", "--into", "a.pdf", *stock, "--start", "14")
    assert "2 labels of 97.75 x 40.14 mm on 2 pages" in err
    assert "regulated" in err
    _, _, err = run("label", "B24-0001-5", "--into", "b.pdf", "--paper", "roll", "--size", "4x2in")
    assert "2 labels of 101.6 x 50.8 mm on 2 pages" in err
    _, _, err = run("label", "B24-0001-5", "--into", "small.pdf", "--size", "56x32")
    assert "left out where there was no room" in err
    run("label", "B24-0001-5", "--into", "pictures", "--dpi", "300")
    assert len(list(Path("pictures").iterdir())) == 2


@pytest.mark.usefixtures("on_demo")
def test_what_labels_say_comes_as_json_and_csv(run: Run) -> None:
    _, out, _ = run("label", "G24-0029-6", "--json")
    (label,) = json.loads(out)["labels"]
    assert label["label"] == "stake"
    assert label["place"] == "N24 row 9, 1 to 23"
    _, out, _ = run("label", "G24-0029-6", "--trees", "--csv")
    rows = list(csv.DictReader(out.splitlines()))
    assert [row["code"] for row in rows] == [f"G24-0029-6/{i}" for i in range(1, 24)]


@pytest.mark.usefixtures("on_demo")
def test_labels_come_in_another_language(run: Run) -> None:
    Path("other.toml").write_text("[label.title]\ntree = 'arbre'\n[label]\ninside = 'dedans'\n")
    assert run("label", "B24-0001-5", "--into", "a.pdf", "--words", "other.toml")[0] == 0
    (text,) = texts(Path("a.pdf"))
    assert "arbre Old-1" in text
    assert "dedans" in text
    assert "outside label" in text


def test_blanks_are_printed_and_used_at_the_command_line(run: Run) -> None:
    run("new", "registry.db", "--by", "P01", "--units", "US")
    run("add", "person", "--person", "P01")
    run("settings", "--set", "nursery=Ödmark 早")
    reserved = run("reserve", "stores", "--for", "P01", "--count", "3")[1].split()
    _, _, err = run("label", "--reserved", "P01", "--into", "blank.pdf")
    assert "3 labels of 3.78 x 2.76 in on 1 page: blank.pdf" in err
    assert "the fonts have no 早; write them by hand" in err
    (page,) = pages(Path("blank.pdf"))
    assert qr_codes(page) == reserved
    (text,) = texts(Path("blank.pdf"))
    assert "kept at °F" in text
    assert run("add", "store", "--store", reserved[0], "--kind", "cooler")[0] == 0
    assert "2 labels" in run("label", "--reserved", "P01", "--into", "blank.pdf")[2]


@pytest.mark.usefixtures("on_demo")
def test_kinds_that_differ_in_size_go_into_a_file_each(run: Run) -> None:
    codes = ("B24-0001-5", "T24-0001-5", "G24-0029-6")
    code, _, err = run("label", *codes, "--into", "a.pdf")
    assert code == 0
    assert sorted(each.name for each in Path().glob("*.pdf")) == ["a-bundle-tag.pdf", "a-stake.pdf"]
    assert "3 labels of 96 x 40 mm on 1 page: a-bundle-tag.pdf" in err
    assert "1 label of 96 x 30 mm on 1 page: a-stake.pdf" in err


@pytest.mark.usefixtures("on_demo")
def test_a_bundle_fits_a_label_of_two_inches_by_one(run: Run) -> None:
    code, _, err = run("label", "B24-0001-5", "--size", "2x1in", "--into", "a.pdf")
    assert code == 0
    assert "buds" in err
    (page,) = pages(Path("a.pdf"))
    assert qr_codes(page) == ["B24-0001-5", "B24-0001-5"]


@pytest.mark.usefixtures("on_demo")
def test_a_label_that_is_refused_leaves_no_folder(run: Run) -> None:
    assert run("label", "B24-0001-5", "--size", "30x15", "--into", "tags")[0] == 1
    assert not Path("tags").exists()


@pytest.mark.usefixtures("on_demo")
@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("B24-0001-5",), "name a PDF file"),
        (("B24-0001-5", "--into", "a.png"), "or a new folder for PNG files"),
        (("--into", "a.pdf"), "what is to be labelled?"),
        (("B24-0001-5", "--reserved", "P01", "--into", "a.pdf"), "blanks are printed apart"),
        (("B24-0001-6", "--into", "a.pdf"), "did you mean B24-0001-5"),
        (("B24-0001-5", "--into", "a.pdf", "--rows", "3"), "--rows and --columns; name both"),
        (
            ("B24-0001-5", "--into", "a.pdf", "--rows", "100000", "--columns", "100000"),
            "1 to 100 rows and columns",
        ),
        (("B24-0001-5", "--into", "a.pdf", "--size", "30x15"), "mm is large enough"),
        (("B24-0001-5", "--into", "a.pdf", "--size", "500x80"), "fits on paper"),
        (("B24-0001-5", "--into", "a.pdf", "--words", "none.toml"), "cannot be read"),
    ],
)
def test_what_cannot_be_labelled_is_refused(
    run: Run, options: tuple[str, ...], message: str
) -> None:
    code, _, err = run("label", *options)
    assert code == 1
    assert message in err
    assert not Path("a.pdf").exists()


# What speaks against using what is labelled


def test_what_is_held_is_labelled_and_said_to_be_held_in_a_line_a_code(nursery: Registry) -> None:
    sent = {"graft_lot": "G26-0001-7", "date": "2026-10-20", "customer": "K1", "trees": 5}
    nursery.record("dispatches", dispatch="D26-0001-7", recorder="P01", first=1, last=5, **sent)
    nursery.hold("B26-0001-7", why="no name", recorder="P01")
    nursery.hold("G26-0001-7", positions="3;7", why="odd leaves", recorder="P01")
    nursery.hold("C26-0001-7", recorder="P01")

    def said(*codes: str, **options: Any) -> list[str]:
        return [
            each.partition(" since")[0]
            for each in nursery.labels(*codes, **options).cautions
            if "on hold" in each
        ]

    assert said("B26-0001-7") == ["B26-0001-7 may not be used: B26-0001-7 is on hold"]
    assert said("C26-0001-7") == ["C26-0001-7 may not be used: C26-0001-7 is on hold"]
    in_part = "positions 3;7 of G26-0001-7 are on hold"
    assert said("G26-0001-7") == [f"G26-0001-7 is in doubt: {in_part}"]
    assert said("G26-0001-7", trees=True) == [f"G26-0001-7 is in doubt: {in_part}"]
    (one,) = said("G26-0001-7/3")
    assert one == "G26-0001-7 may not be used: G26-0001-7 is on hold"
    assert "positions" not in "".join(said("G26-0001-7/4"))
    (line,) = said("D26-0001-7")
    assert line == f"D26-0001-7/G26-0001-7 is in doubt: {in_part}"
    assert len(nursery.labels("D26-0001-7").labels) == 5


def test_more_labels_than_trees_alive_are_told_by_the_last_count(nursery: Registry) -> None:
    count = {"graft_lot": "G26-0001-7", "recorder": "P01"}
    nursery.record("take_counts", date="2026-05-20", pushing=20, **count)
    told = nursery.labels("G26-0001-7", trees=True).cautions
    assert not [each for each in told if "alive" in each]
    nursery.record("take_counts", date="2026-09-20", pushing=17, **count)
    told = nursery.labels("G26-0001-7", trees=True).cautions
    assert "G26-0001-7: 20 labels for 17 trees alive at the last count" in told
    assert not [e for e in nursery.labels("G26-0001-7/3").cautions if "alive" in e]
