"""What the tables are made of: their base, and the columns of a record."""

import datetime as dt
from collections.abc import Mapping
from typing import Annotated, Any, ClassVar

from sqlalchemy import (
    BigInteger,
    DateTime,
    Dialect,
    Double,
    Enum,
    ForeignKey,
    Integer,
    MetaData,
    String,
    Text,
)
from sqlalchemy.dialects.sqlite import DATETIME as SQLITE_DATETIME
from sqlalchemy.orm import DeclarativeBase, Mapped, MappedColumn, mapped_column
from sqlalchemy.types import TypeDecorator, TypeEngine

from scionreg.records.cells import Cell, Code, Ref
from scionreg.records.vocabulary import Word

OpenWord = Annotated[str, "a word of a vocabulary that a nursery may add to"]


class UtcMoment(TypeDecorator[dt.datetime]):
    """A point in time; SQLite keeps it as ``YYYY-MM-DD HH:MM:SS`` in UTC."""

    impl = DateTime(timezone=True)
    cache_ok = True

    @property
    def python_type(self) -> type[dt.datetime]:
        """Return the type of a value in Python."""
        return dt.datetime

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        """Return the type that `dialect` stores moments with."""
        if dialect.name == "sqlite":
            stored = "%(year)04d-%(month)02d-%(day)02d %(hour)02d:%(minute)02d:%(second)02d"
            return dialect.type_descriptor(SQLITE_DATETIME(storage_format=stored))  # type: ignore[no-untyped-call]
        return dialect.type_descriptor(DateTime(timezone=True))


class Base(DeclarativeBase):
    """Every table of a registry."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(column_0_N_label)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map: ClassVar[Mapping[Any, Any]] = {
        # Byte by byte, as SQLite compares: the same order on every server, and quicker to look up.
        str: Text().with_variant(Text(collation="C"), "postgresql"),
        float: Double,
        dt.datetime: UtcMoment,
        OpenWord: String(40),
        Word: Enum(
            Word,
            native_enum=False,
            values_callable=lambda words: [word.value for word in words],
            length=40,
        ),
    }


class Record(Base):
    """What every record kind has besides its own columns."""

    __abstract__ = True

    id: Mapped[int] = mapped_column(
        BigInteger().with_variant(Integer, "sqlite"), primary_key=True, sort_order=-2
    )
    entry: Mapped[int] = mapped_column(sort_order=999)

    KEY: ClassVar[tuple[str, ...]]
    """The columns that name a record."""


def field(
    cell: Cell,
    doc: str,
    *,
    required: bool = False,
    since: str = "",
    desk: bool = False,
    **options: Any,
) -> MappedColumn[Any]:
    """Return a column that holds `cell`, with its definition `doc`.

    `required` means that a record without it is refused. Columns whose definition calls for a
    value that an old record may lack (dates above all) are not required; they warn. `since` is the
    migration that added the column to a kind that was there before. `desk`: nobody needs it on a
    field sheet.
    """
    info = {"cell": cell, "doc": doc, "since": since, "desk": desk}
    return mapped_column(nullable=not required, info=info, **options)


def code(kind: str, doc: str) -> MappedColumn[Any]:
    """Return the column that names a record of `kind`."""
    return field(Code(kind), doc, required=True, unique=True)


def refers(target: str, doc: str, *, required: bool = False, index: bool = False) -> Any:
    """Return a column that names a record of another kind, `target` as ``table.column``.

    The database checks it too, at the end of a transaction, so that records may come in any order.
    """
    kind = target.partition(".")[0]
    key = ForeignKey(target, deferrable=True, initially="DEFERRED")
    return mapped_column(
        key, nullable=not required, index=index, info={"cell": Ref((kind,)), "doc": doc}
    )
