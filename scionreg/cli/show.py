"""The command that shows one thing: its record, and what stands around it."""

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from scionreg.cli import console
from scionreg.cli.options import Json, Key, KindOption, Where, asked, kind_of, opened
from scionreg.cli.telling import where_from
from scionreg.records import codes
from scionreg.records.counting import many
from scionreg.records.errors import NotFoundError
from scionreg.records.shell import command_line

if TYPE_CHECKING:
    from scionreg.api import Registry
    from scionreg.lineage.asked import Asked
    from scionreg.lineage.context import Context, Made
    from scionreg.lineage.found_wood import Perhaps

MOST = 12
"""Lines of one part that a person is shown."""


def show(code: Key, kind: KindOption = "", registry: Where = "", json: Json = False) -> None:
    """Show a record, its warnings, and what stands around it.

    Where it came from in a line, what came of it, what is left, counts, looks, and where it went.

    Examples: scionreg show B26-0001-7; scionreg show G26-0001-7/12; scionreg show N26/50/3;
    scionreg show CU-12
    """
    from scionreg.lineage.asked import CUSTOMERS

    with opened(registry) as opened_registry:
        if kind or _of_several_parts(code):
            which = kind_of(opened_registry, code, kind)
            _show_one(opened_registry, which, code, None, json=json)
            return
        meant, around = _found(opened_registry, code)
        one = meant.codes[0].partition("/")[0]
        if meant.kind == CUSTOMERS or (meant.kind == "dispatches" and len(around.lines) != 1):
            _show_sent(code if meant.kind == CUSTOMERS else meant.codes[0], around, json=json)
        elif meant.kind == "dispatches":
            line = around.lines[0].line
            _show_one(opened_registry, meant.kind, line.code, around, json=json)
        else:
            _show_one(opened_registry, meant.kind, one, around, json=json)


def _of_several_parts(code: str) -> bool:
    """Tell whether a key has parts that are neither a position nor a lot of a dispatch."""
    return code.count("/") > 2 or any(
        "-" in part and part[:4].isdigit() for part in code.split("/")[1:]
    )


def _found(registry: "Registry", code: str) -> "tuple[Asked, Context]":
    """Return what a code stands for; raise what is known of one that is in no record now."""
    try:
        meant = asked(registry, code)
        return meant, registry.context(meant)
    except NotFoundError:
        person = registry.reserved_for(codes.tidied(code))
        if person is not None:
            raise NotFoundError(f"'{code}' is reserved for {person} and not used yet") from None
        registry.kind_of(code.partition("/")[0])  # says it where it was voided
        raise


def _show_one(
    registry: "Registry", kind: str, key: str, around: "Context | None", *, json: bool
) -> None:
    found = registry.find(kind, key)
    record = next(registry.records(kind, id=found.id))
    last = registry.history(kind, found.key)[-1]
    warnings = registry.warnings_of(kind, found.key)
    written = last.time.astimezone(registry.settings.zone)
    known = registry.status(found.key).trees if kind == "mother_trees" else ()
    against = registry.against(kind, record)
    if json:
        console.as_json(
            {
                "kind": kind,
                "key": found.key,
                "record": record,
                "recorded": {"by": last.by, "time": last.time.isoformat(), "entry": last.entry},
                "warnings": [each.wrong for each in warnings],
                **({"identity": known[0].to_dict()} if known else {}),
                **({"context": around.to_dict()} if around else {}),
                "against": against,
            }
        )
        return
    if around is not None and around.stands is not None:
        _tell_tree(around)
    console.data(f"{kind.replace('_', ' ')} {found.key}")
    console.record(record)
    console.data(f"  {last.action} by {last.by}, {written:%Y-%m-%d %H:%M}, line {last.entry}")
    for tree in known:
        from scionreg.cli.telling_status import words

        console.data(
            f"  identity: {words(tree.status)}; {console.one_line(tree.reasons[0])} "
            f"({command_line('status', tree.tree)})"
        )
    for said in against:
        console.data(f"  speaks against its use: {console.one_line(said)}")
    for each in warnings:
        console.data(f"  warning: {console.one_line(each.wrong)}; {console.one_line(each.right)}")
    if around is not None:
        _tell_around(around)


def _show_sent(code: str, around: "Context", *, json: bool) -> None:
    """Show a dispatch of several lines, or all that a customer got."""
    if json:
        console.as_json({"kind": around.kind, "key": code, "context": around.to_dict()})
        return
    trees = sum(each.line.trees for each in around.lines)
    console.data(console.one_line(f"{code}: {trees} trees in {len(around.lines)} lines"))
    console.table(
        [
            {
                "date": line.date,
                "dispatch": line.dispatch,
                "customer": line.customer,
                "graft_lot": line.graft_lot,
                "trees": line.trees,
                "positions": _run(line.first, line.last),
                "label": line.label_cultivar,
                "source": "; ".join(
                    f"{each.cultivar or 'unknown'} {each.tree or ''}".strip()
                    for each in found.sources
                    if each.generation == 1
                ),
                "grade": found.grade.value,
            }
            for line, found in around.lines
        ],
        {
            "date": "date",
            "dispatch": "dispatch",
            "customer": "customer",
            "graft_lot": "graft lot",
            "trees": "trees",
            "positions": "positions",
            "label": "sold as",
            "source": "recorded source",
            "grade": "grade",
        },
    )
    _part("contradicts", (str(c) for each in around.lines for c in each.trace.contradictions))
    _tell_looks(around)


def _tell_tree(around: "Context") -> None:
    """Say which tree ``lot/position`` is."""
    lot = around.stands
    assert lot is not None
    place = f", block {lot.block} row {lot.row}" if lot.block else ""
    console.data(console.one_line(f"tree {around.code}{place}: of graft lot {lot.graft_lot}"))


def _tell_around(around: "Context") -> None:
    for source in around.sources:
        tree = where_from(source)
        limb = f" limb {source.limb}" if source.limb else ""
        cut = f", cut {source.date} ({source.collection})" if source.date else ""
        said = f"{source.share:.0%} {source.cultivar or 'cultivar unknown'}, {tree}{limb}{cut}"
        console.data(console.one_line(f"  source: {said}: {source.grade.value.replace('_', ' ')}"))
    _tell_made("tied from", around.parents)
    _tell_made("came of it", around.made)
    if around.left is not None:
        not_tied = around.kind == "collections"
        console.data(f"  {'not tied' if not_tied else 'left'}: {around.left:g} sticks")
    _part(
        "counts",
        (
            f"{each.date or 'no date'}: "
            + ", ".join(
                f"{number} {name}"
                for name, number in each._asdict().items()
                if name != "date" and number is not None
            )
            for each in around.counts
        ),
    )
    _part("grafted again by", around.regrafts)
    _part(
        "sent",
        (
            f"{each.date or 'no date'}  {each.dispatch} to {each.customer}: {each.trees} trees"
            + (f" of positions {_run(each.first, each.last)}" if each.first else "")
            + (f", sold as {each.label_cultivar}" if each.label_cultivar else "")
            for each in around.sent
        ),
    )
    for each in around.lines:
        for source in each.trace.sources:
            if source.generation == 1:
                said = f"{source.cultivar or 'cultivar unknown'}, {source.tree or 'outside'}"
                console.data(console.one_line(f"  source: {said}: {each.trace.grade.value}"))
    _part("happened", around.events)
    _tell_looks(around)
    if around.perhaps is not None:
        _tell_perhaps(around.perhaps)
    if around.reserved_for:
        console.data(f"  code reserved for {around.reserved_for}")


def _tell_perhaps(found: "Sequence[Perhaps]") -> None:
    """Say which bundles wood without a label may be of; none of it is proof."""
    if not found:
        console.data("  what it may be: no bundle of its store lacks sticks by a count")
        return
    _part(
        "what it may be, by the sticks that bundles of its store lack; its diameter tells nothing, "
        "since it is not recorded",
        (
            f"perhaps {each.bundle} ({' + '.join(each.cultivars) or 'cultivar unknown'}), which "
            f"lacks {each.lacks:g}; {_when_there(each)}"
            for each in found
        ),
    )


def _when_there(each: "Perhaps") -> str:
    if each.days:
        return f"it was in that store until {many(each.days, 'day')} before"
    return "it was in that store" if each.surely else "it may have been in that store"


def _tell_made(title: str, made: "Iterable[Made]") -> None:
    units = {"collections": "sticks", "bundles": "sticks", "graft_lots": "grafts"}
    lines = []
    for each in made:
        number = f", {each.number:g} {units[each.kind]}" if each.number is not None else ""
        noun = each.kind.replace("_", " ").removesuffix("s")
        lines.append(f"{each.date or 'no date'}  {noun} {each.code}{number}")
    _part(title, lines)


def _tell_looks(around: "Context") -> None:
    _part(
        "looks",
        (
            f"{look.date or 'no date'}  {look.check}: {look.item} by {look.method}, "
            f"{look.off} of {look.checked} off" + (f", found {look.found}" if look.found else "")
            for look in around.looks
        ),
    )


def _part(title: str, lines: Iterable[str]) -> None:
    shown = [console.one_line(line) for line in lines]
    if shown:
        console.data(f"  {title}:")
    for line in shown[:MOST]:
        console.data(f"    {line}")
    if len(shown) > MOST:
        console.data(f"    and {len(shown) - MOST} more (--json tells all)")


def _run(first: int | None, last: int | None) -> str | None:
    return None if first is None else f"{first}-{last}" if last not in (None, first) else f"{first}"
