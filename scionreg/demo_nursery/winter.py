"""Winter: wood is cut from mother trees, tied in bundles and put into the stores."""

from collections import Counter
from collections.abc import Iterator
from datetime import date, timedelta
from random import Random

from scionreg.demo_nursery.crafts import cutting_of
from scionreg.demo_nursery.places import CUTTERS, PACKER, degrees
from scionreg.demo_nursery.stories import (
    CLAIMED,
    HARD_CUTS,
    OVER_CUT,
    neighbour_cut_instead,
)
from scionreg.demo_nursery.things import Bundle, Nursery, Row, Tree, working_days

TREES_A_DAY = 4
"""Trees that one cutter does in a day here."""

Cut = tuple[Tree, date, str, int]
"""A tree, the day, the cutter and the turn in the cutter's day."""


def cut_and_pack(nursery: Nursery, season: int) -> None:
    """Cut this winter's trees, tie the wood and add what came from outside."""
    dice = nursery.books.dice("winter", season)
    for tree, day, cutter, turn in _cutting_round(nursery, season, dice):
        collection = _cut(nursery, season, (tree, day, cutter, turn), dice)
        _tie(nursery, season, tree, collection, day, dice)
    _receive(nursery, season, dice)
    _forget_some(nursery, season)


def _cutting_round(nursery: Nursery, season: int, dice: Random) -> Iterator[Cut]:
    """Yield the trees to cut in walking order, with the day, the cutter and the turn."""
    turns: Counter[tuple[str, date]] = Counter()
    for species in dict.fromkeys(tree.species for tree in nursery.trees):
        (first, last) = cutting_of(species).cutting
        days = working_days(date(season, *first), date(season, *last))
        trees = [t for t in nursery.trees if t.species == species and _is_cut(t, dice)]
        trees.sort(key=lambda t: (t.block, t.row, t.position))
        for number, tree in enumerate(trees):
            day = days[min(number // TREES_A_DAY, len(days) - 1)]
            cutter = CUTTERS[(number // TREES_A_DAY + season) % len(CUTTERS)]
            turns[cutter, day] += 1
            yield tree, day, cutter, turns[cutter, day]


def _is_cut(tree: Tree, dice: Random) -> bool:
    """Tell whether a tree is cut this winter; those of the stories always are."""
    skipped = dice.random() < 0.08
    told = tree.code == OVER_CUT or (tree.block, tree.row, tree.position) == CLAIMED
    return told or (tree.usable and not skipped)


def _cut(nursery: Nursery, season: int, cut: Cut, dice: Random) -> Row:
    """Write one collection. Where the neighbour was cut, only the cutter's fix tells."""
    tree, day, cutter, turn = cut
    hard = HARD_CUTS[season] if tree.code == OVER_CUT else None
    bearing = tree.kind == "bearing"
    share = dice.uniform(0.14, 0.25) if bearing else dice.uniform(0.7, 0.95)
    length = dice.gauss(48, 4) if bearing else dice.gauss(78, 5)
    sticks = round(tree.sticks * dice.uniform(0.88, 1.1))
    if tree.species == "Malus domestica":
        length = dice.gauss(56, 4)
    if hard:
        share, length, sticks = hard.share, hard.shoot_length_cm, hard.sticks
    stood = neighbour_cut_instead(nursery, season, tree)
    told = stood is not tree
    fixed = told or dice.random() < 0.35
    latitude, longitude = _near(stood, 0.3 if told else 1.5, dice)
    return nursery.books.add(
        "collections",
        collection=nursery.books.issue("C", season),
        tree=tree.code,
        limb=tree.limb,
        date=day,
        cutter=cutter,
        shoots=round(sticks / dice.uniform(2.2, 3.2)) if dice.random() < 0.8 else None,
        sticks=sticks,
        count=dice.choices(("counted", "estimated", None), (70, 22, 8))[0],
        share_cut=round(share, 2) if hard or dice.random() < 0.85 else None,
        shoot_length_cm=round(length) if hard or dice.random() < 0.85 else None,
        bud_stage=0 if dice.random() < 0.6 else None,
        in_leaf=False if dice.random() < 0.5 else None,
        tools_cleaned=dice.random() < 0.8 if dice.random() < 0.7 else None,
        order_in_day=turn,
        latitude=latitude if fixed else None,
        longitude=longitude if fixed else None,
        accuracy_m=(0.8 if told else round(dice.uniform(2, 6), 1)) if fixed else None,
    )


def _near(tree: Tree, error_m: float, dice: Random) -> tuple[float, float]:
    """Return a fix taken beside a tree."""
    (zero_north, zero_east) = degrees(0, 0)
    north, east = degrees(dice.gauss(0, error_m), dice.gauss(0, error_m))
    return (
        round(tree.latitude + north - zero_north, 6),
        round(tree.longitude + east - zero_east, 6),
    )


def _tie(
    nursery: Nursery, season: int, tree: Tree, collection: Row, day: date, dice: Random
) -> None:
    """Tie a collection's sticks into bundles of about the usual size; culls are thrown away."""
    craft = cutting_of(tree.species)
    cut = collection["sticks"]
    assert isinstance(cut, int)
    good = cut - (dice.randint(1, max(1, cut // 30)) if dice.random() < 0.4 else 0)
    size = 30 if tree.kind == "bearing" else craft.bundle_of
    number = max(1, round(good / size))
    truth = neighbour_cut_instead(nursery, season, tree).cultivar
    for part in range(number):
        sticks = good * (part + 1) // number - good * part // number
        packed = day + timedelta(dice.random() < 0.25)
        nursery.bundles.append(
            Bundle(
                nursery.books.issue("B", season), season, tree.cultivar, tree.species, truth, tree,
                sticks, sticks, packed, _store_for(nursery, season, tree, dice),
                dice.gauss(0, 0.18),
            )
        )  # fmt: skip
        _label(nursery, nursery.bundles[-1], dice, collection=collection["collection"])


def _store_for(nursery: Nursery, season: int, tree: Tree | None, dice: Random) -> str:
    """Return the store that has room; wood of one tree is spread over several."""
    names = ["cooler_a", "cooler_b"] + (["cooler_c"] if season >= 2025 else ["box"])
    name = dice.choice(names)
    if tree is not None and tree.code == OVER_CUT:
        name = "cooler_a"
    return nursery.stores[name]


def _label(nursery: Nursery, bundle: Bundle, dice: Random, **source: object) -> None:
    """Write a bundle's row."""
    treated = bundle.species != "Malus domestica" and dice.random() < 0.1
    nursery.books.add(
        "bundles",
        bundle=bundle.code,
        sticks=bundle.sticks,
        count="counted" if dice.random() < 0.8 else None,
        sealed=dice.random() < 0.9 if dice.random() < 0.8 else None,
        treatment="fungicide dip" if treated else None,
        packed=bundle.packed,
        packer=PACKER if dice.random() < 0.9 else None,
        store=bundle.store,
        shelf=f"{dice.choice('ABC')}{dice.randint(1, 6)}" if dice.random() < 0.7 else None,
        **source,
    )


RECEIVED = (
    ("Haddersel", "SU-03", 48),
    ("Oldenfarl", "SU-07", 40),
    ("Cossamer", "SU-05", 60),
    ("Haddersel", "SU-03", 36),
)


def _receive(nursery: Nursery, season: int, dice: Random) -> None:
    """Add the bundles that came from outside with a name only; one under an alias."""
    for number, (cultivar, supplier, sticks) in enumerate(RECEIVED):
        species = _species(nursery, cultivar)
        day = date(season, 2, 5 + dice.randint(0, 6))
        bundle = Bundle(
            nursery.books.issue("B", season), season, cultivar, species, cultivar, None,
            sticks, sticks, day, _store_for(nursery, season, None, dice), dice.gauss(0, 0.25),
        )  # fmt: skip
        nursery.bundles.append(bundle)
        alias = "Farl" if season == 2024 and number == 1 else cultivar
        _label(nursery, bundle, dice, received_from=supplier, cultivar=alias)


def _species(nursery: Nursery, cultivar: str) -> str:
    rows = nursery.books.rows["cultivars"]
    return next(str(row["species"]) for row in rows if row["cultivar"] == cultivar)


def _forget_some(nursery: Nursery, season: int) -> None:
    """Leave out what was not written down: some cutters, and two dates of the first winter."""
    dice = nursery.books.dice("forgotten", season)
    rows = [
        r
        for r in nursery.books.rows["collections"]
        if str(r["collection"])[1:3] == f"{season % 100}"
    ]
    plain = [row for row in rows if row["tree"] != OVER_CUT]
    for row in dice.sample(plain, 4):
        row["cutter"] = row["order_in_day"] = None
    if season == 2024:
        for row in dice.sample([r for r in plain if str(r["tree"]).startswith("Old")], 2):
            row["date"] = row["order_in_day"] = None


def rebundle(
    nursery: Nursery, parents: list[tuple[Bundle, int]], day: date, store: str, dice: Random
) -> Bundle:
    """Tie sticks of several bundles of one cultivar under a new label, and return the bundle."""
    first = parents[0][0]
    sticks = sum(taken for _, taken in parents)
    for parent, taken in parents:
        parent.left -= taken
    mixed = sum(parent.luck * taken for parent, taken in parents) / sticks
    bundle = Bundle(
        nursery.books.issue("B", first.season), first.season, first.cultivar, first.species,
        first.truth, first.tree, sticks, sticks, day, store, mixed,
        tuple(parent.code for parent, _ in parents),
    )  # fmt: skip
    nursery.bundles.append(bundle)
    _label(nursery, bundle, dice)
    for parent, taken in parents:
        nursery.books.add("bundle_parents", bundle=bundle.code, parent=parent.code, sticks=taken)
    return bundle
