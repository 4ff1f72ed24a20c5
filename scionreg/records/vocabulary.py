"""The words records may use, each with its definition and the trade's other names for it.

One source for the database, the import, the command line, the glossary and the data package.
Definitions follow common practice of the trade; where a word has a published source it is named.
"""

import difflib
import re
from collections.abc import Mapping
from enum import StrEnum
from functools import cache
from typing import Any, Self


class Word(StrEnum):
    """One allowed word: its value is what is stored; it knows its definition and variants."""

    definition: str
    variants: tuple[str, ...]

    def __new__(cls, value: str, definition: str, *variants: str) -> Self:
        """Make a member from its word, its definition and the variants accepted on import."""
        member = str.__new__(cls, value)
        member._value_ = value
        member.definition = definition
        member.variants = variants
        return member

    @classmethod
    def spelled(cls, text: str) -> Self | None:
        """Return the word that `text` means, by its own spelling or a variant's, else None.

        Case, blanks, hyphens and the like do not matter: ``4-flap`` is ``four_flap``.
        """
        return _spellings(cls).get(spelling(text))

    @classmethod
    def near(cls, text: str) -> list[Self]:
        """Return the words that `text` may have been meant for, misspelt."""
        known = _spellings(cls)
        close = difflib.get_close_matches(spelling(text), known, 2, 0.75)
        return list(dict.fromkeys(known[each] for each in close))


def spelling(text: str) -> str:
    """Return what of a word's spelling matters: its letters and digits.

    >>> spelling("Whip & Tongue"), spelling("whip_and-tongue")
    ('whipandtongue', 'whipandtongue')
    """
    return re.sub(r"[\W_]+", "", text.replace("&", "and")).casefold()


@cache
def _spellings(vocabulary: type[Word]) -> Mapping[str, Any]:
    """Return the words of a vocabulary by their spellings, their own before another's variant."""
    variants = {spelling(each): word for word in vocabulary for each in word.variants}
    return variants | {spelling(word.value): word for word in vocabulary}


class Rights(Word):
    """Legal protection claimed for a cultivar."""

    NONE = "none", "No right is known to be claimed."
    PATENT = "patent", "A plant patent is claimed.", "plant_patent"
    PVR = (
        "pvr",
        "A plant variety right is claimed.",
        "pbr",
        "plant_variety_right",
        "plant_breeders_right",
    )
    PENDING = "pending", "A right has been applied for and not yet granted.", "ppaf"
    UNKNOWN = "unknown", "Nobody has looked yet."


class BlockKind(Word):
    """What a mapped piece of ground or a bench is for."""

    BANK = (
        "bank",
        "Trees planted only for wood, cut hard every winter.",
        "scion_orchard",
        "budwood_orchard",
        "mother_block",
        "graftwood_bank",
    )
    ORCHARD = "orchard", "Trees grown for fruit, from which some wood is cut.", "grove"
    NURSERY = "nursery", "Rows of rootstocks that are grafted and sold."
    BENCH = "bench", "An indoor place where loose rootstocks are grafted."


class Side(Word):
    """The end of a row from which positions are counted."""

    N = "N", "Positions are counted from the north end.", "north"
    E = "E", "Positions are counted from the east end.", "east"
    S = "S", "Positions are counted from the south end.", "south"
    W = "W", "Positions are counted from the west end.", "west"


class TreeKind(Word):
    """How a mother tree is kept, which decides how much may be cut."""

    BANK = "bank", "Grown for wood only and cut hard every winter.", "hedged"
    BEARING = "bearing", "A fruiting tree that gives some wood."
    YOUNG = "young", "An orchard tree in training, two to seven years in place."
    DEHORNED = "dehorned", "An older tree cut back to force new wood."
    INCREASE = (
        "increase",
        "A temporary source of buds, used for a limited time.",
        "increase_tree",
    )


class TreeStatus(Word):
    """Whether wood may be cut from a mother tree, as the nursery decided it."""

    USABLE = "usable", "Wood may be cut.", "ok", "good"
    RESTING = "resting", "Left uncut this season to recover.", "rest"
    RETIRED = "retired", "No longer a source; the tree may still stand."
    DEAD = "dead", "The tree is gone.", "removed", "died"


class FixMethod(Word):
    """How a tree's coordinates were found."""

    PHONE = "phone", "A phone's own position.", "smartphone"
    RECEIVER = "receiver", "A handheld satellite receiver.", "gps", "gnss"
    SURVEY = "survey", "Surveying instruments or corrected satellite positions.", "rtk", "surveyed"
    MAP = "map", "Read off a map or an aerial picture.", "aerial"
    ESTIMATED = "estimated", "Laid out from the block's outline and spacings."


class TreeEventKind(Word):
    """What happened to a mother tree."""

    TOPWORKED = (
        "topworked",
        "Grafted over to another cultivar, wholly or on some limbs.",
        "topwork",
        "reworked",
        "rework",
        "overgrafted",
        "top_grafted",
    )
    REPLANTED = "replanted", "Another tree now stands at this place.", "replant"
    RETAGGED = "retagged", "The tag was replaced.", "retag", "new_tag"
    REGREW = (
        "regrew_below_union",
        "Died back below the graft union and regrew from there.",
        "regrew",
    )
    LIMB_REMOVED = "limb_removed", "A limb that wood was recorded from is gone."
    PRUNED_HARD = "pruned_hard", "Cut back hard to bring new wood.", "hard_pruned"
    TREATED = "treated", "Sprayed, fed or otherwise treated; say what in detail."
    DIED = "died", "The tree died.", "dead"
    HOLD = "hold", "The nursery itself stopped using the tree.", "held", "on_hold"
    RELEASED = "released", "The nursery ended its hold.", "release"
    NOTICE = "notice", "An authority ordered something; say what and its number in detail."


class HoldEvent(Word):
    """The nursery's own stop on wood or trees, and its end."""

    HOLD = "hold", "The nursery itself stopped using or selling it.", "held", "stop"
    RELEASED = "released", "The nursery ended its hold.", "release"


class CheckMethod(Word):
    """How a tree or its wood was looked at to know what it is."""

    DNA = (
        "dna",
        "Marker profile compared with references.",
        "fingerprint",
        "markers",
        "marker_profile",
        "profile",
        "ssr",
        "snp",
    )
    FRUIT = "fruit", "Fruit or nut compared with the cultivar's.", "nut", "fruits", "nuts"
    LEAF = "leaf", "Leaf, shoot and growth habit.", "habit", "leaves"
    BUD = "bud", "Buds and bark of dormant wood.", "dormant", "buds"
    PAPER = "paper", "Papers only; nothing of the plant was looked at.", "papers"


STRENGTH: dict[str, int] = {method: rank for rank, method in enumerate(reversed(CheckMethod))}
"""How much each separates cultivars: papers 0, buds 1, leaf 2, fruit 3, marker profile 4."""


class Found(Word):
    """What off-type plants were found to be, where it is not a cultivar of the registry."""

    ROOTSTOCK = "rootstock", "The rootstock grew instead of the scion.", "stock"
    SPORT = "sport", "A bud mutation: looks different, same marker profile.", "mutant", "chimera"
    OTHER = "other", "Another cultivar that is not in the registry."
    UNKNOWN = "unknown", "Off-type; nobody knows what."


class Counting(Word):
    """How a number of sticks came about."""

    COUNTED = "counted", "Every stick was counted.", "count", "exact"
    ESTIMATED = "estimated", "The number is an estimate.", "est", "estimate", "approx", "about"


class BundleEventKind(Word):
    """What happened to a bundle after it was packed."""

    MOVED = "moved", "Put into another store or shelf.", "move"
    CHECKED = "checked", "Looked at; sticks says how many were counted there.", "check"
    DISCARDED = (
        "discarded",
        "Thrown away; sticks says how many, empty means all.",
        "discard",
        "thrown_away",
        "dumped",
    )
    SOLD = "sold", "Left the nursery as wood; sticks says how many.", "sale"
    HOLD = "hold", "The nursery itself stopped using the bundle.", "held", "on_hold"
    RELEASED = "released", "The nursery ended its hold.", "release"


class Condition(Word):
    """State of the wood when a bundle was looked at."""

    GOOD = "good", "Bark plump, cambium green, buds tight.", "ok", "tight", "sound"
    DRY = "dry", "Wrinkled bark or dry ends.", "dried", "wrinkled", "shrivelled"
    MOULD = "mould", "Mould or a sour smell.", "mold", "mouldy", "moldy"
    PUSHING = "pushing", "Buds swelling or open.", "swollen", "pushed", "sprouted"
    DEAD = "dead", "Cambium or pith brown.", "brown"


class StoreKind(Word):
    """What wood is kept in."""

    COOLER = "cooler", "A cold room or refrigerator.", "cold_store", "cold_room", "fridge"
    BOX = "box", "A box or chest of its own."
    SHELF = "shelf", "One shelf or bay of a larger room."


class Role(Word):
    """What a person does in the chain."""

    CUTTER = "cutter", "Cuts wood from mother trees.", "collector"
    PACKER = "packer", "Trims, ties and labels bundles.", "tier", "wrapper"
    GRAFTER = "grafter", "Makes the grafts.", "budder"
    SCORER = "scorer", "Counts what grew.", "counter"
    CHECKER = "checker", "Looks at identity."
    KEEPER = "keeper", "Looks after the stores.", "storekeeper"
    MANAGER = "manager", "Answers for the registry."


class GraftMethod(Word):
    """How scion and rootstock were joined."""

    FOUR_FLAP = (
        "four_flap",
        "Four bark flaps folded over a scion of equal size.",
        "4_flap",
        "banana",
        "flap",
    )
    THREE_FLAP = "three_flap", "Three bark flaps, for small and medium wood.", "3_flap"
    INLAY_BARK = (
        "inlay_bark",
        "Scion set under the bark of a cut limb.",
        "bark",
        "rind",
        "inlay",
        "bark_inlay",
        "bark_graft",
        "rind_graft",
    )
    WHIP = (
        "whip",
        "Two long matching cuts, without tongues.",
        "splice",
        "whip_graft",
        "splice_graft",
    )
    WHIP_AND_TONGUE = (
        "whip_and_tongue",
        "Two long cuts locked by tongues.",
        "tongue",
        "whip_tongue",
        "tongue_graft",
    )
    CLEFT = "cleft", "Wedge-cut scions in a split stub.", "cleft_graft"
    SADDLE = (
        "saddle",
        "Machine or hand cut saddle or omega joint.",
        "omega",
        "v_tool",
        "saddle_graft",
        "omega_graft",
    )
    SIDE = (
        "side",
        "Scion set into the side of an uncut rootstock.",
        "veneer",
        "side_veneer",
        "side_graft",
        "veneer_graft",
    )
    HOT_CALLUS = "hot_callus", "Bench graft callused with warmth at the union.", "hot_callusing"
    PATCH_BUD = "patch_bud", "A rectangle of bark with one bud.", "patch", "ring", "patch_budding"
    CHIP_BUD = "chip_bud", "A chip of wood with one bud.", "chip", "chip_budding"
    T_BUD = "t_bud", "A bud shield under a T cut.", "t", "shield", "t_budding", "shield_bud"
    INVERTED_T = (
        "inverted_t",
        "A bud shield under an upside-down T cut.",
        "inverted_t_bud",
        "inverted_t_budding",
    )


class Trouble(Word):
    """How serious a problem is."""

    REFUSED = "refused", "The record cannot be taken as it is."
    WARNING = "warning", "The record is taken; the warning stays visible."


class Grade(Word):
    """How sure one link of a chain is; a chain has the grade of its weakest link."""

    CERTAIN = "certain", "One recorded source."
    ONE_OF = "one_of_n", "Mixed: one of several recorded sources."
    LIKELY = "likely", "Inferred, or recorded with a doubt; the reason is given."
    UNKNOWN = "unknown", "Nothing recorded tells."


class Reach(Word):
    """Whether something recalled shares the source asked about."""

    CERTAIN = "certain", "All of its wood came from there."
    POSSIBLE = "possible", "Some of its wood may have come from there."
    EXCLUDED = "excluded", "None of its wood came from there."


class StoreClass(Word):
    """What a bundle's time in store asks for."""

    GOOD = "good", "Kept cold, and readings for all of the time."
    NOTE = "note", "Some warmth; nothing to do."
    UNKNOWN = "unknown", "Hours without readings, or a day nobody recorded: look at the wood."
    CHECK = "check", "Warmth or frost: look at three sticks."
    USE_FIRST = "use_first", "Much warmth: use it before other wood, and expect less take."
    SAMPLE_FIRST = "sample_first", "Too much warmth: graft a sample first, or discard it."


class TakeFactor(Word):
    """What graft lots are compared by when their take is judged."""

    MOTHER_TREE = "mother_tree", "The tree the wood was cut from."
    COLLECTION = "collection", "The cutting the wood came from."
    CUTTING_DAY = "cutting_day", "The day the wood was cut."
    BUNDLE = "bundle", "The bundle the lot was worked from."
    STORE = "store", "The store its bundle was packed into."
    GRAFTER = "grafter", "The person who grafted."
    ROOTSTOCK_LOT = "rootstock_lot", "The rootstocks that were worked."
    STOCK_SIZE = "stock_size", "The diameter class of the rootstocks."
    GRAFT_DAY = "graft_day", "The day of the grafting."
    ROW = "row", "The row it stands in, as block/row."
    METHOD = "method", "How it was grafted."
    CULTIVAR = "cultivar", "The cultivar that most of the wood is claimed to be."
    SEASON = "season", "The season of the grafting."


class LowTake(Word):
    """What is said of an item after its take is compared with like lots."""

    LOW = "low", "Low among like lots, by more than luck."
    NOT_LOW = "not_low", "Nothing speaks for low take."
    NOT_ENOUGH = "not_enough", "Too little to tell: too few grafts, or nothing like it beside it."
    TIED = "tied", "Low, but another item of the factor or of another has the same lots."


class CountFinding(Word):
    """What a count of take cannot mean, or should not pass unseen."""

    EARLY_LATE_GAP = "early_late_gap", "Many more grew at the early count than at the late one."
    RISING_COUNT = "rising_count", "More grow than before, and no regraft is recorded."
    IMPOSSIBLE_TAKE = "impossible_take", "More are counted than grafts were made."
    TOO_YOUNG_COUNT = "too_young_count", "Counted when scions still live on their reserves."


class ProfileVerdict(Word):
    """What is said of a sample after its marker profile is compared with a reference."""

    MATCH = "match", "Same at every locus compared, and enough of them."
    MATCH_RERUN = (
        "match_rerun",
        "Same but for one locus at most, or at fewer loci than wanted: have it run again.",
    )
    UNRESOLVED = "unresolved", "An error of the laboratory, a mutation or a close relative."
    DIFFERENT = "different", "Differs at too many loci to be the same clone."
    TOO_FEW = "too_few", "Too few loci can be compared to tell."


class SampleFound(Word):
    """What a sampled plant turned out to be, beside its label."""

    AS_LABELLED = "as_labelled", "The label's cultivar, or one that no marker tells from it."
    OTHER_CULTIVAR = "other_cultivar", "Another cultivar that has a reference profile."
    NOT_IN_REFERENCES = "not_in_references", "Neither the label's cultivar nor any other compared."
    ROOTSTOCK = "rootstock", "The rootstock: the clone itself, or a seedling of the seed parent."
    CANNOT_SAY = "cannot_say", "The profile does not tell."


class IdentityStatus(Word):
    """What the records say of a mother tree's identity: the rungs in order, then side states."""

    NAMED_ONLY = "named_only", "Nothing but the name is recorded."
    ON_PAPER = "on_paper", "It is recorded where the tree came from; nothing of it was looked at."
    FIELD_CHECKED = "field_checked", "Leaf, habit or buds were looked at and agree with the name."
    FRUIT_CHECKED = "fruit_checked", "Its fruit was looked at and agrees with the name."
    FINGERPRINT_AGREES = "fingerprint_agrees", "Its marker profile agrees with the name."
    CLEARED_AS_SOURCE = (
        "cleared_as_source",
        "Profile and fruit both agree, where it came from is recorded, and nothing stops its use.",
    )
    DOUBTFUL = "doubtful", "On hold, or something that was found speaks against the name."
    WRONG = "wrong", "Found not to be what it is named: see the finding."
    RETIRED = "retired", "No longer a source."
    DEAD = "dead", "The tree is gone."


class Weight(Word):
    """How much something that is known speaks against using wood or a tree."""

    BARS = "bars", "It may not be used."
    DOUBT = "doubt", "It may be used, and something speaks against it."
    NOTE = "note", "It may be used; there is something to mind."


class Against(Word):
    """What is known against using a tree, wood, a lot or trees that leave, on a day."""

    DEAD = "dead", "It is dead, or gone."
    RETIRED = "retired", "It is no source any more."
    RESTING = "resting", "It is recorded as resting."
    RESTS = "rests", "It was cut too hard, and rests until a season."
    HOLD = "hold", "The nursery itself stopped its use."
    NOTICE = "notice", "An authority's order is in force."
    TOPWORKED = "topworked", "It was grafted over, and not looked at or renamed since."
    REGROWN = "regrown", "It regrew below the union, and was not looked at or renamed since."
    REPLANTED = "replanted", "Another plant stands at its place, not looked at since."
    RETAGGED = "retagged", "It got a new tag, and was not looked at since."
    LIMB = "limb", "Something is known of one of its limbs."
    WRONG = "wrong", "It was looked at, and is not what it is named."
    DOUBTFUL = "doubtful", "Something that was looked at speaks against what it is named."
    RELATIVES = "relatives", "Looks at others of the same source speak against its name."
    NAMED_ONLY = "named_only", "Nobody has looked, and nothing tells where it came from."
    TOO_OLD = "too_old", "A temporary source is used for a limited time, which is over."
    AGE_ENDS = "age_ends", "A temporary source reaches the end of its time within the season."
    AGE_UNKNOWN = "age_unknown", "When a temporary source was planted is not known."
    FROM_INCREASE = "from_increase", "It was grown from a temporary source."
    LICENCE = "licence", "A right is claimed, and no licence is recorded."
    RIGHTS_UNKNOWN = "rights_unknown", "Nobody recorded whether a right is claimed."
    LICENSED = "licensed", "A right is claimed, and a licence is recorded."
    PERMISSION = "permission", "Its owner's permission does not hold on the day."
    PERMISSION_ENDS = "permission_ends", "Its owner's permission ends within the season."
    OWNER = "owner", "Its owner asks for notice, or allows so many sticks."
    NO_SOURCE = "no_source", "Nobody recorded what wood it is."
    UNLABELLED = "unlabelled", "It was found without a label; nobody knows what wood it is."
    CONDITION = "condition", "Its wood was mouldy or dead when it was looked at."
    OLD_WOOD = "old_wood", "Its wood is older than such wood keeps."
    HEAT = "heat", "Its wood was warm so long that a sample is grafted first."
    GONE = "gone", "Nothing of it is left."
    SOURCE = "source", "Its wood was cut when the tree could not be a source."
    LABEL = "label", "Its label names another cultivar than its wood is recorded as."


class Failure(Word):
    """A step of the chain at which identity breaks."""

    TREE_IS_OTHER = "tree_is_other", "The mother tree is another cultivar than its label says."
    TREE_PARTLY_OTHER = "tree_partly_other", "A part of the mother tree is another cultivar."
    TREE_SPORT = "tree_sport", "The mother tree, or a limb of it, is a sport."
    OTHER_TREE_CUT = "other_tree_cut", "Another tree was cut than the one written down."
    TWO_TREES_CUT = "two_trees_cut", "A second tree was cut too."
    BUNDLE_MISLABELLED = "bundle_mislabelled", "A bundle carries the label of other wood."
    BUNDLES_EXCHANGED = "bundles_exchanged", "Two bundles packed together carry each other's label."
    BUNDLE_MIXED = "bundle_mixed", "Other wood came into a bundle or lot, recorded or not."
    LOT_MISLABELLED = "lot_mislabelled", "A graft lot carries the label of other wood."
    LOTS_EXCHANGED = "lots_exchanged", "Two lots of one grafter and day carry each other's label."
    CHANGEOVER_MIXED = "changeover_mixed", "Wood ran on between a lot and the one before or after."
    ROOTSTOCK_GREW = "rootstock_grew", "Scions died, and their rootstocks grew in their place."
    DISPATCHES_EXCHANGED = "dispatches_exchanged", "Two dispatches went to each other's customer."
    NONE_OF_THESE = "none_of_these", "No step of the chain failed; a look may have been wrong."


class Proposal(Word):
    """What to do about something that may not be as labelled. Nothing is done by the tool."""

    HOLD = "hold", "Neither cut, graft nor sell it for now."
    CHECK_FIRST = "check_first", "A look or a profile is worth its cost before anything is done."
    RENAME = "rename", "It is wholly a known cultivar: give it that label, where one wants it."
    TOPWORK = "topwork", "Graft the tree, or its foreign limbs, over."
    REMOVE = "remove", "Take the wrong trees out."


VOCABULARIES: tuple[type[Word], ...] = (
    Rights,
    BlockKind,
    Side,
    TreeKind,
    TreeStatus,
    FixMethod,
    TreeEventKind,
    HoldEvent,
    CheckMethod,
    Found,
    Counting,
    BundleEventKind,
    Condition,
    StoreKind,
    Role,
    GraftMethod,
    Trouble,
    Grade,
    Reach,
    StoreClass,
    TakeFactor,
    LowTake,
    CountFinding,
    ProfileVerdict,
    SampleFound,
    IdentityStatus,
    Weight,
    Against,
    Failure,
    Proposal,
)

TERMS: dict[str, str] = {
    "mother tree": "One physical tree that wood is cut from. Evidence for its cultivar belongs "
    "to the tree or limb, not to a place on the map.",
    "limb": "A part of a mother tree that wood can be recorded from.",
    "collection": "One cutting: one tree (and limb), one date, one cutter.",
    "stick": "One piece of one-year wood; what collections and bundles count.",
    "bundle": "Sticks tied under one label: from one collection, received from outside, or "
    "re-bundled from other bundles.",
    "store": "A cooler, box or shelf with a temperature record.",
    "rootstock lot": "Rootstocks of one origin.",
    "graft lot": "Grafts made from one bundle by one grafter, one method, one rootstock lot, one "
    "day, in one run of row positions. A single tree is written graft lot/position.",
    "take": "Share of a graft lot growing from the scion at a stated count.",
    "regraft": "A second graft lot on positions of an earlier one.",
    "identity check": "Dated evidence about what a tree, bundle, lot or position is.",
    "off-type": "Not as labelled; the opposite of true to type.",
    "sport": "A bud mutation: looks different, its marker profile equals the label's.",
    "hold": "The nursery's own stop on using something.",
    "notice": "An authority's order; not the same as a hold.",
    "dispatch": "Trees leaving to a customer.",
    "season": "Twelve months named by the year in which their spring grafts are made.",
    "season folder": "The exchange format: one CSV file per record kind and datapackage.json.",
    "journal": "The list of every change, each line chained to the one before.",
    "balance": "What came in against what went out, in sticks.",
    "degree-hours": "How far above a threshold times how long: 2 °C above it for 3 h are 6 °C·h.",
    "warm spell": "Time in which a store was warm, from crossing the threshold to coming back.",
    "marker profile": "Fragment lengths of a sample at several loci, as a laboratory read them.",
    "reference profile": "The marker profile of a named cultivar, which samples are compared with.",
    "shift": "Constant by which two laboratories read the lengths of one locus apart, base pairs.",
    "trace sheet": "One tree, lot or dispatch from source to customer, on paper for others.",
    "mock recall": "A recall as an exercise: how much is accounted for, and how long it took.",
    "stay": "Time a bundle was in a store: until it was moved, or nothing was left of it.",
}
