"""Commands about whole registries: demo, new, import, export, upgrade."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from scionreg.cli import console
from scionreg.cli.options import (
    By,
    DryRun,
    Json,
    Where,
    Why,
    Yes,
    agree,
    named,
    opened,
    reason,
    recorder,
)
from scionreg.records.counting import many
from scionreg.records.errors import RegistryError

if TYPE_CHECKING:
    from scionreg.exchange.importing import Imported

Folder = Annotated[Path, typer.Argument(help="A new or empty folder.")]
NEXT = ("add person", "add cultivar", "add block", "add tree", "add store", "cut")
"""The first records of a registry, in the order in which they name each other."""
CAUTIONS = ("tools", "moving", "rights", "laboratory")
"""What is said where work begins and on the papers for it, not after each record."""


def demo(folder: Folder = Path("scionreg-demo")) -> None:
    """Load an invented nursery and walk through the main job."""
    from scionreg.cli.walkthrough import walk

    walk(folder)


def new(
    registry: Annotated[str, typer.Argument(help="Path or database URL of the new registry.")],
    time_zone: Annotated[str, typer.Option(help="Such as Europe/Paris, America/Chicago.")] = "UTC",
    units: Annotated[str, typer.Option(help="How measures are shown: SI or US.")] = "SI",
    season_first_day: Annotated[
        str, typer.Option(help="Month and day on which a season begins.")
    ] = "07-01",
    by: By = "",
) -> None:
    """Make an empty registry."""
    from scionreg import new_registry
    from scionreg.records.words import english

    with new_registry(
        registry, time_zone=time_zone, units=units, season_first_day=season_first_day, by=by
    ):
        console.talk(f"made an empty registry: {named(registry)}")
    where = ("--registry", named(registry))
    console.command("records that are there already: ", "import", "SEASON_FOLDER", *where)
    console.talk("or begin with who records, what is grown and where it stands:")
    for words in NEXT:
        console.command("  ", *words.split(), *where)
    for name in CAUTIONS:
        console.talk(english()(f"caution.{name}"))


def import_(
    paths: Annotated[
        list[Path], typer.Argument(help="Season folders, CSV files or .xlsx workbooks.")
    ],
    registry: Where = "",
    by: By = "",
    kind: Annotated[
        str, typer.Option(help="Record kind of a CSV file whose name does not say it.")
    ] = "",
    correct: Annotated[
        bool,
        typer.Option("--correct", help="Where rows differ from what is recorded, correct that."),
    ] = False,
    why: Why = "",
    dry_run: DryRun = False,
    yes: Yes = False,
    problems: Annotated[
        Path | None, typer.Option(help="Write every problem to this CSV file.")
    ] = None,
    json: Json = False,
) -> None:
    """Import records, all or nothing; list every problem.

    The same file again changes nothing. A row without a code has one issued.
    With --correct, what a file was changed to becomes corrections: they are shown, and at a
    terminal asked about, before they are made. Example: scionreg import season-2026 --dry-run
    """
    from scionreg.cli.telling_import import say_imported, show_corrections
    from scionreg.exchange.importing import import_files, write_problems
    from scionreg.records.tables import KINDS

    if kind and kind not in KINDS:
        raise RegistryError(f"'{kind}' is no record kind; one of: {', '.join(KINDS)}")
    if correct and not dry_run:
        why = reason(why)
    with opened(registry) as opened_registry:
        who = recorder(opened_registry, by)

        def taken(*, dry_run: bool) -> "Imported":
            with console.progress("importing") as progress:
                return import_files(
                    opened_registry.store,
                    paths,
                    by=who,
                    why=why,
                    kind=kind,
                    correct=correct,
                    dry_run=dry_run,
                    progress=progress,
                )

        asking = correct and not dry_run and not yes and console.is_terminal()
        done = taken(dry_run=dry_run or asking)
        show_corrections(opened_registry, done)
        if asking and not done.refused and done.would_change:
            say_imported(done, named(registry), correct=correct)
            agree("import that")
            done = taken(dry_run=False)
    if json:
        console.as_json(done.to_dict())
    say_imported(done, named(registry), correct=correct)
    if problems is not None:
        try:
            with problems.open("w", encoding="utf-8", newline="") as file:
                write_problems(done.problems, file)
        except OSError as fault:
            why = f"{problems} cannot be written: {fault.strerror}"
            raise RegistryError(f"the list of problems in {why}") from fault
    if done.refused:
        raise typer.Exit(1)


def export(folder: Folder, registry: Where = "") -> None:
    """Write the whole registry as a season folder.

    CSV files with their description in datapackage.json.

    Importing it into an empty registry gives the same records.
    """
    with opened(registry) as opened_registry, console.progress("exporting") as progress:
        counts = opened_registry.export(folder, progress=progress)
    console.talk(
        f"wrote {many(sum(counts.values()), 'record')} of {many(len(counts), 'kind')} to {folder}"
    )


def upgrade(
    registry: Where = "",
    by: By = "",
    copied: Annotated[
        bool, typer.Option("--copied", help="PostgreSQL: yes, I have made a copy with pg_dump.")
    ] = False,
) -> None:
    """Bring an older registry up to date; a copy is made first."""
    from scionreg.cli.options import DEFAULT
    from scionreg.registry.migrate import upgrade as run_upgrade

    done = run_upgrade(registry or DEFAULT, by=by, copied=copied)
    if done.before == done.after:
        console.talk(f"{named(registry)} is up to date")
        return
    console.talk(f"upgraded {named(registry)} from {done.before} to {done.after}")
    if done.copy is not None:
        console.talk(f"as it was before: {done.copy}")
