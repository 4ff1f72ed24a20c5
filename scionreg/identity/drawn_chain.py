"""The chain around a question, as plain things with their sources: what pictures are drawn from."""

import datetime as dt
from collections.abc import Iterable, Iterator

from scionreg.identity.chain import BUNDLE, CUT, LOT, TREE, Name
from scionreg.identity.looks import Seen
from scionreg.identity.off_type import ChainItem
from scionreg.identity.question import Question
from scionreg.identity.sharing import KINDS, SENT_KIND, Sharing
from scionreg.identity.sights import Sights
from scionreg.lineage.identity_books import Sent


def drawn_chain(question: Question, sights: Sights, sharing: Sharing) -> tuple[ChainItem, ...]:
    """Return everything near the causes, sources before what came of them."""
    return tuple(_Drawn(question, sights, sharing).items())


class _Drawn:
    """Turns names of the network into things with codes."""

    def __init__(self, question: Question, sights: Sights, sharing: Sharing) -> None:
        self._question, self._sights, self._sharing = question, sights, sharing
        self._books = question.chain.books
        self._lines: dict[str, list[Sent]] = {}
        for line in self._books.sent:
            if Name(LOT, line.lot) in sharing.near:
                self._lines.setdefault(line.dispatch, []).append(line)

    def items(self) -> Iterator[ChainItem]:
        """Yield the things, mother trees first."""
        for kind in (TREE, CUT, BUNDLE, LOT):
            for name in sorted(each for each in self._sharing.near if each.kind == kind):
                yield self._wood(name)
        sent = self._sharing.sent()
        for dispatch in sorted(self._lines):
            yield self._dispatch(dispatch, sent.get(dispatch, (0, 0.0))[1])

    def _wood(self, name: Name) -> ChainItem:
        chain, places = self._question.chain, self._places_sent(name)
        seen = [each for each in self._seen(name) if each.place not in places]
        return ChainItem(
            kind=KINDS[name.kind],
            code=name.code,
            sources=tuple(each.code for each in self._sources(name)),
            label=chain.label(name),
            date=self._date(name),
            trees=sum(self._books.lots[lot].grafts for lot in self._sharing.lots_of(name)),
            checked=sum(each.count for each in seen),
            off=sum(each.count for each in seen if each.off),
            probability=float(self._sharing.weights @ self._sharing.wrong[name]),
            place=self._place(name),
        )

    def _dispatch(self, dispatch: str, probability: float) -> ChainItem:
        lines = self._lines[dispatch]
        places = self._sights.places(dispatch)
        lot = Name(LOT, lines[0].lot)
        whole = self._question.chain.sent(dispatch) if len(lines) > 1 else lot
        seen = [each for each in self._seen(whole or lot) if each.place in places]
        return ChainItem(
            kind=KINDS[SENT_KIND],
            code=dispatch,
            sources=tuple(line.lot for line in lines),
            label=self._question.chain.label(lot),
            date=lines[0].date,
            trees=sum(line.trees for line in lines),
            checked=sum(each.count for each in seen),
            off=sum(each.count for each in seen if each.off),
            probability=probability,
            place=lines[0].customer,
        )

    def _seen(self, name: Name) -> list[Seen]:
        return [each for each in self._sights.of(name).seen if each.reports]

    def _places_sent(self, name: Name) -> set[int]:
        """Return the looks at a lot that were made at what was sent of it."""
        if name.kind != LOT:
            return set()
        sent = {line.dispatch for line in self._books.sent if line.lot == name.code}
        return {place for dispatch in sent for place in self._sights.places(dispatch)}

    def _sources(self, name: Name) -> Iterable[Name]:
        """Return the sources that have codes; limbs and parts of a mix are passed over."""
        for source in self._question.chain.link(name).sources:
            if source.kind in (TREE, CUT, BUNDLE, LOT):
                yield source
            else:
                yield from self._sources(source)

    def _date(self, name: Name) -> dt.date | None:
        books, code = self._books, name.code
        if name.kind == TREE:
            return None
        if name.kind == CUT:
            return books.cuts[code].date
        return books.bundles[code].packed if name.kind == BUNDLE else books.lots[code].date

    def _place(self, name: Name) -> str | None:
        """Return the row and positions of a lot."""
        if name.kind != LOT:
            return None
        lot = self._books.lots[name.code]
        if lot.row is None or lot.first is None:
            return lot.row
        return f"{lot.row}, {lot.first} to {lot.last}"
