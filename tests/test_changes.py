"""Any sequence of changes: each is made whole or refused, and the audit stays without fault."""

import random
from collections import defaultdict
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import pytest
from full_nursery import RECORDS, contents, write_folder
from hypothesis import given, settings
from hypothesis import strategies as st
from nursery import LOT, actions, add, faults_of
from sqlalchemy import select

from scionreg.exchange.importing import import_files
from scionreg.records.errors import NotFoundError, ProblemsError, RegistryError
from scionreg.records.tables import KINDS, fields
from scionreg.registry.correcting import correct, restore, void
from scionreg.registry.finding import find_record
from scionreg.registry.history import history
from scionreg.registry.issuing import reserve
from scionreg.registry.ledger import Version
from scionreg.registry.recording import record
from scionreg.registry.rows import key_of, key_text
from scionreg.registry.settings import Settings
from scionreg.registry.store import Store

NewStore = Callable[[], AbstractContextManager[Store]]

EXTRA = {
    "graft_lots": {"graft_lot": "G-3", "bundle": "B-3", "grafter": "P01", "method": "whip"},
    "take_counts": {"graft_lot": "G-2", "pushing": 1},
    "dispatches": {"dispatch": "D-1", "graft_lot": "G-2", "customer": "CU2", "trees": 1},
    "identity_checks": {"check": "K-2", "item": "D-1", "method": "leaf", "checked": 1, "off": 0},
    "cultivars": {"cultivar": "Newell", "species": "Malus domestica", "aliases": "Oldgate"},
    "bundle_parents": {"bundle": "B-1", "parent": "B-3", "sticks": 1},
}
"""Records that may be added to the full nursery, some of them wrong."""


def change_at_random(store: Store, chance: random.Random) -> tuple[str, str] | None:
    """Try one change drawn at random; return the kind and key it changed, None where refused."""
    there = contents(store)
    kind = chance.choice([kind for kind in KINDS if there[kind]])
    key = key_text(key_of(kind, chance.choice(there[kind])))
    try:
        match chance.choice(["record", "correct", "correct", "void", "void", "restore"]):
            case "record":
                kind = chance.choice(list(EXTRA))
                values = {**EXTRA[kind], **({"grafts": 1} if kind == "graft_lots" else {})}
                key = record(store, kind, values, by="P01").key
            case "correct":
                name = chance.choice([column.name for column in fields(kind)])
                value = drawn_value(kind, name, chance)
                correct(store, kind, key, {name: value}, by="P01", why="drawn at random")
            case "void":
                void(store, kind, key, by="P01", why="drawn at random")
            case "restore":
                kind, key = chance.choice(voided(store) or [(kind, key)])
                restore(store, kind, key, by="P01")
    except RegistryError:
        assert contents(store) == there
        return None
    return kind, key


def voided(store: Store) -> list[tuple[str, str]]:
    """Return kind and key of everything that was ever voided."""
    with store.reading() as connection:
        query = select(Version.kind, Version.key).where(Version.voided).order_by(Version.id)
        return [(kind, key) for kind, key in connection.execute(query)]


def drawn_value(kind: str, name: str, chance: random.Random) -> Any:
    """Return a value that such a column has elsewhere, nothing, or something else."""
    elsewhere = [
        row[name] for rows in RECORDS.values() for row in rows if row.get(name) is not None
    ]
    return chance.choice([*elsewhere, "", "1", "2026-02-02", "Oldgate", "G-1"])


@settings(max_examples=4)
@given(seed=st.integers(0, 2**32))
def test_whatever_is_recorded_corrected_and_voided_the_audit_finds_no_fault(
    new_store: NewStore, tmp_path_factory: pytest.TempPathFactory, seed: int
) -> None:
    chance = random.Random(seed)
    folder = write_folder(tmp_path_factory.mktemp("full") / "season", RECORDS)
    made: dict[tuple[str, str], int] = defaultdict(int)
    with new_store() as store:
        import_files(store, [folder], by="P01")
        for _ in range(25):
            before = len(actions(store))
            done = change_at_random(store, chance)
            lines = len(actions(store)) - before
            assert lines in ((0, 1) if done else (0,))
            if done and lines:
                made[done] += 1
        assert faults_of(store) == []
        with store.reading() as connection:
            for (kind, key), count in made.items():
                steps = history(connection, kind, key)
                assert len(steps) >= count
                assert [step.entry for step in steps] == sorted(step.entry for step in steps)
        there, lines = contents(store), len(actions(store))
        again = import_files(store, [folder], by="P01")
        assert [str(problem) for problem in again.problems if problem.trouble == "refused"] == []
        assert (contents(store), len(actions(store))) == (there, lines)


def test_a_cultivar_that_is_named_anywhere_is_neither_voided_nor_loses_the_alias(
    nursery: Store,
) -> None:
    add(nursery, "mother_trees", tree="AB-9", cultivar="FH")
    for refused in (
        lambda: void(nursery, "cultivars", "Fernhill", by="P01", why="x"),
        lambda: correct(nursery, "cultivars", "Fernhill", {"aliases": "F"}, by="P01", why="x"),
    ):
        with pytest.raises(ProblemsError, match="there is no cultivar"):
            refused()
    correct(nursery, "cultivars", "Fernhill", {"aliases": "FH;F"}, by="P01", why="x")
    void(nursery, "cultivars", "Oldgate", by="P01", why="never grown")
    assert faults_of(nursery) == []


def test_the_last_line_of_a_dispatch_stays_while_a_check_names_it(nursery: Store) -> None:
    add(nursery, "graft_lots", bundle="B26-0001-7", grafts=5, **LOT)
    sent = {"date": "2026-11-05", "customer": "CU1", "trees": 1}
    for lot in ("G26-0001-7", "G26-0002-5"):
        add(nursery, "dispatches", dispatch="D-1", graft_lot=lot, **sent)
    add(nursery, "identity_checks", item="D-1", method="leaf", checked=1, off=0)
    void(nursery, "dispatches", "D-1/G26-0001-7", by="P01", why="stayed here")
    with pytest.raises(RegistryError, match="is named by identity check "):
        void(nursery, "dispatches", "D-1/G26-0002-5", by="P01", why="stayed here")
    assert faults_of(nursery) == []


def test_what_was_voided_by_mistake_can_be_recorded_again(nursery: Store) -> None:
    count = {"graft_lot": "G26-0001-7", "date": "2026-05-01", "pushing": 15}
    add(nursery, "take_counts", **count)
    void(nursery, "take_counts", "G26-0001-7/2026-05-01", by="P01", why="wrong lot")
    add(nursery, "take_counts", **count)
    with nursery.reading() as connection:
        steps = history(connection, "take_counts", "G26-0001-7/2026-05-01")
        assert find_record(connection, "take_counts", "G26-0001-7").entry == steps[-1].entry
    assert [step.action for step in steps] == ["record", "void", "record"]
    add(nursery, "stores", store="Cooler")
    void(nursery, "stores", "Cooler", by="P01", why="sold")
    with pytest.raises(ProblemsError, match="was voided"):
        add(nursery, "stores", store="Cooler")
    assert faults_of(nursery) == []


def test_a_file_brings_back_nothing_that_was_corrected_and_then_voided(
    nursery: Store, tmp_path: Path
) -> None:
    counts, stores = tmp_path / "take_counts.csv", tmp_path / "stores.csv"
    counts.write_text("graft_lot,date,pushing\nG26-0001-7,2026-05-01,15\n")
    stores.write_text("store,kind\nCooler,cooler\n")
    import_files(nursery, [counts, stores], by="P01")
    correct(nursery, "take_counts", "G26-0001-7", {"pushing": 14}, by="P01", why="miscounted")
    correct(nursery, "stores", "Cooler", {"kind": "box"}, by="P01", why="smaller")
    void(nursery, "take_counts", "G26-0001-7", by="P01", why="wrong lot")
    void(nursery, "stores", "Cooler", by="P01", why="sold")
    again = import_files(nursery, [counts, stores], by="P01")
    assert again.problems == ()
    assert not again.changed
    assert again.repeated == {"take_counts": 1, "stores": 1}


def test_a_sample_whose_name_holds_a_slash_is_found(nursery: Store) -> None:
    for sample in ("L/12", "L/12/a"):
        add(nursery, "genotypes", sample=sample, locus="M1", cultivar="Oldgate")
    correct(nursery, "genotypes", "L/12/M1", {"allele_1": 101}, by="P01", why="read again")
    void(nursery, "genotypes", "L/12/a/M1", by="P01", why="another plant")
    with nursery.reading() as connection, pytest.raises(NotFoundError):
        find_record(connection, "genotypes", "L/12/a/M1")
    assert faults_of(nursery) == []


def test_the_history_of_a_key_in_part_is_the_whole_history(nursery: Store) -> None:
    add(nursery, "take_counts", graft_lot="G26-0001-7", date="2026-05-01", pushing=15)
    correct(nursery, "take_counts", "G26-0001-7", {"pushing": 14}, by="P01", why="miscounted")
    with nursery.reading() as connection:
        told = history(connection, "take_counts", "G26-0001-7")
        assert [step.record["pushing"] for step in told] == [15, 14]
        with pytest.raises(NotFoundError):
            history(connection, "take_counts", "G-nowhere")


def test_runs_reserved_a_century_apart_do_not_share_codes(nursery: Store) -> None:
    new = reserve(nursery, "bundles", person="P01", count=3, season=2026, by="P01")
    old = reserve(nursery, "bundles", person="P01", count=3, season=1926, by="P01")
    assert not set(new) & set(old)
    found = {"received_from": "SU1", "cultivar": "Oldgate", "packed": "1926-01-20", "sticks": 1}
    assert add(nursery, "bundles", **found).key not in {*new, *old}


def test_numbers_and_times_beyond_all_bounds_are_refused_plainly(nursery: Store) -> None:
    late = {"bundle": "B26-0001-7", "time": "9999-12-31T23:00-05:00", "event": "checked"}
    with pytest.raises(ProblemsError, match="time"):
        add(nursery, "bundle_log", **late)
    with pytest.raises(ProblemsError, match="row"):
        add(nursery, "mother_trees", cultivar="Fernhill", row="9" * 5000)


def test_who_records_by_the_settings_is_a_code() -> None:
    with pytest.raises(RegistryError, match="code of a person"):
        Settings().changed({"by": "somebody with a long name"})
    assert Settings().changed({"by": "P01"}).by == "P01"


def test_other_programs_databases_are_left_alone(store_url: str, tmp_path: Path) -> None:
    from sqlalchemy import create_engine, text

    from scionreg.registry.create import create_store
    from scionreg.registry.store import open_store, parse_url

    other = parse_url(store_url)
    if "://" not in store_url:
        other = parse_url(tmp_path / "other.db")
    else:
        other = other.set(database="postgres")
    engine = create_engine(other)
    with engine.begin() as connection:
        connection.execute(text("CREATE TABLE people (name TEXT)"))
        connection.execute(text("CREATE TABLE alembic_version (version_num TEXT)"))
        connection.execute(text("INSERT INTO alembic_version VALUES ('ae1027a6acf1')"))
    where = other.render_as_string(hide_password=False) if "://" in store_url else other.database
    try:
        with pytest.raises(RegistryError, match="is not a registry"):
            open_store(str(where))
        with pytest.raises(RegistryError, match="already"):
            create_store(str(where))
    finally:
        with engine.begin() as connection:
            connection.execute(text("DROP TABLE people"))
            connection.execute(text("DROP TABLE alembic_version"))
        engine.dispose()
