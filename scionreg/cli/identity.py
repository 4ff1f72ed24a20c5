"""Commands about what something is: marker profiles, how many trees to look at, a tree's status."""

from typing import Annotated

import typer

from scionreg.cli import console
from scionreg.cli.options import Csv, Json, Where, Workings, opened, workings_shown


def match(
    samples: Annotated[
        list[str] | None,
        typer.Argument(help="Samples, or what was sampled, as in G26-0001-7/12; else all."),
    ] = None,
    against: Annotated[
        list[str] | None,
        typer.Option(help="Compare with this cultivar, clone, tree or sample only; repeat it."),
    ] = None,
    workings: Workings = "",
    registry: Where = "",
    json: Json = False,
    csv: Csv = False,
) -> None:
    """Say which cultivar a sample is, by its markers.

    Exit 3 where it is not what its label says, or not what --against names.

    Examples: scionreg match 26-001; scionreg match G26-0001-7/12 --against Tillowby
    """
    from scionreg.cli.telling_match import is_off, tell_matches

    with opened(registry) as opened_registry:
        found = opened_registry.match(*(samples or ()), against=against or ())
        shown = workings_shown(opened_registry, workings, found)
    if shown:
        pass  # the answer is part of it
    elif json:
        console.as_json(found.to_dict())
    elif csv:
        console.as_csv(found.to_rows())
    else:
        tell_matches(found.matches, asked=bool(against))
    if any(is_off(each, asked=bool(against)) for each in found.matches):
        raise typer.Exit(3)


def sample(
    lot: Annotated[str, typer.Argument(help="A graft lot or a dispatch.")] = "",
    level: Annotated[float, typer.Option(help="Off-types to be found, % of the trees.")] = 2,
    confidence: Annotated[float, typer.Option(help="How sure to find one of them, %.")] = 95,
    trees: Annotated[
        int | None, typer.Option(help="How many trees there are, if not as recorded.")
    ] = None,
    look_at: Annotated[
        int | None, typer.Option(help="Also say what a clean look at so many still allows.")
    ] = None,
    workings: Workings = "",
    registry: Where = "",
    json: Json = False,
    csv: Csv = False,
) -> None:
    """Say how many trees of a lot to look at.

    That is to find off-types at a level; and what the looks so far still allow.

    Examples: scionreg sample G26-0001-7 --level 2 --confidence 95; scionreg sample --trees 1000
    """
    from scionreg.cli.telling_sample import tell_sample

    with opened(registry) as opened_registry:
        found = opened_registry.sample(
            lot or None, level=level, confidence=confidence, trees=trees, look_at=look_at
        )
        shown = workings_shown(opened_registry, workings, found)
    if shown:
        pass  # the answer is part of it
    elif json:
        console.as_json(found.to_dict())
    elif csv:
        console.as_csv(found.to_rows())
    else:
        tell_sample(found)


def status(
    codes: Annotated[
        list[str] | None, typer.Argument(help="Mother trees or collections; else every tree.")
    ] = None,
    on: Annotated[str, typer.Option(help="As it was known on this day; else today.")] = "",
    cultivar: Annotated[str, typer.Option(help="Only trees taken for this cultivar.")] = "",
    only: Annotated[
        str,
        typer.Option(
            help="Only trees of this status, as in doubtful; or voided (a look was ended by what "
            "happened to the tree), lapsed (every look ran out), or due (something runs out)."
        ),
    ] = "",
    until: Annotated[
        str, typer.Option(help="With --only due: what runs out until this day; else 90 days.")
    ] = "",
    registry: Where = "",
    json: Json = False,
    csv: Csv = False,
) -> None:
    """Say how well each mother tree's identity is known.

    Of trees and collections that are named: the looks behind it, which of them still stand, and
    whether the tree was verified when it was cut.

    Examples: scionreg status; scionreg status T26-0001-7; scionreg status --only doubtful; scionreg
    status --until 2027-06-30
    """
    from scionreg.cli.answers import day_option
    from scionreg.cli.telling_status import DUE, kept, tell_due, tell_ended, tell_statuses
    from scionreg.vouching import SOON

    only = DUE if until and not only else only
    with opened(registry) as opened_registry:
        found = opened_registry.status(*(codes or ()), on=day_option(on), cultivar=cultivar or None)
        today = day_option(on) or opened_registry.settings.today()
    last = day_option(until) or today + SOON
    found = kept(found, only, last)
    due = found.due(last)
    if json:
        console.as_json({**found.to_dict(), "due": [each.to_dict() for each in due]})
    elif csv:
        console.as_csv(found.to_rows())
    elif only in ("voided", "lapsed"):
        tell_ended(found.voided() if only == "voided" else found.lapsed())
    elif only == DUE:
        tell_due(due, today, last)
    else:
        tell_statuses(found, in_full=bool(codes), due=due, until=last)
