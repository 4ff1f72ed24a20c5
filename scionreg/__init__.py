"""A registry of mother trees and of every stick cut from them.

>>> from scionreg import open_registry  # doctest: +SKIP
>>> with open_registry("registry.db") as registry:
...     print(registry.trace("G26-0001-7").grade)
"""

import os
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from scionreg.api import Registry

__version__ = "0.1.0"
__all__ = ["__version__", "new_registry", "open_registry"]


def open_registry(where: str | os.PathLike[str]) -> "Registry":
    """Open the registry at a path, or in the PostgreSQL database of a URL."""
    from scionreg.api import Registry

    return Registry.open(where)


def new_registry(where: str | os.PathLike[str], **settings: str) -> "Registry":
    """Make an empty registry at a path or in an empty PostgreSQL database, and open it."""
    from scionreg.api import Registry

    return Registry.new(where, **settings)
