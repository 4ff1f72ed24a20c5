"""Holds and releases: one way for all that can be held, and what answers propose to hold."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from nursery import add

from scionreg.api import Registry
from scionreg.judgement import Judge
from scionreg.records.errors import RegistryError
from scionreg.records.vocabulary import Against
from scionreg.registry.store import Store

Run = Callable[..., tuple[int, str, str]]
SENT = {"graft_lot": "G26-0001-7", "date": "2026-10-20", "customer": "K1", "trees": 5}


@pytest.fixture
def nursery(nursery: Store) -> Registry:
    add(nursery, "dispatches", dispatch="D26-0001-7", **SENT)
    return Registry(nursery)


def held(registry: Registry, code: str) -> bool:
    """Tell whether the judgement bars or doubts something because of a hold."""
    kind = registry.kind_of(code)
    with registry.store.reading() as connection:
        judge = Judge(connection)
        match kind:
            case "mother_trees":
                found = judge.tree(code)
            case "bundles":
                found = judge.bundles([code])[code]
            case "collections":
                return code in judge.holds(judge.on)
            case "dispatches":
                (found,) = judge.lines([code]).values()
            case _:
                found = judge.lots([code])[code]
        return found.has(Against.HOLD)


@pytest.mark.parametrize(
    "code", ["T26-0001-7", "C26-0001-7", "B26-0001-7", "G26-0001-7", "D26-0001-7"]
)
def test_whatever_is_held_is_barred_until_it_is_released(nursery: Registry, code: str) -> None:
    assert not held(nursery, code)
    nursery.hold(code, why="label came off", recorder="P01")
    assert held(nursery, code)
    nursery.release(code, why="found again", recorder="P01")
    assert not held(nursery, code)


def test_positions_are_held_and_released_by_themselves(nursery: Registry) -> None:
    lot = "G26-0001-7"
    nursery.hold(lot, positions="3;7-9", recorder="P01")
    nursery.release(f"{lot}/7", recorder="P01")
    with nursery.store.reading() as connection:
        judge = Judge(connection)
        (left,) = judge.holds(judge.on)[lot]
    assert left.positions == {3, 8, 9}


@pytest.mark.parametrize(
    ("code", "how", "says"),
    [
        ("B26-0001-7", {}, "B26-0001-7 is not held"),
        ("T26-0001-7", {}, "T26-0001-7 is not held"),
        ("G26-0001-7/3", {}, "G26-0001-7/3 is not held"),
        ("B26-0001-7", {"positions": "3"}, "B26-0001-7 has no positions"),
        ("B26-0001-7", {"limb": "north"}, "B26-0001-7 has no limbs"),
        ("P01", {}, "P01 is a person"),
    ],
)
def test_a_release_that_ends_nothing_is_refused(
    nursery: Registry, code: str, how: dict[str, str], says: str
) -> None:
    with pytest.raises(RegistryError, match=says):
        nursery.release(code, recorder="P01", **how)


def test_some_trees_of_a_lot_that_is_held_as_a_whole_are_not_released_alone(
    nursery: Registry,
) -> None:
    nursery.hold("G26-0001-7", recorder="P01")
    with pytest.raises(RegistryError, match="held as a whole"):
        nursery.release("G26-0001-7", positions="3", recorder="P01")


def test_the_command_holds_and_shows_the_record_as_json(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    where = tmp_path / "registry.db"
    with Registry.new(where, by="P01") as registry:
        add(registry.store, "cultivars", cultivar="Fernhill", species="Malus domestica")
        add(registry.store, "mother_trees", tree="T26-0001-7", cultivar="Fernhill")
    monkeypatch.setenv("SCIONREG_REGISTRY", str(where))
    (made,) = json.loads(
        run("hold", "T26-0001-7", "--why", "sister was off", "--date", "2026-04-02", "--json")[1]
    )
    assert made["kind"] == "tree_events"
    assert made["record"]["event"] == "hold"
    assert made["record"]["date"] == "2026-04-02"
    assert run("release", "T26-0001-7")[0] == 0
    assert run("release", "T26-0001-7")[0] == 1


def test_an_off_type_proposes_holds_that_are_recorded_once(
    run: Run, demo: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    where = tmp_path / "registry.db"
    where.write_bytes(Path(demo).read_bytes())
    monkeypatch.setenv("SCIONREG_REGISTRY", str(where))
    asked = ("offtype", "G24-0029-6", "--hold")
    code, _, said = run(*asked)
    assert code == 1
    assert "would hold" in said
    assert "--yes" in said
    code, out, said = run(*asked, "--yes", "--json")
    assert code == 3
    stops = json.loads(out)["holds"]
    assert stops
    assert f"held: {len(stops)}" in said
    with Registry.open(where) as registry:
        assert all(held(registry, each["item"]) for each in stops)
    assert "nothing more is to be held" in run(*asked, "--yes")[2]
