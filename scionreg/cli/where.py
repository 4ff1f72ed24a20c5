"""The command that says which tree one stands at."""

from typing import TYPE_CHECKING, Annotated

import typer

from scionreg.cli import console
from scionreg.cli.options import Csv, Json, Where, Workings, opened, workings_shown

if TYPE_CHECKING:
    from scionreg.identity import where as standing


def where(
    latitude: Annotated[float, typer.Argument(help="Degrees north, WGS 84.")],
    longitude: Annotated[float, typer.Argument(help="Degrees east, WGS 84.")],
    accuracy: Annotated[
        float | None,
        typer.Option(help="Radius that holds the fix at 68 %, m; else 5, a phone's."),
    ] = None,
    workings: Workings = "",
    registry: Where = "",
    json: Json = False,
    csv: Csv = False,
) -> None:
    """Say which tree one may be standing at, and how surely.

    Degrees south and west are negative. Exit 3 where two cultivars are possible.

    Example: scionreg where 36.418709 -95.770968 --accuracy 5
    """
    with opened(registry) as opened_registry:
        found = opened_registry.where(latitude, longitude, accuracy)
        shown = workings_shown(opened_registry, workings, found)
    if shown:
        pass  # the answer is part of it
    elif json:
        console.as_json(found.to_dict())
    elif csv:
        console.as_csv(found.to_rows(), ["tree", "cultivar", "probability", "metres"])
    else:
        _tell(found)
    if found.mixed:
        raise typer.Exit(3)


def _tell(found: "standing.Where") -> None:
    rows = [
        {
            "tree": each.tree,
            "cultivar": each.cultivar,
            "probability": _percent(each.probability),
            "metres": "private" if each.metres is None else f"{each.metres:.1f}",
        }
        for each in found.trees
    ]
    if found.others >= 0.005:
        rows.append({"tree": "another tree", "probability": _percent(found.others)})
    rows.append({"tree": "none of these", "probability": _percent(found.none_of_these)})
    headings = {"probability": "probability", "metres": "metres off"}
    console.table(rows, {"tree": "tree", "cultivar": "cultivar", **headings})
    if found.mixed:
        names = [f"{name} {_percent(chance)}" for name, chance in found.cultivars]
        console.talk(
            f"warning: {len(names)} cultivars are possible here ({', '.join(names)}): read the "
            "tag, and count row and position, before cutting"
        )
    elif found.trees:
        console.talk("a fix only brings you to the row: read the tag as well")


def _percent(chance: float) -> str:
    return "< 1 %" if chance < 0.005 else f"{100 * chance:.0f} %"
