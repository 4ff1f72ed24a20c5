"""What the right that is claimed to a cultivar asks for before its wood is cut."""

import datetime as dt
from typing import Protocol

from scionreg.records.vocabulary import Rights

CLAIMED = (Rights.PATENT, Rights.PVR, Rights.PENDING)


class Right(Protocol):
    """Something of a cultivar, with the right that is claimed to it until a day."""

    @property
    def rights(self) -> str | None:
        """Return the kind of right."""

    @property
    def rights_until(self) -> dt.date | None:
        """Return the last day it is claimed for."""

    @property
    def licence(self) -> str | None:
        """Return the licence's number."""


def licence_lacks(tree: Right, opens: dt.date) -> bool:
    """Tell whether a right is claimed on a day, and no licence recorded."""
    ended = tree.rights_until is not None and tree.rights_until < opens
    return tree.rights in CLAIMED and not tree.licence and not ended


class Claim(Protocol):
    """Something of a cultivar, with the right that is claimed to it."""

    @property
    def cultivar(self) -> str:
        """Return the cultivar."""

    @property
    def rights(self) -> str | None:
        """Return the kind of right."""

    @property
    def licence(self) -> str | None:
        """Return the licence's number."""


def rights_caution(tree: Claim) -> str | None:
    """Return what to ask the right holder, None where no right is known to be claimed."""
    if tree.rights in CLAIMED:
        held = f"licence {tree.licence} is recorded" if tree.licence else "no licence is recorded"
        return (
            f"a right to {tree.cultivar} is claimed ({tree.rights}); {held}; what it allows is for "
            "the right holder to say"
        )
    if tree.rights != Rights.NONE:
        return f"nobody has recorded whether a right to {tree.cultivar} is claimed; look before"
    return None
