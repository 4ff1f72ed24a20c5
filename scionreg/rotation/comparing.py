"""Two cutting plans side by side: the plan as it stands, and one with something changed."""

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from scionreg.rotation.cutting_plan import Plan

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True, kw_only=True)
class SuppliesCompared:
    """Sticks wanted of a cultivar in a season and those short, as it stands and changed."""

    season: int
    cultivar: str
    demand_before: int
    demand: int
    planned_before: int
    planned: int
    shortfall_before: int
    shortfall: int


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkCompared:
    """A season's visits, sticks and days of work, as it stands and changed."""

    season: int
    visits_before: int
    visits: int
    sticks_before: int
    sticks: int
    days_before: float
    days: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CutCompared:
    """A tree that is cut otherwise in a season, in sticks."""

    tree: str
    cultivar: str
    season: int
    sticks_before: int
    sticks: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """What changes from a plan as it stands (`before`) to another.

    `changed` says in words what was changed; `trees` are only those cut otherwise.
    """

    changed: tuple[str, ...]
    seasons: tuple[SuppliesCompared, ...]
    work: tuple[WorkCompared, ...]
    trees: tuple[CutCompared, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return asdict(self)

    def to_frame(self) -> "pd.DataFrame":
        """Return a row a tree and season that is cut otherwise."""
        import pandas as pd

        return pd.DataFrame(self.to_dict()["trees"], columns=list(CutCompared.__slots__))


def compare(before: Plan, after: Plan, changed: tuple[str, ...]) -> Comparison:
    """Return two plans of the same seasons side by side."""
    return Comparison(
        changed=changed,
        seasons=tuple(_supplies(before, after)),
        work=tuple(
            WorkCompared(
                season=now.season,
                visits_before=was.visits,
                visits=now.visits,
                sticks_before=was.sticks,
                sticks=now.sticks,
                days_before=was.days,
                days=now.days,
            )
            for was, now in zip(before.work, after.work, strict=True)
        ),
        trees=tuple(_cuts(before, after)),
    )


def _supplies(before: Plan, after: Plan) -> Iterator[SuppliesCompared]:
    was = {(row.season, row.cultivar): row for row in before.seasons}
    now = {(row.season, row.cultivar): row for row in after.seasons}
    for key in dict.fromkeys([*was, *now]):
        rows = was.get(key), now.get(key)
        demand, planned, short = (
            [getattr(row, name) if row else 0 for row in rows]
            for name in ("demand", "planned", "shortfall")
        )
        if any(demand):
            yield SuppliesCompared(
                season=key[0],
                cultivar=key[1],
                demand_before=demand[0],
                demand=demand[1],
                planned_before=planned[0],
                planned=planned[1],
                shortfall_before=short[0],
                shortfall=short[1],
            )


def _cuts(before: Plan, after: Plan) -> Iterator[CutCompared]:
    was, now = _sticks(before), _sticks(after)
    cultivars = {row.tree: row.cultivar for row in (*before.trees, *after.trees)}
    for tree, season in dict.fromkeys([*was, *now]):
        sticks = was.get((tree, season), 0), now.get((tree, season), 0)
        if sticks[0] != sticks[1]:
            yield CutCompared(
                tree=tree,
                cultivar=cultivars[tree],
                season=season,
                sticks_before=sticks[0],
                sticks=sticks[1],
            )


def _sticks(plan: Plan) -> Mapping[tuple[str, int], int]:
    return {(row.tree, row.season): row.sticks for row in plan.trees}
