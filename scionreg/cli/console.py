"""Showing things: data to standard output, talk to standard error. The one place that prints."""

import codecs
import csv
import io
import os
import re
import sys
import threading
import time
import warnings
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any, TextIO

import typer

from scionreg.cli import layout

REPLACING = "scionreg.replacing"
"""The name, for Python, of how letters are written that an output does not have."""
_lacked: set[str] = set()
"""Encodings that lacked letters of what was written."""


def prepare() -> None:
    """Let no letter end an answer in a traceback: what an output lacks is written plainly."""

    def replacing(fault: UnicodeError) -> tuple[str, int]:
        if not isinstance(fault, UnicodeEncodeError):
            raise fault
        lacked = fault.object[fault.start : fault.end]
        return _lettered(lacked, fault.encoding), fault.end

    codecs.register_error(REPLACING, replacing)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors=REPLACING)


def finish() -> None:
    """Write out what is held back; say which letters the output does not have."""
    if sys.stdout is not None:
        sys.stdout.flush()
    while _lacked:
        talk(
            f"letters that {_lacked.pop()} does not have were written otherwise; a file keeps them "
            "with PYTHONIOENCODING=utf-8"
        )


def data(text: str) -> None:
    """Show what was asked for, in lines that the terminal holds."""
    _put(text, sys.stdout)


def talk(text: str) -> None:
    """Say what happened, beside the data."""
    _put(text, sys.stderr)


def command(says: str, *words: str, to: Callable[[str], None] = talk) -> None:
    """Name a command that can be copied as it stands: its words quoted, the line not folded."""
    from scionreg.records.shell import command_line

    stream = sys.stderr if to is talk else sys.stdout
    print(f"{says}{_plain(command_line(*words), stream)}", file=stream)


def _put(text: str, stream: TextIO | None) -> None:
    if stream is None:  # a program without a terminal
        return
    width = _width(stream)
    for line in text.split("\n"):
        for each in layout.folded(_plain(line, stream), width):
            print(each, file=stream)


def _plain(text: str, stream: TextIO) -> str:
    """Return text that a terminal shows and does not obey, in letters that it has."""
    return _lettered(layout.visible(text), getattr(stream, "encoding", None) or "utf-8")


def _lettered(text: str, encoding: str) -> str:
    said = layout.within(text, encoding)
    if any(sign.isalnum() for sign in set(text) - set(said)):
        _lacked.add(encoding)
    return said


def _width(stream: TextIO) -> int | None:
    """Return the columns that lines may take: as COLUMNS says, else the terminal's, else any."""
    wanted = os.environ.get("COLUMNS", "")
    if wanted.isdecimal() and int(wanted):
        return max(int(wanted), layout.NARROWEST)
    if not stream.isatty():
        return None
    try:
        columns = os.get_terminal_size(stream.fileno()).columns or 80  # 0 is not known
    except (OSError, ValueError):
        return 80
    return max(columns - (os.name == "nt"), layout.NARROWEST)  # there a full line breaks twice


def paragraph(text: str, indent: int = 0, width: int = 100) -> None:
    """Show a text in lines that fit a page, or a narrower terminal; further lines hang."""
    fits = min(width, _width(sys.stdout) or width)
    for line in layout.folded(" " * indent + _plain(one_line(text), sys.stdout), fits, 2):
        print(line)


def lacking(letters: Iterable[str]) -> None:
    """Say which letters of what was printed or drawn the fonts do not have; nothing for none."""
    if named := " ".join(sorted({each for each in letters if each.isprintable()})):
        talk(f"the fonts have no {named}; write them by hand")


@contextmanager
def lacking_told() -> Iterator[None]:
    """Say once, in plain words, which letters pictures lack; drawing warns of each by itself."""
    letters: list[str] = []
    with warnings.catch_warnings():
        shown = warnings.showwarning

        def note(message: Warning | str, *where: Any, **more: Any) -> None:
            found = re.match(r"Glyph (\d+) ", str(message))
            if found:
                letters.append(chr(int(found[1])))
            else:
                shown(message, *where, **more)

        warnings.filterwarnings("always", r"Glyph \d+ .* missing from font", UserWarning)
        warnings.showwarning = note
        try:
            yield
        finally:
            lacking(letters)


def abandon_output() -> None:
    """Keep Python from complaining when whoever read the output has gone."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def is_terminal() -> bool:
    """Tell whether a person can be asked."""
    return sys.stdin.isatty() and sys.stderr.isatty()


def ask(question: str, *, required: bool = True) -> str:
    """Ask a person; an empty answer means unknown, where that is allowed."""
    while True:
        answer = str(typer.prompt(question, default="", show_default=False, err=True)).strip()
        if answer or not required:
            return answer
        talk("this cannot stay empty")


def agreed(question: str) -> bool:
    """Ask a person for a yes or a no."""
    while True:
        answer = ask(f"{question} (yes or no)").casefold()
        if answer in ("y", "yes", "n", "no"):
            return answer.startswith("y")
        talk("yes or no")


def typed(prompt: str, offers: Callable[[], Sequence[str]] = tuple) -> str | None:
    """Return a line that a person types, None when they stop (Ctrl-D, on Windows Ctrl-Z and Enter).

    The tab key completes what `offers` returns; it is asked only then. Where there is no library
    for that, as on Windows, the system's own line editing is all there is.
    """
    try:
        import readline
    except ImportError:
        return _line(prompt)
    found: list[str] = []

    def complete(begun: str, number: int) -> str | None:
        if not number:
            found[:] = [each for each in offers() if each.casefold().startswith(begun.casefold())]
        return found[number] if number < len(found) else None

    readline.set_completer_delims("")
    readline.set_completer(complete)
    libedit = "libedit" in (readline.__doc__ or "")  # as on macOS
    readline.parse_and_bind("bind ^I rl_complete" if libedit else "tab: complete")
    readline.set_auto_history(False)
    return _line(prompt)


def _line(prompt: str) -> str | None:
    if not sys.stdout.isatty():
        print(prompt, end="", file=sys.stderr, flush=True)
        prompt = ""
    try:
        return input(prompt)
    except EOFError:
        talk("")
        return None


def as_json(value: Any) -> None:
    """Show a value as JSON; signs that a terminal would obey or does not have are escaped."""
    import orjson

    text = orjson.dumps(value, option=orjson.OPT_INDENT_2, default=_plain_value).decode()
    if not text.isascii():
        has = getattr(sys.stdout, "encoding", None) or "utf-8"
        text = "".join(_escaped(sign, has) for sign in text)
    print(text)


def _escaped(sign: str, encoding: str) -> str:
    if sign == "\n" or (sign.isprintable() and layout.within(sign, encoding) == sign):
        return sign
    units = sign.encode("utf-16-be")
    return "".join(f"\\u{units[i]:02x}{units[i + 1]:02x}" for i in range(0, len(units), 2))


def _plain_value(value: Any) -> Any:
    """Return what JSON can hold of a value."""
    return list(value) if isinstance(value, tuple) else str(value)


def as_csv(rows: Iterable[Mapping[str, Any]], columns: Sequence[str] = ()) -> None:
    """Show rows as CSV; text that a spreadsheet would run as a formula is shielded.

    A file gets the text as it is recorded, a terminal what it can show without obeying it.
    """
    from scionreg.records.cells import shield

    rows = list(rows)
    names = list(columns) or list(dict.fromkeys(name for row in rows for name in row))
    tame = layout.visible if sys.stdout.isatty() else str
    writer = csv.DictWriter(sys.stdout, names, lineterminator="\n")
    writer.writeheader()
    for row in rows:
        shown = {name: "" if value is None else value for name, value in row.items()}
        writer.writerow(
            {
                name: tame(shield(value)) if isinstance(value, str) else value
                for name, value in shown.items()
            }
        )


def table(rows: Sequence[Mapping[str, Any]], columns: Mapping[str, str]) -> None:
    """Show rows as an aligned table, or as a block each where the terminal is too narrow.

    `columns` maps their keys to headings. Nothing is cut off.
    """
    heads = [_plain(head, sys.stdout) for head in columns.values()]
    cells = [[_plain(_cell(row.get(name)), sys.stdout) for name in columns] for row in rows]
    for line in layout.table_lines(heads, cells, _width(sys.stdout)):
        print(line)


def record(values: Mapping[str, Any]) -> None:
    """Show one record, a line a value."""
    pairs = [(_plain(name, sys.stdout), _plain(shown(v), sys.stdout)) for name, v in values.items()]
    for line in layout.record_lines(pairs, _width(sys.stdout)):
        print(f"  {line}")


def _cell(value: Any) -> str:
    if value is None:
        return "-"
    if isinstance(value, bool):
        return ("no", "yes")[value]
    if isinstance(value, float):
        return f"{value:.7g}"
    return one_line(str(value))


def one_line(text: str) -> str:
    """Return text without line breaks or signs that a terminal would obey."""
    return layout.visible(" ".join(re.split(r"[\t\r\n]+", text)))


def changed(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[str]:
    """Return a line for each column of a record that is another than before."""
    texts = []
    for name in dict.fromkeys((*before, *after)):
        old, new = before.get(name, "-"), after.get(name, "-")
        if old != new:
            texts.append(f"  {name}: {shown(old)} -> {shown(new)}")
    return texts


def shown(value: object) -> str:
    """Return a record's value as text."""
    return one_line(("no", "yes")[value] if isinstance(value, bool) else str(value))


@contextmanager
def progress(label: str) -> Iterator[Callable[[int, int], None]]:
    """Give a function (done, total) that draws a bar, on a terminal and after a second only.

    Until it is called first the seconds are counted, so that whoever waits knows that work goes on.
    """
    if not sys.stderr.isatty():
        yield lambda done, total: None
        return
    waiting = _Waiting(label)
    bar = None

    def advance(done: int, total: int) -> None:
        nonlocal bar
        if time.monotonic() - waiting.started < 1:
            return
        if bar is None:
            waiting.end()
            bar = typer.progressbar(length=total, label=label, file=sys.stderr)
            bar.__enter__()
        bar.update(done - bar.pos)

    try:
        yield advance
    finally:
        waiting.end()
        if bar is not None:
            bar.__exit__(None, None, None)


class _Waiting:
    """Seconds counted on the terminal, by a thread, from the first whole one on."""

    def __init__(self, label: str, every: float = 1) -> None:
        self._every = every
        self.started = time.monotonic()
        self._label = label
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._count, daemon=True)
        self._thread.start()

    def _count(self) -> None:
        line = ""
        while not self._over.wait(self._every):
            line = f"{self._label}: {time.monotonic() - self.started:.0f} s"
            print(f"\r{line}", end="", file=sys.stderr, flush=True)
        print(f"\r{' ' * len(line)}\r" if line else "", end="", file=sys.stderr, flush=True)

    def end(self) -> None:
        """Stop counting and leave the line empty."""
        self._over.set()
        self._thread.join()
