"""Words of a nursery's own: read, counted, printed and carried like the registry's."""

import json
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

import pytest
from nursery import LOT, value

from scionreg.api import Registry
from scionreg.entering.checking import Checker
from scionreg.exchange.exporting import export_folder
from scionreg.exchange.importing import import_files
from scionreg.records.errors import ProblemsError, RegistryError
from scionreg.records.own_words import read_own_word
from scionreg.records.starting_values import UsualTake
from scionreg.records.tables import fields
from scionreg.records.words import english
from scionreg.registry.store import Store
from scionreg.rotation.demand import Order, needs_of

METHOD = "words.method.side_veneer"
TOLD = "sticks=2;take=0.6;also=veneer,side veneer graft;means=A veneer set low."


@pytest.fixture
def registry(nursery: Store) -> Registry:
    """A nursery that has made three words of its own."""
    made = Registry(nursery)
    made.change_settings(
        recorder="P01",
        **{
            METHOD: TOLD,
            "words.condition.frosted": "also=frosty",
            "words.role.runner": "means=Carries wood.",
        },
    )
    return made


def test_a_word_of_one_s_own_is_read_before_another_word_s_variant(registry: Registry) -> None:
    for typed in ("side_veneer", "Side Veneer", "veneer", "Side-veneer graft"):
        made = registry.record(
            "graft_lots", recorder="P01", bundle="B26-0001-7", grafts=1, **{**LOT, "method": typed}
        )
        assert made.record["method"] == "side_veneer"
    made = registry.record(
        "graft_lots", recorder="P01", bundle="B26-0001-7", grafts=1, **{**LOT, "method": "side"}
    )
    assert made.record["method"] == "side"
    seen = {"bundle": "B26-0001-7", "time": "2026-03-01", "event": "checked"}
    log = registry.record("bundle_log", recorder="P01", condition="Frosty", **seen)
    assert log.record["condition"] == "frosted"
    made = registry.record("people", recorder="P01", person="P09", roles="cutter, Runner")
    assert made.record["roles"] == "cutter;runner"


def test_sticks_follow_from_a_method_s_own_sticks_a_graft(registry: Registry) -> None:
    before = balance_of(registry, "B26-0001-7")
    registry.record(
        "graft_lots", recorder="P01", bundle="B26-0001-7", grafts=3, **{**LOT, "method": "veneer"}
    )
    assert balance_of(registry, "B26-0001-7") == before + 6
    made = registry.record(
        "graft_lots", recorder="P01", bundle="B26-0001-7", grafts=30, **{**LOT, "method": "veneer"}
    )
    assert "used_more_than_packed" in {each.rule for each in made.warnings}


def balance_of(registry: Registry, bundle: str) -> float:
    return sum(row.used for row in registry.balance(codes=[bundle]).rows)


def test_the_usual_take_and_what_orders_need_go_by_it(registry: Registry) -> None:
    usual = registry.settings.values(UsualTake)
    assert (usual.of("side_veneer"), usual.of("whip")) == (0.6, UsualTake().whip)
    order = Order(cultivar="Fernhill", season=2027, trees=10, must_fill=False)
    sticks = {each.word: each.sticks for each in registry.settings.own_words("method")}
    (need,) = needs_of([order], [], usual=usual, sticks=sticks, method="side_veneer")
    (whip,) = needs_of([order], [], usual=usual, sticks=sticks, method="whip")
    assert need.take == pytest.approx(0.6)
    assert need.sticks > 2 * whip.sticks


def test_take_is_compared_and_explained_by_it(registry: Registry) -> None:
    lot = registry.record(
        "graft_lots", recorder="P01", bundle="B26-0001-7", grafts=10, **{**LOT, "method": "veneer"}
    )
    registry.record(
        "take_counts", recorder="P01", graft_lot=lot.key, date="2026-06-01", pushing=4, dead=6
    )
    assert "side_veneer" in {each.item for each in registry.take("method", stage="early").suspects}
    assert registry.trace(lot.key)


def test_a_word_in_use_is_not_taken_away(registry: Registry) -> None:
    made = registry.record(
        "graft_lots", recorder="P01", bundle="B26-0001-7", grafts=1, **{**LOT, "method": "veneer"}
    )
    registry.record("people", recorder="P01", person="P09", roles="cutter;runner;packer")
    for name, column in ((METHOD, "method"), ("words.role.runner", "roles")):
        with pytest.raises(RegistryError, match=f"is the {column} of 1 "):
            registry.change_settings(recorder="P01", **{name: ""})
    registry.correct("graft_lots", made.key, why="was plain", recorder="P01", method="side")
    registry.change_settings(recorder="P01", **{METHOD: "", "words.condition.frosted": ""})
    with pytest.raises(ProblemsError, match="make it a word of yours"):
        registry.correct("graft_lots", made.key, why="no", recorder="P01", method="frosty")
    again = registry.correct("graft_lots", made.key, why="x", recorder="P01", grafts="2")
    assert again.record["method"] == "side"


def test_a_registry_with_words_of_its_own_comes_back_as_it_was(
    registry: Registry, new_store: Callable[[], AbstractContextManager[Store]], tmp_path: Path
) -> None:
    made = registry.record(
        "graft_lots", recorder="P01", bundle="B26-0001-7", grafts=1, **{**LOT, "method": "veneer"}
    )
    export_folder(registry.store, tmp_path / "out")
    package = json.loads((tmp_path / "out" / "datapackage.json").read_text())
    (lots,) = [each for each in package["resources"] if each["name"] == "graft_lots"]
    (method,) = [each for each in lots["schema"]["fields"] if each["name"] == "method"]
    assert "side_veneer" in method["constraints"]["enum"]
    assert method["definitions"]["side_veneer"] == "A veneer set low."
    with new_store() as second:
        assert not import_files(second, [tmp_path / "out"], by="P01").refused
        assert value(second, "graft_lots", made.key, "method") == "side_veneer"
        export_folder(second, tmp_path / "again")
    for file in (tmp_path / "out").iterdir():
        assert file.read_bytes() == (tmp_path / "again" / file.name).read_bytes()


@pytest.mark.parametrize(
    ("name", "text", "says"),
    [
        ("words.method.whip", "take=0.7", "word of the registry already"),
        ("words.method.Big-One", "take=0.7", "small letters"),
        ("words.method.big", "take=2", "no take of words.method.big; write a number from 0.01"),
        ("words.method.big", "sticks=none", "no sticks"),
        ("words.method.big", "also=whip", "spelling of whip already"),
        ("words.method.big", "also=veneer", "spelling of side_veneer already"),
        ("words.method.big", "stick=1", "its parts are sticks, take, also, means"),
        ("words.role.big", "take=0.7", "its parts are also, means"),
        ("words.side.big", "also=x", "there are method, condition, role"),
    ],
)
def test_a_word_that_cannot_be_is_refused_with_what_could(
    registry: Registry, name: str, text: str, says: str
) -> None:
    before = registry.settings
    with pytest.raises(RegistryError, match=says):
        registry.change_settings(recorder="P01", **{name: text})
    assert registry.settings == before


@pytest.mark.parametrize("text", ["", "take=0.6", "also=x, y;sticks=0.5", TOLD])
def test_the_text_of_a_word_reads_back_as_the_same_word(text: str) -> None:
    word = read_own_word(METHOD, text)
    again = read_own_word(METHOD, word.text)
    assert (again.text, again.spellings) == (word.text, word.spellings)
    assert (again.sticks, again.take) == (word.sticks, word.take)


def test_a_word_of_one_s_own_may_be_typed_into_a_sheet(registry: Registry) -> None:
    checker = Checker(registry.store, "graft_lots", fields("graft_lots"), by="P01", words=english())
    (method,) = [each for each in checker.columns if each.name == "method"]
    for typed in ("Side veneer", "side_veneer", "VENEER"):
        kept = checker.read(method, checker.spelled(method, typed))
        assert kept == "side_veneer"
        assert checker.shown(method, kept) == "side veneer"
    assert checker.shown(method, "side") == "side"
