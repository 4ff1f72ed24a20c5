"""Which lot's graft stands at a row position, after the regrafts of it.

A regraft replaces the first graft where its range covers the position. Where it made fewer grafts
than its range has positions (it went along the row and regrafted failures), the first graft may
still stand at any of them, and shares say how likely either is.
"""

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise

from sqlalchemy import Connection

from scionreg.lineage.graph import Lot, read_lots, sources_first, split_position
from scionreg.records.words import Sentence

Regrafts = Mapping[str, Sequence[Lot]]
"""Of a graft lot: the lots that regrafted it, oldest first."""


def regrafts_among(lots: Iterable[Lot]) -> dict[str, list[Lot]]:
    """Return the regrafts among `lots` by the lot they regrafted, oldest first.

    Raises
    ------
    RegistryError
        The records run in a circle, as older versions let them.
    """
    found: dict[str, list[Lot]] = {}
    for lot in lots:
        if lot.regraft_of is not None:
            found.setdefault(lot.regraft_of, []).append(lot)
    sources_first(found, lambda code: [lot.graft_lot for lot in found.get(code, ())])
    for regrafts in found.values():
        regrafts.sort(key=lambda lot: (lot.date or dt.date.max, lot.graft_lot))
    return found


def covered(first_lot: Lot, regraft: Lot, position: int | None) -> float:
    """Return the probability that a regraft stands at a position of the lot it regrafted."""
    span = regraft.span
    if span is None or position is None:
        return min(1.0, regraft.grafts / first_lot.grafts) if first_lot.grafts else 0.0
    if regraft.first is None or not regraft.first <= position < regraft.first + span:
        return 0.0
    return min(1.0, regraft.grafts / span)


def standing_at(
    lot: Lot, regrafts: Regrafts, position: int | None, when: dt.date | None
) -> dict[str, float]:
    """Return the lots whose graft may stand at `position` on day `when`, with probabilities.

    `position` None means anywhere in the lot, `when` None means now.
    """
    chances = {lot.graft_lot: 1.0}
    for regraft in regrafts.get(lot.graft_lot, ()):
        if when is not None and regraft.date is not None and regraft.date > when:
            continue
        share = covered(lot, regraft, position)
        if share == 0:
            continue
        chances = {code: chance * (1 - share) for code, chance in chances.items()}
        for code, chance in standing_at(regraft, regrafts, position, when).items():
            chances[code] = chances.get(code, 0.0) + share * chance
    return {code: chance for code, chance in chances.items() if chance > 0}


def standing(
    lot: Lot,
    regrafts: Regrafts,
    first: int | None = None,
    last: int | None = None,
    when: dt.date | None = None,
) -> dict[str, float]:
    """Return the shares of the lots that trees of `lot` come from, regrafts included.

    The trees are those at positions `first` to `last`, of the whole lot where these are unknown.
    """
    if lot.graft_lot not in regrafts:
        return {lot.graft_lot: 1.0}
    if first is None:
        first, last = lot.first, lot.last
    if first is None:
        return standing_at(lot, regrafts, None, when)
    last = max(first, last or first)
    shares: dict[str, float] = {}
    for position, number in stretches(lot, regrafts, first, last):
        share = number / (last - first + 1)
        for code, chance in standing_at(lot, regrafts, position, when).items():
            shares[code] = shares.get(code, 0.0) + share * chance
    return shares


def stretches(lot: Lot, regrafts: Regrafts, first: int, last: int) -> list[tuple[int, int]]:
    """Return the stretches of positions `first` to `last` where no regraft begins or ends.

    Each by its first position and its length: what may stand is the same all along it.
    """
    edges = {first, last + 1}
    lots = [lot]
    for each in lots:
        for regraft in regrafts.get(each.graft_lot, ()):
            lots.append(regraft)
            if regraft.first is not None and regraft.span is not None:
                edges |= {regraft.first, regraft.first + regraft.span}
    inside = sorted(edge for edge in edges if first <= edge <= last + 1)
    return [(begin, end - begin) for begin, end in pairwise(inside)]


def now_at(
    lot: Lot, regrafts: Regrafts, position: int, when: dt.date | None = None
) -> tuple[Lot, list[Sentence]]:
    """Return the lot that ``lot/position`` means on day `when` (None: now), and the doubts.

    It is the newest regraft whose range covers the position, however many grafts that made.
    """
    doubts: list[Sentence] = []
    for regraft in reversed(regrafts.get(lot.graft_lot, ())):
        if when is not None and regraft.date is not None and regraft.date > when:
            continue
        if regraft.span is None:
            doubts.append(
                Sentence(
                    "doubt.regraft_unplaced",
                    regraft=regraft.graft_lot,
                    trees=regraft.grafts,
                    lot=lot.graft_lot,
                )
            )
        elif covered(lot, regraft, position):
            if regraft.grafts < regraft.span:
                doubts.append(
                    Sentence(
                        "doubt.regraft_in_part",
                        regraft=regraft.graft_lot,
                        grafts=regraft.grafts,
                        positions=regraft.span,
                        lot=lot.graft_lot,
                        position=position,
                    )
                )
            found, more = now_at(regraft, regrafts, position, when)
            return found, doubts + more
    return lot, doubts


def items_standing(
    connection: Connection, items: Sequence[tuple[str, dt.date | None]]
) -> list[str]:
    """Return what was looked at, each single tree by the lot whose graft stood there that day.

    Parameters
    ----------
    items : codes with the day of the look, None for now; those without a position stay as they are.
    """
    placed = [split_position(item) for item, _ in items]
    lots = read_lots(connection, {lot for lot, position in placed if position is not None})
    regrafts = regrafts_among(lots.values())
    return [
        item
        if position is None or lot not in lots
        else f"{now_at(lots[lot], regrafts, position, day)[0].graft_lot}/{position}"
        for (item, day), (lot, position) in zip(items, placed, strict=True)
    ]
