"""Nothing needs a POSIX system: what Windows lacks is not imported, and names of files fit it."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

from scionreg.map_pages import file_of

PACKAGE = Path(__file__).parents[1] / "scionreg"
LACKING = (
    *("fcntl", "termios", "tty", "pty", "resource", "pwd", "grp", "spwd", "crypt", "nis", "syslog"),
    *("posix", "readline", "curses", "_curses", "_posixsubprocess"),
)
"""Modules of Python that it has on POSIX systems only."""
CALLS = re.compile(
    r"\bos\.(fork|forkpty|kill|killpg|setsid|getuid|geteuid|chown|mkfifo|uname|nice|wait)\b"
    r"|signal\.(SIGKILL|SIGHUP|SIGALRM|SIGUSR\d|SIGPIPE|alarm)|/dev/(stdin|stdout|stderr|null|tty)"
    r"|shell=True|os\.system"
)
"""What is called or opened there only."""
IMPORTING = """
import builtins, importlib, pkgutil

plainly = builtins.__import__

def importing(name, globals=None, *more, **named):
    if name in {lacking!r} and str((globals or {{}}).get("__name__")).startswith("scionreg"):
        raise ModuleNotFoundError(name)
    return plainly(name, globals, *more, **named)

builtins.__import__ = importing
import scionreg
for module in pkgutil.walk_packages(scionreg.__path__, "scionreg."):
    if "__main__" not in module.name and "migrations" not in module.name:
        importlib.import_module(module.name)
"""


def test_every_module_imports_without_what_windows_lacks() -> None:
    done = subprocess.run(
        [sys.executable, "-c", IMPORTING.format(lacking=LACKING)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr


def test_no_module_calls_what_windows_lacks() -> None:
    files = sorted(PACKAGE.rglob("*.py"))
    assert len(files) > 200
    found = {file.name: CALLS.findall(file.read_text(encoding="utf-8")) for file in files}
    assert {name for name, calls in found.items() if calls} == set()


@pytest.mark.parametrize("code", ["N:1", 'a"b', "B26-0001-7", "x/1", "a<b>|?*", "Ж-1", "CON"])
def test_files_that_are_named_by_codes_have_names_that_windows_takes(code: str) -> None:
    name = file_of("recall", code)
    assert not re.search(r'[<>:"/\\|?*\x00-\x1f]', name)
    assert not name.endswith((" ", "."))
