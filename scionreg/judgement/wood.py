"""Whether wood of a bundle may be grafted, and trees of a lot sold, by what they came from."""

import datetime as dt
from collections.abc import Callable, Iterable, Iterator, Mapping

from scionreg.judgement.trees import rights_reasons
from scionreg.lineage.chain import LogLine
from scionreg.lineage.graph import Cutting
from scionreg.lineage.judged_books import Held, Right
from scionreg.lineage.phrases import in_brackets
from scionreg.lineage.reasons import Reason, barred, doubted
from scionreg.lineage.stays import Kept
from scionreg.records.vocabulary import Against, BundleEventKind, Weight
from scionreg.records.words import Sentence

NO_SOURCE_THEN = (
    *(Against.DEAD, Against.TOPWORKED, Against.REGROWN, Against.TOO_OLD, Against.FROM_INCREASE),
    Against.PERMISSION,
)
"""What barred the tree on the day of the cutting, and bars the wood for good."""
OF_THE_STICKS = (Against.CONDITION, Against.OLD_WOOD, Against.HEAT, Against.GONE)
"""What is known of sticks, and says nothing of the trees that were grown from them."""

OnTheDay = Callable[[Cutting], Iterable[Reason]]
"""What was known against a cutting's tree (and limb) on the day it was cut."""


def source_reasons(cutting: Cutting, then: Iterable[Reason]) -> Iterator[Reason]:
    """Yield what bars wood for good: what barred its tree on the day it was cut."""
    for each in then:
        if each.bars and each.code in NO_SOURCE_THEN:
            says = Sentence(
                "stop.source", collection=cutting.collection, day=cutting.date, why=each.says
            )
            yield barred(Against.SOURCE, says, cutting.collection, since=cutting.date)


def gone(code: str, log: Iterable[LogLine], on: dt.date) -> Iterator[Reason]:
    """Yield that nothing is left of a bundle by its log: all discarded, or none counted."""
    nothing: LogLine | None = None
    for line in log:
        if line.day is not None and line.day > on:
            break
        all_gone = line.event == BundleEventKind.DISCARDED and line.sticks is None
        none_left = line.event == BundleEventKind.CHECKED and line.sticks == 0
        if all_gone or none_left:
            nothing = line
        elif line.sticks:
            nothing = None
    if nothing is not None:
        when = Sentence("stop.on", day=nothing.day) if nothing.day else ""
        says = Sentence(f"stop.gone.{nothing.event}", bundle=code, on=when)
        yield barred(Against.GONE, says, code, since=nothing.day)


def bundle_reasons(
    kept: Kept,
    stops: Mapping[str, list[Reason]],
    then: OnTheDay,
    rights: Mapping[str, Right],
    cultivars: Mapping[str, tuple[str, ...]],
    on: dt.date,
) -> dict[str, list[Reason]]:
    """Return what is known against each bundle's wood on a day, but for heat and age.

    Parameters
    ----------
    stops : by bundle, as `lineage.stops.stops` for the day.
    cultivars : by bundle, the names its wood is known by.
    """
    found: dict[str, list[Reason]] = {}
    for code in kept.order():
        reasons = list(stops.get(code, ()))
        cutting = kept.cutting(code)
        if cutting is not None and cutting.date is not None:
            reasons += source_reasons(cutting, then(cutting))
        for parent in kept.parents.get(code, ()):
            reasons += [e for e in found.get(parent, ()) if e.code is Against.SOURCE]
        for cultivar in cultivars.get(code, ()):
            reasons += rights_reasons(cultivar, rights.get(cultivar), on)
        reasons += gone(code, kept.log.get(code, ()), on)
        found[code] = reasons
    return found


def lot_reasons(bundle: Iterable[Reason]) -> Iterator[Reason]:
    """Yield what is known against a bundle's wood as far as it is against the trees of a lot.

    What the wood is known not to be is known of the trees too; a hold or a notice on what they
    came from is a doubt about them.
    """
    for each in bundle:
        if each.code in OF_THE_STICKS:
            continue
        keeps = each.code in (Against.WRONG, Against.LICENCE) or not each.bars
        yield each if keeps else each.weighing(Weight.DOUBT)


def hold_reasons(
    item: str, holds: Iterable[Held], positions: Iterable[int] | None = None
) -> Iterator[Reason]:
    """Yield the holds on an item; of a lot one that is on some positions only is a doubt.

    `positions`: those that are asked about; None is the whole lot.
    """
    asked = None if positions is None else set(positions)
    for held in holds:
        since = Sentence("stop.since", day=held.since) if held.since else ""
        why = in_brackets(held.detail)
        if held.positions is None or (asked is not None and asked <= held.positions):
            says = Sentence("stop.held", of=item, since=since, why=why)
            yield barred(Against.HOLD, says, item, since=held.since)
        elif asked is None or asked & held.positions:
            listed = ";".join(map(str, sorted(held.positions)))
            says = Sentence("stop.held_in_part", of=item, positions=listed, since=since, why=why)
            yield doubted(Against.HOLD, says, item, since=held.since)
