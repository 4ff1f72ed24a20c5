"""What else may share the fault: how likely everything near the causes is not as labelled."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from scionreg.identity.chain import BUNDLE, CUT, LOT, TREE, Chain, Name
from scionreg.identity.off_type import CERTAIN, LIKELY, MORE_THAN_USUAL, POSSIBLE, Affected
from scionreg.identity.question import Question
from scionreg.identity.states import LABEL, STOCK, Floats
from scionreg.identity.worlds import MIRRORED, Origin
from scionreg.records.vocabulary import Failure, Proposal

SENT_KIND = "dispatch"
KINDS = {
    TREE: "mother_tree",
    CUT: "collection",
    BUNDLE: "bundle",
    LOT: "graft_lot",
    SENT_KIND: "dispatch",
}
BY_ITSELF = (Failure.CHANGEOVER_MIXED, Failure.ROOTSTOCK_GREW)
"""Failures that touch the trees of a lot, and not its wood."""


@dataclass(eq=False)
class Sharing:
    """The states of everything near, under each group of causes.

    Attributes
    ----------
    groups : of origins, all of them together.
    weights : (groups,) probabilities, which sum to one.
    states : (groups, size) probabilities of the states of what is in the network.
    """

    question: Question
    groups: Sequence[Sequence[Origin]]
    weights: Floats
    states: Mapping[Name, Floats]
    _usual: dict[Name, Floats] = field(default_factory=dict)

    @property
    def _chain(self) -> Chain:
        return self.question.chain

    @cached_property
    def near(self) -> dict[Name, Floats]:
        """Return the states of all downward of anything that may have failed.

        What no evidence bears on is left out of the network; its states follow from its source's.
        """
        books = self._chain.books
        below: dict[Name, list[Name]] = {}
        for code, cut in books.cuts.items():
            below.setdefault(self._chain.link(Name(CUT, code)).sources[0], []).append(
                Name(CUT, cut.collection)
            )
        for kind, codes in ((BUNDLE, books.bundles), (LOT, books.lots)):
            for code in codes:
                name = Name(kind, code)
                for source in self._chain.link(name).sources:
                    below.setdefault(source, []).append(name)
        for code, stem in books.stems.items():
            if stem.grown_from in books.lots:
                below.setdefault(Name(LOT, str(stem.grown_from)), []).append(Name(TREE, code))
        for name in self.states:
            for source in self.question.links[name].sources:
                if name.kind not in (CUT, BUNDLE, LOT, TREE):
                    below.setdefault(source, []).append(name)
        found: dict[Name, Floats] = {}
        waiting = [*self._roots()]
        while waiting:
            name = waiting.pop()
            if name in found:
                continue
            found[name] = self._states_of(name, found)
            waiting.extend(below.get(name, ()))
        return found

    def _roots(self) -> Iterable[Name]:
        """Return all upward of what was asked, and of what may have been confused with it."""
        partners = {origin.partner for group in self.groups for origin in group if origin.partner}
        return self._chain.upward([self.question.asked, *partners])

    def _states_of(self, name: Name, known: Mapping[Name, Floats]) -> Floats:
        if name in self.states:
            return self.states[name]
        link = self._chain.link(name)
        sources = [
            known[each] if each in known else self._states_of(each, known) for each in link.sources
        ]
        if not sources:
            return np.broadcast_to(link.step.table, (len(self.weights), len(link.step.table)))
        if len(sources) == 1:
            found: Floats = sources[0] @ link.step.table
            return found
        mixed: Floats = np.einsum("ci,cj,ijk->ck", *sources, link.step.table)
        return mixed

    def lots_of(self, name: Name) -> set[str]:
        """Return the graft lots whose wood came from something."""
        if name.kind == LOT:
            return {name.code}
        return self._lots.get(name, set())

    @cached_property
    def _lots(self) -> dict[Name, set[str]]:
        found: dict[Name, set[str]] = {}
        for name in self.near:
            if name.kind == LOT:
                for each in self._chain.upward([name]):
                    if each.kind != LOT:
                        found.setdefault(each, set()).add(name.code)
        return found

    @cached_property
    def wrong(self) -> dict[Name, Floats]:
        """Return (groups,) the probability that each thing is not, or not wholly, as labelled."""
        found = {name: 1 - states[:, LABEL] for name, states in self.near.items()}
        for i, group in enumerate(self.groups):
            for origin in group:
                if origin.failure in BY_ITSELF and origin.item in found:
                    self._raise(found, origin.item, i, 1.0, group, origin)
                    if origin.partner in found:
                        self._raise(found, origin.partner, i, MIRRORED, group, origin)
        return found

    def _raise(
        self,
        found: dict[Name, Floats],
        name: Name | None,
        i: int,
        by: float,
        group: Sequence[Origin],
        origin: Origin,
    ) -> None:
        """Count the trees of a lot that are wrong though its wood is not."""
        if name is not None:
            share = self.question.share_within(group, origin) * by
            wrong = found[name].copy()
            wrong[i] += (1 - wrong[i]) * share
            found[name] = wrong

    def sent(self) -> dict[str, tuple[int, float]]:
        """Return trees of each dispatch of what is near, and the probability that it is wrong."""
        books = self._chain.books
        swapped: dict[tuple[str, str], float] = {}
        for world, share in self.question.exchanges().items():
            for line in world:
                key = (line.dispatch, line.lot)
                swapped[key] = swapped.get(key, 0.0) + share
        found: dict[str, tuple[int, float]] = {}
        for line in books.sent:
            name = Name(LOT, line.lot)
            if name in self.wrong or (line.dispatch, line.lot) in swapped:
                wrong = float(self.weights @ self.wrong[name]) if name in self.wrong else 0.0
                exchanged = swapped.get((line.dispatch, line.lot), 0.0)
                chance = exchanged + (1 - exchanged) * wrong
                trees, known = found.get(line.dispatch, (0, 0.0))
                found[line.dispatch] = (trees + line.trees, max(known, chance))
        return found

    def what(self, name: Name, groups: Iterable[int] | None = None) -> str | None:
        """Return what something most likely is where it is not as labelled."""
        chosen = range(len(self.weights)) if groups is None else list(groups)
        states = sum(self.weights[i] * self.near[name][i] for i in chosen)
        space = self._chain.steps.space
        by_what = np.zeros(len(space.whats))
        np.add.at(by_what, space.what[1:], np.asarray(states)[1:])
        return space.whats[int(by_what.argmax())] if by_what.max() > 0 else None

    def affected(self, checked_next: Iterable[str]) -> tuple[list[Affected], list[Affected]]:
        """Return what may share the fault, likeliest first, and what hardly does."""
        worth = set(checked_next)
        books = self._chain.books
        found = []
        for name, wrong in self.wrong.items():
            if name.kind not in KINDS:
                continue
            chance = float(self.weights @ wrong)
            lots = self.lots_of(name)
            trees = sum(books.lots[lot].grafts for lot in lots)
            what = self._what_of(name)
            code = books.stems[name.code].tree if name.kind == TREE else name.code
            shares = self._shares(chance, [name])
            found.append((shares, self._item(name.kind, code, trees, chance, what, worth)))
        lots_sent: dict[str, list[Name]] = {}
        for line in books.sent:
            lots_sent.setdefault(line.dispatch, []).append(Name(LOT, line.lot))
        for dispatch, (trees, chance) in self.sent().items():
            shares = self._shares(chance, lots_sent[dispatch])
            found.append((shares, self._item(SENT_KIND, dispatch, trees, chance, None, worth)))
        found.sort(key=lambda each: (-round(each[1].probability, 6), each[1].kind, each[1].item))
        return (
            [each for shares, each in found if shares],
            [replace(each, what=None, proposal=None) for shares, each in found if not shares],
        )

    def _shares(self, chance: float, woods: Iterable[Name]) -> bool:
        """Return whether something is wrong rather than right, or likelier so than anything is."""
        usual = max(1 - float(self._usually(each)[LABEL]) for each in woods)
        return chance >= min(LIKELY, max(POSSIBLE, MORE_THAN_USUAL * usual))

    def _usually(self, name: Name) -> Floats:
        """Return (size,) the probability of each state without any evidence."""
        if name not in self._usual:
            link = self._chain.link(name)
            sources = [self._usually(each) for each in link.sources]
            table = link.step.table
            for each in sources:
                table = np.tensordot(each, table, axes=(0, 0))
            self._usual[name] = table
        return self._usual[name]

    def _what_of(self, name: Name) -> str | None:
        by_itself = [
            (self.question.probability(origin), origin)
            for group in self.groups
            for origin in group
            if origin.failure in BY_ITSELF and name in (origin.item, origin.partner)
        ]
        chance, origin = max(by_itself, default=(0.0, None), key=lambda each: each[0])
        if origin is not None and chance > float(self.weights @ (1 - self.near[name][:, LABEL])):
            if origin.failure == Failure.ROOTSTOCK_GREW:
                return STOCK
            other = origin.partner if name == origin.item else origin.item
            return self._chain.label(other) if other else None
        return self.what(name)

    def _item(
        self, kind: str, code: str, trees: int, chance: float, what: str | None, worth: set[str]
    ) -> Affected:
        return Affected(
            kind=KINDS[kind],
            item=code,
            trees=trees,
            probability=chance,
            what=what if chance >= POSSIBLE else None,
            proposal=proposal(kind, code, chance, what, worth, self._partly(kind, code)),
        )

    def _partly(self, kind: str, code: str) -> bool:
        """Return whether something, where it is wrong, is mostly wrong only in part."""
        states = self.near.get(Name(kind, code))
        if states is None:
            return False
        mean = self.weights @ states
        share = self._chain.steps.space.share
        return bool(mean[(share > 0) & (share < 1)].sum() > mean[share == 1].sum())


def proposal(
    kind: str, code: str, chance: float, what: str | None, worth: set[str], partly: bool
) -> Proposal | None:
    """Return what to do about something that is wrong with probability `chance`."""
    if chance < POSSIBLE:
        return None
    if code in worth:
        return Proposal.CHECK_FIRST
    if chance < CERTAIN or kind in (SENT_KIND, CUT, BUNDLE):
        return Proposal.HOLD
    known = what not in (None, "other", "several", "sport", STOCK)
    if kind == TREE:
        return Proposal.RENAME if known and not partly else Proposal.TOPWORK
    return Proposal.RENAME if known and not partly else Proposal.REMOVE
