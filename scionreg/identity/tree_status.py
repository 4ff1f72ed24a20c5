"""What is known of a mother tree's identity on a day: the rung its evidence reaches, and doubts."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field
from math import comb
from typing import Any

from scionreg.identity.tree_evidence import (
    BREAKS,
    Evidence,
    Sampled,
    broke,
    ended_by,
    evidence_of,
    limb_name,
    limbs_of,
)
from scionreg.lineage.phrases import in_brackets
from scionreg.lineage.stops import in_force
from scionreg.lineage.tree_books import TreeBook, WoodCheck
from scionreg.records.starting_values import IdentityValues, StatusValues
from scionreg.records.vocabulary import (
    STRENGTH,
    CheckMethod,
    Found,
    IdentityStatus,
    TreeEventKind,
    TreeStatus,
)
from scionreg.records.words import Sentence, joined

RUNGS: dict[str, IdentityStatus] = {
    CheckMethod.BUD: IdentityStatus.FIELD_CHECKED,
    CheckMethod.LEAF: IdentityStatus.FIELD_CHECKED,
    CheckMethod.FRUIT: IdentityStatus.FRUIT_CHECKED,
    CheckMethod.DNA: IdentityStatus.FINGERPRINT_AGREES,
}
SIDE = (
    IdentityStatus.WRONG,
    IdentityStatus.DEAD,
    IdentityStatus.RETIRED,
    IdentityStatus.DOUBTFUL,
)
"""States that are shown in place of the rung, the gravest first."""


@dataclass(frozen=True, slots=True)
class Weights:
    """How long looks hold, and how far methods can be trusted."""

    status: StatusValues = field(default_factory=StatusValues)
    identity: IdentityValues = field(default_factory=IdentityValues)


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeIdentity:
    """The status of a tree, or one of its limbs, on a day.

    `rung` is what its evidence reaches whatever speaks against it; `status` is that, or a side
    state. `date` is the day of the look that gives the rung, `until` when it runs out. `reasons`
    are sentences. `limbs` are those that records name.
    """

    tree: str
    limb: str | None
    cultivar: str
    on: dt.date
    status: IdentityStatus
    rung: IdentityStatus
    date: dt.date | None
    until: dt.date | None
    reasons: tuple[str, ...]
    alike: tuple[str, ...]
    evidence: tuple[Evidence, ...]
    limbs: tuple["TreeIdentity", ...] = ()
    against: tuple[tuple[IdentityStatus, str], ...] = ()
    """The side states that hold, each with a reason; holds apart, which are no finding."""

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "tree": self.tree,
            "limb": self.limb,
            "cultivar": self.cultivar,
            "on": self.on.isoformat(),
            "status": self.status.value,
            "rung": self.rung.value,
            "date": iso(self.date),
            "until": iso(self.until),
            "reasons": list(self.reasons),
            "cannot_tell_from": list(self.alike),
            "evidence": [each.to_dict() for each in self.evidence],
            "limbs": [each.to_dict() for each in self.limbs],
        }

    def to_row(self) -> dict[str, Any]:
        """Return a flat dictionary, for CSV."""
        return {
            "tree": self.tree,
            "limb": self.limb,
            "cultivar": self.cultivar,
            "status": self.status.value,
            "rung": self.rung.value,
            "date": iso(self.date),
            "until": iso(self.until),
            "reasons": "; ".join(self.reasons),
        }


def iso(day: dt.date | None) -> str | None:
    """Return a day as ISO text."""
    return day.isoformat() if day else None


def identity_of(
    book: TreeBook,
    on: dt.date,
    *,
    now: bool = True,
    limb: str | None = None,
    samples: Sequence[Sampled] = (),
    alike: Sequence[str] = (),
    weights: Weights | None = None,
) -> TreeIdentity:
    """Return the status of a mother tree, or of one limb, on a day.

    Parameters
    ----------
    now : what has no day counts too: the tree's own status, its marker profiles.
    samples : what marker profiles of the tree showed.
    alike : the cultivars that markers do not tell from the one it is taken for.
    """
    weights = weights or Weights()
    dateless = tuple(samples) if now and limb is None else ()
    evidence = evidence_of(book, on, weights.status, limb, dateless)
    standing = [each for each in evidence if each.stands and each.agrees]
    found = _against(book, on, limb, evidence, weights, now=now)
    holds = _in_force(book, TreeEventKind.HOLD, on, limb)
    against = {**found}
    if holds:
        against[IdentityStatus.DOUBTFUL] = [*holds, *found.get(IdentityStatus.DOUBTFUL, ())]
    best = max(standing, key=lambda each: (each.strength, each.date or dt.date.min), default=None)
    notices = _in_force(book, TreeEventKind.NOTICE, on, limb)
    ended = ended_by(book, book.planted, on, limb, new_plant_only=True)
    origin = book.origin if ended is None else None
    rung, date, until, reason = _rung(origin, best, standing, cleared=not (notices or against))
    status = min(against, key=SIDE.index) if against else rung
    # The gravest first.
    told = [says for state in SIDE for says in against.get(state, ())]
    limbs = limbs_of(book) if limb is None else []
    return TreeIdentity(
        tree=book.tree,
        limb=limb,
        cultivar=book.cultivar,
        on=on,
        status=status,
        rung=rung,
        date=date,
        until=until,
        reasons=tuple(dict.fromkeys((*told, reason, *notices, *_breaks(book, on, limb)))),
        alike=tuple(sorted(alike)),
        evidence=tuple(evidence),
        limbs=tuple(
            identity_of(book, on, now=now, limb=each, alike=alike, weights=weights)
            for each in limbs
        ),
        against=tuple((state, says) for state in SIDE for says in found.get(state, ())),
    )


def _breaks(book: TreeBook, on: dt.date, limb: str | None) -> list[Sentence]:
    """Return the events of a tree after which another plant, or another tag, was there."""
    return [
        broke(event, when=_on(event.date), detail=in_brackets(event.detail))
        for event in book.events
        if event.event in BREAKS
        and (limb is None or event.limb in (None, limb))
        and (event.date is None or event.date <= on)
    ]


def _rung(
    origin: str | None,
    best: Evidence | None,
    standing: Sequence[Evidence],
    *,
    cleared: bool,
) -> tuple[IdentityStatus, dt.date | None, dt.date | None, str]:
    """Return the rung, the day of the look that gives it, when it runs out, and why.

    `cleared`: nothing stops its use or speaks against it.
    """
    paper = next((each for each in standing if each.method == CheckMethod.PAPER), None)
    looks = [each for each in standing if each.method != CheckMethod.PAPER]
    if not looks or best is None:
        if origin is None and paper is None:
            return IdentityStatus.NAMED_ONLY, None, None, Sentence("tree.named_only")
        said = Sentence("tree.by", look=paper.told()) if paper is not None else str(origin)
        return IdentityStatus.ON_PAPER, paper.date if paper else None, None, said
    by_fruit = [each for each in looks if each.method == CheckMethod.FRUIT]
    rung = RUNGS[best.method]
    if best.method == CheckMethod.DNA and by_fruit:
        fruit = max(by_fruit, key=lambda each: each.until or dt.date.max)
        looked = joined([best.told(), fruit.told()], "joined.and")
        said = Sentence("tree.agrees", look=looked)
        if best.date and (origin or paper) and cleared:
            return IdentityStatus.CLEARED_AS_SOURCE, best.date, fruit.until, said
        return rung, best.date, None, said
    return rung, best.date, best.until, Sentence("tree.agrees", look=best.told())


# ------------------------------------------------------------------------ what speaks against it


def _in_force(book: TreeBook, kind: TreeEventKind, on: dt.date, limb: str | None) -> list[Sentence]:
    """Return the holds, or the notices, in force on a day, of a tree or of one limb too."""
    events = [
        event
        for event in book.events
        if event.event in (kind, TreeEventKind.RELEASED)
        and (event.date is None or event.date <= on)
    ]
    return [says for of, says, _ in in_force(events) if of in (None, limb)]


def _against(
    book: TreeBook,
    on: dt.date,
    limb: str | None,
    evidence: Sequence[Evidence],
    weights: Weights,
    *,
    now: bool,
) -> dict[IdentityStatus, list[str]]:
    """Return the side states that hold, with their reasons, but for holds."""
    found: dict[IdentityStatus, list[str]] = {}

    def say(state: IdentityStatus, reason: str) -> None:
        found.setdefault(state, []).append(reason)

    for each in evidence:
        if not each.agrees and each.stands:
            state = _said_by(each, evidence)
            if state is not None:
                say(state, _found_off(each))
    for reason in _gone(book, on, limb, now=now):
        say(IdentityStatus.DEAD, reason)
    if now and book.status == TreeStatus.RETIRED:
        say(IdentityStatus.RETIRED, Sentence("tree.retired"))
    for reason in _doubts_from_wood(book, on, limb, evidence, weights):
        say(IdentityStatus.DOUBTFUL, reason)
    return found


def _found_off(look: Evidence) -> Sentence:
    """Return what a look found a tree, or part of it, to be."""
    of = "part" if look.in_part else "it"
    if look.found == Found.UNKNOWN:
        return Sentence(f"tree.off.{of}", look=look.told())
    found = Found.spelled(look.found or "") or look.found
    return Sentence(f"tree.found.{of}", found=found, look=look.told())


def _said_by(off: Evidence, evidence: Sequence[Evidence]) -> IdentityStatus | None:
    """Return what a look that found a tree off makes of it, None where it has been answered.

    A later look of at least its strength that agrees answers it. The fruit or a profile make the
    tree wrong, unless only part of it was off, it is a bud mutation, or a stronger look agrees.
    """
    agreeing = [each for each in evidence if each.agrees and each.stands and each is not off]
    for each in agreeing:
        dated = each.date is not None and off.date is not None
        if dated and each.date > off.date and each.strength >= off.strength:  # type: ignore[operator]
            return None
    stronger = any(each.strength > off.strength for each in agreeing)
    undated = off.date is None and any(each.strength >= off.strength for each in agreeing)
    proof = off.strength >= STRENGTH[CheckMethod.FRUIT]
    if proof and not (stronger or undated or off.in_part or off.found == Found.SPORT):
        return IdentityStatus.WRONG
    return IdentityStatus.DOUBTFUL


def _gone(book: TreeBook, on: dt.date, limb: str | None, *, now: bool) -> list[Sentence]:
    reasons = []
    for event in book.events:
        past = event.date is None or event.date <= on
        if past and event.event == TreeEventKind.DIED and event.limb in (None, limb):
            later = [
                each
                for each in book.events
                if each.event == TreeEventKind.REPLANTED
                and (each.date or dt.date.min) >= (event.date or dt.date.min)
            ]
            replanted = book.planted is not None and event.date and book.planted >= event.date
            if not later and not replanted:
                reasons.append(Sentence("tree.died", when=_on(event.date)))
        elif past and event.event == TreeEventKind.LIMB_REMOVED and limb and event.limb == limb:
            when = _on(event.date)
            reasons.append(Sentence("tree.removed", limb=limb_name(limb), when=when))
    if now and book.status == TreeStatus.DEAD and not reasons:
        reasons.append(Sentence("tree.dead"))
    return reasons


def _on(day: dt.date | None) -> Sentence:
    return Sentence("tree.on", day=day) if day else Sentence("tree.on_no_day")


def _doubts_from_wood(
    book: TreeBook, on: dt.date, limb: str | None, evidence: Sequence[Evidence], weights: Weights
) -> list[Sentence]:
    """Return off-types in what was made of its wood alone, which nothing has answered since.

    A rootstock that grew says nothing of the tree, nor do trees sent whose lot was true in the row,
    nor as many as false alarms may explain. A later fruit or profile of the tree that agrees
    answers it, as does a release from hold.
    """
    limb_of = {cut.collection: cut.limb for cut in book.cuts}
    answers = [
        each.date
        for each in evidence
        if each.agrees
        and each.stands
        and each.date
        and each.strength >= STRENGTH[CheckMethod.FRUIT]
    ]
    answers += [
        event.date
        for event in book.events
        if event.event == TreeEventKind.RELEASED
        and event.date
        and event.date <= on
        and event.limb in (None, limb)
    ]
    return [
        Sentence(
            "tree.wood_off",
            off=wood.check.off,
            checked=wood.check.checked,
            item=wood.check.item,
            check=wood.check.check,
            of=Sentence("tree.of", day=wood.check.date) if wood.check.date else "",
        )
        for wood in book.wood
        if _is_doubt(book, wood, on, weights)
        and any(limb is None or limb_of.get(each) in (None, limb) for each in wood.collections)
        and not any(wood.check.date and answer >= wood.check.date for answer in answers)
    ]


def _is_doubt(book: TreeBook, wood: WoodCheck, on: dt.date, weights: Weights) -> bool:
    check = wood.check
    if not check.off or wood.true_before or (check.date is not None and check.date > on):
        return False
    if check.found in (Found.ROOTSTOCK, book.cultivar):
        return False
    return is_beyond_chance(check.method, check.checked, check.off, weights)


def is_beyond_chance(method: str, checked: int, off: int, weights: Weights) -> bool:
    """Tell whether more were off than false alarms of a method make."""
    false_alarm = weights.identity.false_alarm(method)
    fewer = sum(
        comb(checked, each) * false_alarm**each * (1 - false_alarm) ** (checked - each)
        for each in range(off)
    )
    return 1 - fewer < weights.status.chance_of_false_alarm
