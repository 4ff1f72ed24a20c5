"""The chain as a network: each thing's sources and step, and who lies upward of whom."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple

from scionreg.identity.states import Space
from scionreg.identity.steps import Step, Steps
from scionreg.lineage.graph import sources_first
from scionreg.lineage.identity_books import IdentityBooks, Tied
from scionreg.records.starting_values import OffTypeValues

TREE, LIMB, CUT, BUNDLE, PART, LOT, SENT = "tree", "limb", "cut", "bundle", "part", "lot", "sent"


class Name(NamedTuple):
    """A piece of wood: what it is, and its code."""

    kind: str
    code: str


@dataclass(frozen=True, slots=True, eq=False)
class Link:
    """The sources of a piece of wood, and the step from them."""

    sources: tuple[Name, ...]
    step: Step


class Chain:
    """The links of the records, made as they are asked for."""

    def __init__(self, books: IdentityBooks, space: Space, values: OffTypeValues) -> None:
        self.books = books
        self.steps = Steps(space, books, values)
        self._space = space
        self._links: dict[Name, Link] = {}
        self._labels: dict[Name, str] = {}
        self._wholes: dict[Name, Name] = {}

    def label(self, name: Name) -> str:
        """Return the cultivar on a thing's label."""
        books, code = self.books, name.code
        if name.kind in (PART, LIMB, SENT):
            return self._labels[name]
        return {
            TREE: lambda: books.stems[code].label,
            CUT: lambda: books.cuts[code].label,
            BUNDLE: lambda: books.bundles[code].label,
            LOT: lambda: books.lots[code].label,
        }[name.kind]()

    def has(self, name: Name) -> bool:
        """Return whether something made on the way, such as a limb, is known."""
        return name in self._links

    def link(self, name: Name) -> Link:
        """Return the sources and the step of a thing."""
        if name not in self._links:
            self._links[name] = getattr(self, f"_{name.kind}")(name.code)
        return self._links[name]

    def upward(self, names: Iterable[Name]) -> dict[Name, Link]:
        """Return everything upward of some things, themselves included, sources first.

        Raises
        ------
        RegistryError
            The records run in a circle.
        """
        order = sources_first(names, lambda name: self.link(name).sources)
        return {name: self.link(name) for name in order}

    # -------------------------------------------------------------------------- the records' links

    def _tree(self, code: str) -> Link:
        stem = self.books.stems[code]
        grown = stem.grown_from in self.books.lots
        sources = (Name(LOT, str(stem.grown_from)),) if grown else ()
        return Link(sources, self.steps.tree(stem))

    def _limb(self, code: str) -> Link:
        raise AssertionError(code)  # made with its collections

    def _cut(self, code: str) -> Link:
        cut = self.books.cuts[code]
        tree = Name(TREE, cut.stem)
        source = tree if cut.limb is None else self.limb(cut.stem, cut.limb)
        return Link((source,), self.steps.cut(cut))

    def limb(self, stem: str, limb: str) -> Name:
        """Return the name of a limb of a tree."""
        name = Name(LIMB, f"{stem} {limb}")
        if name not in self._links:
            tree = Name(TREE, stem)
            self._links[name] = Link((tree,), self.steps.limb())
            self._labels[name] = self.label(tree)
        return name

    def _bundle(self, code: str) -> Link:
        bundle = self.books.bundles[code]
        if bundle.parents:
            return self._rebundle(bundle)
        if bundle.collection is None:
            return Link((), self.steps.bundle(bundle, None))
        source = Name(CUT, bundle.collection)
        return Link((source,), self.steps.bundle(bundle, self.label(source)))

    def _rebundle(self, bundle: Tied) -> Link:
        """Return the link of a bundle tied from others; of more than two, two at a time."""
        names = [Name(BUNDLE, code) for code, _ in bundle.parents]
        shares = [share for _, share in bundle.parents]
        if len(names) == 1:
            return Link((names[0],), self.steps.bundle(bundle, self.label(names[0])))
        whole = Name(BUNDLE, bundle.bundle)
        first, share = self._mixed_up(whole, bundle.label, names, shares)
        mixing = self._space.mix(
            bundle.label, (self.label(first), share), (self.label(names[-1]), shares[-1])
        )
        return Link((first, names[-1]), self.steps.bundle(bundle, None, mixing))

    def _mixed_up(
        self, whole: Name, label: str, names: list[Name], shares: list[float]
    ) -> tuple[Name, float]:
        """Return all but the last of some woods put together, and their share of the whole."""
        name, total = names[0], shares[0]
        for i, (other, share) in enumerate(zip(names[1:-1], shares[1:-1], strict=True)):
            both = total + share
            mixing = self._space.mix(
                label, (self.label(name), total / both), (self.label(other), share / both)
            )
            mix = Name(PART, f"{whole.kind} {whole.code} {i}")
            self._links[mix] = Link((name, other), self.steps.mixed_together(mixing))
            self._labels[mix], self._wholes[mix] = label, whole
            name, total = mix, both
        return name, total

    def relabelled(self, name: Name, source: Name) -> Name | None:
        """Return what put wood of a source under another label, by the records; None: nothing."""
        if self.label(name) == self.label(source):
            return None
        return self._wholes.get(name, name)

    def put_together(self, name: Name) -> set[str]:
        """Return the labels of the woods that something was put together from."""
        sources = self.link(name).sources
        labels = (
            self.put_together(each) if each.kind == PART else {self.label(each)} for each in sources
        )
        return set().union(*labels)

    def _lot(self, code: str) -> Link:
        lot = self.books.lots[code]
        source = Name(BUNDLE, lot.bundle)
        return Link((source,), self.steps.lot(lot, self.label(source)))

    def sent(self, dispatch: str) -> Name | None:
        """Return a dispatch of several lots of one label as the mix that it is; None of one lot."""
        lines = [line for line in self.books.sent if line.dispatch == dispatch]
        if len(lines) < 2:
            return None
        name = Name(SENT, dispatch)
        if name not in self._links:
            lots = [Name(LOT, line.lot) for line in lines]
            trees = [max(line.trees, 1) for line in lines]
            shares = [each / sum(trees) for each in trees]
            label = self.label(lots[0])
            first, share = self._mixed_up(name, label, lots, shares)
            mixing = self._space.mix(
                label, (self.label(first), share), (self.label(lots[-1]), shares[-1])
            )
            self._links[name] = Link((first, lots[-1]), self.steps.mixed_together(mixing))
            self._labels[name] = label
        return name
