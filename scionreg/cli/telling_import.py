"""What an import says: what is wrong, grouped where it is the same, and what it did."""

from collections.abc import Iterator, Sequence
from itertools import islice
from typing import TYPE_CHECKING

from scionreg.cli import console
from scionreg.records.counting import many
from scionreg.records.errors import Problem

if TYPE_CHECKING:
    from scionreg.api import Registry
    from scionreg.exchange.importing import Imported

SHOWN = 40
"""Lines of problems at most, and of corrections."""
ROWS = 5
"""Rows that a group names; the file of problems has all."""


def say_imported(done: "Imported", name: str, *, correct: bool) -> None:
    """Say what is wrong, and what was imported."""
    refused = [each for each in done.problems if each.trouble == "refused"]
    warnings = [each for each in done.problems if each.trouble == "warning"]
    for label, some in (("refused", refused), ("warning", warnings)):
        groups = list(grouped(some))
        for text in groups[:SHOWN]:
            console.talk(f"{label}: {console.one_line(text)}")
        if len(groups) > SHOWN:
            console.talk(f"… and {len(groups) - SHOWN} more; --problems FILE.csv lists all")
    warned = many(len(warnings), "warning")
    differ = sum(each.rule == "duplicate_key" and bool(each.file) for each in refused)
    if differ and not correct:
        rows = "1 row differs" if differ == 1 else f"{differ} rows differ"
        console.talk(
            f"{rows} from what is recorded; scionreg import --correct takes the file's values as "
            "corrections"
        )
    said = _said(done)
    repeated = sum(done.repeated.values())
    if refused:
        console.talk(f"nothing was imported: {len(refused)} refused, {warned}")
    elif not said:
        console.talk(f"nothing new: all {repeated:,} records were there already")
    else:
        would = "would import" if done.dry_run else "imported"
        again = f"; {repeated:,} were there already" if repeated else ""
        console.talk(f"{would} into {name}: {said}{again}; {warned}")


def _said(done: "Imported") -> str:
    """Return how many records of each kind are new and corrected."""
    parts = [
        f"{count:,} {kind.replace('_', ' ')}{what}"
        for numbers, what in ((done.recorded, ""), (done.corrected, " corrected"))
        for kind, count in numbers.items()
        if count
    ]
    return ", ".join(parts)


def grouped(problems: Sequence[Problem]) -> Iterator[str]:
    """Yield a text for each problem; those that say just the same of several rows are one.

    Where anything but the line is another, it is another problem.
    """
    groups: dict[tuple[str, ...], list[Problem]] = {}
    for each in problems:
        same = (each.file, each.column, each.rule, each.wrong, each.right)
        # Without lines it is told by its key, which no other has.
        groups.setdefault(same if each.line else (*same, each.kind, each.key), []).append(each)
    for group in groups.values():
        first = group[0]
        if len(group) == 1:
            yield str(first)
            continue
        lines = ", ".join(str(each.line) for each in islice(group, ROWS))
        rest = f" and {len(group) - ROWS} more" if len(group) > ROWS else ""
        column = f"{first.column}: " if first.column else ""
        yield (
            f"{first.file}: {len(group)} rows (lines {lines}{rest}): {column}{first.wrong}; "
            f"{first.right}"
        )


def show_corrections(registry: "Registry", done: "Imported") -> None:
    """Show each record that is corrected, old value and new."""
    from scionreg.registry.rows import as_record

    for each in done.corrections[:SHOWN]:
        kind = each.found.kind
        key = console.one_line(registry.shown_key(kind, each.found.key))
        console.talk(f"{each.file}:{each.line}: {key}")
        old, new = (
            registry.as_shown(kind, as_record(kind, row)) for row in (each.found.row, each.row)
        )
        for text in console.changed(old, new):
            console.talk(text)
    if len(done.corrections) > SHOWN:
        console.talk(f"… and {len(done.corrections) - SHOWN} more")
