"""An invented nursery's books over two seasons, for judging where identity went wrong.

What is written down here is what the nursery believes. `offtype_growing` says what really grew, and
`offtype_faults` what went wrong in between. None of them shares code with the inference.
"""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field
from math import ceil
from random import Random

NAMES = (
    "Ombrel", "Tarnock", "Veskin", "Luddow", "Quarrin", "Hespel", "Ilvory", "Brindow",
    "Castwin", "Dorvane", "Ellimor", "Fennick",
)  # fmt: skip
SPECIES = "Carya illinoinensis"
SEASONS = (2017, 2021)
LIMBS = ("N", "E", "S", "W")
GRAFTERS, CUTTERS, PACKERS, STORES = 4, 3, 2, 2
COUNTED_SHORT = 0.01


@dataclass(eq=False)
class Tree:
    """A mother tree as it is written down, and which living graft it grew from."""

    code: str
    cultivar: str
    block: str
    row: int
    position: int
    kind: str
    planted: dt.date
    grown: "tuple[Lot, int] | None" = None
    topworked: dt.date | None = None


@dataclass(eq=False)
class Cut:
    """A collection; `from_limbs` are those really cut, whether or not one is written down."""

    code: str
    tree: Tree
    limb: str | None
    from_limbs: tuple[str, ...]
    day: dt.date
    cutter: str
    order: int
    sticks: int


@dataclass(eq=False)
class Bundle:
    """A bundle of one collection, or of other bundles; `left` sticks are unused."""

    code: str
    label: str
    day: dt.date
    packer: str
    store: str
    sticks: int
    cut: Cut | None = None
    parents: "list[tuple[Bundle, int]]" = field(default_factory=list)
    left: int = 0
    unwritten: int = 0

    @property
    def cuts(self) -> list[Cut]:
        """Return every collection whose wood may be in it."""
        if self.cut is not None:
            return [self.cut]
        return [cut for parent, _ in self.parents for cut in parent.cuts]

    @property
    def line(self) -> "list[Bundle]":
        """Return it and every bundle that it was tied from."""
        return [self, *(each for parent, _ in self.parents for each in parent.line)]

    @property
    def winter(self) -> int:
        """Return the year of its grafts."""
        return self.day.year


@dataclass(eq=False)
class Lot:
    """A graft lot; `alive` tells which grafts or their rootstocks grew."""

    code: str
    bundle: Bundle
    day: dt.date
    grafter: str
    order: int
    row: int
    first: int
    grafts: int
    sticks: int
    stock: str
    alive: list[bool]
    gone: set[int] = field(default_factory=set)

    @property
    def label(self) -> str:
        """Return the cultivar it is taken for."""
        return self.bundle.label

    @property
    def standing(self) -> list[int]:
        """Return the places in it, from 0, where a tree grew."""
        return [place for place, grew in enumerate(self.alive) if grew]

    @property
    def rest(self) -> list[int]:
        """Return those whose trees were not sent away."""
        return [place for place in self.standing if place not in self.gone]


@dataclass(eq=False)
class Sent:
    """A line of a dispatch."""

    code: str
    lot: Lot
    day: dt.date
    customer: str
    places: list[int]
    placed: bool


@dataclass(eq=False)
class Nursery:
    """The books of one nursery, in the order in which things happened."""

    draw: Random
    cultivars: list[str] = field(default_factory=list)
    per_stick: int = 3
    trees: list[Tree] = field(default_factory=list)
    cuts: list[Cut] = field(default_factory=list)
    bundles: list[Bundle] = field(default_factory=list)
    lots: list[Lot] = field(default_factory=list)
    sent: list[Sent] = field(default_factory=list)
    stocks: dict[str, str | None] = field(default_factory=dict)
    spacing: tuple[float, float] = (10.0, 7.0)
    fixed: bool = False
    fixes: dict[Cut, float] = field(default_factory=dict)

    @property
    def mixed(self) -> list[Bundle]:
        """Return the bundles tied from others."""
        return [bundle for bundle in self.bundles if bundle.parents]

    def lots_of(self, bundle: Bundle) -> list[Lot]:
        """Return the lots worked from a bundle, or from what was tied from it."""
        return [lot for lot in self.lots if bundle in lot.bundle.line]

    def place(self, tree: Tree) -> tuple[float, float]:
        """Return the metres north and east of the first tree of its block."""
        across, along = self.spacing
        return along * tree.position, across * tree.row + (500.0 if tree.block == "M2" else 0.0)

    def near(self, tree: Tree) -> dict[Tree, float]:
        """Return how often each tree of another cultivar is cut for this one, as weights."""
        weights = {(0, 1): 1.0, (1, 0): 0.5, (0, 2): 0.25, (1, 1): 0.15, (2, 0): 0.1}
        found = {}
        for other in self.trees:
            apart = abs(other.row - tree.row), abs(other.position - tree.position)
            if other.block == tree.block and apart in weights and other.cultivar != tree.cultivar:
                found[other] = weights[apart]
        return found


def write_books(draw: Random) -> Nursery:
    """Return the books of a nursery: trees, two winters, springs and autumns."""
    nursery = Nursery(draw)
    nursery.cultivars = draw.sample(NAMES, draw.randint(5, 8))
    nursery.per_stick = draw.choice((2, 3, 3, 4))
    nursery.spacing = draw.choice(((10.0, 7.0), (12.0, 10.0), (5.0, 3.0)))
    nursery.fixed = draw.random() < 0.5
    _plant(nursery)
    for season in SEASONS:
        for work in (_cut, _tie, _graft, _send):
            work(nursery, season)
        if season == SEASONS[0]:
            _keep_some(nursery)
    return nursery


def _plant(nursery: Nursery) -> None:
    draw = nursery.draw
    rows, length = draw.randint(3, 5), draw.randint(6, 9)
    for row in range(1, rows + 1):
        cultivar, run = "", 0
        for position in range(1, length + 1):
            if not run:
                cultivar, run = draw.choice(nursery.cultivars), draw.randint(1, 4)
            run -= 1
            if draw.random() < 0.08:
                continue  # a gap, which counts as a position
            planted = dt.date(draw.randint(2003, 2010), 2, draw.randint(1, 28))
            tree = Tree(_code("T", nursery.trees), cultivar, "M1", row, position, "bank", planted)
            if draw.random() < 0.06:
                tree.topworked = dt.date(planted.year + 4, 4, draw.randint(1, 28))
            nursery.trees.append(tree)


def _code(letter: str, among: Sequence[object]) -> str:
    return f"{letter}{len(among) + 1:03}"


def _cut(nursery: Nursery, season: int) -> None:
    """Cut most trees once and some twice, each cutter's day in walking order."""
    draw = nursery.draw
    young = [tree for tree in nursery.trees if tree.grown]
    bank = [tree for tree in nursery.trees if not tree.grown]
    first = sorted(draw.sample(bank, ceil(len(bank) * draw.uniform(0.45, 0.7))), key=_walk)
    again = sorted(draw.sample(first, len(first) // 5), key=_walk)
    day, cutter = dt.date(season, 1, draw.randint(8, 14)), 0
    for walk in (first, [tree for tree in young if season > SEASONS[0]], again):
        done = 0
        while done < len(walk):
            number = draw.randint(3, 7)
            _cut_day(nursery, walk[done : done + number], day, f"P1{cutter}")
            done += number
            cutter = (cutter + 1) % CUTTERS
            day += dt.timedelta(days=draw.choice((0, 1, 1, 2)) if cutter else 1)
        day += dt.timedelta(days=draw.randint(2, 6))


def _walk(tree: Tree) -> tuple[str, int, int]:
    return tree.block, tree.row, tree.position if tree.row % 2 else -tree.position


def _cut_day(nursery: Nursery, walk: Sequence[Tree], day: dt.date, cutter: str) -> None:
    draw = nursery.draw
    turn = sum(cut.day == day and cut.cutter == cutter for cut in nursery.cuts)
    for order, tree in enumerate(walk, turn + 1):
        one = draw.random() < 0.3
        limbs = tuple(draw.sample(LIMBS, 1 if one else draw.choice((1, 2, 4, 4))))
        written = limbs[0] if one else None
        sticks = draw.randint(12, 34)
        cut = Cut(
            _code("C", nursery.cuts), tree, written, limbs, day, cutter, order, sticks
        )  # fmt: skip
        nursery.cuts.append(cut)
        if nursery.fixed and draw.random() < 0.6:
            nursery.fixes[cut] = round(draw.uniform(1.7, 6.0), 1)


def _tie(nursery: Nursery, season: int) -> None:
    """Tie each collection in one to three bundles the same day; later split some and mix some."""
    draw = nursery.draw
    tied = []
    for cut in nursery.cuts:
        if cut.day.year != season:
            continue
        number = draw.choice((1, 1, 2, 2, 3)) if cut.sticks >= 18 else 1
        for part in range(number):
            sticks = cut.sticks // number + (part < cut.sticks % number)
            tied.append(_bundle(nursery, cut.tree.cultivar, cut.day, sticks, cut=cut))
    later = dt.date(season, 3, 2)
    for bundle in draw.sample(tied, len(tied) // 10):
        if bundle.sticks >= 10:
            taken = bundle.sticks // 2
            bundle.left -= taken
            parents = [(bundle, taken)]
            tied.append(_bundle(nursery, bundle.label, later, taken, parents=parents))
    for cultivar in draw.sample(nursery.cultivars, len(nursery.cultivars)):
        like = [each for each in tied if each.label == cultivar and each.left >= 8 and each.cut]
        if len({each.cut for each in like}) < 2 or len(nursery.mixed) > 12:
            continue
        parents = [(each, draw.randint(4, 7)) for each in draw.sample(like, min(len(like), 3))]
        for each, taken in parents:
            each.left -= taken
        total = sum(taken for _, taken in parents)
        day = later + dt.timedelta(days=draw.randint(1, 9))
        tied.append(_bundle(nursery, cultivar, day, total, parents=parents))


def _bundle(
    nursery: Nursery,
    label: str,
    day: dt.date,
    sticks: int,
    cut: Cut | None = None,
    parents: list[tuple[Bundle, int]] | None = None,
) -> Bundle:
    draw = nursery.draw
    packer, store = f"P2{draw.randrange(PACKERS)}", f"S{draw.randrange(STORES) + 1}"
    made = Bundle(
        _code("B", nursery.bundles), label, day, packer, store, sticks, cut, parents or [], sticks
    )
    nursery.bundles.append(made)
    return made


def _graft(nursery: Nursery, season: int) -> None:
    """Work the season's bundles, each grafter's day in a row of its own."""
    draw = nursery.draw
    stocks = [f"R{season % 100}{at}" for at in range(draw.randint(2, 4))]
    clones = draw.choice(([None], [None, "Stock-3"], ["Stock-3", "Stock-8"]))
    nursery.stocks.update({stock: draw.choice(clones) for stock in stocks})
    wanted = draw.randint(22, 56)
    queue: list[tuple[float, Bundle, int]] = []
    bundles = [each for each in nursery.bundles if each.winter == season]
    # What was tied from other bundles was tied to be worked, so it comes first.
    for bundle in sorted(bundles, key=lambda each: (not each.parents, draw.random())):
        turn = draw.random()
        for _ in range(draw.choice((1, 1, 2, 2, 3))):
            sticks = min(bundle.left, ceil(draw.randint(14, 46) / nursery.per_stick))
            if sticks < 4 or len(queue) >= wanted:
                break
            bundle.left -= sticks
            queue.append((turn + draw.choice((0, 0, draw.random())), bundle, sticks))
    for bundle in bundles:  # a few were counted short, and used up all the same
        if bundle.cut and not bundle.left and draw.random() < COUNTED_SHORT:
            bundle.unwritten = 1
    queue.sort(key=lambda each: each[0])
    day, hand, row, done = dt.date(season, 4, 8), 0, 1, 0
    while done < len(queue):
        number, at = draw.randint(3, 6), 1
        stock = draw.choice(stocks)
        for order, (_, bundle, sticks) in enumerate(queue[done : done + number], 1):
            grafts = sticks * nursery.per_stick - draw.randrange(nursery.per_stick)
            took = draw.uniform(0.6, 0.95)
            alive = [draw.random() < took for _ in range(grafts)]
            nursery.lots.append(
                Lot(
                    _code("G", nursery.lots), bundle, day, f"P3{hand}", order, row, at, grafts,
                    sticks, stock, alive,
                )
            )  # fmt: skip
            at += grafts
        done, row, hand = done + number, row + 1, (hand + 1) % GRAFTERS
        day += dt.timedelta(days=1 if hand == 0 else 0)


def _send(nursery: Nursery, season: int) -> None:
    """Send trees of some lots away, several dispatches on one day, in whole tens."""
    draw = nursery.draw
    lots = [lot for lot in nursery.lots if lot.day.year == season and len(lot.standing) >= 14]
    draw.shuffle(lots)
    for day in (dt.date(season, 11, 9), dt.date(season, 11, 23)):
        for _ in range(draw.randint(2, 5)):
            code = f"D{len({line.code for line in nursery.sent}) + 1:03}"
            customer = f"CU-{draw.randint(10, 30)}"
            for _ in range(2 if draw.random() < 0.2 else 1):
                if not lots:
                    return
                lot = lots.pop()
                number = 20 if len(lot.standing) >= 26 and draw.random() < 0.5 else 10
                start = draw.choice((0, len(lot.standing) - number))
                places = lot.standing[start : start + number]
                lot.gone.update(places)
                placed = draw.random() < 0.7
                nursery.sent.append(Sent(code, lot, day, customer, places, placed))


def _keep_some(nursery: Nursery) -> None:
    """Keep a few trees of the first season's lots, to cut wood from in the next."""
    draw = nursery.draw
    lots = [lot for lot in nursery.lots if len(lot.rest) >= 6]
    for position, lot in enumerate(draw.sample(lots, draw.randint(3, 5)), 1):
        place = draw.choice(lot.rest)
        lot.gone.add(place)
        planted = dt.date(SEASONS[0] + 1, 2, 3)
        code = _code("T", nursery.trees)
        made = Tree(code, lot.label, "M2", 1, position, "young", planted, (lot, place))
        nursery.trees.append(made)
