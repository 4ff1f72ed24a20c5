"""Looks at the trees of the invented nurseries, as they are written down as identity checks."""

import datetime as dt
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from random import Random

from benchmarks.offtype_faults import SPORT
from benchmarks.offtype_growing import Grown
from benchmarks.offtype_nursery import Bundle, Lot, Nursery, Sent, Tree
from benchmarks.offtype_records import Row

RATES = {"dna": (0.995, 0.002), "fruit": (0.95, 0.01), "leaf": (0.70, 0.03), "bud": (0.50, 0.05)}
"""How often each method sees an off-type, and takes a true tree for one."""

NAMED = {"dna": 0.97, "fruit": 0.93, "leaf": 0.70, "bud": 0.50}
"""How often it names rightly what it saw to be off."""

Looked = Lot | Sent | Tree | Bundle


@dataclass(frozen=True, slots=True)
class Seen:
    """One plant looked at: where in its lot, what it is, and what was said of it (None: true)."""

    place: int
    what: str
    said: str | None


@dataclass(eq=False)
class Look:
    """One look: the plants, how they were looked at, and how much of it is written down."""

    item: Looked
    label: str
    method: str
    day: dt.date
    seen: list[Seen]
    placed: bool
    again: str = ""

    @property
    def off(self) -> list[Seen]:
        """Return what was found off."""
        return [each for each in self.seen if each.said is not None]


def passes(what: str, label: str, method: str) -> bool:
    """Tell whether a plant passes as its label by a method: a sport has its tree's markers."""
    return what == label or (what == SPORT and method == "dna")


def say(draw: Random, cultivars: Sequence[str], what: str, label: str, method: str) -> str | None:
    """Return what a look says that a plant is, or None where it passes as its label."""
    finds, alarms = RATES[method]
    others = [name for name in cultivars if name != label]
    true = passes(what, label, method)
    if draw.random() >= (alarms if true else finds):
        return None
    if true:
        return draw.choice(others) if draw.random() < 0.4 else "unknown"
    if draw.random() < NAMED[method]:
        return what
    wrong = [name for name in others if name != what]
    return draw.choice(wrong) if wrong and draw.random() < 0.25 else "unknown"


def plants(grown: Grown, item: Looked, day: dt.date) -> list[tuple[int, str]]:
    """Return what can be looked at on a day: places and what they really are."""
    if isinstance(item, Sent):
        return list(enumerate(grown.sent[item]))
    if isinstance(item, Tree):
        return list(enumerate(grown.trees[item].values()))
    if isinstance(item, Bundle):
        return list(enumerate(grown.bundles[item]))
    places = item.standing if day < dt.date(item.day.year, 11, 1) else item.rest
    return [(place, str(grown.lots[item][place])) for place in places]


def label_of(item: Looked) -> str:
    """Return what something is labelled."""
    if isinstance(item, Sent):
        return item.lot.label
    return item.cultivar if isinstance(item, Tree) else item.label


def look(
    nursery: Nursery, grown: Grown, item: Looked, number: int, method: str, day: dt.date
) -> Look | None:
    """Look at some plants of an item, chosen as they come; None where there are none."""
    draw = nursery.draw
    there = plants(grown, item, day)
    if not there:
        return None
    chosen = sorted(draw.sample(there, min(number, len(there))))
    label = label_of(item)
    seen = [
        Seen(place, what, say(draw, nursery.cultivars, what, label, method))
        for place, what in chosen
    ]
    return Look(item, label, method, day, seen, isinstance(item, Lot) and draw.random() < 0.45)


def look_again(nursery: Nursery, first: Look, code: str, number: int) -> Look:
    """Take marker profiles of some of the trees that a look found off."""
    draw = nursery.draw
    chosen = draw.sample(first.off, min(number, len(first.off)))
    seen = [
        Seen(each.place, each.what,
             say(draw, nursery.cultivars, each.what, first.label, "dna"))
        for each in sorted(chosen, key=lambda each: each.place)
    ]  # fmt: skip
    day = first.day + dt.timedelta(days=21)
    return Look(first.item, first.label, "dna", day, seen, first.placed, again=code)


def day_of(nursery: Nursery, item: Looked, method: str) -> dt.date:
    """Return a day on which an item can be looked at by a method."""
    draw = nursery.draw
    if isinstance(item, Tree):
        return dt.date(draw.randint(2020, 2023), 8, draw.randint(1, 28))
    if isinstance(item, Bundle):
        return item.day + dt.timedelta(days=draw.randint(0, 3))
    year = item.lot.day.year if isinstance(item, Sent) else item.day.year
    if method == "fruit":
        return dt.date(year + 3, 9, draw.randint(1, 28))
    if isinstance(item, Sent):
        return dt.date(year + 1, draw.choice((6, 8)), draw.randint(1, 28))
    # Before the autumn all of a lot is there; after it what was not sent.
    return dt.date(year + draw.choice((0, 0, 1)), 8, draw.randint(1, 28))


def rows_of_look(look: Look, first_code: int) -> list[Row]:
    """Return a look as check rows: one for each thing found, whose numbers looked at add up.

    The trees that passed are in the first row. A mother tree is looked at limb by limb, and a
    single tree whose place was noted is written down as that place.
    """
    if isinstance(look.item, Tree):
        parts = [[each] for each in look.seen]
    else:
        passed = [each for each in look.seen if each.said is None]
        named = Counter(each.said for each in look.off)
        found = [[each for each in look.off if each.said == said] for said, _ in
                 sorted(named.items(), key=lambda pair: (-pair[1], str(pair[0])))]  # fmt: skip
        parts = [[*passed, *found[0]], *found[1:]] if found else [passed]
    return [_row(look, part, f"K{first_code + at:03}") for at, part in enumerate(parts)]


def _row(look: Look, part: Sequence[Seen], code: str) -> Row:
    off = [each for each in part if each.said is not None]
    row: Row = {
        "check": code, "item": look.item.code, "date": look.day, "method": look.method,
        "checked": len(part), "off": len(off), "found": off[0].said if off else None, "by": "P40",
    }  # fmt: skip
    if look.placed and isinstance(look.item, Lot) and len(look.seen) == 1:
        row["item"] = f"{look.item.code}/{look.item.first + part[0].place}"
    elif look.placed and isinstance(look.item, Lot):
        first = look.item.first
        row["positions_checked"] = as_positions(first + each.place for each in part)
        row["positions"] = as_positions(first + each.place for each in off) or None
    if isinstance(look.item, Tree):
        row["limb"] = "NESW"[part[0].place]
    if look.again:
        row["reference"] = f"same trees as {look.again}"
    return row


def as_positions(numbers: Iterable[int]) -> str:
    """Return row positions as they are written: runs by their ends, parted by semicolons."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and runs[-1][-1] == number - 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ";".join(f"{run[0]}-{run[-1]}" if len(run) > 1 else str(run[0]) for run in runs)
