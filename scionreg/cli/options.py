"""Options that several commands share: the same name and the same words everywhere."""

import os
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from scionreg.cli import console
from scionreg.records.errors import NoRecorderError, NotARegistryError, RegistryError

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator

    from scionreg.api import Registry
    from scionreg.lineage.asked import Asked
    from scionreg.rotation.walk import Degrees

DEFAULT = "registry.db"

Where = Annotated[
    str,
    typer.Option(
        "--registry",
        envvar="SCIONREG_REGISTRY",
        help="Path or database URL of the registry; else ./registry.db.",
        show_envvar=True,
        show_default=False,
    ),
]
By = Annotated[
    str,
    typer.Option(
        "--by",
        envvar="SCIONREG_BY",
        help="Code of the person who records this; else the registry's setting.",
        show_envvar=True,
        show_default=False,
    ),
]
Why = Annotated[str, typer.Option("--why", help="The reason; it is kept with the change.")]
Key = Annotated[
    str,
    typer.Argument(
        help="Code of the record; for lines such as counts, all parts of the key joined by '/'."
    ),
]
KindOption = Annotated[
    str, typer.Option("--kind", help="Record kind, where the code does not say it.")
]
Changes = Annotated[list[str], typer.Option("--set", help="A change, as COLUMN=VALUE; repeat it.")]
Yes = Annotated[bool, typer.Option("--yes", "-y", help="Do it without asking.")]
Json = Annotated[bool, typer.Option("--json", help="Show the answer as JSON.")]
Csv = Annotated[bool, typer.Option("--csv", help="Show the answer as CSV.")]
_running: list[typer.Context] = []


def _note_question(context: typer.Context, value: str) -> str:
    """Keep the context of the command that runs: it has what was asked, by option."""
    _running[:] = [context]
    return value


Workings = Annotated[
    str,
    typer.Option(
        "--workings",
        callback=_note_question,
        help="Also write the inputs, settings, fixed numbers and the answer as JSON into this "
        "file; - shows them in the answer's place.",
    ),
]
WordsFile = Annotated[
    Path | None,
    typer.Option("--words", help="In another language: a translated catalogue (TOML)."),
]
DryRun = Annotated[
    bool, typer.Option("--dry-run", "-n", help="Say what would happen; change nothing.")
]
Start = Annotated[str, typer.Option(help="LATITUDE,LONGITUDE to set out from.")]
Finish = Annotated[str, typer.Option(help="LATITUDE,LONGITUDE to end at.")]
Gates = Annotated[
    list[str] | None,
    typer.Option(
        help="BLOCK=LATITUDE,LONGITUDE of a gate; a block with gates is entered and left by them "
        "alone. Repeat it."
    ),
]


def key_words(registry: "Registry", kind: str, key: str) -> list[str]:
    """Return the words that `show`, `history` and the like are given for a record."""
    from scionreg.records.tables import KINDS

    shown = registry.shown_key(kind, key)
    return [shown, "--kind", kind] if len(KINDS[kind].KEY) > 1 else [shown]


def kind_of(registry: "Registry", code: str, kind: str, *, voided: bool = False) -> str:
    """Return the kind of a record: as given, or as its key says; of a voided one too."""
    from scionreg.exchange.headers import kind_named
    from scionreg.records.tables import KINDS

    if not kind:
        return registry.kind_of(code, voided=voided)
    named = kind_named(kind)
    if named is None:
        raise RegistryError(f"'{kind}' is no record kind; one of: {', '.join(KINDS)}")
    return named


def pairs(texts: list[str] | None, known: "Collection[str]", lacks: str) -> list[tuple[str, str]]:
    """Return NAME=VALUE texts as pairs of known names and values; `lacks` begins the refusal."""
    from scionreg.records.near import perhaps

    found = []
    for text in texts or []:
        name, equals, value = text.partition("=")
        name = name.strip().replace("-", "_")
        if name not in known:
            plain = ", ".join(each for each in known if "." not in each)
            right = perhaps(name, known, f"there are: {plain}")
            raise RegistryError(f"{lacks} '{name}'; {right}")
        if not equals:
            raise RegistryError(f"'{text}' has no value; write {name}=VALUE")
        found.append((name, value.strip()))
    return found


@contextmanager
def opened(where: str) -> "Iterator[Registry]":
    """Open the registry that the options name."""
    from scionreg import open_registry

    if not where and not Path(DEFAULT).exists():
        raise NotARegistryError(
            f"there is no {DEFAULT} here; name a registry with --registry or SCIONREG_REGISTRY, or "
            f"make one with: scionreg new {DEFAULT}"
        )
    with open_registry(where or DEFAULT) as registry:
        yield registry


def recorder(registry: "Registry", by: str) -> str:
    """Return who records: as given, else the setting, else whoever is asked at the terminal."""
    known = by or registry.settings.by
    if known:
        return known
    if console.is_terminal():
        return console.ask("Who records this (code of the person)")
    raise NoRecorderError(
        "who records this? give --by CODE, set SCIONREG_BY, or: scionreg settings --set by=CODE"
    )


def asked(registry: "Registry", text: str) -> "Asked":
    """Return what a typed code, place, customer or line stands for, and say it where it differs."""
    found = registry.asked(text)
    if found.others or (text != found.codes[0] and text.count("/") != found.codes[0].count("/")):
        more = f"; there too, or before: {', '.join(found.others)}" if found.others else ""
        console.talk(console.one_line(f"{text} is {', '.join(found.codes)}{more}"))
    return found


def one_asked(registry: "Registry", text: str) -> str:
    """Return the one code that is meant; a customer, or a line of a dispatch, is refused."""
    found = asked(registry, text)
    code = found.one()
    if found.kind == "dispatches" and "/" in code:
        dispatch, lot = code.split("/", 1)
        raise RegistryError(f"'{text}' is a line of a dispatch; name {dispatch} or {lot}")
    return code


def reason(why: str) -> str:
    """Return why something is changed, asked of a person where it is not said."""
    if why or not console.is_terminal():
        return why
    return console.ask("Why (the reason is kept)")


def agree(question: str) -> None:
    """End the command where a person says no."""
    if not console.agreed(question):
        console.talk("nothing was changed")
        raise typer.Exit(1)


PRESENTING = ("registry", "json", "csv", "workings", "words", "picture", "pressure", "page")
"""Options that say how an answer is shown, not what is asked."""


def workings_shown(registry: "Registry", file: str, found: Any, command: str = "") -> bool:
    """Write what an answer was reckoned from, if asked; return whether it was shown in its place.

    Without `command` it is the command that runs.
    """
    if not file:
        return False
    import orjson

    context = _running[0]
    asked = {
        name: [str(each) for each in value] if isinstance(value, list | tuple) else str(value)
        for name, value in context.params.items()
        if value not in (None, False, "", [], ()) and name not in PRESENTING
    }
    made = registry.workings(command or str(context.info_name), asked, found.to_dict())
    if file == "-":
        console.as_json(made)
        return True
    Path(file).write_bytes(orjson.dumps(made, default=str, option=orjson.OPT_INDENT_2))
    console.talk(f"written: {file}")
    return False


def named(where: str) -> str:
    """Return the registry's name for messages, without a password."""
    from scionreg.registry.store import parse_url

    if "://" in where:
        return parse_url(where).render_as_string(hide_password=True)
    return os.fspath(where or DEFAULT)


# ---------------------------------------------------------------------------------- a walk


def listed(list_: Path | None, season: int | None) -> dict[str, int | None]:
    """Return the trees of a cutting list with their sticks; none where no list is given."""
    from scionreg.walking import read_cutting_list

    if list_ is not None:
        return read_cutting_list(list_, season)
    if season is not None:
        raise RegistryError("--season says which part of a list is meant; give --list too")
    return {}


def ends_of(start: str, finish: str) -> "dict[str, Degrees]":
    """Return where a walk begins and ends, by name, those that are given."""
    texts = {"start": start, "finish": finish}
    return {name: _place(text, f"--{name}") for name, text in texts.items() if text}


def gates_of(texts: "Iterable[str] | None") -> "dict[str, list[Degrees]]":
    """Return the gates of each block."""
    found: dict[str, list[Degrees]] = {}
    for text in texts or ():
        block, equals, place = text.rpartition("=")
        if not equals or not block.strip():
            raise RegistryError(f"'{text}' is no gate; write BLOCK=LATITUDE,LONGITUDE")
        found.setdefault(block.strip(), []).append(_place(place, "--gate"))
    return found


def _place(text: str, option: str) -> "Degrees":
    try:
        latitude, longitude = (float(part) for part in text.split(","))
    except ValueError:
        raise RegistryError(
            f"'{text}' in {option} is no place; write LATITUDE,LONGITUDE in degrees, as in "
            "36.4187,-95.7709"
        ) from None
    return latitude, longitude
