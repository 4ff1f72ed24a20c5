"""The journal: one line a change, and no line or record changed without the audit's finding it."""

import datetime as dt
import hashlib
import json
from collections.abc import Callable
from contextlib import AbstractContextManager
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from conftest import Filled
from hypothesis import given, settings
from hypothesis import strategies as st
from nursery import LOT, actions, add, everything, faults_of, furnish, take_in_the_base
from sqlalchemy import Connection, delete, func, insert, select, text, update
from unguarded import finds, unguarded

from scionreg.exchange.importing import import_files
from scionreg.records.errors import RegistryError
from scionreg.records.tables import KINDS, table
from scionreg.registry import journal
from scionreg.registry.audit import audit
from scionreg.registry.correcting import correct, void
from scionreg.registry.issuing import reserve
from scionreg.registry.ledger import JournalHead, JournalLine, Version
from scionreg.registry.recording import rebundle, record, record_all
from scionreg.registry.rows import recorded_columns
from scionreg.registry.store import Store

LOT_CODE = "G26-0001-7"
CHAIN = "journal_chain"
PAST = "record_past_the_journal"

NewStore = Callable[[], AbstractContextManager[Store]]


def change_in_every_way(store: Store) -> None:
    """Give the journal a line of every sort."""
    furnish(store)
    with TemporaryDirectory() as folder:
        file = Path(folder) / "stores.csv"
        file.write_text("store,kind\nCooler,cooler\nBox,box\n")
        import_files(store, [file], by="P02", why="the first stores")
    correct(store, "graft_lots", LOT_CODE, {"grafts": 19}, by="P02", why="counted again")
    add(store, "take_counts", graft_lot=LOT_CODE, date="2026-05-01", pushing=15)
    void(store, "take_counts", f"{LOT_CODE}/2026-05-01", by="P01", why="wrong lot")
    reserve(store, "bundles", person="P02", count=3, season=2026, by="P01")


@pytest.fixture
def kept(filled: Filled) -> Store:
    """A nursery whose journal has a line of every sort."""
    return filled(change_in_every_way)


def lines_of(store: Store) -> list[dict[str, Any]]:
    with store.reading() as connection:
        return list(journal.lines(connection))


def test_every_sort_of_change_is_one_line(kept: Store) -> None:
    assert actions(kept) == ["record"] * 8 + ["import", "correct", "record", "void", "reserve"]
    record_all(
        kept, [("people", {"person": "P03"}), ("people", {"person": "P04"})], by="P01", why="hired"
    )
    rebundle(kept, [("B26-0001-7", 6)], {"sticks": 6, "packed": "2026-02-20"}, by="P01")
    assert actions(kept)[13:] == ["record", "record"]


def test_a_line_names_who_when_why_and_what(kept: Store) -> None:
    before = dt.datetime.now(dt.UTC).replace(microsecond=0)
    correct(kept, "graft_lots", LOT_CODE, {"grafts": 18}, by="P01", why="counted once more")
    line = lines_of(kept)[-1]
    moment = line["time"].replace(tzinfo=dt.UTC)
    assert before <= moment <= dt.datetime.now(dt.UTC)
    assert {name: line[name] for name in ("seq", "by", "action", "kind", "key", "why")} == {
        "seq": 14,
        "by": "P01",
        "action": "correct",
        "kind": "graft_lots",
        "key": LOT_CODE,
        "why": "counted once more",
    }
    content = json.loads(line["content"])
    assert (content["before"]["grafts"], content["after"]["grafts"]) == (19, 18)


def test_an_import_s_line_names_its_files_by_digest(store: Store, tmp_path: Path) -> None:
    file = tmp_path / "people.csv"
    file.write_text("person\nP01\n")
    import_files(store, [file], by="P01")
    (line,) = lines_of(store)
    digest = hashlib.sha256(file.read_bytes()).hexdigest()
    assert json.loads(line["content"])["files"] == [{"name": "people.csv", "sha256": digest}]


def test_the_chain_is_sha_256_over_each_line_and_the_one_before(kept: Store) -> None:
    previous = hashlib.sha256(b"scionreg journal").hexdigest()
    for line in lines_of(kept):
        assert line["previous"] == previous
        fields = {**line, "time": line["time"].strftime("%Y-%m-%dT%H:%M:%SZ")}
        previous = fields.pop("digest")
        plain = json.dumps(fields, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        assert hashlib.sha256(plain.encode()).hexdigest() == previous
    with kept.reading() as connection:
        assert journal.head(connection) == (13, previous)


# Forged lines


def another(value: Any) -> Any:
    """Return a value of the same type that is not this one."""
    if isinstance(value, bool):
        return not value
    if isinstance(value, str):
        return f"{value}x"
    return value + (dt.timedelta(days=1) if isinstance(value, dt.date) else 1)


def test_every_line_changed_in_any_column_is_found(kept: Store) -> None:
    with unguarded(kept) as connection:
        for line in list(journal.lines(connection)):
            for name, value in line.items():
                if name == "seq":
                    continue  # that is another order
                changed = (
                    update(JournalLine)
                    .where(JournalLine.seq == line["seq"])
                    .values({name: another(value)})
                )
                assert finds(connection, CHAIN, changed), (line["seq"], name)


def test_every_line_removed_is_found(kept: Store) -> None:
    count = len(actions(kept))
    with unguarded(kept) as connection:
        for number in range(1, count + 1):
            gone = delete(JournalLine).where(JournalLine.seq == number)
            assert finds(connection, CHAIN, gone), number
            rest = delete(JournalLine).where(JournalLine.seq >= number)
            assert finds(connection, CHAIN, rest), f"{number} to the end"


def moved(before: int, after: int) -> Any:
    return update(JournalLine).where(JournalLine.seq == before).values(seq=after)


def test_any_two_neighbours_exchanged_are_found(kept: Store) -> None:
    count = len(actions(kept))
    with unguarded(kept) as connection:
        for one, two in pairwise(range(1, count + 1)):
            assert finds(connection, CHAIN, moved(one, -1), moved(two, one), moved(-1, two)), (
                one,
                two,
            )


def chained(line: dict[str, Any], previous: str, **values: Any) -> dict[str, Any]:
    """Return a forged line that follows another and has the digest of its own content."""
    new = {**line, **values, "previous": previous}
    return {**new, "digest": journal.line_digest(new)}


def test_a_line_put_in_anywhere_is_found_even_when_it_is_chained(kept: Store) -> None:
    lines = lines_of(kept)
    with unguarded(kept) as connection:
        for place in range(1, len(lines) + 2):
            before = lines[place - 2]["digest"] if place > 1 else journal.FIRST
            new = chained(lines[0], before, seq=place, why="put in", content="{}")
            later = [moved(n, n + 1) for n in range(len(lines), place - 1, -1)]
            assert finds(connection, CHAIN, *later, insert(JournalLine).values(new)), place


def rechained(lines: list[dict[str, Any]]) -> list[Any]:
    """Return the statements that write a journal anew with every digest right but the head's."""
    statements: list[Any] = [delete(JournalLine)]
    previous = journal.FIRST
    for number, line in enumerate(lines, start=1):
        new = chained(line, previous, seq=number)
        previous = new["digest"]
        statements.append(insert(JournalLine).values(new))
    return statements


def with_head(lines: list[dict[str, Any]]) -> list[Any]:
    """Return the statements that write a journal anew, the head included."""
    statements = rechained(lines)
    last = statements[-1].compile().params
    return [*statements, update(JournalHead).values(seq=len(lines), digest=last["digest"])]


def test_a_journal_chained_anew_is_found_by_the_head(kept: Store) -> None:
    lines = lines_of(kept)
    with unguarded(kept) as connection:
        for index in range(len(lines)):
            forged = [{**line, "by": "P99"} if n == index else line for n, line in enumerate(lines)]
            assert finds(connection, CHAIN, *rechained(forged)), index
            assert finds(connection, CHAIN, *rechained(lines[:index] + lines[index + 1 :]))


def test_a_line_left_out_with_the_head_set_back_is_found_by_its_records(kept: Store) -> None:
    lines = lines_of(kept)
    with unguarded(kept) as connection:
        assert not finds(connection, CHAIN, *with_head(lines))
        assert not finds(connection, PAST, *with_head(lines))
        for index, line in enumerate(lines):
            if line["action"] == "reserve":
                continue  # wrote no record
            left = lines[:index] + lines[index + 1 :]
            assert finds(connection, PAST, *with_head(left)), line["action"]


def test_another_head_is_found(kept: Store) -> None:
    with unguarded(kept) as connection:
        for values in ({"seq": 12}, {"seq": 14}, {"digest": journal.FIRST}):
            assert finds(connection, CHAIN, update(JournalHead).values(values)), values


# Forged records


@pytest.fixture
def full(filled: Filled) -> Store:
    """A registry with records of every kind."""
    return filled(take_in_the_base)


def others(column: Any, value: Any) -> list[Any]:
    """Return what a forger may put in a value's place."""
    other = value.replace("5.001", "5.002") if column.name == "outline" else another(value)
    assert other != value
    return [other, None] if column.nullable else [other]


def first_id(connection: Connection, kind: str) -> int:
    return int(connection.execute(select(func.min(table(kind).c.id))).scalar_one())


def test_every_value_of_every_kind_changed_past_the_journal_is_found(full: Store) -> None:
    tried = 0
    with unguarded(full) as connection:
        for kind in KINDS:
            columns = table(kind).columns
            for column in recorded_columns(kind):
                row = connection.execute(
                    select(columns["id"], column).where(column.is_not(None)).limit(1)
                ).first()
                if row is None:
                    continue
                tried += 1
                here = update(table(kind)).where(columns["id"] == row[0])
                for value in others(column, row[1]):
                    assert finds(connection, PAST, here.values({column.name: value}), kind=kind), (
                        f"{kind}.{column.name}"
                    )
    assert tried > 60


def test_a_record_of_any_kind_removed_past_the_journal_is_found(full: Store) -> None:
    with unguarded(full) as connection:
        for kind in KINDS:
            one = table(kind).c.id == first_id(connection, kind)
            for statement in (delete(table(kind)).where(one), delete(table(kind))):
                assert finds(connection, PAST, statement, kind=kind), kind


def test_a_record_of_any_kind_added_past_the_journal_is_found(full: Store) -> None:
    with unguarded(full) as connection:
        for kind in KINDS:
            columns = table(kind).columns
            one = columns["id"] == first_id(connection, kind)
            row = dict(connection.execute(select(table(kind)).where(one)).mappings().one())
            key = next(name for name in reversed(KINDS[kind].KEY) if row[name] is not None)
            for entry in (row["entry"], 77):
                new = {**row, "id": 1_000_000, key: another(row[key]), "entry": entry}
                assert finds(connection, PAST, insert(table(kind)).values(new), kind=kind), (
                    kind,
                    entry,
                )


def test_two_records_exchanged_past_the_journal_are_found(full: Store) -> None:
    people = table("people")
    with unguarded(full) as connection:
        one, two = connection.execute(select(people.c.id).order_by(people.c.id).limit(2)).scalars()
        steps = [(one, -1), (two, one), (-1, two)]
        exchanged = [update(people).where(people.c.id == a).values(id=b) for a, b in steps]
        assert finds(connection, PAST, *exchanged, kind="people")


def test_every_earlier_version_changed_or_removed_is_found(kept: Store) -> None:
    with unguarded(kept) as connection:
        versions = connection.execute(select(Version.__table__)).mappings().all()
        assert [each["voided"] for each in versions] == [False, True]
        for version in versions:
            own = Version.id == version["id"]
            assert finds(connection, PAST, delete(Version).where(own))
            for name in ("kind", "record", "key", "made", "ended", "voided", "content"):
                value = version[name]
                new = f"{value[:-1]} }}" if name == "content" else another(value)
                changed = update(Version).where(own).values({name: new})
                assert finds(connection, PAST, changed), (version["key"], name)


def test_a_record_corrected_by_hand_under_the_guards_is_found(kept: Store) -> None:
    lots = table("graft_lots")
    with unguarded(kept) as connection:
        version = connection.execute(
            select(Version.__table__).where(Version.kind == "graft_lots")
        ).mappings()
        forged = {**version.one(), "id": 77, "made": 10, "ended": 14}
        statements = [
            insert(Version).values(forged),
            update(lots).where(lots.c.graft_lot == LOT_CODE).values(grafts=1, entry=14),
        ]
        assert finds(connection, PAST, *statements, kind="graft_lots")
        assert finds(connection, PAST, *statements, kind="versions")


def test_a_voided_record_put_back_is_found(kept: Store) -> None:
    counts = table("take_counts")
    with unguarded(kept) as connection:
        row = {"id": 1, "graft_lot": LOT_CODE, "date": dt.date(2026, 5, 1), "pushing": 15}
        put_back = insert(counts).values({**row, "entry": 11})
        gone = delete(Version).where(Version.voided)
        assert finds(connection, PAST, put_back, kind="take_counts")
        assert finds(connection, PAST, gone, put_back, kind="versions")


UNREADABLE = {
    "blocks": ["outline = 'no JSON'", "outline = '{}'"],
    "identity_checks": ["item = 'x/y/z'", "positions = 'x-y'"],
    "graft_lots": ["grafts = -1, row = 0, first = 9, last = 2"],
    "versions": ["content = 'no JSON'", "content = '[]'", "content = '5'"],
}
UNREADABLE_ON_SQLITE = {  # PostgreSQL keeps the types itself
    "collections": ["date = 'noon'", "sticks = 'many'", "date = x'ff'"],
    "bundle_log": ["time = 'noon'"],
    "mother_trees": ["latitude = 'x'", "cultivar = x'ff'"],
}


def test_what_nobody_could_have_recorded_is_found_and_the_audit_goes_to_its_end(
    full: Store,
) -> None:
    correct(full, "people", "P01", {"mark": "red"}, by="P01", why="new tape")
    forged = [*UNREADABLE.items(), *(UNREADABLE_ON_SQLITE.items() if full.is_sqlite else ())]
    for kind, values in forged:
        for value in values:
            with unguarded(full) as connection:
                connection.execute(text(f"UPDATE {kind} SET {value}"))
                found = [each.rule for each in audit(connection) if each.trouble == "refused"]
                assert PAST in found, (kind, value)


def test_a_lost_head_is_found_and_nothing_more_is_written(kept: Store) -> None:
    with unguarded(kept) as connection:
        assert finds(connection, CHAIN, delete(JournalHead))
    before = everything(kept)
    with kept.writing() as connection:
        connection.execute(delete(JournalHead))
    with pytest.raises(RegistryError, match="the database refused"):
        add(kept, "people", person="P03")
    assert everything(kept) == before


# Nothing leaves a line that changes nothing


def test_what_is_refused_leaves_no_line(kept: Store, tmp_path: Path) -> None:
    before = everything(kept), lines_of(kept)
    file = tmp_path / "people.csv"
    file.write_text("person\nP07\nno code at all\n")
    assert import_files(kept, [file], by="P01").refused
    refused: list[Callable[[], object]] = [
        lambda: add(kept, "graft_lots", bundle="B-nowhere", grafts=5, **LOT),
        lambda: correct(kept, "graft_lots", LOT_CODE, {"grafts": "many"}, by="P01", why="x"),
        lambda: correct(kept, "graft_lots", LOT_CODE, {"grafts": 19}, by="P01", why="x"),
        lambda: void(kept, "people", "P01", by="P01", why="x"),
        lambda: reserve(kept, "bundles", person="P99", count=1, by="P01"),
        lambda: record(kept, "people", {"person": "P07"}, by=""),
    ]
    for attempt in refused:
        with pytest.raises(RegistryError):
            attempt()
    assert (everything(kept), lines_of(kept)) == before


def test_a_dry_run_and_a_repeat_leave_no_line(kept: Store, tmp_path: Path) -> None:
    before = everything(kept), lines_of(kept)
    file = tmp_path / "people.csv"
    file.write_text("person\nP07\n")
    dry = import_files(kept, [file], by="P01", dry_run=True)
    assert dry.recorded == {"people": 1}
    assert not dry.changed
    add(kept, "people", person="P01")
    assert (everything(kept), lines_of(kept)) == before


# Whatever is done


class Model:
    """What a registry of rootstock lots should hold, kept in the plainest way."""

    def __init__(self) -> None:
        self.now: dict[str, str] = {}
        self.was: dict[str, set[str]] = {}
        self.voided: dict[str, str] = {}
        self.lines = 0

    def take(self, code: str, clone: str, *, from_file: bool) -> bool:
        """Record; return whether it is refused."""
        if code in self.voided:
            return not (from_file and clone in self.was[code])
        if code not in self.now:
            self.now[code], self.was[code] = clone, {clone}
            self.lines += 1
            return False
        return clone not in self.was[code]

    def correct(self, code: str, clone: str) -> bool:
        if self.now.get(code) in (None, clone):
            return True
        self.now[code] = clone
        self.was[code].add(clone)
        self.lines += 1
        return False

    def void(self, code: str) -> bool:
        if code not in self.now:
            return True
        self.voided[code] = self.now.pop(code)
        self.lines += 1
        return False


STEPS = st.lists(
    st.tuples(
        st.sampled_from(["record", "import", "correct", "void", "dry run"]),
        st.sampled_from(["R-1", "R-2", "R-3"]),
        st.sampled_from(["Q1", "Q2", "Q3"]),
    ),
    max_size=14,
)


def do(store: Store, folder: Path, action: str, code: str, clone: str) -> bool:
    """Do one step; return whether it was refused."""
    file = folder / "rootstock_lots.csv"
    try:
        if action == "record":
            add(store, "rootstock_lots", rootstock_lot=code, clone=clone)
        elif action == "correct":
            correct(store, "rootstock_lots", code, {"clone": clone}, by="P01", why="read again")
        elif action == "void":
            void(store, "rootstock_lots", code, by="P01", why="never came")
        else:
            file.write_text(f"rootstock_lot,clone\n{code},{clone}\n")
            return import_files(store, [file], by="P01", dry_run=action == "dry run").refused
    except RegistryError:
        return True
    return False


@settings(max_examples=5)
@given(steps=STEPS)
def test_whatever_is_done_the_registry_is_as_told_line_by_line(
    new_store: NewStore, tmp_path: Path, steps: list[tuple[str, str, str]]
) -> None:
    model = Model()
    with new_store() as store:
        for action, code, clone in steps:
            refused = do(store, tmp_path, action, code, clone)
            if action == "correct":
                assert refused == model.correct(code, clone)
            elif action == "void":
                assert refused == model.void(code)
            elif action != "dry run":
                assert refused == model.take(code, clone, from_file=action == "import")
        rows = everything(store)["rootstock_lots"]
        names = [column.name for column in recorded_columns("rootstock_lots")]
        records = [dict(zip(names, row, strict=True)) for row in rows]
        assert {each["rootstock_lot"]: each["clone"] for each in records} == model.now
        assert len(lines_of(store)) == model.lines
        assert faults_of(store) == []
