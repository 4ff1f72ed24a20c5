"""Whether `take --why` finds planted causes, and blames nobody where there is none.

    python -m benchmarks.take_causes [--registries 200] [--quick]

Registries of about 300 graft lots are drawn with one planted cause (a warm store, a grafter, wet
rows, hot days, a worn-out tree, wood frozen on some cutting days) or none, at 1.3 and at 0.7 logit,
by a generator that shares no code with the model. Asked are lots that the cause struck; and, as
hard nulls, the lowest lot and the lowest four lots of registries without a cause. Beside it three
rules of thumb that name an item whatever the counts: the lowest rate, the largest difference from
the rest, and the smallest p (Fisher's exact test).
"""

import argparse
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from scionreg.lineage.worked_lots import WorkedLots
from scionreg.records.starting_values import TakeValues, UsualTake
from scionreg.take.factors import memberships
from scionreg.take.stages import Stage, counts_at
from scionreg.take.table import take_table
from scionreg.take.verdict import Why
from scionreg.take.why import why_poor

CAUSES = ("warm_spell", "grafter", "row", "graft_day", "mother_tree", "cutting_day", "none")
FIRST_DAY = np.datetime64("2026-04-13", "s")
DAY = np.timedelta64(1, "D")


@dataclass(frozen=True, eq=False)
class Drawn:
    """A drawn registry: its tables, the spells its wood sat through, what was planted and where."""

    worked: WorkedLots
    spells: pd.DataFrame
    cause: str
    items: frozenset[str]
    struck: np.ndarray[Any, Any]
    tree_effects: dict[str, float]


def draw_registry(
    seed: int, cause: str, size: float, tied: bool = False, struck_hand: int | None = None
) -> Drawn:
    """Return a season of about 300 lots with `cause` planted at `size` logit.

    With `tied`, the first grafter worked all wood of one tree, and no other; `struck_hand` is the
    grafter to strike, else one is drawn.
    """
    rng = np.random.default_rng(seed)
    trees, cultivars = 36, 6
    tree_cultivar = rng.integers(cultivars, size=trees)
    cut_days = np.sort(rng.choice(40, 10, replace=False))
    collections = [
        (tree, int(day))
        for tree in range(trees)
        for day in rng.choice(cut_days, rng.integers(1, 4), replace=False)
    ]
    bundles = [(at, int(rng.integers(3))) for at in range(len(collections)) for _ in range(2)]
    rows = []
    row, used = 1, 0
    work_days = [day for day in range(33) if day % 7 < 5]
    rng.shuffle(bundles)
    queue = [at for at in range(len(bundles)) for _ in range(int(rng.integers(1, 4)))]
    rng.shuffle(queue)
    hands, methods = rng.integers(2, size=7), ("four_flap", "whip")
    for turn, bundle in enumerate(queue):
        day = work_days[min(turn * len(work_days) // len(queue), len(work_days) - 1)]
        grafts = int(rng.integers(12, 40))
        hand = int(rng.integers(7))
        if used + grafts > 110:
            row, used = row + 1, 0
        method = methods[hands[hand] if rng.random() < 0.8 else 1 - hands[hand]]
        rows.append((bundle, day, hand, method, grafts, row, used + 1, used + grafts))
        used += grafts
    columns = ["bundle", "day", "hand", "method", "grafts", "row", "first", "last"]
    lots = pd.DataFrame(rows, columns=columns)
    lots["collection"] = [bundles[at][0] for at in lots["bundle"]]
    lots["tree"] = [collections[at][0] for at in lots["collection"]]
    lots["cut"] = [collections[at][1] for at in lots["collection"]]
    lots["store"] = [bundles[at][1] for at in lots["bundle"]]
    lots["stock"] = np.minimum((lots["row"] - 1) // 6, 8) * 10 + rng.integers(2, size=len(lots))
    if tied:
        lots.loc[lots["hand"] == 0, "hand"] = 1
        lots.loc[lots["tree"] == lots["tree"].mode()[0], "hand"] = 0
    return _count(rng, lots, tree_cultivar, cause, size, struck_hand)


def _count(
    rng: np.random.Generator,
    lots: pd.DataFrame,
    cultivar: Any,
    cause: str,
    size: float,
    struck_hand: int | None,
) -> Drawn:
    """Plant the cause, and count the lots."""
    struck, items, spells = _plant(rng, lots, cause)
    if struck_hand is not None:
        struck, items = (
            (lots["hand"] == struck_hand).to_numpy(float),
            frozenset({f"P{struck_hand}"}),
        )
    effects = rng.normal(0, 0.3, 200)
    logit = np.where(lots["method"] == "whip", 0.85, 1.1) + rng.normal(0, 0.3)
    logit = logit + effects[lots["tree"]] + rng.normal(0, 0.2, 10)[cultivar[lots["tree"]]]
    for name, sd in (
        ("collection", 0.15),
        ("bundle", 0.15),
        ("hand", 0.25),
        ("stock", 0.2),
        ("day", 0.2),
    ):
        logit = logit + rng.normal(0, sd, 1000)[lots[name]]
    logit = logit + rng.normal(0, 0.2, 100)[(lots["row"] - 1) // 4]
    logit = logit + rng.normal(0, 0.2, len(lots)) - size * struck
    pushing = rng.binomial(lots["grafts"], 1 / (1 + np.exp(-logit)))
    tree = [f"T{at:02}" for at in lots["tree"]]
    day = FIRST_DAY + lots["day"].to_numpy() * DAY
    cut = FIRST_DAY - 90 * DAY + lots["cut"].to_numpy() * DAY
    table = pd.DataFrame(
        {
            "graft_lot": [f"G{at:03}" for at in range(len(lots))],
            "bundle": [f"B{at:03}" for at in lots["bundle"]],
            "date": day,
            "grafter": [f"P{at}" for at in lots["hand"]],
            "method": lots["method"],
            "rootstock_lot": [f"R{at:02}" for at in lots["stock"]],
            "stock_mm": rng.choice(["8-10", "10-12", "12-16"], len(lots)),
            "grafts": lots["grafts"],
            "block": "N",
            "row": lots["row"].astype(float),
            "first": lots["first"].astype(float),
            "last": lots["last"].astype(float),
            "regraft_of": None,
            "season": 2026,
            "cultivar": [f"V{cultivar[at]}" for at in lots["tree"]],
            "species": "Carya illinoinensis",
            "store": [f"S{at}" for at in lots["store"]],
            "days_in_store": (day - cut) / DAY,
        }
    )
    worn = cause == "mother_tree"
    sources = pd.DataFrame(
        {
            "lot": range(len(lots)),
            "mother_tree": tree,
            "limb": None,
            "collection": [f"C{at:03}" for at in lots["collection"]],
            "cutting_day": cut,
            "cutter": "P9",
            "share": 1.0,
            "share_cut": np.where(worn & (struck > 0), 0.7, 0.25),
            "shoot_length_cm": np.where(worn & (struck > 0), 38.0, 65.0),
            "tree_kind": "bearing",
        }
    )
    counts = pd.DataFrame(
        {"lot": range(len(lots)), "date": day + 40 * DAY, "age": 40.0, "pushing": pushing}
    )
    counts["green"] = counts["dead"] = counts["stock_only"] = counts["missing"] = np.nan
    counts["broken"] = np.nan
    truth = {f"T{at:02}": float(effects[at]) for at in range(len(cultivar))}
    return Drawn(WorkedLots(table, sources, counts), spells, cause, items, struck, truth)


def _plant(
    rng: np.random.Generator, lots: pd.DataFrame, cause: str
) -> tuple[np.ndarray[Any, Any], frozenset[str], pd.DataFrame]:
    """Return which lots are struck, the names the cause may be called by, and the warm spells."""
    none = pd.DataFrame(columns=["lot", "store", "start", "end", "heat_c_hours", "kind"])
    spells = []
    for store, day in ((0, 12), (1, 20)):  # one spell of some heat, one slight
        through = lots[(lots["store"] == store) & (lots["day"] > day)]
        heat, kind = (300.0, "use_first") if store == 0 else (20.0, "slight")
        start = pd.Timestamp(FIRST_DAY + (day - 3) * DAY)
        spells += [
            (lot, f"S{store}", start, start + pd.Timedelta(days=3), heat, kind)
            for lot in through.index
        ]
    table = pd.DataFrame(spells, columns=none.columns)
    if cause == "none":
        return np.zeros(len(lots)), frozenset(), table
    if cause == "warm_spell":
        struck = (lots["store"] == 0) & (lots["day"] > 12)
        return struck.to_numpy(float), frozenset({"S0"}), table
    column = {
        "grafter": "hand",
        "row": "row",
        "graft_day": "day",
        "mother_tree": "tree",
        "cutting_day": "cut",
    }[cause]
    number = lots.groupby(column).size()
    often = number[number >= 6].index if cause != "row" else number.index
    first = int(rng.choice(often[: -3 or None] if len(often) > 4 else often))
    length = {"row": 4, "graft_day": 2, "cutting_day": 1}.get(cause, 1)
    which = sorted(number.index)
    chosen = which[which.index(first) : which.index(first) + length]
    struck = lots[column].isin(chosen)
    start = {"graft_day": FIRST_DAY, "cutting_day": FIRST_DAY - 90 * DAY}.get(cause)
    name = {
        "grafter": "P{}".format,
        "row": "N/{}".format,
        "mother_tree": "T{:02}".format,
    }.get(cause, lambda at: str((start + at * DAY).astype("datetime64[D]")))
    return struck.to_numpy(float), frozenset(name(at) for at in chosen), table


# ---------------------------------------------------------------------------------- judging


def asked_of(drawn: Drawn, seed: int) -> list[str]:
    """Return up to five struck lots, as a nursery would ask for: those that look poor."""
    lots = np.flatnonzero(drawn.struck)
    taken = counts_at(drawn.worked, Stage.EARLY)
    rate = (taken.taken / taken.grafts)[lots]
    draw = np.random.default_rng(seed)
    poor = lots[np.argsort(rate)][: max(5, len(lots) // 2)]
    chosen = draw.choice(poor, min(5, len(poor)), replace=False)
    return list(drawn.worked.lots["graft_lot"].to_numpy()[np.sort(chosen)])


def lowest(drawn: Drawn, number: int) -> list[str]:
    """Return the lots with the lowest rates."""
    taken = counts_at(drawn.worked, Stage.EARLY)
    order = np.argsort(taken.taken / taken.grafts, kind="stable")[:number]
    return list(drawn.worked.lots["graft_lot"].to_numpy()[order])


def is_right(found: Why, drawn: Drawn) -> bool:
    """Tell whether the first cause is the planted one, by its own name or one with its lots."""
    if not found.causes:
        return False
    return names_truth(found.causes[0].factor, found.causes[0].items, drawn)


def names_truth(factor: str, items: Sequence[str], drawn: Drawn) -> bool:
    """Tell whether a cause is the planted one; a run must have most of the planted days or rows."""
    planted = drawn.items
    if factor != drawn.cause:
        return False
    common = planted & set(items)
    return len(common) * 2 >= max(len(planted), 1) and len(set(items) - planted) <= len(planted)


def thumb_rules(drawn: Drawn, asked: Sequence[str]) -> dict[str, bool]:
    """Return whether each rule of thumb names the planted cause of the lots asked about."""
    lots, worked = set(asked), drawn.worked
    taken = counts_at(worked, Stage.EARLY)
    y, n = taken.taken, taken.grafts
    numbers = set(np.flatnonzero(worked.lots["graft_lot"].isin(lots)))
    found = []
    for factor in ("mother_tree", "collection", "bundle", "grafter", "rootstock_lot", "graft_day",
                   "cutting_day", "row", "store", "stock_size"):  # fmt: skip
        for level, group in memberships(worked, factor).groupby("level"):
            among = group["lot"].to_numpy()
            if not numbers & set(among) or n[among].sum() < 30 or len(among) == len(y):
                continue
            took, made = y[among].sum(), n[among].sum()
            rest, rest_made = y.sum() - took, n.sum() - made
            table = [[took, made - took], [rest, rest_made - rest]]
            p = stats.fisher_exact(table, alternative="less").pvalue
            found.append((factor, str(level), took / made, took / made - rest / rest_made, p))
    rules = {"lowest rate": 2, "largest difference": 3, "smallest p": 4}
    store = {"S0"} if drawn.cause == "warm_spell" else set()
    answer = {}
    for rule, at in rules.items():
        factor, level, *_ = min(found, key=lambda each: each[at])
        named = factor == drawn.cause and level in drawn.items
        answer[rule] = named or (factor == "store" and level in store)
    return answer


def judge(registries: int, size: float) -> None:
    """Print how planted causes are found at one size."""
    tally: dict[str, Counter[str]] = {cause: Counter() for cause in CAUSES}
    for seed in range(registries):
        cause = CAUSES[seed % len(CAUSES)]
        drawn = draw_registry(seed, cause, size)
        count = tally[cause]
        if cause == "none":
            for name, number in (("lowest lot", 1), ("lowest four", 4)):
                found = why_poor(drawn.worked, lowest(drawn, number), spells=drawn.spells)
                count["asked"] += 1
                count["blamed"] += found.verdict == "cause"
                count[f"{name} {found.verdict}"] += 1
            continue
        asked = asked_of(drawn, seed)
        found = why_poor(drawn.worked, asked, spells=drawn.spells)
        right = is_right(found, drawn)
        count["asked"] += 1
        count["first"] += right
        count["named"] += right and found.verdict == "cause"
        count["wrong"] += found.verdict == "cause" and not right
        count[found.verdict] += 1
        for rule, hit in thumb_rules(drawn, asked).items():
            count[rule] += hit
        if found.verdict == "cause" and not right:
            said = [(each.factor, each.item, round(each.p_low, 3)) for each in found.causes[:2]]
            print(f"  wrong: registry {seed} {cause} {sorted(drawn.items)}: {said}", flush=True)
    print(f"\nplanted at {size} logit")
    heads = ("asked", "first", "named", "wrong", "tied", "not_enough", "no_shortfall")
    rules = ("lowest rate", "largest difference", "smallest p")
    print(f"{'cause':12} " + " ".join(f"{head:>12}" for head in (*heads, *rules)))
    total: Counter[str] = Counter()
    for cause in CAUSES[:-1]:
        total.update(tally[cause])
        print(f"{cause:12} " + " ".join(f"{tally[cause][head]:12}" for head in (*heads, *rules)))
    print(f"{'all':12} " + " ".join(f"{total[head]:12}" for head in (*heads, *rules)))
    print(f"none: {dict(tally['none'])}")


def cover(registries: int) -> None:
    """Print how many of the 90 % intervals of trees' shrunken effects hold the drawn effect."""
    inside = every = 0
    for seed in range(1000, 1000 + registries):
        drawn = draw_registry(seed, "none", 0.0)
        table = take_table(
            drawn.worked, "mother_tree", Stage.EARLY, TakeValues(), UsualTake(), None
        )
        for suspect in table.suspects:
            truth = drawn.tree_effects[suspect.item]
            inside += suspect.effect_low <= truth <= suspect.effect_high
            every += 1
    print(f"\n90 % intervals of {every} trees hold the drawn effect in {inside / every:.1%}")


def tie(registries: int) -> None:
    """Print what is said where the struck grafter worked one tree's wood and no other."""
    said: Counter[str] = Counter()
    for seed in range(2000, 2000 + registries):
        drawn = draw_registry(seed, "grafter", 1.6, tied=True, struck_hand=0)
        struck = drawn.worked.lots["grafter"].eq("P0").to_numpy()
        asked = list(drawn.worked.lots["graft_lot"][struck])
        found = why_poor(drawn.worked, asked, spells=drawn.spells)
        said[found.verdict] += 1
    print(f"grafter and tree that go together, at 1.6 logit: {dict(said)}")


def main(arguments: Sequence[str] | None = None) -> None:
    """Judge as the arguments say."""
    parser = argparse.ArgumentParser(description="Judge `take --why` on planted causes.")
    parser.add_argument("--registries", type=int, default=200)
    parser.add_argument("--quick", action="store_true", help="21 registries at each size")
    asked = parser.parse_args(arguments)
    number = 21 if asked.quick else asked.registries
    for size in (1.3, 0.7):
        start = time.perf_counter()
        judge(number, size)
        print(f"{time.perf_counter() - start:.0f} s", flush=True)
    cover(number // 5)
    tie(number // 5)


if __name__ == "__main__":
    main()
