"""Which tree each fix of a survey belongs to: by the name it was given, else by where it lies.

A fix that only its place assigns to a tree tells nothing new of that tree, so it is proposed and
never recorded.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import numpy as np

from scionreg.geodesy.fixes import Fix, average, together
from scionreg.geodesy.ground import metres_apart
from scionreg.identity.where import Stand, where
from scionreg.records.starting_values import PlaceValues

if TYPE_CHECKING:
    import pandas as pd

FAR = 3.0
"""Standard deviations from the recorded place beyond which a named fix is doubted."""


class By(StrEnum):
    """What a fix is assigned to a tree by."""

    NAME = "its name"
    PLACE = "where it lies"
    NOTHING = "nothing"


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """A fix with the tree it is proposed for.

    `probability` is that of the tree by where the fix lies; None where the tree had no place.
    `doubt` says what speaks against it. `metres` are those to the recorded place, None where it is
    private or not known.
    """

    name: str
    latitude: float
    longitude: float
    accuracy_m: float | None
    tree: str | None
    cultivar: str | None
    by: By
    probability: float | None
    metres: float | None
    doubt: str | None

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return asdict(self) | {"by": self.by.value}


def propose(
    points: Sequence[tuple[str, Fix]],
    stands: Sequence[Stand],
    names: Mapping[str, tuple[str, str]],
    values: PlaceValues | None = None,
) -> tuple[Proposal, ...]:
    """Return which tree each fix belongs to.

    Parameters
    ----------
    points : names as given, and fixes.
    stands : every tree that has a place.
    names : tree and cultivar by every name that means one tree (`spelled`).
    """
    known = {each.tree: each for each in stands}
    return tuple(_propose(name, fix, stands, known, names, values) for name, fix in points)


def spelled(name: str) -> str:
    """Return a name as names are compared: ``pb 1 / 03`` is ``PB-1-3``."""
    parts = "".join(sign if sign.isalnum() else " " for sign in name).split()
    return "-".join(part.lstrip("0") or "0" for part in parts).casefold()


def _propose(
    name: str,
    fix: Fix,
    stands: Sequence[Stand],
    known: Mapping[str, Stand],
    names: Mapping[str, tuple[str, str]],
    values: PlaceValues | None,
) -> Proposal:
    found = where(fix, stands, values)
    likeliest = found.trees[0] if found.trees else None
    by, tree, cultivar = By.NOTHING, None, None
    if spelled(name) in names:
        by, (tree, cultivar) = By.NAME, names[spelled(name)]
    elif likeliest is not None and likeliest.probability > found.none_of_these:
        by, tree, cultivar = By.PLACE, likeliest.tree, likeliest.cultivar
    stand = known.get(tree) if tree else None
    chances = {each.tree: each.probability for each in found.trees}
    metres = _metres(fix, stand) if stand else None
    doubt = None
    if by is By.NAME and stand is not None and metres is not None:
        spread = float(together(_number(fix.accuracy_m), _number(stand.place.accuracy_m)))
        if metres > FAR * spread:
            beside = f", beside {likeliest.tree}" if likeliest and likeliest.tree != tree else ""
            far = "far" if stand.private else f"{metres:.0f} m"
            doubt = f"{far} off the place recorded for {tree}{beside}"
    elif by is By.PLACE and found.mixed:
        doubt = "another cultivar is possible there"
    return Proposal(
        name=name,
        **fix._asdict(),
        tree=tree,
        cultivar=cultivar,
        by=by,
        probability=chances.get(tree or "", 0.0) if stand else None,
        metres=None if metres is None or (stand and stand.private) else round(metres, 2),
        doubt=doubt,
    )


def _metres(fix: Fix, stand: Stand) -> float:
    return float(metres_apart(*fix[:2], *stand.place[:2]))


def _number(accuracy_m: float | None) -> float:
    return float("nan") if accuracy_m is None else accuracy_m


def averaged(proposals: Sequence[Proposal]) -> dict[str, Fix]:
    """Return the mean fix of each tree that undoubted fixes name, with its accuracy."""
    kept = [each for each in proposals if each.by is By.NAME and not each.doubt and each.tree]
    trees = list(dict.fromkeys(each.tree for each in kept if each.tree))
    if not trees:
        return {}
    found = average(
        [each.latitude for each in kept],
        [each.longitude for each in kept],
        np.array([_number(each.accuracy_m) for each in kept]),
        of=[trees.index(each.tree or "") for each in kept],
        places=len(trees),
    )
    return {tree: Fix(*(float(values[i]) for values in found[:3])) for i, tree in enumerate(trees)}


def to_frame(proposals: Sequence[Proposal]) -> "pd.DataFrame":
    """Return proposals as a table."""
    import pandas as pd

    return pd.DataFrame(
        [each.to_dict() for each in proposals], columns=list(Proposal.__dataclass_fields__)
    )
