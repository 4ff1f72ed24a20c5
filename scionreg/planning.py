"""The cutting plan of a registry: what its trees can give set against what orders need."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from scionreg import cutting, ordering
from scionreg.cutting import Outlook
from scionreg.ordering import Demand
from scionreg.rotation.cutting_plan import Plan, plan
from scionreg.rotation.demand import Order
from scionreg.walking import planned_cuts, walk_of

if TYPE_CHECKING:
    import pandas as pd

SECONDS = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class CuttingSheet:
    """A plan with what it rests on: what the trees can give, and what orders need."""

    plan: Plan
    outlook: Outlook
    demand: Demand

    @property
    def short(self) -> bool:
        """Tell whether something wanted is not met."""
        return any(each.shortfall for each in self.plan.seasons)

    def cautions(self) -> list[str]:
        """Return the plan's cautions, and those of the trees it cuts."""
        cut = {each.tree for each in self.plan.trees if each.sticks}
        of_trees = [
            says if each.cultivar in says else f"{each.tree}: {says}"
            for each in self.outlook.trees
            if each.tree in cut
            for says in each.cautions
        ]
        said = [*self.plan.cautions, *self.demand.cautions(), *of_trees]
        return list(dict.fromkeys(said))

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form: the plan's, and `demand` and `outlook`."""
        return self.plan.to_dict() | {
            "cautions": self.cautions(),
            "demand": self.demand.to_rows(),
            "outlook": [each.to_dict() for each in self.outlook.trees],
        }

    def to_rows(self) -> list[dict[str, Any]]:
        """Return a flat dictionary a tree and season, for CSV: the plan's, and what stops it."""
        against = {(row["tree"], row["season"]): row for row in self.outlook.to_rows()}
        return [
            row
            | {
                name: against[row["tree"], row["season"]][name]
                for name in ("eligible", "state", "until")
            }
            for row in self.plan.to_dict()["trees"]
        ]

    def to_frame(self) -> "pd.DataFrame":
        """Return the rows as a table."""
        import pandas as pd

        return pd.DataFrame(self.to_rows())


def cutting_sheet(
    connection: Connection,
    orders: Sequence[Order],
    *,
    first: int | None = None,
    seasons: int = 3,
    method: str | None = None,
    seconds: float = SECONDS,
    progress: Callable[[int, int], None] | None = None,
) -> CuttingSheet:
    """Return which trees to cut for orders, and how much of each.

    Only trees of the cultivars ordered are planned. `seconds` is about the most that the search may
    take. Errors as `cutting.outlook` and `ordering.demand`.
    """
    needs = ordering.demand(connection, orders, first=first, seasons=seasons, method=method)
    wanted = {each.cultivar for each in needs.wanted}
    outlook = cutting.outlook(connection, first=needs.first, seasons=seasons)
    planned = plan(
        [each for each in outlook.supplies() if each.cultivar in wanted],
        needs.wanted,
        seasons,
        seconds=seconds,
        progress=progress,
        first_season=needs.first,
    )
    now = planned_cuts(planned, needs.first)
    in_order = walk_of(connection, now).codes if now else ()
    return CuttingSheet(plan=replace(planned, walk=in_order), outlook=outlook, demand=needs)
