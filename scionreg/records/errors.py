"""The two kinds of trouble: operations that are refused, and problems found in data.

::

    RegistryError            an operation is refused; the message is for the user
    ├── NotFoundError        nothing is recorded under that code
    ├── NotARegistryError    the file or database is no registry, or a damaged one
    │   └── UnopenedError    it may be one, but its place does not let it be opened as usual
    ├── SchemaError          the registry was made by another version
    ├── BusyError            somebody else is writing and did not finish in time
    ├── NoRecorderError      a change needs to know who makes it
    └── ProblemsError        data was refused; carries every problem

    Problem                  one thing wrong in the data; collected, never raised
"""

from collections.abc import Sequence
from dataclasses import dataclass

from scionreg.records.vocabulary import Trouble


class RegistryError(Exception):
    """An operation is refused. The message says what is wrong and what would be right."""


class NotFoundError(RegistryError):
    """Nothing is recorded under the code that was asked for."""


class NotARegistryError(RegistryError):
    """The file or database is not a registry, or is damaged."""


class UnopenedError(NotARegistryError):
    """The place of a file does not let it be opened as usual: read-only, or full."""


class SchemaError(RegistryError):
    """The registry's tables are older or newer than this version's."""


class BusyError(RegistryError):
    """Somebody else is writing and did not finish in time."""


class NoRecorderError(RegistryError):
    """A change needs to know who makes it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One thing wrong (or doubtful) in the data, placed so that an editor can jump there.

    `file` and `line` are empty and 0 where the data did not come from a file; `line` counts the
    header as line 1.
    """

    rule: str
    trouble: Trouble
    kind: str
    wrong: str
    right: str
    key: str = ""
    column: str = ""
    value: str = ""
    file: str = ""
    line: int = 0

    def __str__(self) -> str:
        """Return ``file:line: column: what is wrong; what would be right``."""
        if self.file:
            where = f"{self.file}:{self.line}" if self.line else self.file
        else:
            where = f"{self.kind} {self.key.strip('/')}".strip()  # parts may not be known yet
        column = f"{self.column}: " if self.column else ""
        return f"{where}: {column}{self.wrong}; {self.right}"


class ProblemsError(RegistryError):
    """Data was refused. `problems` holds every refusal, and the warnings beside them."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problems)
        refused = [p for p in self.problems if p.trouble is Trouble.REFUSED]
        lines = [str(p) for p in refused[:20]]
        if len(refused) > 20:
            lines.append(f"… and {len(refused) - 20} more")
        super().__init__("\n".join(lines))


def refuse(problems: Sequence[Problem]) -> None:
    """Raise `ProblemsError` if any of the problems is a refusal."""
    if any(problem.trouble is Trouble.REFUSED for problem in problems):
        raise ProblemsError(problems)
