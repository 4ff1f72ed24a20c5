"""The cutting plan's speed and bounds, beside one global model of HiGHS and one of SCIP.

python -m benchmarks.cutting_plan [--trees N ...] [--peer-seconds S]
"""

import argparse
import random
import time
from collections import defaultdict
from collections.abc import Sequence

from scionreg.rotation.cutting_plan import plan
from scionreg.rotation.goals import serve
from scionreg.rotation.program import Program
from scionreg.rotation.supply import Cap, Limits, TreeSupply, Wanted

SEASONS = 3
BANK = Limits(share=0.6, watch=0.7, rest=1.1, heavy_share=0.5, rest_seasons=1, least_visit=10)
BEARING = Limits(share=0.33, watch=0.35, rest=0.55, heavy_share=0.25, rest_seasons=1, least_visit=5)


def nursery(trees: int, cultivars: int, seed: int = 1) -> tuple[list[TreeSupply], list[Wanted]]:
    """Return a made-up nursery whose demand is 40 to 110 % of a usual season's supply."""
    chance = random.Random(seed)
    supply, total = [], defaultdict(float)
    for number in range(trees):
        cultivar = f"V{number % cultivars:03}"
        bank = chance.random() < 0.4
        grows = chance.uniform(80, 260) if bank else chance.uniform(30, 120)
        limits = BANK if bank else BEARING
        past = tuple(chance.choice((0, 0, limits.share * chance.uniform(0.2, 1))) for _ in range(2))
        tree = TreeSupply(
            tree=f"T{number:05}",
            cultivar=cultivar,
            kind="bank" if bank else "bearing",
            capacity=tuple(grows * chance.uniform(0.9, 1.1) for _ in range(SEASONS)),
            limits=limits,
            past=past,
            eligible=(chance.random() > 0.1,) * SEASONS,
        )
        supply.append(tree)
        total[cultivar] += grows * limits.rest / 1.9 * tree.eligible[0]
    wanted = [
        Wanted(cultivar=cultivar, season=season, sticks=round(sticks * chance.uniform(0.4, 1.1)))
        for cultivar, sticks in total.items()
        for season in range(SEASONS)
    ]
    return supply, wanted


def by_cultivar(supply, wanted):
    trees, demand = defaultdict(list), defaultdict(lambda: [0] * SEASONS)
    for tree in supply:
        trees[tree.cultivar].append(tree)
    for want in wanted:
        demand[want.cultivar][want.season] += want.sticks
    return {cultivar: (its, demand[cultivar]) for cultivar, its in trees.items()}


def by_scip(
    programs: list[Program], seconds: float, caps: Sequence[Cap] = ()
) -> tuple[float, float]:
    """Return the shortfall (first season, then later ones) by SCIP in one model, and its bound.

    Sticks of later seasons count so little that all of them weigh less than one of this season.
    """
    from pyscipopt import Model, quicksum

    model = Model()
    model.hideOutput()
    model.setParam("limits/time", seconds)
    goal = []
    light = 0.5 / (sum(sum(program.demand[1:]) for program in programs) + 1)
    used = [[] for _ in caps]
    for program in programs:
        columns = [
            model.addVar(
                lb=low, ub=None if high == float("inf") else high, vtype="I" if whole else "C"
            )
            for low, high, whole in zip(program.lower, program.upper, program.whole, strict=True)
        ]
        for low, high, terms in program.rows:
            total = quicksum(by * columns[at] for at, by in terms.items())
            if low > float("-inf"):
                model.addCons(total >= low)
            if high < float("inf"):
                model.addCons(total <= high)
        goal.append(columns[program.short[0]])
        goal += [light * columns[at] for at in program.short[1:]]
        for cap, terms in zip(caps, used, strict=True):
            terms += [by * columns[at] for at, by in program.usage(cap).items()]
    for cap, terms in zip(caps, used, strict=True):
        model.addCons(quicksum(terms) <= cap.most)
    model.setObjective(quicksum(goal))
    model.optimize()
    return model.getObjVal(), model.getDualbound()


def measure(trees: int, cultivars: int, seconds: float, peer_seconds: float) -> None:
    supply, wanted = nursery(trees, cultivars)
    parts = by_cultivar(supply, wanted)
    began, cpu = time.perf_counter(), time.process_time()
    served = {name: serve(name, its, demand, 20) for name, (its, demand) in parts.items()}
    shortfall_s, cpu = time.perf_counter() - began, time.process_time() - cpu
    goals = [goal for each in served.values() for goal in each.goals]
    proven = sum(goal.status == "proven" for goal in goals)
    short = sum(goal.value for goal in goals if goal.goal == "shortfall")
    print(f"{trees:,} trees, {cultivars} cultivars, {SEASONS} seasons")
    print(f"  shortfall       {shortfall_s:7.2f} s  ({cpu:.2f} s of CPU)", end="")
    print(f"  {short:,.0f} sticks now", end="")
    print(f"; {proven}/{len(goals)} proven")
    began, cpu = time.perf_counter(), time.process_time()
    whole = plan(supply, wanted, SEASONS, seconds=seconds)
    took, cpu = time.perf_counter() - began, time.process_time() - cpu
    visits = [goal for goal in whole.goals if goal.goal == "visits"]
    value, bound = sum(g.value for g in visits), sum(g.bound for g in visits)
    print(f"  all goals       {took:7.2f} s  ({cpu:.2f} s of CPU)", end="")
    print(f"  visits {value:,.0f}, bound {bound:,.0f}", end="")
    print(f" ({value / max(bound, 1) - 1:.2%} above)")
    for name in ("over_watch", "largest_pressure", "evenness"):
        rows = [goal for goal in whole.goals if goal.goal == name]
        value, bound = sum(g.value for g in rows), sum(g.bound for g in rows)
        print(f"    {name:17} {value:9.3f}  bound {bound:9.3f}")
    waived = {name: each.waived for name, each in served.items()}
    peer(parts, waived, peer_seconds, ())
    cap = Cap(what="visits", season=0, most=whole.work[0].visits * 0.7, a_visit=1, a_stick=0)
    began, cpu = time.perf_counter(), time.process_time()
    capped = plan(supply, wanted, SEASONS, seconds=seconds, caps=[cap])
    took, cpu = time.perf_counter() - began, time.process_time() - cpu
    print(f"  under a cap     {took:7.2f} s  ({cpu:.2f} s of CPU) {cap.most:,.0f} visits now")
    for goal in capped.goals:
        if goal.cultivar == "all":
            print(f"    {goal.goal:17} {goal.value:9,.0f}  bound {goal.bound:9,.0f}  {goal.status}")
    waived = {name: each.waived for name, each in capped.served.items()}
    peer(parts, waived, peer_seconds, [cap])
    began = time.perf_counter()
    ways = whole.lifts(seconds=seconds / 10)
    print(f"  what would lift {time.perf_counter() - began:7.2f} s  {len(ways)} ways")


def peer(parts, waived, seconds: float, caps: Sequence[Cap]) -> None:
    programs = [Program(its, demand, waived[name]) for name, (its, demand) in parts.items()]
    began = time.perf_counter()
    value, bound = by_scip(programs, seconds, caps)
    took = time.perf_counter() - began
    print(f"  SCIP, one model {took:7.2f} s  {value:,.0f} sticks, bound {bound:,.1f}")


def main(arguments: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(prog="benchmarks.cutting_plan", description=__doc__)
    parser.add_argument("--trees", type=int, nargs="+", default=[500, 1000, 2000])
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--peer-seconds", type=float, default=30)
    parser.add_argument("--quick", action="store_true")
    asked = parser.parse_args(arguments)
    for trees in [250] if asked.quick else asked.trees:
        measure(trees, max(1, trees // 50), asked.seconds, asked.peer_seconds)


if __name__ == "__main__":
    main()
