"""What goes wrong in the invented nurseries: one fault, chosen after the books are written.

Only the books are looked at here; `offtype_growing` works out what the fault did.
"""

from collections import defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from itertools import combinations, pairwise
from random import Random

from benchmarks.offtype_nursery import LIMBS, Bundle, Cut, Lot, Nursery, Sent, Tree

UNLISTED, SPORT, ROOTSTOCK = "other", "sport", "rootstock"
"""What a tree may be beside a cultivar of the registry, in the words of a check."""

SHIFTED = 0.35
"""Share of the wrong cuttings that are a whole day shifted by one position."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Fault:
    """One planted fault.

    Attributes
    ----------
    thing, partner : what it happened to, and what that was exchanged or mixed with.
    what : what came in: a cultivar, or one of the words above.
    share : of the sticks, or of the trees where the rootstock grew.
    limbs : of a tree; `instead` the trees really cut; `runs` trees of the other lot's wood at the
        end of the one and at the start of the next.
    """

    failure: str
    thing: Tree | Cut | Bundle | Lot | Sent
    partner: Tree | Cut | Bundle | Lot | Sent | None = None
    what: str = ""
    share: float = 1.0
    limbs: tuple[str, ...] = ()
    instead: Mapping[Cut, Tree] = field(default_factory=dict)
    runs: tuple[int, int] = (0, 0)


def plant(nursery: Nursery, failure: str) -> Fault | None:
    """Return a fault of the kind that these books allow, or None."""
    return PLANTERS[failure](nursery, nursery.draw)


def _foreign(nursery: Nursery, label: str, listed: float = 0.8) -> str:
    others = [name for name in nursery.cultivars if name != label]
    return nursery.draw.choice(others) if nursery.draw.random() < listed else UNLISTED


def _cut_trees(nursery: Nursery) -> list[Tree]:
    """Return the trees that wood of lots comes from."""
    worked = {cut.tree for lot in nursery.lots for cut in lot.bundle.cuts}
    return [tree for tree in nursery.trees if tree in worked]


def _tree_is_other(nursery: Nursery, draw: Random) -> Fault | None:
    tree = draw.choice(_cut_trees(nursery))
    what = _foreign(nursery, tree.cultivar)
    return Fault(failure="tree_is_other", thing=tree, what=what, limbs=LIMBS)


def _tree_partly_other(nursery: Nursery, draw: Random) -> Fault | None:
    """Change one to three limbs of a tree, some of them written down as topworked."""
    tree = draw.choice(_cut_trees(nursery))
    limbs = tuple(draw.sample(LIMBS, draw.randint(1, 3)))
    if draw.random() < 0.5:
        later = 1 if tree.grown else 4
        tree.topworked = tree.planted.replace(year=tree.planted.year + later, month=4)
    what = _foreign(nursery, tree.cultivar)
    return Fault(failure="tree_partly_other", thing=tree, what=what, limbs=limbs)


def _tree_sport(nursery: Nursery, draw: Random) -> Fault | None:
    tree = draw.choice(_cut_trees(nursery))
    limbs = tuple(draw.sample(LIMBS, draw.choice((1, 1, 2, 4))))
    return Fault(failure="tree_sport", thing=tree, what=SPORT, limbs=limbs)


def _other_tree_cut(nursery: Nursery, draw: Random) -> Fault | None:
    if draw.random() < SHIFTED:
        return _shifted(nursery, draw)
    cut = draw.choice([cut for lot in nursery.lots for cut in lot.bundle.cuts])
    near = nursery.near(cut.tree)
    if not near:
        return None
    other = draw.choices(list(near), list(near.values()))[0]
    return Fault(
        failure="other_tree_cut", thing=cut, partner=other, what=other.cultivar,
        instead={cut: other},
    )  # fmt: skip


def _shifted(nursery: Nursery, draw: Random) -> Fault | None:
    """Shift a cutter's day by one position; where no tree stands there, the right one is cut."""
    at = {(tree.block, tree.row, tree.position): tree for tree in nursery.trees}
    days: dict[object, list[Cut]] = defaultdict(list)
    for cut in nursery.cuts:
        days[cut.day, cut.cutter].append(cut)
    step = draw.choice((-1, 1))
    possible = []
    for cuts in days.values():
        instead = {}
        for cut in cuts:
            tree = cut.tree
            if other := at.get((tree.block, tree.row, tree.position + step)):
                instead[cut] = other
        wrong = [cut for cut, tree in instead.items() if tree.cultivar != cut.tree.cultivar]
        if len(cuts) >= 3 and len(wrong) >= 2:
            possible.append((wrong[0], instead))
    if not possible:
        return None
    cut, instead = draw.choice(possible)
    return Fault(
        failure="other_tree_cut", thing=cut, partner=instead[cut],
        what=instead[cut].cultivar, instead=instead,
    )  # fmt: skip


def _two_trees_cut(nursery: Nursery, draw: Random) -> Fault | None:
    cut = draw.choice([cut for lot in nursery.lots for cut in lot.bundle.cuts])
    near = nursery.near(cut.tree)
    if not near:
        return None
    other = draw.choices(list(near), list(near.values()))[0]
    return Fault(
        failure="two_trees_cut", thing=cut, partner=other, what=other.cultivar,
        share=draw.uniform(0.15, 0.7), instead={cut: other},
    )  # fmt: skip


def _like(nursery: Nursery, bundle: Bundle) -> list[Bundle]:
    """Return the bundles of other cultivars in the same winter."""
    return [
        each
        for each in nursery.bundles
        if each.winter == bundle.winter and each.label != bundle.label
    ]


def _bundle_mislabelled(nursery: Nursery, draw: Random) -> Fault | None:
    bundle = draw.choice(sorted({lot.bundle for lot in nursery.lots}, key=lambda each: each.code))
    other = draw.choice(_like(nursery, bundle))
    return Fault(failure="bundle_mislabelled", thing=bundle, what=other.label)


def _bundles_exchanged(nursery: Nursery, draw: Random) -> Fault | None:
    """Exchange two bundles just tied from collections, one of which at least was worked."""
    tied = [bundle for bundle in nursery.bundles if bundle.cut]
    worked = {bundle for lot in nursery.lots for bundle in lot.bundle.line}
    pairs = [
        pair
        for pair in combinations(tied, 2)
        if pair[0].day == pair[1].day
        and pair[0].store == pair[1].store
        and pair[0].label != pair[1].label
        and worked & set(pair)
    ]
    if not pairs:
        return None
    one, other = draw.choice(pairs)
    return Fault(failure="bundles_exchanged", thing=one, partner=other, what=other.label)


def _bundle_mixed(nursery: Nursery, draw: Random) -> Fault | None:
    """Let other wood into a bundle, mostly one tied from others; some use more than is written."""
    worked = {lot.bundle for lot in nursery.lots}
    mixed = [each for each in nursery.bundles if each in worked and len(each.parents) > 1]
    plain = [each for each in nursery.bundles if each in worked and each.cut]
    among = mixed if mixed and draw.random() < 0.75 else plain
    bundle = draw.choice(among)
    other = draw.choice(_like(nursery, bundle))
    share = draw.uniform(0.15, 0.6)
    most = max((taken for _, taken in bundle.parents), default=bundle.sticks) - 1
    foreign = max(2, round(share * bundle.sticks))
    if draw.random() < 0.6 and bundle.left < foreign <= most:
        bundle.unwritten = foreign
    return Fault(failure="bundle_mixed", thing=bundle, what=other.label, share=share)


def _lot_mislabelled(nursery: Nursery, draw: Random) -> Fault | None:
    lot = draw.choice(nursery.lots)
    other = draw.choice(_like(nursery, lot.bundle))
    return Fault(failure="lot_mislabelled", thing=lot, what=other.label)


def _same_day(nursery: Nursery) -> list[list[Lot]]:
    days: dict[object, list[Lot]] = defaultdict(list)
    for lot in nursery.lots:
        days[lot.day, lot.grafter].append(lot)
    return list(days.values())


def _lots_exchanged(nursery: Nursery, draw: Random) -> Fault | None:
    pairs = [
        (one, other)
        for lots in _same_day(nursery)
        for one, other in combinations(lots, 2)
        if one.label != other.label
    ]
    if not pairs:
        return None
    one, other = draw.choice(pairs)
    return Fault(failure="lots_exchanged", thing=one, partner=other, what=other.label)


def _changeover_mixed(nursery: Nursery, draw: Random) -> Fault | None:
    """Let wood run on: into the end of a lot, the start of the next, or mostly both."""
    pairs = [
        (one, other)
        for lots in _same_day(nursery)
        for one, other in pairwise(lots)
        if one.label != other.label
    ]
    if not pairs:
        return None
    one, other = draw.choice(pairs)
    longest = [min(40, round(0.6 * lot.grafts)) for lot in (one, other)]
    runs = [draw.randint(2, max(2, most)) for most in longest]
    if draw.random() < 0.4:
        runs[draw.randrange(2)] = 0
    return Fault(
        failure="changeover_mixed", thing=one, partner=other, what=other.label,
        runs=(runs[0], runs[1]),
    )  # fmt: skip


def _rootstock_grew(nursery: Nursery, draw: Random) -> Fault | None:
    lot = draw.choice(nursery.lots)
    share = draw.uniform(0.1, 0.35)
    return Fault(failure="rootstock_grew", thing=lot, what=ROOTSTOCK, share=share)


def _dispatches_exchanged(nursery: Nursery, draw: Random) -> Fault | None:
    """Exchange two dispatches of a day and of the same size, so that nobody noticed."""
    codes = [line.code for line in nursery.sent]
    single = [line for line in nursery.sent if codes.count(line.code) == 1]
    pairs = [
        (one, other)
        for one, other in combinations(single, 2)
        if one.day == other.day
        and len(one.places) == len(other.places)
        and one.lot.label != other.lot.label
    ]
    if not pairs:
        return None
    one, other = draw.choice(pairs)
    return Fault(failure="dispatches_exchanged", thing=one, partner=other, what=other.lot.label)


PLANTERS: dict[str, Callable[[Nursery, Random], Fault | None]] = {
    "tree_is_other": _tree_is_other,
    "tree_partly_other": _tree_partly_other,
    "tree_sport": _tree_sport,
    "other_tree_cut": _other_tree_cut,
    "two_trees_cut": _two_trees_cut,
    "bundle_mislabelled": _bundle_mislabelled,
    "bundles_exchanged": _bundles_exchanged,
    "bundle_mixed": _bundle_mixed,
    "lot_mislabelled": _lot_mislabelled,
    "lots_exchanged": _lots_exchanged,
    "changeover_mixed": _changeover_mixed,
    "rootstock_grew": _rootstock_grew,
    "dispatches_exchanged": _dispatches_exchanged,
}
"""How each kind of fault is planted, in the order of the chain."""
