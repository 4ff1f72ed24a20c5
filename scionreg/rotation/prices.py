"""Plans in which every cultivar pays for what it uses of a cap: a start that keeps the caps.

Programs of many cultivars under one cap are hard together and easy apart. So each is solved by
itself with a price on what the cap limits, and the price is raised until all together keep it:
Lagrangian relaxation (M. L. Fisher 1981, The Lagrangian relaxation method for solving integer
programming problems, Management Science 27:1-18, from memory). What is then left over of the cap
goes to the cultivars that lack most for it.
"""

import math
import time
from collections.abc import Mapping, Sequence
from dataclasses import replace

from scionreg.rotation.goals import Served, shortfalls
from scionreg.rotation.program import Cuts, Program
from scionreg.rotation.supply import Cap, Used

Plans = dict[str, Cuts]

NOW, LATER, MUST_FILL = 100.0, 1.0, 10.0
"""What a stick short weighs in the first season and later, and how much more for must-fill orders:
so much apart that what presses more goes before in effect."""
FIRST_PRICE = 0.05
"""The price to begin with, as a part of what a unit of the cap brings on average."""
DOUBLINGS, HALVINGS = 12, 8
WITHIN = 0.005
"""Gap at which the search for one cultivar ends."""


def priced(
    served: Mapping[str, Served], caps: Sequence[Cap], seconds: float
) -> dict[str, Served] | None:
    """Return plans that keep the caps, with little short for it; None where none was found.

    `served` are the plans without caps; `seconds` about the most that it may take. Seasons after
    the last cap are left without cuts: planning them as well takes many times as long.
    """
    ahead = 1 + max((cap.season for cap in caps), default=0)
    market = _Market(served, ahead, seconds)
    plans = {
        name: {key: n for key, n in its.cuts.items() if key[1] < ahead}
        for name, its in served.items()
    }
    for cap in caps:
        if not _keeps(plans, cap):
            found = market.keeping(cap, plans)
            if found is None:
                return None
            plans = found
    if not all(_keeps(plans, cap) for cap in caps):
        return None
    return {name: replace(its, cuts=plans[name]) for name, its in served.items()}


def _use(cuts: Cuts, cap: Cap) -> float:
    return Used.of(cuts, cap.season).under(cap)


def _keeps(plans: Plans, cap: Cap) -> bool:
    return math.fsum(_use(cuts, cap) for cuts in plans.values()) <= cap.most + 1e-6


class _Market:
    """The programs of all cultivars, each by itself, and the price of each cap."""

    def __init__(self, served: Mapping[str, Served], ahead: int, seconds: float) -> None:
        self.served, self.ahead = served, ahead
        self.until = time.monotonic() + seconds
        self.each = seconds / max(1, len(served)) / HALVINGS
        self.prices: dict[Cap, float] = {}
        self.programs: dict[str, Program] = {}
        self.costs: dict[str, dict[int, float]] = {}
        for name, its in served.items():
            demand = its.demand[:ahead]
            program = self.programs[name] = Program(its.trees, demand, its.waived)
            cost = self.costs[name] = {}
            for season, (short, wants) in enumerate(zip(program.short, demand, strict=True)):
                cost[short] = LATER if season else NOW
                if its.must and its.must[season]:
                    lacks = program.column(0, its.must[season])
                    program.row({short: 1, lacks: -1}, high=wants - its.must[season])
                    cost[lacks] = MUST_FILL * cost[short]

    def keeping(self, cap: Cap, plans: Plans) -> Plans | None:
        """Return plans at the least price at which they keep a cap, filled up; None for none."""
        sticks = sum(n for cuts in plans.values() for (_, s), n in cuts.items() if s == cap.season)
        brings = (LATER if cap.season else NOW) * sticks
        price = FIRST_PRICE * brings / math.fsum(_use(cuts, cap) for cuts in plans.values())
        low, dear = 0.0, self._at(cap, price, plans)
        for _ in range(DOUBLINGS):
            if _keeps(dear, cap):
                break
            low, price, plans = price, 2 * price, dear
            dear = self._at(cap, price, plans)
        else:
            return None
        for _ in range(HALVINGS):
            if time.monotonic() > self.until:
                break
            tried = self._at(cap, (low + price) / 2, dear)
            if _keeps(tried, cap):
                price, dear = (low + price) / 2, tried
            else:
                low, plans = (low + price) / 2, tried
        self.prices[cap] = price
        return self._filled_up(cap, dear, plans)

    def _at(self, cap: Cap, price: float, start: Plans) -> Plans:
        """Return the plans at a price of the cap, the other prices as they are."""
        prices = self.prices | {cap: price}
        found = {}
        for name, program in self.programs.items():
            cost = dict(self.costs[name])
            for each, its_price in prices.items():
                for column, by in program.usage(each).items():
                    cost[column] = cost.get(column, 0.0) + its_price * by
            known = program.start(start[name])
            solved = program.optimum(cost, seconds=self.each, gap=WITHIN, known=known)
            found[name] = program.cuts(solved) if solved.values else start[name]
        return found

    def _filled_up(self, cap: Cap, kept: Plans, cheap: Plans) -> Plans:
        """Return `kept` with those of the plans at a lower price that the cap has room for."""
        found = dict(kept)
        worth = []
        for name in found:
            more = _use(cheap[name], cap) - _use(kept[name], cap)
            saves = self._lack(name, kept[name]) - self._lack(name, cheap[name])
            if saves > 0:
                worth.append((-saves / max(more, 1e-9), name))
        for _, name in sorted(worth):
            tried = found | {name: cheap[name]}
            if _keeps(tried, cap):
                found = tried
        return found

    def _lack(self, name: str, cuts: Cuts) -> float:
        its = self.served[name]
        found = 0.0
        for season, short in enumerate(shortfalls(its.demand[: self.ahead], cuts)):
            must = its.must[season] if its.must else 0
            lacks = max(0, short - (its.demand[season] - must))
            found += (LATER if season else NOW) * (short + MUST_FILL * lacks)
        return found
