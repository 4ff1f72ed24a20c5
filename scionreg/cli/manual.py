"""The manual page of every command, from what its --help says."""

from collections.abc import Iterator

from scionreg.cli.app import ADDING, app

WIDTH = "90"


def manual() -> Iterator[tuple[str, str]]:
    """Yield every command's name and its help."""
    names = [str(command.name) for command in app.registered_commands]
    for name in ("", *names, "add", *(f"add {name}" for name in ADDING)):
        yield f"scionreg {name}".strip(), _help_of(name.split())


def _help_of(words: list[str]) -> str:
    from typer.testing import CliRunner

    environment = {"COLUMNS": WIDTH, "TERMINAL_WIDTH": WIDTH}
    said = CliRunner().invoke(app, [*words, "--help"], prog_name="scionreg", env=environment)
    return said.stdout.rstrip()
