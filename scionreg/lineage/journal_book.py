"""What changed in the records, line by line of the journal, in plain words."""

import datetime as dt
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, select

from scionreg.records.cells import noun
from scionreg.records.tables import KINDS
from scionreg.records.words import Sentence
from scionreg.registry.ledger import JournalLine
from scionreg.registry.rows import key_text, raw, stored
from scionreg.registry.settings import read_settings

NAMED = 3
"""Codes or files named in one sentence; of more their number is told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Noted:
    """One change: a line of the journal.

    `time` is by the registry's clock. `kinds` counts the records it wrote or ended, by kind; `keys`
    are theirs, as far as the line names them (an import does not). `changed` is what a correction
    changed, by column, or other settings, by name: before and after.
    """

    line: int
    time: dt.datetime
    by: str
    action: str
    kinds: Mapping[str, int]
    keys: tuple[str, ...]
    changed: Mapping[str, tuple[Any, Any]]
    why: str
    text: Sentence

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "line": self.line,
            "time": self.time.isoformat(),
            "by": self.by,
            "action": self.action,
            "kinds": dict(self.kinds),
            "keys": list(self.keys),
            "changed": [
                {"column": name, "before": before, "after": after}
                for name, (before, after) in self.changed.items()
            ],
            "why": self.why,
            "text": str(self.text),
        }

    def to_row(self) -> dict[str, Any]:
        """Return a flat dictionary, for CSV."""
        return {
            "line": self.line,
            "time": self.time.isoformat(),
            "by": self.by,
            "action": self.action,
            "kinds": ";".join(self.kinds),
            "records": sum(self.kinds.values()),
            "keys": ";".join(self.keys),
            "why": self.why,
            "text": str(self.text),
        }


def changes(
    connection: Connection,
    *,
    since: dt.date | None = None,
    until: dt.date | None = None,
    by: str = "",
    kind: str = "",
    action: str = "",
) -> list[Noted]:
    """Return the changes from day `since` to day `until`, by the registry's clock, oldest first.

    `by` keeps those of a person, `kind` those that wrote or ended records of a kind, `action` those
    of a kind of change.
    """
    zone = read_settings(connection).zone
    names = ("seq", "time", "by", "action", "kind", "key", "why", "content")
    columns = [JournalLine.__table__.c[name] for name in names]
    query = select(*map(raw, columns)).order_by(JournalLine.seq)
    if since is not None:
        query = query.where(JournalLine.time >= _beginning(since, zone))
    if until is not None:
        query = query.where(JournalLine.time < _beginning(until + dt.timedelta(days=1), zone))
    if by:
        query = query.where(JournalLine.by == by)
    if action:
        query = query.where(JournalLine.action == action)
    found = [_noted(*row, zone=zone) for row in connection.execute(query)]
    return [each for each in found if not kind or kind in each.kinds]


def _beginning(day: dt.date, zone: dt.tzinfo) -> dt.datetime:
    return dt.datetime.combine(day, dt.time(), zone).astimezone(dt.UTC)


def _noted(
    line: int,
    time: Any,
    by: str,
    action: str,
    kind: str,
    key: str,
    why: str,
    content: str,
    *,
    zone: dt.tzinfo,
) -> Noted:
    said = json.loads(content)
    made = said.get("made", {})
    in_turn = dict.fromkeys((*(each["kind"] for each in said.get("records", ())), *made))
    kinds = {each: int(made[each]["count"]) for each in in_turn if each in made}
    for each, rows in said.get("corrected", {}).items():
        kinds[each] = kinds.get(each, 0) + int(rows["count"])
    for each in (*said.get("voided", ()), *said.get("restored", ())):
        kinds[each["kind"]] = kinds.get(each["kind"], 0) + 1
    keys = tuple(_keys(said)) or ((key,) if key and action != "reserve" else ())
    before, after = said.get("before") or {}, said.get("after", said.get("settings")) or {}
    changed = {
        name: (before.get(name), after.get(name))
        for name in sorted({*before, *after})
        if before.get(name) != after.get(name)
    }
    moment = dt.datetime.fromisoformat(str(stored(time))).replace(tzinfo=dt.UTC)
    return Noted(
        line=line,
        time=moment.astimezone(zone),
        by=by,
        action=action,
        kinds=kinds,
        keys=keys,
        changed=changed,
        why=why,
        text=_told(action, kind, key, said, kinds, keys, changed),
    )


def _keys(said: Mapping[str, Any]) -> Iterator[str]:
    """Yield the keys of the records that a line names, the main ones before their lines."""
    back = (*reversed(said.get("voided", ())), *reversed(said.get("restored", ())))
    for each in (*said.get("records", ()), *back):
        yield key_text(each["record"].get(name) for name in KINDS[each["kind"]].KEY)


def _told(
    action: str,
    kind: str,
    key: str,
    said: Mapping[str, Any],
    kinds: Mapping[str, int],
    keys: tuple[str, ...],
    changed: Mapping[str, tuple[Any, Any]],
) -> Sentence:
    what = _counted(kinds)
    match action:
        case "import":
            files = [str(each["name"]) for each in said.get("files", ())]
            if not files:
                return Sentence("journal.made", what=what)
            source = (
                ", ".join(files)
                if len(files) <= NAMED
                else Sentence("journal.files", number=len(files))
            )
            return Sentence(
                "journal.import", what=what or Sentence("journal.nothing"), files=source
            )
        case "correct":
            return Sentence("journal.correct", what=_one(kind, key), columns=_columns(changed))
        case "settings":
            pairs = ", ".join(f"{name}={value}" for name, value in said["settings"].items())
            return Sentence("journal.settings", pairs=pairs)
        case "reserve":
            run = said["reserved"]
            number = run["last"] - run["first"] + 1
            return Sentence(
                "journal.reserve", number=number, kind=_kind(run["kind"]), person=run["person"]
            )
        case "locations_shown":
            shown = said["shown"]
            return Sentence("journal.shown", number=shown["private_trees"], map=shown["map"])
        case "upgrade":
            return Sentence("journal.upgrade")
        case "record":
            if len(keys) == 1:
                return Sentence("journal.record", what=_one(kind, keys[0]))
            return Sentence("journal.recorded", what=what, keys=_named(keys))
        case "void" | "restore" | "undo" if kind and keys:
            more = len(keys) - 1
            and_more = Sentence("journal.and_more", number=more) if more > 0 else ""
            return Sentence(f"journal.took_back.{action}", what=_one(kind, key), more=and_more)
        case _:
            return Sentence("journal.other", action=action.replace("_", " "), what=what or key)


def _counted(kinds: Mapping[str, int]) -> str:
    return ", ".join(
        f"{number} {noun(kind) if number == 1 else _kind(kind)}" for kind, number in kinds.items()
    )


def _kind(kind: str) -> Sentence:
    return Sentence(f"kind.{kind}")


def _one(kind: str, key: str) -> str:
    return f"{noun(kind)} {key}"


def _named(keys: tuple[str, ...]) -> str:
    if len(keys) <= NAMED:
        return ", ".join(keys)
    return str(Sentence("journal.from_to", first=keys[0], last=keys[-1]))


def _columns(changed: Mapping[str, tuple[Any, Any]]) -> str:
    return ", ".join(
        f"{name} {'-' if old is None else old} -> {'-' if new is None else new}"
        for name, (old, new) in changed.items()
    )
