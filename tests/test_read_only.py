"""A registry where nothing can be written can still be asked; what cannot is said plainly."""

import os
import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

Run = Callable[..., "object"]
ASKED = (("trace", "G24-0029-6"), ("list", "stores"), ("show", "T24-0047-1"), ("audit",))


@contextmanager
def nobody() -> Iterator[None]:
    """Be somebody to whom rights apply."""
    if os.geteuid():
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


@pytest.fixture
def archive(demo: str) -> Iterator[Path]:
    """The demo in a folder to be closed, to which everybody has a way (as to no `tmp_path`)."""
    with tempfile.TemporaryDirectory() as above:
        Path(above).chmod(0o755)
        folder = Path(above, "archive")
        folder.mkdir()
        shutil.copy(demo, folder / "registry.db")
        yield folder
        folder.chmod(0o755)


def closed(folder: Path) -> None:
    for each in folder.iterdir():
        each.chmod(0o444)
    folder.chmod(0o555)


def test_a_registry_in_a_read_only_folder_answers_as_elsewhere(
    archive: Path, demo: str, run: Callable
) -> None:
    said = [run(*words, "--registry", demo) for words in ASKED]
    closed(archive)
    with nobody():
        again = [run(*words, "--registry", str(archive / "registry.db")) for words in ASKED]
        beside = sorted(each.name for each in archive.iterdir())
    assert [(each.code, each.out) for each in again] == [(each.code, each.out) for each in said]
    assert beside == ["registry.db"]


def test_recording_there_is_refused_in_a_sentence(archive: Path, demo: str, run: Callable) -> None:
    where = str(archive / "registry.db")
    words = ("add", "person", "--person", "P99", "--by", "P01", "--registry")
    run(*words, demo, "--help")
    run("add", "person", "--person", "P01", "--by", "P01", "--registry", demo)
    closed(archive)
    with nobody():
        said = run(*words, where)
    assert said.code == 1
    assert said.err == f"refused: {where} may not be written; nothing was changed\n"


def test_changes_that_are_not_in_the_file_yet_are_not_passed_over(
    archive: Path, run: Callable
) -> None:
    where = archive / "registry.db"
    with closing(sqlite3.connect(where)) as writer:
        writer.execute("PRAGMA journal_mode=WAL")
        writer.execute("PRAGMA user_version=7")
        shutil.copy(where, archive / "kept.db")
        shutil.copy(f"{where}-wal", archive / "kept.db-wal")
    closed(archive)
    with nobody():
        said = run("list", "stores", "--registry", str(archive / "kept.db"))
    assert said.code == 1
    assert "its last changes are still in kept.db-wal; copy both" in said.err


def test_a_folder_that_may_not_be_looked_into_is_told(archive: Path, run: Callable) -> None:
    archive.chmod(0o600)
    with nobody():
        said = run("list", "stores", "--registry", str(archive / "registry.db"))
    assert said.code == 1
    assert said.err.endswith("registry.db cannot be opened: Permission denied\n")


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("sample", "--trees", "99999999999"), "99,999,999,999 trees are no lot"),
        (
            (
                *("check", "--item", "G24-0029-6", "--date", "2026-05-05", "--method", "fruit"),
                *("--checked", "2", "--off", "0", "--positions-checked", "1-9999999999"),
            ),
            "goes on beyond position 99,999",
        ),
    ],
)
def test_numbers_beyond_any_nursery_are_refused_at_once(
    demo: str, run: Callable, words: tuple[str, ...], message: str
) -> None:
    said = run(*words, "--registry", demo, *(("--by", "P01") if words[0] == "check" else ()))
    assert said.code == 1
    assert message in said.err
