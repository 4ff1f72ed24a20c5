"""The steps of the chain: how the state of wood follows from its source, and how a step fails.

A step is a sum of pieces: what comes from the source unchanged, and for each failure a probability
of each state that it leaves, whatever the source was. A cause is one piece in place of the sum.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from scionreg.identity.states import LABEL, OTHER, SEVERAL, SPORT, Floats, Indices, Space
from scionreg.lineage.identity_books import Cut, IdentityBooks, Neighbour, Stem, Tied, Worked
from scionreg.records.fixed_values import OFF_TYPE
from scionreg.records.starting_values import OffTypeValues
from scionreg.records.vocabulary import Failure

KEPT, LOST = OFF_TYPE.kept, OFF_TYPE.lost
"""Of a partly foreign tree: how often one cutting has its share of it, and none at all; and so on
from cutting to bundle and from bundle to lot, since piles and bundles are rarely mixed first."""
LIMB_IS_ONE = OFF_TYPE.limb_is_one
"""How often a limb of a partly foreign tree is wholly one or wholly the other."""
UNFOUND = OFF_TYPE.unfound
"""Weight of cultivars that the registry does not know, for each that it knows."""
SEVERAL_IN_MIX = OFF_TYPE.several_in_mix
"""Share of unrecorded mixes that hold several cultivars."""
EXCESS_SPREAD = OFF_TYPE.excess_spread
"""How far the share that came in may lie from the share used beyond what was packed."""

Mixing = tuple[Indices, Floats, Floats]
Failures = Mapping[Failure, Floats]


@dataclass(eq=False)
class Step:
    """How one thing's wood came about.

    Attributes
    ----------
    inherit : (size,) without a source, (size, size) from one: rows are its states; None of a mix.
    mixing : of two sources, see `Space.mix`.
    failures : (size,) probability of a failure with each state; what is left inherits.
    """

    inherit: Floats | None
    failures: Failures = field(default_factory=dict)
    mixing: Mixing | None = None

    @cached_property
    def sound(self) -> float:
        """Return the probability that the step does not fail."""
        return 1.0 - sum(float(each.sum()) for each in self.failures.values())

    @property
    def size(self) -> int:
        """Return the number of states."""
        if self.inherit is not None:
            return int(self.inherit.shape[-1])
        assert self.mixing is not None
        return len(self.mixing[0])

    @property
    def table(self) -> Floats:
        """Return the probability of each state, the last axis, by the states of the sources.

        Of a mix it is made whenever it is asked for: it is large, and no two mixes are alike.
        """
        return self._summed() if self.mixing is not None else self._kept_table

    @cached_property
    def _kept_table(self) -> Floats:
        return self._summed()

    def _summed(self) -> Floats:
        whole = self.inherited()
        for each in self.failures.values():
            whole = whole + each
        return whole

    def inherited(self, source: int | None = None) -> Floats:
        """Return the piece that inherits; of a mix, what is owed to one of its sources."""
        if self.mixing is None:
            assert self.inherit is not None
            return self.sound * self.inherit
        state, *shares = self.mixing
        found = np.zeros((*state.shape, len(state)))
        weight = 1.0 if source is None else shares[source]
        rows, columns = np.indices(state.shape)
        found[rows, columns, state] = self.sound * weight
        return found

    def failed(self, failure: Failure) -> Floats:
        """Return the piece of one failure, in the shape of the table."""
        piece = self.failures[failure]
        sources = 2 if self.inherit is None else self.inherit.ndim - 1
        return np.broadcast_to(piece, (len(piece),) * sources + (len(piece),))

    def relabelled(self, states: Indices) -> "Step":
        """Return the step without failures, its states seen under another label."""
        if self.mixing is not None:
            state, *shares = self.mixing
            return Step(None, {}, (states[state], shares[0], shares[1]))
        assert self.inherit is not None
        found = np.zeros_like(self.inherit)
        for before, after in enumerate(states):
            found[..., after] += self.inherit[..., before]
        return Step(found)


class Steps:
    """The steps of the records, with equal ones made once."""

    def __init__(self, space: Space, books: IdentityBooks, values: OffTypeValues) -> None:
        self.space, self.books, self.values = space, books, values
        self._made: dict[tuple[object, ...], Step] = {}
        size = space.size
        self._same: Floats = np.eye(size)
        self._true: Floats = self._same[LABEL]
        self._partial = (space.share > 0) & (space.share < 1)
        self._part, self._limb = self._part_of_whole(), self._limb_of_tree()

    # ------------------------------------------------------------------ what comes of a source

    def _part_of_whole(self) -> Floats:
        """Return what one part of some wood is: of partly foreign wood, not always its share."""
        found = self._same.copy()
        for state in np.flatnonzero(self._partial):
            others = (self.space.what == self.space.what[state]) & (np.arange(len(found)) != state)
            found[state] = others * (1 - KEPT - LOST) / others.sum()
            found[state, state], found[state, LABEL] = KEPT, LOST
        return found

    def _limb_of_tree(self) -> Floats:
        """Return what one limb of a tree is: of a partly foreign one, mostly one or the other."""
        found = self._same.copy()
        for state in np.flatnonzero(self._partial):
            same = (self.space.what == self.space.what[state]) & self._partial
            found[state] = same * (1 - LIMB_IS_ONE) / same.sum()
            share = self.space.share[state]
            found[state, self._whole(state)] = LIMB_IS_ONE * share
            found[state, LABEL] = LIMB_IS_ONE * (1 - share)
        return found

    def _whole(self, state: Any) -> int:
        return self.space.wholly(self.space.whats[self.space.what[state]])

    def _single(self, label: str) -> Floats:
        """Return what a single tree of a lot is: one thing wholly."""
        found = np.zeros_like(self._same)
        for state in range(self.space.size):
            share = float(self.space.share[state])
            found[state, LABEL] += 1 - share
            if share and self.space.whats[self.space.what[state]] == SEVERAL:
                found[state] += share * self.wholly(label)
            elif share:
                found[state, self._whole(state)] += share
        return found

    # --------------------------------------------------------------------------- what it may be

    def cultivars(self, label: str) -> dict[str, float]:
        """Return how likely wood that is not `label` is of each other cultivar."""
        species = self.books.cultivars.get(label)
        of_species = {
            name for name, each in self.books.cultivars.items() if each == species and name != label
        }
        found = {name: 1.0 for name in self.space.names if name in of_species}
        found[OTHER] = len(of_species) * (1 + UNFOUND) - len(found) or UNFOUND
        total = sum(found.values())
        return {name: weight / total for name, weight in found.items()}

    def wholly(self, label: str) -> Floats:
        """Return the probability of each state of wood that is wholly another cultivar."""
        found = np.zeros(self.space.size)
        for what, chance in self.cultivars(label).items():
            found[self.space.wholly(what)] = chance
        return found

    def partly(self, label: str, excess: float | None = None, several: float = 0.0) -> Floats:
        """Return the probability of each state of wood that another cultivar came into."""
        found = np.zeros(self.space.size)
        chances = {what: (1 - several) * p for what, p in self.cultivars(label).items()}
        for what, chance in (*chances.items(), (SEVERAL, several)):
            states = self.space.partly(what)
            if excess is None:
                weights = np.ones(len(states))
            else:
                weights = np.exp(-np.abs(self.space.share[states] - excess) / EXCESS_SPREAD)
            found[states] += chance * weights / weights.sum()
        return found

    def sport(self) -> Floats:
        """Return the probability of each state of a tree that is, in part, a sport."""
        states = [*self.space.partly(SPORT), self.space.wholly(SPORT)]
        found = np.zeros(self.space.size)
        found[states] = 1 / len(states)
        return found

    # -------------------------------------------------------------------------------- the steps

    def _kept(self, key: tuple[object, ...], step: Step) -> Step:
        return self._made.setdefault(key, step)

    def tree(self, stem: Stem) -> Step:
        """Return the step of a mother tree: planted, or grown in a lot of the nursery."""
        origin = self.books.lots.get(stem.grown_from) if stem.grown_from else None
        before = origin.label if origin else None
        key = ("tree", stem.label, stem.topworked, before)
        if key in self._made:
            return self._made[key]
        values, label = self.values, stem.label
        partly = values.topworked_partly_other if stem.topworked else values.tree_partly_other
        failures = {
            Failure.TREE_IS_OTHER: values.tree_is_other * self.wholly(label),
            Failure.TREE_PARTLY_OTHER: partly * self.partly(label),
            Failure.TREE_SPORT: values.tree_sport * self.sport(),
        }
        if before is None:
            return self._kept(key, Step(self._true, failures))
        grown = Step(self._single(before)).relabelled(self.space.relabel(before, label))
        return self._kept(key, Step(grown.inherit, failures))

    def limb(self) -> Step:
        """Return the step of a limb that wood was recorded from."""
        return self._kept(("limb",), Step(self._limb))

    def cut(self, cut: Cut) -> Step:
        """Return the step of a collection from its tree, or from a limb of it."""
        chances = self.cut_instead(cut)
        key = ("cut", cut.label, cut.limb is None, tuple(sorted(chances.items())))
        if key in self._made:
            return self._made[key]
        instead = np.zeros(self.space.size)
        for what, chance in chances.items():
            instead[self.space.wholly(what)] += chance
        failures = {
            Failure.OTHER_TREE_CUT: instead,
            Failure.TWO_TREES_CUT: self.values.two_trees_cut * self._as_part(instead),
        }
        source = self._same if cut.limb is not None else self._part
        return self._kept(key, Step(source, failures))

    def _as_part(self, whole: Floats) -> Floats:
        """Return the cultivars of wholly foreign states, equally likely as any share."""
        found = np.zeros_like(whole)
        for state in np.flatnonzero(whole):
            states = self.space.partly(self.space.whats[self.space.what[state]])
            found[states] += whole[state] / whole.sum() / len(states)
        return found

    def cut_instead(self, cut: Cut) -> dict[str, float]:
        """Return the probability that another tree was cut, by what that tree is."""
        values = self.values
        # Where nobody recorded what stands beside the tree, it may be any other cultivar.
        known = cut.solid or bool(cut.neighbours)
        far = values.elsewhere_cut if known else values.other_tree_cut
        near: dict[str, float] = {}
        for each in cut.neighbours:
            if each.label != cut.label:
                what = self.space.what_of(each.label)
                near[what] = near.get(what, 0.0) + values.other_tree_cut * each.weight
        found = {what: far * chance for what, chance in self.cultivars(cut.label).items()}
        total = sum(near.values())
        for what, chance in near.items():
            found[what] = found.get(what, 0.0) + chance * min(1.0, OFF_TYPE.most_cut_beside / total)
        return found

    def cutting(self) -> Step:
        """Return the step of a collection that does not fail, from whatever tree it was cut."""
        return self._kept(("cutting",), Step(self._part))

    def bundle(self, bundle: Tied, before: str | None, mixing: Mixing | None = None) -> Step:
        """Return the step of a bundle: tied from a collection labelled `before`, or a mix."""
        rebundled = bool(bundle.parents)
        excess = None if bundle.excess is None else round(bundle.excess, 2)
        key = ("bundle", bundle.label, before, rebundled, excess)
        if mixing is None and key in self._made:
            return self._made[key]
        values, label = self.values, bundle.label
        mislabelled = values.bundle_mislabelled
        if before is None and not rebundled:
            mislabelled += values.received_is_other
        mixed = values.rebundle_mixed if rebundled else values.bundle_mixed
        rest = 1 - mixed
        if excess is not None:
            mixed, rest = mixed * values.alarm_if_mixed, rest * values.alarm_if_not
        whole = mixed + rest
        failures = {
            Failure.BUNDLE_MISLABELLED: mislabelled * rest / whole * self.wholly(label),
            Failure.BUNDLE_MIXED: mixed / whole * self.partly(label, excess, SEVERAL_IN_MIX),
        }
        if mixing is not None:
            return Step(None, failures, mixing)
        if before is None:
            return self._kept(key, Step(self._true, failures))
        source = Step(self._part).relabelled(self.space.relabel(before, label))
        return self._kept(key, Step(source.inherit, failures))

    def mixed_together(self, mixing: Mixing) -> Step:
        """Return the step of wood put together with nothing done to it."""
        return Step(None, {}, mixing)

    def lot(self, lot: Worked, before: str) -> Step:
        """Return the step of a graft lot from its bundle, which is labelled `before`."""
        key = ("lot", lot.label, before, lot.lives_too_much)
        if key in self._made:
            return self._made[key]
        values = self.values
        mixed = values.lot_mixed
        if lot.lives_too_much:
            alarms = mixed * values.alarm_if_mixed, (1 - mixed) * values.alarm_if_not
            mixed = alarms[0] / sum(alarms)
        failures = {
            Failure.LOT_MISLABELLED: values.lot_mislabelled * (1 - mixed) * self.wholly(lot.label),
            Failure.BUNDLE_MIXED: mixed * self.partly(lot.label, None, SEVERAL_IN_MIX),
        }
        source = Step(self._part).relabelled(self.space.relabel(before, lot.label))
        return self._kept(key, Step(source.inherit, failures))


def neighbours_like(neighbours: tuple[Neighbour, ...], what: str, space: Space) -> list[str]:
    """Return the neighbouring trees that are what wood was found to be, likeliest first."""
    like = [each for each in neighbours if space.what_of(each.label) == what]
    return [each.stem for each in sorted(like, key=lambda each: -each.weight)]
