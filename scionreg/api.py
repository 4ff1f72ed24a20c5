"""A registry as one object, for Python and for the command line: records in, answers out."""

import datetime as dt
import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from sqlalchemy import Connection

from scionreg.exchange.exporting import export_folder
from scionreg.exchange.importing import Imported, import_files
from scionreg.lineage.balance import Balance, balance
from scionreg.lineage.graph import find_kind
from scionreg.lineage.recall import Recall, recall
from scionreg.lineage.recall_items import Item, OfCode
from scionreg.lineage.timeline import Timeline, timeline
from scionreg.lineage.trace import Trace, trace
from scionreg.records.errors import NotFoundError, Problem, ProblemsError, RegistryError
from scionreg.records.rules import Scope
from scionreg.records.shell import command_line
from scionreg.records.tables import table
from scionreg.records.vocabulary import HoldEvent, Trouble
from scionreg.registry import checking, correcting, issuing, recording, undoing
from scionreg.registry.audit import audit
from scionreg.registry.changes import Change, change
from scionreg.registry.correcting import Corrected, Restored
from scionreg.registry.create import create_store
from scionreg.registry.finding import Found, find_record, kinds_of_key, shown_key
from scionreg.registry.history import Step, history, kind_of_voided
from scionreg.registry.issuing import Reserved
from scionreg.registry.recording import Recorded
from scionreg.registry.rows import as_moment, as_record, read_rows
from scionreg.registry.settings import Settings, read_settings, write_settings
from scionreg.registry.store import Store, open_store
from scionreg.registry.undoing import Undone

if TYPE_CHECKING:
    from scionreg.cartography.page import MapPage
    from scionreg.cold_store.report import StoreReport
    from scionreg.cold_store.spells import Spell
    from scionreg.cutting import Outlook
    from scionreg.daybook import Today
    from scionreg.documents.field_sheets.sheet import FieldSheet
    from scionreg.entering import Entry
    from scionreg.exchange.loggers import LoggerImport
    from scionreg.holding import Stop
    from scionreg.identifying import Matches
    from scionreg.identity.off_type import OffType
    from scionreg.identity.sampling import SampleSize
    from scionreg.identity.where import Where
    from scionreg.labelling import Labels
    from scionreg.lineage.asked import Asked
    from scionreg.lineage.context import Context
    from scionreg.lineage.journal_book import Noted
    from scionreg.lineage.line_traces import TracedLine
    from scionreg.lineage.listing import Listed, Wanted
    from scionreg.lineage.mock_recall import MockRecall
    from scionreg.lineage.royalties import Royalties
    from scionreg.mapping import MapLayers
    from scionreg.off_types import OffTypes
    from scionreg.ordering import Demand
    from scionreg.planning import CuttingSheet
    from scionreg.records.words import Words
    from scionreg.reporting import Recheck, TraceSheet
    from scionreg.rotation.demand import Order
    from scionreg.rotation.walk import Walk
    from scionreg.seasons import SeasonReport
    from scionreg.stock_ahead import Ahead
    from scionreg.surveying import Survey
    from scionreg.take.row_map import RowMap
    from scionreg.take.summary import TakeSummary
    from scionreg.take.table import TakeTable
    from scionreg.take.verdict import Why
    from scionreg.vouching import Statuses

Progress = Callable[[int, int], None]


def _silent(done: int, total: int) -> None:
    """Show no progress."""


def _typed(kind: str, record: Mapping[str, Any], zone: dt.tzinfo) -> dict[str, Any]:
    """Return a record with yes and no as bool; days and times are ISO text, times in `zone`."""
    columns = table(kind).columns

    def typed(name: str, value: Any) -> Any:
        python = columns[name].type.python_type if name in columns else list
        if python is dt.datetime:
            return as_moment(value).astimezone(zone).isoformat()
        return bool(value) if python is bool else value

    return {name: typed(name, value) for name, value in record.items()}


def _alarms(connection: Connection) -> Iterator[Problem]:
    """Yield as warnings the bundles and collections of which too much is unexplained.

    That more was used than was there is a rule's to say.
    """
    for scope in ("bundle", "collection"):
        for row in balance(connection, scope=scope, alarms_only=True).rows:
            if row.code is not None and (row.unexplained or 0) > 0:
                yield Problem(
                    rule="balance",
                    trouble=Trouble.WARNING,
                    kind=f"{scope}s",
                    key=row.code,
                    wrong=str(row.alarm),
                    right="count again, or record what is missing",
                )


def _doubtful_fixes(making: Change) -> Iterable[tuple[int, Problem]]:
    """Return warnings about new cuttings whose fix allows another cultivar."""
    made = making.made.get("collections")
    if made is None:
        return ()
    from scionreg.lineage.place_books import read_cut_fixes

    fixes = read_cut_fixes(making.connection, made.first_id, made.last_id)
    if not fixes:
        return ()
    from scionreg.locating import other_cultivars

    return other_cultivars(making.connection, fixes)


def _known_against(making: Change) -> Iterable[tuple[int, Problem]]:
    """Return warnings about new records of a use that something known speaks against."""
    made = {kind: (made.first_id, made.last_id) for kind, made in making.made.items()}
    from scionreg.judgement.recorded import JUDGING, against_uses

    if made.keys().isdisjoint(JUDGING):
        return ()
    return against_uses(making.connection, made)


class Registry:
    """An open registry. Every answer is of one state of it; every change is all or nothing."""

    def __init__(self, store: Store) -> None:
        self.store = store
        store.advisers = (
            _doubtful_fixes,
            _known_against,
        )

    @classmethod
    def open(cls, where: str | os.PathLike[str]) -> Self:
        """Open the registry at a path or URL; errors as `open_store`."""
        return cls(open_store(where))

    @classmethod
    def new(cls, where: str | os.PathLike[str], **settings: str) -> Self:
        """Make an empty registry; `settings` as `Settings`."""
        chosen = Settings().changed(settings)
        registry = cls(create_store(where))
        with registry.store.writing() as connection:
            write_settings(connection, chosen)
        return registry

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace_back: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the registry."""
        self.store.close()

    # Settings

    @property
    def settings(self) -> Settings:
        """Return the settings."""
        with self.store.reading() as connection:
            return read_settings(connection)

    def change_settings(self, *, recorder: str = "", **values: str) -> Settings:
        """Change settings (starting values by ``group.name``); a change is a journal line."""
        with change(self.store, by=recorder or values.get("by", ""), action="settings") as making:
            making.change_settings(values)
        return making.settings

    # Records in

    def record(self, kind: str, /, *, recorder: str = "", **values: Any) -> Recorded:
        """Record one record of a kind; a code is issued where none is given."""
        return self.record_all([(kind, values)], recorder=recorder)[0]

    def record_all(
        self, records: list[tuple[str, Mapping[str, Any]]], *, recorder: str = ""
    ) -> list[Recorded]:
        """Record several records that are right together only, such as a bundle and its parents."""
        return recording.record_all(self.store, records, by=recorder)

    def rebundle(
        self,
        parents: Sequence[tuple[str, int]],
        values: Mapping[str, Any],
        *,
        recorder: str = "",
    ) -> list[Recorded]:
        """Record a bundle tied from sticks of others; `parents` are codes and sticks."""
        return recording.rebundle(self.store, parents, values, by=recorder)

    def correct(
        self,
        kind: str,
        key: str,
        given: Mapping[str, Any] | None = None,
        /,
        *,
        why: str,
        recorder: str = "",
        dry_run: bool = False,
        **values: Any,
    ) -> Corrected:
        """Correct columns of a record; the old version is kept.

        Columns are given as a mapping or by name. With `dry_run` nothing is changed.
        """
        new = {**(given or {}), **values}
        return correcting.correct(self.store, kind, key, new, by=recorder, why=why, dry_run=dry_run)

    def void(
        self, kind: str, key: str, /, *, why: str, recorder: str = "", dry_run: bool = False
    ) -> list[Found]:
        """Take a record back, with the lines that only belong to it."""
        return correcting.void(self.store, kind, key, by=recorder, why=why, dry_run=dry_run)

    def restore(self, kind: str, key: str, /, *, why: str = "", recorder: str = "") -> Restored:
        """Bring a voided record back, with the lines that went with it."""
        return correcting.restore(self.store, kind, key, by=recorder, why=why)

    def undo(self, *, recorder: str = "", **which: Any) -> Undone:
        """Undo the last change, as a new one; `which` as `undoing.undo`."""
        return undoing.undo(self.store, by=recorder, **which)

    def hold(
        self, *codes: str, day: dt.date | None = None, recorder: str = "", **how: str
    ) -> list[Recorded]:
        """Hold trees, wood, lots, positions or dispatches; `how` as the fields of `Stop`."""
        return self._hold(HoldEvent.HOLD, self._stops(codes, how), day, recorder)

    def release(
        self, *codes: str, day: dt.date | None = None, recorder: str = "", **how: str
    ) -> list[Recorded]:
        """End holds; the same as `hold`."""
        return self._hold(HoldEvent.RELEASED, self._stops(codes, how), day, recorder)

    def proposed_holds(self, found: "OffTypes") -> "list[Stop]":
        """Return what answers about wrong trees propose to hold; as `holding.proposed`."""
        from scionreg import holding

        with self.store.reading() as connection:
            return holding.proposed(connection, found)

    def hold_all(self, stops: "Sequence[Stop]", *, recorder: str = "") -> list[Recorded]:
        """Hold several things, each for its own reason, in one change."""
        return self._hold(HoldEvent.HOLD, stops, None, recorder)

    def _stops(self, codes: Iterable[str], how: Mapping[str, str]) -> "list[Stop]":
        from scionreg.holding import Stop

        return [Stop(code=code, **how) for code in codes]

    def _hold(
        self, event: HoldEvent, stops: "Sequence[Stop]", day: dt.date | None, recorder: str
    ) -> list[Recorded]:
        from scionreg import holding

        with self.store.reading() as connection:
            by = recorder or self.settings.by
            records = holding.records_of(connection, event, stops, day=day, by=by)
        return self.record_all(list(records), recorder=recorder)

    def reserve(
        self,
        kind: str,
        *,
        person: str,
        count: int,
        season: int | None = None,
        recorder: str = "",
    ) -> list[str]:
        """Reserve a run of codes for a person, for labels printed before their use."""
        return issuing.reserve(
            self.store, kind, person=person, count=count, season=season, by=recorder
        )

    def reserved(self, person: str = "", kind: str = "") -> list[Reserved]:
        """Return the codes that are reserved, and whether each is used."""
        with self.store.reading() as connection:
            return issuing.reserved(connection, person, kind)

    def import_files(
        self,
        *paths: str | os.PathLike[str],
        kind: str = "",
        dry_run: bool = False,
        recorder: str = "",
        progress: Progress = _silent,
    ) -> Imported:
        """Import season folders, CSV files and workbooks; all or nothing.

        Raises
        ------
        ProblemsError
            Something was refused; it carries every problem.
        """
        done = import_files(
            self.store,
            [Path(path) for path in paths],
            by=recorder,
            kind=kind,
            dry_run=dry_run,
            progress=progress,
        )
        if done.refused:
            raise ProblemsError(done.problems)
        return done

    def import_logger(
        self,
        path: str | os.PathLike[str],
        store: str,
        *,
        zone: str = "",
        dry_run: bool = False,
        recorder: str = "",
        progress: Progress = _silent,
        **columns: str,
    ) -> "LoggerImport":
        """Import a temperature logger's file as readings of a store.

        `zone` names the time zone of its clock, else the registry's; `columns` as `Wanted`. Errors
        as `import_logger`.
        """
        from scionreg.exchange.loggers import Wanted, import_logger

        settings = self.settings.changed({"time_zone": zone} if zone else {})
        return import_logger(
            self.store,
            Path(path),
            store,
            Wanted(**columns),
            zone=settings.zone,
            by=recorder,
            dry_run=dry_run,
            progress=progress,
        )

    def enter(
        self,
        sheet: str,
        *,
        recorder: str = "",
        anew: bool = False,
        words: "Words | None" = None,
    ) -> "Entry":
        """Return a field sheet to type in, where it was left off; as `entering.open_entry`."""
        from scionreg.entering import open_entry

        by = recorder or self.settings.by
        return open_entry(self.store, sheet, by=by, anew=anew, words=words)

    def fill_in(
        self,
        kind: str,
        given: Mapping[str, str] | None = None,
        *,
        recorder: str = "",
        words: "Words | None" = None,
    ) -> "Entry":
        """Return one record of a kind to type in; as `entering.open_record`."""
        from scionreg.entering import open_record

        by = recorder or self.settings.by
        return open_record(self.store, kind, given or {}, by=by, words=words)

    def field_sheet(self, name: str, **wanted: Any) -> "FieldSheet":
        """Return a field sheet with its rows filled in; `wanted` as `filling.Wanted`."""
        from scionreg.documents.field_sheets.filling import Wanted, fill
        from scionreg.records.words import english

        with self.store.reading() as connection:
            return fill(connection, name, Wanted(**wanted), english())

    def export(
        self, folder: str | os.PathLike[str], *, progress: Progress = _silent
    ) -> dict[str, int]:
        """Write every record as a season folder; return the number of each kind."""
        return export_folder(self.store, Path(folder), progress=progress)

    # Records out

    def as_shown(self, kind: str, record: Mapping[str, Any]) -> dict[str, Any]:
        """Return a record as `records` gives it: times by the registry's clock, yes as True."""
        return _typed(kind, record, self.settings.zone)

    def find(self, kind: str, key: str) -> Found:
        """Return one record by its key."""
        with self.store.reading() as connection:
            return find_record(connection, kind, key)

    def kind_of(self, code: str, *, voided: bool = False) -> str:
        """Return the record kind of a code; raise `NotFoundError` with likely codes.

        With `voided`, a record that was voided has one too.
        """
        with self.store.reading() as connection:
            kinds = kinds_of_key(connection, code) if "/" in code else []
            if len(kinds) > 1:
                raise RegistryError(f"'{code}' is one of {', '.join(kinds)}; say with --kind which")
            if kinds:
                return kinds[0]
            kind = kind_of_voided(connection, code)
            if kind is None or "/" not in code:  # else it would be taken for lot/position
                try:
                    return find_kind(connection, code)
                except NotFoundError:
                    if kind is None:
                        raise
        if not voided:
            raise NotFoundError(
                f"'{code}' was voided; {command_line('history', code)} says why, "
                f"{command_line('restore', code)} brings it back"
            )
        return kind

    def shown_key(self, kind: str, key: str) -> str:
        """Return a key as it is typed: its time by the registry's clock."""
        return shown_key(kind, key, self.settings.zone)

    def asked(self, text: str) -> "Asked":
        """Return what somebody means by a code, place, customer or line; as `asked.asked`."""
        from scionreg.lineage.asked import asked

        with self.store.reading() as connection:
            return asked(connection, text)

    def context(self, meant: "Asked") -> "Context":
        """Return what stands around something that was asked for; as `context.context`."""
        from scionreg.lineage.asked import CUSTOMERS
        from scionreg.lineage.context import context, context_of_customer

        with self.store.reading() as connection:
            if meant.kind == CUSTOMERS:
                return context_of_customer(connection, meant.typed, meant.codes)
            return context(connection, meant.kind, meant.codes[0])

    def reserved_for(self, code: str) -> str | None:
        """Return the person for whom an issued code was reserved, None for nobody."""
        from scionreg.lineage.context import reserved_for

        with self.store.reading() as connection:
            return reserved_for(connection, code)

    def records(self, kind: str, **where: Any) -> Iterator[dict[str, Any]]:
        """Yield the records of a kind in the order they came in; `where` keeps equal ones."""
        columns = table(kind).columns
        conditions = [columns[name] == value for name, value in where.items()]
        with self.store.reading() as connection:
            zone = read_settings(connection).zone
            for _, _, row in read_rows(connection, kind, *conditions):
                yield _typed(kind, as_record(kind, row), zone)

    def listed(
        self, kind: str, wanted: "Wanted", most: int | None = None, *, against: bool = False
    ) -> "Listed":
        """Return the records of a kind that are wanted, `most` of them; as `listing.listed`.

        With `against` only those that something known bars or speaks against today: trees, bundles,
        graft lots and lines of dispatches, each with the sentences under ``against``.
        """
        from scionreg.lineage.listing import listed

        with self.store.reading() as connection:
            found = listed(connection, kind, wanted, None if against else most)
            zone = read_settings(connection).zone
            if against:
                from scionreg.judgement import against_records

                kept = against_records(connection, kind, found.records)
                found = replace(found, number=len(kept), records=tuple(kept[:most]))
        return replace(found, records=tuple(_typed(kind, each, zone) for each in found.records))

    def against(self, kind: str, record: Mapping[str, Any]) -> list[str]:
        """Return what bars or speaks against using a record today; none of what is not judged."""
        from scionreg.judgement import JUDGED, against_records

        if kind not in JUDGED:
            return []
        with self.store.reading() as connection:
            found = against_records(connection, kind, [record])
        return [said for each in found for said in each["against"]]

    def history(self, kind: str, key: str) -> list[Step]:
        """Return every version of a record, oldest first."""
        with self.store.reading() as connection:
            return history(connection, kind, key)

    def today(self, **options: Any) -> "Today":
        """Return what a day asks for; options as `daybook.today`."""
        from scionreg import daybook

        with self.store.reading() as connection:
            return daybook.today(connection, self.store, **options)

    def changes(self, **options: Any) -> "list[Noted]":
        """Return what changed in the records, oldest first; options as `journal_book.changes`."""
        from scionreg.lineage.journal_book import changes

        with self.store.reading() as connection:
            return changes(connection, **options)

    def warnings_of(self, kind: str, key: str) -> list[Problem]:
        """Return the standing warnings about one record."""
        with self.store.reading() as connection:
            settings = read_settings(connection)
            scope: Scope = checking.touched(connection, settings, {kind: [key.partition("/")[0]]})
            found = checking.problems(connection, scope)
            return [each for _, each in found if each.kind == kind and each.key == key]

    def audit(self) -> list[Problem]:
        """Return everything wrong or doubtful in the whole registry.

        The balance is included, unless bundles come from each other: no sticks can be weighed then.
        """
        with self.store.reading() as connection:
            found = list(audit(connection))
            if all(problem.rule != "loop_of_bundles" for problem in found):
                found += _alarms(connection)
            if not any(problem.trouble is Trouble.REFUSED for problem in found):
                from scionreg.judgement.recorded import against_uses

                found += [problem for _, problem in against_uses(connection)]
            return found

    # The chain

    def trace(self, code: str) -> Trace:
        """Return where something came from: up the chain, over all generations."""
        with self.store.reading() as connection:
            return trace(connection, code)

    def trace_lines(self, *dispatches: str) -> "tuple[TracedLine, ...]":
        """Return where the trees of each line of some dispatches came from."""
        from scionreg.lineage.line_traces import trace_lines

        with self.store.reading() as connection:
            return trace_lines(connection, dispatches)

    def recall(self, *items: Item | str) -> Recall:
        """Return everything that may share a source: down the chain from codes or `Item`s."""
        asked: Sequence[Item] = [OfCode(item) if isinstance(item, str) else item for item in items]
        with self.store.reading() as connection:
            return recall(connection, asked)

    def timeline(self, code: str) -> Timeline:
        """Return what happened to something and to all it came from, by date."""
        with self.store.reading() as connection:
            return timeline(connection, code)

    def balance(self, **options: Any) -> Balance:
        """Return what came in against what went out, in sticks; options as `balance`."""
        with self.store.reading() as connection:
            return balance(connection, **options)

    def mock_recall(self, *items: Item | str) -> "MockRecall":
        """Recall as if it were needed; return what is accounted for, and the time it took."""
        from scionreg.lineage.mock_recall import mock_recall

        asked: Sequence[Item] = [OfCode(item) if isinstance(item, str) else item for item in items]
        with self.store.reading() as connection:
            return mock_recall(connection, asked)

    # On paper

    def trace_sheet(self, code: str) -> "TraceSheet":
        """Return what a trace sheet of something shows; as `reporting.trace_sheet`."""
        from scionreg import reporting

        with self.store.reading() as connection:
            return reporting.trace_sheet(connection, code)

    def recheck(self, code: str, **printed: Any) -> "Recheck":
        """Return whether a printed sheet still agrees with the registry; as `reporting.recheck`."""
        from scionreg import reporting

        with self.store.reading() as connection:
            return reporting.recheck(connection, code, **printed)

    def season_report(self, season: int) -> "SeasonReport":
        """Return what is to be told of a season; as `seasons.season_report`."""
        from scionreg import seasons

        with self.store.reading() as connection:
            return seasons.season_report(connection, season)

    def royalties(self, **options: Any) -> "Royalties":
        """Return the counts of protected cultivars; options as `seasons.royalty_counts`."""
        from scionreg import seasons

        with self.store.reading() as connection:
            return seasons.royalty_counts(connection, **options)

    # The cold store

    def store_report(self, *bundles: str, **options: Any) -> "StoreReport":
        """Return what happened to bundles in store, and which to use; options as `storing.report`.

        Without bundles it is about all of them.
        """
        from scionreg.storing import report

        with self.store.reading() as connection:
            return report(connection, bundles, **options)

    def warm_spells(self) -> "list[Spell]":
        """Return every warm spell of every store, oldest first."""
        from scionreg.storing import all_spells

        with self.store.reading() as connection:
            return all_spells(connection)

    # Take

    def take(self, by: str, **options: Any) -> "TakeTable":
        """Return take by the items of a factor; options as `taking.table`."""
        from scionreg import taking

        with self.store.reading() as connection:
            return taking.table(connection, by, **options)

    def why(self, *lots: str, **options: Any) -> "Why":
        """Return why graft lots took poorly; options as `asking_why.why`."""
        from scionreg import asking_why

        with self.store.reading() as connection:
            return asking_why.why(connection, lots, **options)

    def take_summary(self, **options: Any) -> "TakeSummary":
        """Return every class at both counts, and findings; options as `taking.summary`."""
        from scionreg import taking

        with self.store.reading() as connection:
            return taking.summary(connection, **options)

    def row_map(self, block: str, **options: Any) -> "RowMap":
        """Return how the lots of a block took, row by row; options as `taking.rows_of`."""
        from scionreg import taking

        with self.store.reading() as connection:
            return taking.rows_of(connection, block, **options)

    # Identity

    def match(self, *samples: str, against: Sequence[str] = ()) -> "Matches":
        """Return what samples are, by their marker profiles; as `identifying.matches`."""
        from scionreg import identifying

        with self.store.reading() as connection:
            return identifying.matches(connection, samples, against=against)

    def off_type(self, code: str) -> "OffType":
        """Return where the identity of something broke; as `off_types.off_types`."""
        return self.off_types(code).answers[0]

    def off_types(self, *codes: str, progress: Progress = _silent) -> "OffTypes":
        """Return where the identity of some things, or of all found off, broke."""
        from scionreg import off_types

        with self.store.reading() as connection:
            return off_types.off_types(connection, codes, progress)

    def sample(self, lot: str | None = None, **options: Any) -> "SampleSize":
        """Return how many trees of a lot to look at; options as `identifying.sample`."""
        from scionreg import identifying

        with self.store.reading() as connection:
            return identifying.sample(connection, lot, **options)

    def status(self, *codes: str, **options: Any) -> "Statuses":
        """Return what is known of mother trees' identity; options as `vouching.statuses`."""
        from scionreg import vouching

        with self.store.reading() as connection:
            return vouching.statuses(connection, codes, **options)

    # Places

    def where(self, latitude: float, longitude: float, accuracy_m: float | None = None) -> "Where":
        """Return which trees somebody may be standing at; as `locating.where_at`."""
        from scionreg import locating

        with self.store.reading() as connection:
            return locating.where_at(connection, latitude, longitude, accuracy_m)

    def map_page(
        self, what: str, *of: str, show_private: bool = False, recorder: str = "", **options: Any
    ) -> "MapPage":
        """Return a map as a page; `what`, `of` and options as `map_pages.page_of`.

        Private places as `layers`.
        """
        from scionreg import map_pages, mapping

        if show_private:
            mapping.note_shown(self.store, what, of, by=recorder)
        with self.store.reading() as connection:
            return map_pages.page_of(connection, what, of, show_private=show_private, **options)

    def survey(
        self,
        file: str | os.PathLike[str],
        *,
        record: bool = False,
        recorder: str = "",
        **options: Any,
    ) -> "Survey":
        """Return which tree each place of a file belongs to; options as `surveying.survey`."""
        from scionreg import surveying

        return surveying.survey(self.store, file, record=record, by=recorder, **options)

    def layers(
        self,
        what: str,
        *of: Item | str,
        show_private: bool = False,
        recorder: str = "",
        **options: Any,
    ) -> "MapLayers":
        """Return layers for a map: a word of `mapping.KINDS`, and what it is of.

        Private places are left out or blurred; that they are shown is a line of the journal, by
        `recorder`. Options as the function of that word in `mapping`.
        """
        from scionreg import mapping

        if show_private:
            mapping.note_shown(self.store, what, [str(each) for each in of], by=recorder)
        with self.store.reading() as connection:
            return mapping.layers_of(connection, what, of, show_private=show_private, **options)

    # Which trees to cut

    def outlook(self, **options: Any) -> "Outlook":
        """Return what mother trees grow, and which may be cut; options as `cutting.outlook`."""
        from scionreg import cutting

        with self.store.reading() as connection:
            return cutting.outlook(connection, **options)

    def demand(self, orders: "Sequence[Order]", **options: Any) -> "Demand":
        """Return the sticks that orders need; options as `ordering.demand`."""
        from scionreg import ordering

        with self.store.reading() as connection:
            return ordering.demand(connection, orders, **options)

    def ahead(self, orders: "Sequence[Order]" = (), **options: Any) -> "Ahead":
        """Return rootstocks, wood and trees ahead; options as `stock_ahead.ahead`."""
        from scionreg import stock_ahead

        with self.store.reading() as connection:
            return stock_ahead.ahead(connection, orders, **options)

    def plan(self, orders: "Sequence[Order]", **options: Any) -> "CuttingSheet":
        """Return which trees to cut for orders; options as `planning.cutting_sheet`."""
        from scionreg import planning

        with self.store.reading() as connection:
            return planning.cutting_sheet(connection, orders, **options)

    def walk(self, trees: "Iterable[str] | Mapping[str, int | None]", **options: Any) -> "Walk":
        """Return mother trees in walking order; trees and options as `walking.walk_of`."""
        from scionreg import walking

        with self.store.reading() as connection:
            return walking.walk_of(connection, trees, **options)

    def write_walk(self, walk: "Walk", path: str | os.PathLike[str], **ends: Any) -> list[str]:
        """Write a walk as GPX and return what was left out; `ends` as `exchange.gpx.write_gpx`."""
        from scionreg import walking
        from scionreg.exchange.gpx import write_gpx

        with self.store.reading() as connection:
            places, left_out = walking.where(connection, walk)
            walk = walking.without_private_places(connection, walk)
        write_gpx(walk, places, Path(path), **ends)
        return left_out

    # Workings

    def workings(
        self, command: str, question: Mapping[str, Any], answer: Mapping[str, Any]
    ) -> dict[str, Any]:
        """Return what an answer was reckoned from; as `workings.workings`."""
        from scionreg import workings

        with self.store.reading() as connection:
            return workings.workings(connection, command, question, answer)

    # Labels

    def labels(self, *codes: str, **options: Any) -> "Labels":
        """Return the labels of what codes name; options as `labelling.labels`."""
        from scionreg import labelling

        with self.store.reading() as connection:
            return labelling.labels(connection, codes, **options)

    def blank_labels(self, person: str, **options: Any) -> "Labels":
        """Return blanks for the codes reserved for a person; options as `labelling.blanks`."""
        from scionreg import labelling

        with self.store.reading() as connection:
            return labelling.blanks(connection, person, **options)
