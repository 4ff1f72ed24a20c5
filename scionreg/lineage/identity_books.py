"""What the records say of the wood that identity evidence touches, as plain data.

A `stem` is one tree from one identity-break event to the next: evidence for what it was before says
nothing of what it is after.
"""

import datetime as dt
from dataclasses import dataclass, field
from typing import NamedTuple


class Stem(NamedTuple):
    """A mother tree between identity breaks. `grown_from` is the graft lot it was grown in."""

    stem: str
    tree: str
    label: str
    topworked: bool = False
    grown_from: str | None = None
    grown_position: int | None = None
    until: dt.date | None = None


class Neighbour(NamedTuple):
    """A tree of another cultivar nearby that may have been cut instead.

    Weights of a tree's neighbours sum to 1, but for how much likelier a fix makes each.
    """

    stem: str
    label: str
    weight: float


class Cut(NamedTuple):
    """A collection. `before` and `after` are the trees one position off, where there are any.

    `solid` tells that trees are recorded within two positions, all of them of the label's cultivar.
    """

    collection: str
    stem: str
    label: str
    limb: str | None = None
    date: dt.date | None = None
    cutter: str | None = None
    neighbours: tuple[Neighbour, ...] = ()
    before: str | None = None
    after: str | None = None
    solid: bool = False


class Tied(NamedTuple):
    """A bundle. `parents` gives the share of its wood of each; `excess` used beyond packed."""

    bundle: str
    label: str
    collection: str | None = None
    parents: tuple[tuple[str, float], ...] = ()
    packed: dt.date | None = None
    packer: str | None = None
    store: str | None = None
    excess: float | None = None


class Worked(NamedTuple):
    """A graft lot. `before` and `after` are the lots worked before and after it that day.

    `lives_too_much`: more of it lives than its grafts, or its earlier counts, account for.
    """

    lot: str
    bundle: str
    label: str
    grafter: str
    date: dt.date | None
    grafts: int
    first: int | None = None
    last: int | None = None
    before: str | None = None
    after: str | None = None
    lives_too_much: bool = False
    row: str | None = None

    def positions(self) -> range:
        """Return its row positions; from 1 where they were not recorded."""
        if self.first is None or self.last is None:
            return range(1, self.grafts + 1)
        return range(self.first, self.last + 1)


class Sent(NamedTuple):
    """A line of a dispatch."""

    dispatch: str
    lot: str
    date: dt.date | None
    trees: int
    customer: str
    first: int | None = None
    last: int | None = None


class Check(NamedTuple):
    """A row of a look: `item` is the code of a stem, collection, bundle, lot or dispatch."""

    check: str
    item: str
    date: dt.date | None
    method: str
    checked: int
    off: int
    found: str | None = None
    limb: str | None = None
    positions_checked: tuple[int, ...] = ()
    positions: tuple[int, ...] = ()
    same_trees_as: str | None = None


class SampleFinding(NamedTuple):
    """What a marker profile showed the sampled thing to be: its label (`found` None), or what."""

    item: str
    position: int | None
    found: str | None


@dataclass(frozen=True, slots=True)
class IdentityBooks:
    """The touched part of a registry, by code. `cultivars` gives each known cultivar's species."""

    stems: dict[str, Stem] = field(default_factory=dict)
    cuts: dict[str, Cut] = field(default_factory=dict)
    bundles: dict[str, Tied] = field(default_factory=dict)
    lots: dict[str, Worked] = field(default_factory=dict)
    sent: tuple[Sent, ...] = ()
    checks: tuple[Check, ...] = ()
    profiles: tuple[SampleFinding, ...] = ()
    cultivars: dict[str, str] = field(default_factory=dict)
