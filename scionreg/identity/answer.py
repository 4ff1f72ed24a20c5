"""Where an identity broke: the question put, weighed, and answered."""

from collections.abc import Iterable, Sequence

import numpy as np

from scionreg.identity.chain import BUNDLE, CUT, LOT, TREE, Chain, Name
from scionreg.identity.drawn_chain import drawn_chain
from scionreg.identity.evidence import Asked, Evidence, was_off
from scionreg.identity.looks import Reports, Seen
from scionreg.identity.next_checks import Candidate, Stake, next_checks
from scionreg.identity.off_type import Fault, Looked, NextCheck, OffType
from scionreg.identity.question import Question
from scionreg.identity.reasons import Reasons
from scionreg.identity.sharing import Sharing
from scionreg.identity.sights import Sights
from scionreg.identity.states import SPORT, STOCK, Space
from scionreg.identity.steps import neighbours_like
from scionreg.identity.worlds import Origin, Swap
from scionreg.lineage.identity_books import IdentityBooks
from scionreg.records.errors import NotFoundError
from scionreg.records.fixed_values import OFF_TYPE
from scionreg.records.starting_values import IdentityValues, OffTypeValues
from scionreg.records.vocabulary import Failure

GROUPS = 10
LIKELY = 1e-3
"""Causes whose states are kept apart, at most, and from which probability on; the others are taken
together."""
CANDIDATES = 40
"""Things that a check is tried on."""
TIED, TIED_ODDS = OFF_TYPE.tied, OFF_TYPE.tied_odds
"""Causes cannot be told apart where how well they explain all that was seen differs by no more than
the first factor, or how likely they are by no more than the second: odds that are not worth more
than a bare mention (Kass & Raftery 1995, J. Am. Stat. Assoc. 90:773-795, from memory)."""
WORTH_NAMING = OFF_TYPE.worth_naming
"""Probability from which on a cause is counted among the tied."""


def off_type(
    books: IdentityBooks,
    code: str,
    *,
    position: int | None = None,
    rates: IdentityValues | None = None,
    values: OffTypeValues | None = None,
) -> OffType:
    """Return where the identity of something broke, and what follows.

    Parameters
    ----------
    books : the records around it, and around all evidence.
    code : of a mother tree, collection, bundle, graft lot or dispatch.
    position : of one tree in a graft lot; None asks about all that was found off there.

    Raises
    ------
    NotFoundError
        The records do not have it.
    """
    rates, values = rates or IdentityValues(), values or OffTypeValues()
    space = Space(named(books))
    chain = Chain(books, space, values)
    sights = Sights(chain, values)
    asked = sights.name(code)
    if asked is None:
        raise NotFoundError(f"'{code}' is no tree, collection, bundle, graft lot or dispatch")
    about = _about(sights, code, asked, position)
    if position is not None:
        sights.notice(asked, position)
    evidence = Evidence(Reports(space, rates, values), values.stick_run)
    question = Question(chain, sights, evidence, values, asked, about)
    return _Answer(question, sights, rates, values).given(code, position, about)


def named(books: IdentityBooks) -> list[str]:
    """Return the cultivars that checks and marker profiles found where another was labelled."""
    found = {each.found for each in books.checks} | {each.found for each in books.profiles}
    return sorted(name for name in found if name is not None and name in books.cultivars)


def _about(sights: Sights, code: str, asked: Name, position: int | None) -> Asked:
    """Return which trees are asked about."""
    if position is not None:
        return lambda seen: seen.position == position
    if asked.kind == LOT and asked.code != code:
        places = sights.places(code)
        return lambda seen: seen.off and seen.place in places
    return was_off


class _Answer:
    """Puts an answer together from what was weighed."""

    def __init__(
        self, question: Question, sights: Sights, rates: IdentityValues, values: OffTypeValues
    ) -> None:
        self._question, self._sights = question, sights
        self._rates, self._values = rates, values
        self._chances = question.probabilities()
        likely = [each for each, chance in self._chances.items() if chance >= LIKELY]
        groups: list[list[Origin]] = [[each] for each in likely[:GROUPS]]
        rest = [each for each in self._chances if [each] not in groups]
        if rest:
            groups.append(rest)
        weights = np.array([sum(self._chances[each] for each in group) for group in groups])
        self._place = {each: i for i, group in enumerate(groups) for each in group}
        self._sharing = Sharing(question, groups, weights / weights.sum(), question.states(groups))

    def given(self, code: str, position: int | None, about: Asked) -> OffType:
        """Return the answer."""
        faults = {origin: self._fault(origin) for origin in self._chances}
        checks = self._next_checks()
        affected, excluded = self._sharing.affected({each.item for each in checks})
        chain, asked = self._question.chain, self._question.asked
        return OffType(
            code=code if position is None else f"{code}/{position}",
            label=chain.label(asked),
            looked=self._looked(code, position, about),
            causes=tuple(faults.values()),
            tied=tuple(tuple(faults[each] for each in group) for group in self._tied()),
            affected=tuple(affected),
            excluded=tuple(excluded),
            next_checks=checks,
            missing=self._missing(),
            taken_apart=self._question.apart,
            chain=drawn_chain(self._question, self._sights, self._sharing),
        )

    def _looked(self, code: str, position: int | None, about: Asked) -> Looked:
        asked = self._question.asked
        seen: Sequence[Seen] = self._sights.of(asked).seen
        if position is not None:
            seen = [each for each in seen if about(each) and each.reports]
        elif asked.kind == LOT and asked.code != code:
            places = self._sights.places(code)
            seen = [each for each in seen if each.place in places]
        return Looked(
            checked=sum(each.count for each in seen),
            off=sum(each.count for each in seen if each.off),
        )

    def _fault(self, origin: Origin) -> Fault:
        what = self._what(origin)
        partners = self._partners(origin, what)
        item = self._code(origin.item) if origin.item else None
        world = self._question.world_of(origin)
        if isinstance(world.looks, Swap) and origin == world.origin:
            # What was exchanged is the dispatches, whatever lots their trees are of.
            item, partners = world.looks.mine.dispatch, (world.looks.other.dispatch,)
        reasons = Reasons(self._question, self._sights)
        return Fault(
            failure=origin.failure,
            item=item,
            partners=partners,
            what=what,
            probability=self._chances[origin],
            because=reasons.sentence(origin, what, partners, world),
        )

    def _code(self, name: Name) -> str:
        """Return the code of something; of what a tree was before, the tree's."""
        stem = self._question.chain.books.stems.get(name.code) if name.kind == TREE else None
        return stem.tree if stem else name.code

    def _what(self, origin: Origin) -> str | None:
        chain = self._question.chain
        if origin.failure == Failure.NONE_OF_THESE or origin.item is None:
            return None
        if origin.failure == Failure.ROOTSTOCK_GREW:
            return STOCK
        if origin.failure == Failure.TREE_SPORT:
            return SPORT  # by itself; with unlikely causes that are taken together it is lost
        if origin.partner is not None:
            return chain.label(origin.partner)
        return self._sharing.what(origin.item, [self._place[origin]])

    def _partners(self, origin: Origin, what: str | None) -> tuple[str, ...]:
        if origin.partner is not None:
            return (origin.partner.code,)
        cutting = (Failure.OTHER_TREE_CUT, Failure.TWO_TREES_CUT)
        if origin.failure in cutting and origin.item is not None and what is not None:
            books = self._question.chain.books
            cut = books.cuts[origin.item.code]
            near = neighbours_like(cut.neighbours, what, self._question.chain.steps.space)
            return tuple(near)
        return ()

    def _tied(self) -> list[list[Origin]]:
        """Return the causes that nothing tells apart, in groups, the likeliest first."""
        left = [each for each, chance in self._chances.items() if chance >= WORTH_NAMING]
        groups = []
        while left:
            alike = [each for each in left if self._alike(left[0], each)]
            groups.append(alike)
            left = [each for each in left if each not in alike]
        return [group for group in groups if len(group) > 1]

    def _alike(self, first: Origin, other: Origin) -> bool:
        """Tell whether nothing tells a cause from one that is likelier."""
        if self._chances[other] * TIED_ODDS >= self._chances[first]:
            return True
        if Failure.NONE_OF_THESE in (first.failure, other.failure):
            return False  # they explain what was seen differently: not at all
        one, two = (self._question.likelihood(each, self._what(each)) for each in (first, other))
        return one / TIED <= two <= one * TIED

    def _next_checks(self) -> tuple[NextCheck, ...]:
        sharing, books = self._sharing, self._question.chain.books
        space = self._question.chain.steps.space
        lots = [name for name in sharing.near if name.kind == LOT]
        if not lots:
            return ()
        wrong = np.array([sharing.near[name] @ space.share for name in lots]).T
        stake = Stake(wrong, np.array([float(books.lots[name.code].grafts) for name in lots]))
        candidates = [
            Candidate(
                name.code,
                None,
                books.lots[name.code].grafts if name.kind == LOT else 1,
                sharing.near[name],
            )
            for name in self._worth_a_look()
        ]
        return next_checks(space, sharing.weights, candidates, stake, self._rates, self._values)

    def _worth_a_look(self) -> Iterable[Name]:
        """Return lots and trees whose state depends most on which cause it is."""
        sharing = self._sharing
        space = self._question.chain.steps.space

        def spread(name: Name) -> float:
            share = sharing.near[name] @ space.share
            mean = sharing.weights @ share
            return float(sharing.weights @ (share - mean) ** 2)

        names = [name for name in sharing.near if name.kind in (LOT, TREE)]
        return sorted(names, key=lambda name: (-spread(name), name))[:CANDIDATES]

    def _missing(self) -> tuple[str, ...]:
        """Return what was not recorded on the way up."""
        books = self._question.chain.books
        found = []
        for kind, code in sorted(self._question.chain.upward([self._question.asked])):
            if kind == CUT:
                cut = books.cuts[code]
                found += [f"the date of cutting {code}"] if cut.date is None else []
                found += [f"who cut {code}"] if cut.cutter is None else []
            elif kind == BUNDLE:
                bundle = books.bundles[code]
                found += [f"the day {code} was packed"] if bundle.packed is None else []
            elif kind == LOT:
                lot = books.lots[code]
                found += [f"the day {code} was grafted"] if lot.date is None else []
                found += [f"the row positions of {code}"] if lot.first is None else []
                if lot.before is None and lot.after is None:
                    found.append(f"which lots were worked before and after {code}")
        return tuple(found)
