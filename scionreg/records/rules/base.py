"""What a rule is, and the part of a registry it is asked about."""

import datetime as dt
import operator
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import reduce
from typing import Any

from sqlalchemy import (
    Boolean,
    ColumnElement,
    Integer,
    Select,
    String,
    cast,
    func,
    literal,
    or_,
    select,
    true,
)
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.functions import FunctionElement

from scionreg.records.tables import KINDS, table
from scionreg.records.vocabulary import Trouble


@dataclass(frozen=True, slots=True)
class Scope:
    """The records to judge: all of them, or those a change touched.

    `codes` gives, for each of the record kinds that others hang on, the codes a change touched;
    None means everything. `today` is the day that dates may not lie after.
    """

    today: dt.date
    season_first_day: str = "07-01"
    codes: Mapping[str, frozenset[str]] | None = None

    def of(self, kind: str, column: ColumnElement[Any]) -> ColumnElement[bool]:
        """Return the condition that `column`, a code of `kind`, is among those to judge."""
        if self.codes is None:
            return true()
        return column.in_(sorted(self.codes.get(kind, ())))


Finder = Callable[[Scope], Iterable[Select[Any]]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One thing that must hold of the records.

    `touches` are the kinds whose change can break it. `find` returns queries for the records that
    do; `wrong` and `right` are filled in with their columns. `screen`, where there is one, returns
    quicker queries that find something wherever the rule is broken. Rules share it: one reading of
    a large table clears all of them. A rule without `find` is checked `otherwise`.
    """

    name: str
    trouble: Trouble
    holds: str
    why: str
    kind: str = ""
    column: str = ""
    touches: tuple[str, ...] = ()
    wrong: str = ""
    right: str = ""
    find: Finder | None = field(default=None, repr=False)
    screen: Finder | None = field(default=None, repr=False)
    keep: Callable[[Mapping[str, Any]], bool] | None = field(default=None, repr=False)
    otherwise: str = "when a cell is read"

    @property
    def when(self) -> str:
        """Return when the rule is checked."""
        if self.find is None:
            return self.otherwise
        return "when records are taken or corrected, and at every audit"


RULES: dict[str, Rule] = {}
"""Every rule about more than one cell, by name."""


def rule(**facts: Any) -> Callable[[Finder], Finder]:
    """Register the decorated function as a rule; its name is the rule's, its docstring `holds`."""

    def register(find: Finder) -> Finder:
        name = find.__name__
        holds = " ".join((find.__doc__ or "").split())
        RULES[name] = Rule(name=name, holds=holds, find=find, **facts)
        return find

    return register


def odd_rows(scope: Scope) -> Iterator[Select[Any]]:
    """Yield a query a kind for rows that break a rule this screens: one reading for all of them.

    Only for rules that look at rows one by one, whose queries name one table.
    """
    conditions: dict[str, list[ColumnElement[bool]]] = defaultdict(list)
    for each in RULES.values():
        if each.find is not None and each.screen is odd_rows:
            for query in each.find(scope):
                assert query.whereclause is not None
                conditions[kind_of(query)].append(query.whereclause)
    for kind, wrong in conditions.items():
        yield select(table(kind).columns["id"]).where(or_(*wrong))


def kind_of(query: Select[Any]) -> str:
    """Return the record kind that a query's first column, the id, belongs to."""
    column: Any = next(iter(query.selected_columns))
    return str(column.element.table.name)


def broken(
    kind: str, value: ColumnElement[Any] | None = None, **named: ColumnElement[Any]
) -> Select[Any]:
    """Start a query for records of `kind` that break a rule.

    It selects the record's id and key, the offending `value`, and whatever the message names.
    """
    columns = table(kind).columns
    keys = [columns["id"].label("record")]
    keys += [columns[name].label(f"key_{i}") for i, name in enumerate(KINDS[kind].KEY)]
    shown = [cast(value, String).label("value")] if value is not None else []
    return select(*keys, *shown, *(column.label(name) for name, column in named.items()))


MIDYEAR = "07-01"
"""A season that begins from this day on is named by the year it ends in, else by its first."""


class season_of(FunctionElement[int]):
    """SQL: the season of a day, given the day (MM-DD) that seasons begin on."""

    type = Integer()
    inherit_cache = True
    name = "season_of"


@compiles(season_of, "sqlite")
def _season_sqlite(element: Any, compiler: Any, **options: Any) -> str:
    day, first = (compiler.process(clause, **options) for clause in element.clauses)
    begun, early = f"(substr({day}, 6, 5) >= {first})", f"({first} < '{MIDYEAR}')"
    return f"(CAST(substr({day}, 1, 4) AS INTEGER) + {begun} - {early})"


@compiles(season_of, "postgresql")
def _season_postgresql(element: Any, compiler: Any, **options: Any) -> str:
    day, first = (compiler.process(clause, **options) for clause in element.clauses)
    begun, early = f"(to_char({day}, 'MM-DD') >= {first})::int", f"({first} < '{MIDYEAR}')::int"
    return f"(extract(year FROM {day})::int + {begun} - {early})"


class lot_of(FunctionElement[str]):
    """SQL: the graft lot of a ``lot/position``; a code without a position is returned whole."""

    type = String()
    inherit_cache = True
    name = "lot_of"


class position_of(FunctionElement[int]):
    """SQL: the position of a ``lot/position``, NULL for a code without one."""

    type = Integer()
    inherit_cache = True
    name = "position_of"


@compiles(lot_of, "sqlite")
def _lot_sqlite(element: Any, compiler: Any, **options: Any) -> str:
    item = compiler.process(element.clauses, **options)
    return f"substr({item}, 1, instr({item} || '/', '/') - 1)"


@compiles(position_of, "sqlite")
def _position_sqlite(element: Any, compiler: Any, **options: Any) -> str:
    item = compiler.process(element.clauses, **options)
    return f"CAST(nullif(substr({item}, instr({item} || '/', '/') + 1), '') AS INTEGER)"


@compiles(lot_of, "postgresql")
def _lot_postgresql(element: Any, compiler: Any, **options: Any) -> str:
    return f"split_part({compiler.process(element.clauses, **options)}, '/', 1)"


@compiles(position_of, "postgresql")
def _position_postgresql(element: Any, compiler: Any, **options: Any) -> str:
    return f"nullif(split_part({compiler.process(element.clauses, **options)}, '/', 2), '')::int"


class holds(FunctionElement[bool]):
    """SQL: whether the first text holds the second, letter for letter."""

    type = Boolean()
    inherit_cache = True
    name = "holds"


@compiles(holds, "sqlite")
def _holds_sqlite(element: Any, compiler: Any, **options: Any) -> str:
    return f"(instr({compiler.process(element.clauses, **options)}) > 0)"


@compiles(holds, "postgresql")
def _holds_postgresql(element: Any, compiler: Any, **options: Any) -> str:
    return f"(strpos({compiler.process(element.clauses, **options)}) > 0)"


def joined(*parts: ColumnElement[Any] | str) -> ColumnElement[str]:
    """Return SQL for the parts' text, one after the other; an unknown part is empty."""
    texts: list[ColumnElement[str]] = [
        literal(part) if isinstance(part, str) else func.coalesce(cast(part, String), "")
        for part in parts
    ]
    return reduce(operator.add, texts)


IRREGULAR = {"people": "person", "dispatches": "dispatch"}


def one_of(kinds: Sequence[str]) -> str:
    """Return what one record of the kinds is called, in words.

    >>> one_of(("mother_trees", "bundles", "dispatches"))
    'mother tree, bundle or dispatch'
    """
    words = [IRREGULAR.get(kind, kind.removesuffix("s")).replace("_", " ") for kind in kinds]
    return " or ".join(filter(None, (", ".join(words[:-1]), words[-1])))


def _cell(name: str, holds: str, why: str) -> Rule:
    return Rule(name=name, trouble=Trouble.REFUSED, holds=holds, why=why)


CELL_RULES: dict[str, Rule] = {
    each.name: each
    for each in (
        _cell(
            "wrong_check_digit",
            "An issued code is written with its right check digit.",
            "A digit copied wrong or two swapped would point at another record; the digit finds "
            "every such slip (H. M. Damm, 2004).",
        ),
        _cell(
            "wrong_kind_of_code",
            "A column that names a bundle holds a bundle's code, and so on.",
            "A code written one column off would tie the record to the wrong thing.",
        ),
        _cell(
            "unusable_code",
            "A nursery's own code is at most 60 characters, without '/', ';' or line breaks.",
            "'/' parts a graft lot from a position and ';' parts several values in a cell.",
        ),
        _cell(
            "person_by_name",
            "A person is recorded by a short code.",
            "Records are shown to customers and inspectors; names stay in the nursery.",
        ),
        _cell(
            "cultivar_name",
            "A cultivar's name is an epithet that the Cultivated Plant Code allows.",
            "International Code of Nomenclature for Cultivated Plants, 9th ed. 2016 (Scripta "
            "Horticulturae 18).",
        ),
        _cell(
            "unknown_word",
            "A column with a vocabulary holds one of its words.",
            "Free words cannot be counted or compared; variants the trade uses are understood.",
        ),
        _cell(
            "ditto",
            "Every cell holds its own value.",
            "'ditto' means something else once rows are sorted or cut apart.",
        ),
        _cell(
            "rough_number",
            "A number is a number: 40, not 40+ or ~40.",
            "What is estimated is said in the column count, so that the balance can allow for it.",
        ),
        _cell(
            "not_a_number",
            "A column of numbers holds numbers, with a point as the decimal mark.",
            "Text cannot be added up.",
        ),
        _cell("below_zero", "A count is not below zero.", "Nobody cuts minus three sticks."),
        _cell(
            "out_of_range",
            "A number lies in the range its column allows.",
            "Outside it a unit or a decimal mark is wrong.",
        ),
        _cell(
            "share_out_of_range",
            "A share is a fraction from 0 to 1.",
            "25 per cent is written 0.25; 25 would mean twenty-five times all.",
        ),
        _cell(
            "humidity_out_of_range",
            "Relative humidity is from 0 to 100 %.",
            "Outside it the sensor has failed.",
        ),
        _cell(
            "off_the_globe",
            "A latitude is from -90 to 90 degrees and a longitude from -180 to 180.",
            "Outside it the two are swapped or are not degrees.",
        ),
        _cell(
            "broken_outline",
            "A block's outline is a GeoJSON polygon (RFC 7946).",
            "Places are compared with it.",
        ),
        _cell(
            "not_a_date",
            "A day is written year-month-day (ISO 8601).",
            "It sorts, and it cannot be misread.",
        ),
        _cell(
            "ambiguous_date",
            "A day is written in one form only.",
            "2/3/2026 is February to some and March to others.",
        ),
        _cell(
            "impossible_date",
            "A day is one that exists, and not before 1700.",
            "31 February is a slip of the pen.",
        ),
        _cell(
            "not_a_time",
            "A time is written as in 2026-02-14T08:30 (ISO 8601).",
            "It sorts, and it cannot be misread.",
        ),
        _cell(
            "not_a_position",
            "Row positions are numbers from 1, or ranges of them, parted by ';'.",
            "They are counted and compared with the lot's own positions.",
        ),
        _cell(
            "unreadable_text",
            "Text is text, and codes and names hold nothing that cannot be seen.",
            "A NUL character comes from a damaged file; what is invisible makes two codes of what "
            "looks like one, and signs that turn the reading direction round make another of it.",
        ),
        _cell(
            "ambiguous_code",
            "A code written in other letters than the recorded one fits one record only.",
            "Where two codes differ in capital and small letters alone, only writing it exactly "
            "tells which is meant.",
        ),
        _cell(
            "missing_value",
            "A required column is filled in every row.",
            "An empty cell means unknown; without these values the record says nothing. Where the "
            "cell above was meant, its value is written again.",
        ),
        _cell(
            "duplicate_key",
            "A key names one record; the same key again has the same content.",
            "Two records under one code make every trace through it a guess.",
        ),
        _cell(
            "voided_code",
            "The code of a voided record is not used again.",
            "Its history would show on another record.",
        ),
        _cell(
            "unknown_column",
            "Every column is one of the record kind's.",
            "A column that is silently left out would lose what was written in it.",
        ),
        _cell(
            "missing_column",
            "Every required column is there.",
            "Without it no row can be taken.",
        ),
        _cell(
            "ragged_row",
            "Every row has as many cells as the header.",
            "A stray separator moves every later cell into the wrong column.",
        ),
        _cell(
            "totals_row",
            "Rows are records; totals are left out.",
            "A totals row would count everything twice.",
        ),
        _cell(
            "unreadable_file",
            "A file is CSV in UTF-8 (or UTF-16 with its mark), a workbook, or GeoJSON, as its name "
            "says.",
            "Anything else would be read wrongly.",
        ),
    )
}

INTAKE_RULES: dict[str, Rule] = {
    each.name: each
    for each in (
        Rule(
            name="lookalike_code",
            trouble=Trouble.WARNING,
            holds="No new code or name looks like another: in other letters, in an alphabet that "
            "looks the same, or with other marks between its parts.",
            why="Whoever reads a label cannot tell them apart, and often one of them is a slip.",
            wrong="'{value}' looks like {others}, which is recorded too",
            right="if the same is meant, void this one; else tell them apart by more than that",
            otherwise="when records are taken, and not again, since both may be meant",
        ),
        Rule(
            name="recorded_lately",
            trouble=Trouble.WARNING,
            holds="No cutting, graft lot, check or dispatch is recorded twice within minutes.",
            why="The same command typed again makes 80 sticks of 40.",
            wrong="the same {noun} was recorded {ago} as {code}",
            right="if it is the same, void one of the two",
            otherwise="when records are taken, and not again, since two may be alike",
        ),
        Rule(
            name="unknown_recorder",
            trouble=Trouble.WARNING,
            holds="Whoever records is one of the people.",
            why="The journal says who; a code that nobody has says nothing.",
            wrong="nobody recorded has the code {by}, which stands in the journal now",
            right="{meant}record the person, or give another with --by",
            otherwise="when records are taken, where any people are recorded",
        ),
        Rule(
            name="reserved_for_another",
            trouble=Trouble.WARNING,
            holds="A code is used by whom it was reserved for, or recorded of their work.",
            why="The same label may hang somewhere else.",
            wrong="{code} was reserved for {person}, who neither did this nor records it",
            right="look at the label; if the code is {person}'s, void this and take another",
            otherwise="when records are taken, and not again, since codes may be handed on",
        ),
        Rule(
            name="fix_allows_another_cultivar",
            trouble=Trouble.WARNING,
            kind="collections",
            column="latitude",
            holds="The fix of a cutting allows no tree of another cultivar.",
            why="A fix strays by metres, and the next tree may be another cultivar's: a warning, "
            "while the tag can still be read.",
            wrong="the fix allows another cultivar than {own} of {tree}: {others}",
            right="read the tag again, and count row and position, before the wood is tied",
            otherwise="when records are taken, and not again, since it is no fault to be mended "
            "later",
        ),
    )
}
"""What is asked of new records only, by the reasoning above the rules (`Store.advisers`)."""

JUDGED_RULES: dict[str, Rule] = {
    each.name: each
    for each in (
        Rule(
            name="known_against_use",
            trouble=Trouble.WARNING,
            holds="Nothing is known against what is cut, tied, grafted or sent, on its day.",
            why="A dead tree that was cut is mostly another tree; wood on hold, without a licence "
            "or thrown away, and trees found wrong, are noticed best while they can be put back.",
            right="look again whether it is the one that was meant; what is recorded stays",
            otherwise="when records are taken, and at every audit, by the judgement that every "
            "answer asks",
        ),
    )
}
"""What the reasoning above the rules asks of records, new ones and all."""
