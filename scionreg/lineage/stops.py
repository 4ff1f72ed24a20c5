"""What in the records speaks against using wood: holds, notices, condition, identity, source."""

import datetime as dt
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from sqlalchemy import Connection

from scionreg.lineage.chain import LogLine, resolve_names
from scionreg.lineage.graph import Cutting, Query, as_day, rows
from scionreg.lineage.phrases import found_to_be, in_brackets, tree_or_limb
from scionreg.lineage.reasons import Reason, barred
from scionreg.lineage.stays import Kept
from scionreg.records.vocabulary import (
    STRENGTH,
    Against,
    BundleEventKind,
    CheckMethod,
    Condition,
    TreeEventKind,
    TreeStatus,
)
from scionreg.records.words import Sentence

EVENTS = Query(
    "SELECT tree, date, event, limb, detail FROM tree_events WHERE tree IN {codes} "
    "AND event IN ('hold', 'notice', 'released', 'died')"
)
STATUS = Query(
    "SELECT tree, status FROM mother_trees WHERE tree IN {codes} AND status IN ('retired', 'dead')"
)
LOOKS = Query(
    'SELECT "check", item, method, date, off, found, limb FROM identity_checks '
    "WHERE item IN {codes} AND checked > 0 AND (off = checked OR off = 0) ORDER BY id"
)
NEW_PLANTS = Query(
    "SELECT tree, date, limb FROM tree_events WHERE tree IN {codes} AND date IS NOT NULL "
    "AND event IN ('topworked', 'replanted', 'regrew_below_union')"
)
USELESS = (Condition.MOULD, Condition.DEAD)
GONE = {TreeStatus.RETIRED: Against.RETIRED, TreeStatus.DEAD: Against.DEAD}
RELEASED, NOTICE = TreeEventKind.RELEASED, Against.NOTICE


class Happening(NamedTuple):
    """A hold, notice, release or death of a mother tree."""

    tree: str
    date: dt.date | None
    event: str
    limb: str | None
    detail: str | None


def stops(connection: Connection, kept: Kept, on: dt.date | None = None) -> dict[str, list[Reason]]:
    """Return why bundles may not be used on a day (None: by all that is recorded).

    What holds of a bundle or tree holds of all wood tied from it. Bundles that may be used are
    lacking.
    """
    last = on or dt.date.max
    trees = _tree_stops(connection, kept, last)
    off = _found_off(connection, kept, last)
    own: dict[str, list[Reason]] = {}
    for code in kept.order():
        bundle, given = kept.bundles[code], kept.parents.get(code, {})
        found = list(_of_log(code, kept.log.get(code, ()), last))
        found += off.get(code, ())
        cutting = kept.cutting(code)
        if cutting is not None:
            found += off.get(cutting.collection, ())
            found += [each for each in trees.get(cutting.tree, ()) if _meets(each.limb, cutting)]
        elif bundle.received_from is None and not given:
            found.append(_no_source(kept, code))
        for parent in given:
            found += own.get(parent, ())
        if found:
            own[code] = list(dict.fromkeys(found))
    return own


def _no_source(kept: Kept, code: str) -> Reason:
    if code in kept.unlabelled:
        says = Sentence("stop.unlabelled", bundle=code)
        return barred(Against.UNLABELLED, says, code)
    return barred(Against.NO_SOURCE, Sentence("stop.no_source", bundle=code), code)


def standing_condition(log: Iterable[LogLine]) -> LogLine | None:
    """Return the newest look at a bundle that says what state its wood was in.

    Of sticks that were sorted out it says what those were, not what is left.
    """
    sorted_out = BundleEventKind.DISCARDED
    looks = [line for line in log if line.condition is not None and line.event != sorted_out]
    return looks[-1] if looks else None


def _of_log(code: str, log: Sequence[LogLine], last: dt.date) -> Iterator[Reason]:
    hold: LogLine | None = None
    known = [line for line in log if line.day is None or line.day <= last]
    for line in known:
        if line.event == BundleEventKind.HOLD:
            hold = line
        elif line.event == BundleEventKind.RELEASED:
            hold = None
    if hold is not None:
        says = Sentence("stop.hold", of=code, since=since_when(hold.day))
        yield barred(Against.HOLD, says, code, since=hold.day)
    look = standing_condition(known)
    if look is not None and look.condition in USELESS:
        seen = Sentence("stop.on", day=look.day) if look.day else ""
        says = Sentence(f"stop.looked.{look.condition}", bundle=code, on=seen)
        yield barred(Against.CONDITION, says, code, since=look.day)


def since_when(day: dt.date | None) -> Sentence:
    """Return since when something holds, in words."""
    return Sentence("stop.since", day=day) if day else Sentence("stop.since_unknown")


# ------------------------------------------------------------------------------------ the trees

Told = tuple[str | None, Sentence, dt.date | None]
"""The limb that a sentence is about (None: the whole tree), the sentence, and since when."""


def _tree_stops(connection: Connection, kept: Kept, last: dt.date) -> dict[str, list[Reason]]:
    """Return what stops the trees themselves: holds and notices, and that they are dead.

    A death or a retirement that came after the cutting says nothing against wood in store, so these
    count only where nobody knows when they came.
    """
    found: dict[str, list[Reason]] = {}
    events: dict[str, list[Happening]] = {}
    for tree, date, *rest in rows(connection, EVENTS, kept.trees):
        events.setdefault(tree, []).append(Happening(tree, as_day(date), *rest))
    for tree, happenings in events.items():
        known = [each for each in happenings if each.date is None or each.date <= last]
        for kind, code in ((TreeEventKind.HOLD, Against.HOLD), (TreeEventKind.NOTICE, NOTICE)):
            for limb, says, since in in_force(e for e in known if e.event in (kind, RELEASED)):
                reason = barred(code, says, tree, limb=limb, since=since)
                found.setdefault(tree, []).append(reason)
    for tree, status in rows(connection, STATUS, kept.trees):
        says = Sentence(f"stop.tree.{status}", tree=tree)
        found.setdefault(tree, []).append(barred(GONE[status], says, tree))
    return found


def in_force(happenings: Iterable[Happening]) -> Iterator[Told]:
    """Yield the holds and notices that nothing has ended.

    A release ends the nursery's own hold, on the same limb or on the whole tree. It ends an
    authority's notice only where its detail says so, by the word notice.
    """
    holds: dict[str | None, Happening] = {}
    notices: list[Happening] = []
    for each in sorted(happenings, key=lambda h: (h.date or dt.date.min, h.event == "released")):
        if each.event == TreeEventKind.HOLD:
            holds[each.limb] = each
        elif each.event == TreeEventKind.NOTICE:
            notices.append(each)
        elif each.event == TreeEventKind.RELEASED:
            holds = {} if each.limb is None else {k: v for k, v in holds.items() if k != each.limb}
            if "notice" in (each.detail or "").lower():
                notices = [n for n in notices if each.limb not in (None, n.limb)]
    for hold in holds.values():
        of, since = tree_or_limb(hold.tree, hold.limb), since_when(hold.date)
        yield hold.limb, Sentence("stop.hold", of=of, since=since), hold.date
    for notice in notices:
        of, since = tree_or_limb(notice.tree, notice.limb), since_when(notice.date)
        detail = in_brackets(notice.detail)
        yield notice.limb, Sentence("stop.notice", of=of, detail=detail, since=since), notice.date


def _meets(limb: str | None, cutting: Cutting) -> bool:
    """Tell whether what is said of a limb (None: of the tree) may concern wood of a cutting."""
    return limb is None or cutting.limb is None or limb == cutting.limb


class Look(NamedTuple):
    """A look that found all of something off, or none of it."""

    check: str
    item: str
    method: str
    date: dt.date | None
    off: int
    found: str | None
    limb: str | None

    def says(self) -> Sentence:
        """Return what it found, in words."""
        return Sentence(
            "stop.off",
            check=self.check,
            item=self.item,
            method=CheckMethod.spelled(self.method),
            off=self.off,
            found=found_to_be(self.found),
        )

    def reason(self) -> Reason:
        """Return it as what speaks against use."""
        return barred(Against.WRONG, self.says(), self.item, limb=self.limb, since=self.date)


def _found_off(connection: Connection, kept: Kept, last: dt.date) -> dict[str, list[Reason]]:
    """Return the looks that found all of a bundle, collection or tree to be something else.

    Not those that a later look of at least their strength answers; of a tree, neither those that
    found what it has been renamed to, nor those of another plant than the wood was cut from.
    """
    looks: dict[str, list[Look]] = {}
    for check, item, method, date, *rest in rows(
        connection, LOOKS, {*kept.bundles, *kept.cuttings, *kept.trees}
    ):
        look = Look(check, item, method, as_day(date), *rest)
        if look.date is None or look.date <= last:
            looks.setdefault(item, []).append(look)
    off = {
        item: [look for look in each if look.off and not any(_answers(a, look) for a in each)]
        for item, each in looks.items()
    }
    written = {look.found for each in off.values() for look in each if look.found}
    names = resolve_names(connection, written | {tree.cultivar for tree in kept.trees.values()})
    breaks: dict[str, list[tuple[dt.date | None, str | None]]] = {}
    for tree, date, limb in rows(connection, NEW_PLANTS, kept.trees):
        breaks.setdefault(tree, []).append((as_day(date), limb))
    found: dict[str, list[Reason]] = {
        item: [look.reason() for look in each]
        for item, each in off.items()
        if item not in kept.trees
    }
    for code, cutting in kept.cuttings.items():
        label = names[kept.trees[cutting.tree].cultivar]
        for look in off.get(cutting.tree, ()):
            renamed = look.found is not None and names[look.found] == label
            same = not any(_between(each, look, cutting) for each in breaks.get(cutting.tree, ()))
            if _meets(look.limb, cutting) and same and not renamed:
                found.setdefault(code, []).append(look.reason())
    return found


def _answers(later: Look, off: Look) -> bool:
    """Tell whether a look that found nothing off came after one that did, and is as strong."""
    if later.off or later.date is None or off.date is None or later.limb not in (None, off.limb):
        return False
    return later.date > off.date and STRENGTH[later.method] >= STRENGTH[off.method]


def _between(event: tuple[dt.date | None, str | None], look: Look, cutting: Cutting) -> bool:
    """Tell whether another plant stood there at the cutting than was looked at.

    An event on either day may have come before or after it, so it tells nothing.
    """
    date, limb = event
    if date is None or look.date is None or cutting.date is None:
        return False
    return limb in (None, cutting.limb) and min(look.date, cutting.date) < date < max(
        look.date, cutting.date
    )
