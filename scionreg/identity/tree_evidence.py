"""Which looks at a mother tree still stand on a day, and what ended the others."""

import calendar
import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from scionreg.lineage.stops import Happening
from scionreg.lineage.tree_books import Check, TreeBook
from scionreg.records.starting_values import StatusValues
from scionreg.records.vocabulary import STRENGTH, CheckMethod, Found, SampleFound, TreeEventKind
from scionreg.records.words import Sentence

BREAKS = (
    TreeEventKind.TOPWORKED,
    TreeEventKind.REPLANTED,
    TreeEventKind.RETAGGED,
    TreeEventKind.REGREW,
)
"""Events after which it is not known to be the same plant that was looked at."""
NEW_PLANT = (TreeEventKind.TOPWORKED, TreeEventKind.REPLANTED, TreeEventKind.REGREW)
"""Those after which it is another one, whatever it was found to be."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sampled:
    """What a marker profile of a tree showed; genotype records have no day."""

    sample: str
    found: SampleFound
    cultivar: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """One look at a tree, as it stands on a day.

    `agrees` with the name; `found` is what it was found to be, where it does not. A look that
    agrees `stands` until `until` (None: until an event ends it), else `ended` says why not.
    """

    check: str
    method: str
    date: dt.date | None
    limb: str | None
    agrees: bool
    in_part: bool
    found: str | None
    stands: bool
    until: dt.date | None
    ended: str | None

    @property
    def strength(self) -> int:
        """Return how much it separates: papers, buds, leaf, fruit, marker profile."""
        return STRENGTH[self.method]

    def told(self) -> Sentence:
        """Return the look in words."""
        return Sentence(
            "tree.look",
            by=looked_by(self.method),
            where=Sentence("tree.on_limb", limb=limb_name(self.limb)) if self.limb else "",
            check=self.check,
            of=Sentence("tree.of", day=self.date) if self.date else Sentence("tree.of_no_day"),
        )

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "check": self.check,
            "method": self.method,
            "date": self.date.isoformat() if self.date else None,
            "limb": self.limb,
            "agrees": self.agrees,
            "found": self.found,
            "stands": self.stands,
            "until": self.until.isoformat() if self.until else None,
            "ended": self.ended,
        }


def months_after(day: dt.date, months: int) -> dt.date:
    """Return the same day of a later month, its last day where it is shorter.

    >>> months_after(dt.date(2024, 8, 31), 18)
    datetime.date(2026, 2, 28)
    """
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    return dt.date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))


def looked_by(method: str) -> Sentence:
    """Return what a look was at."""
    return Sentence(f"tree.looked_by.{method}")


def limb_name(limb: str) -> str:
    """Return a limb as it is spoken of: limb N, north limb."""
    return limb if "limb" in limb.casefold() else Sentence("tree.limb", limb=limb)


def broke(event: Happening, *, tree: str = "", when: str = "", detail: str = "") -> Sentence:
    """Return that an event made another plant of a tree or limb, or gave it another tag."""
    of = limb_name(event.limb) if event.limb else tree or Sentence("tree.it")
    return Sentence(f"tree.broke.{event.event}", of=of, when=when, detail=detail)


def limbs_of(book: TreeBook) -> list[str]:
    """Return the limbs that events, looks or cuttings of a tree name."""
    named = [event.limb for event in book.events] + [check.limb for check in book.checks]
    named += [cut.limb for cut in book.cuts]
    return [limb for limb in dict.fromkeys(named) if limb]


def is_one_plant(book: TreeBook) -> bool:
    """Tell whether no limb is recorded to differ: then a look at a limb speaks for the tree."""
    return not any(each.limb and each.event in NEW_PLANT for each in book.events) and not any(
        check.limb and check.off for check in book.checks
    )


def evidence_of(
    book: TreeBook,
    on: dt.date,
    values: StatusValues,
    limb: str | None = None,
    samples: tuple[Sampled, ...] = (),
) -> list[Evidence]:
    """Return the looks at a tree, or at one of its limbs, up to a day, oldest first.

    Looks without a day are told first: one that is not dated never stands as a look; a marker
    profile does while no event is recorded that might have come after it.
    """
    found = [_from_check(book, check, on, values, limb) for check in _looks(book, on, limb)]
    found += [_from_sample(book, each, on, limb) for each in samples]
    return sorted(found, key=lambda each: (each.date or dt.date.min, each.strength, each.check))


def _looks(book: TreeBook, on: dt.date, limb: str | None) -> Iterator[Check]:
    one = is_one_plant(book)
    for check in book.checks:
        meets = check.limb is None or check.limb == limb or (limb is None and one)
        if meets and (check.date is None or check.date <= on):
            yield check


def _from_check(
    book: TreeBook, check: Check, on: dt.date, values: StatusValues, limb: str | None
) -> Evidence:
    # A tree that was renamed to what it was found to be agrees with its new name.
    agrees = check.off == 0 or (check.off == check.checked and check.found == book.cultivar)
    is_look = check.method in (CheckMethod.BUD, CheckMethod.LEAF, CheckMethod.FRUIT)
    until = None
    if is_look and agrees and check.date is not None:
        until = months_after(check.date, _months(book, values))
    ended = ended_by(book, check.date, on, limb, new_plant_only=not agrees)
    if ended is None and until is not None and until <= on:
        ended = Sentence("tree.held_until", day=until)
    if ended is None and is_look and check.date is None:
        ended = Sentence("tree.no_day")
    return Evidence(
        check=check.check,
        method=check.method,
        date=check.date,
        limb=check.limb,
        agrees=agrees,
        in_part=0 < check.off < check.checked,
        found=None if agrees else check.found or Found.UNKNOWN,
        stands=ended is None,
        until=until,
        ended=ended,
    )


def _from_sample(book: TreeBook, sample: Sampled, on: dt.date, limb: str | None) -> Evidence:
    agrees = sample.found is SampleFound.AS_LABELLED
    ended = ended_by(book, None, on, limb, new_plant_only=not agrees)
    stock = Found.ROOTSTOCK if sample.found is SampleFound.ROOTSTOCK else None
    return Evidence(
        check=Sentence("tree.sample", sample=sample.sample),
        method=CheckMethod.DNA,
        date=None,
        limb=None,
        agrees=agrees,
        in_part=False,
        found=None if agrees else stock or sample.cultivar or Found.OTHER,
        stands=ended is None,
        until=None,
        ended=ended,
    )


def _months(book: TreeBook, values: StatusValues) -> int:
    return int(getattr(values, f"look_holds_{book.kind or 'bank'}"))


def ended_by(
    book: TreeBook, since: dt.date | None, on: dt.date, limb: str | None, *, new_plant_only: bool
) -> Sentence | None:
    """Return what ended evidence of a day (None: unknown) by another day, None where nothing did.

    Events of another limb do not count. An event of the same or an unknown day may have come
    after the look, so it ends it.
    """
    if since is not None and book.planted is not None and book.planted > since:
        return Sentence("tree.planted_after", day=book.planted)
    kinds = NEW_PLANT if new_plant_only else BREAKS
    for event in book.events:
        if event.event in kinds and event.limb in (None, limb) and _may_follow(event, since, on):
            if event.event == TreeEventKind.REPLANTED and _is_this_one(book, event, since):
                continue
            when = Sentence("tree.on", day=event.date) if event.date else Sentence("tree.no_when")
            return broke(event, when=when)
    return None


def _may_follow(event: Happening, since: dt.date | None, on: dt.date) -> bool:
    if event.date is None:
        return True
    return event.date <= on and (since is None or event.date >= since)


def _is_this_one(book: TreeBook, event: Happening, since: dt.date | None) -> bool:
    """Tell whether a replanting is the planting of this tree, which a look came after."""
    return (
        since is not None
        and event.date is not None
        and book.planted is not None
        and event.date <= book.planted <= since
    )
