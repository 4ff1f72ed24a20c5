"""Commands that change what is recorded: correct, void, restore, undo."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer

from scionreg.cli import console
from scionreg.cli.options import (
    By,
    Changes,
    Json,
    Key,
    KindOption,
    Where,
    Why,
    Yes,
    agree,
    key_words,
    kind_of,
    opened,
    pairs,
    reason,
    recorder,
)
from scionreg.records.errors import Problem, RegistryError

if TYPE_CHECKING:
    from scionreg.api import Registry
    from scionreg.registry.finding import Found
    from scionreg.registry.undoing import Undone

SHOWN = 10
"""Records of a kind that are named one by one."""


def correct(
    code: Key,
    changes: Changes,
    why: Why = "",
    kind: KindOption = "",
    registry: Where = "",
    by: By = "",
    yes: Yes = False,
) -> None:
    """Correct a record; the old version is kept.

    At a terminal it shows what changes and asks first.
    Example: scionreg correct G26-0417-7 --set grafts=48 --why "counted again"
    """
    from scionreg.registry.rows import recorded_columns

    with opened(registry) as opened_registry:
        which = kind_of(opened_registry, code, kind)
        columns = [each.name for each in recorded_columns(which)]
        values = dict(pairs(changes, columns, f"{which} have no column"))
        who = recorder(opened_registry, by)
        if console.is_terminal() and not yes:
            would = opened_registry.correct(
                which, code, values, why=why, recorder=who, dry_run=True
            )
            _show_change(opened_registry, which, would.before, would.record, console.talk)
            agree("correct it")
        done = opened_registry.correct(which, code, values, why=reason(why), recorder=who)
        console.data(f"corrected {opened_registry.shown_key(which, done.key)}")
        _show_change(opened_registry, which, done.before, done.record, console.data)
        _warn(done.warnings)
        console.command("see: ", "history", *key_words(opened_registry, which, done.key))


def void(
    code: Key,
    why: Why = "",
    kind: KindOption = "",
    registry: Where = "",
    by: By = "",
    yes: Yes = False,
) -> None:
    """Take a record back, with the lines that belong to it; its history stays.

    At a terminal it shows what goes and asks first. scionreg restore brings it back.
    """
    with opened(registry) as opened_registry:
        which = kind_of(opened_registry, code, kind)
        who = recorder(opened_registry, by)
        if console.is_terminal() and not yes:
            would = opened_registry.void(which, code, why=why, recorder=who, dry_run=True)
            for text in _named(opened_registry, "goes", would):
                console.talk(text)
            agree("void that")
        gone = opened_registry.void(which, code, why=reason(why), recorder=who)
        for text in _named(opened_registry, "voided", gone):
            console.data(text)
        back = key_words(opened_registry, which, gone[-1].key)
    console.command("to bring it back: ", "restore", *back)


def restore(
    code: Key, why: Why = "", kind: KindOption = "", registry: Where = "", by: By = ""
) -> None:
    """Bring a voided record back, with the lines that went with it, as a new version.

    Example: scionreg restore B26-0005-8
    """
    with opened(registry) as opened_registry:
        which = kind_of(opened_registry, code, kind, voided=True)
        done = opened_registry.restore(which, code, why=why, recorder=recorder(opened_registry, by))
        for text in _named(opened_registry, "restored", done.records):
            console.data(text)
        _warn(done.warnings)
        console.command(
            "see: ", "history", *key_words(opened_registry, which, done.records[-1].key)
        )


def undo(
    of: Annotated[str, typer.Option(help="Only changes by this person; else by anybody.")] = "",
    line: Annotated[
        int | None, typer.Option(min=1, help="This line of the journal; else the last change.")
    ] = None,
    yes: Yes = False,
    registry: Where = "",
    by: By = "",
    json: Json = False,
) -> None:
    """Take the last change back, as a new change: nothing is lost, and history shows both.

    It shows what it will do and asks. Undoing again takes the change before; to have an undone
    change again, restore or correct the records. Codes that were given out stay so.
    """
    with opened(registry) as opened_registry:
        who = recorder(opened_registry, by)
        would = opened_registry.undo(recorder=who, of=of, line=line, dry_run=True)
        if not yes:
            for text in _told(opened_registry, would):
                console.talk(text)
            if not console.is_terminal():
                raise RegistryError("nobody can be asked here; say --yes to undo that")
            agree("undo that")
        done = opened_registry.undo(recorder=who, line=would.line["seq"])
        if json:
            console.as_json(_plain(opened_registry, done))
        else:
            for text in _told(opened_registry, done):
                console.data(text)
        _warn(done.warnings)


def _warn(warnings: Sequence[Problem]) -> None:
    for warning in warnings:
        console.talk(f"warning: {console.one_line(str(warning))}")


def _show_change(
    registry: "Registry",
    kind: str,
    before: Mapping[str, Any],
    after: Mapping[str, Any],
    say: Any,
) -> None:
    old, new = registry.as_shown(kind, before), registry.as_shown(kind, after)
    for text in console.changed(old, new):
        say(text)


def _named(registry: "Registry", what: str, records: "Sequence[Found]") -> list[str]:
    """Return a line a record, of many of a kind only their number."""
    from scionreg.records.cells import noun
    from scionreg.registry.undoing import kinds_of

    texts = []
    for kind, count in kinds_of(records).items():
        if count > SHOWN:
            texts.append(f"{what}: {count:,} {kind.replace('_', ' ')}")
            continue
        for each in records:
            if each.kind == kind:
                key = registry.shown_key(kind, each.key)
                texts.append(f"{what} {noun(kind)} {console.one_line(key)}")
    return texts


def _told(registry: "Registry", undone: "Undone") -> list[str]:
    """Return what an undoing does, in lines."""
    from scionreg.registry.rows import as_record

    line = undone.line
    when = line["time"].astimezone(registry.settings.zone)
    why = f": {console.one_line(line['why'])}" if line["why"] else ""
    texts = [
        f"undo of line {line['seq']}, {line['action']} by {line['by']}, {when:%Y-%m-%d %H:%M}{why}"
    ]
    texts += [f"  {each}" for each in _named(registry, "voids", undone.voided)]
    texts += [f"  {each}" for each in _named(registry, "restores", undone.restored)]
    found = [each for each, _ in undone.corrected]
    texts += [f"  {each}" for each in _named(registry, "corrects", found)]
    for each, after in undone.corrected[:SHOWN]:
        shown = [
            registry.as_shown(each.kind, record)
            for record in (as_record(each.kind, each.row), after)
        ]
        texts += [f"  {text}" for text in console.changed(*shown)]
    texts += [
        f"  sets {name} to {console.one_line(value) or 'its start'}"
        for name, value in undone.settings.items()
    ]
    return texts


def _plain(registry: "Registry", undone: "Undone") -> dict[str, Any]:
    def keys(records: "Sequence[Found]") -> list[dict[str, str]]:
        return [
            {"kind": each.kind, "key": registry.shown_key(each.kind, each.key)} for each in records
        ]

    return {
        "undoes": undone.line["seq"],
        "action": undone.line["action"],
        "by": undone.line["by"],
        "voided": keys(undone.voided),
        "corrected": keys([each for each, _ in undone.corrected]),
        "restored": keys(undone.restored),
        "settings": dict(undone.settings),
    }
