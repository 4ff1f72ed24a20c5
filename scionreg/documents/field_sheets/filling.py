"""What a sheet's rows are filled in with: the work that is due, or what was named."""

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace

from sqlalchemy import Connection

from scionreg.documents.field_sheets.kinds import SHEETS, kind_of_sheet, tell
from scionreg.documents.field_sheets.sheet import ABOUT, DAYS, PEOPLE, FieldSheet, Line
from scionreg.lineage.due import not_counted, not_tied
from scionreg.lineage.graph import find_kind
from scionreg.lineage.known import Known, read_known
from scionreg.lineage.reasons import Reason
from scionreg.records.cells import noun
from scionreg.records.errors import RegistryError
from scionreg.records.tables import table
from scionreg.records.vocabulary import BundleEventKind, IdentityStatus
from scionreg.records.words import Words
from scionreg.registry.rows import not_recorded
from scionreg.registry.settings import Settings, read_settings

TO_LOOK_AT = (IdentityStatus.NAMED_ONLY, IdentityStatus.ON_PAPER, IdentityStatus.DOUBTFUL)
"""How well trees are known whose turn it is to be looked at."""


A_YEAR = dt.timedelta(365)
"""Lots that are older are counted no more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What a sheet is wanted for.

    `about` are the codes its rows are about, with the sticks to cut of each where that is known;
    none means whatever is due. `day` and `person` go into every row. `block` and `row` say where:
    of work that is due only that is listed, of grafting it is where it will be done.
    """

    about: Mapping[str, int | None] = field(default_factory=dict)
    day: dt.date | None = None
    person: str = ""
    block: str = ""
    row: int | None = None
    store: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Subject:
    """What one row is about, and what is to know of it beside the record itself."""

    code: str
    more: tuple[str, ...] = ()
    warned: tuple[str, ...] = ()


def fill(connection: Connection, name: str, wanted: Wanted, words: Words) -> FieldSheet:
    """Return a sheet with its rows filled in.

    Raises
    ------
    RegistryError
        There is no such sheet, or what it is wanted for is not recorded or of another kind.
    """
    if name not in SHEETS:
        raise RegistryError(f"there is no sheet '{name}'; the sheets are {', '.join(SHEETS)}")
    kind = kind_of_sheet(name)
    _check(connection, kind, wanted)
    settings = read_settings(connection)
    subjects = list(_subjects(connection, name, wanted, settings, words))
    known = _known(connection, kind, [each.code for each in subjects])
    lines = [
        Line(
            cells=_cells(kind, each.code, wanted),
            told=_told(known.get(each.code.partition("/")[0]), each.more, words),
            warned=each.warned,
        )
        for each in subjects
        if _is_there(known.get(each.code), wanted, kind)
    ]
    return FieldSheet(name=name, kind=kind, lines=tuple(lines), facts=tuple(_facts(wanted, words)))


def _cells(kind: str, code: str, wanted: Wanted) -> dict[str, str]:
    """Return what stands in a row already, in the order of the columns."""
    filled = {ABOUT[kind]: code}
    if kind in PEOPLE:
        filled[PEOPLE[kind]] = wanted.person
    if kind in DAYS:
        filled[DAYS[kind]] = wanted.day.isoformat() if wanted.day else ""
    if kind == "graft_lots":
        filled |= {"block": wanted.block, "row": str(wanted.row or "")}
    if kind == "bundle_log":
        filled["event"] = BundleEventKind.CHECKED.value
    if kind == "bundles":
        filled["store"] = wanted.store
    return {name: text for name, text in filled.items() if text}


def _told(known: Known | None, more: Iterable[str], words: Words) -> str:
    said = [tell(known, words)] if known else []
    return words("field_sheet.between").join([*said, *more])


def _facts(wanted: Wanted, words: Words) -> Iterator[tuple[str, str]]:
    place = " ".join(filter(None, [wanted.block, str(wanted.row or "")]))
    day = words.day(wanted.day) if wanted.day else ""
    for name, text in (
        ("day", day),
        ("person", wanted.person),
        ("place", place),
        ("store", wanted.store),
    ):
        if text or name in ("day", "person"):
            yield words(f"field_sheet.fact.{name}"), text


def _is_there(known: Known | None, wanted: Wanted, kind: str) -> bool:
    """Tell whether work that is due is due at the place that was asked for."""
    if kind == "graft_lots" or wanted.about or not wanted.block:
        return True
    return (
        known is not None
        and known.block == wanted.block
        and (wanted.row is None or known.row == wanted.row)
    )


def _known(connection: Connection, kind: str, codes: list[str]) -> dict[str, Known]:
    """Return what is known of the things that a sheet's rows are about."""
    found: dict[str, Known] = {}
    for target in table(kind).columns[ABOUT[kind]].info["cell"].kinds:
        plain = {code.partition("/")[0] for code in codes}
        found |= read_known(connection, target, plain - set(found))
    return found


def _check(connection: Connection, kind: str, wanted: Wanted) -> None:
    """Refuse what is not recorded, so that no wrong code is printed on paper."""
    kinds = table(kind).columns[ABOUT[kind]].info["cell"].kinds
    for code in wanted.about:
        found = find_kind(connection, code)
        if found not in kinds:
            wants = " or ".join(map(noun, kinds))
            raise RegistryError(f"'{code}' is a {noun(found)}; this sheet is about a {wants}")
    for of, code in (
        ("people", wanted.person),
        ("blocks", wanted.block),
        ("stores", wanted.store),
    ):
        if code and not_recorded(connection, of, [code]):
            raise RegistryError(f"there is no {noun(of)} '{code}'; record it first")


# What is due


def _subjects(
    connection: Connection, name: str, wanted: Wanted, settings: Settings, words: Words
) -> Iterator[_Subject]:
    match name:
        case "cutting":
            yield from _to_cut(connection, wanted, settings, words)
        case "grafting" | "cooler":
            yield from _in_store(connection, name, wanted, settings, words)
        case _:
            day = wanted.day or settings.today()
            due = [_Subject(code=code) for code in wanted.about]
            if not due:
                due = list(_due(connection, name, day, settings, words))
            yield from _marked(connection, name, due, day, words)


def _marked(
    connection: Connection, name: str, due: list[_Subject], day: dt.date, words: Words
) -> Iterator[_Subject]:
    """Yield cuttings to tie and lots to count with what bars their use; the work stays due."""
    from scionreg.judgement import Judge

    judge, codes = Judge(connection, day), [each.code for each in due]
    found: dict[str, Iterable[Reason]] = {}
    if name == "packing":
        holds = judge.holds(day)
        found = {code: judge.of_holds(code, holds) for code in codes}
    elif name == "counting" and codes:
        found = {code: each.bars for code, each in judge.lots(codes).items()}
    for each in due:
        says = (words.tell(reason.says) for reason in found.get(each.code, ()))
        yield replace(each, warned=(*each.warned, *says))


def _due(
    connection: Connection, name: str, day: dt.date, settings: Settings, words: Words
) -> Iterator[_Subject]:
    match name:
        case "packing":
            from scionreg.judgement.rests import opens

            since = opens(settings.season(day), settings)
            yield from (_Subject(code=code) for code in not_tied(connection, since, day))
        case "counting":
            from scionreg.take.stages import EARLY_UNTIL, TOO_YOUNG

            since = day - A_YEAR
            found = not_counted(
                connection, since, day, too_young=TOO_YOUNG, early_until=EARLY_UNTIL
            )
            yield from (_Subject(code=code) for code in found)
        case _:  # identity
            from scionreg.vouching import statuses

            known = [each for each in statuses(connection).trees if each.status in TO_LOOK_AT]
            places = read_known(connection, "mother_trees", [each.tree for each in known])
            for each in sorted(known, key=lambda each: _by_place(each.tree, places[each.tree])):
                yield _Subject(code=each.tree, more=(words.word(each.status),))


def _by_place(code: str, known: Known) -> tuple[str, int, int, str]:
    return known.block or "\uffff", known.row or 0, known.first or 0, code


def _to_cut(
    connection: Connection, wanted: Wanted, settings: Settings, words: Words
) -> Iterator[_Subject]:
    """Yield the trees to cut in walking order, each with what must not be cut beside it."""
    from scionreg.walking import walk_of, without_private_places

    trees = wanted.about or _may_be_cut(connection, wanted, settings)
    if not trees:
        return
    for stop in without_private_places(connection, walk_of(connection, trees)).stops:
        planned = () if stop.sticks is None else (words.many("field_sheet.cut", stop.sticks),)
        yield _Subject(
            code=stop.tree,
            more=(*planned, *map(words.tell, stop.marks)),
            warned=tuple(map(words.tell, (*stop.do_not_cut(), *stop.cautions))),
        )


def _may_be_cut(
    connection: Connection, wanted: Wanted, settings: Settings
) -> dict[str, int | None]:
    from scionreg.cutting import outlook

    season = settings.season(wanted.day or settings.today())
    found = outlook(connection, first=season, seasons=1)
    trees = [row["tree"] for row in found.to_rows() if row["eligible"]]
    places = read_known(connection, "mother_trees", trees)
    return {tree: None for tree in trees if _is_there(places[tree], wanted, "collections")}


def _in_store(
    connection: Connection, name: str, wanted: Wanted, settings: Settings, words: Words
) -> Iterator[_Subject]:
    """Yield bundles: to graft those to use first at the top, on a round those of each shelf."""
    from scionreg.cold_store.report import MUCH_WARMTH
    from scionreg.storing import report

    asked = tuple(wanted.about)
    at = dt.datetime.combine(wanted.day, dt.time(12), settings.zone) if wanted.day else None
    found = report(connection, asked, store=wanted.store or None, now=not asked, at=at)
    bundles = found.usable() if name == "grafting" and not asked else list(found.bundles)
    if name == "cooler":
        bundles.sort(key=lambda each: (each.store or "", each.shelf or "", each.bundle))
    for each in bundles:
        left = words("field_sheet.left", number=f"{each.sticks_left:g}")
        where = " ".join(filter(None, [each.store, each.shelf]))
        warm = each.kept_as == MUCH_WARMTH
        grade = words("field_sheet.much_warmth") if warm else words.word(each.grade)
        kept = words(f"field_sheet.{'not_used' if each.may_not_be_used else 'kept'}", grade=grade)
        yield _Subject(
            code=each.bundle,
            more=tuple(filter(None, [left, where, kept])),
            warned=tuple(map(words.tell, each.may_not_be_used)),
        )
