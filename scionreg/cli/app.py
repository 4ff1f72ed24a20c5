"""The commands by name. Recording commands are built when they are used, from the record kinds."""

from collections.abc import Callable
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from scionreg import __version__
from scionreg.cli import (
    ahead,
    answers,
    books,
    changing,
    console,
    enter,
    holding,
    identity,
    journal,
    keeping,
    label,
    off_type,
    plan,
    report,
    sheets,
    show,
    storing,
    survey,
    take,
    today,
    walk,
    where,
)
from scionreg.cli.map import map_

RECORDING: dict[str, tuple[str, str]] = {
    "cut": ("collections", "Record a cutting: one tree, one day, one cutter."),
    "pack": ("bundles", "Record a bundle of one collection, or received."),
    "rebundle": ("bundle_parents", "Record a bundle tied from sticks of other bundles."),
    "log": ("bundle_log", "Record what happened to a bundle."),
    "graft": ("graft_lots", "Record a graft lot."),
    "count": ("take_counts", "Record a count of what grew in a graft lot."),
    "check": ("identity_checks", "Record an identity check."),
    "dispatch": ("dispatches", "Record trees leaving to a customer."),
}
ADDING: dict[str, tuple[str, str]] = {
    "cultivar": ("cultivars", "Add a cultivar."),
    "person": ("people", "Add a person, by a code."),
    "block": ("blocks", "Add a block or bench."),
    "tree": ("mother_trees", "Add a mother tree."),
    "event": ("tree_events", "Add something that happened to a mother tree."),
    "store": ("stores", "Add a store."),
    "reading": ("store_readings", "Add one reading of a store's logger."),
    "permission": ("permissions", "Add what a tree's or block's owner allows."),
    "hold": ("holds", "Add a hold on a cutting, graft lot or dispatch, or its end."),
    "rootstock": ("rootstock_lots", "Add a rootstock lot."),
    "genotype": ("genotypes", "Add one locus of a marker profile."),
}


GROUPS: dict[str, tuple[str, ...]] = {
    "Every day": (
        *(
            "today",
            "enter",
            "cut",
            "pack",
            "rebundle",
            "log",
            "readings",
            "graft",
            "count",
            "check",
        ),
        *("dispatch", "sheets", "label", "reserve", "show", "list", "trace", "store", "where"),
    ),
    "Every season": (
        *(
            "plan",
            "ahead",
            "walk",
            "status",
            "take",
            "balance",
            "map",
            "report",
            "royalties",
            "sample",
        ),
        "export",
    ),
    "When something is wrong": (
        *(
            "recall",
            "offtype",
            "hold",
            "release",
            "match",
            "undo",
            "correct",
            "void",
            "restore",
            "history",
            "journal",
            "recheck",
            "audit",
        ),
    ),
    "Set up": ("demo", "new", "add", "import", "survey", "settings", "upgrade"),
}
"""When commands are needed, for --help, in the order of the work."""
OTHERS = "More"
"""The heading of those that no group names."""


class BuiltOnUse(TyperGroup):
    """A group whose recording commands get their options from the record kinds when used."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Show commands by when they are needed, each with its whole first sentence."""
        known = {name: each for name, each in self.commands.items() if not each.hidden}
        wide = max(map(len, known))
        grouped = {name for group in GROUPS.values() for name in group}
        others = tuple(name for name in known if name not in grouped)
        title = OTHERS if len(others) < len(known) else "Commands"
        for heading, names in (*GROUPS.items(), (title, others)):
            rows = [(n.ljust(wide), _first_sentence(known[n])) for n in names if n in known]
            if rows:
                with formatter.section(heading):
                    formatter.write_dl(rows)

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """Return the command that `args` name, with its options."""
        name, command, rest = super().resolve_command(ctx, args)
        build = getattr(getattr(command, "callback", None), "build", None)
        return name, (build() if build else command), rest


def _first_sentence(command: Any) -> str:
    return " ".join((command.help or "").split("\n\n")[0].split()).rstrip(".")


def _register(group: typer.Typer, commands: dict[str, tuple[str, str]]) -> None:
    for name, (kind, says) in commands.items():
        group.command(name, help=says)(_stub(name, kind, says))


def _stub(name: str, kind: str, says: str) -> Callable[[], None]:
    """Return a command that knows how to build the real one."""

    def stub() -> None:
        """Stand in for a command until it is used."""

    def build() -> Any:
        from scionreg.cli.recording import recording_command

        return recording_command(name, kind, says)

    stub.build = build  # type: ignore[attr-defined]
    return stub


PLAIN: dict[str, Any] = {
    "rich_markup_mode": None,
    "pretty_exceptions_enable": False,
    "add_completion": False,
    "context_settings": {"help_option_names": ["-h", "--help"], "max_content_width": 100},
}

app = typer.Typer(cls=BuiltOnUse, no_args_is_help=True, **PLAIN | {"add_completion": True})
add = typer.Typer(cls=BuiltOnUse, no_args_is_help=True, **PLAIN)


def _version(wanted: bool) -> None:
    if wanted:
        console.data(f"scionreg {__version__}")
        raise typer.Exit


@app.callback(
    epilog="Start with: scionreg demo. The pages in docs/ tell the rest.",
)
def root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    """Follow every cut stick from its mother tree to the tree that was sold, and back."""


@add.callback()
def adding() -> None:
    """Record trees, cultivars, people, places and stores."""


app.command("demo")(books.demo)
app.command("new")(books.new)
app.command("import")(books.import_)
app.command("readings")(storing.readings)
app.command("export")(books.export)
app.command("sheets")(sheets.sheets)
app.command("enter")(enter.enter)
app.add_typer(add, name="add")
_register(app, RECORDING)
_register(add, ADDING)
app.command("today")(today.today)
app.command("ahead")(ahead.ahead)
app.command("show")(show.show)
app.command("list")(keeping.list_)
app.command("history")(keeping.history)
app.command("journal")(journal.journal)
app.command("correct")(changing.correct)
app.command("void")(changing.void)
app.command("restore")(changing.restore)
app.command("undo")(changing.undo)
app.command("hold")(holding.hold)
app.command("release")(holding.release)
app.command("reserve")(keeping.reserve)
app.command("settings")(keeping.settings)
app.command("trace")(answers.trace)
app.command("recall")(answers.recall)
app.command("balance")(answers.balance)
app.command("report")(report.report)
app.command("royalties")(report.royalties)
app.command("recheck")(report.recheck)
app.command("store")(storing.store)
app.command("take")(take.take)
app.command("match")(identity.match)
app.command("offtype")(off_type.offtype)
app.command("sample")(identity.sample)
app.command("status")(identity.status)
app.command("plan")(plan.plan)
app.command("walk")(walk.walk)
app.command("map")(map_)
app.command("survey")(survey.survey)
app.command("where", context_settings={"ignore_unknown_options": True})(where.where)
app.command("label")(label.label)
app.command("audit")(keeping.audit)
app.command("upgrade")(books.upgrade)
