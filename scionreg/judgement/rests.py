"""Which mother trees rest in a season, by how hard they were cut."""

import datetime as dt
from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection

from scionreg.lineage.cut_books import CutBook, read_cut_books
from scionreg.records.errors import RegistryError
from scionreg.records.starting_values import RotationValues
from scionreg.records.vocabulary import LowTake, TreeKind
from scionreg.registry.settings import Settings
from scionreg.rotation.capacity import CutTree, SeasonCut, capacities
from scionreg.rotation.pressure import CutStatus, TakeAgainstMates, cut_status, one_a_season


class Rests:
    """How hard every mother tree was cut before a season, and whether it rests in it.

    `took`: the trees whose wood took low, where that is known already.
    """

    def __init__(
        self,
        connection: Connection,
        settings: Settings,
        season: int,
        took: Mapping[str, TakeAgainstMates] | None = None,
    ) -> None:
        self.connection, self.season, self._took = connection, season, took
        self.values = settings.values(RotationValues)
        books = read_cut_books(connection, settings)
        self.trees = {each.tree: cut_tree(each, settings) for each in books}
        self.grows = capacities(list(self.trees.values()), (season,), self.values)

    def __getitem__(self, code: str) -> CutStatus:
        """Return one tree's; its take is asked for only where it decides: two signs are a rest."""
        found = self._status(code, None)
        if self._took is None and len(found.signs) == 1:
            self._took = take_by_tree(self.connection)
        take = (self._took or {}).get(code) if found.signs else None
        return found if take is None else self._status(code, take)

    def _status(self, code: str, take: TakeAgainstMates | None) -> CutStatus:
        sticks = self.grows[code][0].sticks
        return cut_status(self.trees[code], self.season, sticks, take=take, values=self.values)


def cut_tree(book: CutBook, settings: Settings) -> CutTree:
    """Return a tree as the reasoning takes it; one of unknown kind is taken to be bearing."""
    cuts = [
        (each.season, SeasonCut(season=each.season, **_rest(each._asdict())))
        for each in book.cuts
        if each.season is not None
    ]
    return CutTree(
        tree=book.tree,
        kind=book.kind or TreeKind.BEARING.value,
        species=book.species,
        planted=settings.season(book.planted) if book.planted else None,
        expected=book.sticks_per_year,
        cuts=one_a_season(cuts),
    )


def _rest(cut: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in cut.items() if name != "season"}


def take_by_tree(connection: Connection) -> dict[str, TakeAgainstMates]:
    """Return the trees whose wood took low among lots alike, and by how much.

    What calls them low (enough grafts, no luck among so many trees) is what `take` goes by.
    """
    from scionreg import taking

    try:
        table = taking.table(connection, "mother_tree")
    except RegistryError:
        return {}
    return {
        each.item: TakeAgainstMates(
            difference=each.difference,
            low=each.difference_low,
            high=each.difference_high,
            grafts=each.grafts,
        )
        for each in table.suspects
        if each.verdict is LowTake.LOW
        and "cultivar" in each.alike
        and each.difference is not None
        and each.difference_low is not None
        and each.difference_high is not None
    }


def opens(season: int, settings: Settings) -> dt.date:
    """Return the day a season opens."""
    month, day = (int(part) for part in settings.season_first_day.split("-"))
    # Whatever its first day, the season that opens in a year has begun on that year's last day.
    year = 2 * season - settings.season(dt.date(season, 12, 31))
    if (month, day) == (2, 29):  # in most years what follows the 28th is the first of March
        return dt.date(year, 2, 28) + dt.timedelta(days=1)
    return dt.date(year, month, day)
