"""Steps that tie two pieces of wood: exchanges, change-overs, a cutter's day off by one position.

As edges of the network they would make it uncomputable, so each is supposed in turn: a *world* in
which it happened, at most one in an answer. A world replaces some links of the chain and says which
looks are seen in another light.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from scionreg.identity.chain import BUNDLE, CUT, LOT, TREE, Chain, Link, Name
from scionreg.identity.evidence import Run
from scionreg.lineage.identity_books import Cut, IdentityBooks, Sent, Tied, Worked
from scionreg.records.fixed_values import OFF_TYPE
from scionreg.records.starting_values import OffTypeValues
from scionreg.records.vocabulary import Failure

MIRRORED = OFF_TYPE.mirrored
"""How often a run of a neighbour's wood at a change-over has its mirror image in the neighbour."""


class Origin(NamedTuple):
    """What off trees owe to: a failure, of what, and with what."""

    failure: Failure
    item: Name | None
    partner: Name | None = None


def named_wrong(item: Name) -> Origin:
    """Return what off trees owe to where the records put wood of one label under another."""
    return Origin(Failure.TREE_IS_OTHER if item.kind == TREE else Failure.BUNDLE_MIXED, item)


class Changeover(NamedTuple):
    """Wood that ran on: the run in the lot asked about, and its mirror image in the neighbour."""

    run: Run
    mirror: Run
    neighbour: Name


class Swap(NamedTuple):
    """Lines of two dispatches that were exchanged, the asked lot's first, and the other lot."""

    mine: Sent
    other: Sent
    lot: Name


@dataclass(frozen=True, slots=True, eq=False)
class World:
    """What may have happened to two things at once.

    Attributes
    ----------
    origin : what the off trees owe to where it shows; None where nothing of the kind happened.
    links : of the things whose wood came from elsewhere.
    looks : how looks are seen in another light.
    beside : the tree that was cut in the place of the one written down.
    """

    prior: float
    origin: Origin | None = None
    links: Mapping[Name, Link] = field(default_factory=dict)
    looks: Changeover | Swap | None = None
    beside: str | None = None

    @property
    def partner(self) -> Name | None:
        """Return the other lot of a change-over or an exchange of dispatches."""
        if isinstance(self.looks, Changeover):
            return self.looks.neighbour
        return self.looks.lot if isinstance(self.looks, Swap) else None


def worlds(chain: Chain, asked: Name, values: OffTypeValues) -> list[World]:
    """Return the worlds that matter to something, that in which nothing happened first."""
    books = chain.books
    upward = chain.upward([asked])
    found: list[World] = []
    days = _Days(books)
    for name in upward:
        if name.kind == LOT:
            pairs = days.lots_with(books.lots[name.code])
            found += _exchanges(chain, name, pairs, Failure.LOTS_EXCHANGED, values)
        elif name.kind == BUNDLE:
            pairs = days.bundles_with(books.bundles[name.code])
            found += _exchanges(chain, name, pairs, Failure.BUNDLES_EXCHANGED, values)
        elif name.kind == CUT:
            found += _shifts(chain, name, days.cuts_with(books.cuts[name.code]), values)
    if asked.kind == LOT:
        found += _changeovers(chain, asked, values)
        found += _swapped_dispatches(chain, asked, values)
    return [World(1 - sum(each.prior for each in found)), *found]


class _Days:
    """What was done on the same day, and so may have been confused."""

    def __init__(self, books: IdentityBooks) -> None:
        self._lots = _grouped(books.lots.values(), lambda lot: (lot.grafter, lot.date))
        self._bundles = _grouped(books.bundles.values(), lambda bundle: (bundle.packed,))
        self._cuts = _grouped(books.cuts.values(), lambda cut: (cut.cutter, cut.date))

    def lots_with(self, lot: Worked) -> list[Name]:
        """Return the lots of another cultivar by the same grafter on the same day."""
        return [
            Name(LOT, each.lot)
            for each in self._lots.get((lot.grafter, lot.date), ())
            if each.label != lot.label and each.bundle != lot.bundle
        ]

    def bundles_with(self, bundle: Tied) -> list[Name]:
        """Return the bundles of another cultivar packed the same day and at the same place."""
        return [
            Name(BUNDLE, each.bundle)
            for each in self._bundles.get((bundle.packed,), ())
            if each.label != bundle.label
            and (each.packer == bundle.packer or each.store == bundle.store)
        ]

    def cuts_with(self, cut: Cut) -> list[Cut]:
        """Return the collections by the same cutter on the same day, itself among them."""
        return self._cuts.get((cut.cutter, cut.date), [])


def _grouped(things: Iterable[Any], key: Any) -> dict[Any, list[Any]]:
    found: dict[Any, list[Any]] = {}
    for each in things:
        if None not in key(each):
            found.setdefault(key(each), []).append(each)
    return found


def _exchanges(
    chain: Chain, name: Name, partners: list[Name], failure: Failure, values: OffTypeValues
) -> Iterator[World]:
    """Yield the worlds in which a lot or bundle was exchanged with one of its partners."""
    lots = failure == Failure.LOTS_EXCHANGED
    pair = values.lots_exchanged if lots else values.bundles_exchanged
    prior = min(pair, values.exchanged_at_most / max(len(partners), 1))
    upward = chain.upward([name])
    for partner in partners:
        if partner in upward or name in chain.upward([partner]):
            continue
        links = {name: _labelled(chain, partner, name), partner: _labelled(chain, name, partner)}
        yield World(prior, Origin(failure, name, partner), links)


def _labelled(chain: Chain, wood: Name, label: Name) -> Link:
    """Return the link of the wood of one thing under the label of another."""
    link = chain.link(wood)
    states = chain.steps.space.relabel(chain.label(wood), chain.label(label))
    return Link(link.sources, link.step.relabelled(states))


def _shifts(chain: Chain, name: Name, day: list[Cut], values: OffTypeValues) -> Iterator[World]:
    """Yield the worlds in which a cutter was one position off all day, either way."""
    own = chain.books.cuts[name.code]
    for way in ("before", "after"):
        links = {
            Name(CUT, cut.collection): _cut_from(chain, cut, beside)
            for cut in day or [own]
            if (beside := getattr(cut, way)) is not None
        }
        if name in links and len(day) > 1:
            origin = Origin(Failure.OTHER_TREE_CUT, name)
            yield World(values.day_shifted / 2, origin, links, beside=getattr(own, way))


def _cut_from(chain: Chain, cut: Cut, stem: str) -> Link:
    tree = Name(TREE, stem)
    states = chain.steps.space.relabel(chain.label(tree), cut.label)
    return Link((tree,), chain.steps.cutting().relabelled(states))


def _changeovers(chain: Chain, asked: Name, values: OffTypeValues) -> Iterator[World]:
    """Yield the worlds in which wood ran on between the lot and the one before or after it."""
    for run, chance, neighbour in runs_of(chain, chain.books.lots[asked.code], values):
        mirror = Run(chain.steps.space.what_of(chain.label(asked)), not run.at_start)
        origin = Origin(Failure.CHANGEOVER_MIXED, asked, neighbour)
        yield World(chance, origin, looks=Changeover(run, mirror, neighbour))


def runs_of(chain: Chain, lot: Worked, values: OffTypeValues) -> list[tuple[Run, float, Name]]:
    """Return the runs of a neighbouring lot's wood that may stand in a lot, and the neighbours."""
    found = []
    for at_start, code in ((True, lot.before), (False, lot.after)):
        other = chain.books.lots.get(code) if code else None
        if other is not None and other.label != lot.label:
            run = Run(chain.steps.space.what_of(other.label), at_start)
            found.append((run, values.changeover, Name(LOT, other.lot)))
    return found


def _swapped_dispatches(chain: Chain, asked: Name, values: OffTypeValues) -> Iterator[World]:
    """Yield the worlds in which trees of the lot and of another lot went to the wrong customers."""
    books = chain.books
    label = books.lots[asked.code].label
    single = [each for each in books.sent if chain.sent(each.dispatch) is None]
    for line in single:
        if line.lot != asked.code or line.date is None:
            continue
        others = [
            each
            for each in single
            if each.date == line.date
            and each.dispatch != line.dispatch
            and each.lot in books.lots
            and books.lots[each.lot].label != label
        ]
        prior = min(values.dispatches_exchanged, 2 * values.exchanged_at_most / max(len(others), 1))
        for other in others:
            lot = Name(LOT, other.lot)
            origin = Origin(Failure.DISPATCHES_EXCHANGED, asked, lot)
            yield World(prior, origin, looks=Swap(line, other, lot))
