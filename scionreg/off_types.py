"""Answers about wrong trees: records read, and asked where their identity broke."""

import datetime as dt
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection

from scionreg.identifying import sample_verdicts
from scionreg.identity.answer import off_type
from scionreg.identity.off_type import OffType
from scionreg.lineage.graph import (
    Query,
    as_day,
    find_kind,
    not_found,
    read_lots,
    rows,
    split_position,
)
from scionreg.lineage.identity_books import SampleFinding
from scionreg.lineage.identity_reader import read_identity_books
from scionreg.lineage.standing import items_standing, now_at, regrafts_among
from scionreg.records.errors import RegistryError
from scionreg.records.starting_values import IdentityValues, OffTypeValues
from scionreg.records.vocabulary import Found, SampleFound
from scionreg.registry.settings import Settings, read_settings

Progress = Callable[[int, int], None]

OFF = Query(
    "SELECT item, max(date) FROM identity_checks WHERE off > 0 AND method <> 'paper' "
    "GROUP BY item ORDER BY max(date) DESC NULLS LAST, item"
)
ASKED = ("mother_trees", "collections", "bundles", "graft_lots", "dispatches")
FOUND = {
    SampleFound.NOT_IN_REFERENCES: Found.OTHER.value,
    SampleFound.ROOTSTOCK: Found.ROOTSTOCK.value,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class OffTypes:
    """Answers about several things, in the order asked."""

    answers: tuple[OffType, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form: one answer's own, or those of several under `answers`."""
        if len(self.answers) == 1:
            return self.answers[0].to_dict()
        return {"answers": [each.to_dict() for each in self.answers]}

    def to_rows(self) -> Iterator[dict[str, Any]]:
        """Yield the causes, a row each."""
        for each in self.answers:
            yield from each.to_rows()


def off_types(
    connection: Connection, codes: Sequence[str] = (), progress: Progress | None = None
) -> OffTypes:
    """Return where the identity of some things broke; without codes, of all that was found off.

    Parameters
    ----------
    codes : of mother trees, collections, bundles, graft lots, single trees (``lot/position``: what
        stands there now) and dispatches.
    progress : is told how many of them are done.

    Raises
    ------
    RegistryError
        There is no such code, or it names something that is no wood.
    """
    settings = read_settings(connection)
    findings = sample_findings(connection)
    asked = list(codes) or _found_off(connection, findings)
    answers = []
    for i, code in enumerate(asked):
        answers.append(_answer(connection, code, settings, findings))
        if progress is not None:
            progress(i + 1, len(asked))
    return OffTypes(answers=tuple(answers))


def _found_off(connection: Connection, findings: Sequence[SampleFinding]) -> list[str]:
    """Return what looks found off, newest first, and then what marker profiles did."""
    looked = looked_at(connection, [(row[0], as_day(row[1])) for row in rows(connection, OFF, ())])
    sampled = [
        each.item if each.position is None else f"{each.item}/{each.position}"
        for each in findings
        if each.found is not None
    ]
    return list(dict.fromkeys([*looked, *sampled]))


def looked_at(connection: Connection, items: Sequence[tuple[str, dt.date | None]]) -> list[str]:
    """Return what to ask about for each thing looked at on a day: itself, or the lot of a tree.

    A tree that was regrafted since is gone; what stands there now was never looked at.
    """
    stood = items_standing(connection, items)
    now = items_standing(connection, [(item, None) for item, _ in items])
    return [
        here if then == here else then.partition("/")[0]
        for then, here in zip(stood, now, strict=True)
    ]


def _answer(
    connection: Connection, code: str, settings: Settings, findings: list[SampleFinding]
) -> OffType:
    kind = find_kind(connection, code)
    if kind not in ASKED:
        raise RegistryError(
            f"'{code}' is no wood; name a mother tree, collection, bundle, graft lot, dispatch or "
            "single tree, as in G26-0001-3/7"
        )
    lot, position = split_position(code)
    if position is not None:
        lot = _standing(connection, lot, position)
    books = read_identity_books(connection, lot, findings)
    return off_type(
        books,
        lot,
        position=position,
        rates=settings.values(IdentityValues),
        values=settings.values(OffTypeValues),
    )


def _standing(connection: Connection, code: str, position: int) -> str:
    """Return the lot whose graft stands at a position now."""
    lots = read_lots(connection, [code])
    if code not in lots:
        raise not_found(connection, code)
    lot = lots[code]
    if lot.first is not None and not lot.first <= position <= (lot.last or lot.first):
        raise RegistryError(
            f"{code} has the positions {lot.first} to {lot.last}; there is no {position}"
        )
    return now_at(lot, regrafts_among(lots.values()), position)[0].graft_lot


def sample_findings(connection: Connection) -> list[SampleFinding]:
    """Return what marker profiles showed the sampled things to be, where they tell."""
    told = [
        (item, verdict)
        for item, verdict in sample_verdicts(connection).values()
        if verdict.found != SampleFound.CANNOT_SAY
    ]
    found = []
    items = items_standing(connection, [(item, None) for item, _ in told])
    for item, (_, verdict) in zip(items, told, strict=True):
        code, position = split_position(item)
        true = verdict.found == SampleFound.AS_LABELLED
        what = None if true else FOUND.get(verdict.found, verdict.cultivar)
        found.append(SampleFinding(code, position, what))
    return found
