"""Recording commands, built from the record kinds: one option a column, asked for when missing."""

import inspect
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated, Any

import typer

from scionreg.cli import console
from scionreg.cli.enter import follow
from scionreg.cli.options import By, Json, Where, key_words, opened, recorder
from scionreg.records.errors import RegistryError
from scionreg.records.tables import fields
from scionreg.records.words import english
from scionreg.registry.recording import Recorded

if TYPE_CHECKING:
    from scionreg.api import Registry
    from scionreg.entering import Entry

OPTION_NAMES = {"by": "--looked-by"}
"""Columns whose option is not their name: --by is who records."""


def recording_command(name: str, kind: str, says: str) -> Any:
    """Return the command that records one record of a kind."""
    function = _rebundle(says) if kind == "bundle_parents" else _record(kind, says)
    single = typer.Typer(rich_markup_mode=None, add_completion=False)
    single.command(name, help=says)(function)
    return typer.main.get_command(single)


def _record(kind: str, says: str) -> Callable[..., None]:
    def run(ctx: typer.Context, **options: Any) -> None:
        from scionreg.entering import lacks

        where, by, json = (options.pop(shared.name) for shared in SHARED)
        given = {name: text for name, text in options.items() if text is not None}
        with opened(where) as registry:
            who = recorder(registry, by)
            if console.is_terminal() and lacks(kind, given):
                made = _ask(registry, kind, given, who, ctx)
            else:
                made = registry.record_all([(kind, given)], recorder=who)
            show_recorded(registry, made, as_json=json)

    keyword = inspect.Parameter.KEYWORD_ONLY
    columns = [
        inspect.Parameter(column.name, keyword, default=None, annotation=_option(column))
        for column in fields(kind)
    ]
    run.__signature__ = inspect.Signature([CONTEXT, *columns, *SHARED])  # type: ignore[attr-defined]
    run.__doc__ = says
    return run


SHARED_FLAGS = {
    "registry_": "--registry",
    "by_": "--by",
    "registry": "--registry",
    "by": "--by",
}
"""How shared options are typed, by their names here and in `rebundle`."""

CONTEXT = inspect.Parameter("ctx", inspect.Parameter.KEYWORD_ONLY, annotation=typer.Context)
SHARED = (
    inspect.Parameter("registry_", inspect.Parameter.KEYWORD_ONLY, default="", annotation=Where),
    inspect.Parameter("by_", inspect.Parameter.KEYWORD_ONLY, default="", annotation=By),
    inspect.Parameter("json_", inspect.Parameter.KEYWORD_ONLY, default=False, annotation=Json),
)
"""Options that every recording command has; named apart from the columns."""


def _flag(name: str) -> str:
    return OPTION_NAMES.get(name, "--" + name.replace("_", "-"))


def _option(column: Any) -> Any:
    words = f"{column.info['doc']} ({column.info['cell'].describe()})"
    flag = _flag(column.name)
    return Annotated[str | None, typer.Option(flag, help=words, show_default=False, metavar="TEXT")]


def _ask(
    registry: "Registry", kind: str, given: Mapping[str, str], who: str, ctx: typer.Context
) -> list[Recorded]:
    """Ask a person at the terminal for what is missing, and record it with the last answer."""
    entry = registry.fill_in(kind, given, recorder=who)
    with _nothing_told(ctx, lambda: _as_options(entry)):
        return list(_to_the_end(entry))


def _tie(
    registry: "Registry", given: Mapping[str, str], who: str, ctx: typer.Context
) -> list[Recorded]:
    """Ask for a bundle's own cells and for those that it was tied from, and record them."""
    from scionreg.entering import open_parents, open_tied

    tied = open_tied(registry.store, given, by=who)
    cells = tied.draft.rows[0].cells
    parents = open_parents(registry.store, cells, by=who)

    def typed() -> list[str]:
        rows = [row.cells for row in parents.draft.rows if {"parent", "sticks"} <= set(row.cells)]
        named = [f"{row['parent']}={row['sticks']}" for row in rows]
        return [*_as_options(tied), *(word for each in named for word in ("--parent", each))]

    with _nothing_told(ctx, typed):
        _to_the_end(tied)
        return list(_to_the_end(parents))


class _StoppedError(Exception):
    """Somebody ended the input before the last answer."""


def _to_the_end(entry: "Entry") -> tuple[Recorded, ...]:
    made = follow(entry)
    if made is None:
        raise _StoppedError
    return made


def _as_options(entry: "Entry") -> list[str]:
    """Return what was typed of a record as the options of its command."""
    cells = entry.draft.rows[0].cells
    return [word for name, text in cells.items() if text for word in (_flag(name), text)]


@contextmanager
def _nothing_told(ctx: typer.Context, typed: Callable[[], Sequence[str]]) -> Iterator[None]:
    """Whatever ends the typing, say that nothing is recorded, and with which command to go on."""
    try:
        yield
    except (_StoppedError, KeyboardInterrupt, RegistryError) as end:
        shared = [
            word
            for name, flag in SHARED_FLAGS.items()
            if str(ctx.get_parameter_source(name)).endswith("COMMANDLINE")
            for word in (flag, ctx.params[name])
        ]
        console.talk(english()("typing.nothing"))
        if begun := typed():
            called = ctx.command_path.split()[1:]
            console.command(english()("typing.go_on"), *called, *begun, *shared)
        if isinstance(end, _StoppedError):
            raise typer.Exit from end
        raise


def _rebundle(says: str) -> Callable[..., None]:
    def run(
        ctx: typer.Context,
        parent: Annotated[
            list[str] | None,
            typer.Option(
                "--parent", help="Bundle and the sticks taken from it, as CODE=STICKS; repeat it."
            ),
        ] = None,
        packed: Annotated[str, typer.Option(help="Day it was tied (as in 2026-02-14).")] = "",
        packer: Annotated[str, typer.Option(help="Who tied it.")] = "",
        bundle: Annotated[str, typer.Option(help="Code of the new bundle; else issued.")] = "",
        store: Annotated[str, typer.Option(help="Store it was put into.")] = "",
        registry: Where = "",
        by: By = "",
        json: Json = False,
    ) -> None:
        parents = [_parent(each) for each in parent or ()]
        new = {"packed": packed, "packer": packer, "bundle": bundle, "store": store}
        given = {name: text for name, text in new.items() if text}
        with opened(registry) as opened_registry:
            who = recorder(opened_registry, by)
            if parents:
                sticks = str(sum(number for _, number in parents))
                whole = {**given, "sticks": sticks}
                made = opened_registry.rebundle(parents, whole, recorder=who)
            elif console.is_terminal():
                made = _tie(opened_registry, given, who, ctx)
            else:
                raise RegistryError("tied from which bundles? give each as --parent CODE=STICKS")
            show_recorded(opened_registry, made, as_json=json)

    run.__doc__ = says
    return run


def _parent(text: str) -> tuple[str, int]:
    code, _, sticks = text.rpartition("=")
    if not code or not sticks.isdecimal():
        raise RegistryError(f"'{text}' is no parent; write CODE=STICKS, as in B26-0417-7=12")
    return code, int(sticks)


def show_recorded(registry: "Registry", made: list[Recorded], *, as_json: bool) -> None:
    """Show what was recorded, and the warnings that stay with it."""
    if not made:
        return
    shown = [registry.as_shown(each.kind, each.record) for each in made]
    if as_json:
        pairs = zip(made, shown, strict=True)
        console.as_json([{"kind": each.kind, "record": record} for each, record in pairs])
    for each, record in zip(made, shown, strict=True):
        if not as_json:
            said = "was recorded already, exactly so:" if each.repeated else "recorded"
            key = registry.shown_key(each.kind, each.key)
            console.data(f"{said} {key}: {_summary(record)}")
        for warning in each.warnings:
            console.talk(f"warning: {console.one_line(str(warning))}")
    if not as_json:
        console.command("see: ", "show", *key_words(registry, made[0].kind, made[0].key))


def _summary(record: Mapping[str, Any]) -> str:
    return ", ".join(f"{name} {console.shown(value)}" for name, value in record.items())
