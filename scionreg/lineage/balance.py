"""What came in against what went out, in sticks, by bundle, collection, tree, cultivar or season.

    cut + received + from other bundles
        = used + discarded + sold + to other bundles + cut, not tied + in store + unexplained

A re-bundle belongs where all its wood came from; wood mixed from several goes to a row without a
code. In store is what lies there in bundles: of each the last count less what left since, or where
it was never counted the remainder; unexplained is then unknown, not zero. Sticks that were cut and
never tied lie in no store. So the rows of every level add up to the same sticks.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from scionreg.lineage.chain import resolve_names
from scionreg.lineage.graph import COUNTED, ESTIMATE, find_kind
from scionreg.lineage.holdings import Held, Holdings, read_holdings
from scionreg.lineage.sticks import tidy
from scionreg.records.cells import noun
from scionreg.records.errors import RegistryError
from scionreg.records.vocabulary import Counting
from scionreg.records.words import Sentence
from scionreg.registry.settings import read_settings

if TYPE_CHECKING:
    import pandas as pd

ROUNDING = 1e-6
"""Sticks: less than this is no stick but what fractions of sticks round to."""
SCOPES = ("bundle", "collection", "tree", "cultivar", "season")
_SCOPE_OF = {
    "bundles": "bundle",
    "collections": "collection",
    "mother_trees": "tree",
    "cultivars": "cultivar",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class BalanceRow:
    """The sticks of one bundle, collection, tree, cultivar or season; all numbers are sticks.

    `code` is None for wood mixed from several, or of unknown source. `unexplained` is None where
    nobody counted. `alarm` says what is wrong, None where nothing is. `tolerance` is the share of
    what came in that may stay unexplained, by how the sticks were counted. `cut_not_tied` are the
    sticks of cuttings that no bundle holds. `note` says of which bundle the last count was made on
    a day of grafting, and how it is taken; None of none.
    """

    scope: str
    code: str | None
    cut: float
    received: float
    from_bundles: float
    used: float
    discarded: float
    sold: float
    to_bundles: float
    in_store: float
    unexplained: float | None
    alarm: str | None
    tolerance: float
    cut_not_tied: float
    note: str | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the row with plain values."""
        return {name: getattr(self, name) for name in COLUMNS}


COLUMNS = tuple(BalanceRow.__dataclass_fields__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """A row for each bundle, collection, tree, cultivar or season."""

    rows: tuple[BalanceRow, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {"rows": [row.to_dict() for row in self.rows]}

    def to_rows(self) -> list[dict[str, Any]]:
        """Return one flat dictionary a row, for CSV."""
        return [row.to_dict() for row in self.rows]

    def to_frame(self) -> "pd.DataFrame":
        """Return the rows as a table."""
        import pandas as pd

        return pd.DataFrame(self.to_rows(), columns=list(COLUMNS))


def balance(
    connection: Connection,
    *,
    scope: str | None = None,
    codes: Sequence[str] | None = None,
    season: int | None = None,
    alarms_only: bool = False,
) -> Balance:
    """Return the balance by `scope`, of `codes` or of everything, for one `season` or all.

    Without a scope, codes are balanced as what they are; without either, the rows are cultivars
    (bundles with `alarms_only`). With a season, only wood of that season's cuttings counts; wood
    that came from or went into other seasons' bundles is shown as from and to other bundles.

    Raises
    ------
    NotFoundError
        Nothing is recorded under one of the codes.
    RegistryError
        An unknown scope, or a code that is of another kind.
    """
    if scope is not None and scope not in SCOPES:
        raise RegistryError(f"there is no balance by '{scope}'; choose one of {', '.join(SCOPES)}")
    if codes:
        asked = _by_scope(connection, scope, codes)
    else:
        asked = {scope or ("bundle" if alarms_only else "cultivar"): None}
    settings = read_settings(connection)
    found: list[BalanceRow] = []
    for each, wanted in asked.items():
        holdings = read_holdings(connection, each, wanted, settings)
        found += _rows(holdings, wanted, season)
    return Balance(rows=tuple(row for row in found if row.alarm or not alarms_only))


def _by_scope(
    connection: Connection, scope: str | None, codes: Sequence[str]
) -> dict[str, list[str] | None]:
    """Return the codes by the scope that each is of, cultivars by the name they stand for."""
    found: dict[str, list[str] | None] = {}
    for code in dict.fromkeys(codes):
        own, name = _scope_of(connection, scope, code)
        listed = found.setdefault(own, [])
        if listed is not None:
            listed.append(name)
    return found


def _scope_of(connection: Connection, scope: str | None, code: str) -> tuple[str, str]:
    if scope == "season":
        if not code.isdecimal():
            raise RegistryError(f"'{code}' is no season; write the year, as in 2026")
        return scope, code
    if scope in (None, "cultivar"):
        name = resolve_names(connection, {code})[code]
        if name != code:
            return "cultivar", name
    kind = find_kind(connection, code)
    own = _SCOPE_OF.get(kind)
    if own is None or scope not in (None, own):
        what = scope or "bundle, collection, tree or cultivar"
        raise RegistryError(f"'{code}' is a {noun(kind)}; name a {what}")
    return own, code


# ------------------------------------------------------------------------------ adding it up


@dataclass(slots=True)
class _Sum:
    """What is added up for one row."""

    cut: float = 0
    received: float = 0
    from_bundles: float = 0
    used: float = 0
    discarded: float = 0
    sold: float = 0
    to_bundles: float = 0
    cut_not_tied: float = 0
    in_store: float = 0
    uncounted: bool = False
    """Whether a bundle was never counted in store."""
    estimated: bool = False
    alarms: list[Sentence] = field(default_factory=list)
    notes: list[Sentence] = field(default_factory=list)

    def add_bundle(self, held: Held) -> None:
        """Add what left a bundle, and what is there."""
        flow, bundle = held.flow, held.bundle
        self.used += flow.used
        self.discarded += flow.discarded
        self.sold += flow.sold
        self.estimated |= bundle.counting != Counting.COUNTED or flow.derived
        self.in_store += flow.left_of(bundle.sticks)
        if flow.counted is None:
            self.uncounted = True
            if flow.discarded_rest:
                self.discarded += max(0.0, bundle.sticks - flow.out)
        if flow.amid is not None:
            self.notes.append(
                Sentence(
                    f"balance.counted_{'before' if flow.amid.before else 'after'}_grafts",
                    bundle=bundle.bundle,
                    day=flow.amid.day,
                )
            )
        self.alarms += _bundle_alarms(held)

    def row(self, scope: str, code: str | None) -> BalanceRow:
        """Return the row, with what is left unexplained."""
        came = self.cut + self.received + self.from_bundles
        gone = self.used + self.discarded + self.sold + self.to_bundles
        rest = came - gone - self.cut_not_tied - self.in_store
        # Where nobody counted, nothing tells how much is lost; what records contradict is sure.
        unexplained = None if self.uncounted and abs(rest) < ROUNDING else rest
        tolerance = ESTIMATE if self.estimated else COUNTED
        return BalanceRow(
            scope=scope,
            code=code,
            cut=tidy(self.cut),
            received=tidy(self.received),
            from_bundles=tidy(self.from_bundles),
            used=tidy(self.used),
            discarded=tidy(self.discarded),
            sold=tidy(self.sold),
            to_bundles=tidy(self.to_bundles),
            in_store=tidy(self.in_store),
            unexplained=None if unexplained is None else tidy(unexplained),
            alarm=self._alarm(came, gone, unexplained, tolerance),
            tolerance=tolerance,
            cut_not_tied=tidy(self.cut_not_tied),
            note=_and_more(self.notes),
        )

    def _alarm(
        self, came: float, gone: float, unexplained: float | None, tolerance: float
    ) -> Sentence | None:
        alarms = sorted(self.alarms)
        if gone > came and not alarms:
            alarms.append(Sentence("balance.more_left", sticks=tidy(gone), came=tidy(came)))
        elif (
            unexplained is not None
            and abs(unexplained) > tolerance * came
            and not (alarms and self.uncounted)  # then it is what the alarms say already
        ):
            alarms.append(
                Sentence(
                    f"balance.{'unexplained' if unexplained > 0 else 'too_many'}",
                    sticks=tidy(abs(unexplained)),
                    share=f"{tolerance:.0%}",
                )
            )
        return _and_more(alarms)


def _and_more(said: list[Sentence]) -> Sentence | None:
    """Return the first of some sentences, and how many more there are; None of none."""
    if len(said) > 1:
        return Sentence("balance.and_more", alarm=said[0], more=len(said) - 1)
    return said[0] if said else None


def _bundle_alarms(held: Held) -> Iterable[Sentence]:
    """Yield what is wrong with one bundle, whatever it is added into."""
    bundle, out = held.bundle, held.flow.out
    if out > bundle.sticks:
        yield Sentence(
            "balance.more_left_bundle",
            sticks=tidy(out),
            bundle=bundle.bundle,
            there=bundle.sticks,
        )
    if held.given is None and bundle.collection is None and bundle.received_from is None:
        yield Sentence("balance.no_source", bundle=bundle.bundle, sticks=bundle.sticks)
    if held.given is not None and held.given < bundle.sticks:
        yield Sentence(
            "balance.parents_gave_less",
            bundle=bundle.bundle,
            sticks=bundle.sticks,
            given=tidy(held.given),
        )


def _rows(holdings: Holdings, wanted: Sequence[str] | None, season: int | None) -> list[BalanceRow]:
    scope = holdings.scope
    sums: dict[str | None, _Sum] = {}
    group: dict[str, str | None] = {}
    for code, held in holdings.bundles.items():
        if season is None or held.season == season:
            group[code] = held.home
            adding = sums.setdefault(held.home, _Sum())
            adding.add_bundle(held)
            if held.bundle.received_from is not None:
                adding.received += held.bundle.sticks
            elif scope == "bundle" and held.bundle.collection is not None:
                adding.cut += held.bundle.sticks
    _add_cuttings(holdings, sums, season)
    outside = object()
    for child, parent, sticks in holdings.passed:
        into, out_of = group.get(child, outside), group.get(parent, outside)
        if into is not out_of and into != out_of:
            if child in group:
                sums[group[child]].from_bundles += sticks
            if parent in group:
                sums[group[parent]].to_bundles += sticks
    shown = sums.keys() if wanted is None else [code for code in wanted if code in sums]
    return [sums[code].row(scope, code) for code in sorted(shown, key=lambda c: (c is None, c))]


def _add_cuttings(holdings: Holdings, sums: dict[str | None, _Sum], season: int | None) -> None:
    """Add what was cut, but to single bundles, which hold what was tied in them."""
    if holdings.scope == "bundle":
        return
    for cut in holdings.cuttings:
        if season is not None and cut.season != season:
            continue
        adding = sums.setdefault(cut.home, _Sum())
        adding.cut += cut.sticks
        adding.estimated |= cut.count != Counting.COUNTED
        adding.cut_not_tied += max(0.0, cut.sticks - (cut.tied or 0))
        if cut.tied is not None and cut.tied > cut.sticks:
            adding.alarms.append(
                Sentence(
                    "balance.more_tied",
                    sticks=tidy(cut.tied),
                    collection=cut.collection,
                    cut=cut.sticks,
                )
            )
