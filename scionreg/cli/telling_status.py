"""How well mother trees' identity is known, as text: a table of trees, or one tree in full."""

import datetime as dt
from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, Any

from scionreg.cli import console
from scionreg.records.errors import RegistryError
from scionreg.records.vocabulary import IdentityStatus

if TYPE_CHECKING:
    from scionreg.identity.tree_status import TreeIdentity
    from scionreg.identity.when_cut import WhenCut
    from scionreg.vouching import Ended, RunsOut, Statuses

COLUMNS = {
    "tree": "tree",
    "cultivar": "cultivar",
    "status": "status",
    "date": "looked at",
    "until": "holds until",
    "why": "why",
}
VERIFIED = {True: "yes", False: "no", None: "not known"}


VOIDED, LAPSED, DUE = "voided", "lapsed", "due"
"""What `--only` takes beside the statuses."""


def kept(found: "Statuses", only: str, until: dt.date) -> "Statuses":
    """Return the trees of one status, or of what is in `VOIDED`, `LAPSED` and `DUE` until a day.

    Raises `RegistryError` for a word that is none of them.
    """
    if not only:
        return found
    told: dict[str, Callable[[], Iterable[Any]]] = {
        VOIDED: found.voided,
        LAPSED: found.lapsed,
        DUE: lambda: found.due(until),
    }
    if only in told:
        return found.kept({each.tree for each in told[only]()})
    wanted = IdentityStatus.spelled(only)
    if wanted is None:
        words = ", ".join((*IdentityStatus, *told))
        raise RegistryError(f"'{only}' is no status; the statuses are {words}")
    return found.kept({each.tree for each in found.trees if each.status is wanted})


def tell_ended(ended: "Sequence[Ended]") -> None:
    """Show looks that no longer stand, with what ended each."""
    if not ended:
        console.talk("no such look")
        return
    console.table(
        [{**each._asdict(), "ended": str(each.ended)} for each in ended],
        {
            "tree": "tree",
            "limb": "limb",
            "cultivar": "cultivar",
            "check": "look",
            "method": "by",
            "date": "of",
            "ended": "no longer stands",
        },
    )


def tell_due(due: "Sequence[RunsOut]", today: dt.date, until: dt.date) -> None:
    """Show what runs out until a day, the first first."""
    console.talk(f"{len(due) or 'nothing'} running out until {until}")
    if due:
        console.table(
            [{**each._asdict(), "days": (each.day - today).days} for each in due],
            {
                "day": "until",
                "days": "days left",
                "tree": "tree",
                "cultivar": "cultivar",
                "what": "what",
            },
        )


def words(status: IdentityStatus) -> str:
    """Return a status as it is spoken of."""
    said = {IdentityStatus.DOUBTFUL: "doubtful - hold", IdentityStatus.WRONG: "wrong - see finding"}
    return said.get(status, status.value.replace("_", " "))


def tell_statuses(
    found: "Statuses", *, in_full: bool, due: "Sequence[RunsOut]" = (), until: dt.date
) -> None:
    """Show trees as a table with their number by status, or those named in full."""
    if in_full:
        for tree in found.trees:
            _tell_tree(tree)
        _tell_collections(found.collections)
    elif found.trees:
        console.table([_row(tree) for tree in found.trees], COLUMNS)
        numbers = (f"{n} {words(each)}" for each, n in found.statuses().items())
        _say(f"{len(found.trees)} trees: {', '.join(numbers)}")
        voided = {each.tree for each in found.voided()}
        counts = {VOIDED: len(voided), LAPSED: len(found.lapsed()), DUE: len(due)}
        said = (f"{number} {name} (--only {name})" for name, number in counts.items() if number)
        if any(counts.values()):
            console.talk(f"looks: {', '.join(said)}; due is what runs out until {until}")
    else:
        console.talk("no such tree")
    console.talk(
        "by the nursery's own records; a look holds as long as scionreg settings status says, and "
        "identity is for the laboratory to confirm"
    )


def _row(tree: "TreeIdentity") -> dict[str, object]:
    return {
        "tree": tree.tree,
        "cultivar": tree.cultivar,
        "status": words(tree.status),
        "date": tree.date,
        "until": tree.until,
        "why": tree.reasons[0],
    }


def _tell_tree(tree: "TreeIdentity", indent: str = "") -> None:
    who = f"{tree.tree}, {tree.cultivar}" if tree.limb is None else tree.limb
    until = f", until {tree.until}" if tree.until and tree.status == tree.rung else ""
    _say(f"{indent}{who}: {words(tree.status)}{until}")
    for reason in tree.reasons:
        _say(f"{indent}  {reason[0].upper()}{reason[1:]}.")
    if tree.alike and tree.rung in (
        IdentityStatus.FINGERPRINT_AGREES,
        IdentityStatus.CLEARED_AS_SOURCE,
    ):
        _say(f"{indent}  No marker tells it from {', '.join(tree.alike)}.")
    for each in tree.evidence:
        said = "agrees" if each.agrees else f"found {each.found}"
        stands = "stands" if each.stands else f"no longer stands: {each.ended}"
        until = f" until {each.until}" if each.stands and each.until else ""
        _say(f"{indent}  {each.told()}: {said}; {stands}{until}")
    for limb in tree.limbs:
        _tell_tree(limb, indent + "  ")


def _tell_collections(collections: "tuple[WhenCut, ...]") -> None:
    if not collections:
        return
    console.data("")
    console.table(
        [
            {
                "collection": each.collection,
                "tree": each.tree,
                "limb": each.limb,
                "cut": each.date,
                "sticks": each.sticks,
                "then": words(each.status) if each.status else None,
                "verified": VERIFIED[each.verified],
            }
            for each in collections
        ],
        {
            "collection": "collection",
            "tree": "tree",
            "limb": "limb",
            "cut": "cut",
            "sticks": "sticks",
            "then": "status when cut",
            "verified": "verified when cut",
        },
    )
    for each in collections:
        if each.since:
            _say(f"found since {each.collection} was cut:")
        for line in each.since:
            _say(f"  {line}")


def _say(text: str) -> None:
    console.data(console.one_line(text))
