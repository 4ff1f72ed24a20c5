"""The command line: parses, calls, shows. Nothing heavy is imported until a command runs."""

import errno
import os
import sys

from scionreg.cli import console
from scionreg.records.errors import RegistryError


def main() -> None:
    """Run the command line; refusals are one message and exit 1, never a traceback."""
    from scionreg.cli.app import app

    console.prepare()
    try:
        try:
            with console.lacking_told():
                app(prog_name="scionreg")
        finally:
            console.finish()
    except RegistryError as refusal:
        console.talk(f"refused: {refusal}")
        sys.exit(1)
    except OSError as fault:
        console.abandon_output()
        if not _reader_left(fault):
            where = fault.filename or "the output"
            console.talk(f"refused: {where} could not be used: {fault.strerror or fault}")
        sys.exit(1)


def _reader_left(fault: OSError) -> bool:
    """Tell whether whoever read the output has gone; Windows calls that an invalid argument."""
    return isinstance(fault, BrokenPipeError) or (os.name == "nt" and fault.errno == errno.EINVAL)
