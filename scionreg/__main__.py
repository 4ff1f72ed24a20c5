"""``python -m scionreg``."""

from scionreg.cli import main

main()
