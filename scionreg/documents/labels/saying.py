"""What a label says: a code, a heading, and facts, the most needed first.

What is not recorded and has to be on the label becomes a line to write on, so that a blank for a
reserved code and a label with a gap are the same thing.
"""

import datetime as dt
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any, NamedTuple

from scionreg.lineage.label_books import (
    Book,
    LotBook,
    Named,
    Source,
    StockBook,
    StoreBook,
    TreeBook,
    WoodBook,
)
from scionreg.records.vocabulary import Counting, GraftMethod, Rights, StoreKind
from scionreg.records.words import Words

MOST_TREES = 4
"""Source trees that are named on one label."""
NUMBER, CODE, NAME = 12.0, 24.0, 36.0
"""Room to write a number, a code or date, and a name with a marker pen, mm."""


class LabelKind(StrEnum):
    """What a label is for; its usual size goes by the same name."""

    TAG = "tag"
    WOOD = "wood"
    BUNDLE = "bundle"
    STAKE = "stake"
    TREE = "tree"
    BOX = "box"
    ROOTSTOCK = "rootstock"


KIND_OF: Mapping[str, LabelKind] = {
    "mother_trees": LabelKind.TAG,
    "collections": LabelKind.WOOD,
    "bundles": LabelKind.BUNDLE,
    "graft_lots": LabelKind.STAKE,
    "stores": LabelKind.BOX,
    "rootstock_lots": LabelKind.ROOTSTOCK,
}
"""The label of each record kind that has one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """One thing on a label. `text` None is a line of `room` mm to write on.

    `choices` are words with a box to tick before each. Only what is not a `must` may be left out
    where a label is small. Room is kept for the widest of `instead`, which other labels of the same
    thing say: so they are laid out alike.
    """

    name: str
    title: str = ""
    text: str | None = None
    room: float = CODE
    choices: tuple[str, ...] = ()
    must: bool = True
    instead: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """What one label says."""

    kind: LabelKind
    code: str
    heading: Fact
    facts: tuple[Fact, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form; a line to write on is null."""
        facts = (self.heading, *self.facts)
        return {"label": self.kind.value, "code": self.code} | {
            each.name: each.text for each in facts
        }

    def texts(self) -> Iterator[str]:
        """Yield every text on it."""
        yield self.code
        for each in (self.heading, *self.facts):
            yield from filter(None, (each.title, each.text, *each.choices))


class Teller(NamedTuple):
    """How facts are put into words."""

    words: Words
    nursery: str = ""
    fahrenheit: bool = False

    def must(self, name: str, text: str | None, room: float = CODE) -> Iterator[Fact]:
        """Yield a fact, as a line to write on where it is not known."""
        yield Fact(name=name, title=self.words(f"label.title.{name}"), text=text, room=room)

    def known(self, name: str, text: str | None, *, must: bool = False) -> Iterator[Fact]:
        """Yield a fact if it is known."""
        if text:
            yield Fact(name=name, title=self.words(f"label.title.{name}"), text=text, must=must)

    def plain(self, name: str, text: str | None) -> Iterator[Fact]:
        """Yield a fact that needs no title, if it is known."""
        if text:
            yield Fact(name=name, text=text)

    def day(self, day: dt.date | None) -> str | None:
        """Return a day in words."""
        return None if day is None else self.words.day(day)


def labels_of(book: Book, tell: Teller) -> list[Label]:
    """Return the labels of what is recorded under a code: two of a bundle, one of all else."""
    kind, told = _TELLERS[type(book)]
    if isinstance(book, WoodBook) and not book.is_bundle:
        kind = LabelKind.WOOD
    label = Label(
        kind=kind, code=book.code, heading=_heading(book, tell), facts=tuple(told(book, tell))
    )
    if kind is not LabelKind.BUNDLE:
        return [label]
    sides = tuple(tell.words(f"label.{side}") for side in ("inside", "outside"))
    return [
        replace(label, facts=(*label.facts, Fact(name="side", text=side, instead=sides)))
        for side in sides
    ]


def tree_label(
    lot: LotBook, position: int | None, tell: Teller, label_cultivar: str | None = None
) -> Label:
    """Return the label of one tree to be sold; `position` None where nobody wrote it down."""
    code = lot.code if position is None else f"{lot.code}/{position}"
    heading = _heading(lot, tell)
    if label_cultivar is not None:
        heading = replace(heading, text=label_cultivar)
    return Label(
        kind=LabelKind.TREE, code=code, heading=heading, facts=tuple(_sold_tree(lot, tell))
    )


def _heading(book: Book, tell: Teller) -> Fact:
    if isinstance(book, StoreBook):
        kind = tell.words.stored(StoreKind, book.kind) if book.kind else None
        return Fact(name="store_kind", title=tell.words("label.title.store_kind"), text=kind)
    if isinstance(book, StockBook):
        grown = book.clone
        if not grown and book.seed_parent:
            grown = tell.words("label.seedlings", parent=book.seed_parent)
        return Fact(name="rootstock", title=tell.words("label.title.rootstock"), text=grown)
    names = " + ".join(each.cultivar for each in book.cultivars)
    title = tell.words("label.title.cultivar")
    return Fact(name="cultivar", title=title, text=names or None, room=NAME)


def _tag(book: TreeBook, tell: Teller) -> Iterator[Fact]:
    if book.place is None and book.private:
        pass
    else:
        yield from tell.must("place", _place(book.place, tell))
    yield from tell.known("species", _species(book.cultivars))
    yield from _rights(book.cultivars, tell)
    yield from tell.known("rootstock", book.rootstock)
    yield from tell.known("planted", tell.day(book.planted))
    yield from tell.known("grown_from", book.grown_from)
    yield from tell.known("received_from", book.received_from)
    yield from tell.known("rank", book.rank)


def _wood(book: WoodBook, tell: Teller) -> Iterator[Fact]:
    yield _source(book.sources, tell)
    yield from tell.must("cut", _cut(book.sources, tell))
    yield from _sticks(book, tell)
    yield from tell.known("species", _species(book.cultivars), must=True)
    yield from _rights(book.cultivars, tell)
    yield from tell.known("rank", _ranks(book.sources), must=True)
    yield from tell.known("limb", _only(each.limb for each in book.sources))
    yield from tell.known("cutter", _only(each.cutter for each in book.sources))
    if not book.is_bundle:
        yield _buds(tell)
        return
    yield from tell.known("packed", tell.day(book.packed))
    yield from tell.known("packer", book.packer)
    yield from tell.known("collection", _only(each.collection for each in book.sources))
    yield from tell.known("store", " ".join(filter(None, (book.store, book.shelf))))
    yield from tell.known("treatment", book.treatment)
    yield _buds(tell)


def _sticks(book: WoodBook, tell: Teller) -> Iterator[Fact]:
    """Yield how many sticks there are."""
    ticks = tuple(tell.words.word(each) for each in Counting)
    if book.sticks is None:
        yield from tell.must("sticks", None, NUMBER)
    else:
        text = tell.words.many("label.sticks", book.sticks)
        if book.count:
            text = f"{text}, {tell.words.stored(Counting, book.count)}"
        yield Fact(name="sticks", text=text, choices=() if book.count else ticks)


def _buds(tell: Teller) -> Fact:
    """Return a line for the number of buds, where buds are counted."""
    ticks = tuple(tell.words.word(each) for each in Counting)
    title = tell.words("label.title.buds")
    return Fact(name="buds", title=title, room=NUMBER, choices=ticks, must=False)


def _stake(book: LotBook, tell: Teller) -> Iterator[Fact]:
    yield _source(book.sources, tell)
    yield from tell.must("grafted", tell.day(book.date))
    yield from tell.must("place", _run(book, tell))
    if book.grafts is None:
        yield from tell.must("grafts", None, NUMBER)
    else:
        yield from tell.plain("grafts", tell.words.many("label.grafts", book.grafts))
    yield from tell.must("rootstock", _rootstock(book, tell))
    yield from tell.known("bundle", book.bundle)
    yield from tell.known("grafter", book.grafter)
    method = tell.words.stored(GraftMethod, book.method) if book.method else None
    yield from tell.known("method", method)
    yield from tell.known("regraft_of", book.regraft_of)
    yield from tell.known("species", _species(book.cultivars))
    yield from _rights(book.cultivars, tell)


def _sold_tree(book: LotBook, tell: Teller) -> Iterator[Fact]:
    yield from tell.must("species", _species(book.cultivars), NAME)
    yield from tell.must("rootstock", _rootstock(book, tell))
    yield _source(book.sources, tell)
    yield from tell.must("grafted", None if book.date is None else tell.words.month(book.date))
    yield from tell.plain("trees", tell.words.many("label.trees", 1))
    yield from _rights(book.cultivars, tell)
    yield from tell.known("rank", _ranks(book.sources), must=True)
    yield from tell.plain("nursery", tell.nursery)
    yield Fact(name="grade", title=tell.words("label.title.grade"), room=NUMBER, must=False)


def _box(_book: StoreBook, tell: Teller) -> Iterator[Fact]:
    degrees = tell.words(f"measure.{'fahrenheit' if tell.fahrenheit else 'celsius'}", value="")
    title = tell.words("label.title.kept_at", degrees=degrees.strip())
    yield Fact(name="kept_at", title=title, room=NUMBER)
    yield from tell.must("logger", None)
    yield from tell.plain("nursery", tell.nursery)


def _stock(book: StockBook, tell: Teller) -> Iterator[Fact]:
    yield from tell.must("species", book.species, NAME)
    yield from tell.must("received", tell.day(book.received))
    yield from tell.known("supplier", book.supplier)


_TELLERS: Mapping[type[Book], tuple[LabelKind, Callable[[Any, Teller], Iterator[Fact]]]] = {
    TreeBook: (LabelKind.TAG, _tag),
    WoodBook: (LabelKind.BUNDLE, _wood),
    LotBook: (LabelKind.STAKE, _stake),
    StoreBook: (LabelKind.BOX, _box),
    StockBook: (LabelKind.ROOTSTOCK, _stock),
}


def _only(values: Iterable[str | None]) -> str | None:
    """Return the value that all have, None where they differ."""
    different = set(values)
    return different.pop() if len(different) == 1 else None


def _species(cultivars: Iterable[Named]) -> str | None:
    return ", ".join(dict.fromkeys(each.species for each in cultivars if each.species)) or None


def _ranks(sources: Iterable[Source]) -> str | None:
    return "; ".join(dict.fromkeys(each.rank for each in sources if each.rank)) or None


def _rights(cultivars: Iterable[Named], tell: Teller) -> Iterator[Fact]:
    """Yield a notice of each right that is claimed."""
    for each in cultivars:
        if each.rights in (Rights.PATENT, Rights.PVR, Rights.PENDING):
            right = tell.words(f"label.rights.{each.rights}", number=each.rights_no or "")
            yield Fact(name="rights", text=right.strip())


def _source(sources: Sequence[Source], tell: Teller) -> Fact:
    """Return the trees wood is from, who it came from otherwise, and whether some is unknown."""
    trees = tuple(dict.fromkeys(each.tree for each in sources if each.tree))
    outside = dict.fromkeys(each.received_from for each in sources if each.received_from)
    parts = list(trees[:MOST_TREES])
    if len(trees) > MOST_TREES:
        parts.append(tell.words("label.more_trees", number=len(trees) - MOST_TREES))
    parts += [tell.words("label.from_outside", who=who) if trees else who for who in outside]
    if parts and any(each.tree is None and each.received_from is None for each in sources):
        parts.append(tell.words("label.partly_unknown"))
    title = tell.words(f"label.title.{'received_from' if outside and not trees else 'tree'}")
    return Fact(name="tree", title=title, text=", ".join(parts) or None)


def _cut(sources: Iterable[Source], tell: Teller) -> str | None:
    """Return the day wood was cut, or the first and the last."""
    days = {each.date for each in sources}
    known = sorted(day for day in days if day is not None)
    if not known:
        return None
    text = tell.words.day(known[0])
    if known[-1] > known[0]:
        text = tell.words("label.to", first=text, last=tell.words.day(known[-1]))
    return text if None not in days else f"{text}, {tell.words('label.partly_unknown')}"


def _place(place: tuple[str, int | None, int | None] | None, tell: Teller) -> str | None:
    if place is None:
        return None
    block, row, position = place
    parts = [block]
    if row is not None:
        parts.append(tell.words("label.row", row=row))
    if position is not None:
        parts.append(tell.words("label.at", position=position))
    return " ".join(parts)


def _run(book: LotBook, tell: Teller) -> str | None:
    if book.block is None or book.row is None:
        return book.block
    text = f"{book.block} {tell.words('label.row', row=book.row)}"
    if book.first is None:
        return text
    return f"{text}, {tell.words('label.to', first=book.first, last=book.last or book.first)}"


def _rootstock(book: LotBook, tell: Teller) -> str | None:
    stock = book.rootstock
    if stock is None:
        return None
    grown = stock.clone
    if not grown and stock.seed_parent:
        grown = tell.words("label.seedlings", parent=stock.seed_parent)
    return ", ".join(filter(None, (grown or stock.species, stock.code)))
