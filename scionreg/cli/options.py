"""Options that several commands share: the same name and the same words everywhere."""

import os
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from scionreg.cli import console
from scionreg.records.errors import NoRecorderError, NotARegistryError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from scionreg.api import Registry

DEFAULT = "registry.db"

Where = Annotated[
    str,
    typer.Option(
        "--registry",
        envvar="SCIONREG_REGISTRY",
        help="Path or database URL of the registry; else ./registry.db.",
        show_envvar=True,
        show_default=False,
    ),
]
By = Annotated[
    str,
    typer.Option(
        "--by",
        envvar="SCIONREG_BY",
        help="Code of the person who records this; else the registry's setting.",
        show_envvar=True,
        show_default=False,
    ),
]
Why = Annotated[str, typer.Option("--why", help="The reason; it is kept with the change.")]
Json = Annotated[bool, typer.Option("--json", help="Show the answer as JSON.")]
Csv = Annotated[bool, typer.Option("--csv", help="Show the answer as CSV.")]
WordsFile = Annotated[
    Path | None,
    typer.Option("--words", help="Print in another language: a translated catalogue (TOML)."),
]
DryRun = Annotated[
    bool, typer.Option("--dry-run", "-n", help="Say what would happen; change nothing.")
]


@contextmanager
def opened(where: str) -> "Iterator[Registry]":
    """Open the registry that the options name."""
    from scionreg import open_registry

    if not where and not Path(DEFAULT).exists():
        raise NotARegistryError(
            f"there is no {DEFAULT} here; name a registry with --registry or SCIONREG_REGISTRY, or "
            f"make one with: scionreg new {DEFAULT}"
        )
    with open_registry(where or DEFAULT) as registry:
        yield registry


def recorder(registry: "Registry", by: str) -> str:
    """Return who records: as given, else the setting, else whoever is asked at the terminal."""
    known = by or registry.settings.by
    if known:
        return known
    if console.is_terminal():
        return console.ask("Who records this (code of the person)")
    raise NoRecorderError(
        "who records this? give --by CODE, set SCIONREG_BY, or: scionreg settings --set by=CODE"
    )


def named(where: str) -> str:
    """Return the registry's name for messages, without a password."""
    from scionreg.registry.store import parse_url

    if "://" in where:
        return parse_url(where).render_as_string(hide_password=True)
    return os.fspath(where or DEFAULT)
