"""What the simulation knows: the books that are written, and the truth behind them."""

import datetime as dt
import math
from collections import Counter
from dataclasses import dataclass, field
from random import Random

from scionreg.records import codes, tables
from scionreg.registry.settings import Settings

SEASONS = (2024, 2025, 2026)
LAST_DAY = dt.date(2026, 11, 20)
Row = dict[str, object]


@dataclass(frozen=True, slots=True)
class Books:
    """The rows that end up in the CSV files, by record kind, and the serial numbers given out."""

    seed: int
    rows: dict[str, list[Row]] = field(default_factory=lambda: {kind: [] for kind in tables.KINDS})
    serials: Counter[tuple[str, int]] = field(default_factory=Counter)

    def add(self, kind: str, /, **values: object) -> Row:
        """Write a row; columns left out stay empty. Returns the row, which may be amended."""
        self.rows[kind].append(values)
        return values

    def issue(self, letter: str, season: int) -> str:
        """Return the next code of a kind's letter in a season."""
        self.serials[letter, season] += 1
        return codes.issue(letter, season, self.serials[letter, season])

    def dice(self, *names: object) -> Random:
        """Return random numbers of their own for a purpose, so that purposes do not disturb."""
        return Random(":".join(map(str, (self.seed, *names))))


@dataclass(slots=True)
class Tree:
    """A mother tree, with what nobody wrote down: how well its wood takes (`luck`, logit)."""

    code: str
    cultivar: str
    species: str
    kind: str
    block: str
    row: int
    position: int
    latitude: float
    longitude: float
    sticks: int
    luck: float
    usable: bool = True
    limb: str | None = None


@dataclass(slots=True)
class Bundle:
    """A bundle: what its label says, and what it really holds.

    `truth` is the cultivar of its wood, `foreign` the number of sticks of another cultivar
    (`foreign_cultivar`) that were used under its label.
    """

    code: str
    season: int
    cultivar: str
    species: str
    truth: str
    tree: Tree | None
    sticks: int
    left: int
    packed: dt.date
    store: str
    luck: float
    made_of: tuple[str, ...] = ()
    foreign: int = 0
    foreign_cultivar: str = ""


@dataclass(slots=True)
class Lot:
    """A graft lot and the positions that live in it."""

    code: str
    season: int
    bundle: Bundle
    date: dt.date
    grafter: str
    method: str
    grafts: int
    block: str
    row: int
    first: int
    last: int
    early: int = 0
    counted: dt.date = LAST_DAY
    alive: list[int] = field(default_factory=list)
    unsold: list[int] = field(default_factory=list)
    wrong: set[int] = field(default_factory=set)
    grown_stock: set[int] = field(default_factory=set)
    entry: Row = field(default_factory=dict)

    @property
    def cultivar(self) -> str:
        """Cultivar as labelled."""
        return self.bundle.cultivar


@dataclass(slots=True)
class Tales:
    """The codes that each story ends up with, for the README."""

    codes: dict[str, str] = field(default_factory=dict)

    def tell(self, **codes: str) -> None:
        """Remember codes by the names the README uses for them."""
        self.codes.update(codes)


@dataclass(frozen=True, slots=True)
class Nursery:
    """Everything there is."""

    books: Books
    trees: list[Tree] = field(default_factory=list)
    bundles: list[Bundle] = field(default_factory=list)
    lots: list[Lot] = field(default_factory=list)
    stores: dict[str, str] = field(default_factory=dict)
    rootstocks: dict[tuple[str, int], list[str]] = field(default_factory=dict)
    tales: Tales = field(default_factory=Tales)

    def tree(self, code: str) -> Tree:
        """Return the mother tree of a code."""
        return next(tree for tree in self.trees if tree.code == code)

    def at(self, block: str, row: int, position: int) -> Tree:
        """Return the mother tree that stands at a place."""
        place = (block, row, position)
        return next(t for t in self.trees if (t.block, t.row, t.position) == place)


def season_of(day: dt.date) -> int:
    """Return the season of a day: it runs from 1 July and has the name of its spring."""
    return Settings().season(day)


def working_days(first: dt.date, last: dt.date) -> list[dt.date]:
    """Return Monday to Friday from `first` to `last`."""
    days = (first + dt.timedelta(n) for n in range((last - first).days + 1))
    return [day for day in days if day.weekday() < 5]


def binomial(dice: Random, trials: int, chance: float) -> int:
    """Return how many of `trials` come off."""
    return sum(dice.random() < chance for _ in range(trials))


def logit(share: float) -> float:
    """Return the log odds of a share."""
    return math.log(share / (1 - share))


def expit(odds: float) -> float:
    """Return the share of log odds."""
    return 1 / (1 + math.exp(-odds))


def as_positions(positions: list[int]) -> str:
    """Return row positions as they are written: ``3;7;12-15``."""
    runs: list[list[int]] = []
    for position in sorted(positions):
        if runs and position == runs[-1][1] + 1:
            runs[-1][1] = position
        else:
            runs.append([position, position])
    return ";".join(f"{a}" if a == b else f"{a}-{b}" for a, b in runs)
