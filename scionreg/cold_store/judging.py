"""What a bundle's time in store asks for, and how long its wood keeps.

Thresholds and keeping times are starting values of common practice; see `StoreValues`.
"""

from collections.abc import Iterable

from scionreg.cold_store.exposure import Exposure
from scionreg.records.starting_values import StoreValues
from scionreg.records.vocabulary import StoreClass

KEEPING = {
    "carya": "keep_pecan_days",
    "juglans": "keep_walnut_days",
    "malus": "keep_apple_days",
    "pyrus": "keep_pear_days",
    "prunus": "keep_stone_fruit_days",
    "castanea": "keep_chestnut_days",
    "diospyros": "keep_persimmon_days",
    "citrus": "keep_citrus_days",
}
"""The starting value that says how long wood of a genus keeps."""

ORDER = {each: rank for rank, each in enumerate(StoreClass)}


def genus(species: str) -> str:
    """Return the genus of a botanical name, in small letters."""
    return next(iter(species.replace("×", " ").lower().split()), "")


def is_stone_fruit(species: Iterable[str]) -> bool:
    """Tell whether any of the species is a stone fruit."""
    return any(genus(each) == "prunus" for each in species)


def keeping_days(species: Iterable[str], values: StoreValues, *, in_leaf: bool = False) -> float:
    """Return how many days wood keeps; of mixed wood, the kind that keeps least."""
    limits = [
        values.keep_in_leaf_days
        if in_leaf and genus(each) != "citrus"
        else getattr(values, KEEPING.get(genus(each), "keep_other_days"))
        for each in species
    ]
    return float(min(limits, default=values.keep_other_days))


def classify(
    worst: Exposure, values: StoreValues, *, stone_fruit: bool = False, doubtful: bool = False
) -> StoreClass:
    """Return what the wood asks for, by the worst that any of it went through.

    Heat and frost that are known count whatever else is not; wood that is good or nearly so by
    what is known, but for some hours nobody knows about, is unknown, never good. Edges of a stay
    shorter than the gap that readings are joined over do not count as such hours.
    """
    found = by_heat(worst.degree_hours, values, stone_fruit=stone_fruit)
    if found in (StoreClass.SAMPLE_FIRST, StoreClass.USE_FIRST):
        return found
    if found is StoreClass.CHECK or worst.cold_hours > 0:
        return StoreClass.CHECK
    if doubtful or worst.without_readings > values.gap_hours:
        return StoreClass.UNKNOWN
    return found


def by_heat(heat: float, values: StoreValues, *, stone_fruit: bool = False) -> StoreClass:
    """Return what so much heat, °C·h above the threshold, asks for."""
    factor = values.stone_fruit_factor if stone_fruit else 1.0
    for least, found in (
        (values.sample_first_heat, StoreClass.SAMPLE_FIRST),
        (values.use_first_heat, StoreClass.USE_FIRST),
        (values.check_heat, StoreClass.CHECK),
        (values.note_heat, StoreClass.NOTE),
    ):
        if heat >= least * factor:
            return found
    return StoreClass.GOOD
