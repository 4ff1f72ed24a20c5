"""The command line: parses, calls, shows. Nothing heavy is imported until a command runs."""

import sys

from scionreg.cli import console
from scionreg.records.errors import RegistryError


def main() -> None:
    """Run the command line; refusals are one message and exit 1, never a traceback."""
    from scionreg.cli.app import app

    try:
        with console.lacking_told():
            app(prog_name="scionreg")
    except RegistryError as refusal:
        console.talk(f"refused: {refusal}")
        sys.exit(1)
    except BrokenPipeError:
        console.abandon_output()
        sys.exit(1)
