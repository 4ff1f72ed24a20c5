"""The off-type model by plain enumeration: every tree, every run, every state of everything.

It takes the steps and the worlds as they are stated, and nothing of how they are reckoned with.
"""

import itertools
import math
from collections.abc import Callable, Iterable, Mapping, Sequence

import numpy as np

from scionreg.identity import evidence
from scionreg.identity.chain import LOT, PART, TREE, Chain, Name
from scionreg.identity.evidence import Sight
from scionreg.identity.looks import STOCK_SHARES, Reports, Seen, clumping
from scionreg.identity.sights import Sights
from scionreg.identity.states import LABEL, Floats
from scionreg.identity.worlds import MIRRORED, Changeover, Origin, Swap, World, runs_of, worlds
from scionreg.records.starting_values import OffTypeValues
from scionreg.records.vocabulary import Failure

Parts = dict[str, Floats]
"""Likelihoods by state, by what the trees asked about owe to: run, wood, stock, none."""


def trees_of(sight: Sight) -> list[tuple[Seen, Floats | None]]:
    """Return every single tree; with the states under another label where it is seen so."""
    own = [(each, None) for each in sight.seen for _ in range(each.count)]
    moved = [
        (each, states) for seen, states in sight.moved for each in seen for _ in range(each.count)
    ]
    return own + moved


def parts_of(
    sight: Sight,
    reports: Reports,
    stick: float,
    asked: Callable[[Seen], bool],
    run: object,
    found: bool,
) -> Parts:
    """Return the likelihoods of one thing's looks by adding up over every tree's type."""
    space = reports.space
    total: Parts = {part: np.zeros(space.size) for part in ("run", "wood", "stock", "none")}
    weights = [1.0] if sight.stock is None else list(sight.stock)
    trees = trees_of(sight)
    partial = (space.share > 0) & (space.share < 1)
    clump = 1.0 if run else clumping(sight.seen, stick)
    for state in range(space.size):
        for grown, weight in zip(STOCK_SHARES, weights, strict=False):
            for inside, chance in ways_inside(sight, trees, run):
                ways = [
                    types_of(
                        space,
                        state if states is None else int(states[state]),
                        grown,
                        run.what if i in inside else None,
                    )
                    for i, (_, states) in enumerate(trees)
                ]
                for types in itertools.product(*ways):
                    p = weight * chance * (clump if partial[state] else 1.0)
                    owed = "none"
                    for (kind, where, chance_of), (seen, _) in zip(types, trees, strict=True):
                        p *= chance_of * reports.by_type(seen.reports)[kind]
                        if asked(seen) and where != "none":
                            owed = min(owed, where, key=("run", "wood", "stock", "none").index)
                    if not found:
                        owed = "none" if state == LABEL else "wood"
                    total[owed][state] += p
    return total


def whole_of(name: Name) -> Name:
    """Return the bundle or dispatch that some of its woods, put together, are a part of."""
    if name.kind != PART:
        return name
    kind, code, _ = name.code.split(" ")
    return Name(kind, code)


def types_of(space, state, grown, run):
    """Return type, what it owes to, and probability, of a tree."""
    stock = (space.types - 1, "stock", grown)
    if run is not None:
        return [(space.type_of(run), "run", 1 - grown), stock]
    found = [(LABEL, "none", (1 - grown) * space.composition[state, LABEL])]
    found += [
        (kind, "wood", (1 - grown) * space.composition[state, kind])
        for kind in range(1, space.types - 1)
        if space.composition[state, kind] > 0
    ]
    return [*found, stock]


def ways_inside(sight: Sight, trees, run):
    """Yield which trees stand in the run, with probabilities."""
    lengths = [length for length in evidence.RUNS if length < len(sight.positions)]
    if run is None or len(sight.positions) <= evidence.RUNS[0]:
        yield frozenset(), 1.0
        return
    own = [i for i, (_, states) in enumerate(trees) if states is None]
    for length in lengths:
        ends = set(sight.positions[:length] if run.at_start else sight.positions[-length:])
        fixed = {i for i in own if trees[i][0].position in ends}
        looks: dict[int, list[int]] = {}
        for i in own:
            if trees[i][0].position is None:
                looks.setdefault(trees[i][0].place, []).append(i)
        options = [list(subsets(sight, members, ends)) for members in looks.values()]
        for chosen in itertools.product(*options):
            inside = fixed.union(*(each for each, _ in chosen))
            yield frozenset(inside), math.prod(p for _, p in chosen) / len(lengths)


def subsets(sight: Sight, members: Sequence[int], ends: set[int]):
    """Yield which trees of one look stand in a run, over all places it may have been at."""
    every = set(sight.positions)
    sent = every & sight.sent
    places = [(every, 0.4), (sent, 0.3), (every - sent, 0.3)] if sent else [(every, 1.0)]
    fit = [(place, w) for place, w in places if len(place) >= len(members)] or [(every, 1.0)]
    whole = sum(w for _, w in fit)
    for size in range(len(members) + 1):
        for chosen in itertools.combinations(members, size):
            p = 0.0
            for place, w in fit:
                n, inside = len(place), len(place & ends)
                if size <= inside and len(members) - size <= n - inside:
                    ordered = math.perm(inside, size) * math.perm(n - inside, len(members) - size)
                    p += w / whole * ordered / math.perm(n, len(members))
            yield chosen, p


class NaiveQuestion:
    """The probabilities of origins and states, by the joint distribution of everything."""

    def __init__(
        self,
        chain: Chain,
        sights: Sights,
        reports: Reports,
        values: OffTypeValues,
        asked: Name,
        about: Callable[[Seen], bool],
        names: Iterable[Name],
    ) -> None:
        self.chain, self.sights, self.reports, self.values = chain, sights, reports, values
        self.asked, self.about = asked, about
        self.names = list(names)
        self.origins: dict[Origin, float] = {}
        self.states = {name: np.zeros(reports.space.size) for name in self.names}
        self._usual: dict[Name, Floats] = {}
        for world in worlds(chain, asked, values):
            self._add(world)
        total = sum(self.origins.values())
        self.origins = {origin: p / total for origin, p in self.origins.items()}
        self.states = {name: p / total for name, p in self.states.items()}

    def parts(self, sight: Sight, asked, run=None) -> Parts:
        """Return the likelihoods told apart."""
        found = any(self.about(each) for each in self.sights.of(self.asked).seen)
        return parts_of(sight, self.reports, self.values.stick_run, asked, run, found)

    def whole(self, sight: Sight, run=None) -> Floats:
        """Return the likelihoods of a thing's looks."""
        return sum(self.parts(sight, lambda seen: False, run).values())

    def usual(self, name: Name) -> Floats:
        """Return the likelihoods of something that is not asked about."""
        if name not in self._usual:
            self._usual[name] = self.in_any_light(name, None)
        return self._usual[name]

    def in_any_light(self, name: Name, mirror) -> Floats:
        """Return likelihoods over the runs and exchanged dispatches that may lie behind looks."""
        sight = self.sights.of(name)
        ways = []
        if name.kind == LOT and sight.off:
            for run, chance, other in runs_of(
                self.chain, self.chain.books.lots[name.code], self.values
            ):
                if other != self.asked:
                    ways.append((chance, self.whole(sight, run)))
            for each in self.sights.sent_wrong(name, self.asked, self.values.dispatches_exchanged):
                ways.append((each.chance, self.whole(each.sight)))
        rest = 1 - sum(chance for chance, _ in ways)
        usual = self.whole(sight)
        if mirror is not None:
            usual = MIRRORED * self.whole(sight, mirror) + (1 - MIRRORED) * usual
        return rest * usual + sum(chance * each for chance, each in ways)

    def _add(self, world: World) -> None:
        vectors = {name: self.usual(name) for name in self.names if name != self.asked}
        if isinstance(world.looks, Changeover):
            vectors[world.looks.neighbour] = self.in_any_light(
                world.looks.neighbour, world.looks.mirror
            )
            own = self.parts(self.sights.of(self.asked), self.about, world.looks.run)
        elif isinstance(world.looks, Swap):
            mine, other = self.sights.exchanged(world.looks.mine, world.looks.other)
            places = self.sights.places(world.looks.mine.dispatch)

            def moved(seen: Seen) -> bool:
                return seen.place in places and self.about(seen)

            own = self.parts(mine, self.about)
            theirs = self.parts(other, moved)
            whole = sum(theirs.values())
            if any(moved(each) for each in self.sights.of(self.asked).seen):
                tie = {**vectors, world.looks.lot: theirs["wood"], self.asked: sum(own.values())}
                self._sum(world, tie, world.origin)
                whole = whole - theirs["wood"]
            vectors[world.looks.lot] = whole
        else:
            own = self.parts(self.sights.of(self.asked), self.about)
        self._sum(world, {**vectors, self.asked: own["none"]}, Origin(Failure.NONE_OF_THESE, None))
        self._sum(
            world, {**vectors, self.asked: own["stock"]}, Origin(Failure.ROOTSTOCK_GREW, self.asked)
        )
        self._sum(world, {**vectors, self.asked: own["wood"]}, None)
        if isinstance(world.looks, Changeover):
            self._sum(world, {**vectors, self.asked: own["run"]}, world.origin)

    def _sum(self, world: World, vectors: Mapping[Name, Floats], origin: Origin | None) -> None:
        axes = {name: i for i, name in enumerate(self.names)}
        joint = np.array(world.prior)
        for name in self.names:
            link = world.links.get(name, self.chain.link(name))
            joint = joint * self._spread(link.step.table, (*link.sources, name), axes)
            joint = joint * self._spread(vectors[name], (name,), axes)
        for name, axis in axes.items():
            others = tuple(i for i in range(len(axes)) if i != axis)
            self.states[name] = self.states[name] + joint.sum(axis=others)
        if origin is not None:
            self.origins[origin] = self.origins.get(origin, 0.0) + float(joint.sum())
            return
        for each, share in self._origins_at(self.asked, world, axes).items():
            p = float((joint * share).sum())
            self.origins[each] = self.origins.get(each, 0.0) + p

    def _origins_at(
        self,
        name: Name,
        world: World,
        axes: Mapping[Name, int],
        relabelled: Origin | None = None,
    ) -> dict[Origin, Floats]:
        """Return the probability of each origin of foreign wood, given every joint state.

        `relabelled` is what put it under another label, by the records; else an exchange may have.
        """
        link = world.links.get(name, self.chain.link(name))
        around = (*link.sources, name)
        if name in world.links:
            return {world.origin._replace(item=name): np.array(1.0)}
        table = self._spread(link.step.table, around, axes)
        safe = np.where(table > 0, table, 1.0)
        found: dict[Origin, Floats] = {}
        for failure in link.step.failures:
            found[Origin(failure, name)] = (
                self._spread(link.step.failed(failure), around, axes) / safe
            )
        owed = relabelled or world.origin
        if not link.sources and owed is not None:
            rest = self._spread(link.step.inherited(), around, axes) / safe
            found[owed] = found.get(owed, 0.0) + rest
        for i, source in enumerate(link.sources):
            piece = link.step.inherited(i if len(link.sources) > 1 else None)
            share = self._spread(piece, around, axes) / safe
            here = relabelled
            if here is None and self.chain.label(source) != self.chain.label(name):
                failure = Failure.TREE_IS_OTHER if name.kind == TREE else Failure.BUNDLE_MIXED
                here = Origin(failure, whole_of(name))
            for origin, p in self._origins_at(source, world, axes, here).items():
                found[origin] = found.get(origin, 0.0) + share * p
        return found

    def _spread(self, table: Floats, names: Sequence[Name], axes: Mapping[Name, int]) -> Floats:
        order = sorted(range(len(names)), key=lambda i: axes[names[i]])
        turned = np.asarray(table).transpose(order)
        shape = [1] * len(axes)
        for i in order:
            shape[axes[names[i]]] = table.shape[i]
        return turned.reshape(shape)
