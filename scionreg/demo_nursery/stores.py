"""What the loggers and the storekeeper wrote: temperatures, checks, moves, sales, discards."""

import math
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from random import Random

from scionreg.demo_nursery.crafts import cutting_of
from scionreg.demo_nursery.places import APPLE, PECAN
from scionreg.demo_nursery.stories import WARM_FROM, WARM_HOURS, WARM_STORE, WARM_TO
from scionreg.demo_nursery.things import SEASONS, Bundle, Nursery

Reading = tuple[datetime, float, int | None]


def read_loggers(nursery: Nursery) -> None:
    """Write the readings: hourly in the coolers, every four hours and without humidity in the box.

    The third cooler came in 2025; the box's logger stood still for a fortnight in 2026.
    """
    for name, store in nursery.stores.items():
        for season in SEASONS:
            if name == "cooler_c" and season == 2024:
                continue
            for time, temperature, humidity in _readings(nursery, name, season):
                nursery.books.add(
                    "store_readings",
                    store=store,
                    time=time.strftime("%Y-%m-%dT%H:%MZ"),
                    temperature_c=round(temperature, 1),
                    humidity_pct=humidity,
                )


SETTING = {"cooler_a": 1.2, "cooler_b": 1.8, "cooler_c": 0.9, "box": 3.4}
STILL = (datetime(2026, 3, 2, tzinfo=UTC), datetime(2026, 3, 16, tzinfo=UTC))


def _readings(nursery: Nursery, name: str, season: int) -> Iterator[Reading]:
    """Yield one store's readings of a season, from the first cutting to the last grafting."""
    dice = nursery.books.dice("logger", name, season)
    time = datetime(season, 1, 4, 6, tzinfo=UTC)
    step = timedelta(hours=4 if name == "box" else 1)
    drift = 0.0
    while time < datetime(season, 6, 6, tzinfo=UTC):
        drift = 0.9 * drift + dice.gauss(0, 0.12)
        daily = 0.25 * math.sin((time.hour - 9) / 24 * 2 * math.pi)
        door = dice.uniform(0.5, 2.0) if 14 <= time.hour <= 22 and dice.random() < 0.04 else 0.0
        warm = warm_spell(time) if name == WARM_STORE else 0.0
        humidity = round(94 + dice.gauss(0, 1) - warm)
        still = name == "box" and STILL[0] <= time < STILL[1]
        if not still:
            yield (
                time,
                SETTING[name] + drift + daily + door + warm,
                None if name == "box" else max(60, min(99, humidity)),
            )
        time += step


def warm_spell(time: datetime) -> float:
    """Return how many degrees the cooler is above its setting: it stood still over a weekend."""
    hours = (time - WARM_FROM).total_seconds() / 3600
    if hours < 0:
        return 0.0
    if hours <= WARM_HOURS:
        return 14.0 * (1 - math.exp(-hours / 6))
    return 14.0 * math.exp(-(hours - WARM_HOURS) / 3)


def keep_wood(nursery: Nursery, season: int) -> None:
    """Write what happens to the bundles before the grafting: some sold as wood, some looked at."""
    dice = nursery.books.dice("keeping", season)
    for bundle in [b for b in nursery.bundles if b.season == season]:
        if bundle.species == PECAN and bundle.tree and bundle.tree.kind == "bank":
            _perhaps_sell(nursery, bundle, date(season, 3, dice.randint(5, 15)), dice)
        if bundle.species == APPLE and bundle.store == nursery.stores["box"]:
            _move(nursery, bundle, date(season, 2, dice.randint(20, 24)))
        if dice.random() < 0.35:
            day = _check_day(bundle, season, dice)
            condition = dice.choices(("good", "dry", "mould"), (90, 7, 3))[0]
            said = bundle.left if dice.random() < 0.8 else None
            _log(nursery, bundle, day, "checked", sticks=said, condition=condition)


def _check_day(bundle: Bundle, season: int, dice: Random) -> date:
    """Return a day after the wood was tied and before it is grafted."""
    (month, _) = cutting_of(bundle.species).cutting[0]
    first = {1: date(season, 2, 13), 2: date(season, 3, 20)}[month]
    return first + timedelta(dice.randint(0, 4))


def _perhaps_sell(nursery: Nursery, bundle: Bundle, day: date, dice: Random) -> None:
    """Sell a few sticks of some bundles as wood."""
    if dice.random() < 0.06:
        sold = dice.choice((6, 10, 12))
        bundle.left -= sold
        _log(nursery, bundle, day, "sold", sticks=sold, note=f"to CU-{dice.randint(2, 40):02d}")


def _move(nursery: Nursery, bundle: Bundle, day: date) -> None:
    """Move a bundle from the box, which gets too warm, to the first cooler."""
    bundle.store = nursery.stores["cooler_a"]
    _log(nursery, bundle, day, "moved", store=bundle.store)


def clear_out(nursery: Nursery, season: int) -> None:
    """Write the end of the season in the stores: counts of what is left, and discards."""
    dice = nursery.books.dice("clearing", season)
    _after_the_warm_spell(nursery, season)
    for bundle in [b for b in nursery.bundles if b.season == season and b.left > 0]:
        day = date(season, 6, 16 + dice.randint(0, 2))
        if nursery.tales.codes.get("stray") == bundle.code or dice.random() < 0.3:
            state = dice.choice(("good", "dry", "pushing"))
            _log(nursery, bundle, day, "checked", sticks=bundle.left, condition=state)
        if dice.random() < 0.85:
            said = bundle.left if dice.random() < 0.9 else None
            note = "written down two days later" if dice.random() < 0.08 else None
            _log(nursery, bundle, day + timedelta(1), "discarded", sticks=said, note=note)
    _hold_one(nursery, season)


def _after_the_warm_spell(nursery: Nursery, season: int) -> None:
    """Write what the storekeeper saw on the morning the cooler was found warm."""
    if season != WARM_TO.year:
        return
    day = WARM_TO.date() + timedelta(1)
    lots = [lot for lot in nursery.lots if lot.season == season and lot.date > day]
    touched = {lot.bundle.code: lot.bundle for lot in lots}
    warm = [b for b in touched.values() if b.store == nursery.stores[WARM_STORE] and not b.made_of]
    for number, bundle in enumerate(warm[:6]):
        state = "pushing" if number % 2 else "dry"
        _log(nursery, bundle, day, "checked", condition=state, note="cooler found warm")


def _hold_one(nursery: Nursery, season: int) -> None:
    """Put one received bundle on hold for some days in winter: its papers were late."""
    bundle = next(b for b in nursery.bundles if b.season == season and b.tree is None)
    start = bundle.packed + timedelta(1)
    _log(nursery, bundle, start, "hold", note="papers not here yet")
    _log(nursery, bundle, start + timedelta(4), "released", note="papers came")


def _log(nursery: Nursery, bundle: Bundle, day: date, event: str, **more: object) -> None:
    """Write a line of a bundle's log; the hour is local, as the storekeeper writes it."""
    hour = 8 + int(bundle.code[-3:-2]) if bundle.code[-3:-2].isdecimal() else 9
    time = f"{day.isoformat()}T{hour:02d}:30"
    nursery.books.add("bundle_log", bundle=bundle.code, time=time, event=event, **more)
