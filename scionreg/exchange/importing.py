"""Importing files: all or nothing, the same file again changes nothing, every problem reported."""

import csv
import gc
import json
import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Protocol

from sqlalchemy import Connection, Index, func, insert, select
from sqlalchemy.schema import CreateIndex, DropIndex

from scionreg.exchange.sources import SMALL_BATCH_ROWS, digest, find_sources
from scionreg.records import codes
from scionreg.records.cells import shield
from scionreg.records.errors import Problem, RegistryError
from scionreg.records.names import PersonCode
from scionreg.records.own_words import is_own_word
from scionreg.records.tables import table
from scionreg.records.vocabulary import Trouble
from scionreg.registry.changes import Change, change
from scionreg.registry.intake import Batch, Correction, Intake
from scionreg.registry.issuing import spend
from scionreg.registry.ledger import ReservedCodes
from scionreg.registry.store import Store

BYTES_A_ROW = 120
"""Roughly; only decides whether an import counts as large."""

LARGE_ROWS = 100_000

Progress = Callable[[int, int], None]
"""Called with the bytes done so far and the bytes in all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """What an import did, or would have done."""

    files: tuple[str, ...]
    recorded: dict[str, int]
    repeated: dict[str, int]
    corrected: dict[str, int]
    corrections: tuple[Correction, ...]
    problems: tuple[Problem, ...]
    dry_run: bool

    @property
    def refused(self) -> bool:
        """Tell whether anything was refused, so that nothing was taken."""
        return any(problem.trouble is Trouble.REFUSED for problem in self.problems)

    @property
    def changed(self) -> bool:
        """Tell whether the registry changed."""
        return not self.refused and not self.dry_run and self.would_change

    @property
    def would_change(self) -> bool:
        """Tell whether there is anything new in the files, or to correct by them."""
        return any(self.recorded.values()) or any(self.corrected.values())

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "files": list(self.files),
            "recorded": self.recorded,
            "repeated": self.repeated,
            "corrected": self.corrected,
            "refused": self.refused,
            "dry_run": self.dry_run,
            "problems": [problem_row(problem) for problem in self.problems],
        }


def import_files(
    store: Store,
    paths: Sequence[Path],
    *,
    by: str = "",
    why: str = "",
    kind: str = "",
    correct: bool = False,
    dry_run: bool = False,
    progress: Progress = lambda done, total: None,
) -> Imported:
    """Import season folders, CSV files and workbooks in one change.

    `kind` says what single CSV files hold where their names do not. Where anything is refused the
    registry stays as it was; `Imported.problems` says why. With `correct`, rows that differ from
    what is recorded correct it, in the columns that the file has; `why` is then needed.

    Raises
    ------
    RegistryError
        There is nothing to import, or a file cannot be read at all.
    """
    with _reading_files():
        sources = [source for path in paths for source in find_sources(path, kind)]
        if store.is_sqlite:
            for source in sources:
                source.batch_rows = SMALL_BATCH_ROWS
        folders = [path for path in paths if path.is_dir()]
    return import_sources(
        store,
        sources,
        by=by,
        why=why,
        correct=correct,
        dry_run=dry_run,
        progress=progress,
        folders=folders,
    )


class Records(Protocol):
    """A file, or part of one, that gives records of one kind: what `import_sources` takes in."""

    @property
    def path(self) -> Path:
        """Return where the file is."""

    @property
    def name(self) -> str:
        """Return what it is called in messages."""

    @property
    def kind(self) -> str:
        """Return the record kind."""

    @property
    def size(self) -> int:
        """Return the file's size in bytes."""

    @property
    def problems(self) -> list[Problem]:
        """Return what is wrong with its form, once it was read."""

    def batches(self, advance: Callable[[int], None]) -> Iterator[Batch]:
        """Yield the records."""


def import_sources(
    store: Store,
    sources: Sequence[Records],
    *,
    by: str = "",
    why: str = "",
    correct: bool = False,
    dry_run: bool = False,
    progress: Progress = lambda done, total: None,
    folders: Sequence[Path] = (),
) -> Imported:
    """Import what some sources hold in one change; otherwise as `import_files`.

    The settings of season `folders` are taken over where the registry is new.
    """
    if correct and not dry_run and not why.strip():
        raise RegistryError("say why: the reason is kept with the corrections")
    with _reading_files():
        advance = _counted(progress, sum(source.size for source in sources))
        with (
            _without_cycles(),
            change(store, by=by, action="import", why=why, checking_references=False) as making,
        ):
            for folder in folders:
                _adopt(making, folder)
            result = _import(making, sources, advance, correct=correct, dry_run=dry_run)
            making.cancelled = not result.changed
    return result


@contextmanager
def _reading_files() -> Iterator[None]:
    """Say in plain words that a file cannot be read."""
    try:
        yield
    except OSError as fault:
        if fault.filename is None:
            raise  # no file's fault
        raise RegistryError(f"{fault.filename} cannot be read: {fault.strerror}") from fault


def _import(
    making: Change,
    sources: Sequence[Records],
    advance: Callable[[int], None],
    *,
    correct: bool,
    dry_run: bool,
) -> Imported:
    intake = Intake(making, correcting=correct)
    with _rebuilding_indexes(making.connection, sources):
        for source in sources:
            _take(intake, source, advance)
    intake.finish()
    making.content["files"] = [
        {"name": source.name, "sha256": digest(source.path)} for source in sources
    ]
    return Imported(
        files=tuple(source.name for source in sources),
        recorded=dict(intake.taken.recorded),
        repeated=dict(intake.taken.repeated),
        corrected=dict(intake.taken.corrected),
        corrections=tuple(intake.corrections.values()),
        problems=tuple(sorted(intake.problems, key=_in_file_order(sources))),
        dry_run=dry_run,
    )


def _take(intake: Intake, source: Records, advance: Callable[[int], None]) -> None:
    for batch in source.batches(advance):
        intake.take(batch)
    intake.problems += source.problems


def _counted(progress: Progress, total: int) -> Callable[[int], None]:
    """Return a function that adds up the bytes read, and tells `progress` every so often."""
    done = told = 0
    progress(0, total)

    def advance(count: int) -> None:
        nonlocal done, told
        done += count
        if done - told > total // 200:
            told = done
            progress(done, total)

    return advance


def _in_file_order(sources: Sequence[Records]) -> Callable[[Problem], tuple[int, int, str]]:
    order = {source.name: index for index, source in enumerate(sources)}
    return lambda problem: (order.get(problem.file, len(order)), problem.line, problem.column)


@contextmanager
def _without_cycles() -> Iterator[None]:
    """Keep the cycle collector from walking over millions of rows again and again."""
    enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if enabled:
            gc.enable()


@contextmanager
def _rebuilding_indexes(connection: Connection, sources: Sequence[Records]) -> Iterator[None]:
    """Take the indexes of tables off that grow to more than twice their size, and put them back.

    Building an index once is quicker than keeping it up row by row, but for one of few rows. It
    happens within the transaction. Only on SQLite: on PostgreSQL it would shut readers out.
    """
    dropped: list[Index] = []
    if connection.dialect.name == "sqlite":
        for source in sources:
            rows = source.size // BYTES_A_ROW
            if rows > LARGE_ROWS and rows > _count(connection, source.kind):
                dropped += filter(_holds_every_row, table(source.kind).indexes)
    for index in dropped:
        connection.execute(DropIndex(index))
    yield
    for index in dropped:
        connection.execute(CreateIndex(index))


def _holds_every_row(index: Index) -> bool:
    """Tell whether an index grows with each row, and refuses none."""
    return not index.unique and index.dialect_options["sqlite"]["where"] is None


def _count(connection: Connection, kind: str) -> int:
    return int(connection.execute(select(func.max(table(kind).c.id))).scalar() or 0)


def _adopt(making: Change, folder: Path) -> None:
    """Take over a season folder's settings: all of them where the registry is new.

    Otherwise only its time zone, for reading times that are written without an offset.
    """
    package = folder / "datapackage.json"
    if not package.is_file():
        return
    try:
        whole = json.loads(package.read_text(encoding="utf-8"))
        outside = [str(each.get("path")) for each in whole.get("resources", []) if _leads_out(each)]
        described = whole.get("scionreg", {})
        names = ("time_zone", "units", "season_first_day", "nursery")
        wanted = {name: str(described[name]) for name in names if name in described}
        wanted |= {name: str(value) for name, value in described.get("values", {}).items()}
        runs = [_run(each) for each in described.get("reserved", [])]
        voided = [_issued(each) for each in described.get("voided", [])]
    except (ValueError, AttributeError, TypeError, KeyError, RecursionError) as fault:
        raise RegistryError(f"{package.name} cannot be read ({fault})") from fault
    if outside:
        raise RegistryError(
            f"{package.name} names {', '.join(outside)}, outside the folder; a season folder's "
            "files lie in it"
        )
    if making.entry > 2:
        wanted = {name: value for name, value in wanted.items() if not is_own_word(name)}
        making.settings = making.settings.changed(wanted)
    else:
        making.change_settings(wanted)
        if runs:
            entry = {"entry": making.entry}
            making.connection.execute(insert(ReservedCodes), [{**run, **entry} for run in runs])
        spend(making, voided)


def _leads_out(resource: dict[str, Any]) -> bool:
    """Tell whether a resource of a data package lies elsewhere: one must not (Frictionless)."""
    path = str(resource.get("path", ""))
    parts = re.split(r"[\\/]", path)
    return bool(path) and (".." in parts or not parts[0] or ":" in path)


def _issued(code: Any) -> str:
    """Return a code if it is one that a registry issues."""
    if not isinstance(code, str) or not codes.is_issued(code):
        raise ValueError(f"'{code}' is no issued code")
    return code


def _run(described: dict[str, Any]) -> dict[str, Any]:
    """Return a reserved run of codes as a season folder describes it."""
    numbers = {name: int(described[name]) for name in ("season", "first", "last")}
    kind, person = str(described["kind"]), PersonCode().read(str(described["person"]))
    if kind not in codes.LETTER_OF:
        raise ValueError(f"{kind} have no issued codes")
    if not (0 < numbers["season"] < 10_000 and 0 < numbers["first"] <= numbers["last"] < 10**7):
        raise ValueError(f"no run of codes is {numbers}")
    return {**numbers, "kind": kind, "person": person}


PROBLEM_COLUMNS = ("file", "line", "column", "value", "trouble", "rule", "wrong", "right", "key")


def problem_row(problem: Problem) -> dict[str, Any]:
    """Return a problem as a flat row."""
    return {name: getattr(problem, name) for name in PROBLEM_COLUMNS}


def write_problems(problems: Sequence[Problem], file: IO[str]) -> None:
    """Write problems as CSV, for working through them in a spreadsheet."""
    writer = csv.DictWriter(file, PROBLEM_COLUMNS, lineterminator="\n")
    writer.writeheader()
    for problem in problems:
        writer.writerow({name: shield(str(value)) for name, value in problem_row(problem).items()})
