"""Spring: wood is looked through, grafted, the leftovers tied again, and the grafts counted."""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta
from random import Random

from scionreg.demo_nursery.crafts import CRAFTS, Craft
from scionreg.demo_nursery.growth import count_early, grow
from scionreg.demo_nursery.places import BLOCK, GRAFTERS, WALNUT
from scionreg.demo_nursery.stories import (
    FOREIGN,
    FOREIGN_STICKS,
    LEFT_OVER,
    LEFTOVERS_SEASON,
    OVER_CUT,
    WARM_STORE,
    Leftovers,
    in_a_story,
    leftovers_rebundled,
    poor_week,
)
from scionreg.demo_nursery.things import Bundle, Lot, Nursery, working_days
from scionreg.demo_nursery.winter import rebundle

Job = tuple[Bundle, int, int]
"""A bundle, the grafts to make from it and the sticks they use up."""


@dataclass(slots=True)
class Ground:
    """Which nursery row each grafter is working in, and how far along it is."""

    season: int
    next_row: int = 1
    open_rows: dict[tuple[str, str], tuple[int, int, str]] = field(default_factory=dict)
    turns: Counter[tuple[str, date]] = field(default_factory=Counter)

    def room(
        self, grafter: str, craft: Craft, places: int, lots: list[str], dice: Random
    ) -> tuple[int, int, str]:
        """Return row, first position and rootstock lot for a run of places; opens a row if full."""
        row, free, rootstock = self.open_rows.get((grafter, craft.name), (0, 1, ""))
        if row == 0 or free + places - 1 > BLOCK[f"N{self.season % 100}"].positions:
            row, free, rootstock = self.next_row, 1, dice.choice(lots)
            self.next_row += 1
        self.open_rows[grafter, craft.name] = (row, free + places, rootstock)
        return row, free, rootstock

    def turn(self, grafter: str, day: date) -> int:
        """Return which lot of the grafter's day this is."""
        self.turns[grafter, day] += 1
        return self.turns[grafter, day]


def graft(nursery: Nursery, season: int) -> None:
    """Graft all of a season's wood, craft by craft, and count what grows."""
    ground = Ground(season)
    told = leftovers_rebundled(nursery) if season == LEFTOVERS_SEASON else None
    kept = _kept_back(nursery, season, told)
    for craft in CRAFTS:
        dice = nursery.books.dice("spring", season, craft.name)
        wood = [b for b in nursery.bundles if b.season == season and _is_for(b, craft, nursery)]
        slots = _slots(craft, season, dice)
        jobs = _jobs(wood, kept, craft, dice)
        for job in jobs:
            day, grafter = next(slots)
            work(nursery, ground, craft, job, day, _apart(job[0], day, grafter))
        if craft.rebundling:
            _use_leftovers(nursery, ground, craft, wood, told, dice)
            _graft_misses_again(nursery, ground, craft, dice)
    _forget_some(nursery, season)


def _is_for(bundle: Bundle, craft: Craft, nursery: Nursery) -> bool:
    """Tell whether a bundle is worked by a craft: a quarter of the walnut waits for May."""
    if bundle.species != craft.species or bundle.made_of:
        return False
    waits = nursery.books.dice("waits", bundle.code).random() < 0.25
    return bundle.species != WALNUT or waits == (craft.name == "walnut field")


def _kept_back(nursery: Nursery, season: int, told: Leftovers | None) -> dict[str, int]:
    """Return how many sticks of each bundle are not grafted in the first go."""
    dice = nursery.books.dice("kept", season)
    kept = {
        bundle.code: dice.choice((0, 0, 0, 1, 2, 3, 5, 7, 9))
        for bundle in nursery.bundles
        if bundle.season == season
    }
    if told:
        kept.update({b.code: left for b, left in zip(told.parents, LEFT_OVER, strict=True)})
        kept[told.unlabelled.code] = FOREIGN_STICKS + 3
    return kept


def _slots(craft: Craft, season: int, dice: Random) -> Iterator[tuple[date, str]]:
    """Yield day and grafter for one lot after the other; not everybody is there every day."""
    (first, last) = craft.grafting
    for day in working_days(date(season, *first), date(season, *last) + timedelta(21)):
        there = [g for g in GRAFTERS if dice.random() < 0.85 or poor_week(g, day)]
        for _ in range(craft.lots_a_day):
            for grafter in there:
                yield day, grafter


def _apart(bundle: Bundle, day: date, grafter: str) -> str:
    """Return the grafter, or a mate where two stories would meet in one lot."""
    from_told_tree = bundle.tree is not None and bundle.tree.code == OVER_CUT
    return GRAFTERS[0] if from_told_tree and poor_week(grafter, day) else grafter


def _jobs(wood: list[Bundle], kept: dict[str, int], craft: Craft, dice: Random) -> list[Job]:
    """Cut the wood up into lots, in the order of work: a bundle is used over some days.

    Now and then a graft less comes of the sticks, where one broke.
    """
    order = list(wood)
    dice.shuffle(order)
    ranked: list[tuple[float, int, Job]] = []
    for place, bundle in enumerate(order):
        usable = bundle.left - kept[bundle.code]
        while usable >= 10:
            used = dice.randint(19, 35)
            if usable - used < 12:
                used = usable if usable <= 38 else usable // 2
            usable -= used
            grafts = used * craft.grafts_a_stick - dice.choice((0, 0, 0, 1, 1, 2))
            ranked.append((place + dice.uniform(0, 9), len(ranked), (bundle, grafts, used)))
    return [job for _, _, job in sorted(ranked, key=lambda entry: entry[:2])]


def work(
    nursery: Nursery, ground: Ground, craft: Craft, job: Job, day: date, grafter: str,
) -> Lot:  # fmt: skip
    """Make one graft lot, let it grow and count it."""
    bundle, grafts, used = job
    dice = nursery.books.dice("lot", bundle.code, bundle.left, day)
    places = grafts + dice.choice((0, 0, 0, 0, 1, 2))
    stocks = nursery.rootstocks[craft.species, ground.season]
    row, first, rootstock = ground.room(grafter, craft, places, stocks, dice)
    method = dice.choices(list(craft.methods), list(craft.methods.values()))[0]
    lot = Lot(
        nursery.books.issue("G", ground.season), ground.season, bundle, day, grafter, method,
        grafts, f"N{ground.season % 100}", row, first, first + places - 1,
    )  # fmt: skip
    bundle.left -= used
    _write(nursery, ground, lot, used, rootstock, dice)
    grow(nursery, lot, rootstock)
    nursery.lots.append(lot)
    lot.counted = count_early(nursery, lot, craft)
    return lot


def _write(
    nursery: Nursery, ground: Ground, lot: Lot, used: int, rootstock: str | None, dice: Random
) -> None:
    """Write the lot's row, with the small gaps that books have."""
    unsaid = lot.grafts == used and dice.random() < 0.1
    lot.entry = nursery.books.add(
        "graft_lots",
        graft_lot=lot.code,
        bundle=lot.bundle.code,
        date=lot.date,
        grafter=lot.grafter,
        method=lot.method,
        rootstock_lot=rootstock if dice.random() < 0.97 else None,
        stock_mm=dice.choice(("6-9", "9-12", "12-16")) if dice.random() < 0.8 else None,
        grafts=lot.grafts,
        sticks_used=None if unsaid else used,
        block=lot.block,
        row=lot.row,
        first=lot.first,
        last=lot.last,
        order_in_day=ground.turn(lot.grafter, lot.date),
    )


def _graft_misses_again(nursery: Nursery, ground: Ground, craft: Craft, dice: Random) -> None:
    """Graft the failures of a few poor lots again, with what wood there is."""
    poor = [
        lot
        for lot in nursery.lots
        if lot.season == ground.season
        and lot.bundle.species == craft.species
        and lot.early < 0.6 * lot.grafts
        and not in_a_story(lot)
    ]
    for lot in dice.sample(poor, min(len(poor), 5)):
        wait = 1 if lot.counted.weekday() < 4 else 7 - lot.counted.weekday()
        day = lot.counted + timedelta(wait)
        wood = [b for b in nursery.bundles if b.cultivar == lot.cultivar and _is_spare(nursery, b)]
        wood = [b for b in wood if b.season == lot.season]
        if wood and day <= date(lot.season, 6, 12):
            bundle = max(wood, key=lambda b: (b.left, b.code))
            _graft_again(nursery, ground, craft, lot, bundle, day)


def _is_spare(nursery: Nursery, bundle: Bundle) -> bool:
    """Tell whether a bundle has sticks left that no story needs."""
    plain = bundle.truth == bundle.cultivar and bundle.store != nursery.stores[WARM_STORE]
    return plain and bundle.left >= 6 and (bundle.tree is None or bundle.tree.code != OVER_CUT)


def _graft_again(
    nursery: Nursery, ground: Ground, craft: Craft, lot: Lot, bundle: Bundle, day: date
) -> None:
    """Graft the end of a lot's run again, where everything failed."""
    _fail_at_the_end(lot)
    grafts = min(lot.last - max(lot.alive, default=lot.first), bundle.left)
    again = Lot(
        nursery.books.issue("G", lot.season), lot.season, bundle, day, lot.grafter, lot.method,
        grafts, lot.block, lot.row, lot.last - grafts + 1, lot.last,
    )  # fmt: skip
    bundle.left -= grafts
    rootstock = lot.entry["rootstock_lot"]
    assert rootstock is None or isinstance(rootstock, str)
    _write(nursery, ground, again, grafts, rootstock, nursery.books.dice("again", lot.code))
    again.entry["regraft_of"] = lot.code
    grow(nursery, again, rootstock)
    again.counted = count_early(nursery, again, craft)
    nursery.lots.append(again)


def _fail_at_the_end(lot: Lot) -> None:
    """Let the living positions of a lot be the first of its run, so that the rest is free."""
    lot.alive = list(range(lot.first, lot.first + len(lot.alive)))
    lot.unsold = list(lot.alive)
    lot.grown_stock = set()


def _use_leftovers(
    nursery: Nursery, ground: Ground, craft: Craft, wood: list[Bundle], told: Leftovers | None,
    dice: Random,
) -> None:  # fmt: skip
    """Tie what is left of each cultivar under new labels, and graft it."""
    assert craft.rebundling is not None
    day = date(ground.season, *craft.rebundling)
    if told and told.unlabelled in wood:
        _leftovers_with_a_stray(nursery, ground, craft, told, day + timedelta(1))
    for cultivar in dict.fromkeys(bundle.cultivar for bundle in wood):
        parents = [b for b in wood if b.cultivar == cultivar and _may_be_tied(nursery, b, told)]
        if len(parents) < 2:
            continue
        pile = parents[: dice.randint(2, 3)]
        tied = day + timedelta(_after_last_lot(nursery, pile, day))
        bundle = rebundle(
            nursery, [(b, b.left) for b in pile], tied, nursery.stores["cooler_a"], dice
        )
        used = bundle.left - dice.choice((0, 0, 1))
        later = tied + timedelta(3 if tied.weekday() >= 4 else 1)
        work(nursery, ground, craft, (bundle, used, used), later, dice.choice(GRAFTERS))


def _may_be_tied(nursery: Nursery, bundle: Bundle, told: Leftovers | None) -> bool:
    """Tell whether a bundle's leftover may go into a common one."""
    in_story = bundle.truth != bundle.cultivar or (
        told is not None and bundle in (*told.parents, told.unlabelled)
    )
    plain = bundle.tree is not None and bundle.tree.code != OVER_CUT
    cold = bundle.store != nursery.stores[WARM_STORE]
    return plain and cold and not in_story and bundle.left >= 5


def _after_last_lot(nursery: Nursery, pile: list[Bundle], day: date) -> int:
    """Return how many days after `day` the last lot of the pile's bundles was made, at least 0."""
    codes = {bundle.code for bundle in pile}
    last = max((lot.date for lot in nursery.lots if lot.bundle.code in codes), default=day)
    return max(0, (last - day).days)


def _leftovers_with_a_stray(
    nursery: Nursery, ground: Ground, craft: Craft, told: Leftovers, day: date
) -> None:
    """Tie three leftovers while a fourth without a label lies on the bench, and graft them all."""
    dice = nursery.books.dice("leftovers")
    day += timedelta(_after_last_lot(nursery, [*told.parents, told.unlabelled], day))
    bundle = rebundle(
        nursery, [(b, b.left) for b in told.parents], day, nursery.stores["cooler_a"], dice
    )
    bundle.foreign, bundle.foreign_cultivar = FOREIGN_STICKS, FOREIGN
    total = bundle.sticks + FOREIGN_STICKS
    later = day + timedelta(3 if day.weekday() >= 4 else 1)
    stray = FOREIGN_STICKS
    lots: list[Lot] = []
    for grafts, grafter in ((total // 2, "P05"), (total - total // 2, "P08")):
        lot = work(nursery, ground, craft, (bundle, grafts, grafts), later, grafter)
        foreign = min(stray, grafts // 2)
        stray -= foreign
        lot.wrong = set(dice.sample(lot.alive, min(len(lot.alive), round(foreign * 0.75))))
        lots.append(lot)
    told.unlabelled.left -= FOREIGN_STICKS
    nursery.tales.tell(
        rebundle=bundle.code,
        rebundle_parents=", ".join(b.code for b in told.parents),
        rebundle_sticks=str(bundle.sticks),
        rebundle_grafted=str(total),
        rebundle_lots=", ".join(lot.code for lot in lots),
        stray=told.unlabelled.code,
        stray_missing=str(FOREIGN_STICKS),
    )


def _forget_some(nursery: Nursery, season: int) -> None:
    """Leave out what was not written down: rows of a few lots, two dates of the first spring."""
    dice = nursery.books.dice("forgotten lots", season)
    plain = [
        lot
        for lot in nursery.lots
        if lot.season == season and not lot.wrong and lot.bundle.truth == lot.cultivar
        and not lot.bundle.made_of and not (lot.bundle.tree and lot.bundle.tree.code == OVER_CUT)
        and "regraft_of" not in lot.entry
        and not any(other.entry.get("regraft_of") == lot.code for other in nursery.lots)
    ]  # fmt: skip
    for lot in dice.sample(plain, 9):
        lot.entry.update(row=None, first=None, last=None)
        lot.unsold, lot.grown_stock = [], set()
    if season == 2024:
        for lot in dice.sample(plain, 2):
            lot.entry.update(date=None, order_in_day=None)
