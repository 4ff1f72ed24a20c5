"""Marker profiles as they are recorded, with what was sampled and what it is claimed to be."""

from collections.abc import Mapping
from typing import NamedTuple

from sqlalchemy import Connection

from scionreg.lineage.chain import resolve_names
from scionreg.lineage.graph import Query, rows

PROFILES = Query(
    "SELECT sample, item, cultivar, laboratory, locus, allele_1, allele_2, allele_3 "
    "FROM genotypes ORDER BY id"
)
TREES = Query(
    "SELECT t.tree, t.cultivar, t.rootstock, g.rootstock_lot FROM mother_trees t "
    "LEFT JOIN graft_lots g ON g.graft_lot = t.graft_lot ORDER BY t.id"
)
STOCKS = Query("SELECT rootstock_lot, clone, seed_parent FROM rootstock_lots ORDER BY id")
CULTIVARS = Query("SELECT cultivar, species, cannot_tell_from FROM cultivars ORDER BY id")


class Sample(NamedTuple):
    """One recorded profile. `cultivar` is the name that the written one stands for.

    `loci` maps names as written to the lengths as written, None where nothing was.
    """

    sample: str
    item: str | None
    cultivar: str | None
    laboratory: str
    loci: Mapping[str, tuple[int | None, int | None, int | None]]


class StockLot(NamedTuple):
    """A lot of rootstocks: its clone, or the tree its seed came from."""

    rootstock_lot: str
    clone: str | None
    seed_parent: str | None


class Profiled(NamedTuple):
    """Everything that profiles are read with.

    `trees` is the cultivar that a mother tree is taken for, `stands_on` the rootstock it is
    recorded to stand on and the lot of rootstocks where it was grafted here; `alike` the cultivars
    recorded as those no marker separates. All names are those that the written ones stand for.
    """

    samples: list[Sample]
    trees: dict[str, str]
    stands_on: dict[str, tuple[str | None, str | None]]
    stocks: dict[str, StockLot]
    species: dict[str, str]
    alike: dict[str, tuple[str, ...]]


def read_profiles(connection: Connection) -> Profiled:
    """Return every marker profile, in the order they came in, and what they are read with."""
    cultivars = rows(connection, CULTIVARS, ())
    trees = rows(connection, TREES, ())
    lines = rows(connection, PROFILES, ())
    written = {row[1] for row in trees} | {row[2] for row in lines if row[2]}
    listed = {row[0]: [each.strip() for each in (row[2] or "").split(";")] for row in cultivars}
    written |= {name for names in listed.values() for name in names if name}
    names = resolve_names(connection, written)
    return Profiled(
        samples=_samples(lines, names),
        trees={row[0]: names[row[1]] for row in trees},
        stands_on={row[0]: (row[2], row[3]) for row in trees},
        stocks={row[0]: StockLot(*row) for row in rows(connection, STOCKS, ())},
        species={row[0]: row[1] for row in cultivars},
        alike={
            cultivar: tuple(names[name] for name in others if name)
            for cultivar, others in listed.items()
        },
    )


def _samples(lines: list[tuple[object, ...]], names: Mapping[str, str]) -> list[Sample]:
    found: dict[str, Sample] = {}
    for line in lines:
        sample, item, cultivar, laboratory, locus, *lengths = line
        assert isinstance(sample, str)
        if sample not in found:
            of = names.get(str(cultivar)) if cultivar else None
            found[sample] = Sample(sample, _text(item), of, _text(laboratory) or "", {})
        loci = found[sample].loci
        assert isinstance(loci, dict)
        loci[str(locus)] = tuple(lengths)
    return list(found.values())


def _text(value: object) -> str | None:
    return None if value is None else str(value)
