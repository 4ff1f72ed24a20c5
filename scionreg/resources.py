"""Finding the folders that ship with the package: the demo registry and what the maps look like."""

from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from scionreg.records.errors import RegistryError


def resource(name: str) -> Traversable:
    """Return a shipped folder, ``demo_registry`` or ``maps``.

    In a checkout it is the folder beside the package, so that an edit is seen at once; in an
    installed package it is the copy inside.

    Raises
    ------
    RegistryError
        It is in neither place.
    """
    checkout = Path(__file__).parent.parent
    if (checkout / "pyproject.toml").is_file() and (checkout / name).is_dir():
        return checkout / name
    installed = files("scionreg") / "_data" / name
    if installed.is_dir():
        return installed
    raise RegistryError(
        f"{name} is neither in {checkout} nor in {installed}; install scionreg anew"
    )
