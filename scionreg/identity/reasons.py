"""Why a cause is held likely or not, in one sentence: what was looked at with it, and beside it."""

from collections.abc import Iterable
from dataclasses import dataclass

from scionreg.identity.chain import BUNDLE, CUT, LIMB, LOT, TREE, Chain, Name
from scionreg.identity.off_type import Looked
from scionreg.identity.question import Question
from scionreg.identity.sights import Sights
from scionreg.identity.worlds import Origin, World
from scionreg.records.vocabulary import Failure

WOOD = {
    TREE: "wood of the tree",
    LIMB: "wood of the limb",
    CUT: "wood of this cutting",
    BUNDLE: "wood of this bundle",
    LOT: "this lot",
}
HOW = {
    Failure.TREE_IS_OTHER: "the mother tree {item} is {what}",
    Failure.TREE_PARTLY_OTHER: "a part of the mother tree {item} is {what}",
    Failure.TREE_SPORT: "the mother tree {item}, or a limb of it, is a sport",
    Failure.OTHER_TREE_CUT: "another tree was cut than {item} says: {what}",
    Failure.TWO_TREES_CUT: "a second tree was cut for {item}: {what}",
    Failure.BUNDLE_MISLABELLED: "the bundle {item} holds {what}",
    Failure.BUNDLES_EXCHANGED: "the bundles {item} and {partners} carry each other's label",
    Failure.BUNDLE_MIXED: "other wood came into {item}: {what}",
    Failure.LOT_MISLABELLED: "the lot {item} holds {what}",
    Failure.LOTS_EXCHANGED: "the lots {item} and {partners} carry each other's label",
    Failure.CHANGEOVER_MIXED: "wood ran on between the lots {item} and {partners}",
    Failure.ROOTSTOCK_GREW: "rootstocks grew where scions of {item} died",
    Failure.DISPATCHES_EXCHANGED: "trees of {item} and of {partners} went to each other's customer",
    Failure.NONE_OF_THESE: "no step of the chain failed",
}
WORDS = {
    "other": "another cultivar",
    "several": "several cultivars",
    "sport": "a sport",
    "rootstock": "rootstock",
}


@dataclass(frozen=True, slots=True, eq=False)
class Reasons:
    """Puts the evidence beside a cause."""

    question: Question
    sights: Sights

    @property
    def chain(self) -> Chain:
        """Return the chain asked about."""
        return self.question.chain

    def sentence(
        self, origin: Origin, what: str | None, partners: Iterable[str], world: World
    ) -> str:
        """Return why a cause is likely or not."""
        item = origin.item.code if origin.item else None
        told = HOW[origin.failure].format(
            item=item, what=WORDS.get(what or "", what), partners=" or ".join(partners) or "another"
        )
        if origin.item is None:
            return f"{told}: {self._all_told()}"
        parts = [self._with(origin.item), *self._beside(origin.item), *self._special(origin, world)]
        return f"{told}: {'; '.join(part for part in parts if part)}"

    def _all_told(self) -> str:
        looked = self.looked([self.question.asked])
        if not looked.off:
            return f"{told(looked)} of {self.question.asked.code} were off"
        return f"{told(looked)} of {self.question.asked.code} were off, which looks get wrong"

    def _with(self, item: Name) -> str:
        looked = self.looked(self._below(item))
        return f"{told(looked)} of {WOOD.get(item.kind, 'it')} were off"

    def _beside(self, item: Name) -> list[str]:
        """Return what was seen of the same sources' other wood."""
        below = self._below(item)
        found = []
        for source in self.question.links[item].sources:
            others = self.looked(self._below(source) - below)
            if others.checked:
                found.append(f"of other wood of {source.code}, {told(others)}")
        if not found and item.kind == TREE:
            looked = self.looked([item])
            if looked.checked:
                found.append(f"of looks at the tree itself, {looked.off} of {looked.checked}")
        return found

    def _special(self, origin: Origin, world: World) -> list[str]:
        """Return what speaks for one kind of failure only."""
        books, item = self.chain.books, origin.item
        assert item is not None
        found = []
        if origin.partner is not None:
            others = self.looked(self._below(origin.partner))
            label = self.chain.label(origin.partner)
            found.append(f"of {origin.partner.code} ({label}), {told(others)}")
        if origin.failure == Failure.BUNDLE_MIXED and item.kind == BUNDLE:
            excess = books.bundles[item.code].excess
            if excess is not None:
                found.append(f"{excess:.0%} of what was used of it was never packed into it")
        if origin.failure == Failure.BUNDLE_MIXED and item.kind == LOT:
            found.append("no record says so")
        if item.kind == LOT and books.lots[item.code].lives_too_much:
            found.append("more lives in it than its grafts and earlier counts account for")
        if world.beside is not None:
            found.append(
                f"one position off all day would make it {world.beside}, "
                "and the cutter's other collections of that day wrong too"
            )
        return found

    def looked(self, names: Iterable[Name]) -> Looked:
        """Return how many trees of some things were looked at, and how many were off."""
        checked = off = 0
        for name in names:
            for each in self.sights.of(name).seen if self.sights.looked(name) else ():
                checked += each.count
                off += each.count * each.off
        return Looked(checked=checked, off=off)

    def _below(self, item: Name) -> set[Name]:
        """Return something and all downward of it that the question reaches."""
        children = self.question.children
        found: set[Name] = set()
        waiting = [item]
        while waiting:
            name = waiting.pop()
            if name not in found:
                found.add(name)
                waiting.extend(children.get(name, ()))
        return found


def told(looked: Looked) -> str:
    """Return how many of how many trees were off."""
    if not looked.checked:
        return "none was looked at"
    return f"{looked.off} of {looked.checked} trees"


def word_of(what: str | None) -> str | None:
    """Return what something is, as a person says it."""
    return None if what is None else WORDS.get(what, what)
