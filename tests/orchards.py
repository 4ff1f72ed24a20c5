"""Small generated orchards for tests of walking: trees in rows of blocks on made-up ground."""

import math
import random

from scionreg.geodesy.ground import Plane
from scionreg.rotation.rows import Spacing, Standing

ROW_M, TREE_M = 6.0, 4.0


def orchard(
    blocks: int, rows: int, positions: int, *, turned: float = 0.0, seed: int = 0
) -> tuple[list[Standing], dict[str, Spacing]]:
    """Return blocks side by side, every place planted and surveyed, turned by some degrees."""
    plane, dice = Plane(47.0, 11.0), random.Random(seed)
    east, north = math.cos(math.radians(turned)), math.sin(math.radians(turned))
    trees = []
    for block in range(blocks):
        for row in range(1, rows + 1):
            for position in range(1, positions + 1):
                x, y = block * (rows + 2) * ROW_M + row * ROW_M, -position * TREE_M
                latitude, longitude = plane.degrees([x * east - y * north, x * north + y * east])
                code = f"{'ABCDEF'[block]}-{row}-{position}"
                at = float(latitude), float(longitude)
                cultivar = dice.choice(("Fernhill", "Oldgate"))
                trees.append(Standing(code, cultivar, "ABCDEF"[block], row, position, *at, 0.02))
    spacing = Spacing(ROW_M, TREE_M, "N", positions)
    return trees, {"ABCDEF"[block]: spacing for block in range(blocks)}
