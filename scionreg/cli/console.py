"""Showing things: data to standard output, talk to standard error. The one place that prints."""

import csv
import os
import re
import sys
import time
import warnings
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

import typer


def data(text: str) -> None:
    """Show what was asked for."""
    print(text)


def talk(text: str) -> None:
    """Say what happened, beside the data."""
    print(text, file=sys.stderr)


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


def typed(prompt: str, offers: Callable[[], Sequence[str]] = tuple) -> str | None:
    """Return a line that a person types, None when they stop (Ctrl-D).

    The tab key completes what `offers` returns; it is asked only then.
    """
    try:
        import readline
    except ImportError:  # there is none on Windows
        return _line(prompt)
    found: list[str] = []

    def complete(begun: str, number: int) -> str | None:
        if not number:
            found[:] = [each for each in offers() if each.casefold().startswith(begun.casefold())]
        return found[number] if number < len(found) else None

    readline.set_completer_delims("")
    readline.set_completer(complete)
    readline.parse_and_bind("tab: complete")
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
    """Show a value as JSON."""
    import orjson

    data(orjson.dumps(value, option=orjson.OPT_INDENT_2, default=_plain).decode())


def _plain(value: Any) -> Any:
    """Return what JSON can hold of a value."""
    return list(value) if isinstance(value, tuple) else str(value)


def as_csv(rows: Iterable[Mapping[str, Any]], columns: Sequence[str] = ()) -> None:
    """Show rows as CSV; text that a spreadsheet would run as a formula is shielded."""
    from scionreg.records.cells import shield

    rows = list(rows)
    names = list(columns) or list(dict.fromkeys(name for row in rows for name in row))
    writer = csv.DictWriter(sys.stdout, names, lineterminator="\n")
    writer.writeheader()
    for row in rows:
        shown = {name: "" if value is None else value for name, value in row.items()}
        writer.writerow(
            {
                name: shield(value) if isinstance(value, str) else value
                for name, value in shown.items()
            }
        )


def table(rows: Sequence[Mapping[str, Any]], columns: Mapping[str, str]) -> None:
    """Show rows as an aligned table; `columns` maps their keys to headings. Nothing is cut off."""
    texts = [[_cell(row.get(name)) for name in columns] for row in rows]
    heads = list(columns.values())
    widths = [max(map(len, column)) for column in zip(heads, *texts, strict=True)]
    numeric = [_all_numbers(column) for column in zip(*texts, strict=True)] or [False] * len(heads)
    for line in (heads, *texts):
        cells = [
            text.rjust(width) if number else text.ljust(width)
            for text, width, number in zip(line, widths, numeric, strict=True)
        ]
        data("  ".join(cells).rstrip())


def _cell(value: Any) -> str:
    if value is None:
        return "-"
    if isinstance(value, bool):
        return ("no", "yes")[value]
    if isinstance(value, float):
        return f"{value:.7g}"
    return one_line(str(value))


def _all_numbers(texts: Sequence[str]) -> bool:
    return all(text == "-" or text.replace(".", "", 1).lstrip("-").isdigit() for text in texts)


def one_line(text: str) -> str:
    """Return text without line breaks or control characters, which a terminal would obey."""
    return "".join(sign if sign.isprintable() else " " for sign in text)


def shown(value: object) -> str:
    """Return a record's value as text."""
    return one_line(("no", "yes")[value] if isinstance(value, bool) else str(value))


@contextmanager
def progress(label: str) -> Iterator[Callable[[int, int], None]]:
    """Give a function (done, total) that draws a bar, on a terminal and after a second only."""
    started, bar = time.monotonic(), None

    def advance(done: int, total: int) -> None:
        nonlocal bar
        if not sys.stderr.isatty() or time.monotonic() - started < 1:
            return
        if bar is None:
            bar = typer.progressbar(length=total, label=label, file=sys.stderr)
            bar.__enter__()
        bar.update(done - bar.pos)

    try:
        yield advance
    finally:
        if bar is not None:
            bar.__exit__(None, None, None)
