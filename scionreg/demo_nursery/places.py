"""Where things stand: cultivars, people, blocks, stores, rootstocks and mother trees."""

import math
from dataclasses import dataclass
from datetime import date

from scionreg.demo_nursery.things import SEASONS, Books, Nursery, Tree

ORIGIN = (36.4162, -95.7713)
"""South-west corner of the invented nursery, degrees. No name belongs to it."""

PECAN, WALNUT, APPLE = "Carya illinoinensis", "Juglans regia", "Malus domestica"

CULTIVARS = {
    "Tarnwick": PECAN,
    "Brellan": PECAN,
    "Quarrow": PECAN,
    "Oldenfarl": PECAN,
    "Vorlund": WALNUT,
    "Ismeray": WALNUT,
    "Haddersel": WALNUT,
    "Tillowby": APPLE,
    "Tillowby Red": APPLE,
    "Pendrake": APPLE,
    "Cossamer": APPLE,
}
"""Invented cultivars and the real species they are said to belong to."""


def name_cultivars(books: Books) -> None:
    """Write the cultivars: aliases, claimed rights, and a sport that no marker tells apart."""
    details: dict[str, dict[str, object]] = {
        "Tarnwick": {"aliases": "Tarn;TARN", "rights": "none"},
        "Brellan": {"aliases": "BREL;Brellan No. 4", "rights": "none"},
        "Quarrow": {
            "aliases": "QUAR",
            "rights": "patent",
            "rights_no": "invented 0417",
            "rights_until": date(2034, 3, 1),
            "licence_no": "invented L-22",
            "notes": "ask the right holder before cutting more than the licence names",
        },
        "Oldenfarl": {"aliases": "Farl", "rights": "unknown"},
        "Vorlund": {"aliases": "VOR", "rights": "none"},
        "Ismeray": {"rights": "pvr", "rights_no": "invented 2019-88", "licence_no": "invented 7"},
        "Haddersel": {"rights": "unknown", "notes": "wood from outside, one young tree here"},
        "Tillowby": {
            "aliases": "Tilby",
            "rights": "none",
            "cannot_tell_from": "Tillowby Red",
        },
        "Tillowby Red": {
            "aliases": "Red Tilby",
            "rights": "none",
            "cannot_tell_from": "Tillowby",
            "notes": "red bud mutation of Tillowby",
        },
        "Pendrake": {"rights": "none", "notes": "triploid"},
        "Cossamer": {"aliases": "COSS", "rights": "pending"},
    }
    for cultivar, species in CULTIVARS.items():
        books.add("cultivars", cultivar=cultivar, species=species, **details[cultivar])


CUTTERS = ("P01", "P02", "P03")
PACKER = "P04"
GRAFTERS = ("P05", "P06", "P07", "P08", "P09")
SCORERS = ("P10", "P11")
KEEPER = "P12"


def hire_people(books: Books) -> None:
    """Write the people, by code."""
    marks = ("white tape", "blue tape", "one notch", None, "yellow tape", "orange tape")
    for number, person in enumerate((*CUTTERS, PACKER, *GRAFTERS, *SCORERS, KEEPER)):
        roles = "cutter"
        if person == PACKER:
            roles = "packer"
        elif person in GRAFTERS:
            roles = "grafter;packer" if person == "P06" else "grafter"
        elif person in SCORERS:
            roles = "scorer;checker"
        elif person == KEEPER:
            roles = "keeper;manager"
        books.add("people", person=person, roles=roles, mark=marks[number % len(marks)])


@dataclass(frozen=True, slots=True)
class Block:
    """A block on a grid of metres; rows run away from the side that positions count from."""

    code: str
    kind: str
    east: float
    north: float
    rows: int
    positions: int
    row_spacing: float
    tree_spacing: float
    counted_from: str
    margin: float

    @property
    def size(self) -> tuple[float, float]:
        """Width (east-west) and height (north-south) over the outermost trees, m."""
        along = (self.positions - 1) * self.tree_spacing
        across = (self.rows - 1) * self.row_spacing
        return (along, across) if self.counted_from == "W" else (across, along)

    def place(self, row: int, position: int) -> tuple[float, float]:
        """Return metres east and north of the origin of a place in the block."""
        across, along = (row - 1) * self.row_spacing, (position - 1) * self.tree_spacing
        height = self.size[1]
        if self.counted_from == "W":
            return self.east + along, self.north + height - across
        return self.east + across, self.north + height - along

    def outline(self) -> list[list[float]]:
        """Return the closed outer ring, counter-clockwise, longitude first."""
        width, height = self.size
        west, south = self.east - self.margin, self.north - self.margin
        east, north = self.east + width + self.margin, self.north + height + self.margin
        corners = [(west, south), (east, south), (east, north), (west, north), (west, south)]
        return [list(reversed(degrees(*corner))) for corner in corners]


BLOCKS = (
    Block("PB", "bank", 30, 250, 3, 8, 9.0, 4.5, "N", 7),
    Block("OG", "orchard", 90, 240, 3, 5, 11.0, 11.0, "N", 10),
    Block("WB", "bank", 160, 260, 2, 8, 6.0, 3.0, "N", 6),
    Block("AB", "bank", 210, 262, 3, 9, 3.5, 1.5, "W", 5),
    Block("N24", "nursery", 20, 30, 90, 120, 1.2, 0.35, "N", 3),
    Block("N25", "nursery", 150, 30, 90, 120, 1.2, 0.35, "N", 3),
    Block("N26", "nursery", 280, 30, 90, 120, 1.2, 0.35, "N", 3),
    Block("BENCH", "bench", 260, 262, 6, 60, 1.5, 0.1, "W", 2),
)
BLOCK = {block.code: block for block in BLOCKS}


def degrees(east: float, north: float) -> tuple[float, float]:
    """Return latitude and longitude of a place on the nursery's grid, to six decimals."""
    latitude = ORIGIN[0] + north / 111_132
    longitude = ORIGIN[1] + east / (111_320 * math.cos(math.radians(ORIGIN[0])))
    return round(latitude, 6), round(longitude, 6)


def survey_blocks(books: Books) -> None:
    """Write the blocks; their outlines go to blocks.geojson."""
    for block in BLOCKS:
        books.add(
            "blocks",
            block=block.code,
            kind=block.kind,
            row_spacing_m=block.row_spacing,
            tree_spacing_m=block.tree_spacing,
            counted_from=block.counted_from,
        )


def open_stores(nursery: Nursery) -> None:
    """Write three coolers (the third since 2025) and a box."""
    for name, season, kind in (
        ("cooler_a", 2024, "cooler"),
        ("cooler_b", 2024, "cooler"),
        ("box", 2024, "box"),
        ("cooler_c", 2025, "cooler"),
    ):
        nursery.stores[name] = nursery.books.issue("S", season)
        nursery.books.add("stores", store=nursery.stores[name], kind=kind)


ROOTSTOCKS = {
    PECAN: ((PECAN, None, "Old-1"), (PECAN, None, "Old-4"), (PECAN, None, None)),
    WALNUT: ((WALNUT, None, None), ("Juglans nigra", None, None)),
    APPLE: ((APPLE, "QD-3", None), (APPLE, "QD-11", None), (APPLE, None, None)),
}
"""Species, clone and seed parent of the rootstock lots of a season. The clones are invented."""


def buy_rootstocks(nursery: Nursery) -> None:
    """Write the rootstock lots of every season; one came without a date, one without a supplier."""
    dice = nursery.books.dice("rootstocks")
    for season in SEASONS:
        for scion, kinds in ROOTSTOCKS.items():
            lots = nursery.rootstocks[scion, season] = []
            for number, (species, clone, parent) in enumerate(kinds):
                lots.append(nursery.books.issue("R", season))
                first_season_seedlings = season == 2024 and number == 1
                nursery.books.add(
                    "rootstock_lots",
                    rootstock_lot=lots[-1],
                    species=species,
                    clone=clone,
                    seed_parent=parent,
                    supplier=None if parent else f"SU-{dice.randint(1, 9):02d}",
                    received=None
                    if first_season_seedlings
                    else date(season, 1, dice.randint(8, 30)),
                )


@dataclass(frozen=True, slots=True)
class Planting:
    """A run of mother trees of one cultivar in a row."""

    block: str
    row: int
    first: int
    last: int
    cultivar: str
    year: int
    own_codes: tuple[str, ...] = ()


PLANTINGS = (
    Planting("PB", 1, 1, 6, "Tarnwick", 2015),
    Planting("PB", 1, 7, 8, "Quarrow", 2017),
    Planting("PB", 2, 1, 5, "Brellan", 2014),
    Planting("PB", 2, 7, 8, "Tarnwick", 2018),
    Planting("PB", 3, 1, 4, "Quarrow", 2016),
    Planting("PB", 3, 5, 7, "Brellan", 2016),
    Planting("OG", 1, 1, 4, "Oldenfarl", 1971, ("Old-1", "Old-2", "Old-4", "Old-5")),
    Planting("OG", 2, 1, 2, "Brellan", 1978, ("Old-3", "Old-7")),
    Planting("OG", 2, 3, 5, "Tarnwick", 1983, ("Old-8", "Old-9", "Old-11")),
    Planting("OG", 3, 5, 5, "Quarrow", 1990, ("Barn-1",)),
    Planting("WB", 1, 1, 6, "Vorlund", 2014),
    Planting("WB", 2, 1, 5, "Ismeray", 2016),
    Planting("WB", 2, 6, 6, "Haddersel", 2022),
    Planting("AB", 1, 1, 4, "Tillowby Red", 2018),
    Planting("AB", 1, 5, 8, "Cossamer", 2018),
    Planting("AB", 2, 1, 5, "Tillowby", 2017),
    Planting("AB", 2, 6, 9, "Pendrake", 2017),
)

STICKS = {"PB": 195, "OG": 42, "WB": 105, "AB": 235}
"""Sticks expected of a tree in a winter, by block: an estimate of this nursery."""


def plant_trees(nursery: Nursery) -> None:
    """Write the mother trees; those of the old grove keep the codes they always had."""
    for planting in PLANTINGS:
        for number, position in enumerate(range(planting.first, planting.last + 1)):
            own = planting.own_codes[number] if planting.own_codes else None
            stand_tree(nursery, planting, position, own or nursery.books.issue("T", 2024))
    _note_oddities(nursery)


def stand_tree(
    nursery: Nursery, planting: Planting, position: int, code: str, **known: object
) -> Tree:
    """Write one mother tree with its fix, and return it."""
    dice = nursery.books.dice("tree", planting.block, planting.row, position)
    fix, accuracy = _fix_of(planting.block, dice.random())
    east, north = BLOCK[planting.block].place(planting.row, position)
    error = accuracy / 1.5
    latitude, longitude = degrees(
        east + max(-2 * error, min(2 * error, dice.gauss(0, error))),
        north + max(-2 * error, min(2 * error, dice.gauss(0, error))),
    )
    young = planting.year >= 2022
    kind = "bearing" if planting.block == "OG" else "young" if young else "bank"
    sticks = round((25 if young else STICKS[planting.block]) * dice.uniform(0.85, 1.15))
    record: dict[str, object] = {
        "tree": code,
        "cultivar": planting.cultivar,
        "kind": kind,
        "block": planting.block,
        "row": planting.row,
        "position": position,
        "latitude": latitude,
        "longitude": longitude,
        "accuracy_m": accuracy,
        "fix_method": fix,
        "planted": None if planting.block == "OG" else date(planting.year, 2, 20),
        "rank": "own scheme: bank" if planting.block != "OG" else None,
        "received_from": None if planting.block == "OG" else f"SU-{dice.randint(1, 9):02d}",
        "rootstock": "seedling" if planting.block != "AB" else "QD-3",
        "sticks_per_year": round(sticks, -1) if planting.block != "OG" else None,
        "status": "usable",
        "location_private": True if planting.cultivar == "Oldenfarl" else None,
    }
    nursery.books.add("mother_trees", **(record | known))
    tree = Tree(
        code, planting.cultivar, CULTIVARS[planting.cultivar], kind, planting.block, planting.row,
        position, latitude, longitude, sticks, dice.gauss(0, 0.22),
    )  # fmt: skip
    nursery.trees.append(tree)
    return tree


def _fix_of(block: str, chance: float) -> tuple[str, float]:
    """Return how a tree's coordinates were found, and the radius that holds it at 68 %, m."""
    if block == "AB":
        return "survey", 0.2
    if block == "OG":
        return ("phone", 5.0) if chance < 0.5 else ("receiver", 3.0)
    return ("receiver", 1.5) if chance < 0.7 else ("survey", 0.2)


def _note_oddities(nursery: Nursery) -> None:
    """Write what makes single trees special: retired, resting, topworked, under an alias."""
    records = {row["tree"]: row for row in nursery.books.rows["mother_trees"]}
    events = nursery.books.rows["tree_events"]

    def event(tree: str, day: date | None, what: str, **more: object) -> None:
        events.append({"tree": tree, "date": day, "event": what, **more})

    records["Old-3"]["cultivar"] = "BREL"
    records["Old-3"]["notes"] = "name as painted on the trunk"
    nursery.tree("Old-7").luck = 0.0
    nursery.tree("Old-11").limb = "east limb"
    event("Old-11", date(2011, 4, 28), "topworked", limb="east limb", detail="to Tarnwick")
    records["Old-11"]["notes"] = "only the east limb was worked over; cut nowhere else"
    event("Old-2", None, "limb_removed", limb="north limb", detail="storm, some years ago")
    records["Old-5"]["kind"] = "dehorned"
    event("Old-5", date(2023, 3, 14), "pruned_hard", detail="cut back to the scaffold")
    retired = nursery.at("PB", 3, 4)
    retired.usable = False
    records[retired.code].update(status="retired", notes="half dead from borers")
    event(retired.code, date(2023, 8, 30), "treated", detail="trunk spray against borers")
    dead = nursery.at("WB", 1, 6)
    dead.usable = False
    records[dead.code]["status"] = "dead"
    event(dead.code, date(2023, 9, 12), "died", detail="root rot")
    retagged = nursery.at("AB", 1, 3)
    event(retagged.code, date(2025, 8, 19), "retagged", detail="tag grown into the bark")
    resting = nursery.at("PB", 1, 5)
    event(resting.code, date(2024, 7, 2), "treated", detail="zinc spray")


def settle(books: Books) -> Nursery:
    """Return the nursery as it stands before the first winter."""
    nursery = Nursery(books)
    name_cultivars(books)
    hire_people(books)
    survey_blocks(books)
    open_stores(nursery)
    plant_trees(nursery)
    buy_rootstocks(nursery)
    return nursery
