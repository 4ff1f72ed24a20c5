"""Answers about what something is: records read, and the reasoning asked."""

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from scionreg.identity.matching import Match, SampleVerdict, match, verdict_of
from scionreg.identity.panel import Panel
from scionreg.identity.profiles import Profile, alleles_of
from scionreg.identity.stocks import Stock
from scionreg.lineage.chain import resolve_names
from scionreg.lineage.graph import read_lots, split_position
from scionreg.lineage.lot_looks import read_lot_trees
from scionreg.lineage.profiles import Profiled, Sample, StockLot, read_profiles
from scionreg.lineage.standing import now_at, regrafts_among
from scionreg.lineage.trace import trace
from scionreg.records.errors import NotFoundError, RegistryError
from scionreg.records.starting_values import IdentityValues, MatchValues
from scionreg.records.vocabulary import CheckMethod
from scionreg.registry.settings import read_settings

if TYPE_CHECKING:
    import pandas as pd

    from scionreg.identity.sampling import SampleSize


@dataclass(frozen=True, slots=True, kw_only=True)
class Matches:
    """Samples beside the references, in the order asked."""

    matches: tuple[Match, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form: one sample's own, or those of several under `matches`."""
        if len(self.matches) == 1:
            return self.matches[0].to_dict()
        return {"matches": [each.to_dict() for each in self.matches]}

    def to_rows(self) -> list[dict[str, Any]]:
        """Return a flat dictionary a sample and reference, for CSV."""
        return [row for each in self.matches for row in each.to_rows()]

    def to_frame(self) -> "pd.DataFrame":
        """Return the rows as a table."""
        import pandas as pd

        return pd.DataFrame(self.to_rows())


def matches(
    connection: Connection, samples: Sequence[str] = (), *, against: Sequence[str] = ()
) -> Matches:
    """Return what samples are, by their marker profiles.

    Parameters
    ----------
    samples : names of samples, or codes of what was sampled (all samples of it); none means every
        sample of a tree, bundle or graft lot.
    against : cultivars, rootstock clones, samples or sampled things to compare with; else every
        reference.

    Raises
    ------
    RegistryError
        There is no such sample or reference.
    """
    known = Known.read(connection)
    asked = [each for name in samples for each in known.asked(name)] or known.sampled()
    if not asked:
        raise RegistryError("there are no samples; record their loci with: scionreg add genotype")
    wanted = known.named(connection, against) if against else None
    return Matches(
        matches=tuple(
            match(
                profile,
                known.panel,
                label=known.label_of(connection, profile),
                against=wanted,
                stock=known.stock_of(connection, profile),
            )
            for profile in {each.sample: each for each in asked}.values()
        )
    )


def sample_verdicts(connection: Connection) -> dict[str, tuple[str, SampleVerdict]]:
    """Return of every sample of a tree, bundle or graft lot its item, and what it was found to be.

    `Known.verdicts` does so for trees alone.
    """
    return Known.read(connection).verdicts(connection)


@dataclass(frozen=True, eq=False)
class Known:
    """The registry's marker profiles, ready to be compared."""

    panel: Panel
    read_with: Profiled

    @classmethod
    def read(cls, connection: Connection) -> "Known":
        """Read every profile."""
        found = read_profiles(connection)
        spelled: dict[str, str] = {}
        panel = Panel(
            profiles=tuple(_profile(sample, found, spelled) for sample in found.samples),
            species=found.species,
            taken_for=found.trees,
            recorded_alike=found.alike,
            values=read_settings(connection).values(MatchValues),
        )
        return cls(panel, found)

    def asked(self, name: str) -> list[Profile]:
        """Return the sample of a name, or the samples of an item; raise `NotFoundError`."""
        profiles = self.panel.profiles
        found = [each for each in profiles if each.sample == name]
        found = found or [each for each in profiles if each.item == name]
        if not found:
            raise self._not_found(name, "sample", [])
        return found

    def sampled(self) -> list[Profile]:
        """Return every sample that is neither a reference nor of a lot of rootstocks."""
        return [
            profile
            for profile in self.panel.profiles
            if not profile.cultivar and profile.item not in self.read_with.stocks
        ]

    def verdicts(
        self, connection: Connection, *, trees_only: bool = False
    ) -> dict[str, tuple[str, SampleVerdict]]:
        """Return of each sample of a plant or wood its item, and what it was found to be."""
        return {
            profile.sample: (
                str(profile.item),
                verdict_of(
                    profile,
                    self.label_of(connection, profile),
                    self.panel,
                    self.stock_of(connection, profile),
                ),
            )
            for profile in self.sampled()
            if profile.tree or (profile.item and not trees_only)
        }

    def named(self, connection: Connection, names: Iterable[str]) -> list[Profile]:
        """Return the profiles that names mean, aliases included; raise `NotFoundError`."""
        stands_for = resolve_names(connection, set(names))
        found: list[Profile] = []
        for name in names:
            profiles = self.panel.named(name) or self.panel.named(stands_for[name])
            if not profiles:
                names_of = (each.cultivar or each.clone for each in self.panel.profiles)
                raise self._not_found(name, "profile", names_of)
            found += profiles
        return found

    def _not_found(self, name: str, what: str, more: Iterable[str | None]) -> NotFoundError:
        profiles = self.panel.profiles
        known = {*(each.sample for each in profiles), *(each.item for each in profiles), *more}
        near = difflib.get_close_matches(name, sorted(each for each in known if each), n=3)
        offer = f"; did you mean {' or '.join(near)}?" if near else ""
        return NotFoundError(f"there is no {what} of '{name}'{offer}")

    def label_of(self, connection: Connection, profile: Profile) -> str | None:
        """Return the cultivar that what was sampled is claimed to be, None where it has no label.

        Of mixed wood it is the cultivar of the larger part.
        """
        if profile.cultivar or profile.tree:
            return profile.cultivar or self.read_with.trees[str(profile.tree)]
        if profile.item is None or profile.item in self.read_with.stocks:
            return None
        shares: dict[str, float] = {}
        try:
            sources = trace(connection, profile.item).sources
        except NotFoundError:
            return None  # a position that its lot does not have
        for source in sources:
            if source.generation == 1 and source.cultivar is not None:
                shares[source.cultivar] = shares.get(source.cultivar, 0.0) + source.share
        return max(shares, key=lambda name: (shares[name], name)) if shares else None

    def stock_of(self, connection: Connection, profile: Profile) -> Stock | None:
        """Return the rootstock that a sampled plant stands on, None where nobody recorded it."""
        if profile.tree is not None:
            named, lot = self.read_with.stands_on[profile.tree]
            clones = {stock.clone for stock in self.read_with.stocks.values()}
            clone = named if named in clones else None
            return self._stock(self.read_with.stocks.get(lot or ""), clone)
        if profile.item is None or profile.item in self.read_with.stocks:
            return None
        code, position = split_position(profile.item)
        lots = read_lots(connection, [code])
        if code not in lots:
            return None
        standing = lots[code]
        if position is not None:
            standing, _ = now_at(standing, regrafts_among(lots.values()), position)
        stock = standing.rootstock_lot or lots[code].rootstock_lot
        return self._stock(self.read_with.stocks.get(stock or ""), None)

    def _stock(self, lot: StockLot | None, clone: str | None) -> Stock | None:
        if lot is None:
            return Stock(clone=clone) if clone else None
        return Stock(
            lot=lot.rootstock_lot,
            clone=lot.clone or clone,
            seed_parent=lot.seed_parent,
            parents=tuple(self._parents(lot.seed_parent)),
        )

    def _parents(self, seed_parent: str | None) -> list[Profile]:
        """Return the profiles of a seed parent: the tree's own, else its cultivar's."""
        if seed_parent is None:
            return []
        own = [each for each in self.panel.profiles if each.tree == seed_parent]
        cultivar = self.read_with.trees.get(seed_parent, seed_parent)
        return own or [each for each in self.panel.profiles if each.cultivar == cultivar]


def _profile(sample: Sample, found: Profiled, spelled: dict[str, str]) -> Profile:
    """Return a profile; a locus goes by the name that was met first, whatever its capitals."""
    stock = found.stocks.get(sample.item or "")
    loci = {
        spelled.setdefault(name.casefold(), name): alleles_of(lengths)
        for name, lengths in sample.loci.items()
    }
    return Profile(
        sample=sample.sample,
        loci={name: alleles for name, alleles in loci.items() if alleles},
        laboratory=sample.laboratory,
        item=sample.item,
        cultivar=sample.cultivar,
        tree=sample.item if sample.item in found.trees else None,
        clone=stock.clone if stock else None,
    )


def sample(
    connection: Connection,
    lot: str | None = None,
    *,
    level: float = 2,
    confidence: float = 95,
    trees: int | None = None,
    look_at: int | None = None,
) -> "SampleSize":
    """Return how many trees of a lot to look at, and what the looks so far still allow.

    Parameters
    ----------
    lot : a graft lot or dispatch; None needs `trees`.
    level : off-types that a look must be able to find, per cent of the trees.
    confidence : how sure it must be to find at least one of them, per cent.
    trees : how many there are, in place of what the records say.
    look_at : also say what a clean look at so many would still allow.

    Raises
    ------
    RegistryError
        There is no such lot, or a number is out of its range.
    """
    from scionreg.identity.sampling import sample_size, with_looks

    if lot is None and trees is None:
        raise RegistryError("how many of what? name a graft lot or a dispatch, or give --trees")
    found = read_lot_trees(connection, lot) if lot is not None else None
    values = read_settings(connection).values(IdentityValues)
    rates = {
        method.value: values.find_rate(method) for method in CheckMethod if values.find_rate(method)
    }
    recorded = (found.trees, found.trees_are) if found is not None else (0, "")
    number, known_by = recorded if trees is None else (trees, "as given")
    size = sample_size(
        number,
        level=level / 100,
        confidence=confidence / 100,
        find_rates=rates,
        lot=lot,
        trees_are=known_by,
        asked=look_at,
    )
    return size if found is None else with_looks(size, found.looks, rates)
