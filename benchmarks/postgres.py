"""A private PostgreSQL server for one run: started on a socket of its own, removed at the end."""

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

DEBIAN = Path("/usr/lib/postgresql")


def programs() -> Path | None:
    """Return the folder of initdb and pg_ctl, None where PostgreSQL is not installed."""
    on_path = shutil.which("initdb")
    if on_path:
        return Path(on_path).parent
    found = sorted(DEBIAN.glob("*/bin/initdb"), key=lambda path: int(path.parts[-3]))
    return found[-1].parent if found else None


def _as_server(command: Sequence[str]) -> list[str]:
    """Return the command as the user `postgres`, since the server refuses to run as root."""
    return ["runuser", "-u", "postgres", "--", *command] if os.geteuid() == 0 else list(command)


class Server:
    """A running server."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def url(self, database: str = "postgres") -> str:
        """Return the URL of a database of this server."""
        return f"postgresql+psycopg://postgres@/{database}?host={self.folder}"

    def create(self, database: str, *, template: str = "template1") -> str:
        """Make a database, empty or a copy of `template`, and return its URL."""
        import psycopg

        place = f"host={self.folder} user=postgres dbname=postgres"
        with psycopg.connect(place, autocommit=True) as connection:
            connection.execute(f'CREATE DATABASE "{database}" TEMPLATE "{template}"'.encode())
        return self.url(database)


@contextmanager
def server(*settings: str) -> Iterator[Server]:
    """Start a server, with settings as ``name=value``; stop it and remove it at the end."""
    where = programs()
    if where is None:
        raise RuntimeError("PostgreSQL is not installed")
    folder = Path(tempfile.mkdtemp(prefix="scionreg-pg-"))
    if os.geteuid() == 0:
        shutil.chown(folder, "postgres")
    data, control = folder / "data", where / "pg_ctl"
    options = f"-k {folder} -c listen_addresses=''" + "".join(f" -c {each}" for each in settings)
    made = [str(where / "initdb"), "-D", str(data), "-A", "trust", "-U", "postgres", "--no-sync"]
    made += ["-E", "UTF8", "--locale=C.UTF-8"]
    quiet = {"check": True, "stdout": subprocess.DEVNULL, "cwd": "/"}
    try:
        subprocess.run(_as_server(made), **quiet)  # type: ignore[call-overload]
        start = [str(control), "-D", str(data), "-w", "-l", str(folder / "log"), "-o", options]
        subprocess.run(_as_server([*start, "start"]), **quiet)  # type: ignore[call-overload]
        try:
            yield Server(folder)
        finally:
            stop = [str(control), "-D", str(data), "-m", "fast", "-w", "stop"]
            subprocess.run(_as_server(stop), **quiet)  # type: ignore[call-overload]
    finally:
        shutil.rmtree(folder)
