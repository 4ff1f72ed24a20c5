"""One page for an insurer or an inspector: what was asked, what happened by date, what follows.

The page stands alone: no script, no network, and one sheet of paper for a usual chain. Whatever the
records hold is text there, never markup.
"""

import datetime as dt
import os
from collections.abc import Iterable
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from scionreg import __version__
from scionreg.identity.off_type import CERTAIN, LIKELY, POSSIBLE, first_group, grade
from scionreg.identity.reasons import looks_in_words, name_of
from scionreg.identity.sureness import in_words, otherwise_excluded, per_cent, shown
from scionreg.identity.tree_evidence import looked_by
from scionreg.records.errors import RegistryError
from scionreg.records.words import Words, english

if TYPE_CHECKING:
    from scionreg.identity.off_type import Affected, OffType
    from scionreg.lineage.timeline import Happening, Timeline

TEMPLATE = "off_type_page.html"
SHEET = 46
"""Lines of text on a sheet of A4 or Letter, beside headings and cautions."""
LETTERS = 112
"""Letters in a line beside a narrow first column."""
ROW = 1.3
"""Lines that a row of the timeline takes up, a few long ones among them."""
LEAST_HAPPENINGS = 8
"""Lines of the timeline that are shown in any case."""
MOST_NAMED, MOST_MISSING = 10, 6
"""Things of a kind, and of what was not recorded, that are named."""
KINDS = {
    "dispatch": "dispatches",
    "graft_lot": "graft_lots",
    "bundle": "bundles",
    "collection": "collections",
    "mother_tree": "mother_trees",
}
"""The record kinds of what may be affected."""


def write_page(
    answer: "OffType",
    timeline: "Timeline",
    file: str | os.PathLike[str],
    words: Words | None = None,
) -> None:
    """Write the page about one answer as HTML, in English or in the language of `words`.

    Raises
    ------
    RegistryError
        The file's ending is not ``.html``, or it cannot be written.
    """
    path = Path(file)
    if path.suffix.lower() not in (".html", ".htm"):
        raise RegistryError(f"'{path}' is no page; let its name end in .html")
    try:
        path.write_text(page(answer, timeline, words or english()), encoding="utf-8")
    except OSError as error:
        raise RegistryError(f"'{path}' cannot be written: {error.strerror or error}") from error


def page(
    answer: "OffType", timeline: "Timeline", words: Words, *, asked: dt.date | None = None
) -> str:
    """Return the page as HTML; `asked` is the day on it, today if None."""
    from jinja2 import Environment, StrictUndefined

    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    template = environment.from_string((files(__package__) / TEMPLATE).read_text(encoding="utf-8"))
    number = shown(answer)
    missing = _missing(timeline, words)
    affected, checks = list(_affected(answer, words)), list(_checks(answer, words))
    alike = first_group(answer)
    tied = "; ".join(words.tell(name_of(each)) for each in alike) if len(alike) > 1 else ""
    taken = [words.tell(each.because) for each in answer.causes[:number]]
    taken += [" ".join(item for each in graded for item in each.items) for _, graded in affected]
    told = timeline.happenings[-_room([*taken, tied, *missing, *checks]) :]
    return template.render(
        say=lambda name, **values: words(f"off_type_page.{name}", **values),
        words=words,
        answer=answer,
        timeline=timeline,
        version=__version__,
        asked=asked or dt.datetime.now().astimezone().date(),
        looked=looks_in_words(answer),
        causes=answer.causes[:number],
        rest=_rest(answer, number, words),
        tied=tied,
        in_words=in_words,
        per_cent=per_cent,
        happenings=[_line(each, words) for each in told],
        earlier=len(timeline.happenings) - len(told),
        missing=missing,
        affected=affected,
        grades=words(
            "off_type_page.grades",
            certain=f"{CERTAIN:.0%}",
            likely=f"{LIKELY:.0%}",
            possible=f"{POSSIBLE:.0%}",
            excluded=otherwise_excluded(),
        ),
        excluded=_excluded(answer, words),
        checks=checks,
    )


def _room(texts: Iterable[str]) -> int:
    """Return how many lines of the timeline fit on the sheet beside other texts."""
    taken = sum(1 + len(each) // LETTERS for each in texts)
    return max(LEAST_HAPPENINGS, int((SHEET - taken) / ROW))


def _missing(timeline: "Timeline", words: Words) -> list[str]:
    """Return what was not recorded or contradicts; what looks found is in the timeline."""
    said = [*timeline.missing, *timeline.contradictions]
    told = list(map(words.tell, said[:MOST_MISSING]))
    if len(said) > MOST_MISSING:
        told.append(words("off_type_page.more", more=len(said) - MOST_MISSING))
    return told


def _rest(answer: "OffType", number: int, words: Words) -> str:
    rest = answer.causes[number:]
    if not rest:
        return ""
    chance = per_cent(sum(each.probability for each in rest))
    return words.many("off_type_page.rest", len(rest), chance=chance)


def _line(each: "Happening", words: Words) -> dict[str, Any]:
    return {
        "date": words.day(each.date) if each.date else words("trace_sheet.not_recorded"),
        "did": words.tell(each.did),
        "code": each.code,
        "text": words.tell(each.text),
        "grade": words(f"trace_sheet.grade.{each.grade.value}") if each.grade else "",
        "off": each.off,
    }


class Graded(NamedTuple):
    """Things of one kind and grade, and how many more there are than are named."""

    grade: str
    items: list[str]
    more: int


def _affected(answer: "OffType", words: Words) -> Iterable[tuple[str, list[Graded]]]:
    """Yield each kind, and its things by grade."""
    places = {(each.kind, each.code): each.place for each in answer.chain}
    for kind, title in _kinds(words):
        graded: dict[str, Graded] = {}
        for i, each in enumerate(one for one in answer.affected if one.kind == kind):
            how = words(f"sure.grade.{grade(each.probability)}")
            known = graded.setdefault(how, Graded(how, [], 0))
            if i < MOST_NAMED:
                known.items.append(_named(each, places, words))
            else:
                graded[how] = known._replace(more=known.more + 1)
        if graded:
            yield title, list(graded.values())


def _kinds(words: Words) -> list[tuple[str, str]]:
    """Return the kinds with what they are called."""
    return [(kind, words(f"kind.{records}")) for kind, records in KINDS.items()]


def _named(each: "Affected", places: dict[tuple[str, str], str | None], words: Words) -> str:
    customer = places.get((each.kind, each.item)) if each.kind == "dispatch" else None
    trees = words.many("fact.trees", each.trees) if each.trees else ""
    told = ", ".join(filter(None, (trees, customer)))
    return f"{each.item} ({told})" if told else each.item


def _excluded(answer: "OffType", words: Words) -> str:
    if not answer.excluded:
        return ""
    numbers = [
        f"{sum(each.kind == kind for each in answer.excluded)} {title}"
        for kind, title in _kinds(words)
        if any(each.kind == kind for each in answer.excluded)
    ]
    return words("off_type_page.excluded", numbers=", ".join(numbers))


def _checks(answer: "OffType", words: Words) -> Iterable[str]:
    places = {each.code: each.place for each in answer.chain if each.kind == "graft_lot"}
    for each in answer.next_checks:
        item = each.item if each.position is None else f"{each.item}/{each.position}"
        place = f" ({places[each.item]})" if places.get(each.item) else ""
        yield words(
            "off_type_page.check",
            item=f"{item}{place}",
            method=looked_by(each.method),
            trees=words.many("fact.trees", each.trees),
            cost=f"{each.cost:.0f}",
            saves=f"{each.saves:.0f}",
        )
