"""Labels of a registry: of what is recorded, and blanks for codes that are reserved."""

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from sqlalchemy import Connection, select

from scionreg.documents.labels.saying import (
    KIND_OF,
    Label,
    LabelKind,
    Teller,
    labels_of,
    tree_label,
)
from scionreg.judgement import Judge, Judgement
from scionreg.judgement.recorded import MINDED
from scionreg.lineage import label_books as books
from scionreg.lineage.graph import Lot, find_kind, not_found, read_lots, split_position
from scionreg.lineage.label_books import Book, LotBook, WoodBook
from scionreg.lineage.phrases import without_detail
from scionreg.lineage.reasons import judged
from scionreg.lineage.standing import now_at, regrafts_among
from scionreg.records.errors import NotFoundError, RegistryError
from scionreg.records.tables import code_column, table
from scionreg.records.words import Sentence, Words, english
from scionreg.registry.issuing import unused
from scionreg.registry.settings import Settings, read_settings

DAY_OF = {
    "collections": "date",
    "bundles": "packed",
    "graft_lots": "date",
    "rootstock_lots": "received",
    "dispatches": "date",
}
"""The day that tells the season of a record, by kind."""

READ: Mapping[str, Callable[[Connection, Collection[str]], Mapping[str, Book]]] = {
    "mother_trees": books.read_trees,
    "collections": books.read_cuttings,
    "bundles": books.read_wood,
    "graft_lots": books.read_lots,
    "stores": books.read_stores,
    "rootstock_lots": books.read_rootstocks,
}

BLANK: Mapping[str, Callable[[str], Book]] = {
    "mother_trees": lambda code: books.TreeBook(code=code),
    "collections": lambda code: WoodBook(code=code, is_bundle=False),
    "bundles": lambda code: WoodBook(code=code, is_bundle=True),
    "graft_lots": lambda code: LotBook(code=code),
    "stores": lambda code: books.StoreBook(code=code),
    "rootstock_lots": lambda code: books.StockBook(code=code),
}


@dataclass(frozen=True, slots=True)
class Labels:
    """Labels in the order they are printed, and what to mind about them."""

    labels: tuple[Label, ...]
    cautions: tuple[str, ...] = ()

    def kinds(self) -> tuple[LabelKind, ...]:
        """Return the kinds of label there are, each once."""
        return tuple(dict.fromkeys(each.kind for each in self.labels))

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form; what is to be written on the label is null."""
        return {
            "labels": [each.to_dict() for each in self.labels],
            "cautions": list(self.cautions),
        }

    def to_rows(self) -> list[dict[str, Any]]:
        """Return a flat dictionary a label, for CSV."""
        return [each.to_dict() for each in self.labels]


class _Tree(NamedTuple):
    """A single tree to be labelled, by the lot whose graft stands there now."""

    lot: str
    position: int | None
    sold_as: str | None = None


def labels(
    connection: Connection,
    codes: Sequence[str] = (),
    *,
    every: str = "",
    season: int | None = None,
    trees: bool = False,
    words: Words | None = None,
) -> Labels:
    """Return the labels of what some codes name.

    A mother tree gets a tag, a bundle one label for inside and one for outside, a graft lot a row
    stake, a dispatch or ``lot/position`` a label for each tree that is sold, a store a box label,
    collections and rootstock lots one of their own.

    Parameters
    ----------
    every : record kind of which all are labelled, beside `codes`; `season` keeps those of one.
    trees : a label for each tree of a graft lot, in place of the row stake.
    words : the language; English if None.

    Raises
    ------
    NotFoundError
        Nothing is recorded under a code.
    RegistryError
        What a code names has no label, or a kind has no season.
    """
    settings = read_settings(connection)
    tell = _teller(settings, words)
    asked = [*codes, *(_every(connection, settings, every, season) if every else ())]
    kinds = {code: every or find_kind(connection, code) for code in asked[len(codes) :]}
    kinds |= {code: find_kind(connection, code) for code in codes}
    single = _single_trees(connection, kinds, all_of_lots=trees)
    read = _read(connection, kinds, single.trees)
    made: list[Label] = []
    for code in dict.fromkeys(asked):
        if code in single.trees:
            made += (
                tree_label(_lot(read, each.lot), each.position, tell, each.sold_as)
                for each in single.trees[code]
            )
        else:
            made += labels_of(read[kinds[code]][code], tell)
    doubts = [
        *_judged(connection, settings, kinds, single.trees, tell.words),
        *_more_than_live(connection, single.trees, tell.words),
        *single.doubts,
        *_misnamed(read, single.trees, tell.words),
        *_mixed(read, tell.words),
    ]
    return Labels(tuple(made), tuple(_cautions(made, doubts, tell.words)))


def blanks(
    connection: Connection, person: str, *, kind: str = "", words: Words | None = None
) -> Labels:
    """Return blank labels for the codes reserved for a person that are not in use yet.

    Each has its code, and lines for what is to be written on it; a record with that code, whenever
    it comes in, is what the label then belongs to. `kind` keeps the codes of one record kind.

    Raises
    ------
    NotFoundError
        There are no such codes.
    RegistryError
        There is no label for a kind.
    """
    tell = _teller(read_settings(connection), words)
    free = unused(connection, person, kind)
    if not free:
        what = kind.replace("_", " ") or "codes"
        raise NotFoundError(
            f"no unused {what} are reserved for '{person}'; reserve some with: scionreg reserve "
            f"{kind or 'bundles'} --for {person}"
        )
    made: list[Label] = []
    for of, code in free:
        made += labels_of(_made_for(of)(code), tell)
    return Labels(tuple(made))


def _made_for(kind: str) -> Callable[[str], Book]:
    if kind not in BLANK:
        raise RegistryError(
            f"there is no label for {kind.replace('_', ' ')}; there are for {_labelled()}"
        )
    return BLANK[kind]


def _labelled() -> str:
    return ", ".join(each.replace("_", " ") for each in KIND_OF)


def _teller(settings: Settings, words: Words | None) -> Teller:
    return Teller(words or english(), settings.nursery, settings.units == "US")


def _every(
    connection: Connection, settings: Settings, kind: str, season: int | None
) -> Iterator[str]:
    """Yield the codes of a kind in the order they came in, each once."""
    if kind not in KIND_OF and kind != "dispatches":
        _made_for(kind)
    if season is not None and kind not in DAY_OF:
        raise RegistryError(f"{kind.replace('_', ' ')} belong to no season; leave it out")
    columns = table(kind).columns
    day = columns[DAY_OF[kind]] if kind in DAY_OF else None
    query = select(code_column(kind), *([] if day is None else [day])).order_by(columns["id"])
    found = [
        row[0]
        for row in connection.execute(query)
        if season is None or (row[1] is not None and settings.season(row[1]) == season)
    ]
    if not found:
        when = f" of season {season}" if season is not None else ""
        raise NotFoundError(f"no {kind.replace('_', ' ')}{when} are recorded")
    yield from dict.fromkeys(found)


class _Single(NamedTuple):
    """The single trees that each code stands for, and the doubts about them."""

    trees: dict[str, list[_Tree]]
    doubts: list[str]


class _Ground:
    """Graft lots with the regrafts of them."""

    def __init__(self, lots: Mapping[str, Lot]) -> None:
        self.lots = lots
        self._regrafts = regrafts_among(lots.values())

    def standing(
        self, code: str, position: int | None, doubts: list[str], sold_as: str | None = None
    ) -> _Tree:
        """Return the tree at a position of a lot, and add the doubts about it."""
        if position is None:
            return _Tree(code, None, sold_as)
        lot = self.lots[code]
        if lot.first is not None and lot.span is not None and position not in _positions(lot):
            last = lot.first + lot.span - 1
            raise RegistryError(f"{code} has no position {position}; it has {lot.first} to {last}")
        now, said = now_at(lot, self._regrafts, position)
        doubts += said
        return _Tree(now.graft_lot, position, sold_as)


def _single_trees(
    connection: Connection, kinds: Mapping[str, str], *, all_of_lots: bool
) -> _Single:
    """Return the single trees that are to be labelled, by the code that was asked for."""
    wanted = {
        code: split_position(code)
        for code, kind in kinds.items()
        if kind == "graft_lots" and (all_of_lots or "/" in code)
    }
    sent = books.read_sent(
        connection, [code for code, kind in kinds.items() if kind == "dispatches"]
    )
    asked = {lot for lot, _ in wanted.values()}
    asked |= {line.graft_lot for lines in sent.values() for line in lines}
    ground = _Ground(read_lots(connection, asked))
    found = _Single({}, [])
    for code, (lot, position) in wanted.items():
        if lot not in ground.lots:
            raise not_found(connection, code)
        run = _positions(ground.lots[lot]) if position is None else [position]
        found.trees[code] = [ground.standing(lot, each, found.doubts) for each in run]
    for code, lines in sent.items():
        found.trees[code] = [
            ground.standing(line.graft_lot, position, found.doubts, line.label_cultivar)
            for line in lines
            for position in _sent_positions(line)
        ]
    return found


def _positions(lot: Lot) -> Sequence[int | None]:
    """Return the positions of a lot, or as many unknown ones as it has grafts."""
    if lot.first is None or lot.span is None:
        return [None] * lot.grafts
    return range(lot.first, lot.first + lot.span)


def _sent_positions(line: books.Sent) -> Sequence[int | None]:
    """Return the positions that were sent, unknown ones where the range holds gaps too."""
    if line.first is None or line.last is None or line.last - line.first + 1 != line.trees:
        return [None] * line.trees
    return range(line.first, line.last + 1)


def _read(
    connection: Connection, kinds: Mapping[str, str], trees: Mapping[str, list[_Tree]]
) -> dict[str, dict[str, Book]]:
    """Return the books of every kind that is to be labelled, by code."""
    wanted: dict[str, dict[str, None]] = {}
    for code, kind in kinds.items():
        if code not in trees:
            _made_for(kind)
            wanted.setdefault(kind, {})[code] = None
    for single in trees.values():
        wanted.setdefault("graft_lots", {}).update(dict.fromkeys(each.lot for each in single))
    return {kind: dict(READ[kind](connection, codes)) for kind, codes in wanted.items()}


def _lot(read: Mapping[str, Mapping[str, Book]], code: str) -> LotBook:
    book = read["graft_lots"][code]
    assert isinstance(book, LotBook)
    return book


def _judged(
    connection: Connection,
    settings: Settings,
    kinds: Mapping[str, str],
    trees: Mapping[str, list[_Tree]],
    words: Words,
) -> Iterator[str]:
    """Yield in a line each what speaks against using what is labelled; nothing is left out."""
    judge = Judge(connection, settings=settings)
    for each in _judgements(judge, kinds, trees):
        against = [reason for reason in each.against if reason.code not in MINDED]
        if against:
            how = "doubted" if each.may else "barred"
            says = (reason.says for reason in against)
            plain = (without_detail(e) if isinstance(e, Sentence) else e for e in says)
            why = "; ".join(map(words.tell, plain))
            yield words(f"label.caution.{how}", code=each.item, why=why)


def _judgements(
    judge: Judge, kinds: Mapping[str, str], trees: Mapping[str, list[_Tree]]
) -> Iterator[Judgement]:
    """Yield the judgement of each code, of single trees that of their lot at those positions."""

    def named(kind: str) -> list[str]:
        return [code for code, of in kinds.items() if of == kind and code not in trees]

    if asked := named("mother_trees"):
        yield from judge.trees(asked).values()
    if asked := named("collections"):
        holds = judge.holds(judge.on)
        for code in asked:
            yield judged(code, "collections", judge.on, judge.of_holds(code, holds))
    if asked := named("bundles"):
        yield from judge.bundles(asked).values()
    whole, places = dict.fromkeys(named("graft_lots")), dict[str, list[int]]()
    for code, single in trees.items():
        for each in single if kinds[code] == "graft_lots" else ():
            if each.position is None or "/" not in code:
                whole[each.lot] = None
            else:
                places.setdefault(each.lot, []).append(each.position)
    if asked := list(whole | dict.fromkeys(places)):
        some = {lot: at for lot, at in places.items() if lot not in whole}
        yield from judge.lots(asked, positions=some).values()
    if asked := [code for code, kind in kinds.items() if kind == "dispatches"]:
        yield from judge.lines(asked).values()


def _more_than_live(
    connection: Connection,
    trees: Mapping[str, list[_Tree]],
    words: Words,
) -> Iterator[str]:
    """Yield the lots that get a label a tree, and more than were alive when counted last."""
    made = Counter(
        each.lot for code, single in trees.items() for each in single if each.lot == code
    )
    for lot, alive in books.read_alive(connection, made).items():
        if made[lot] > alive:
            yield words("label.caution.alive", lot=lot, labels=made[lot], alive=alive)


def _misnamed(
    read: Mapping[str, Mapping[str, Book]], trees: Mapping[str, list[_Tree]], words: Words
) -> Iterator[str]:
    """Yield the dispatches whose trees are sold under another name than they are recorded by."""
    for code, single in trees.items():
        for each in single:
            recorded = {named.cultivar for named in read["graft_lots"][each.lot].cultivars}
            if each.sold_as is not None and each.sold_as not in recorded:
                known = " + ".join(sorted(recorded)) or words("label.partly_unknown")
                yield words(
                    "label.caution.misnamed",
                    code=code,
                    lot=each.lot,
                    sold=each.sold_as,
                    known=known,
                )


def _mixed(read: Mapping[str, Mapping[str, Book]], words: Words) -> Iterator[str]:
    """Yield what holds wood of more than one cultivar."""
    for of_kind in read.values():
        for book in of_kind.values():
            if len(book.cultivars) > 1:
                names = ", ".join(each.cultivar for each in book.cultivars)
                yield words("label.caution.mixed", code=book.code, names=names)


def _cautions(made: Iterable[Label], doubts: Iterable[str], words: Words) -> Iterator[str]:
    yield from dict.fromkeys(map(words.tell, doubts))
    made = tuple(made)
    kinds = {label.kind for label in made}
    if any(fact.name == "rights" for label in made for fact in label.facts):
        yield words("caution.rights")
    if kinds & {LabelKind.WOOD, LabelKind.BUNDLE, LabelKind.TREE}:
        yield words("caution.moving")
