"""Small pictures beside the words of a sheet, for those who read little or another language.

Each is drawn here from lines, circles and filled shapes on a square from 0 to 10, y upwards.
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

Points = Sequence[tuple[float, float]]


def _line(*points: tuple[float, float]) -> tuple[str, Points]:
    return "line", points


def _solid(*points: tuple[float, float]) -> tuple[str, Points]:
    return "solid", points


def _ring(x: float, y: float, radius: float) -> tuple[str, Points]:
    return "ring", ((x, y), (radius, radius))


def _dot(x: float, y: float, radius: float) -> tuple[str, Points]:
    return "dot", ((x, y), (radius, radius))


_TAG = (_line((1, 2), (7, 2), (9.5, 5), (7, 8), (1, 8), (1, 2)), _ring(7, 5, 0.8))
_STICKS = (
    _line((2.5, 1), (3.5, 9)),
    _line((5, 1), (5, 9)),
    _line((7.5, 1), (6.5, 9)),
    _solid((2.4, 4.4), (7.6, 4.4), (7.6, 5.8), (2.4, 5.8)),
)
_UNION = (
    _line((5, 0.5), (5, 9.5)),
    _line((3, 4), (7, 6)),
    _solid((4, 4.6), (6, 5.6), (6, 6.6), (4, 5.6)),
)
_SPROUT = (
    _line((5, 0.5), (5, 6)),
    _solid((5, 5), (9, 6), (9.3, 9), (6, 8)),
    _solid((5, 4), (1, 5), (0.7, 8), (4, 7)),
)
_ROWS = (
    _dot(2, 2, 0.9),
    _dot(5, 2, 0.9),
    _dot(8, 2, 0.9),
    _ring(2, 7, 0.9),
    _dot(5, 7, 0.9),
    _ring(8, 7, 0.9),
)
_PLACE = (_ring(5, 6.5, 2.6), _dot(5, 6.5, 0.8), _line((3, 4.8), (5, 0.5), (7, 4.8)))
_RULER = (
    _line((0.5, 3), (9.5, 3), (9.5, 7), (0.5, 7), (0.5, 3)),
    *(_line((x, 7), (x, 5)) for x in (2.5, 4.5, 6.5)),
)
_BLADES = (
    _ring(2.4, 2.2, 1.5),
    _ring(7.6, 2.2, 1.5),
    _line((3.3, 3.4), (8, 9.5)),
    _line((6.7, 3.4), (2, 9.5)),
)
_SNOW = (
    _line((5, 0.5), (5, 9.5)),
    _line((1.1, 2.7), (8.9, 7.3)),
    _line((1.1, 7.3), (8.9, 2.7)),
)
_EYE = (
    _line((0.5, 5), (3, 7.6), (7, 7.6), (9.5, 5), (7, 2.4), (3, 2.4), (0.5, 5)),
    _dot(5, 5, 1.4),
)
_CROSS = (_line((1.5, 1.5), (8.5, 8.5)), _line((1.5, 8.5), (8.5, 1.5)))
_TREE = (_line((5, 0.5), (5, 5)), _ring(5, 6.7, 2.8))
_PERSON = (_ring(5, 7.6, 1.8), _line((1.5, 0.8), (2.4, 4.4), (7.6, 4.4), (8.5, 0.8)))
_DAY = (
    _line((1, 1), (9, 1), (9, 8.3), (1, 8.3), (1, 1)),
    _solid((1, 6.3), (9, 6.3), (9, 8.3), (1, 8.3)),
    _line((3, 8), (3, 9.6)),
    _line((7, 8), (7, 9.6)),
)
_PEN = (_line((1, 1), (2, 3.6), (7.6, 9.2), (9.2, 7.6), (3.6, 2), (1, 1)),)
_STOCK = (
    _line((5, 5), (5, 9.5)),
    _line((1, 5), (9, 5)),
    _line((5, 5), (2.4, 0.8)),
    _line((5, 5), (5, 0.4)),
    _line((5, 5), (7.6, 0.8)),
)
_BUD = (_line((3, 0.5), (3, 9.5)), _solid((3, 3), (6.6, 5), (7, 8), (3, 7)))
_LEAF = (_solid((2, 2), (3, 6.6), (8.6, 8.6), (7, 3.4)), _line((0.6, 0.6), (7, 7)))
_TICK = (
    _line((1, 1), (9, 1), (9, 9), (1, 9), (1, 1)),
    _line((2.6, 5), (4.4, 2.8), (7.6, 7.4)),
)
_CLEAN = (_line((5, 9.6), (2.4, 5), (3, 2), (5, 0.8), (7, 2), (7.6, 5), (5, 9.6)),)
_NONE = tuple(
    _line(*ends)
    for ends in (
        ((1, 1), (3, 1)),
        ((5, 1), (7, 1)),
        ((1, 9), (3, 9)),
        ((5, 9), (7, 9)),
        ((1, 3.4), (1, 6.6)),
        ((8.6, 3.4), (8.6, 6.6)),
    )
)
_BROKEN = (_line((5, 0.5), (5, 4), (3.6, 4.8)), _line((6, 5.2), (8.6, 9)))
_PART = (_ring(5, 5, 4), _solid((5, 5), (9, 5), (8, 7.8), (5, 9)))
WARNING = (
    _line((0.6, 1), (9.4, 1), (5, 9), (0.6, 1)),
    _line((5, 6.4), (5, 3.8)),
    _dot(5, 2.4, 0.5),
)

SHEETS: dict[str, Any] = {
    "cutting": _BLADES,
    "packing": _STICKS,
    "grafting": _UNION,
    "counting": _SPROUT,
    "identity": _EYE,
    "cooler": _SNOW,
}

COLUMNS: dict[str, Any] = {
    **dict.fromkeys(("collection", "bundle", "graft_lot", "check", "item", "regraft_of"), _TAG),
    **dict.fromkeys(("cutter", "packer", "grafter", "scorer", "by"), _PERSON),
    **dict.fromkeys(("date", "packed", "time"), _DAY),
    **dict.fromkeys(("sticks", "sticks_used", "shoots"), _STICKS),
    **dict.fromkeys(("row", "first", "last", "positions", "positions_checked"), _ROWS),
    **dict.fromkeys(("latitude", "longitude", "accuracy_m", "block"), _PLACE),
    **dict.fromkeys(("shoot_length_cm", "stock_mm"), _RULER),
    **dict.fromkeys(("note", "notes", "reference", "received_from", "treatment"), _PEN),
    **dict.fromkeys(("method", "grafts"), _UNION),
    **dict.fromkeys(("store", "shelf"), _SNOW),
    **dict.fromkeys(("tree", "limb"), _TREE),
    **dict.fromkeys(("rootstock_lot", "stock_only"), _STOCK),
    **dict.fromkeys(("checked", "condition", "found"), _EYE),
    **dict.fromkeys(("dead", "off"), _CROSS),
    **dict.fromkeys(("sealed", "tools_cleaned"), _CLEAN),
    **dict.fromkeys(("bud_stage", "green"), _BUD),
    "pushing": _SPROUT,
    "missing": _NONE,
    "broken": _BROKEN,
    "in_leaf": _LEAF,
    "count": _TICK,
    "event": _TICK,
    "share_cut": _PART,
    "cultivar": _LEAF,
    "order_in_day": _ROWS,
}
"""The picture of each column."""


def of_column(kind: str, name: str) -> Any:
    """Return the picture of a column; a method is one of grafting or one of looking."""
    return _EYE if (kind, name) == ("identity_checks", "method") else COLUMNS[name]


def draw(canvas: "Canvas", icon: Any, x: float, y: float, size: float) -> None:
    """Draw an icon into the square of a `size` whose lower left corner is at x, y, in points."""
    pen: Any = canvas
    pen.saveState()
    pen.translate(x, y)
    pen.scale(size / 10, size / 10)
    pen.setLineWidth(0.8)
    pen.setLineCap(1)
    for what, points in icon:
        if what in ("ring", "dot"):
            (cx, cy), (radius, _) = points
            pen.circle(cx, cy, radius, stroke=what == "ring", fill=what == "dot")
            continue
        path = pen.beginPath()
        path.moveTo(*points[0])
        for point in points[1:]:
            path.lineTo(*point)
        if what == "solid":
            path.close()
        pen.drawPath(path, stroke=what == "line", fill=what == "solid")
    pen.restoreState()
