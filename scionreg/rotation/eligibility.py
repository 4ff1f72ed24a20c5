"""Whether a mother tree may be a source of wood in a season, and why not."""

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass

from scionreg.records.starting_values import RotationValues
from scionreg.records.vocabulary import IdentityStatus, Rights, TreeKind, TreeStatus
from scionreg.rotation.pressure import CutStatus

CLAIMED = (Rights.PATENT, Rights.PVR, Rights.PENDING)
NO_SOURCE = {
    IdentityStatus.WRONG: "it is not what it is named",
    IdentityStatus.DOUBTFUL: "its identity is in doubt",
    IdentityStatus.DEAD: "it is dead",
    IdentityStatus.RETIRED: "it is retired as a source",
}
DOUBTS = (IdentityStatus.WRONG, IdentityStatus.DOUBTFUL)
"""States that need their reasons told; the others are plain."""
DAYS_A_MONTH = 30.436875


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """What decides whether a tree may be cut at all.

    `stopped` are holds and notices in force, as sentences. `identity` is its status, with
    `reasons`.
    """

    tree: str
    cultivar: str
    kind: str
    planted: dt.date | None
    recorded: str | None
    identity: IdentityStatus
    reasons: tuple[str, ...] = ()
    stopped: tuple[str, ...] = ()
    rights: str | None = None
    rights_until: dt.date | None = None
    licence: str | None = None


def why_not(
    tree: Candidate, rest: CutStatus, ahead: int, opens: dt.date, values: RotationValues
) -> tuple[str, ...]:
    """Return why a tree may not be cut in a season; nothing where it may.

    Parameters
    ----------
    rest : its status for the first planned season.
    ahead : seasons from that to the one asked about.
    opens : the day that season opens.
    """
    return tuple(_why_not(tree, rest, ahead, opens, values))


def _why_not(
    tree: Candidate, rest: CutStatus, ahead: int, opens: dt.date, values: RotationValues
) -> Iterator[str]:
    if tree.identity in NO_SOURCE:
        told = f" ({'; '.join(tree.reasons)})" if tree.reasons and tree.identity in DOUBTS else ""
        yield NO_SOURCE[tree.identity] + told
    yield from (each for each in tree.stopped if each not in tree.reasons)
    if tree.recorded == TreeStatus.RESTING and ahead == 0:
        yield "it is recorded as resting"
    for state in (TreeStatus.RETIRED, TreeStatus.DEAD):
        if tree.recorded == state and tree.identity.value != state.value:
            yield f"it is recorded as {state.value}"
    if tree.kind == TreeKind.INCREASE:
        yield from _too_old(tree, opens, values)
    if rest.until is not None and rest.season + ahead < rest.until:
        yield f"it rests until season {rest.until}: {'; '.join(rest.why)}"
    if licence_lacks(tree, opens):
        yield (
            f"a right to {tree.cultivar} is claimed ({tree.rights}) and no licence is recorded; "
            "ask the right holder"
        )


def _too_old(tree: Candidate, opens: dt.date, values: RotationValues) -> Iterator[str]:
    most = values.increase_months
    if tree.planted is None:
        yield f"when it was planted is not recorded, and an increase tree is used {most:g} months"
        return
    months = (opens - tree.planted).days / DAYS_A_MONTH
    if months > most:
        yield f"it will be {months:.0f} months old; an increase tree is used {most:g} months"


def licence_lacks(tree: Candidate, opens: dt.date) -> bool:
    """Tell whether a right is claimed on a day, and no licence recorded."""
    ended = tree.rights_until is not None and tree.rights_until < opens
    return tree.rights in CLAIMED and not tree.licence and not ended


def rights_caution(tree: Candidate) -> str | None:
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
