"""Whether a mother tree may be a source of wood in a season, and why not."""

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

from scionreg.records.starting_values import RotationValues
from scionreg.records.vocabulary import IdentityStatus, Rights, TreeKind, TreeStatus
from scionreg.records.words import Sentence, joined
from scionreg.rotation.pressure import CutStatus
from scionreg.rotation.supply import Bar

CLAIMED = (Rights.PATENT, Rights.PVR, Rights.PENDING)
NO_SOURCE = (
    IdentityStatus.WRONG,
    IdentityStatus.DOUBTFUL,
    IdentityStatus.DEAD,
    IdentityStatus.RETIRED,
)
DOUBTS = (IdentityStatus.WRONG, IdentityStatus.DOUBTFUL)
"""States that need their reasons told; the others are plain."""
DAYS_A_MONTH = 30.436875


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """What decides whether a tree may be cut at all.

    `stopped` are holds and notices in force, as sentences. `identity` is its status, with
    `reasons`. `from_increase` is the temporary source of buds that it was grown from, if any.
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
    from_increase: str | None = None


def bars(
    tree: Candidate, rest: CutStatus, ahead: int, opens: dt.date, values: RotationValues
) -> tuple[tuple[Bar, str], ...]:
    """Return why a tree may not be cut in a season, with the kind of reason; nothing where it may.

    Parameters
    ----------
    rest : its status for the first planned season.
    ahead : seasons from that to the one asked about.
    opens : the day that season opens.
    """
    return tuple(_bars(tree, rest, ahead, opens, values))


def _bars(
    tree: Candidate, rest: CutStatus, ahead: int, opens: dt.date, values: RotationValues
) -> Iterator[tuple[Bar, str]]:
    if tree.identity in NO_SOURCE:
        doubted = tree.identity in DOUBTS
        says = Sentence(f"bar.identity.{tree.identity.value}")
        if tree.reasons and doubted:
            reasons = joined(tree.reasons, "joined.semicolon")
            says = Sentence("bar.because", says=says, reasons=reasons)
        yield Bar.IDENTITY if doubted else Bar.GONE, says
    yield from ((Bar.STOPPED, each) for each in tree.stopped if each not in tree.reasons)
    if tree.recorded == TreeStatus.RESTING and ahead == 0:
        yield Bar.RESTING, Sentence("bar.recorded", status=TreeStatus.RESTING)
    for state in (TreeStatus.RETIRED, TreeStatus.DEAD):
        if tree.recorded == state and tree.identity.value != state.value:
            yield Bar.GONE, Sentence("bar.recorded", status=state)
    if tree.kind == TreeKind.INCREASE:
        yield from ((Bar.RANK, each) for each in _too_old(tree, opens, values))
    if tree.from_increase is not None:
        yield Bar.RANK, Sentence("bar.from_increase", tree=tree.from_increase)
    if rest.until is not None and rest.season + ahead < rest.until:
        why = joined(rest.why, "joined.semicolon")
        yield Bar.RESTING, Sentence("bar.rests", season=rest.until, why=why)
    if licence_lacks(tree, opens):
        right = Rights.spelled(tree.rights or "")
        yield Bar.LICENCE, Sentence("bar.licence", cultivar=tree.cultivar, right=right)


def _too_old(tree: Candidate, opens: dt.date, values: RotationValues) -> Iterator[str]:
    most = values.increase_months
    if tree.planted is None:
        yield Sentence("bar.age_unknown", most=f"{most:g}")
        return
    months = (opens - tree.planted).days / DAYS_A_MONTH
    if months > most:
        yield Sentence("bar.too_old", months=f"{months:.0f}", most=f"{most:g}")


def licence_lacks(tree: Candidate, opens: dt.date) -> bool:
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
