"""Reads what the registry knows, and judges whatever is asked about by it."""

import datetime as dt
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import replace
from functools import cached_property
from typing import NamedTuple

from sqlalchemy import Connection

from scionreg.identity.tree_evidence import Sampled
from scionreg.identity.tree_status import TreeIdentity, Weights, is_beyond_chance
from scionreg.judgement.rests import Rests
from scionreg.judgement.trees import Asked, TreeFacts, identity_on, tree_reasons
from scionreg.judgement.wood import bundle_reasons, hold_reasons, lot_reasons
from scionreg.lineage import relatives
from scionreg.lineage.chain import Line, resolve_names
from scionreg.lineage.cut_books import grown_from_increase
from scionreg.lineage.graph import Cutting, Query, as_day, not_found, rows
from scionreg.lineage.judged_books import (
    Ground,
    Held,
    Permit,
    Right,
    SpokenOf,
    read_ground,
    read_holds,
    read_permits,
    read_renamed,
    read_rights,
    read_spoken_of,
)
from scionreg.lineage.reasons import Judgement, Reason, barred, doubted, judged
from scionreg.lineage.relatives import KinLook, read_kin
from scionreg.lineage.stays import Kept, read_kept
from scionreg.lineage.stops import stops
from scionreg.lineage.tree_books import TreeBook, read_tree_books
from scionreg.lineage.woods import read_woods
from scionreg.records.starting_values import IdentityValues, RotationValues, StatusValues
from scionreg.records.vocabulary import Against, Found
from scionreg.registry.settings import Settings, read_settings
from scionreg.rotation.pressure import TakeAgainstMates

LOTS = Query("SELECT graft_lot, bundle FROM graft_lots WHERE graft_lot IN {codes}")
SAMPLED = Query("SELECT t.tree FROM genotypes g JOIN mother_trees t ON t.tree = g.item LIMIT 1")
LINES = Query(
    "SELECT dispatch, graft_lot, date, customer, trees, first, last, label_cultivar "
    "FROM dispatches WHERE dispatch IN {codes} ORDER BY dispatch, graft_lot"
)
TREES = "mother_trees"
RELATIVES = Against.RELATIVES


class _Kin(NamedTuple):
    """Looks at lots of some wood, and what the cultivars written of it stand for."""

    looks: list[KinLook]
    names: dict[str, str]


def _places(line: Line) -> Iterable[int] | None:
    """Return the positions of a line of a dispatch, None where they are not known."""
    if line.first is None or line.last is None:
        return None
    return range(line.first, line.last + 1)


class Judge:
    """What a registry knows for and against using what is in it, on days that are asked about.

    Each part of the records is read once, when the first question needs it; `settings`, and the
    trees whose wood `took` low, need not be read where they are known.
    """

    def __init__(
        self,
        connection: Connection,
        on: dt.date | None = None,
        *,
        settings: Settings | None = None,
        took: Mapping[str, TakeAgainstMates] | None = None,
    ) -> None:
        self.connection = connection
        self.settings = settings or read_settings(connection)
        self.today = self.settings.today()
        self.on = on or self.today
        self._took = took
        self._then: dict[str, list[Reason]] = {}
        self._rests: dict[int, Rests] = {}

    # ------------------------------------------------------------------------------ mother trees

    def trees(
        self,
        codes: Collection[str] | None = None,
        *,
        on: dt.date | None = None,
        until: dt.date | None = None,
        limb: str = "",
        dateless: bool = True,
    ) -> dict[str, Judgement]:
        """Return whether wood may be cut of mother trees (None: all), or of a limb, on a day.

        `until` asks about all days to that one: what ends before is told, and bars nothing. What
        has no day (a tree's own status, its marker profiles) counts if `dateless`, and from the
        season on that it is now.
        """
        day = on or self.on
        asked = self._asked(day, until, limb or None)
        if not dateless:
            asked = replace(asked, now=False)
        found = {}
        for code in self.books if codes is None else codes:
            if code not in self.books:
                raise not_found(self.connection, code)
            found[code] = judged(code, TREES, day, tree_reasons(self._facts(code, day), asked))
        return found

    def identity(self, code: str, *, on: dt.date | None = None) -> TreeIdentity:
        """Return what is known of a mother tree's identity on a day."""
        day = on or self.on
        return identity_on(self._facts(code, day), self._asked(day))

    def tree(self, code: str, *, on: dt.date | None = None, limb: str = "") -> Judgement:
        """Return whether wood may be cut of a mother tree, or of a limb, on a day."""
        return self.trees([code], on=on, limb=limb)[code]

    def _asked(self, day: dt.date, until: dt.date | None = None, limb: str | None = None) -> Asked:
        season, now_is = self.settings.season(day), self.settings.season(self.today)
        return Asked(
            on=day,
            season=season,
            until=until,
            # What has no day is known of this season, and of no earlier one.
            now=season >= now_is,
            now_is=now_is,
            limb=limb,
            weights=self.weights,
            values=self.settings.values(RotationValues),
        )

    def _facts(self, code: str, day: dt.date) -> TreeFacts:
        season = self.settings.season(day)
        if season not in self._rests:
            self._rests[season] = Rests(self.connection, self.settings, season, self._took)
        return replace(
            self._facts_then(code),
            right=self.rights.get(self.books[code].cultivar),
            rest=self._rests[season][code],
            samples=self.sampled.get(code, ()),
        )

    def _facts_then(self, code: str) -> TreeFacts:
        """Return what bears on wood that was cut: neither rest nor right nor what has no day."""
        return TreeFacts(
            book=self.books[code],
            permits=self._permits_of(code),
            ground=self.ground[code],
            renamed=self.renamed.get(code),
            from_increase=self.from_increase.get(code),
        )

    # -------------------------------------------------------------------------- wood and its lots

    def bundles(
        self, codes: Collection[str] | None = None, *, on: dt.date | None = None
    ) -> dict[str, Judgement]:
        """Return whether the wood of bundles (None: of all) may be grafted on a day."""
        from scionreg import storing

        day = on or self.on
        found = storing.report(
            self.connection, () if codes is None else list(codes), at=self._end_of(day), judge=self
        )
        return {
            each.bundle: judged(each.bundle, "bundles", day, each.reasons) for each in found.bundles
        }

    def moment(self) -> dt.datetime:
        """Return the moment up to which wood is judged on the day asked about."""
        return self._end_of(self.on)

    def bundles_by_records(self, codes: Collection[str], *, on: dt.date) -> dict[str, Judgement]:
        """Return the same by what was recorded of the wood, without what its stores were like."""
        kept = read_kept(self.connection, self.settings.zone, list(codes), at=self._end_of(on))
        wood = self.wood(kept, on)
        return {code: judged(code, "bundles", on, wood[code]) for code in codes}

    def _end_of(self, day: dt.date) -> dt.datetime:
        """Return the moment up to which a day's wood is judged: its end, or now."""
        end = dt.datetime.combine(day + dt.timedelta(days=1), dt.time(), self.settings.zone)
        return min(end.astimezone(dt.UTC), dt.datetime.now(dt.UTC).replace(microsecond=0))

    def wood(self, kept: Kept, on: dt.date | None = None) -> dict[str, list[Reason]]:
        """Return what is known against each bundle of `kept` on a day, but for heat and age."""
        day = on or self.on
        woods = read_woods(self.connection, kept)
        found = bundle_reasons(
            kept,
            stops(self.connection, kept, day),
            self._at_cutting,
            self.rights,
            {code: wood.cultivars for code, wood in woods.items()},
            day,
        )
        kin = self._kin(kept, day)
        for code in kept.order():
            found[code] += self._of_kin(kept, kin, code)
            for parent in kept.parents.get(code, ()):
                found[code] += [each for each in found[parent] if each.code is RELATIVES]
        return found

    def _kin(self, kept: Kept, day: dt.date) -> "_Kin":
        """Return the looks up to a day at lots of the wood, and what the names on it stand for."""
        every = read_kin(self.connection, {*kept.bundles, *kept.cuttings})
        looks = [each for each in every if each.date is None or each.date <= day]
        written = {each.found for each in looks if each.found}
        written |= {tree.cultivar for tree in kept.trees.values()}
        written |= {bundle.claimed for bundle in kept.bundles.values() if bundle.claimed}
        return _Kin(looks, resolve_names(self.connection, written))

    def _of_kin(
        self, kept: Kept, kin: "_Kin", code: str, lot: str | None = None
    ) -> Iterator[Reason]:
        """Yield what looks at others of the same wood say against a bundle, or a lot made of it."""
        bundle, cutting = kept.bundles[code], kept.cutting(code)
        written = kept.trees[cutting.tree].cultivar if cutting else bundle.claimed
        looks = relatives.against(
            kin.looks,
            bundle=code,
            collection=bundle.collection,
            lot=lot,
            names=kin.names,
            label=kin.names[written] if written else None,
        )
        if looks:
            make = barred if relatives.many(looks) else doubted
            source = bundle.collection or code
            yield make(RELATIVES, relatives.told(looks, lot or code, source), source)

    def _at_cutting(self, cutting: Cutting) -> list[Reason]:
        """Return what was known against a tree on the day it was cut, but for its rest."""
        if cutting.collection not in self._then:
            day = cutting.date or self.on
            asked = replace(self._asked(day, limb=cutting.limb), now=False)
            found = tree_reasons(self._facts_then(cutting.tree), asked)
            self._then[cutting.collection] = list(found)
        return self._then[cutting.collection]

    def _permits_of(self, tree: str) -> tuple[Permit, ...]:
        block = self.ground[tree].block
        return tuple(
            each
            for each in self.permits
            if each.tree == tree or (each.block is not None and each.block == block)
        )

    def lots(
        self,
        codes: Collection[str],
        *,
        on: dt.date | None = None,
        positions: Mapping[str, Iterable[int]] | None = None,
    ) -> dict[str, Judgement]:
        """Return whether trees of graft lots may be labelled and sold on a day.

        `positions`: those of a lot that are asked about; all of a lot that it does not name.
        """
        day = on or self.on
        asked, holds = positions or {}, self.holds(day)
        return {
            lot: judged(
                lot,
                "graft_lots",
                day,
                [*hold_reasons(lot, holds.get(lot, ()), asked.get(lot)), *reasons],
            )
            for lot, reasons in self._of_lots(codes, day).items()
        }

    def _of_lots(self, codes: Collection[str], day: dt.date) -> dict[str, list[Reason]]:
        """Return what is known against graft lots on a day, but for holds on them."""
        bundle_of = dict(rows(self.connection, LOTS, codes))
        for code in codes:
            if code not in bundle_of:
                raise not_found(self.connection, code)
        kept = read_kept(
            self.connection, self.settings.zone, list(bundle_of.values()), at=self._end_of(day)
        )
        wood, kin = self.wood(kept, day), self._kin(kept, day)
        return {
            lot: [
                *(e.reason(lot) for e in relatives.unanswered(kin.looks, lot) if self._tells(e)),
                *lot_reasons(e for e in wood[bundle_of[lot]] if e.code is not RELATIVES),
                *self._of_kin(kept, kin, bundle_of[lot], lot),
            ]
            for lot in codes
        }

    def _tells(self, look: KinLook) -> bool:
        """Tell whether a look speaks against the label: a rootstock that grew is another matter."""
        beyond = is_beyond_chance(look.method, look.checked, look.off, self.weights)
        return beyond and look.found != Found.ROOTSTOCK

    def lines(
        self, dispatches: Collection[str], *, on: dt.date | None = None
    ) -> dict[str, Judgement]:
        """Return whether the lines of dispatches may leave, by ``dispatch/graft lot``."""
        day = on or self.on
        lines = [
            Line(row[0], row[1], as_day(row[2]), *row[3:8])
            for row in rows(self.connection, LINES, dispatches)
        ]
        lots = self._of_lots({line.graft_lot for line in lines}, day)
        holds = self.holds(day)
        return {
            line.code: judged(
                line.code,
                "dispatches",
                day,
                [
                    *hold_reasons(line.dispatch, holds.get(line.dispatch, ())),
                    *hold_reasons(line.graft_lot, holds.get(line.graft_lot, ()), _places(line)),
                    *lots[line.graft_lot],
                ],
            )
            for line in lines
        }

    def of_holds(self, item: str, holds: Mapping[str, list[Held]]) -> list[Reason]:
        """Return the holds on a cutting, lot or dispatch, as reasons."""
        return list(hold_reasons(item, holds.get(item, ())))

    def holds(self, on: dt.date) -> dict[str, list[Held]]:
        """Return the holds in force on a day on cuttings, lots and dispatches."""
        return read_holds(self.connection, on)

    # ------------------------------------------------------------------------- read once, if ever

    @cached_property
    def books(self) -> dict[str, TreeBook]:
        """Return the book of every mother tree."""
        return {each.tree: each for each in read_tree_books(self.connection)}

    @cached_property
    def ground(self) -> dict[str, Ground]:
        """Return where every mother tree stands."""
        return read_ground(self.connection)

    @cached_property
    def rights(self) -> dict[str, Right]:
        """Return every cultivar's rights."""
        return read_rights(self.connection)

    @cached_property
    def permits(self) -> list[Permit]:
        """Return every permission."""
        return read_permits(self.connection)

    @cached_property
    def renamed(self) -> dict[str, dt.date]:
        """Return the trees whose name was corrected, and the last day of that."""
        names = {each.tree: each.cultivar for each in self.books.values()}
        return read_renamed(self.connection, names, self.settings.zone)

    @cached_property
    def from_increase(self) -> dict[str, str]:
        """Return the trees that were grown from a temporary source, and from which."""
        return grown_from_increase(self.connection)

    @cached_property
    def spoken_of(self) -> SpokenOf:
        """Return what anything recorded may speak against, on whatever day."""
        return read_spoken_of(self.connection, self.from_increase)

    @cached_property
    def weights(self) -> Weights:
        """Return how long looks hold, and how far methods can be trusted."""
        values = self.settings.values
        return Weights(values(StatusValues), values(IdentityValues))

    @cached_property
    def sampled(self) -> dict[str, tuple[Sampled, ...]]:
        """Return what marker profiles of mother trees showed, those that tell something."""
        if not rows(self.connection, SAMPLED, ()):
            return {}
        from scionreg.vouching import sampled_trees

        return sampled_trees(self.connection)
