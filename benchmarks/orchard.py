"""An invented orchard of mother trees over many seasons, and what cutting does to them.

What a tree can bear is hidden from whoever plans. Nothing here is shared with scionreg.rotation:
strain fades by a constant factor a season, each tree bears differently, vigour multiplies what a
tree grows and how long its shoots are. All figures are invented, not measured in an orchard.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

BEFORE = 3
"""Seasons of cutting that the books hold when the first season is planned."""
WORN = 0.5
"""Vigour below which a tree is worn out: it grows less than half of what it could."""
STRIPPED = 0.95
"""The most of a tree that can be cut."""
YOUNG_TO = 7
"""Age to which an orchard tree is called young."""


@dataclass(frozen=True, slots=True)
class VigourModel:
    """How cutting wears a tree and rest restores it.

    Strain is the share cut and `memory` times the strain of the season before. Where it is above
    what the tree `bears` (by kind; trees differ), vigour falls by `decline` times the excess, as a
    share of what it bears; where it is below, the part of vigour that lacks comes back by
    `recovery` times what is free.
    """

    name: str
    memory: float
    bears: Mapping[str, float]
    decline: float
    recovery: float

    def after(self, vigour: float, strain: float, bears: float) -> float:
        """Return the vigour, 0 to 1, that follows a season of `strain`."""
        loaded = strain / bears
        if loaded > 1:
            return vigour * math.exp(-self.decline * (loaded - 1))
        return vigour + (1 - vigour) * self.recovery * (1 - loaded)


MILD = VigourModel(
    name="mild",
    memory=0.5,
    bears={"bank": 1.7, "bearing": 0.55, "young": 0.8, "dehorned": 0.95},
    decline=0.25,
    recovery=0.5,
)
HARSH = VigourModel(
    name="harsh",
    memory=0.6,
    bears={"bank": 1.5, "bearing": 0.5, "young": 0.7, "dehorned": 0.85},
    decline=0.7,
    recovery=0.25,
)


@dataclass(frozen=True, slots=True)
class OrchardTree:
    """A tree; seasons count from the first that is planned, so `planted` may be below 0.

    `grows` is in sticks at full vigour when grown up, `bears` against other trees of its kind,
    `late` in years by which it comes into yield later than others. It is not there from season
    `leaves` on, which is known beforehand where it is `grubbed`.
    """

    tree: str
    cultivar: str
    stock: str
    species: str
    planted: int
    leaves: int
    grubbed: bool
    grows: float
    bears: float
    late: float
    shoots_cm: float

    def kind(self, season: int) -> str:
        """Return how the tree is kept in a season."""
        if self.stock == "bearing" and season - self.planted < YOUNG_TO:
            return "young"
        return self.stock

    def stands(self, season: int) -> bool:
        """Tell whether the tree is there in a season."""
        return self.planted < season < self.leaves

    def by_age(self, season: int) -> float:
        """Return the share of its full yield that the tree has at its age."""
        age = season - self.planted - self.late
        if self.stock == "bank":
            youth = 1 / (1 + math.exp(-(age - 3.6) / 0.75))
            return youth * max(0.5, 1 - 0.03 * max(0.0, age - 15))
        return min(1.0, max(0.1, 0.3 + 0.7 * (age - 2) / 6))


@dataclass(frozen=True, slots=True)
class Orders:
    """Sticks wanted of a cultivar in a season, how many must be filled, and what was foreseen."""

    sticks: int
    must: int
    foreseen: int


@dataclass(frozen=True, slots=True)
class Orchard:
    """Everything that chance decides, drawn once, so that rules meet the same seasons.

    `weather` multiplies what a tree grows, by tree and season; `seen` does so for what is written
    down of it: the share cut and the shoots' length; `told` says whether the share is.
    """

    seasons: int
    trees: tuple[OrchardTree, ...]
    orders: Mapping[tuple[str, int], Orders]
    weather: Mapping[tuple[str, int], float]
    seen: Mapping[tuple[str, int], tuple[float, float]]
    told: Mapping[tuple[str, int], bool]


@dataclass(frozen=True, slots=True)
class Cut:
    """Sticks that came of a tree, what it grew, and what is written down beside them."""

    tree: str
    season: int
    sticks: int
    grew: float
    share_noted: float | None
    shoots_noted: float


@dataclass(slots=True)
class Standing:
    """The orchard as it stands: hidden vigour and strain by tree, under one model."""

    orchard: Orchard
    model: VigourModel
    vigour: dict[str, float] = field(default_factory=dict)
    strain: dict[str, float] = field(default_factory=dict)

    def grows(self, tree: OrchardTree, season: int) -> float:
        """Return the sticks on a tree before it is cut."""
        vigour = self.vigour.get(tree.tree, 1.0)
        weather = self.orchard.weather[tree.tree, season]
        return tree.grows * tree.by_age(season) * vigour * weather

    def there(self, season: int) -> dict[str, int]:
        """Return the most sticks that each standing tree has, as who stands before it sees."""
        return {
            tree.tree: math.floor(STRIPPED * self.grows(tree, season))
            for tree in self.orchard.trees
            if tree.stands(season)
        }

    def cut(self, season: int, sticks: Mapping[str, int]) -> list[Cut]:
        """Cut trees, and let every tree grow on; ValueError if a tree has fewer sticks."""
        there = self.there(season)
        if any(number > there.get(tree, 0) for tree, number in sticks.items()):
            raise ValueError("more sticks than a tree has")
        cuts = []
        for tree in self.orchard.trees:
            if tree.tree not in there:
                continue
            grew, number = self.grows(tree, season), sticks.get(tree.tree, 0)
            if number:
                cuts.append(self._noted(tree, season, number, grew))
            self._grow_on(tree, season, number / grew)
        return cuts

    def _noted(self, tree: OrchardTree, season: int, sticks: int, grew: float) -> Cut:
        by_eye, length = self.orchard.seen[tree.tree, season]
        share = min(1.0, max(0.05, round(20 * sticks / grew * by_eye) / 20))
        vigour = self.vigour.get(tree.tree, 1.0)
        return Cut(
            tree=tree.tree,
            season=season,
            sticks=sticks,
            grew=grew,
            share_noted=share if self.orchard.told[tree.tree, season] else None,
            shoots_noted=round(tree.shoots_cm * vigour**0.7 * length),
        )

    def _grow_on(self, tree: OrchardTree, season: int, share: float) -> None:
        strain = share + self.model.memory * self.strain.get(tree.tree, 0.0)
        bears = self.model.bears[tree.kind(season)] * tree.bears
        self.strain[tree.tree] = strain
        before = self.vigour.get(tree.tree, 1.0)
        self.vigour[tree.tree] = self.model.after(before, strain, bears)


# ------------------------------------------------------------------------------------- drawing

PLANTED = {
    "A": ("Carya illinoinensis", {"bank": 12}),
    "B": ("Carya illinoinensis", {"bank": 8, "dehorned": 4}),
    "C": ("Malus domestica", {"bearing": 14}),
    "D": ("Malus domestica", {"bank": 4, "bearing": 10}),
    "E": ("Juglans regia", {"bank": 12}),
}
"""Cultivars of the orchard: their species, and how many trees of each kind stand at a time."""
GROWS = {
    ("bank", "Carya"): 200,
    ("dehorned", "Carya"): 140,
    ("bearing", "Malus"): 50,
    ("bank", "Malus"): 220,
    ("bank", "Juglans"): 110,
}
SHOOTS_CM = {"bank": 75, "bearing": 30, "dehorned": 70}
GIVES = {"bank": 0.6, "bearing": 0.2, "dehorned": 0.35}
"""Share of a tree, by kind, that orders are sized by."""
PEAK = 1.7
"""Times the usual order that a peak is."""


def draw_orchard(seed: int, seasons: int = 20, demand: float = 0.7) -> Orchard:
    """Return an orchard whose usual orders are `demand` times what its grown trees give lightly."""
    rng = np.random.default_rng(seed)
    trees = tuple(tree for cultivar in PLANTED for tree in _trees(rng, cultivar, seasons))
    spans = range(-BEFORE, seasons)
    common = {season: math.exp(rng.normal(0, 0.12)) for season in spans}
    keys = [(tree.tree, season) for tree in trees for season in spans]
    orders = {}
    for cultivar in PLANTED:
        orders |= _orders(rng, cultivar, trees, seasons, demand)
    return Orchard(
        seasons=seasons,
        trees=trees,
        orders=orders,
        weather={key: common[key[1]] * math.exp(rng.normal(0, 0.15)) for key in keys},
        seen={key: (math.exp(rng.normal(0, 0.1)), math.exp(rng.normal(0, 0.06))) for key in keys},
        told={key: bool(rng.random() < 0.85) for key in keys},
    )


def _trees(rng: np.random.Generator, cultivar: str, seasons: int) -> list[OrchardTree]:
    """Return the trees of a cultivar, each place planted again as its tree goes."""
    species, stocks = PLANTED[cultivar]
    found: list[OrchardTree] = []
    for stock, places in stocks.items():
        here = math.exp(rng.normal(0, 0.25))
        for _ in range(places):
            lives = int(rng.integers(17, 25) if stock == "bank" else rng.integers(15, 60))
            planted = -int(rng.integers(BEFORE + 2, min(lives, 22)))
            while planted < seasons - 1:
                found.append(
                    OrchardTree(
                        tree=f"{cultivar}{len(found):02}",
                        cultivar=cultivar,
                        stock=stock,
                        species=species,
                        planted=planted,
                        leaves=planted + lives,
                        grubbed=stock == "bank",
                        grows=here
                        * GROWS[stock, species.split()[0]]
                        * math.exp(rng.normal(0, 0.3)),
                        bears=math.exp(rng.normal(0, 0.2)),
                        late=rng.normal(0, 0.4),
                        shoots_cm=SHOOTS_CM[stock] * math.exp(rng.normal(0, 0.1)),
                    )
                )
                # A bank tree that will be grubbed has its successor beside it in time.
                planted += lives - (4 if stock == "bank" else 0)
                lives = int(rng.integers(17, 25) if stock == "bank" else rng.integers(15, 60))
    return found


def _orders(
    rng: np.random.Generator,
    cultivar: str,
    trees: tuple[OrchardTree, ...],
    seasons: int,
    demand: float,
) -> dict[tuple[str, int], Orders]:
    """Return a cultivar's orders: about alike every season, but for peaks two seasons known."""
    grown = [tree for tree in trees if tree.cultivar == cultivar and tree.stands(0)]
    usual = demand * sum(tree.grows * GIVES[tree.stock] for tree in grown)
    usual *= rng.uniform(0.85, 1.15)
    peaks = {int(rng.integers(first, first + 5)) for first in range(2, seasons - 4, 6)}
    found = {}
    for season in range(seasons):
        foreseen = usual * (PEAK if season in peaks else 1)
        sticks = foreseen if season in peaks else foreseen * math.exp(rng.normal(0, 0.15))
        must = sticks * (0.8 if season in peaks else 0.4)
        found[cultivar, season] = Orders(round(sticks), round(must), round(foreseen))
    return found
