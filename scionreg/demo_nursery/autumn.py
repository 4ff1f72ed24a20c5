"""Autumn: the last count, routine looks at identity, trees sold, young mother trees planted."""

from collections import Counter
from datetime import date, timedelta
from random import Random

from scionreg.demo_nursery.growth import count_late
from scionreg.demo_nursery.places import SCORERS, Planting, stand_tree
from scionreg.demo_nursery.stories import EXCHANGED_ON, dispatches_exchanged, in_a_story
from scionreg.demo_nursery.things import Lot, Nursery, as_positions, season_of, working_days


def close_season(nursery: Nursery, season: int) -> None:
    """Do a season's autumn."""
    for lot in nursery.lots:
        if lot.season == season:
            count_late(nursery, lot)
    look_at_lots(nursery, season)
    look_at_trees(nursery, season)
    if season == 2024:
        plant_own_trees(nursery)
    if season == EXCHANGED_ON.year:
        exchange_two(nursery)
    sell(nursery, season)


def check(nursery: Nursery, item: str, day: date, method: str, **found: object) -> str:
    """Write an identity check and return its code."""
    code = nursery.books.issue("K", season_of(day))
    nursery.books.add("identity_checks", check=code, item=item, date=day, method=method, **found)
    return code


def look_at_lots(nursery: Nursery, season: int) -> None:
    """Look at leaf and habit of ten trees in some lots; now and then a rootstock has grown."""
    dice = nursery.books.dice("looks", season)
    plain = [
        lot
        for lot in nursery.lots
        if lot.season == season and not in_a_story(lot) and len(lot.unsold) >= 12
    ]
    for lot in sorted(dice.sample(plain, 26), key=lambda lot: lot.code):
        looked = sorted(dice.sample(lot.unsold, 10))
        off = [position for position in looked if position in lot.grown_stock]
        check(
            nursery, lot.code, date(season, 9, dice.randint(2, 20)), "leaf", checked=10,
            off=len(off), positions_checked=as_positions(looked),
            positions=as_positions(off) or None, found="rootstock" if off else None,
            by=dice.choice(SCORERS),
        )  # fmt: skip


def look_at_trees(nursery: Nursery, season: int) -> None:
    """Look at some mother trees; all are what they are taken for."""
    dice = nursery.books.dice("tree looks", season)
    standing = [tree for tree in nursery.trees if tree.usable]
    for tree in dice.sample(standing, 12):
        method = dice.choice(("leaf", "fruit", "dna", "bud"))
        report = f"report {season}-{dice.randint(100, 999)}" if method == "dna" else None
        check(
            nursery, tree.code, date(season, 8, dice.randint(3, 28)), method, checked=1, off=0,
            limb=tree.limb, by=dice.choice(SCORERS), reference=report,
        )  # fmt: skip


def plant_own_trees(nursery: Nursery) -> None:
    """Plant trees grown here in the banks: wood cut from them is a second generation."""
    places = (
        (Planting("AB", 3, 1, 1, "Tillowby", 2025), "own_tree"),
        (Planting("AB", 3, 2, 2, "Cossamer", 2025), "own_tree_2"),
        (Planting("WB", 2, 7, 7, "Vorlund", 2025), "own_tree_3"),
    )
    for planting, name in places:
        lot = next(
            lot
            for lot in nursery.lots
            if lot.season == 2024
            and lot.cultivar == planting.cultivar
            and lot.bundle.tree is not None
            and not in_a_story(lot)
            and "regraft_of" not in lot.entry
            and len(lot.unsold) > 10
        )
        position = lot.unsold.pop()
        code = nursery.books.issue("T", 2025)
        tree = stand_tree(
            nursery, planting, planting.first, code, graft_lot=lot.code, graft_position=position,
            received_from=None, rank="own scheme: second generation", kind="bank",
        )  # fmt: skip
        tree.sticks = 34
        tree.usable = planting.block == "AB"
        nursery.tales.tell(**{name: tree.code, f"{name}_from": f"{lot.code}/{position}"})


def send(
    nursery: Nursery, code: str, lot: Lot, day: date, customer: str, trees: int, *, said: bool
) -> list[int]:
    """Write one line of a dispatch and return the positions that left."""
    gone, lot.unsold = lot.unsold[:trees], lot.unsold[trees:]
    nursery.books.add(
        "dispatches",
        dispatch=code,
        graft_lot=lot.code,
        date=day,
        customer=customer,
        trees=len(gone),
        first=gone[0] if said else None,
        last=gone[-1] if said else None,
        label_cultivar=lot.cultivar,
    )
    return gone


def sell(nursery: Nursery, season: int) -> None:
    """Send trees of about half the lots to customers, one to four lots a dispatch."""
    dice = nursery.books.dice("sales", season)
    lots = [
        lot
        for lot in nursery.lots
        if lot.season == season and len(lot.unsold) >= 8 and not in_a_story(lot)
    ]
    chosen = dice.sample(lots, len(lots) // 2)
    days = working_days(date(season, 11, 2), date(season, 11, 19))
    per_day = Counter(dice.choice(days) for _ in range(len(chosen) // 2))
    for day in sorted(per_day):
        for _ in range(per_day[day]):
            code = nursery.books.issue("D", season_of(day))
            customer = f"CU-{dice.randint(2, 40):02d}"
            for _ in range(min(len(chosen), dice.choice((1, 1, 2, 2, 3, 4)))):
                _send_some(nursery, code, chosen.pop(), day, customer, dice)


def _send_some(
    nursery: Nursery, code: str, lot: Lot, day: date, customer: str, dice: Random
) -> None:
    """Send a lot's trees, all or some of them."""
    trees = len(lot.unsold) if dice.random() < 0.5 else dice.randint(5, len(lot.unsold))
    send(nursery, code, lot, day, customer, trees, said=dice.random() < 0.75)


EXCHANGED_CUSTOMERS = ("CU-31", "CU-08")


def exchange_two(nursery: Nursery) -> None:
    """Send two lots' trees on one day, each to the other's customer; both find it in summer.

    The rows they came from are true: what stayed behind was looked at too.
    """
    tales = nursery.tales
    lots = dispatches_exchanged(nursery)
    codes = [nursery.books.issue("D", season_of(EXCHANGED_ON)) for _ in lots]
    sent: list[list[int]] = []
    for lot, code, customer in zip(lots, codes, EXCHANGED_CUSTOMERS, strict=True):
        trees = len(lot.unsold) - 6
        sent.append(send(nursery, code, lot, EXCHANGED_ON, customer, trees, said=True))
    looked = date(2026, 7, 14)
    for number, (code, gone) in enumerate(zip(codes, sent, strict=True)):
        other, lot = lots[1 - number].cultivar, lots[number]
        first = check(
            nursery, code, looked + timedelta(6 * number), "leaf", checked=len(gone),
            off=len(gone), positions_checked=as_positions(gone), positions=as_positions(gone),
            found=other, by="P11",
        )  # fmt: skip
        check(
            nursery, code, looked + timedelta(30), "dna", checked=2, off=2,
            positions_checked=as_positions(gone[:2]), positions=as_positions(gone[:2]),
            found=other, reference=f"same trees as {first}",
        )  # fmt: skip
        check(
            nursery, lot.code, date(2025, 10, 6 + number), "leaf", checked=6, off=0,
            positions_checked=as_positions(lot.unsold[:6]), by="P10",
        )  # fmt: skip
        del lot.unsold[:6]
        side = "ab"[number]
        tales.tell(
            **{
                f"exchanged_{side}": code,
                f"exchanged_lot_{side}": lot.code,
                f"exchanged_cultivar_{side}": lot.cultivar,
                f"exchanged_customer_{side}": EXCHANGED_CUSTOMERS[number],
                f"exchanged_tree_{side}": f"{lot.code}/{gone[0]}",
            }
        )
