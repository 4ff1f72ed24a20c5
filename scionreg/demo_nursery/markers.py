"""Marker profiles: two laboratories whose fragment lengths differ by a constant at each locus.

Loci and alleles are invented. A seedling has one allele of its seed parent at every locus; the
triploid has three alleles at half of the loci; a bud mutation has its parent's profile.
"""

from random import Random

from scionreg.demo_nursery.places import CULTIVARS
from scionreg.demo_nursery.stories import CLAIMED, CUT_INSTEAD, OVER_CUT
from scionreg.demo_nursery.things import Nursery

LOCI = tuple(f"L{number:02d}" for number in range(1, 13))
LABORATORIES = ("LAB-A", "LAB-B")
SHIFT = dict(zip(LOCI, (2, -1, 0, 3, -2, 1, 4, -3, 0, 2, -1, 5), strict=True))
"""What the second laboratory reads above the first, base pairs."""

SAME_PROFILE = {"Tillowby Red": "Tillowby"}
TRIPLOID = "Pendrake"
SHARED = ("Tarnwick", "Brellan", "Quarrow", "Vorlund", "Tillowby", "Pendrake", "Cossamer")
"""Cultivars whose reference profile both laboratories have."""

Profile = dict[str, tuple[int, ...]]


def profile_of(nursery: Nursery, cultivar: str) -> Profile:
    """Return a cultivar's profile as the first laboratory reads it."""
    cultivar = SAME_PROFILE.get(cultivar, cultivar)
    dice = nursery.books.dice("profile", cultivar)
    profile = {}
    for number, locus in enumerate(LOCI):
        ladder = _ladder(CULTIVARS[cultivar], number)
        if cultivar == TRIPLOID and number % 2 == 0:
            profile[locus] = tuple(sorted(dice.sample(ladder, 3)))
        else:
            profile[locus] = tuple(sorted(dice.choices(ladder, k=2)))
    return profile


def _ladder(species: str, number: int) -> list[int]:
    """Return the fragment lengths that occur at a locus in a species."""
    start = 104 + 14 * number + 5 * (sum(map(ord, species)) % 7)
    return [start + 2 * step for step in range(8)]


def seedling_of(parent: Profile, species: str, dice: Random) -> Profile:
    """Return the profile of a seedling whose other parent nobody knows."""
    return {
        locus: tuple(sorted((dice.choice(alleles), dice.choice(_ladder(species, number)))))
        for number, (locus, alleles) in enumerate(parent.items())
    }


def send_samples(nursery: Nursery) -> None:
    """Write every profile that was paid for."""
    for cultivar in CULTIVARS:
        reference = profile_of(nursery, cultivar)
        _write(nursery, f"ref {cultivar}", reference, "LAB-A", cultivar=cultivar)
        if cultivar in SHARED:
            _write(nursery, f"B ref {cultivar}", reference, "LAB-B", cultivar=cultivar)
    _sample_trees(nursery)
    _sample_story_trees(nursery)
    _sample_rootstocks(nursery)


def _sample_trees(nursery: Nursery) -> None:
    """Sample some mother trees: all are what they are taken for."""
    codes = [
        nursery.at(*CLAIMED).code,
        nursery.at(*CUT_INSTEAD).code,
        nursery.tales.codes["own_tree"],
        nursery.at("AB", 1, 2).code,
        nursery.at("PB", 1, 2).code,
        nursery.at("PB", 3, 2).code,
        nursery.at("WB", 1, 3).code,
        nursery.at("OG", 1, 1).code,
        nursery.at("OG", 1, 3).code,
        OVER_CUT,
    ]
    for number, code in enumerate(codes):
        laboratory = "LAB-B" if number < 2 else "LAB-A"
        profile = profile_of(nursery, nursery.tree(code).cultivar)
        _write(nursery, f"tree {code}", profile, laboratory, item=code)


def _sample_story_trees(nursery: Nursery) -> None:
    """Sample trees that were not what their labels say; they went to the second laboratory."""
    told = nursery.tales.codes
    wrong = {
        told["wrong_tree"]: nursery.at(*CUT_INSTEAD).cultivar,
        told["rebundle_tree"]: "Quarrow",
        told["exchanged_tree_a"]: told["exchanged_cultivar_b"],
        told["exchanged_tree_b"]: told["exchanged_cultivar_a"],
    }
    for number, (item, cultivar) in enumerate(wrong.items(), start=1):
        _write(nursery, f"26-{number:03d}", profile_of(nursery, cultivar), "LAB-B", item=item)


def _sample_rootstocks(nursery: Nursery) -> None:
    """Sample the two rootstock clones, and a shoot that turned out to be a seedling rootstock."""
    for row in nursery.books.rows["rootstock_lots"]:
        if row["clone"] and str(row["rootstock_lot"]).startswith("R24"):
            dice = nursery.books.dice("clone", row["clone"])
            ladders = [_ladder(str(row["species"]), number) for number in range(len(LOCI))]
            profile = {
                locus: tuple(sorted(dice.choices(ladder, k=2)))
                for locus, ladder in zip(LOCI, ladders, strict=True)
            }
            _write(nursery, f"clone {row['clone']}", profile, "LAB-A", item=row["rootstock_lot"])
    seed_parents = {
        row["rootstock_lot"]: str(row["seed_parent"])
        for row in nursery.books.rows["rootstock_lots"]
        if row["seed_parent"]
    }
    lot = next(
        lot for lot in nursery.lots
        if lot.grown_stock and lot.entry["rootstock_lot"] in seed_parents and lot.entry["row"]
    )  # fmt: skip
    parent = nursery.tree(seed_parents[lot.entry["rootstock_lot"]])
    profile = seedling_of(
        profile_of(nursery, parent.cultivar), parent.species, nursery.books.dice("sprout")
    )
    item = f"{lot.code}/{min(lot.grown_stock)}"
    _write(nursery, "25-077", profile, "LAB-A", item=item)
    nursery.tales.tell(sprout=item)


def _write(nursery: Nursery, sample: str, profile: Profile, laboratory: str, **of: object) -> None:
    """Write one sample as its laboratory reads it; now and then a locus fails."""
    dice = nursery.books.dice("laboratory", sample)
    for locus, alleles in profile.items():
        if "cultivar" not in of and dice.random() < 0.03:
            continue
        shift = SHIFT[locus] if laboratory == "LAB-B" else 0
        lengths = [allele + shift for allele in alleles] + [None]
        nursery.books.add(
            "genotypes",
            sample=sample,
            laboratory=laboratory,
            locus=locus,
            allele_1=lengths[0],
            allele_2=lengths[1],
            allele_3=lengths[2] if len(alleles) == 3 else None,
            **of,
        )
