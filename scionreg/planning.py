"""The cutting plan of a registry: what its trees can give set against what orders need."""

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from statistics import median
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from scionreg import cutting, ordering
from scionreg.cutting import Outlook, TreeOutlook, must_be_a_tree
from scionreg.identity.first_looks import FirstLook, first_looks
from scionreg.ordering import Demand
from scionreg.records.errors import RegistryError
from scionreg.records.starting_values import IdentityValues, OffTypeValues, RotationValues
from scionreg.records.vocabulary import TreeKind
from scionreg.records.words import Sentence
from scionreg.registry.settings import Settings, read_settings
from scionreg.rotation.comparing import Comparison, compare
from scionreg.rotation.cutting_plan import Plan, plan
from scionreg.rotation.demand import Order
from scionreg.rotation.lifting import Lift
from scionreg.rotation.supply import Bar, Cap, Labour, TreeSupply, cap_of, shared_out
from scionreg.rotation.why_cut import WhyCut
from scionreg.walking import MOST_TREES, planned_cuts, walk_of

if TYPE_CHECKING:
    import pandas as pd

SECONDS, MOST_SECONDS = 60, 86_400
OF_OUTLOOK = ("cut_by", "eligible", "state", "until")
PLACED = ("kind", "block", "row", "position")
NOT_PRUNED = frozenset({Bar.GONE, Bar.RESTING, Bar.STOPPED})
"""What keeps a bank tree from being cut back; wood that may not be used is pruned like other."""
LEFT_OUT = "left out, as asked"
BEFORE_CUTTING = (
    "Propagating a protected cultivar needs the right holder's licence before cutting; moving wood "
    "between regions may be regulated: ask the plant-health authority, this plan is no permit."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class CuttingSheet:
    """A plan with what it rests on: what the trees can give, and what orders need.

    `lifts` say what would lift its shortfalls; `compared` sets it beside the plan as it stands,
    where something was changed; `why` is about the one tree that was asked about.
    """

    plan: Plan
    outlook: Outlook
    demand: Demand
    lifts: tuple[Lift, ...] = ()
    compared: Comparison | None = None
    why: WhyCut | None = None
    first_looks: tuple[FirstLook, ...] = ()

    @property
    def short(self) -> bool:
        """Tell whether something wanted is not met."""
        return any(each.shortfall for each in self.plan.seasons)

    def cut_back(self) -> list[TreeOutlook]:
        """Return the bank trees to be cut back in the first season whose wood is not wanted.

        Uncut, a bank tree turns to short wood (common practice, no source).
        """
        first = self.outlook.seasons[0]
        cut = {e.tree for e in self.plan.trees if e.season == first and e.sticks}
        return [
            each
            for each in self.outlook.trees
            if each.kind == TreeKind.BANK
            and each.tree not in cut
            and not each.cut_already
            and each.capacity[0].sticks >= 1
            and not (each.supply.bars and NOT_PRUNED & each.supply.bars[0])
        ]

    def _single_sources(self) -> Iterator[Sentence]:
        """Yield the cultivars of which the plan's wood can come of one tree only."""
        first = self.outlook.seasons[0]
        wanted = dict.fromkeys(each.cultivar for each in self.demand.wanted if each.sticks)
        for cultivar in wanted:
            trees = [
                each
                for each in self.outlook.trees
                if each.cultivar == cultivar
                and not (each.supply.bars and Bar.GONE in each.supply.bars[0])
            ]
            fit = [each for each in trees if not each.why_not[0]]
            if len(trees) == 1:
                yield Sentence("plan.only_source", tree=trees[0].tree, cultivar=cultivar)
            elif len(fit) == 1:
                yield Sentence(
                    "plan.only_fit",
                    tree=fit[0].tree,
                    cultivar=cultivar,
                    count=len(trees),
                    season=first,
                )

    def cautions(self) -> list[str]:
        """Return the plan's cautions, and those of the trees it cuts."""
        cut = {each.tree for each in self.plan.trees if each.sticks}
        of_trees = [
            says if each.cultivar in says else f"{each.tree}: {says}"
            for each in self.outlook.trees
            if each.tree in cut
            for says in each.cautions
        ]
        said = [
            *([self.outlook.past] if self.outlook.past else []),
            *self.plan.cautions,
            *self.demand.cautions(),
            *self._single_sources(),
            *of_trees,
            BEFORE_CUTTING,
        ]
        return list(dict.fromkeys(said))

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form: the plan's, and what it rests on and leads to."""
        of_tree = {(row["tree"], row["season"]): row for row in self.outlook.to_rows()}
        told = self.plan.to_dict()
        for row in told["trees"]:
            row |= {n: of_tree[row["tree"], row["season"]][n] for n in ("identity", "cut_by")}
        return told | {
            "cautions": self.cautions(),
            "lifts": [each.to_dict() for each in self.lifts],
            "demand": self.demand.to_rows(),
            "left_out": [asdict(each) for each in self.demand.left_out],
            "not_counted": [each.to_dict() for each in self.demand.not_counted],
            "outlook": [each.to_dict() for each in self.outlook.trees],
            "cut_back": [
                {"tree": e.tree, "cultivar": e.cultivar, **e.place()} for e in self.cut_back()
            ],
            "compared": self.compared.to_dict() if self.compared else None,
            "why": self.why.to_dict() if self.why else None,
            "check_first": [each.to_dict() for each in self.first_looks],
        }

    def to_rows(self, *, every: bool = False, cut_back: bool = False) -> list[dict[str, Any]]:
        """Return a flat dictionary a tree and season, for CSV: the plan's, and what stops it.

        Where something was changed, `sticks_before` is what the plan as it stands cuts.

        Parameters
        ----------
        every : also trees of the cultivars wanted of which nothing is cut.
        cut_back : also the bank trees to be cut back, of no number of sticks.
        """
        against = {(row["tree"], row["season"]): row for row in self.outlook.to_rows()}
        before: dict[tuple[str, int], int] = {}
        for each in self.compared.trees if self.compared else ():
            before[each.tree, each.season] = each.sticks_before
        rows = []
        for row in self.plan.to_dict()["trees"]:
            key = row["tree"], row["season"]
            if not (every or row["sticks"] or before.get(key)):
                continue
            row = {
                name: row[name] if name in row else against[key][name]
                for name in ("tree", "cultivar", *PLACED, "identity", *row, *OF_OUTLOOK)
            }
            row |= {"capacity": round(row["capacity"]), "pressure": round(row["pressure"], 2)}
            if self.compared:
                row["sticks_before"] = before.get(key, row["sticks"])
            rows.append(row)
        if cut_back:
            first = self.outlook.seasons[0]
            rows += [
                {name: against[e.tree, first][name] for name in ("tree", "cultivar", *PLACED)}
                | {"season": first, "why": "cut back: its wood is not wanted"}
                for e in self.cut_back()
            ]
        return rows

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
    without: Collection[str] = (),
    instead: Sequence[Order] | None = None,
    caps: Sequence[str] = (),
    why: str | None = None,
    check_first: int = 0,
) -> CuttingSheet:
    """Return which trees to cut for orders, and how much of each.

    Only trees of the cultivars ordered are planned. Where something is changed (`without`,
    `instead`, `caps`) the sheet is that of the changed plan, compared with the plan as it stands.

    Parameters
    ----------
    seconds : about the most that the search may take.
    without : trees that are left out.
    instead : other orders.
    caps : what all cultivars together may use in a season, as `read_caps` reads them.
    why : a tree to explain.
    check_first : how many trees to name whose looks protect most of the plan's sticks.

    Raises
    ------
    RegistryError
        As `cutting.outlook` and `ordering.demand`; a code that is no mother tree's, or no cap.
    """
    settings = read_settings(connection)
    labour = Labour.of(settings.values(RotationValues))
    asked = cutting.planned_seasons(settings, first, seasons)
    if not 0 < seconds <= MOST_SECONDS:
        raise RegistryError(
            f"{seconds:g} seconds are no time to plan in; write 1 to {MOST_SECONDS}"
        )
    given = read_caps(caps, asked, labour)
    for code in (*without, *([why] if why else [])):
        must_be_a_tree(connection, code)
    options: dict[str, Any] = {"first": asked[0], "seasons": seasons, "method": method}
    as_ordered = ordering.demand(connection, orders, **options)
    needs = ordering.demand(connection, instead, **options) if instead else as_ordered
    outlook = cutting.outlook(connection, first=asked[0], seasons=seasons)
    changed = _changed(without, instead, given, asked[0])
    each = seconds * (0.4 if changed else 0.8)

    def planned(needs: Demand, trees: Outlook, caps: Sequence[Cap]) -> Plan:
        wanted: dict[str, list[int]] = {}
        for want in needs.wanted:
            wanted.setdefault(want.cultivar, [0] * seasons)[want.season] += want.sticks
        able = [supply for supply in trees.supplies() if supply.cultivar in wanted]
        return plan(
            shared_out(able, wanted),
            needs.wanted,
            seasons,
            seconds=each,
            progress=progress,
            first_season=asked[0],
            caps=caps,
            labour=labour,
        )

    left = _without(outlook, set(without))
    made = planned(needs, left, given)
    now = planned_cuts(made, needs.first)
    in_order = walk_of(connection, now).codes if 0 < len(now) <= MOST_TREES else ()
    return CuttingSheet(
        plan=replace(made, walk=in_order),
        outlook=left,
        demand=needs,
        lifts=made.lifts(_new_trees(outlook), seconds=seconds * 0.1),
        compared=compare(planned(as_ordered, outlook, ()), made, changed) if changed else None,
        why=made.why(why, seconds=seconds * 0.1) if why else None,
        first_looks=_first_looks(made, left, check_first, settings),
    )


def _first_looks(
    made: Plan, outlook: Outlook, number: int, settings: Settings
) -> tuple[FirstLook, ...]:
    """Return the trees to look at first, by the sticks planned of them and cut already."""
    planned: dict[str, float] = {}
    for row in made.trees:
        planned[row.tree] = planned.get(row.tree, 0) + row.sticks
    wanted = [
        (each.tree, each.cultivar, each.identity, planned[each.tree] + each.cut_already)
        for each in outlook.trees
        if planned.get(each.tree)
    ]
    other = settings.values(OffTypeValues).tree_is_other
    return first_looks(wanted, number, other, settings.values(IdentityValues))


def read_caps(texts: Sequence[str], seasons: Sequence[int], labour: Labour) -> list[Cap]:
    """Return the caps written as WHAT=NUMBER or WHAT:SEASON=NUMBER.

    Raises
    ------
    RegistryError
        A text is no cap, or its season is not planned.
    """
    found = []
    for text in texts:
        what, equals, number = text.partition("=")
        what, colon, year = what.strip().partition(":")
        try:
            most = float(number)
            chosen = [int(year)] if colon else list(seasons)
        except ValueError:
            equals = ""
        if not equals:
            raise RegistryError(
                f"'{text}' is no cap; write visits=30, sticks=900 or days=2.5, or for one season "
                f"visits:{seasons[0]}=30"
            )
        for season in chosen:
            if season not in seasons:
                raise RegistryError(
                    f"'{text}' caps season {season}, and the plan is for {seasons[0]} to "
                    f"{seasons[-1]}"
                )
            found.append(cap_of(what, season - seasons[0], most, labour))
    return found


def _changed(
    without: Collection[str], instead: Sequence[Order] | None, caps: Sequence[Cap], first: int
) -> tuple[str, ...]:
    """Return in words what is changed; nothing where the plan is as it stands."""
    told = []
    if without:
        told.append(f"without {', '.join(without)}")
    if instead:
        told.append("other orders")
    told += [f"at most {cap.most:g} {cap.what} in {first + cap.season}" for cap in caps]
    return tuple(told)


def _without(outlook: Outlook, codes: set[str]) -> Outlook:
    """Return the outlook with some trees left out in all seasons."""
    return replace(
        outlook, trees=tuple(_left_out(e) if e.tree in codes else e for e in outlook.trees)
    )


def _left_out(tree: TreeOutlook) -> TreeOutlook:
    count = len(tree.capacity)
    return replace(
        tree,
        why_not=tuple((*each, LEFT_OUT) for each in tree.why_not),
        supply=replace(
            tree.supply,
            eligible=(False,) * count,
            why_not=tuple("; ".join((*each, LEFT_OUT)) for each in tree.why_not),
            bars=(),
        ),
    )


def _new_trees(outlook: Outlook) -> Mapping[str, TreeSupply]:
    """Return by cultivar a grown tree as it would be planted: a bank tree where it has some."""
    by: dict[str, list[TreeSupply]] = {}
    for each in outlook.trees:
        by.setdefault(each.cultivar, []).append(each.like_it)
    found = {}
    for cultivar, likes in by.items():
        bank = [like for like in likes if like.kind == TreeKind.BANK] or likes
        usual = median(like.capacity[0] for like in bank)
        found[cultivar] = min(bank, key=lambda like: abs(like.capacity[0] - usual))
    return found
