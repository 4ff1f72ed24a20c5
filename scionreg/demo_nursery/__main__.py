"""``python -m scionreg.demo_nursery FOLDER`` writes the invented nursery's season folder."""

import argparse
from pathlib import Path

from scionreg.demo_nursery.simulation import SEED, invent
from scionreg.demo_nursery.writing import write_folder


def main() -> None:
    """Write the folder named on the command line."""
    parser = argparse.ArgumentParser(prog="python -m scionreg.demo_nursery", description=__doc__)
    parser.add_argument("folder", type=Path, help="where to write; made if it is not there")
    parser.add_argument("--seed", type=int, default=SEED, help="another seed, another nursery")
    arguments = parser.parse_args()
    write_folder(invent(arguments.seed), arguments.folder)


if __name__ == "__main__":
    main()
