"""Commands about what something is: marker profiles, how many trees to look at, a tree's status."""

from typing import Annotated

import typer

from scionreg.cli import console
from scionreg.cli.options import Csv, Json, Where, opened


def match(
    samples: Annotated[
        list[str] | None,
        typer.Argument(help="Samples, or what was sampled, as in G26-0001-7/12; else all."),
    ] = None,
    against: Annotated[
        list[str] | None,
        typer.Option(help="Compare with this cultivar, clone, tree or sample only; repeat it."),
    ] = None,
    registry: Where = "",
    json: Json = False,
    csv: Csv = False,
) -> None:
    """Say which cultivar a sample is, by its marker profile; exit 3 if not what it should be.

    Examples: scionreg match 26-001; scionreg match G26-0001-7/12 --against Tillowby
    """
    from scionreg.cli.telling_match import is_off, tell_matches

    with opened(registry) as opened_registry:
        found = opened_registry.match(*(samples or ()), against=against or ())
    if json:
        console.as_json(found.to_dict())
    elif csv:
        console.as_csv(found.to_rows())
    else:
        tell_matches(found.matches, asked=bool(against))
    if any(is_off(each, asked=bool(against)) for each in found.matches):
        raise typer.Exit(3)
