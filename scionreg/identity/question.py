"""One question to the chain: where the identity of a thing broke.

The cause of something is the nearest step upward that failed and gave at least one of its off
trees; if none did, its rootstock; else none of these. At a mix one goes up to the wood that the
foreign share came from, in proportion to what each brought. Each cause is weighed by the network
with one piece of that step in place of its sum, and nothing but inheritance below it.
"""

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from scionreg.identity.chain import BUNDLE, LOT, Chain, Link, Name
from scionreg.identity.evidence import Asked, Evidence, Otherwise, Run, Sight, Split, was_off
from scionreg.identity.far_mixes import MIX, taken_apart
from scionreg.identity.looks import Seen
from scionreg.identity.network import Eliminator, Factor, TooWideError, log_value, order_of
from scionreg.identity.sights import Sights
from scionreg.identity.states import Floats
from scionreg.identity.worlds import (
    MIRRORED,
    Changeover,
    Origin,
    Swap,
    World,
    named_wrong,
    runs_of,
    worlds,
)
from scionreg.lineage.identity_books import Sent
from scionreg.records.errors import RegistryError
from scionreg.records.starting_values import OffTypeValues
from scionreg.records.vocabulary import Failure

NEGLIGIBLE = math.log(1e-13)
"""Logarithm of the share of the probability from which on a branch is not followed."""


TRIES = 3
TOO_ENTANGLED = (
    "the wood around this was tied together from so many bundles that its causes cannot be told "
    "apart here; ask about one of its bundles or trees"
)


@dataclass(frozen=True, slots=True, eq=False)
class Weighed:
    """One way in which an origin may have come about: the log of its probability, and its sums."""

    origin: Origin
    world: World
    log: float
    sums: tuple[Factor, ...]


Piece = Failure | int | None
"""Of a step: a failure, what is inherited from a source (by its place), or their sum."""
Vectors = Mapping[Name, tuple[Floats, float]]


@dataclass(eq=False)
class Branch:
    """Part of the evidence in a world: what the off trees owe to there, and the likelihoods.

    `origin` None: to the wood of the thing asked about, so that one goes up from it.
    """

    origin: Origin | None
    vectors: Vectors = field(default_factory=dict)


class Question:
    """The network around one thing, and the probability of each origin of its off trees."""

    def __init__(
        self,
        chain: Chain,
        sights: Sights,
        evidence: Evidence,
        values: OffTypeValues,
        asked: Name,
        about: Asked = was_off,
    ) -> None:
        self.chain, self.asked = chain, asked
        self._sights, self._evidence, self._values, self._about = sights, evidence, values, about
        self.worlds = worlds(chain, asked, values)
        self._near = self._nearby()
        self.links = self._connected()
        self._vectors: dict[Name, tuple[Floats, float]] = {}
        self._found = any(about(each) for each in sights.of(asked).seen)
        self.apart: tuple[str, ...] = ()
        for less in range(TRIES):
            try:
                self.weighed = self._weighed(less)
                break
            except TooWideError:
                if less == TRIES - 1:
                    raise RegistryError(TOO_ENTANGLED) from None

    @cached_property
    def children(self) -> dict[Name, list[Name]]:
        """Return what came from each thing, by the links of the records."""
        found: dict[Name, list[Name]] = {}
        for name, link in self.links.items():
            for source in link.sources:
                found.setdefault(source, []).append(name)
        return found

    # ------------------------------------------------------------------------ what it consists of

    def _nearby(self) -> dict[Name, Link]:
        """Return what the worlds change and all upward of it, by the links of the records."""
        changed = {self.asked}
        for world in self.worlds:
            changed |= {*world.links, *((world.partner,) if world.partner else ())}
            changed |= {source for link in world.links.values() for source in link.sources}
        return self.chain.upward(changed)

    def _connected(self) -> dict[Name, Link]:
        """Return what evidence may bear on the question, with all upward of it."""
        every = self.chain.upward([*self._near, *self._sights.looked_at(), *self._mixes()])
        joined: dict[Name, Name] = {}

        def top(name: Name) -> Name:
            while joined.get(name, name) != name:
                joined[name] = name = joined.get(joined[name], joined[name])
            return name

        for name, link in every.items():
            for source in link.sources:
                joined[top(source)] = top(name)
        for world in self.worlds:
            touched = [*world.links, *((world.partner,) if world.partner else ())]
            touched += [source for link in world.links.values() for source in link.sources]
            for name in touched:
                joined[top(name)] = top(self.asked)
        wanted = top(self.asked)
        return {name: link for name, link in every.items() if top(name) == wanted}

    def _mixes(self) -> list[Name]:
        """Return the mixes below what is near, whose share of the fault is asked for."""
        return [
            Name(BUNDLE, code) for code, each in self.chain.books.bundles.items() if each.parents
        ]

    def _weighed(self, less: int) -> list[Weighed]:
        """Return all ways, with re-bundles taken apart where tables would be too large."""
        seen = {name: self._seen(name)[0] for name in self.links if self._sights.looked(name)}
        apart = taken_apart(self.links, seen, self.asked, less)
        self.links |= apart
        self._near |= {name: link for name, link in apart.items() if name in self._near}
        self.apart = tuple(sorted({*self.apart, *(name.code for name in apart)}))
        self._eliminator: Eliminator[Name] = Eliminator()
        self._orders: dict[World, list[Name]] = {}
        self._factors: dict[tuple[object, ...], Factor] = {}
        self._below = self._base()
        return self._weigh()

    # ----------------------------------------------------------------------------------- factors

    def _table(self, name: Name, link: Link, piece: Piece = None) -> Factor:
        """Return the factor of a step, or of one piece of it: a failure, or a source inherited."""
        key = (name, id(link.step), link.sources, piece)
        if key not in self._factors:
            step = link.step
            if piece is None:
                values = step.table
            elif isinstance(piece, Failure):
                values = step.failed(piece)
            else:
                values = step.inherited(piece if len(link.sources) > 1 else None)
            self._factors[key] = Factor((*link.sources, name), values)
        return self._factors[key]

    def _seen(self, name: Name) -> tuple[Floats, float]:
        """Return the likelihoods of the looks at something, as the records have it."""
        if name not in self._vectors:
            sight = self._sights.of(name)
            self._vectors[name] = self._evidence.likelihood(sight, self._otherwise(name, sight))
        return self._vectors[name]

    def _otherwise(self, name: Name, sight: Sight) -> list[Otherwise]:
        """Return what else looks at a lot may have seen: a neighbour's wood, or another dispatch.

        The thing asked about takes no part: what it shares with another is a world of its own.
        Nothing of the kind is thought of where nothing was found off.
        """
        if name.kind != LOT or not sight.off:
            return []
        runs = runs_of(self.chain, self.chain.books.lots[name.code], self._values)
        found = [
            Otherwise(sight, chance, run) for run, chance, other in runs if other != self.asked
        ]
        return found + self._sights.sent_wrong(name, self.asked, self._values.dispatches_exchanged)

    def _vector(self, name: Name, vector: tuple[Floats, float]) -> Factor:
        key = (name, id(vector[0]))
        if key not in self._factors:
            values, scale = vector
            self._factors[key] = Factor((name,), values, scale)
        return self._factors[key]

    def _base(self) -> list[Factor]:
        """Return what is left of all that is not near, once it is eliminated."""
        factors = []
        for name, link in self.links.items():
            if name not in self._near:
                factors.append(self._table(name, link))
                if self._sights.looked(name):
                    factors.append(self._vector(name, self._seen(name)))
        scopes = [(name, *link.sources) for name, link in self.links.items()]
        return self._eliminator.eliminate(factors, order_of(scopes, self._near, MIX)[0])

    def _order(self, world: World, factors: Iterable[Factor]) -> list[Name]:
        """Return the order of elimination in a world, of what is left of all that is not near."""
        if world not in self._orders:
            scopes: list[Any] = [each.variables for each in factors]
            self._orders[world] = order_of(scopes)[0]
        return self._orders[world]

    def _sums(
        self, world: World, vectors: Vectors, pieces: Mapping[Name, Piece]
    ) -> tuple[Factor, ...]:
        """Return the sums over all states in a world, with pieces in place of some steps."""
        factors = list(self._below)
        for name, link in self._near.items():
            factors.append(self._table(name, world.links.get(name, link), pieces.get(name)))
            if name in vectors:
                factors.append(self._vector(name, vectors[name]))
            elif self._sights.looked(name) and name != self.asked:
                factors.append(self._vector(name, self._seen(name)))
        return tuple(self._eliminator.eliminate(factors, self._order(world, factors)))

    # ----------------------------------------------------------------------------------- origins

    def _weigh(self) -> list[Weighed]:
        """Return every way in which the off trees may have come about."""
        whole = []
        usual = self._branches(self._split(self._sights.of(self.asked), self._about))
        for world in self.worlds:
            for branch in self._branches_in(world, usual) if world.prior > 0 else ():
                sums = self._sums(world, branch.vectors, {})
                log = log_value(sums) + math.log(world.prior)
                whole.append((world, branch, log, sums))
        top = max(log for _, _, log, _ in whole)
        self._floor = top + NEGLIGIBLE
        found: list[Weighed] = []
        for world, branch, log, sums in whole:
            if log <= self._floor:
                continue
            if branch.origin is not None:
                found.append(Weighed(branch.origin, world, log, sums))
            else:
                found.extend(self._upward(world, branch.vectors, self.asked, {}))
        return found

    def _split(self, sight: Sight, about: Asked, run: Run | None = None) -> Split:
        return self._evidence.split(sight, about, run, found=self._found)

    def _branches(self, split: Split) -> list[Branch]:
        parts = (
            (None, split.wood),
            (Origin(Failure.ROOTSTOCK_GREW, self.asked), split.stock),
            (Origin(Failure.NONE_OF_THESE, None), split.none),
        )
        return [
            Branch(origin, {self.asked: (values, split.scale)})
            for origin, values in parts
            if values.max() > 0
        ]

    def _branches_in(self, world: World, usual: list[Branch]) -> list[Branch]:
        """Return the branches of a world, in which looks may be seen in another light."""
        if world.origin is None or world.looks is None:
            return usual
        if isinstance(world.looks, Changeover):
            return self._at_changeover(world.looks, world.origin)
        return self._after_exchange(world.looks, world.origin)

    def _at_changeover(self, looks: Changeover, tie: Origin) -> list[Branch]:
        """Return the branches where a neighbour's wood ran on."""
        split = self._split(self._sights.of(self.asked), self._about, looks.run)
        other = self._sights.of(looks.neighbour)
        lights = self._otherwise(looks.neighbour, other)
        shown = Otherwise(other, MIRRORED * (1 - sum(each.chance for each in lights)), looks.mirror)
        mirrored = self._evidence.likelihood(other, [shown, *lights])
        beside = {looks.neighbour: mirrored} if other.seen else {}
        found = [Branch(each.origin, {**each.vectors, **beside}) for each in self._branches(split)]
        if split.run.max() > 0:
            found.append(Branch(tie, {self.asked: (split.run, split.scale), **beside}))
        return found

    def _after_exchange(self, looks: Swap, tie: Origin) -> list[Branch]:
        """Return the branches where trees of two lots went to each other's customers."""
        mine, other = self._sights.exchanged(looks.mine, looks.other)
        places = self._sights.places(looks.mine.dispatch)

        def about_moved(seen: Seen) -> bool:
            return seen.place in places and self._about(seen)

        moved = any(map(about_moved, self._sights.of(self.asked).seen))
        ours, theirs = self._split(mine, self._about), self._split(other, about_moved)
        rest = theirs.whole - theirs.wood if moved else theirs.whole
        found = [
            Branch(each.origin, {**each.vectors, looks.lot: (rest, theirs.scale)})
            for each in self._branches(ours)
        ]
        if moved and theirs.wood.max() > 0:
            vectors = {
                looks.lot: (theirs.wood, theirs.scale),
                self.asked: (ours.whole, ours.scale),
            }
            found.append(Branch(tie, vectors))
        return found

    def _upward(
        self,
        world: World,
        vectors: Vectors,
        name: Name,
        pieces: dict[Name, Piece],
        relabelled: Name | None = None,
    ) -> Iterator[Weighed]:
        """Yield the origins at a thing whose foreign wood is in question, and upward of it.

        `relabelled` is what, below it, put its wood under another label by the records themselves.
        """
        link = world.links.get(name, self._near[name])
        prior = math.log(world.prior)

        def weighed(origin: Origin, piece: Piece) -> Weighed:
            sums = self._sums(world, vectors, {**pieces, name: piece})
            return Weighed(origin, world, log_value(sums) + prior, sums)

        if name in world.links and world.origin is not None:
            yield weighed(world.origin._replace(item=name), None)
            return
        for failure in link.step.failures:
            found = weighed(Origin(failure, name), failure)
            if found.log > self._floor:
                yield found
        for i, source in enumerate(link.sources):
            inherited = {**pieces, name: i}
            sums = self._sums(world, vectors, inherited)
            if log_value(sums) + prior > self._floor:
                here = relabelled or self.chain.relabelled(name, source)
                yield from self._upward(world, vectors, source, inherited, here)
        # Only a change of labels makes wood foreign that nothing happened to: along the way, or of
        # trees that went to another's customer.
        owed = world.origin if relabelled is None else named_wrong(relabelled)
        if not link.sources and owed is not None:
            found = weighed(owed, 0)
            if found.log > self._floor:
                yield found

    # ------------------------------------------------------------------------------------ answers

    def probabilities(self) -> dict[Origin, float]:
        """Return the probability of each origin, likeliest first; they sum to one."""
        logs: dict[Origin, list[float]] = {}
        for each in self.weighed:
            logs.setdefault(each.origin, []).append(each.log)
        top = max(each.log for each in self.weighed)
        sums = {o: sum(math.exp(log - top) for log in each) for o, each in logs.items()}
        total = sum(sums.values())
        shares = {origin: share / total for origin, share in sums.items()}
        return dict(sorted(shares.items(), key=lambda item: -item[1]))

    def probability(self, origin: Origin) -> float:
        """Return the probability of one origin."""
        return self._chances.get(origin, 0.0)

    @cached_property
    def _chances(self) -> dict[Origin, float]:
        return self.probabilities()

    def share_within(self, group: Iterable[Origin], origin: Origin) -> float:
        """Return the probability of an origin, given that it is one of a group."""
        total = sum(self.probability(each) for each in group)
        return self.probability(origin) / total if total else 0.0

    def world_of(self, origin: Origin) -> World:
        """Return the likeliest world of an origin."""
        return max((w for w in self.weighed if w.origin == origin), key=lambda w: w.log).world

    def exchanges(self) -> dict[tuple[Sent, Sent], float]:
        """Return the probability that trees of two lots went to each other's customers."""
        top = max(each.log for each in self.weighed)
        total = sum(math.exp(each.log - top) for each in self.weighed)
        found: dict[tuple[Sent, Sent], float] = {}
        for each in self.weighed:
            if isinstance(each.world.looks, Swap):
                key = (each.world.looks.mine, each.world.looks.other)
                found[key] = found.get(key, 0.0) + math.exp(each.log - top) / total
        return found

    def likelihood(self, origin: Origin, what: str | None) -> float:
        """Return the probability of an origin over how often it leaves `what` anyway."""
        return self.probability(origin) / self._prior(origin, what)

    def _prior(self, origin: Origin, what: str | None) -> float:
        """Return how often a failure happens and leaves `what`."""
        if origin.failure == Failure.ROOTSTOCK_GREW:
            return self._values.rootstock_grew
        tying = [each.prior for each in self.worlds if each.origin == origin]
        link = self._near.get(origin.item) if origin.item else None
        pieces = link.step.failures if link else {}
        own = 0.0
        if origin.failure in pieces and what is not None:
            space = self.chain.steps.space
            own = float(pieces[origin.failure][space.what == space.whats.index(what)].sum())
        return own + sum(tying) or 1.0

    def states(self, groups: Iterable[Iterable[Origin]]) -> dict[Name, Floats]:
        """Return, of everything in the network, (groups, size) probabilities given each group."""
        outcomes = []
        for group in groups:
            members = set(group)
            ways = [each for each in self.weighed if each.origin in members]
            top = max(each.log for each in ways)
            total = sum(math.exp(each.log - top) for each in ways)
            outcome: dict[Factor, float] = {}
            for each in ways:
                share = math.exp(each.log - top) / total
                for one in each.sums:
                    outcome[one] = outcome.get(one, 0.0) + share
            outcomes.append(outcome)
        return self._eliminator.marginals(outcomes)
