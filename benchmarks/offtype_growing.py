"""What really grew in an invented nursery: every stick is followed from its limb to its trees."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field

from benchmarks.offtype_faults import ROOTSTOCK, Fault
from benchmarks.offtype_nursery import LIMBS, SEASONS, Bundle, Cut, Lot, Nursery, Sent, Tree

SPROUTS = 0.02
"""Share of the trees whose rootstock grew, in every nursery."""

SHUFFLED = 0.85
"""Share of the piles of sticks that are mixed before they are tied or worked."""


@dataclass(eq=False)
class Grown:
    """What everything really is: a cultivar, or a word of `offtype_faults`.

    Attributes
    ----------
    trees : by limb.
    cuts, bundles : each stick as it was cut or tied.
    lots : each place of the lot, None where nothing grew.
    sent : each tree that the customer got.
    """

    trees: dict[Tree, dict[str, str]] = field(default_factory=dict)
    cuts: dict[Cut, list[str]] = field(default_factory=dict)
    bundles: dict[Bundle, list[str]] = field(default_factory=dict)
    lots: dict[Lot, list[str | None]] = field(default_factory=dict)
    sent: dict[Sent, list[str]] = field(default_factory=dict)

    def off(self, lot: Lot) -> list[int]:
        """Return the places of a lot whose trees are not what it is labelled."""
        return [place for place, what in enumerate(self.lots[lot]) if what not in (None, lot.label)]

    def foreign(self, lot: Lot) -> list[int]:
        """Return those of them that are no rootstock."""
        return [place for place in self.off(lot) if self.lots[lot][place] != ROOTSTOCK]


def grow(nursery: Nursery, fault: Fault | None) -> Grown:
    """Return what really grew where one fault was made, or none."""
    grown = Grown()
    piles: dict[Bundle, list[str]] = {}
    for season in SEASONS:
        _stand(nursery, fault, grown)
        for cut in nursery.cuts:
            if cut.day.year == season:
                grown.cuts[cut] = _sticks_cut(nursery, fault, grown, cut)
        _tied(nursery, fault, grown, piles, season)
        lots = [lot for lot in nursery.lots if lot.day.year == season]
        worked = {lot: _take(nursery, piles[lot.bundle], lot.sticks) for lot in lots}
        _work(nursery, fault, grown, worked)
    for line in nursery.sent:
        grown.sent[line] = [str(grown.lots[line.lot][place]) for place in line.places]
    one, other = (fault.thing, fault.partner) if fault else (None, None)
    if isinstance(one, Sent) and isinstance(other, Sent):
        grown.sent[one], grown.sent[other] = grown.sent[other], grown.sent[one]
    return grown


def _stand(nursery: Nursery, fault: Fault | None, grown: Grown) -> None:
    """Say what the mother trees are, those grown here once their lot has grown."""
    for tree in nursery.trees:
        if tree in grown.trees or (tree.grown and tree.grown[0] not in grown.lots):
            continue
        what = tree.cultivar
        if tree.grown:
            what = str(grown.lots[tree.grown[0]][tree.grown[1]])
        grown.trees[tree] = dict.fromkeys(LIMBS, what)
        if fault and fault.thing is tree:
            grown.trees[tree] |= dict.fromkeys(fault.limbs, fault.what)


def _sticks_cut(nursery: Nursery, fault: Fault | None, grown: Grown, cut: Cut) -> list[str]:
    instead = fault.instead.get(cut) if fault else None
    own = _from(grown, cut.tree, cut.from_limbs, cut.sticks)
    if instead is not None and fault is not None:
        wrong = max(2, round(fault.share * cut.sticks)) if fault.share < 1 else cut.sticks
        own[cut.sticks - wrong :] = _from(grown, instead, cut.from_limbs, wrong)
    return own


def _from(grown: Grown, tree: Tree, limbs: Sequence[str], sticks: int) -> list[str]:
    return [grown.trees[tree][limbs[at * len(limbs) // sticks]] for at in range(sticks)]


def _tied(
    nursery: Nursery,
    fault: Fault | None,
    grown: Grown,
    piles: dict[Bundle, list[str]],
    season: int,
) -> None:
    """Tie the season's bundles; two exchanged carry each other's label from the first day on."""
    draw = nursery.draw
    heaps: dict[Cut, list[str]] = {}
    one, other = (fault.thing, fault.partner) if fault else (None, None)
    swapped = isinstance(one, Bundle) and isinstance(other, Bundle)
    bundles = [bundle for bundle in nursery.bundles if bundle.winter == season]
    # Those of collections come first in the books, so an exchange is over before wood goes on.
    primary = [bundle for bundle in bundles if bundle.cut]
    for bundle in primary:
        assert bundle.cut is not None
        if bundle.cut not in heaps:
            heaps[bundle.cut] = list(grown.cuts[bundle.cut])
            if draw.random() < SHUFFLED:
                draw.shuffle(heaps[bundle.cut])
        heap = heaps[bundle.cut]
        piles[bundle] = [heap.pop() for _ in range(bundle.sticks)]
    if isinstance(one, Bundle) and isinstance(other, Bundle) and one in primary:
        piles[one], piles[other] = piles[other], piles[one]
    for bundle in bundles:
        if bundle.parents:
            piles[bundle] = [
                stick
                for parent, taken in bundle.parents
                for stick in _take(nursery, piles[parent], taken)
            ]
        if fault and fault.thing is bundle and not swapped:
            _spoil(nursery, fault, piles[bundle])
        if draw.random() < SHUFFLED:
            draw.shuffle(piles[bundle])
        grown.bundles[bundle] = list(piles[bundle])


def _spoil(nursery: Nursery, fault: Fault, pile: list[str]) -> None:
    """Put other wood in place of all or of a share of a pile."""
    number = len(pile)
    if fault.failure == "bundle_mixed":
        number = max(2, round(fault.share * number))
    for at in nursery.draw.sample(range(len(pile)), number):
        pile[at] = fault.what


def _take(nursery: Nursery, pile: list[str], number: int) -> list[str]:
    """Return the next sticks of a pile; of one that is used up, more like the last of it."""
    taken = [pile.pop() for _ in range(min(number, len(pile) - 1))]
    return [*taken, *([pile[0]] * (number - len(taken)))]


def _work(
    nursery: Nursery, fault: Fault | None, grown: Grown, worked: dict[Lot, list[str]]
) -> None:
    """Graft the lots of a season; a lot's places go by turn, some to each stick."""
    draw = nursery.draw
    kept: dict[Lot, set[int]] = defaultdict(set)
    for tree in nursery.trees:
        if tree.grown:
            kept[tree.grown[0]].add(tree.grown[1])
    woods = {
        lot: [sticks[at // nursery.per_stick] for at in range(lot.grafts)]
        for lot, sticks in worked.items()
    }
    if fault and isinstance(fault.thing, Lot) and fault.thing in woods:
        _mistake(fault, woods)
    for lot, wood in woods.items():
        struck = fault is not None and fault.failure == "rootstock_grew" and fault.thing is lot
        sprouts = fault.share if struck and fault else SPROUTS
        grown.lots[lot] = [
            None
            if not lot.alive[place]
            else ROOTSTOCK
            if draw.random() < sprouts and place not in kept[lot]
            else what
            for place, what in enumerate(wood)
        ]


def _mistake(fault: Fault, woods: dict[Lot, list[str]]) -> None:
    """Give a lot, and its partner, the wood that really went into it."""
    one, other = fault.thing, fault.partner
    assert isinstance(one, Lot)
    if fault.failure == "lot_mislabelled":
        woods[one] = [fault.what] * one.grafts
    if not isinstance(other, Lot):
        return
    ours, theirs = woods[one], woods[other]
    if fault.failure == "lots_exchanged":
        woods[one] = _as_long(theirs, one.grafts)
        woods[other] = _as_long(ours, other.grafts)
    elif fault.failure == "changeover_mixed":
        end, start = fault.runs
        woods[one] = [*ours[: one.grafts - end], *_as_long(theirs, end)]
        woods[other] = [*_as_long(ours[::-1], start), *theirs[start:]]


def _as_long(wood: list[str], grafts: int) -> list[str]:
    return [wood[at % len(wood)] for at in range(grafts)]
