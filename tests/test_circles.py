"""Records that run in a circle, as older versions took them: every answer ends, in a sentence."""

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from conftest import Said

# The invented nursery's: G24-0301-7 regrafts G24-0185-3; B24-0122-3 and B24-0123-8 were tied from
# other bundles; T25-0001-9 grew from G24-0047-1, whose wood was cut in C24-0045-2.
CIRCLES = {
    "of regrafts": [
        "UPDATE graft_lots SET regraft_of = 'G24-0301-7' WHERE graft_lot = 'G24-0185-3'"
    ],
    "of bundles": [
        "UPDATE bundle_parents SET parent = 'B24-0123-8' WHERE parent = 'B24-0102-0'",
        "UPDATE bundle_parents SET parent = 'B24-0122-3' WHERE parent = 'B24-0002-8'",
    ],
    "of trees": ["UPDATE collections SET tree = 'T25-0001-9' WHERE collection = 'C24-0045-2'"],
}
WITHIN = {"of regrafts": "G24-0301-7", "of bundles": "B24-0122-3", "of trees": "T25-0001-9"}
FAULTS = {
    "of regrafts": "regrafts itself",
    "of bundles": "comes from itself",
    "of trees": "grew from wood that was cut from it",
}


@pytest.fixture(params=CIRCLES)
def circle(request: pytest.FixtureRequest) -> str:
    """What runs in a circle."""
    return str(request.param)


@pytest.fixture
def registry(circle: str, demo: str, tmp_path: Path) -> str:
    """The invented nursery's registry with a circle written into it past the guards."""
    path = Path(shutil.copy(demo, tmp_path / "registry.db"))
    with closing(sqlite3.connect(path)) as connection, connection:
        guards = connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")
        for (guard,) in guards.fetchall():
            connection.execute(f"DROP TRIGGER {guard}")
        for statement in CIRCLES[circle]:
            assert connection.execute(statement).rowcount == 1
    return str(path)


def test_what_came_from_itself_is_refused(
    registry: str, circle: str, run: Callable[..., Said]
) -> None:
    said = run("trace", WITHIN[circle], "--registry", registry)
    assert said.code == 1
    assert said.err.startswith("refused: the records of '")
    assert said.err.endswith("' run in a circle; correct one\n")


def test_an_audit_finds_it_and_goes_on(
    registry: str, circle: str, run: Callable[..., Said]
) -> None:
    said = run("audit", "--registry", registry)
    assert said.code == 3
    assert f"{FAULTS[circle]}, through" in said.out
    assert "faults" in said.out + said.err


@pytest.mark.parametrize(
    "asked",
    [
        "trace G24-0047-1",
        "recall G24-0185-3",
        "recall B24-0123-8",
        "recall T25-0001-9",
        "balance",
        "store",
        "take",
        "take --why G24-0185-3",
        "offtype G24-0047-1",
        "sample G24-0185-3 --level 2 --confidence 95",
        "status",
        "report 2024",
        "royalties",
        "plan --trees Tarnwick=20",
        "map trace G24-0047-1",
        "map rows-by-identity",
    ],
)
def test_every_answer_ends(registry: str, asked: str, run: Callable[..., Said]) -> None:
    said = run(*asked.split(), "--registry", registry)
    assert said.code in (0, 3) or "' run in a circle; correct one" in said.err
