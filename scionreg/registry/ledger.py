"""The tables around the records: journal, earlier versions, settings and reserved codes."""

import datetime as dt

from sqlalchemy import BigInteger, Index, Integer
from sqlalchemy.orm import Mapped, mapped_column

from scionreg.records.columns import Base


class JournalLine(Base):
    """One change: who, when, why and what, chained to the line before by SHA-256."""

    __tablename__ = "journal"
    seq: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    time: Mapped[dt.datetime]
    by: Mapped[str]
    action: Mapped[str]
    kind: Mapped[str]
    key: Mapped[str]
    why: Mapped[str]
    content: Mapped[str]
    """Canonical JSON of what was made, changed or ended."""
    previous: Mapped[str]
    digest: Mapped[str]


class JournalHead(Base):
    """The number and digest of the last line, so that lines missing from the end are noticed.

    Writers of PostgreSQL lock this one row, which puts them in a queue.
    """

    __tablename__ = "journal_head"
    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    seq: Mapped[int]
    digest: Mapped[str]


class Version(Base):
    """An earlier version of a record: what it was before a correction or a void."""

    __tablename__ = "versions"
    id: Mapped[int] = mapped_column(BigInteger().with_variant(Integer, "sqlite"), primary_key=True)
    kind: Mapped[str]
    record: Mapped[int] = mapped_column(BigInteger)
    """The record's id in its own table."""
    key: Mapped[str]
    made: Mapped[int]
    """Journal line that wrote this version."""
    ended: Mapped[int]
    """Journal line that ended it."""
    voided: Mapped[bool]
    content: Mapped[str]
    """Canonical JSON of the columns."""
    __table_args__ = (
        Index("ix_versions_record", "kind", "record", "made", unique=True),
        Index("ix_versions_key", "kind", "key"),
    )


class Setting(Base):
    """One setting of the registry, as text."""

    __tablename__ = "settings"
    name: Mapped[str] = mapped_column(primary_key=True)
    value: Mapped[str]


class ReservedCodes(Base):
    """A run of serial numbers kept for one person, for labels printed before their use."""

    __tablename__ = "reserved_codes"
    id: Mapped[int] = mapped_column(BigInteger().with_variant(Integer, "sqlite"), primary_key=True)
    kind: Mapped[str]
    season: Mapped[int]
    first: Mapped[int]
    last: Mapped[int]
    person: Mapped[str]
    entry: Mapped[int]
