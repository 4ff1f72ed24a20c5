"""What was typed of a sheet so far, kept in a file at every cell until it is recorded."""

import hashlib
import json
import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any

from scionreg.documents.pdf import new_file
from scionreg.records.errors import RegistryError
from scionreg.registry.store import Store


class State(StrEnum):
    """How far a row of a sheet is."""

    OPEN = "open"
    TYPED = "typed"
    STRUCK = "struck"
    RECORDED = "recorded"


@dataclass(slots=True)
class Row:
    """A row of the sheet: the texts of its cells by column, those that are empty left out.

    `touched` tells whether anything was typed into it beside what the paper had.
    """

    cells: dict[str, str] = field(default_factory=dict)
    state: State = State.OPEN
    touched: bool = False


@dataclass(slots=True, kw_only=True)
class Draft:
    """The rows of one sheet. Row numbers are those on the paper, so no row ever moves up.

    `row` and `column` say where the typist is; `of` is the digest of the file that the rows
    came from, empty for a blank sheet. Without a `path` nothing is kept.
    """

    path: Path | None
    name: str
    kind: str
    of: str = ""
    rows: list[Row] = field(default_factory=list)
    row: int = 0
    column: int = 0
    saves: int = 0

    def numbers(self, *states: State) -> list[int]:
        """Return the numbers of the rows in one of some states; row 1 is the first."""
        return [number for number, row in enumerate(self.rows, 1) if row.state in states]

    def unfinished(self) -> list[int]:
        """Return the numbers of the open rows that have anything in them."""
        return [number for number in self.numbers(State.OPEN) if self.rows[number - 1].cells]

    def holds_work(self) -> bool:
        """Tell whether anything typed is not recorded yet."""
        return any(
            row.state is State.TYPED or (row.state is State.OPEN and row.touched)
            for row in self.rows
        )

    def save(self) -> None:
        """Keep everything; a kill at any moment leaves the last state or this one.

        Raises
        ------
        RegistryError
            The file cannot be written, or somebody else has typed into it meanwhile.
        """
        if self.path is None:
            return
        if _saves(self.path) != self.saves:
            raise RegistryError(
                f"{self.path} has changed since: the same sheet is being typed somewhere else; "
                "close the other one and begin again, what was typed there is kept"
            )
        self.saves += 1
        kept = asdict(self)
        del kept["path"]
        _replace(self.path, json.dumps(kept, ensure_ascii=False, indent=1))

    def put_away(self) -> None:
        """Forget the draft: all of it is recorded or struck out."""
        if self.path is not None:
            self.path.unlink(missing_ok=True)
        self.saves = 0


def begin(
    path: Path, *, name: str, kind: str, filled: Sequence[Mapping[str, str]] = (), of: str = ""
) -> Draft:
    """Return the draft kept at `path`, or a new one whose rows are `filled` in as on the paper.

    Raises
    ------
    RegistryError
        The kept one is of another file and not all of it is recorded, or it cannot be read.
    """
    kept = _read(path)
    same = kept is not None and (kept.of, kept.kind) == (of, kind)
    if kept is None or not (same or kept.holds_work()):
        rows = [Row({column: text for column, text in row.items() if text}) for row in filled]
        saves = 0 if kept is None else kept.saves
        return Draft(path=path, name=name, kind=kind, of=of, rows=rows, saves=saves)
    if not same:
        raise RegistryError(
            f"rows of another {name} sheet are typed and not recorded yet ({path}); finish it, or "
            "lay it aside with --anew"
        )
    return kept


def lay_aside(path: Path) -> Path | None:
    """Rename a kept draft so that a new one can begin; return its new path, None without one."""
    if not path.exists():
        return None
    number = 1
    while (aside := path.with_suffix(f".{number}.json")).exists():
        number += 1
    path.rename(aside)
    return aside


def place_of(store: Store, name: str, person: str) -> Path:
    """Return where a person's draft of a sheet is kept: beside the registry's file.

    A registry on a server, or in a folder that cannot be written to, has it in the user's own
    data folder.
    """
    file = re.sub(r"[^\w-]+", "_", f"{name}-{person}") + ".json"
    if store.is_sqlite:
        registry = Path(store.name).resolve()
        if os.access(registry.parent, os.W_OK):
            return registry.with_name(f"{registry.name}.typing") / file
    told = os.environ.get("XDG_DATA_HOME") or os.environ.get("LOCALAPPDATA")  # this on Windows
    own = Path(told or Path.home() / ".local" / "share")
    which = hashlib.sha256(store.name.encode()).hexdigest()[:12]
    return own / "scionreg" / f"typing-{which}" / file


def _read(path: Path) -> Draft | None:
    try:
        kept: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        rows = [
            Row(dict(row["cells"]), State(row["state"]), bool(row["touched"]))
            for row in kept.pop("rows")
        ]
        return Draft(path=path, rows=rows, **kept)
    except FileNotFoundError:
        return None
    except OSError as fault:
        raise RegistryError(f"{path} cannot be read: {fault.strerror}") from fault
    except (ValueError, TypeError, KeyError, AttributeError) as fault:
        raise RegistryError(
            f"{path} is damaged ({fault}); lay it aside with --anew, and look into it with an "
            "editor"
        ) from fault


def _saves(path: Path) -> int:
    kept = _read(path)
    return 0 if kept is None else kept.saves


def _replace(path: Path, text: str) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise RegistryError(f"{path.parent} cannot be made: {fault.strerror}") from fault
    with new_file(path, ".json") as beside, beside.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())


NOT_YET = (State.TYPED, State.OPEN)
"""States of rows that are not recorded, nor struck out."""


def kept_drafts(store: Store) -> list[tuple[str, str, int]]:
    """Return the sheets that hold work which is not recorded yet: sheet, person, rows of it."""
    found = []
    for path in sorted(place_of(store, "", "").parent.glob("*.json")):
        try:
            draft = _read(path)
        except RegistryError:
            continue  # `enter` says what is wrong with it
        if draft is not None and draft.holds_work():
            person = path.stem.removeprefix(f"{draft.name}-").partition(".")[0]
            typed = [row for row in draft.rows if row.state is State.TYPED or row.touched]
            found.append((draft.name, person, sum(row.state in NOT_YET for row in typed)))
    return found
