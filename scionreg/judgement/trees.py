"""Whether wood may be cut of a mother tree, or of one of its limbs, on a day."""

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass, field

from scionreg.identity.tree_evidence import NEW_PLANT, Sampled, broke, months_after
from scionreg.identity.tree_status import TreeIdentity, Weights, identity_of
from scionreg.lineage.judged_books import Ground, Permit, Right
from scionreg.lineage.phrases import in_brackets
from scionreg.lineage.reasons import Reason, barred, doubted, noted
from scionreg.lineage.stops import in_force
from scionreg.lineage.tree_books import TreeBook, planted_on
from scionreg.records.starting_values import RotationValues
from scionreg.records.vocabulary import (
    Against,
    IdentityStatus,
    Rights,
    TreeEventKind,
    TreeKind,
    TreeStatus,
)
from scionreg.records.words import Sentence, joined
from scionreg.rotation.eligibility import licence_lacks, rights_caution
from scionreg.rotation.pressure import CutStatus

SIDES = {
    IdentityStatus.WRONG: Against.WRONG,
    IdentityStatus.DOUBTFUL: Against.DOUBTFUL,
    IdentityStatus.DEAD: Against.DEAD,
    IdentityStatus.RETIRED: Against.RETIRED,
}
NEW: dict[str, Against] = {
    TreeEventKind.TOPWORKED: Against.TOPWORKED,
    TreeEventKind.REGREW: Against.REGROWN,
    TreeEventKind.REPLANTED: Against.REPLANTED,
    TreeEventKind.RETAGGED: Against.RETAGGED,
}
"""Events after which it is not known to be what it was, with what is then known against it."""
NO_SOURCE_AFTER = (Against.TOPWORKED, Against.REGROWN)
"""Those after which it is known not to be: a whole tree is no source until somebody looked."""
ENDS_SOON = dt.timedelta(days=365)


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeFacts:
    """What judging one mother tree goes by.

    `renamed` is the day that its name was corrected last; `from_increase` the temporary source that
    it was grown from; `rest` what its cuts make of it.
    """

    book: TreeBook
    right: Right | None = None
    permits: tuple[Permit, ...] = ()
    ground: Ground | None = None
    renamed: dt.date | None = None
    from_increase: str | None = None
    rest: CutStatus | None = None
    samples: tuple[Sampled, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """The day that is asked about, the season it is in, and what is judged by.

    `until` is the last day of the time asked about, where that is a season and no day. `now`: what
    has no day counts too, such as the tree's own status and its marker profiles; that it is
    recorded as resting counts in the season `now_is`.
    """

    on: dt.date
    season: int
    until: dt.date | None = None
    now: bool = True
    now_is: int | None = None
    limb: str | None = None
    weights: Weights | None = None
    values: RotationValues = field(default_factory=RotationValues)


def identity_on(facts: TreeFacts, asked: Asked) -> TreeIdentity:
    """Return what is known of a tree's identity on a day."""
    return identity_of(
        facts.book,
        asked.on,
        now=asked.now,
        limb=asked.limb,
        samples=facts.samples,
        weights=asked.weights,
    )


def tree_reasons(facts: TreeFacts, asked: Asked) -> Iterator[Reason]:
    """Yield what is known against cutting a tree, in any order."""
    identity = identity_on(facts, asked)
    yield from _stops(facts.book, asked)
    yield from _identity(facts, identity, asked)
    yield from _status(facts, asked)
    if facts.book.kind == TreeKind.INCREASE:
        yield from _age(facts, asked)
    if facts.from_increase is not None:
        says = Sentence("bar.from_increase", tree=facts.from_increase)
        yield barred(Against.FROM_INCREASE, says, facts.book.tree)
    yield from rights_reasons(facts.book.cultivar, facts.right, asked.on)
    yield from _permission(facts, asked)


# ---------------------------------------------------------------------------- holds and identity


def _stops(book: TreeBook, asked: Asked) -> Iterator[Reason]:
    """Yield the holds and notices in force; those on another limb are notes."""
    known = [each for each in book.events if each.date is None or each.date <= asked.on]
    for kind, code in ((TreeEventKind.HOLD, Against.HOLD), (TreeEventKind.NOTICE, Against.NOTICE)):
        events = [each for each in known if each.event in (kind, TreeEventKind.RELEASED)]
        for limb, says, since in in_force(events):
            if limb is None or limb == asked.limb:
                yield barred(code, says, book.tree, limb=limb, since=since)
            elif asked.limb is None:
                yield doubted(Against.LIMB, says, book.tree, limb=limb, since=since)


def _identity(facts: TreeFacts, identity: TreeIdentity, asked: Asked) -> Iterator[Reason]:
    book = facts.book
    told: dict[IdentityStatus, list[str]] = {}
    for state, says in identity.against:
        told.setdefault(state, []).append(says)
    for state, reasons in told.items():
        says = Sentence(f"bar.identity.{state.value}")
        if state in (IdentityStatus.WRONG, IdentityStatus.DOUBTFUL):
            because = joined(reasons, "joined.semicolon")
            says = Sentence("bar.because", says=says, reasons=because)
        yield barred(SIDES[state], says, book.tree)
    yield from _new_plants(facts, identity, asked)
    if identity.rung is IdentityStatus.NAMED_ONLY and not told:
        yield noted(Against.NAMED_ONLY, Sentence("tree.named_only"), book.tree)


def _new_plants(facts: TreeFacts, identity: TreeIdentity, asked: Asked) -> Iterator[Reason]:
    """Yield the events after which nobody looked at what stands or grows there, nor renamed it."""
    book = facts.book
    looked = [e.date for e in identity.evidence if e.agrees and e.stands and e.date]
    for event in book.events:
        code = NEW.get(event.event)
        if code is None or (event.date is not None and event.date > asked.on):
            continue
        when = Sentence("tree.on", day=event.date) if event.date else Sentence("tree.on_no_day")
        says = broke(event, when=when, detail=in_brackets(event.detail))
        days = {"since": event.date, "limb": event.limb}
        if event.limb is not None and event.limb != asked.limb:
            # A look at the tree tells nothing of a limb that is another cultivar.
            if event.event in NEW_PLANT and asked.limb is None:
                yield doubted(Against.LIMB, says, book.tree, **days)
            continue
        since = event.date or dt.date.min
        if any(day > since for day in looked):
            continue
        if facts.renamed is not None and since <= facts.renamed <= asked.on:
            continue
        if code is Against.REPLANTED and book.planted is not None and book.planted >= since:
            continue  # the record is of the tree that was planted then
        if code is Against.TOPWORKED and book.cultivar in (event.detail or ""):
            continue  # it has the name of what it was grafted over to
        if code in NO_SOURCE_AFTER:
            yield barred(code, says, book.tree, **days)
        else:
            yield doubted(code, says, book.tree, **days)


# -------------------------------------------------------------------- status, rest, age and rights


def _status(facts: TreeFacts, asked: Asked) -> Iterator[Reason]:
    book = facts.book
    if asked.now and asked.season == asked.now_is and book.status == TreeStatus.RESTING:
        says = Sentence("bar.recorded", status=TreeStatus.RESTING)
        yield barred(Against.RESTING, says, book.tree)
    rest = facts.rest
    if rest is not None and rest.until is not None and asked.season < rest.until:
        why = joined(rest.why, "joined.semicolon")
        says = Sentence("bar.rests", season=rest.until, why=why)
        yield barred(Against.RESTS, says, book.tree)


def _age(facts: TreeFacts, asked: Asked) -> Iterator[Reason]:
    """Yield what the age of a temporary source makes of it; it is used to the day it reaches it."""
    most = round(asked.values.increase_months)
    planted = planted_on(facts.book, asked.on)
    if planted is None and facts.ground is not None and facts.ground.planted_in:
        planted = earliest(facts.ground.planted_in)
    tree = facts.book.tree
    if planted is None:
        yield barred(Against.AGE_UNKNOWN, Sentence("bar.age_unknown", most=f"{most}"), tree)
        return
    last = months_after(planted, most)
    if asked.on > last:
        says = Sentence("bar.too_old", last=last, most=f"{most}")
        yield barred(Against.TOO_OLD, says, tree, since=last + dt.timedelta(days=1))
    elif last - asked.on < ENDS_SOON:
        says = Sentence("bar.age_ends", last=last, most=f"{most}")
        yield doubted(Against.AGE_ENDS, says, tree, until=last)


def earliest(written: str) -> dt.date:
    """Return the first day that a year or month alone may mean."""
    year, _, month = written.partition("-")
    return dt.date(int(year), int(month or 1), 1)


def rights_reasons(cultivar: str, right: Right | None, on: dt.date) -> Iterator[Reason]:
    """Yield what the right to a cultivar asks for on a day; one that ended asks for nothing."""
    if right is None:
        return
    claim = _Claim(cultivar, right.rights, right.until, right.licence)
    if right.until is not None and right.until < on:
        return
    if licence_lacks(claim, on):
        claimed = Rights.spelled(right.rights or "")
        says = Sentence("bar.licence", cultivar=cultivar, right=claimed)
        yield barred(Against.LICENCE, says, cultivar)
        return
    caution = rights_caution(claim)
    if caution is not None:
        known = right.rights in (Rights.PATENT, Rights.PVR, Rights.PENDING)
        yield noted(Against.LICENSED if known else Against.RIGHTS_UNKNOWN, caution, cultivar)


@dataclass(frozen=True, slots=True)
class _Claim:
    cultivar: str
    rights: str | None
    rights_until: dt.date | None
    licence: str | None


def _permission(facts: TreeFacts, asked: Asked) -> Iterator[Reason]:
    """Yield what the owner's permissions say; a tree without any recorded needs none."""
    if not facts.permits:
        return
    tree = facts.book.tree
    last_day = asked.until or asked.on
    valid = [each for each in facts.permits if _holds(each, asked.on, last_day)]
    if not valid:
        hosts = ", ".join(dict.fromkeys(each.host for each in facts.permits))
        over = (each.until for each in facts.permits if each.until and each.until < asked.on)
        ended = max(over, default=None)
        when = Sentence("bar.permission_ended", day=ended) if ended else ""
        says = Sentence("bar.permission", host=hosts, when=when)
        since = ended + dt.timedelta(days=1) if ended else None
        yield barred(Against.PERMISSION, says, tree, since=since)
        return
    last = max(each.until or dt.date.max for each in valid)
    if last < dt.date.max and last - asked.on < ENDS_SOON:
        host = ", ".join(dict.fromkeys(each.host for each in valid))
        says = Sentence("bar.permission_ends", host=host, day=last)
        yield doubted(Against.PERMISSION_ENDS, says, tree, until=last)
    for each in valid:
        yield from _asks(each, tree)


def _holds(permit: Permit, first: dt.date, last: dt.date) -> bool:
    """Tell whether a permission holds on one of some days."""
    return (permit.since or dt.date.min) <= last and first <= (permit.until or dt.date.max)


def _asks(permit: Permit, tree: str) -> Iterator[Reason]:
    if permit.notice_days:
        says = Sentence("bar.notice_days", host=permit.host, days=permit.notice_days)
        yield noted(Against.OWNER, says, tree)
    if permit.most_sticks is not None:
        of = permit.tree or permit.block
        says = Sentence("bar.most_sticks", host=permit.host, sticks=permit.most_sticks, of=of)
        yield noted(Against.OWNER, says, tree)
