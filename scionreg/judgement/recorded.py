"""What the registry knew against what was recorded: of new records, and of all in an audit.

Each use is judged on its own day: a cutting by its tree, a graft lot by its bundle, a line of a
dispatch by its lot, a bundle tied from others by those. Nothing is forbidden by it: the record is
taken, and the warning stays visible.
"""

import datetime as dt
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, select

from scionreg.judgement.judge import Judge
from scionreg.lineage.judged_books import SpokenOf
from scionreg.lineage.reasons import Judgement, Reason
from scionreg.records.errors import Problem
from scionreg.records.rules import JUDGED_RULES
from scionreg.records.tables import KINDS, table
from scionreg.records.vocabulary import Against, Weight
from scionreg.records.words import Sentence, joined
from scionreg.registry.rows import key_text

Ids = tuple[int, int]
"""The first and the last id of records that were made together."""
CLOSELY = 50
"""New records of a kind up to which the time that wood spent in store is looked at too."""
Days = tuple[dt.date, dt.date]
MINDED = (Against.NAMED_ONLY, Against.AGE_ENDS, Against.PERMISSION_ENDS, Against.LIMB)
"""What is told where work is planned, and not with every record.

That a licence is wanting is told of cuttings alone: it is asked for before wood is cut.
"""


@dataclass(slots=True)
class _Use:
    """Something that was used: the record that says so, what was used, and when."""

    record: int
    key: str
    item: str
    day: dt.date | None
    row: Mapping[str, Any] = field(repr=False)


def against_uses(
    connection: Connection,
    made: Mapping[str, Ids] | None = None,
    *,
    days: Days | None = None,
    judge: Judge | None = None,
) -> Iterator[tuple[int, Problem]]:
    """Yield the ids of records of a use that something spoke against, and what.

    Parameters
    ----------
    made : by record kind the ids of new records; None asks about all there are.
    days : the first and the last day of the uses asked about; None asks about all.
    """
    judge = judge or Judge(connection)
    for kind, (column, judging) in JUDGING.items():
        if made is not None and kind not in made:
            continue
        uses = _uses(connection, kind, column, None if made is None else made[kind])
        if days is not None:
            uses = [each for each in uses if each.day and days[0] <= each.day <= days[1]]
        closely = made is not None and len(uses) <= CLOSELY
        if not closely:
            uses = [each for each in uses if _may_be_told(kind, each, judge.spoken_of)]
        for day, on_it in _by_day(uses).items():
            found = judging(judge, on_it, day or judge.today, new=made is not None, closely=closely)
            for use in on_it:
                reasons = [
                    each
                    for each in found.get(use.key, ())
                    if each.code not in MINDED
                    and (kind == "collections" or each.code is not Against.LICENCE)
                ]
                if reasons:
                    yield use.record, _problem(kind, column, use, reasons)


def _may_be_told(kind: str, use: _Use, spoken_of: SpokenOf) -> bool:
    """Tell whether anything recorded may speak against a use, on whatever day."""
    match kind:
        case "bundles":
            return use.item in spoken_of.collections
        case "graft_lots" | "bundle_parents":
            return use.item in spoken_of.bundles
        case "dispatches":
            return use.item in spoken_of.lots or use.row["dispatch"] in spoken_of.dispatches
        case _:
            return True


def _uses(connection: Connection, kind: str, column: str, ids: Ids | None) -> list[_Use]:
    columns = table(kind).columns
    query = select(*columns).order_by(columns["id"])
    if ids is not None:
        query = query.where(columns["id"].between(*ids))
    if kind == "bundle_parents":
        tied = table("bundles").columns
        query = query.add_columns(tied["packed"].label("date")).join_from(
            table(kind), table("bundles"), tied["bundle"] == columns["bundle"], isouter=True
        )
    day = "packed" if kind == "bundles" else "date"
    return [
        _Use(
            record=row["id"],
            key=key_text(row[name] for name in KINDS[kind].KEY),
            item=row[column],
            day=row[day],
            row=dict(row),
        )
        for row in connection.execute(query).mappings()
        if row[column] is not None
    ]


def _by_day(uses: Iterable[_Use]) -> dict[dt.date | None, list[_Use]]:
    found: dict[dt.date | None, list[_Use]] = defaultdict(list)
    for use in uses:
        found[use.day].append(use)
    return found


def _problem(kind: str, column: str, use: _Use, reasons: list[Reason]) -> Problem:
    rule = JUDGED_RULES["known_against_use"]
    grave = any(each.weight is Weight.BARS for each in reasons)
    says = joined(dict.fromkeys(each.says for each in reasons), "joined.semicolon")
    wrong = Sentence(f"known_against.{'bars' if grave else 'doubt'}", item=use.item, says=says)
    return Problem(
        rule=rule.name,
        trouble=rule.trouble,
        kind=kind,
        key=use.key,
        column=column,
        value=use.item,
        wrong=wrong,
        right=rule.right,
    )


# ------------------------------------------------------------------------ one use after another

Found = Mapping[str, Iterable[Reason]]


def _cuts(judge: Judge, uses: list[_Use], day: dt.date, *, new: bool, closely: bool) -> Found:
    """Judge the trees that were cut on a day; what has no day is told of new records only."""
    found: dict[str, list[Reason]] = {}
    for use in uses:
        then = judge.trees([use.item], on=day, limb=use.row["limb"] or "", dateless=new)[use.item]
        found[use.key] = list(then.against)
    return found


def _ties(judge: Judge, uses: list[_Use], day: dt.date, *, new: bool, closely: bool) -> Found:
    """Judge the cuttings that bundles were tied from: only holds on them; their trees were told."""
    holds = judge.holds(day)
    return {use.key: judge.of_holds(use.item, holds) for use in uses}


def _graftings(judge: Judge, uses: list[_Use], day: dt.date, *, new: bool, closely: bool) -> Found:
    """Judge bundles; the age of their wood, and what their stores did, of a few new ones only."""
    asked = list(dict.fromkeys(use.item for use in uses))
    found = judge.bundles(asked, on=day) if closely else judge.bundles_by_records(asked, on=day)
    return {use.key: found[use.item].against for use in uses}


def _sendings(judge: Judge, uses: list[_Use], day: dt.date, *, new: bool, closely: bool) -> Found:
    lines = judge.lines({use.row["dispatch"] for use in uses}, on=day)
    return {use.key: _of(lines, use.key) for use in uses}


def _of(found: Mapping[str, Judgement], code: str) -> tuple[Reason, ...]:
    return found[code].against if code in found else ()


Judging = Callable[..., Found]
JUDGING: dict[str, tuple[str, Judging]] = {
    "collections": ("tree", _cuts),
    "bundles": ("collection", _ties),
    "bundle_parents": ("parent", _graftings),
    "graft_lots": ("bundle", _graftings),
    "dispatches": ("graft_lot", _sendings),
}
"""By record kind of a use the column that names what was used, and how that is judged."""
