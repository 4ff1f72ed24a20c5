"""A walk as text: a line a stop, and beneath it what to mind there."""

from collections.abc import Sequence

from scionreg.cli import console
from scionreg.records.counting import many
from scionreg.rotation.walk import Stop, Walk

FEET = 1 / 0.3048


def tell_walk(walk: Walk, *, us: bool = False) -> None:
    """Show a walk: the stops in order, the way in all, and what to mind."""
    lines = [_cells(stop, us) for stop in walk.stops]
    widths = [max(map(len, column)) for column in zip(*lines, strict=True)]
    for stop, cells in zip(walk.stops, lines, strict=True):
        first, *rest = (text.ljust(width) for text, width in zip(cells, widths, strict=True))
        console.data(console.one_line("  ".join([first.strip().rjust(widths[0]), *rest])).rstrip())
        for says in (*stop.do_not_cut(), *stop.cautions, *(f"note: {m}" for m in stop.marks)):
            console.data(f"{' ' * widths[0]}    {console.one_line(says)}")
    console.data(f"\n{_sum(walk, us)}")
    for says in walk.cautions:
        console.talk(console.one_line(says))


def _cells(stop: Stop, us: bool) -> Sequence[str]:
    sticks = "" if stop.sticks is None else many(stop.sticks, "stick")
    way = "" if stop.metres is None else f"walk {_way(stop.metres, us)}"
    return (str(stop.order), stop.tree, stop.cultivar, _place(stop), sticks, way)


def _place(stop: Stop) -> str:
    named = (("", stop.block), ("row ", stop.row), ("position ", stop.position))
    place = " ".join(f"{name}{value}" for name, value in named if value is not None)
    if not place:
        lost = stop.estimated and stop.metres is None
        return "place not recorded" if lost else "only a fix recorded"
    return place + (" (est.)" if stop.estimated else "")


def _sum(walk: Walk, us: bool) -> str:
    trees = many(len(walk.stops), "tree")
    sticks = sum(stop.sticks or 0 for stop in walk.stops)
    parts = [
        trees,
        many(sticks, "stick") if sticks else "",
        f"{_way(walk.metres, us)} on foot",
    ]
    if walk.to_finish is not None:
        parts.append(f"the last {_way(walk.to_finish, us)} to the finish")
    if len(walk.stops) > 1:
        proven = walk.metres - walk.bound < 0.5
        parts.append("no order is shorter" + ("" if proven else f" than {_way(walk.bound, us)}"))
    return ", ".join(part for part in parts if part)


def _way(metres: float, us: bool) -> str:
    return f"{metres * FEET:,.0f} ft" if us else f"{metres:,.0f} m"
