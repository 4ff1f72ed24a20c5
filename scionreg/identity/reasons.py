"""Why a cause is held likely or not, in one sentence: what was looked at with it, and beside it."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from scionreg.identity.chain import BUNDLE, CUT, LIMB, LOT, TREE, Chain, Name
from scionreg.identity.looks import Seen
from scionreg.identity.off_type import Fault, Looked, OffType
from scionreg.identity.question import Question
from scionreg.identity.sights import Sights
from scionreg.identity.states import SEVERAL
from scionreg.identity.worlds import Changeover, Origin, Swap, World
from scionreg.records.vocabulary import Failure, Found
from scionreg.records.words import Sentence, joined

FROM = (TREE, LIMB, CUT, BUNDLE, LOT)
"""What trees that a look may have been at come from, or stand in."""
WHAT = ("other", "several", "sport", "rootstock")
"""What something may be that is no cultivar of the registry."""
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
    ) -> Sentence:
        """Return why a cause is likely or not."""
        item = origin.item
        named = self._named(item) if item else None
        swap = world.looks if isinstance(world.looks, Swap) and origin == world.origin else None
        if swap is not None:
            named, partners = swap.mine.dispatch, (swap.other.dispatch,)
        said = "mixed_as_recorded" if self._as_recorded(origin, what) else origin.failure.value
        head = Sentence(
            f"cause.is.{said}",
            item=named,
            label=self.chain.label(item) if item else "",
            what=word_of(what or "other"),
            partners=joined(partners, "joined.or") or Sentence("cause.another"),
            nearby=_nearby([self._named(Name(TREE, each)) for each in partners]),
        )
        if item is None:
            told = self._all_told()
        elif swap is not None:
            told = self._exchanged(swap)
        else:
            parts = [self._with_and_beside(item), *self._special(origin, world)]
            told = joined(parts, "joined.semicolon")
        return Sentence("cause.because", head=head, told=told)

    def _as_recorded(self, origin: Origin, what: str | None) -> bool:
        """Tell whether the records themselves put what was found under another label."""
        item, space = origin.item, self.chain.steps.space
        if origin.failure != Failure.BUNDLE_MIXED or item is None:
            return False
        others = self.chain.put_together(item) - {self.chain.label(item)}
        return what in {*map(space.what_of, others), *((SEVERAL,) if len(others) > 1 else ())}

    def _named(self, name: Name) -> str:
        """Return a code as it is written; of a tree before an identity break, until when."""
        stem = self.chain.books.stems.get(name.code) if name.kind == TREE else None
        if stem is None or stem.until is None:
            return name.code if stem is None else stem.tree
        return Sentence("cause.tree_before", tree=stem.tree, until=stem.until)

    # -------------------------------------------------------------------------- what was looked at

    def _all_told(self) -> str:
        asked = self.question.asked
        looked = _counted(self._seen([asked]))
        if asked.kind == TREE and looked.checked:
            said = itself(looked, Sentence("cause.itself", tree=self._named(asked)))
        else:
            where = f"cause.where.{'in' if asked.kind == LOT else 'from'}"
            said = looks_at(looked, Sentence(where, code=asked.code))
        return Sentence("cause.false_alarm", said=said) if looked.off else said

    def _with_and_beside(self, item: Name) -> str:
        """Return what was seen of something's wood, and of its sources' other wood against it."""
        below = self._below(item)
        seen = self._seen(below - {item} if item.kind == TREE else below)
        looked = _counted(seen)
        wood = item.kind if item.kind in FROM else "of_it"
        said = _found(looks_at(looked, Sentence(f"cause.wood.{wood}")), seen)
        for i, (others, told) in enumerate(self._beside(item, below)):
            against = not i and _apart(looked, others)
            said = Sentence(f"cause.beside.{'while' if against else 'and'}", said=said, told=told)
        return said

    def _beside(self, item: Name, below: set[Name]) -> list[tuple[Looked, str]]:
        """Return what was seen of the same sources' other wood, or of the tree itself."""
        found = []
        if item.kind == TREE:
            found += self._itself(item)
        for source in self.question.links[item].sources:
            others = _counted(self._seen(self._below(source) - below - {source}))
            if others.checked and source.kind in FROM:
                wood = Sentence("cause.other_wood", of=self._named(source))
                found.append((others, also(others, wood)))
            if source.kind == TREE:
                found += self._itself(source)
        return found[:NEAR]

    def _itself(self, tree: Name) -> list[tuple[Looked, str]]:
        own = _counted(self._seen([tree]))
        told = itself(own, Sentence("cause.itself", tree=self._named(tree)))
        return [(own, told)] if own.checked else []

    def _special(self, origin: Origin, world: World) -> list[str]:
        """Return what speaks for or against one kind of failure only."""
        books, item = self.chain.books, origin.item
        assert item is not None
        found: list[str] = []
        if origin.partner is not None:
            others = _counted(self._seen(self._below(origin.partner)))
            label, code = self.chain.label(origin.partner), origin.partner.code
            found.append(looks_at(others, Sentence("cause.where.labelled", code=code, label=label)))
        if isinstance(world.looks, Changeover):
            found.append(self._at_end(item, world.looks))
        if origin.failure == Failure.BUNDLE_MIXED and item.kind == BUNDLE:
            excess = books.bundles[item.code].excess
            if excess is not None:
                found.append(Sentence("cause.excess", share=f"{excess:.0%}"))
        if item.kind == LOT and books.lots[item.code].lives_too_much:
            found.append(Sentence("cause.lives_too_much"))
        if world.beside is not None:
            tree = self._named(Name(TREE, world.beside))
            found.append(Sentence("cause.one_off_all_day", tree=tree))
        return found

    def _at_end(self, item: Name, looks: Changeover) -> Sentence:
        """Return where in the lot the off trees stand, and where a neighbour's wood would."""
        places = sorted(
            each.position for each in self._seen([item]) if each.off and each.position is not None
        )
        if not places:
            return Sentence("cause.no_places")
        end = "first" if looks.run.at_start else "last"
        return Sentence(f"cause.ran_on.{end}", places=_span(places))

    def _exchanged(self, swap: Swap) -> str:
        """Return what was seen of two dispatches' trees, and of their lots elsewhere."""
        said = []
        for line in (swap.mine, swap.other):
            lot = Name(LOT, line.lot)
            places = self.sights.places(line.dispatch)
            seen = self._seen([lot])
            sent = [each for each in seen if each.place in places]
            rest = _counted(each for each in seen if each.place not in places)
            where = Sentence("cause.where.from", code=line.dispatch)
            told = _found(looks_at(_counted(sent), where), sent)
            if rest.checked:
                word = "while" if _apart(_counted(sent), rest) else "and"
                others = also(rest, Sentence("cause.rest_of", lot=line.lot))
                told = Sentence(f"cause.beside.{word}", said=told, told=others)
            said.append(told)
        return joined(said, "joined.semicolon")

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
        """Return something and all downward of it that the question reaches, under one label.

        What the records put under another label is off by that one, which says nothing of this.
        """
        children, label = self.question.children, self.chain.label
        found: set[Name] = set()
        waiting = [item]
        while waiting:
            name = waiting.pop()
            if name not in found:
                found.add(name)
                waiting.extend(e for e in children.get(name, ()) if label(e) == label(item))
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


def looks_at(looked: Looked, where: str = "") -> Sentence:
    """Return how many of the trees looked at somewhere were off; `where` begins with a blank.

    >>> looks_at(Looked(checked=10, off=1), " in this lot")
    '1 of the 10 trees looked at in this lot was off'
    """
    return _off("at", looked, where)


def also(looked: Looked, where: str) -> Sentence:
    """Return the same of other trees, said after the first.

    >>> also(Looked(checked=21, off=0), "other wood of T26-0001-7")
    'none of the 21 from other wood of T26-0001-7 was off'
    """
    return _off("also", looked, where)


def _off(said: str, looked: Looked, where: str) -> Sentence:
    number, off = looked.checked, looked.off
    if not number:
        how = "no_tree"
    elif number == 1:
        how = "one_off" if off else "one_true"
    elif not off:
        how = "none"
    elif off == number:
        how = "both" if number == 2 else "all"
    else:
        how = "single" if off == 1 else "some"
    return Sentence(f"look.{said}.{how}", off=off, number=number, where=where)


def itself(looked: Looked, tree: str) -> Sentence:
    """Return what looks at a mother tree itself found."""
    number, off = looked.checked, looked.off
    if 0 < off < number:
        how = "some_off"
    else:
        how = ("off" if off else "true") + ("_all" if number > 1 else "")
    return Sentence(f"cause.tree.{how}", tree=tree, off=off, number=number)


def looks_in_words(answer: OffType) -> Sentence:
    """Return how many trees of what was asked about were looked at, and how many were off."""
    looked = answer.looked
    one_tree = "/" in answer.code or any(
        each.kind == "mother_tree" and each.code == answer.code for each in answer.chain
    )
    if not one_tree:
        return looks_at(looked)
    if not looked.checked:
        return Sentence("cause.not_looked_at")
    return itself(looked, Sentence("tree.it"))


def _found(said: str, seen: Iterable[Seen]) -> str:
    """Return what was said with what the off trees were found to be, where looks named it."""
    names: Counter[str] = Counter()
    off = 0
    for each in seen:
        off += each.count * each.off
        reported = [one.found for one in each.reports if one.found is not None]
        known = [name for name in reported if name not in (Found.UNKNOWN, Found.OTHER)]
        if known:
            names[word_of(known[-1])] += each.count
    if not names:
        return said
    first, number = names.most_common(1)[0]
    if number == off:
        return Sentence("cause.found", said=said, what=first)
    some = (
        Sentence("cause.found_number", number=number, what=name)
        for name, number in names.most_common(NEAR)
    )
    return Sentence("cause.found_some", said=said, some=joined(some, "joined.comma"))


def _nearby(trees: list[str]) -> str:
    if not trees:
        return ""
    return Sentence.many("cause.nearby", len(trees), trees=joined(trees[:NEAR], "joined.and"))


def _span(places: list[int]) -> Sentence:
    """Return positions in words, in short where they are many."""
    if len(places) > 6:
        first, last = places[0], places[-1]
        return Sentence("cause.places.run", number=len(places), first=first, last=last)
    return Sentence.many("cause.places", len(places), places=", ".join(map(str, places)))


def name_of(cause: Fault) -> Sentence:
    """Return a cause in a few words: what failed, of what, with what."""
    if cause.failure == Failure.NONE_OF_THESE:
        return Sentence("cause.no_step")
    failed = Sentence(f"word.Failure.{cause.failure.value}")
    if not cause.partners:
        return Sentence("cause.named", failed=failed, item=cause.item)
    partners = joined(cause.partners, "joined.or")
    return Sentence("cause.named_with", failed=failed, item=cause.item, partners=partners)


def word_of(what: str) -> str:
    """Return what something is, as a person says it."""
    return Sentence(f"cause.what.{what}") if what in WHAT else what
