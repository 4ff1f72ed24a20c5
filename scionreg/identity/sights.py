"""Which looks bear on which piece of wood."""

import datetime as dt
from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace

import numpy as np

from scionreg.identity.chain import BUNDLE, CUT, LIMB, LOT, SENT, TREE, Chain, Name
from scionreg.identity.evidence import Otherwise, Sight
from scionreg.identity.looks import Seen, stock_weights
from scionreg.identity.sightings import sightings
from scionreg.lineage.identity_books import Check, SampleFinding, Sent
from scionreg.records.fixed_values import OFF_TYPE
from scionreg.records.starting_values import OffTypeValues

LIVES_TOO_MUCH = OFF_TYPE.lives_too_much
"""How much likelier much rootstock is where more lives than was grafted, or than lived before."""


class Sights:
    """All looks of the records, by the wood that they say something of."""

    def __init__(self, chain: Chain, values: OffTypeValues) -> None:
        self._chain = chain
        books = chain.books
        self._lines: dict[str, list[Sent]] = {}
        self._sent_of: dict[str, list[str]] = {}
        self._of_day: dict[dt.date | None, list[Sent]] = {}
        for line in books.sent:
            self._lines.setdefault(line.dispatch, []).append(line)
            self._sent_of.setdefault(line.lot, []).append(line.dispatch)
            if line.date is not None:
                self._of_day.setdefault(line.date, []).append(line)
        checks = [self._of_what(each) for each in books.checks]
        seen = sightings(checks, [self._found_in(each, checks) for each in books.profiles])
        self._of_item: Mapping[str, tuple[Seen, ...]] = seen
        self._looked = {name for item in seen if (name := self.name(item)) is not None}
        usual = values.rootstock_grew
        self._stock = tuple(map(float, stock_weights(usual)))
        self._rich = tuple(map(float, stock_weights(usual, LIVES_TOO_MUCH)))

    def _of_what(self, check: Check) -> Check:
        """Return a check as one of the limb, or of the dispatch, whose trees it looked at."""
        if check.limb is not None and check.item in self._chain.books.stems:
            return check._replace(item=self._chain.limb(check.item, check.limb).code)
        positions = {*check.positions, *check.positions_checked}
        for line in self._lines_of(check.item) if positions and check.date else ():
            if line.date and check.date and line.date <= check.date and _went(line, positions):
                return check._replace(item=line.dispatch)
        return check

    def _found_in(self, finding: SampleFinding, checks: Iterable[Check]) -> SampleFinding:
        """Return a sample as one of the dispatch, where its tree was looked at once sent."""
        position = {finding.position}
        for line in self._lines_of(finding.item) if finding.position is not None else ():
            looks = (each for each in checks if each.item == line.dispatch)
            if any(position <= {*each.positions, *each.positions_checked} for each in looks):
                return finding._replace(item=line.dispatch)
        return finding

    def _lines_of(self, lot: str) -> list[Sent]:
        """Return the dispatches of one lot that its trees went with."""
        lines = (self._lines[dispatch] for dispatch in self._sent_of.get(lot, ()))
        return [each[0] for each in lines if len(each) == 1]

    def name(self, item: str) -> Name | None:
        """Return the wood that looks at something say something of."""
        books = self._chain.books
        lines = self._lines.get(item, ())
        if len(lines) == 1 and lines[0].lot in books.lots:
            return Name(LOT, lines[0].lot)
        if lines:
            return self._chain.sent(item)
        for kind, known in (
            (LOT, books.lots),
            (BUNDLE, books.bundles),
            (CUT, books.cuts),
            (TREE, books.stems),
        ):
            if item in known:
                return Name(kind, item)
        limb = Name(LIMB, item)
        return limb if self._chain.has(limb) else None

    def notice(self, name: Name, position: int) -> None:
        """Count a tree among those looked at, that nothing need be known of."""
        seen = self._of_item.get(name.code, ())
        if not any(each.position == position for each in self.of(name).seen):
            self._of_item = {**self._of_item, name.code: (*seen, Seen((), 1, position, -1))}
            self._looked.add(name)

    def looked_at(self) -> Collection[Name]:
        """Return everything that was looked at."""
        return self._looked

    def looked(self, name: Name) -> bool:
        """Return whether something was looked at."""
        return name in self._looked

    def places(self, dispatch: str) -> set[int]:
        """Return the numbers of the looks at a dispatch."""
        return {each.place for each in self._of_item.get(dispatch, ())}

    def of(self, name: Name) -> Sight:
        """Return the looks at something; at a lot, those at what was sent of it too."""
        return self._sight(name, self._sent_of.get(name.code, ()) if name.kind == LOT else ())

    def exchanged(self, mine: Sent, other: Sent) -> tuple[Sight, Sight]:
        """Return the looks at two lots, had what was sent of each gone in the other's place."""
        return self._having(mine, other), self._having(other, mine)

    def sent_wrong(self, name: Name, asked: Name, chance: float) -> list[Otherwise]:
        """Return what else the looks at a lot's dispatches may have seen: another lot's trees.

        Each wholly of that lot's label; `chance` is that of one exchange. Of the thing `asked`
        about nothing is said.
        """
        found = []
        chain, books = self._chain, self._chain.books
        states = range(chain.steps.space.size)
        for dispatch in self._sent_of.get(name.code, ()):
            seen = self._of_item.get(dispatch, ())
            if len(self._lines[dispatch]) > 1 or not any(each.off for each in seen):
                continue
            day = self._lines[dispatch][0].date
            labels = [
                books.lots[line.lot].label
                for line in self._of_day.get(day, ())
                if line.dispatch != dispatch and line.lot in books.lots and line.lot != asked.code
            ]
            kept = [each for each in self._sent_of[name.code] if each != dispatch]
            for label in sorted(set(labels) - {chain.label(name)}):
                wholly = chain.steps.space.wholly(chain.steps.space.what_of(label))
                moved = (seen, np.full(len(states), wholly))
                sight = replace(self._sight(name, kept), moved=(moved,))
                found.append(Otherwise(sight, chance * labels.count(label)))
        return found

    def _having(self, line: Sent, instead: Sent) -> Sight:
        chain, name = self._chain, Name(LOT, line.lot)
        kept = [each for each in self._sent_of.get(line.lot, ()) if each != line.dispatch]
        label = chain.label(Name(LOT, instead.lot))
        states = chain.steps.space.relabel(chain.label(name), label)
        moved = self._of_item.get(instead.dispatch, ())
        return replace(self._sight(name, kept), moved=((moved, states),))

    def _sight(self, name: Name, dispatches: Iterable[str]) -> Sight:
        seen = list(self._of_item.get(name.code, ()))
        for dispatch in dispatches:
            if len(self._lines[dispatch]) == 1:
                seen.extend(self._of_item.get(dispatch, ()))
        if name.kind != LOT:
            return Sight(tuple(seen), stock=self._stock if name.kind == SENT else None)
        lot = self._chain.books.lots[name.code]
        sent = {
            position
            for dispatch in self._sent_of.get(name.code, ())
            for line in self._lines[dispatch]
            if line.lot == name.code and line.first is not None and line.last is not None
            for position in range(line.first, line.last + 1)
        }
        stock = self._rich if lot.lives_too_much else self._stock
        return Sight(tuple(seen), (), lot.positions(), frozenset(sent), stock)


def _went(line: Sent, positions: set[int]) -> bool:
    """Return whether all positions are among those that went with a dispatch."""
    if line.first is None or line.last is None:
        return False
    return line.first <= min(positions) and max(positions) <= line.last
