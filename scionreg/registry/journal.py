"""The journal: every change one line, chained by SHA-256, so that tampering is found."""

import datetime as dt
import hashlib
from collections.abc import Iterator
from typing import Any

import orjson
from sqlalchemy import Connection, insert, select, update

from scionreg.records.errors import Problem
from scionreg.records.vocabulary import Trouble
from scionreg.registry.ledger import JournalHead, JournalLine
from scionreg.registry.rows import as_moment, raw, stored

FIRST = hashlib.sha256(b"scionreg journal").hexdigest()
"""What the first line follows."""


def canonical(value: Any) -> str:
    """Return the one JSON text of `value`: keys sorted, no spaces."""
    return orjson.dumps(value, option=orjson.OPT_SORT_KEYS).decode()


def line_digest(line: dict[str, Any]) -> str:
    """Return the SHA-256 of a line's fields, the digest before it included."""
    hashed = {name: value for name, value in line.items() if name != "digest"}
    hashed["time"] = f"{stored(hashed['time'])}Z".replace(" ", "T")
    return hashlib.sha256(canonical(hashed).encode()).hexdigest()


def head(connection: Connection) -> tuple[int, str]:
    """Return the number and digest of the last line; no digest where somebody removed them."""
    row = connection.execute(select(JournalHead.seq, JournalHead.digest)).one_or_none()
    return (row.seq, row.digest) if row else (0, "")


def append(
    connection: Connection,
    *,
    by: str,
    action: str,
    why: str = "",
    kind: str = "",
    key: str = "",
    content: dict[str, Any],
) -> int:
    """Add a line within the writer's transaction and return its number."""
    last, previous = head(connection)
    line: dict[str, Any] = {
        "seq": last + 1,
        "time": dt.datetime.now(dt.UTC).replace(microsecond=0),
        "by": by,
        "action": action,
        "kind": kind,
        "key": key,
        "why": why,
        "content": canonical(content),
        "previous": previous,
    }
    line["digest"] = line_digest(line)
    connection.execute(insert(JournalLine), line)
    connection.execute(update(JournalHead).values(seq=line["seq"], digest=line["digest"]))
    return last + 1


def lines(connection: Connection, after: int = 0) -> Iterator[dict[str, Any]]:
    """Yield the lines in order, as dictionaries."""
    columns = (raw(column).label(column.name) for column in JournalLine.__table__.columns)
    query = select(*columns).order_by(JournalLine.seq)
    with connection.execute(
        query.where(JournalLine.seq > after), execution_options={"yield_per": 1000}
    ) as result:
        for row in result:
            yield {**row._mapping, "time": _moment(row.time)}


def _moment(written: Any) -> dt.datetime:
    """Return the time of a line; the beginning of time for one that somebody made unreadable."""
    try:
        return as_moment(stored(written))
    except ValueError:
        return dt.datetime.min.replace(tzinfo=dt.UTC)


def is_intact(line: dict[str, Any]) -> bool:
    """Tell whether a line is as it was written."""
    return line_digest(line) == str(line["digest"])


def chain_problems(connection: Connection) -> Iterator[Problem]:
    """Yield what is wrong with the chain: changed, missing, inserted or reordered lines."""
    expected, previous = 1, FIRST
    for line in lines(connection):
        number = line["seq"]
        if number != expected:
            yield _problem(number, f"line {number} stands where line {expected} should be")
        elif line["previous"] != previous:
            yield _problem(number, f"line {number} does not follow the line before it")
        if not is_intact(line):
            yield _problem(number, f"line {number} was changed after it was written")
        expected, previous = number + 1, line["digest"]
    last, digest = head(connection)
    if last >= expected:
        yield _problem(last, f"lines {expected} to {last} are missing from the end")
    elif last < expected - 1 or digest != previous:
        yield _problem(last, "the journal's end is not the one the registry remembers")


def _problem(number: int, wrong: str) -> Problem:
    return Problem(
        rule="journal_chain",
        trouble=Trouble.REFUSED,
        kind="journal",
        key=str(number),
        wrong=wrong,
        right="compare with a copy made before; the records since then cannot be relied on",
    )
