"""The registries that ship: both go in without a refusal, and the published one adds up."""

from collections.abc import Callable
from contextlib import AbstractContextManager, closing
from pathlib import Path

import pytest
from full_nursery import contents
from sqlalchemy import text
from test_hickory_counts import (
    FOLDER,
    PRINTED_BY_SOURCE,
    PRINTED_BY_STOCK,
    PRINTED_TOTAL,
    Total,
    read,
    totals,
)

from scionreg.exchange.exporting import export_folder
from scionreg.exchange.importing import Imported, import_files
from scionreg.registry.audit import audit
from scionreg.registry.journal import lines
from scionreg.registry.store import Store, open_store

NewStore = Callable[[], AbstractContextManager[Store]]
DEMO = Path(__file__).parents[1] / "demo_registry"


def rows_in(folder: Path) -> dict[str, int]:
    """Return the number of rows of every CSV file of a folder, by kind."""
    return {path.stem: len(read(path)) for path in folder.glob("*.csv")}


def refused(imported: Imported) -> list[str]:
    return [str(problem) for problem in imported.problems if problem.trouble == "refused"]


def faults_of(store: Store) -> list[str]:
    with store.reading() as connection:
        return [str(found) for found in audit(connection) if found.trouble == "refused"]


def test_the_demo_nursery_goes_in_whole(demo: str) -> None:
    with closing(open_store(demo)) as store:
        assert {kind: len(rows) for kind, rows in contents(store).items() if rows} == rows_in(DEMO)
        assert faults_of(store) == []


def test_the_demo_nursery_again_changes_nothing_and_says_so(demo: str) -> None:
    with closing(open_store(demo)) as store:
        again = import_files(store, [DEMO], by="P01")
        assert refused(again) == []
        assert not again.changed
        assert not any(again.recorded.values())
        assert again.repeated == rows_in(DEMO)
        with store.reading() as connection:
            assert len(list(lines(connection))) == 1


def test_the_demo_nursery_goes_out_and_in_the_same_on_either_engine(
    demo: str, new_store: NewStore, tmp_path: Path
) -> None:
    with closing(open_store(demo)) as first, new_store() as second:
        export_folder(first, tmp_path / "out")
        assert refused(import_files(second, [tmp_path / "out"], by="P01")) == []
        assert contents(second) == contents(first)


@pytest.fixture
def hickory(store: Store) -> Store:
    """The grafts of 1923, as W. G. Bixby's table of 1924 gives them."""
    imported = import_files(store, [FOLDER], by="GRAFTER")
    assert refused(imported) == []
    assert imported.recorded == rows_in(FOLDER)
    return store


def asked(store: Store, by: str) -> dict[str, Total]:
    """Return catches and grafts for each value of a column, added up by the database."""
    query = f"""
        SELECT {by}, sum(take_counts.pushing), sum(graft_lots.grafts)
        FROM graft_lots
        JOIN take_counts ON take_counts.graft_lot = graft_lots.graft_lot
        JOIN bundles ON bundles.bundle = graft_lots.bundle
        JOIN collections ON collections.collection = bundles.collection
        JOIN mother_trees ON mother_trees.tree = collections.tree
        GROUP BY {by}
    """
    with store.reading() as connection:
        rows = connection.execute(text(query)).all()
    return {group: (int(caught), int(made)) for group, caught, made in rows}


# The figures: W. G. Bixby, "Stocks for Hickories", Northern Nut Growers Association, Report of the
# Proceedings at the Fifteenth Annual Meeting, 1924, p. 48 ff. (public domain).


def test_the_registry_adds_up_to_the_printed_totals_by_rootstock(hickory: Store) -> None:
    assert asked(hickory, "graft_lots.rootstock_lot") == PRINTED_BY_STOCK


def test_the_registry_adds_up_to_the_table_s_totals_by_source(hickory: Store) -> None:
    table = [
        row | {"source": row["scion_variety"].replace("LongBeach", "Long Beach")}
        for row in read(FOLDER.parent / "hickory_grafts_1923.csv")
    ]
    found = asked(hickory, "mother_trees.cultivar")
    assert found == totals(table, "source", "catches", "grafts_set")
    assert found | PRINTED_BY_SOURCE == found


def test_the_registry_adds_up_to_the_printed_total(hickory: Store) -> None:
    assert asked(hickory, "graft_lots.grafter") == {"GRAFTER": PRINTED_TOTAL}


def test_the_published_counts_again_change_nothing_and_say_so(hickory: Store) -> None:
    before = contents(hickory)
    again = import_files(hickory, [FOLDER], by="GRAFTER")
    assert not again.changed
    assert again.repeated == rows_in(FOLDER)
    assert contents(hickory) == before


def test_what_the_table_does_not_say_stays_unknown_and_in_sight(hickory: Store) -> None:
    with hickory.reading() as connection:
        found = list(audit(connection))
    assert {problem.rule for problem in found} == {"unknown_date"}
    assert {problem.trouble for problem in found} == {"warning"}
