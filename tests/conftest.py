"""A registry on each database."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from benchmarks import postgres
from scionreg.registry.create import create_store
from scionreg.registry.store import Store, open_store


@pytest.fixture(scope="session")
def postgresql() -> Iterator[postgres.Server]:
    """A server with an empty registry in the database `empty`, to make copies of."""
    if postgres.programs() is None:
        pytest.skip("PostgreSQL is not installed")
    with postgres.server("fsync=off", "full_page_writes=off") as running:
        create_store(running.create("empty")).close()
        yield running


@pytest.fixture(params=["sqlite", "postgresql"])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    if request.param == "sqlite":
        made = create_store(tmp_path / "registry.db")
    else:
        server = request.getfixturevalue("postgresql")
        made = open_store(server.create(tmp_path.name.lower(), template="empty"))
    yield made
    made.close()
