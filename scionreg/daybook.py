"""What is due on a day, what runs out, what is wrong, and what changed: one page of a registry."""

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from sqlalchemy import Connection, select

from scionreg.entering.draft import kept_drafts
from scionreg.judgement.judge import Judge
from scionreg.judgement.recorded import against_uses
from scionreg.judgement.rests import opens
from scionreg.lineage.balance import balance
from scionreg.lineage.due import not_counted, shelves
from scionreg.lineage.graph import Query, as_moment, rows
from scionreg.lineage.journal_book import Noted, changes
from scionreg.lineage.known import Known, read_known
from scionreg.records.starting_values import TodayValues
from scionreg.records.tables import table
from scionreg.records.vocabulary import Against
from scionreg.records.words import Sentence
from scionreg.registry.store import Store
from scionreg.storing import all_spells, report
from scionreg.take.stages import EARLY_UNTIL, TOO_YOUNG
from scionreg.vouching import statuses

A_WEEK = dt.timedelta(days=7)
A_YEAR = dt.timedelta(days=365)


class DueCount(NamedTuple):
    """A graft lot that is due for its early or its late count."""

    graft_lot: str
    stage: str
    days: int
    known: Known


class Round(NamedTuple):
    """A store with wood that nobody looked at for too long; `looked` is the oldest last look."""

    store: str
    bundles: int
    sticks: float
    looked: dt.date | None


class InStore(NamedTuple):
    """A bundle with sticks left; `why` says why it may not be used, empty where it may."""

    bundle: str
    cultivars: tuple[str, ...]
    sticks: float
    days: int | None
    grade: str
    store: str | None
    shelf: str | None
    why: tuple[str, ...]


class Ending(NamedTuple):
    """Something that runs out, or a rest that is over, on a day: `what` says of what kind."""

    day: dt.date
    what: str
    item: str
    says: str


class OnHold(NamedTuple):
    """A hold or notice that nothing has ended; `long` since the setting `today.hold_long_days`."""

    item: str
    since: dt.date | None
    long: bool
    says: str


class Alarm(NamedTuple):
    """Something that is wrong, or may be: `what` is balance, warm_spell or off_type."""

    what: str
    item: str
    says: str


class OpenSheet(NamedTuple):
    """Rows typed of a sheet and not recorded yet."""

    sheet: str
    person: str
    rows: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Today:
    """What a registry has to say on the day `at`; what runs out does so until the day `until`."""

    at: dt.date
    until: dt.date
    nursery: str
    units: str
    counts: tuple[DueCount, ...]
    rounds: tuple[Round, ...]
    wood_first: tuple[InStore, ...]
    wood_banned: tuple[InStore, ...]
    ending: tuple[Ending, ...]
    holds: tuple[OnHold, ...]
    alarms: tuple[Alarm, ...]
    open_sheets: tuple[OpenSheet, ...]
    changed: tuple[Noted, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "at": self.at.isoformat(),
            "until": self.until.isoformat(),
            "counts": [
                {
                    "graft_lot": each.graft_lot,
                    "stage": each.stage,
                    "days": each.days,
                    "cultivars": list(each.known.cultivars),
                    "grafts": each.known.number,
                    "block": each.known.block,
                    "row": each.known.row,
                    "first": each.known.first,
                    "last": each.known.last,
                }
                for each in self.counts
            ],
            **{
                name: [_plain(each) for each in getattr(self, name)]
                for name in (
                    *("rounds", "wood_first", "wood_banned", "ending", "holds", "alarms"),
                    "open_sheets",
                )
            },
            "changed": [each.to_dict() for each in self.changed],
        }


def _plain(each: Any) -> dict[str, Any]:
    plain: dict[str, Any] = each._asdict()
    return {
        name: value.isoformat()
        if isinstance(value, dt.date)
        else list(value)
        if isinstance(value, tuple)
        else value
        for name, value in plain.items()
    }


def today(
    connection: Connection,
    store: Store,
    *,
    at: dt.date | None = None,
    until: dt.date | None = None,
) -> Today:
    """Return what is due, running out, wrong and new on a day (None: today).

    `until` is the last day for what runs out; None is four weeks later. Sticks left are those of
    now, whatever day is asked about.
    """
    judge = Judge(connection, at)
    day = judge.on
    last = until or day + 4 * A_WEEK
    values = judge.settings.values(TodayValues)
    woods = list(_wood(connection, judge))
    lately = day - dt.timedelta(days=values.lately_days)
    return Today(
        at=day,
        until=last,
        nursery=judge.settings.nursery,
        units=judge.settings.units,
        counts=tuple(_counts(connection, day)),
        rounds=tuple(_rounds(connection, judge, woods, values)),
        wood_first=tuple(each for each in woods if not each.why),
        wood_banned=tuple(each for each in woods if each.why),
        ending=tuple(sorted(_ending(connection, judge, last))),
        holds=tuple(_holds(judge, woods, values)),
        alarms=tuple(_alarms(connection, judge, lately)),
        open_sheets=tuple(OpenSheet(*each) for each in kept_drafts(store)),
        changed=tuple(changes(connection, since=day - dt.timedelta(days=1), until=day)),
    )


# ------------------------------------------------------------------------------------ due


def _counts(connection: Connection, day: dt.date) -> Iterator[DueCount]:
    """Yield the lots that are due for a count, row by row."""
    lots = not_counted(connection, day - A_YEAR, day, too_young=TOO_YOUNG, early_until=EARLY_UNTIL)
    known = read_known(connection, "graft_lots", lots)
    for lot in lots:
        made = known[lot].date or day
        age = (day - made).days
        yield DueCount(lot, "late" if age > EARLY_UNTIL else "early", age, known[lot])


LOOKED = Query(
    "SELECT b.bundle, b.packed, max(l.time) FROM bundles b LEFT JOIN bundle_log l "
    "ON l.bundle = b.bundle AND l.event = 'checked' WHERE b.bundle IN {codes} "
    "GROUP BY b.bundle, b.packed"
)


def _rounds(
    connection: Connection, judge: Judge, woods: Sequence[InStore], values: TodayValues
) -> Iterator[Round]:
    """Yield the stores with wood that was not looked at for the days of the setting."""
    zone = judge.settings.zone
    looked: dict[str, dt.date | None] = {}
    for bundle, packed, time in rows(connection, LOOKED, [each.bundle for each in woods]):
        moment = as_moment(time)
        tied = dt.date.fromisoformat(packed) if isinstance(packed, str) else packed
        looked[bundle] = moment.astimezone(zone).date() if moment else tied
    by_store: dict[str, list[InStore]] = {}
    for each in woods:
        if each.store is not None:
            by_store.setdefault(each.store, []).append(each)
    for store, held in sorted(by_store.items()):
        days = [looked[each.bundle] for each in held]
        oldest = None if None in days else min(day for day in days if day is not None)
        if oldest is None or (judge.on - oldest).days >= values.look_every_days:
            yield Round(store, len(held), sum(each.sticks for each in held), oldest)


# ------------------------------------------------------------------------------------ the wood


def _wood(connection: Connection, judge: Judge) -> Iterator[InStore]:
    """Yield the bundles with sticks left, those to use first at the top, the banned ones last."""
    found = report(connection, now=True, at=judge.moment(), judge=judge)
    usable = found.usable()
    banned = [each for each in found.bundles if each.may_not_be_used]
    placed = shelves(connection, [each.bundle for each in found.bundles])
    for each in (*usable, *banned):
        yield InStore(
            bundle=each.bundle,
            cultivars=each.wood.cultivars,
            sticks=each.sticks_left or 0,
            days=each.days,
            grade=each.grade.value,
            store=each.store,
            shelf=placed.get(each.bundle),
            why=each.may_not_be_used,
        )


# ------------------------------------------------------------------------------------ the days


def _ending(connection: Connection, judge: Judge, last: dt.date) -> Iterator[Ending]:
    """Yield what ends from the day asked about until `last`: looks, ages, rights and so on."""
    day = judge.on
    for each in statuses(connection, on=day if day != judge.today else None).due(last):
        if each.day >= day:
            says = Sentence(f"today.ends.status.{each.what}", cultivar=each.cultivar)
            yield Ending(each.day, each.what, each.tree, says)
    for name, right in judge.rights.items():
        if right.until is not None and day <= right.until <= last:
            yield Ending(right.until, "right", name, Sentence("today.ends.right"))
    for permit in judge.permits:
        if permit.until is not None and day <= permit.until <= last:
            of = str(permit.tree or permit.block)
            says = Sentence("today.ends.permission", host=permit.host)
            yield Ending(permit.until, "permission", of, says)
    for tree, judged in judge.trees().items():
        for reason in judged.reasons:
            if reason.code is Against.RESTS and isinstance(reason.says, Sentence):
                season = int(str(reason.says.values["season"]))
                over = opens(season, judge.settings)
                if day <= over <= last:
                    yield Ending(over, "rest", tree, Sentence("today.ends.rest"))


def _holds(judge: Judge, woods: Sequence[InStore], values: TodayValues) -> Iterator[OnHold]:
    """Yield the holds and notices in force on trees, wood that is left, lots and dispatches."""

    def told(item: str, since: dt.date | None, says: str) -> OnHold:
        long = since is None or (judge.on - since).days >= values.hold_long_days
        return OnHold(item, since, long, says)

    for tree, judged in judge.trees().items():
        for reason in judged.reasons:
            if reason.code in (Against.HOLD, Against.NOTICE):
                yield told(tree, reason.since, reason.says)
    left = [each.bundle for each in woods if each.why]
    for code, judged in (judge.bundles(left) if left else {}).items():
        for reason in judged.reasons:
            if reason.code is Against.HOLD and reason.of == code:
                yield told(code, reason.since, reason.says)
    for item, holds in judge.holds(judge.on).items():
        for held in holds:
            says = Sentence("today.held", detail=held.detail or "–")
            yield told(item, held.since, says)


# ------------------------------------------------------------------------------------ the alarms


def _alarms(connection: Connection, judge: Judge, since: dt.date) -> Iterator[Alarm]:
    """Yield what does not add up this season, and what came up lately.

    That is warm spells, off-types found, and uses of what something known spoke against.
    """
    season = judge.settings.season(judge.on)
    for row in balance(connection, scope="bundle", season=season, alarms_only=True).rows:
        yield Alarm("balance", row.code or "–", str(row.alarm))
    for spell in all_spells(connection):
        start, end = (each.astimezone(judge.settings.zone) for each in (spell.start, spell.end))
        if since <= end.date() and start.date() <= judge.on:
            says = Sentence(
                "today.spell",
                start=start.date(),
                end=end.date(),
                heat=f"{spell.heat_c_hours:.0f}",
                hottest=f"{spell.hottest_c:.1f}",
            )
            yield Alarm("warm_spell", spell.store, says)
    looks = table("identity_checks").columns
    query = select(
        *(looks[name] for name in ("check", "item", "method", "checked", "off", "found"))
    ).where(looks["off"] > 0, looks["date"] >= since, looks["date"] <= judge.on)
    for check, item, method, checked, off, found in connection.execute(query):
        what = Sentence("today.found", found=found) if found else ""
        says = Sentence("today.off", check=check, off=off, checked=checked, by=method, found=what)
        yield Alarm("off_type", item, says)
    for _, problem in against_uses(connection, days=(since, judge.on), judge=judge):
        yield Alarm(problem.rule, problem.key, problem.wrong)
