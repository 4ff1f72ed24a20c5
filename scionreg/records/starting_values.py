"""Starting values of the reasoning, each with its unit and source: a nursery's own replace them.

A group is a frozen dataclass of numbers; the registry's settings may set any of them, by
``group.name`` (`scionreg settings --set store.gap_hours=4`).
"""

from collections.abc import Mapping
from dataclasses import Field, dataclass, field, fields, replace
from typing import Any, TypeVar

from scionreg.records.cells import CellError, Number
from scionreg.records.errors import RegistryError
from scionreg.records.own_words import own_words


def value(
    start: float, means: str, source: str = "estimate", *, least: float = 0, most: float = 1e6
) -> Any:
    """Return a field that starts at `start`, with what it means, its source and its range."""
    return field(
        default=start,
        metadata={"means": means, "source": source, "least": least, "most": most},
    )


def _days(start: float, what: str) -> Any:
    return value(start, f"days that {what} keeps", "common practice, no source", least=0.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreValues:
    """What cold storage does to wood; temperatures in °C, heat in °C·h above `warm_above_c`."""

    warm_above_c: float = value(7.2, "°C above which heat is summed (45 °F)", least=-10, most=40)
    cold_below_c: float = value(-5.0, "°C below which wood is inspected", least=-40, most=5)
    gap_hours: float = value(6, "hours between readings that are still joined", least=0.1)
    note_heat: float = value(5, "°C·h from which a bundle's heat is noted")
    check_heat: float = value(55.6, "°C·h from which three sticks are checked (100 °F·h)")
    use_first_heat: float = value(166.7, "°C·h from which wood is used first (300 °F·h)")
    sample_first_heat: float = value(
        444.4, "°C·h from which wood is sample-grafted or discarded (800 °F·h)"
    )
    stone_fruit_factor: float = value(0.5, "thresholds of stone fruit, as a share", most=1)
    spell_heat: float = value(2.5, "°C·h from which warmth is a warm spell, and no open door")
    spell_join_hours: float = value(6, "hours of cool between two warm times that are one spell")
    keep_pecan_days: float = _days(150, "pecan and hickory wood")
    keep_walnut_days: float = _days(120, "walnut wood")
    keep_apple_days: float = _days(150, "apple wood")
    keep_pear_days: float = _days(150, "pear wood")
    keep_stone_fruit_days: float = _days(75, "stone fruit wood")
    keep_chestnut_days: float = _days(120, "chestnut wood")
    keep_persimmon_days: float = _days(180, "persimmon wood")
    keep_citrus_days: float = _days(28, "citrus budwood")
    keep_in_leaf_days: float = _days(10, "chilled wood cut in leaf")
    keep_other_days: float = _days(120, "wood of other species")


def _usual(start: float) -> Any:
    return value(
        start, "usual share that takes", "common practice, no source", least=0.01, most=0.99
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class UsualTake:
    """What each grafting method usually takes, as a share, before a nursery's own counts tell."""

    four_flap: float = _usual(0.75)
    three_flap: float = _usual(0.75)
    inlay_bark: float = _usual(0.75)
    whip: float = _usual(0.70)
    whip_and_tongue: float = _usual(0.90)
    cleft: float = _usual(0.85)
    saddle: float = _usual(0.88)
    side: float = _usual(0.80)
    hot_callus: float = _usual(0.75)
    patch_bud: float = _usual(0.72)
    chip_bud: float = _usual(0.92)
    t_bud: float = _usual(0.88)
    inverted_t: float = _usual(0.92)
    own: Mapping[str, float] = field(default_factory=dict)
    """Those of the nursery's own methods."""

    def of(self, method: str) -> float:
        """Return the share of a method."""
        return float(self.own[method] if method in self.own else getattr(self, method))


def _sd(start: float, of: str) -> Any:
    return value(start, f"standard deviation, in logit, of {of}", least=0.001, most=5)


def _prior(start: float, of: str) -> Any:
    return value(start, f"prior probability that {of} lowers take", least=1e-6, most=0.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseValues:
    """How take varies by itself, and how likely each kind of cause is before the counts tell."""

    shift: float = value(-1.2, "logit by which a cause shifts take", least=-6, most=0)
    shift_sd: float = value(0.8, "standard deviation of that shift", least=0.05, most=3)
    lots_only: float = _prior(0.05, "a lot by itself, for no reason shared with others,")
    mother_tree: float = _prior(0.02, "a mother tree")
    over_cut_factor: float = value(5, "times likelier, with signs of over-cutting", least=1)
    collection: float = _prior(0.01, "a collection")
    cutting_day: float = _prior(0.01, "a cutting day")
    bundle: float = _prior(0.01, "a bundle")
    store: float = _prior(0.01, "a store in one season")
    grafter: float = _prior(0.03, "a grafter")
    rootstock_lot: float = _prior(0.03, "a rootstock lot")
    stock_size: float = _prior(0.01, "a diameter class of rootstocks")
    graft_day: float = _prior(0.02, "a graft day")
    row: float = _prior(0.03, "a touched row, shared out over the runs of rows,")
    tree_and_stock: float = _prior(0.004, "a mother tree on one rootstock lot")
    hand_and_method: float = _prior(0.005, "a grafter at one method")
    hand_and_days: float = _prior(0.02, "a grafter's bad days, shared out over his runs of days,")
    run_of_days: float = value(0.25, "a run of days, against a single day", least=0.001, most=1)
    slight_spell: float = _prior(0.01, "a warm spell below the heat at which wood is checked")
    check_spell: float = _prior(0.05, "a warm spell from the heat at which wood is checked")
    use_first_spell: float = _prior(0.15, "one from the heat at which wood is used first")
    sample_first_spell: float = _prior(0.30, "one from the heat at which wood is sample-grafted")
    over_cut_share: float = value(0.5, "share cut that is a sign of over-cutting", most=1)
    over_cut_shoot_cm: float = value(45, "shoots shorter than this, cm, are such a sign")
    sd_usual: float = _sd(0.6, "a nursery's usual take, against the method's")
    sd_method: float = _sd(0.4, "methods")
    sd_season: float = _sd(0.3, "seasons")
    sd_month_in_store: float = _sd(0.1, "a month in store")
    sd_cultivar: float = _sd(0.2, "cultivars")
    sd_mother_tree: float = _sd(0.3, "mother trees")
    sd_collection: float = _sd(0.15, "collections")
    sd_bundle: float = _sd(0.15, "bundles")
    sd_grafter: float = _sd(0.25, "grafters")
    sd_rootstock_lot: float = _sd(0.2, "rootstock lots")
    sd_graft_day: float = _sd(0.2, "graft days")
    sd_rows: float = _sd(0.2, "blocks of four rows")
    sd_lot: float = _sd(0.2, "lots")
    sd_freedom: float = value(0.5, "freedom of those, on the log scale", least=0.01, most=3)
    sd_freedom_few: float = value(0.15, "the same for factors of few levels", least=0.01, most=3)
    few_levels: float = value(12, "levels below which a factor has few")


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeValues:
    """When take is called low among like lots, and which counts are findings."""

    least_grafts: float = value(30, "grafts below which nothing is called low")
    least_difference: float = value(
        0.15, "matched difference, as a share, from which take may be low", most=1
    )
    most_q: float = value(0.05, "false discovery rate up to which it may be", most=1)
    design_effect: float = value(
        2, "times that lots vary more than grafts by themselves would", least=1, most=20
    )
    low_by: float = value(0.3, "logit below its like from which a shrunken effect is low", most=5)
    sure: float = value(0.9, "probability of that from which it may be called low", most=1)
    least_weight: float = value(
        0.5, "share of a comparison's weight that matching on one thing more must leave", most=1
    )
    same_lots: float = value(
        0.9, "share of lots in common from which two items cannot be told apart", most=1
    )
    usual_loss: float = value(
        0.08,
        "share of early take that is usually lost by the late count",
        "walnut 75 to 69 %, apple bench 93 to 83 %: published trials",
        most=0.9,
    )
    gap: float = value(0.2, "loss from the early to the late count that is a finding", most=1)
    gap_luck: float = value(0.01, "probability of such a loss by luck up to which it is", most=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class MatchValues:
    """When two marker profiles are called the same; a half mismatch counts 0.5."""

    tolerance_bp: float = value(
        1, "base pairs that two laboratories' lengths may differ by, once lined up", most=10
    )
    least_shared: float = value(
        2, "profiles that two laboratories must share for their lengths to be lined up", least=1
    )
    least_loci: float = value(8, "loci that must be compared for a verdict", least=1)
    full_loci: float = value(10, "loci that must be compared for a full match", least=1)
    rerun_mismatches: float = value(1, "mismatches up to which a match is run again")
    different_mismatches: float = value(
        3, "mismatches from which profiles are different", least=0.5
    )
    least_references: float = value(
        3, "reference cultivars of a species from which allele frequencies are taken", least=2
    )
    few_references: float = value(20, "reference cultivars below which the odds are called rough")


def _finds(start: float, method: str) -> Any:
    return value(start, f"share of off-types that {method} finds", least=0.01, most=1)


def _false_alarm(start: float, method: str) -> Any:
    return value(start, f"share of true trees that {method} calls off", most=0.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class IdentityValues:
    """How far each kind of identity check can be trusted."""

    find_rate_dna: float = _finds(0.995, "a marker profile")
    find_rate_fruit: float = _finds(0.95, "a look at the fruit")
    find_rate_leaf: float = _finds(0.70, "a look at the leaf")
    find_rate_bud: float = _finds(0.50, "a look at dormant buds")
    false_alarm_dna: float = _false_alarm(0.002, "a marker profile")
    false_alarm_fruit: float = _false_alarm(0.01, "a look at the fruit")
    false_alarm_leaf: float = _false_alarm(0.03, "a look at the leaf")
    false_alarm_bud: float = _false_alarm(0.05, "a look at dormant buds")

    def find_rate(self, method: str) -> float:
        """Return the share of off-types that a method finds; papers find none."""
        return float(getattr(self, f"find_rate_{method}", 0.0))

    def false_alarm(self, method: str) -> float:
        """Return the share of true trees that a method calls off."""
        return float(getattr(self, f"false_alarm_{method}", 0.0))


def _holds(months: float, kind: str) -> Any:
    return value(
        months, f"months that a look holds for {kind}", "common practice, no source", least=1
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class StatusValues:
    """How long a look at a mother tree holds; a marker profile holds until an event ends it."""

    look_holds_bank: float = _holds(24, "a tree grown for wood")
    look_holds_bearing: float = _holds(36, "a bearing tree")
    look_holds_young: float = _holds(24, "a young tree")
    look_holds_dehorned: float = _holds(24, "a tree cut back to force wood")
    look_holds_increase: float = _holds(24, "a temporary source of buds")
    chance_of_false_alarm: float = value(
        0.05, "chance of mere false alarms below which off-types of its wood are a doubt", most=1
    )


def _fails(start: float, how: str) -> Any:
    return value(start, f"prior probability that {how}", most=0.5)


def _names(start: float, look: str) -> Any:
    return value(start, f"share of off-types found that {look} names rightly", least=0.01, most=1)


def _costs(start: float, what: str) -> Any:
    return value(start, f"cost of {what}, in the nursery's money")


@dataclass(frozen=True, slots=True, kw_only=True)
class OffTypeValues:
    """How often each step of the chain fails, and what checks and wrong trees cost."""

    tree_is_other: float = _fails(0.02, "a mother tree is another cultivar")
    tree_partly_other: float = _fails(0.005, "a part of a mother tree is another cultivar")
    topworked_partly_other: float = _fails(
        0.1, "limbs of the old cultivar remain on a topworked tree"
    )
    tree_sport: float = _fails(0.002, "a mother tree, or a limb of it, is a sport")
    received_is_other: float = _fails(0.02, "received wood is another cultivar")
    other_tree_cut: float = _fails(0.004, "a tree nearby was cut instead")
    elsewhere_cut: float = _fails(0.0004, "a tree further off was cut instead")
    two_trees_cut: float = _fails(0.002, "a second tree was cut too")
    day_shifted: float = _fails(0.002, "a cutter was one position off all day")
    bundle_mislabelled: float = _fails(0.004, "a bundle got another's label")
    bundle_mixed: float = _fails(0.004, "other wood came into a bundle")
    rebundle_mixed: float = _fails(0.02, "wood not recorded came into a bundle tied from others")
    bundles_exchanged: float = _fails(0.001, "two bundles packed together were exchanged")
    lot_mislabelled: float = _fails(0.003, "a graft lot got another's label")
    lot_mixed: float = _fails(0.001, "other wood came into a graft lot, as by an unwritten regraft")
    lots_exchanged: float = _fails(0.001, "two lots of one grafter and day were exchanged")
    changeover: float = _fails(0.01, "wood of the lot before or after ran on into a lot")
    dispatches_exchanged: float = _fails(0.002, "two dispatches of one day were exchanged")
    exchanged_at_most: float = _fails(0.003, "one bundle or lot was exchanged with any other")
    rootstock_grew: float = _fails(0.02, "the rootstock grew instead of a scion")
    alarm_if_mixed: float = _fails(0.5, "more is used than was packed where wood is mixed")
    alarm_if_not: float = _fails(0.005, "more is used than was packed where none is mixed")
    stick_run: float = value(4, "grafts in a row that one stick feeds", least=1, most=100)
    names_dna: float = _names(0.97, "a marker profile")
    names_fruit: float = _names(0.93, "a look at the fruit")
    names_leaf: float = _names(0.70, "a look at the leaf")
    names_bud: float = _names(0.50, "a look at dormant buds")
    cost_dna: float = _costs(60, "a marker profile of one tree")
    cost_fruit: float = _costs(4, "a look at the fruit of one tree")
    cost_leaf: float = _costs(1, "a look at the leaf of one tree")
    cost_bud: float = _costs(1, "a look at the buds of one tree")
    cost_visit: float = _costs(10, "going to look at a lot or a tree at all")
    cost_wrong_tree: float = _costs(45, "a wrong tree that stays in or is sold")
    cost_good_tree: float = _costs(15, "a true tree that is pulled")

    def names_rightly(self, method: str) -> float:
        """Return the share of off-types found that a method names rightly."""
        return float(getattr(self, f"names_{method}", 0.01))

    def cost(self, method: str) -> float:
        """Return the cost of looking at one tree."""
        return float(getattr(self, f"cost_{method}", 0.0))


def _grows(start: float, what: str, least_most: str) -> Any:
    return value(start, f"usable sticks a season of {what}", f"estimate; {least_most}")


def _spread(start: float, what: str) -> Any:
    return value(start, f"standard deviation, natural log, {what}", least=0.01, most=3)


def _grown(start: float, year: int) -> Any:
    return value(
        start,
        f"sticks of a bank tree in its year {year}, as a share of a grown one's",
        "shape of a published growth curve of a scion bank (cashew, India)",
        most=1,
    )


def _limit(start: float, what: str, most: float = 5) -> Any:
    return value(start, what, "common practice, no source; no published rule sets one", most=most)


@dataclass(frozen=True, slots=True, kw_only=True)
class RotationValues:
    """What mother trees grow, what wears them, and what becomes of grafts until they are sold."""

    bank_pecan: float = _grows(220, "a grown pecan bank tree", "100 to 500")
    bank_walnut: float = _grows(100, "a grown walnut bank tree", "40 to 250")
    bank_pome: float = _grows(240, "a grown apple or pear bank tree", "80 shoots of 3, 30 to 150")
    bank_stone_fruit: float = _grows(300, "a stone fruit bank tree", "150 shoots of 2, 60 to 300")
    bank_chestnut: float = _grows(80, "a grown chestnut bank tree", "30 to 200")
    bank_citrus: float = _grows(100, "a citrus source tree", "600 buds of 6 a stick, 200 to 2,000")
    bank_other: float = _grows(60, "a bank tree of another species", "20 to 150")
    bearing_pome: float = _grows(45, "a bearing apple or pear tree", "15 shoots of 3, 5 to 40")
    bearing: float = _grows(20, "any other bearing tree", "5 to 60")
    young: float = _grows(20, "a young orchard tree", "5 to 60")
    dehorned: float = _grows(150, "a tree cut back to force wood", "60 to 400")
    increase: float = _grows(15, "a temporary source of buds", "90 buds of 6 a stick, 30 to 200")
    grown_2: float = _grown(0.12, 2)
    grown_3: float = _grown(0.30, 3)
    grown_4: float = _grown(0.60, 4)
    grown_5: float = _grown(0.90, 5)
    grown_6: float = _grown(1.0, 6)
    sd_usual: float = _spread(0.6, "of a nursery's trees of a kind against the usual")
    sd_tree: float = _spread(0.4, "of trees of one kind and species")
    sd_tree_freedom: float = _spread(0.5, "of that itself")
    sd_season: float = _spread(0.2, "of a tree's seasons")
    sd_drift: float = _spread(0.1, "of a tree's change in a year")
    falling: float = value(0.05, "share of trees that fall off with their cuts", most=0.9)
    falling_over: float = value(0.2, "the same of trees above their watch level", most=0.9)
    falls_by: float = value(
        0.35, "share by which such a tree falls with each cut", least=0.05, most=0.8
    )
    sd_falls: float = _spread(0.2, "of those falls")
    sd_shoots: float = _spread(0.15, "of shoots' lengths from cut to cut")
    sd_counted: float = _spread(0.02, "of a counted number of sticks")
    sd_estimated: float = _spread(0.2, "of an estimated one, or where it is not said")
    sd_share: float = _spread(0.1, "of a share cut that was written down")
    sd_no_share: float = _spread(0.4, "of a share cut that was not")
    sd_expected: float = _spread(0.4, "of the sticks a year written with the tree")
    share_bank: float = _limit(0.9, "largest share cut of a bank tree", 1)
    share_bank_walnut: float = _limit(0.8, "largest share cut of a walnut bank tree", 1)
    share_bank_year_3: float = _limit(0.5, "largest share cut of a bank tree to its year 3", 1)
    share_bank_year_5: float = _limit(0.8, "largest share cut of a bank tree to its year 5", 1)
    share_bearing: float = _limit(0.25, "largest share cut of a bearing tree", 1)
    share_young: float = _limit(0.4, "largest share cut of a young tree", 1)
    share_dehorned: float = _limit(0.6, "largest share cut of a tree cut back to force wood", 1)
    share_increase: float = _limit(0.5, "largest share cut of a temporary source of buds", 1)
    watch_bank: float = value(
        1.2,
        "pressure above which a bank tree is spared if others suffice",
        "cut whole every second winter it stays below; no source, no published rule sets one",
        most=5,
    )
    watch_bearing: float = _limit(0.35, "pressure from which a bearing tree is watched")
    rest_bearing: float = _limit(0.55, "pressure above which a bearing tree rests")
    watch_young: float = _limit(0.5, "pressure from which a young tree is watched")
    rest_young: float = _limit(0.8, "pressure above which a young tree rests")
    watch_dehorned: float = _limit(0.6, "pressure from which a dehorned tree is watched")
    rest_dehorned: float = _limit(0.9, "pressure above which a dehorned tree rests")
    heavy_share: float = _limit(0.5, "share cut after which an orchard tree rests two seasons", 1)
    leaf_on: float = value(1.5, "times that a cut in leaf counts", "common practice, no source")
    fall: float = value(0.2, "fall from season to season that is a sign, twice running", most=1)
    short_shoot_cm: float = value(45, "cm below which a pecan bank tree's shoots are a sign")
    low_take: float = value(0.12, "take below cultivar mates, as a share, that is a sign", most=1)
    low_take_grafts: float = value(50, "grafts that such a sign needs", least=1)
    sign_rest: float = value(1, "seasons of rest where two signs or more are seen", most=10)
    increase_months: float = value(
        36, "months for which a temporary source of buds is used", "citrus rules, Florida", least=1
    )
    least_visit: float = value(5, "sticks below which a tree is not visited", most=1000)
    visit_minutes: float = value(15, "minutes to go to a tree and set up", "estimate", least=0)
    sticks_an_hour: float = value(
        120, "sticks one person cuts and ties in an hour", "estimate", least=1
    )
    hours_a_day: float = value(7, "hours of cutting in a working day", "estimate", least=1, most=24)
    survival: float = value(
        0.92, "share of what took that stands at the season's end", least=0.01, most=1
    )
    grade_out: float = value(0.9, "share of those that can be sold", least=0.01, most=1)
    loss: float = value(0.15, "share of sticks lost in store and at the bench", most=0.95)
    reserve: float = value(0.1, "sticks cut beyond what is needed, as a share", most=5)
    take_weight: float = value(
        30, "grafts that the method's usual take weighs against a nursery's own", least=0.1
    )
    low_quantile: float = value(
        0.2, "quantile of take by which a must-fill order is cut", least=0.01, most=0.99
    )
    sd_take: float = value(
        0.4, "standard deviation, logit, of take between lots, where few were counted", most=3
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordValues:
    """How long records are kept, and how much of what is recalled must be accounted for."""

    keep_years: float = value(
        15, "years that records are kept after their last mother tree fell", least=1, most=200
    )
    accounted: float = value(
        0.95,
        "share that a mock recall should account for",
        "common practice, no source",
        most=1,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceValues:
    """How places are shown, and how a fix is read."""

    private_blur_m: float = value(
        0, "m that private places are blurred to; 0 leaves them out", most=100_000
    )
    unrecorded_per_ha: float = value(
        5, "places per hectare that somebody may stand at and no record knows", least=0.001
    )
    possible: float = value(
        0.05, "probability from which another cultivar is said to be possible", least=0.001, most=1
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class TodayValues:
    """What a day's page holds to be due, long ago, or lately."""

    look_every_days: float = value(
        7, "days after which wood in a store is looked at again", "common practice, no source"
    )
    hold_long_days: float = value(
        30, "days after which a hold without a release is long", "common practice, no source"
    )
    lately_days: float = value(
        30, "days back for which warm spells and off-types are told", "common practice, no source"
    )


GROUPS: dict[str, type[Any]] = {
    "store": StoreValues,
    "usual_take": UsualTake,
    "take": TakeValues,
    "cause": CauseValues,
    "match": MatchValues,
    "identity": IdentityValues,
    "status": StatusValues,
    "offtype": OffTypeValues,
    "rotation": RotationValues,
    "records": RecordValues,
    "place": PlaceValues,
    "today": TodayValues,
}
"""The groups of starting values by the name that settings call them by."""

Values = TypeVar("Values")


def known_values() -> dict[str, Field[Any]]:
    """Return every starting value by its full name."""
    return {
        f"{group}.{each.name}": each
        for group, kind in GROUPS.items()
        for each in fields(kind)
        if each.metadata
    }


def known(name: str) -> Field[Any]:
    """Return the value of that full name; raise `RegistryError` where there is none."""
    values = known_values()
    if name not in values:
        group = name.partition(".")[0]
        near = [each for each in values if each.partition(".")[0] == group]
        raise RegistryError(f"there is no setting '{name}'; there are {', '.join(near or values)}")
    return values[name]


def checked(name: str, text: str) -> str:
    """Return a number as it is kept, once it can be the value `name`; it may have its unit.

    Raises
    ------
    RegistryError
        There is no such value, or the number is none, or outside its range.
    """
    limits = known(name).metadata
    least, most, unit = limits["least"], limits["most"], unit_of(name)
    try:
        number = Number(least, most, unit).read(text.strip())
    except CellError:
        right = f"write a number from {least:g} to {most:g}{f' {unit}' if unit else ''}"
        if unit in US_UNITS:
            right += f", or one in {US_UNITS[unit].name} with its unit"
        raise RegistryError(f"'{text}' is no {name}; {right}") from None
    return f"{number:.12g}"


@dataclass(frozen=True, slots=True)
class UsUnit:
    """A unit that US nurseries measure in: how many are one of ours, and where ours begins."""

    name: str
    size: float
    start: float = 0.0


US_UNITS = {
    "°C": UsUnit("°F", 1.8, 32.0),
    "°C·h": UsUnit("°F·h", 1.8),
    "cm": UsUnit("in", 1 / 2.54),
    "m": UsUnit("ft", 1 / 0.3048),
}
UNITS = {"_c": "°C", "_heat": "°C·h", "_cm": "cm", "_m": "m"}
"""What the names of values end in that have a unit."""


def unit_of(name: str) -> str:
    """Return the unit of a value, empty for none.

    >>> unit_of("store.warm_above_c"), unit_of("store.spell_heat"), unit_of("take.sure")
    ('°C', '°C·h', '')
    """
    return next((unit for ending, unit in UNITS.items() if name.endswith(ending)), "")


def in_us_units(name: str, number: float) -> str:
    """Return a value with its US unit, empty for one that has none.

    >>> in_us_units("store.warm_above_c", 7.2), in_us_units("store.use_first_heat", 166.7)
    ('45 °F', '300 °F·h')
    """
    unit = US_UNITS.get(unit_of(name))
    return f"{round(number * unit.size + unit.start, 1):g} {unit.name}" if unit else ""


def chosen(kind: type[Values], own_values: Mapping[str, str]) -> Values:
    """Return a group of values, with a registry's own (by full name) where it has them."""
    group = next(name for name, each in GROUPS.items() if each is kind)
    own = {
        name.partition(".")[2]: float(number)
        for name, number in own_values.items()
        if name.partition(".")[0] == group
    }
    made = replace(kind(), **own)  # type: ignore[type-var]
    if isinstance(made, UsualTake):
        takes = {each.word: each.take for each in own_words(own_values) if each.group == "method"}
        return replace(made, own=takes)
    return made
