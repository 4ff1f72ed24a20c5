"""What the child processes of the fault tests do; importable, so that they start quickly."""

import resource
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from scionreg.exchange.importing import import_files
from scionreg.records.errors import RegistryError
from scionreg.registry import migrate
from scionreg.registry.correcting import correct
from scionreg.registry.recording import record
from scionreg.registry.store import open_store


def take_in(registry: str, folder: str) -> None:
    """Import a folder."""
    with closing(open_store(registry)) as store:
        import_files(store, [Path(folder)], by="P01")


def correct_again_and_again(registry: str, lot: str) -> None:
    """Correct one record until killed."""
    with closing(open_store(registry)) as store:
        for number in range(1, 10_000):
            correct(store, "graft_lots", lot, {"grafts": number}, by="P01", why="counted again")


def record_many(registry: str, person: str, count: int) -> None:
    """Record collections one by one, each with a code that the registry issues."""
    with closing(open_store(registry)) as store:
        for _ in range(count):
            values = {"tree": "AB-1", "date": "2026-01-20", "cutter": person, "sticks": 10}
            record(store, "collections", values, by=person)


def take_in_with_little_room(registry: str, folder: str, answer: str) -> None:
    """Import where the system lets no file grow past 600 kB; write what is said to a file."""
    with_little_room(600_000, answer, lambda: take_in(registry, folder))


def upgrade_with_little_room(registry: str, answer: str) -> None:
    """Upgrade where the system lets no file grow past 100 kB; write what is said to a file."""
    with_little_room(100_000, answer, lambda: migrate.upgrade(registry, by="P01"))


def with_little_room(size: int, answer: str, work: Callable[[], object]) -> None:
    """Do something where no file may grow past a size; write what is said to a file."""
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))
    try:
        work()
    except RegistryError as refusal:
        Path(answer).write_text(str(refusal), encoding="utf-8")
