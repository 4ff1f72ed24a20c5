"""Answers about what to cut: what each mother tree can give, and whether it may."""

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from scionreg.judgement import Judge, Judgement
from scionreg.judgement.rests import cut_tree, opens, take_by_tree
from scionreg.lineage.chain import resolve_names
from scionreg.lineage.cut_books import CutBook, read_cut_books
from scionreg.lineage.graph import find_kind, not_found
from scionreg.records.cells import noun
from scionreg.records.errors import RegistryError
from scionreg.records.starting_values import RotationValues
from scionreg.records.vocabulary import Against, IdentityStatus
from scionreg.records.words import Sentence
from scionreg.registry.settings import Settings, read_settings
from scionreg.rotation.capacity import (
    Capacity,
    CutTree,
    capacities,
    grown,
    largest_share,
    usual_sticks,
)
from scionreg.rotation.pressure import (
    OWN_LIMITS,
    CutStatus,
    TakeAgainstMates,
    cut_status,
    limits_of,
    low_take,
    pressure_of,
    shares_cut,
)
from scionreg.rotation.supply import (
    LOOK_BACK,
    Allowed,
    Bar,
    TreeSupply,
    most_sticks,
    new_tree,
    past_strain,
)

if TYPE_CHECKING:
    import pandas as pd

    from scionreg.identity.tree_status import TreeIdentity

MOST_SEASONS = 5
MANY = 10**9
"""More sticks than any tree grows."""
LAST_DAYS = dt.timedelta(days=61)
"""The end of a season, when its wood is cut and grafted, and the next one is prepared."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeOutlook:
    """A mother tree for the seasons asked about: what it grows, and whether it may be cut.

    `like_it` is a grown tree of its kind as it would be planted. `cut_already` is how many sticks
    were cut in the first season, `never_cut` tells that no cutting of it is recorded at all;
    `before` is its pressure in the `LOOK_BACK` seasons before that, oldest first. `at` is its
    block, row and position, `cut_by` by season the last day it may be cut on, where there is one.
    """

    tree: str
    cultivar: str
    kind: str
    identity: IdentityStatus
    capacity: tuple[Capacity, ...]
    status: CutStatus
    why_not: tuple[tuple[str, ...], ...]
    cautions: tuple[str, ...]
    cut_already: int
    never_cut: bool
    before: tuple[float, ...]
    supply: TreeSupply
    like_it: TreeSupply
    at: tuple[str | None, int | None, int | None] = (None, None, None)
    cut_by: tuple[dt.date | None, ...] = ()

    def place(self) -> dict[str, Any]:
        """Return its block, row and position as columns; nothing in them where it is private."""
        return dict(zip(("block", "row", "position"), self.at, strict=True))

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "tree": self.tree,
            "cultivar": self.cultivar,
            "kind": self.kind,
            "identity": self.identity.value,
            "seasons": self.to_rows(),
            "status": self.status.to_dict(),
            "before": list(self.before),
            "never_cut": self.never_cut,
            "cautions": list(self.cautions),
        }

    def to_rows(self) -> list[dict[str, Any]]:
        """Return a flat dictionary a season, for CSV."""
        return [
            {
                "tree": self.tree,
                "cultivar": self.cultivar,
                "kind": self.kind,
                "identity": self.identity.value,
                **self.place(),
                "season": grows.season,
                "capacity": round(grows.sticks),
                "low": round(grows.low),
                "high": round(grows.high),
                "cut_already": self.cut_already if ahead == 0 else 0,
                "most_to_cut": most_sticks(self.supply, ahead, MANY),
                "eligible": not against,
                "cut_by": self.cut_by[ahead] if self.cut_by else None,
                "state": self.status.state_in(grows.season).value,
                "until": self.status.until,
                "pressure": round(past_strain(self.supply, ahead), 2),
                "why": "; ".join(against or self.status.why),
            }
            for ahead, (grows, against) in enumerate(zip(self.capacity, self.why_not, strict=True))
        ]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """Every mother tree for the seasons asked about.

    `limits` says whose the limits are, `past` that the first of the seasons is over, if it is.
    """

    seasons: tuple[int, ...]
    trees: tuple[TreeOutlook, ...]
    limits: str = OWN_LIMITS
    past: str | None = None

    def supplies(self) -> list[TreeSupply]:
        """Return the trees as a plan takes them."""
        return [each.supply for each in self.trees]

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "seasons": list(self.seasons),
            "trees": [each.to_dict() for each in self.trees],
            "limits": self.limits,
            "past": self.past,
        }

    def to_rows(self) -> list[dict[str, Any]]:
        """Return a flat dictionary a tree and season, for CSV."""
        return [row for each in self.trees for row in each.to_rows()]

    def to_frame(self) -> "pd.DataFrame":
        """Return the rows as a table."""
        import pandas as pd

        return pd.DataFrame(self.to_rows())


def outlook(
    connection: Connection,
    *,
    first: int | None = None,
    seasons: int = 3,
    cultivar: str | None = None,
    tree: str | None = None,
) -> Outlook:
    """Return what each mother tree grows, and whether it may be cut.

    Parameters
    ----------
    first : the first season; None is `coming_season`. What was cut in it already counts.
    seasons : how many, 1 to 5.
    cultivar : only trees taken for it; the kind's yield is of all trees of the kind.
    tree : only this one.

    Raises
    ------
    RegistryError
        More seasons than five, or none; a code that is no mother tree's.
    """
    settings = read_settings(connection)
    values = settings.values(RotationValues)
    asked = planned_seasons(settings, first, seasons)
    if tree is not None:
        must_be_a_tree(connection, tree)
    name = resolve_names(connection, {cultivar})[cultivar] if cultivar is not None else None
    books = read_cut_books(connection, settings)
    trees = {each.tree: cut_tree(each, settings) for each in books}
    grows = capacities(list(trees.values()), asked, values)
    took = take_by_tree(connection)
    judge = Judge(connection, settings=settings, took=took)
    days = [_days_to_cut(season, settings, judge.today) for season in asked]
    wanted = [book for book in books if name in (None, book.cultivar) and tree in (None, book.tree)]
    codes = [book.tree for book in wanted]
    may = [judge.trees(codes, on=first_day, until=last) for first_day, last in days]
    allowed = _allowed(judge, trees, asked, days)
    return Outlook(
        seasons=asked,
        past=Sentence("plan.past", season=asked[0]) if over(asked[0], settings) else None,
        trees=tuple(
            _outlook(
                book,
                trees[book.tree],
                grows[book.tree],
                judge.identity(book.tree),
                tuple(each[book.tree] for each in may),
                took.get(book.tree),
                allowed.get(book.tree, ()),
                settings,
                values,
            )
            for book in wanted
        ),
    )


def _allowed(
    judge: Judge,
    trees: Mapping[str, CutTree],
    asked: Sequence[int],
    days: Sequence[tuple[dt.date, dt.date]],
) -> dict[str, tuple[Allowed, ...]]:
    """Return by tree the most sticks that owners let be cut in the seasons asked about.

    What was cut in the first of them already counts.
    """
    found: dict[str, tuple[Allowed, ...]] = {}
    limited = [each for each in judge.permits if each.most_sticks is not None]
    for of in dict.fromkeys((each.tree, each.block) for each in limited):
        its = [each for each in limited if (each.tree, each.block) == of]
        there = [
            code for code in trees if code == of[0] or (of[1] and judge.ground[code].block == of[1])
        ]
        cut = sum(c.sticks for code in there for c in trees[code].cuts if c.season == asked[0])
        most = []
        for ahead, (first_day, last) in enumerate(days):
            valid = [
                each.most_sticks
                for each in its
                if each.most_sticks is not None
                and (each.since or dt.date.min) <= last
                and first_day <= (each.until or dt.date.max)
            ]
            most.append(max(0, min(valid, default=MANY) - (cut if ahead == 0 else 0)))
        allowed = Allowed(of=of[0] or of[1] or "", host=its[-1].host, most=tuple(most))
        for code in there:
            found[code] = (*found.get(code, ()), allowed)
    return found


def _days_to_cut(season: int, settings: Settings, today: dt.date) -> tuple[dt.date, dt.date]:
    """Return the first and the last day of a season that wood can still be cut on."""
    last = opens(season + 1, settings) - dt.timedelta(days=1)
    return min(max(opens(season, settings), today), last), last


def must_be_a_tree(connection: Connection, code: str) -> None:
    """Refuse a code that is no mother tree's; one that is not recorded with the likely ones."""
    if "/" in code:
        raise not_found(connection, code)
    kind = find_kind(connection, code)
    if kind != "mother_trees":
        raise RegistryError(f"'{code}' is no mother tree but a {noun(kind)}")


def coming_season(settings: Settings) -> int:
    """Return the season that cutting is prepared for: in its last two months, the next one."""
    return settings.season(settings.today() + LAST_DAYS)


def over(season: int, settings: Settings) -> bool:
    """Tell whether a season is past, so that nothing can be cut in it any more."""
    return season < settings.season(settings.today())


def planned_seasons(settings: Settings, first: int | None, seasons: int) -> tuple[int, ...]:
    """Return the seasons of a plan; `first` None is the coming one. RegistryError if too many."""
    if not 1 <= seasons <= MOST_SEASONS:
        raise RegistryError(f"a plan is for 1 to {MOST_SEASONS} seasons, not {seasons}")
    begin = first if first is not None else coming_season(settings)
    if not 1800 <= begin <= 2200:
        raise RegistryError(f"season {begin} is no year to plan for")
    return tuple(range(begin, begin + seasons))


BAR = {
    **dict.fromkeys((Against.DEAD, Against.RETIRED), Bar.GONE),
    **dict.fromkeys((Against.HOLD, Against.NOTICE, Against.PERMISSION), Bar.STOPPED),
    **dict.fromkeys((Against.RESTING, Against.RESTS), Bar.RESTING),
    **dict.fromkeys((Against.TOO_OLD, Against.AGE_UNKNOWN, Against.FROM_INCREASE), Bar.RANK),
    Against.LICENCE: Bar.LICENCE,
}
"""What would lift a bar; that of any other is to look at the tree."""
ENDS = (Against.AGE_ENDS, Against.PERMISSION_ENDS)
"""What lets a tree be cut up to a day."""


def _outlook(
    book: CutBook,
    tree: CutTree,
    grows: tuple[Capacity, ...],
    identity: "TreeIdentity",
    may: tuple[Judgement, ...],
    take: TakeAgainstMates | None,
    allowed: tuple[Allowed, ...],
    settings: Settings,
    values: RotationValues,
) -> TreeOutlook:
    first = grows[0].season
    status = cut_status(tree, first, grows[0].sticks, take=take, values=values)
    # Its rest goes by its take too, which the judgement asks for only where that decides.
    barred = [each.bars for each in may]
    sticks = grows[0].sticks
    return TreeOutlook(
        tree=tree.tree,
        cultivar=book.cultivar,
        kind=tree.kind,
        capacity=grows,
        status=status,
        identity=identity.status,
        why_not=tuple(tuple(reason.says for reason in each) for each in barred),
        cautions=tuple(_cautions(book, may[0], status, take)),
        cut_by=tuple(
            _cut_by(each, season.season, settings) for each, season in zip(may, grows, strict=True)
        ),
        cut_already=sum(each.sticks for each in tree.cuts if each.season == first),
        never_cut=not book.cuts,
        at=book.at,
        before=tuple(
            pressure_of(shares_cut(tree, season + 1, sticks, values))
            for season in range(first - LOOK_BACK, first)
        ),
        like_it=_grown_like(tree, book.cultivar, grows, values),
        supply=TreeSupply(
            tree=tree.tree,
            cultivar=book.cultivar,
            kind=tree.kind,
            capacity=tuple(each.sticks for each in grows),
            limits=limits_of(tree, first, values),
            past=status.past[: LOOK_BACK - 1],
            done=shares_cut(tree, first + 1, sticks, values, 1)[0],
            shares=tuple(
                largest_share(tree.kind, tree.species, tree.planted, each.season, values)
                for each in grows
            ),
            allowed=allowed,
            eligible=tuple(not each for each in barred),
            why_not=tuple(each.why for each in may),
            bars=tuple(
                frozenset(BAR.get(reason.code, Bar.IDENTITY) for reason in each) for each in barred
            ),
        ),
    )


def _grown_like(
    tree: CutTree, cultivar: str, grows: tuple[Capacity, ...], values: RotationValues
) -> TreeSupply:
    """Return a grown tree of a tree's kind that grows what the kind does here."""
    first = grows[0].season
    age = grown(tree.kind, tree.planted, first, values)
    sticks = grows[0].usual / age if age else usual_sticks(tree.kind, tree.species, values)
    limits = limits_of(replace(tree, planted=None), first, values)
    return new_tree(cultivar, tree.kind, sticks, limits, len(grows))


def _cut_by(may: Judgement, season: int, settings: Settings) -> dt.date | None:
    """Return the last day of a season that a tree may be cut on, where that ends before it does."""
    days = [each.until for each in may.reasons if each.code in ENDS and each.until is not None]
    return min((day for day in days if day < opens(season + 1, settings)), default=None)


def _cautions(
    book: CutBook, may: Judgement, status: CutStatus, take: TakeAgainstMates | None
) -> Iterable[str]:
    """Yield what is to be minded of a tree that may be cut."""
    yield from (each.says for each in may.reasons if not each.bars)
    if take is not None and "low_take" not in {sign.sign for sign in status.signs}:
        yield low_take(take)
    if book.kind is None:
        yield "how it is kept is not recorded; it is judged as a bearing tree"
    undated = sum(each.season is None for each in book.cuts)
    if undated:
        yield f"the day of {undated} of its cuttings is not recorded; they count for no season"
