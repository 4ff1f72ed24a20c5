"""Why a cause is held likely or not, in one sentence: what was looked at with it, and beside it."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from scionreg.identity.chain import BUNDLE, CUT, LIMB, LOT, TREE, Chain, Name
from scionreg.identity.looks import Seen
from scionreg.identity.off_type import Fault, Looked, OffType
from scionreg.identity.question import Question
from scionreg.identity.sights import Sights
from scionreg.identity.worlds import Changeover, Origin, Swap, World
from scionreg.records.vocabulary import Failure, Found

FROM = {
    TREE: "from this tree",
    LIMB: "from this limb",
    CUT: "from this cutting",
    BUNDLE: "from this bundle",
    LOT: "in this lot",
}
"""Where trees that a look may have been at come from, or stand."""
HOW = {
    Failure.TREE_IS_OTHER: "the mother tree {item} is {what}",
    Failure.TREE_PARTLY_OTHER: "part of the mother tree {item} is {what}",
    Failure.TREE_SPORT: "the mother tree {item}, or a limb of it, is a sport",
    Failure.OTHER_TREE_CUT: "another tree was cut than is written down for {item}, and it is "
    "{what}",
    Failure.TWO_TREES_CUT: "a second tree was cut for {item} as well, and it is {what}",
    Failure.BUNDLE_MISLABELLED: "the bundle {item} got a wrong label and is {what}",
    Failure.BUNDLES_EXCHANGED: "the bundles {item} and {partners} carry each other's label",
    Failure.BUNDLE_MIXED: "wood of {what} came into {item} without a record",
    Failure.LOT_MISLABELLED: "the lot {item} got a wrong label and is {what}",
    Failure.LOTS_EXCHANGED: "the lots {item} and {partners} carry each other's label",
    Failure.CHANGEOVER_MIXED: "wood ran on between the lots {item} and {partners}, worked one "
    "after the other",
    Failure.ROOTSTOCK_GREW: "rootstock grew where scions of {item} had died",
    Failure.DISPATCHES_EXCHANGED: "the dispatches {item} and {partners} went to each other's "
    "customer",
    Failure.NONE_OF_THESE: "no step of the chain failed",
}
WORDS = {
    "other": "another cultivar",
    "several": "several cultivars",
    "sport": "a sport",
    "rootstock": "rootstock",
}
NEAR = 2
"""Trees nearby, and causes of a name, that are named at most."""
CONTRAST = 0.5
"""Difference between two shares of off trees from which on they stand against each other."""


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
        item = origin.item
        named = self._named(item) if item else None
        swap = world.looks if isinstance(world.looks, Swap) and origin == world.origin else None
        if swap is not None:
            named, partners = swap.mine.dispatch, (swap.other.dispatch,)
        head = HOW[origin.failure].format(
            item=named,
            what=WORDS.get(what or "", what or "another cultivar"),
            partners=" or ".join(partners) or "another",
        )
        if item is None:
            return f"{head}: {self._all_told()}"
        if origin.failure in (Failure.OTHER_TREE_CUT, Failure.TWO_TREES_CUT):
            head += _nearby([self._named(Name(TREE, each)) for each in partners])
        if swap is not None:
            return f"{head}: {self._exchanged(swap)}"
        parts = [self._with_and_beside(item), *self._special(origin, world)]
        return f"{head}: {'; '.join(parts)}"

    def _named(self, name: Name) -> str:
        """Return a code as it is written; of a tree before an identity break, until when."""
        stem = self.chain.books.stems.get(name.code) if name.kind == TREE else None
        if stem is None or stem.until is None:
            return name.code if stem is None else stem.tree
        return f"{stem.tree} as it was before {stem.until}"

    # -------------------------------------------------------------------------- what was looked at

    def _all_told(self) -> str:
        asked = self.question.asked
        looked = _counted(self._seen([asked]))
        if asked.kind == TREE and looked.checked:
            said = itself(looked, f"{self._named(asked)} itself")
        else:
            said = looks_at(looked, f"{'in' if asked.kind == LOT else 'from'} {asked.code}")
        return f"{said}, and looks now and then call a true tree off" if looked.off else said

    def _with_and_beside(self, item: Name) -> str:
        """Return what was seen of something's wood, and of its sources' other wood against it."""
        below = self._below(item)
        seen = self._seen(below - {item} if item.kind == TREE else below)
        looked = _counted(seen)
        said = looks_at(looked, FROM.get(item.kind, "of it")) + _found(seen)
        for i, (others, told) in enumerate(self._beside(item, below)):
            said += f", {'while' if not i and _apart(looked, others) else 'and'} {told}"
        return said

    def _beside(self, item: Name, below: set[Name]) -> list[tuple[Looked, str]]:
        """Return what was seen of the same sources' other wood, or of the tree itself."""
        found = []
        if item.kind == TREE:
            found += self._itself(item)
        for source in self.question.links[item].sources:
            others = _counted(self._seen(self._below(source) - below - {source}))
            if others.checked and source.kind in FROM:
                found.append((others, also(others, f"other wood of {self._named(source)}")))
            if source.kind == TREE:
                found += self._itself(source)
        return found[:NEAR]

    def _itself(self, tree: Name) -> list[tuple[Looked, str]]:
        own = _counted(self._seen([tree]))
        return [(own, itself(own, f"{self._named(tree)} itself"))] if own.checked else []

    def _special(self, origin: Origin, world: World) -> list[str]:
        """Return what speaks for or against one kind of failure only."""
        books, item = self.chain.books, origin.item
        assert item is not None
        found = []
        if origin.partner is not None:
            others = _counted(self._seen(self._below(origin.partner)))
            label = self.chain.label(origin.partner)
            of = f"from {origin.partner.code}, which is labelled {label},"
            found.append(looks_at(others, of))
        if isinstance(world.looks, Changeover):
            found.append(self._at_end(item, world.looks))
        if origin.failure == Failure.BUNDLE_MIXED and item.kind == BUNDLE:
            excess = books.bundles[item.code].excess
            if excess is not None:
                found.append(f"{excess:.0%} of the sticks used of it were never packed into it")
        if item.kind == LOT and books.lots[item.code].lives_too_much:
            found.append("more lives in it than its grafts and earlier counts account for")
        if world.beside is not None:
            found.append(
                f"one position off all day, it would be {self._named(Name(TREE, world.beside))}, "
                "and that day's other cuttings by the same hand would be wrong too"
            )
        return [each for each in found if each]

    def _at_end(self, item: Name, looks: Changeover) -> str:
        """Return where in the lot the off trees stand, and where a neighbour's wood would."""
        places = sorted(
            each.position for each in self._seen([item]) if each.off and each.position is not None
        )
        if not places:
            return "where in the lot the off trees stand was not recorded"
        stand = _span(places)
        end = "first" if looks.run.at_start else "last"
        return f"the off trees stand at {stand}, and wood that ran on at its {end} positions"

    def _exchanged(self, swap: Swap) -> str:
        """Return what was seen of two dispatches' trees, and of their lots elsewhere."""
        said = []
        for line in (swap.mine, swap.other):
            lot = Name(LOT, line.lot)
            places = self.sights.places(line.dispatch)
            seen = self._seen([lot])
            sent = [each for each in seen if each.place in places]
            rest = _counted(each for each in seen if each.place not in places)
            told = looks_at(_counted(sent), f"from {line.dispatch}") + _found(sent)
            if rest.checked:
                word = "while" if _apart(_counted(sent), rest) else "and"
                told += f", {word} {also(rest, f'the rest of {line.lot}')}"
            said.append(told)
        return "; ".join(said)

    def _seen(self, names: Iterable[Name]) -> list[Seen]:
        """Return the trees of some things that looks say something of."""
        return [
            each
            for name in names
            for each in (self.sights.of(name).seen if self.sights.looked(name) else ())
            if each.reports
        ]

    def looked(self, names: Iterable[Name]) -> Looked:
        """Return how many trees of some things were looked at, and how many were off."""
        return _counted(self._seen(names))

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


def _counted(seen: Iterable[Seen]) -> Looked:
    checked = off = 0
    for each in seen:
        checked += each.count
        off += each.count * each.off
    return Looked(checked=checked, off=off)


def _apart(one: Looked, other: Looked) -> bool:
    """Return whether two shares of off trees stand against each other."""
    if not (one.checked and other.checked):
        return True
    return abs(one.off / one.checked - other.off / other.checked) >= CONTRAST


def looks_at(looked: Looked, where: str = "") -> str:
    """Return how many of the trees looked at somewhere were off.

    >>> looks_at(Looked(checked=10, off=1), "in this lot")
    '1 of the 10 trees looked at in this lot was off'
    """
    number, off = looked.checked, looked.off
    trees = f"trees looked at {where}".rstrip()
    if not number:
        return "no tree " + f"{where} was looked at".lstrip()
    if number == 1:
        return f"the one {trees.replace('trees', 'tree')} was {'off' if off else 'true'}"
    if not off:
        return f"none of the {number} {trees} was off"
    if off == number:
        return f"{'both' if number == 2 else f'all {number}'} {trees} were off"
    return f"{off} of the {number} {trees} {_were(off)} off"


def also(looked: Looked, where: str) -> str:
    """Return the same of other trees, said after the first.

    >>> also(Looked(checked=21, off=0), "other wood of T26-0001-7")
    'none of the 21 from other wood of T26-0001-7 was off'
    """
    number, off = looked.checked, looked.off
    if number == 1:
        return f"the one from {where} was {'off' if off else 'true'}"
    if not off:
        return f"none of the {number} from {where} was off"
    if off == number:
        return f"{'both' if number == 2 else f'all {number}'} from {where} were off"
    return f"{off} of the {number} from {where} {_were(off)} off"


def itself(looked: Looked, tree: str) -> str:
    """Return what looks at a mother tree itself found."""
    number, off = looked.checked, looked.off
    if 0 < off < number:
        return f"{off} of {number} looks at {tree} found it off"
    every = "" if number == 1 else f" in all {number} looks"
    return f"{tree} was found {'off' if off else 'true'}{every}"


def looks_in_words(answer: OffType) -> str:
    """Return how many trees of what was asked about were looked at, and how many were off."""
    looked = answer.looked
    one_tree = "/" in answer.code or any(
        each.kind == "mother_tree" and each.code == answer.code for each in answer.chain
    )
    if not one_tree:
        return looks_at(looked)
    return itself(looked, "it") if looked.checked else "it was not looked at"


def _were(number: int) -> str:
    return "was" if number == 1 else "were"


def _found(seen: Iterable[Seen]) -> str:
    """Return what the off trees were found to be, where looks named it."""
    names: Counter[str] = Counter()
    off = 0
    for each in seen:
        off += each.count * each.off
        reported = [one.found for one in each.reports if one.found is not None]
        known = [name for name in reported if name not in (Found.UNKNOWN, Found.OTHER)]
        if known:
            names[WORDS.get(known[-1], known[-1])] += each.count
    if not names:
        return ""
    first, number = names.most_common(1)[0]
    if number == off:
        return f", found to be {first}"
    told = (f"{number} found to be {name}" for name, number in names.most_common(NEAR))
    return f" ({', '.join(told)})"


def _nearby(trees: list[str]) -> str:
    if not trees:
        return ""
    verb = "stands" if len(trees) == 1 else "stand"
    return f" ({' and '.join(trees[:NEAR])} {verb} nearby)"


def _span(places: list[int]) -> str:
    """Return positions in words, in short where they are many."""
    if len(places) == 1:
        return f"position {places[0]}"
    if len(places) <= 6:
        return f"positions {', '.join(map(str, places))}"
    return f"{len(places)} positions from {places[0]} to {places[-1]}"


def name_of(cause: Fault) -> str:
    """Return a cause in a few words: what failed, of what, with what."""
    if cause.failure == Failure.NONE_OF_THESE:
        return "no step failed"
    partners = f" with {' or '.join(cause.partners)}" if cause.partners else ""
    return f"{cause.failure.value.replace('_', ' ')}: {cause.item}{partners}"


def word_of(what: str | None) -> str | None:
    """Return what something is, as a person says it."""
    return None if what is None else WORDS.get(what, what)
