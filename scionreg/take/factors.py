"""Which lots belong to which tree, person, rootstock lot, row or day, and by what share."""

from collections.abc import Callable, Sequence
from typing import Any

import pandas as pd

from scionreg.lineage.worked_lots import WorkedLots
from scionreg.records.errors import RegistryError
from scionreg.records.vocabulary import TakeFactor

COLUMNS = ["lot", "level", "share"]

OF_SOURCES = (TakeFactor.MOTHER_TREE, TakeFactor.COLLECTION, TakeFactor.CUTTING_DAY)
"""What a lot of mixed wood has several of, by share."""

OF_LOTS = {
    TakeFactor.BUNDLE: "bundle",
    TakeFactor.STORE: "store",
    TakeFactor.GRAFTER: "grafter",
    TakeFactor.ROOTSTOCK_LOT: "rootstock_lot",
    TakeFactor.STOCK_SIZE: "stock_mm",
    TakeFactor.GRAFT_DAY: "date",
    TakeFactor.METHOD: "method",
    TakeFactor.CULTIVAR: "cultivar",
}
"""The column that holds the level of a factor that a lot has one of."""

ALIKE = (
    TakeFactor.SEASON,
    TakeFactor.METHOD,
    TakeFactor.CULTIVAR,
    TakeFactor.GRAFTER,
    TakeFactor.ROOTSTOCK_LOT,
    TakeFactor.MOTHER_TREE,
)
"""What lots should be alike in when they are compared, the most important first."""


def alike_for(factor: str) -> list[TakeFactor]:
    """Return what lots should be alike in when `factor` is compared.

    Wood is compared within a cultivar, never within its own tree.
    """
    asked = {named(each) for each in factor.split("*")}
    wood = {*OF_SOURCES, TakeFactor.BUNDLE}
    apart = asked | wood if asked & wood else asked
    return [each for each in ALIKE if each not in apart]


def memberships(worked: WorkedLots, factor: str) -> pd.DataFrame:
    """Return which lots belong to which level of a factor.

    Parameters
    ----------
    factor
        A word of `TakeFactor`, or several joined by ``*`` for the levels they have together, such
        as ``mother_tree*rootstock_lot``; those levels are joined by ``*`` too.

    Returns
    -------
    A row for each lot and level that belong together: `lot` (row number in `worked.lots`), `level`
    (text; a day as ISO, a row as ``block/row``) and `share` of the lot (above 0, at most 1), sorted
    by lot and level. A lot whose level is unknown has no row.

    Raises
    ------
    RegistryError
        There is no such factor, or one is named twice.
    """
    names = [named(name) for name in factor.split("*")]
    if len(set(names)) < len(names):
        raise RegistryError(f"'{factor}' names the same twice; name each once")
    wood = [name for name in names if name in OF_SOURCES]
    joined = _of_sources(worked, wood) if wood else None
    for name in names:
        if name not in OF_SOURCES:
            own = _of_lots(worked, name)
            joined = own if joined is None else joined.merge(own, on="lot")
    assert joined is not None
    level = joined[names[0]]
    for name in names[1:]:
        level = level + "*" + joined[name]
    found = joined.assign(level=level)
    if "share" not in found:
        found["share"] = 1.0
    ordered = found.sort_values(["lot", "level"], kind="stable", ignore_index=True)
    return ordered[COLUMNS]


def named(text: str) -> TakeFactor:
    """Return the factor of that name; raise `RegistryError` where there is none."""
    factor = TakeFactor.spelled(text)
    if factor is None:
        raise RegistryError(f"take is not compared by '{text}'; by {', '.join(TakeFactor)}")
    return factor


def _of_sources(worked: WorkedLots, names: Sequence[TakeFactor]) -> pd.DataFrame:
    """Return lot, the levels of the factors of wood, and the share that has them all."""
    sources = worked.sources
    levels = {str(name): _text(sources[name]) for name in names}
    known = pd.DataFrame({"lot": sources["lot"], "share": sources["share"]}).assign(**levels)
    by = ["lot", *levels]
    shares = known.dropna().groupby(by, sort=False)["share"].sum()
    return shares.reset_index()


def _of_lots(worked: WorkedLots, name: TakeFactor) -> pd.DataFrame:
    """Return lot and level of a factor that a lot has one of."""
    lots = worked.lots
    make: dict[TakeFactor, Callable[[pd.DataFrame], pd.Series[Any]]] = {
        TakeFactor.ROW: _rows,
        TakeFactor.SEASON: lambda lots: _text(lots["season"].where(lots["season"] >= 0)),
    }
    level = make[name](lots) if name in make else _text(lots[OF_LOTS[name]])
    return pd.DataFrame({"lot": range(len(lots)), name: level.to_numpy()}).dropna()


def _rows(lots: pd.DataFrame) -> "pd.Series[Any]":
    return lots["block"] + "/" + _text(lots["row"])


def _text(values: "pd.Series[Any]") -> "pd.Series[Any]":
    """Return values as text; what is unknown stays so."""
    if pd.api.types.is_datetime64_any_dtype(values):
        written = values.dt.strftime("%Y-%m-%d")
    elif pd.api.types.is_numeric_dtype(values):
        written = values.map(lambda number: f"{number:.15g}", na_action="ignore")
    else:
        written = values.map(str, na_action="ignore")
    texts: pd.Series[Any] = written.astype(object).where(values.notna(), None)
    return texts


def lots_of(
    worked: WorkedLots, *, season: int | None = None, cultivar: str | None = None
) -> WorkedLots:
    """Return only the lots of a season, or worked with a cultivar, with their wood and counts."""
    kept = pd.Series(True, index=worked.lots.index)
    if season is not None:
        kept &= worked.lots["season"] == season
    if cultivar is not None:
        kept &= worked.lots["cultivar"] == cultivar
    if not kept.any():
        asked = " ".join(str(each) for each in (season, cultivar) if each is not None)
        raise RegistryError(f"there are no graft lots of {asked}" if asked else "no graft lots yet")
    place = pd.Series(range(int(kept.sum())), index=worked.lots.index[kept])

    def cut(table: pd.DataFrame) -> pd.DataFrame:
        mine = table[table["lot"].isin(place.index)]
        return mine.assign(lot=place[mine["lot"]].to_numpy()).reset_index(drop=True)

    lots = worked.lots[kept].reset_index(drop=True)
    return WorkedLots(lots, cut(worked.sources), cut(worked.counts))
