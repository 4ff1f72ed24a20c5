"""Registries with one planted loss of identity, or none, and what is really true in them.

`draw_registry(seed, kind)` simulates a nursery in plain Python: what its books say, what went
wrong, what grew, and who looked at what. It shares no code with the inference, and goes into a
registry by the ordinary import. Everything follows from the seed.
"""

import csv
import datetime as dt
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from benchmarks.offtype_faults import PLANTERS, ROOTSTOCK, Fault, plant
from benchmarks.offtype_growing import Grown, grow
from benchmarks.offtype_looks import (
    Look,
    Looked,
    Seen,
    day_of,
    label_of,
    look,
    look_again,
    passes,
    plants,
    rows_of_look,
    say,
)
from benchmarks.offtype_nursery import (
    Bundle,
    Cut,
    Lot,
    Nursery,
    Sent,
    Tree,
    write_books,
)
from benchmarks.offtype_records import Row, rows_of
from scionreg.api import Registry

KINDS = (*PLANTERS, "none", "clean")
"""What is planted: a fault, nothing, or nothing and every look came out clean."""

LEVELS, LEVEL_WEIGHTS = ("well", "some", "few"), (0.6, 0.15, 0.25)
ENOUGH_LOOKED, ENOUGH_OFF = 8, 2
ANSWERED = dt.date(2025, 9, 1)
"""Day of a look that was proposed."""

Name = tuple[str, str, str]
"""A cause: the failure, the item and what it was exchanged or mixed with, or ''."""


@dataclass(frozen=True, eq=False)
class Drawn:
    """A drawn registry, what is asked about in it, and what is true.

    Attributes
    ----------
    rows : the records by kind.
    asked : a graft lot or a dispatch.
    truth : every name that the right cause may go by; one but for a cutter's shifted day.
    real : what each standing tree of each lot is, by position in the row.
    sent : what the trees of each dispatch line are, by (dispatch, graft lot).
    """

    seed: int
    kind: str
    rows: dict[str, list[Row]]
    asked: str
    truth: frozenset[Name]
    well_looked_at: bool
    fault: Fault | None
    nursery: Nursery
    grown: Grown
    looks: tuple[Look, ...]
    items: dict[str, Looked] = field(repr=False)

    @property
    def real(self) -> dict[str, dict[int, str]]:
        """Return what every standing tree of every lot is."""
        return {
            lot.code: {lot.first + place: str(what[place]) for place in lot.standing}
            for lot, what in self.grown.lots.items()
        }

    @property
    def sent(self) -> dict[tuple[str, str], list[str]]:
        """Return what the customers got."""
        return {(line.code, line.lot.code): what for line, what in self.grown.sent.items()}


def draw_registry(seed: int, kind: str) -> Drawn:
    """Return the registry of a seed with one fault of a kind, which the asked trees show.

    Books that do not allow the fault, and looks that do not give a reason to ask, are drawn anew.
    The looks are judged by what they found, as somebody who asks would, not by what is true.
    """
    for attempt in range(1000):
        nursery = write_books(Random(f"{seed} {kind} {attempt}"))
        fault = plant(nursery, kind) if kind in PLANTERS else None
        if fault is None and kind in PLANTERS:
            continue
        grown = grow(nursery, fault)
        level = nursery.draw.choices(LEVELS, LEVEL_WEIGHTS)[0]
        asked = _asked(nursery, fault, grown)
        if asked is None:
            continue
        looks = _look_around(nursery, fault, grown, asked, level, clean=kind == "clean")
        if looks is not None:
            return _drawn(seed, kind, nursery, fault, grown, asked, looks)
    raise ValueError(f"no registry with {kind} came of seed {seed}")


def _asked(nursery: Nursery, fault: Fault | None, grown: Grown) -> Lot | Sent | None:
    """Return a lot or dispatch with trees that the fault made off, else any of some size."""
    draw = nursery.draw
    if fault is not None and isinstance(fault.thing, Sent):
        assert isinstance(fault.partner, Sent)
        return draw.choice((fault.thing, fault.partner))
    off = grown.off if fault and fault.failure == "rootstock_grew" else grown.foreign
    lots = [lot for lot in nursery.lots if len(lot.standing) >= ENOUGH_LOOKED + 2]
    if fault is not None:
        lots = [lot for lot in lots if len(off(lot)) >= ENOUGH_OFF]
    if fault is not None and fault.failure == "rootstock_grew":
        lots = [lot for lot in lots if lot is fault.thing]
    if not lots:
        return None
    lot = draw.choice(lots)
    lines = [line for line in _whole(nursery) if line.lot is lot]
    return draw.choice(lines) if lines and draw.random() < 0.25 else lot


def _whole(nursery: Nursery) -> list[Sent]:
    """Return the lines that are a dispatch by themselves."""
    codes = [line.code for line in nursery.sent]
    return [line for line in nursery.sent if codes.count(line.code) == 1]


# ---------------------------------------------------------------------------------------- the looks


def _method(draw: Random) -> str:
    return draw.choices(("leaf", "fruit", "dna"), (0.5, 0.3, 0.2))[0]


def _number(draw: Random, level: str) -> int:
    if level == "well":
        return draw.choice((draw.randint(8, 14), draw.randint(8, 30), 100))
    return draw.randint(1, 6) if level == "few" else draw.randint(3, 20)


def _look_around(
    nursery: Nursery,
    fault: Fault | None,
    grown: Grown,
    asked: Lot | Sent,
    level: str,
    *,
    clean: bool,
) -> list[Look] | None:
    """Return the looks at what is asked about and at what is related to it, or None."""
    draw = nursery.draw
    first = None
    for _ in range(40):
        method = _method(draw)
        number = draw.randint(1, 4) if level == "few" else _number(draw, level)
        found = look(nursery, grown, asked, number, method, day_of(nursery, asked, method))
        if found is None or (level == "well" and len(found.seen) < ENOUGH_LOOKED):
            continue
        enough = ENOUGH_OFF if level == "well" else 1
        if (not found.off) if clean else len(found.off) >= enough:
            first = found
            break
    if first is None:
        return None
    looks = [first]
    for item in _related(nursery, fault, asked, level):
        method = "bud" if isinstance(item, Bundle) else _method(draw)
        number = draw.randint(1, 3) if isinstance(item, Tree) else _number(draw, level)
        found = look(nursery, grown, item, number, method, day_of(nursery, item, method))
        if found is None or (clean and found.off):
            continue
        if isinstance(item, Lot | Sent) and level == "well" and len(found.seen) < ENOUGH_LOOKED:
            continue
        looks.append(found)
    return looks


def _related(nursery: Nursery, fault: Fault | None, asked: Lot | Sent, level: str) -> list[Looked]:
    """Return what else is looked at: trees of the same wood, hands and days, and some others."""
    draw = nursery.draw
    lot = asked.lot if isinstance(asked, Sent) else asked
    bundles, cuts = set(lot.bundle.line), set(lot.bundle.cuts)
    trees = {cut.tree for cut in cuts}
    cut_days = {(cut.day, cut.cutter) for cut in cuts}
    packed = {(each.day, each.store) for each in bundles}
    partners = _partners(nursery, fault)
    chances: list[tuple[Looked, float]] = []
    for other in nursery.lots:
        chance = 0.05
        if {(each.day, each.store) for each in other.bundle.line} & packed:
            chance = 0.15
        if {(cut.day, cut.cutter) for cut in other.bundle.cuts} & cut_days:
            chance = 0.25
        if (other.day, other.grafter) == (lot.day, lot.grafter):
            chance = 0.55 if abs(other.order - lot.order) == 1 else 0.25
        if {cut.tree for cut in other.bundle.cuts} & trees:
            chance = max(chance, 0.4)
        if set(other.bundle.cuts) & cuts:
            chance = max(chance, 0.5)
        if set(other.bundle.line) & bundles:
            chance = max(chance, 0.7)
        chances.append((other, 0.7 if other in partners else chance))
    for line in _whole(nursery):
        chance = 0.4 if line.lot is lot else 0.3 if line.day == _sent_on(asked) else 0.03
        chances.append((line, 0.7 if line in partners else chance))
    chances += [(tree, 0.25) for tree in sorted(trees, key=lambda each: each.code)]
    chances += [(each, 0.06) for each in sorted(bundles, key=lambda each: each.code)]
    found = [item for item, chance in chances if item is not asked and draw.random() < chance]
    most = {"well": 14, "some": 6, "few": draw.randint(0, 3)}[level]
    found = draw.sample(found, min(most, len(found)))
    if level == "well":
        telling = [draw.choice(group) for group in _telling(nursery, asked)]
        found = [*dict.fromkeys([*telling, *found])]
    return found


def _telling(nursery: Nursery, asked: Lot | Sent) -> list[list[Looked]]:
    """Return groups of lots and dispatches of which one each tells causes apart.

    Sister lots: of the same bundle, of another bundle of the cutting, of another cutting of the
    tree. Partner lots: worked before and after or the same day by the same hand, of a bundle packed
    the same day and place, sent the same day; of those, at most three each.
    """
    lot = asked.lot if isinstance(asked, Sent) else asked
    bundles, cuts = set(lot.bundle.line), set(lot.bundle.cuts)
    trees, packed = {cut.tree for cut in cuts}, {(each.day, each.store) for each in bundles}
    sisters: dict[str, list[Looked]] = {"bundle": [], "cutting": [], "tree": []}
    beside: list[Lot] = []
    packed_with: dict[str, list[Looked]] = {}
    for other in nursery.lots:
        if other is lot or len(other.standing) < ENOUGH_LOOKED:
            continue
        if other.bundle is lot.bundle:
            sisters["bundle"].append(other)
        elif set(other.bundle.cuts) & cuts:
            sisters["cutting"].append(other)
        elif {cut.tree for cut in other.bundle.cuts} & trees:
            sisters["tree"].append(other)
        if other.label == lot.label:
            continue
        if (other.day, other.grafter) == (lot.day, lot.grafter):
            beside.append(other)
        if (other.bundle.day, other.bundle.store) in packed:
            packed_with.setdefault(other.bundle.code, []).append(other)
    beside.sort(key=lambda other: (abs(other.order - lot.order), other.code))
    day = _sent_on(asked)
    lines = [line for line in _whole(nursery) if day and line.day == day and line is not asked]
    return [
        *(group for group in sisters.values() if group),
        *([other] for other in beside[:3]),
        *list(packed_with.values())[:3],
        *[[line] for line in lines if line.lot.label != lot.label][:3],
    ]


def _sent_on(asked: Lot | Sent) -> dt.date | None:
    return asked.day if isinstance(asked, Sent) else None


def _partners(nursery: Nursery, fault: Fault | None) -> set[Looked]:
    """Return lots and dispatches that the fault put the wood of the asked ones into."""
    if fault is None or fault.partner is None:
        return set()
    pair = {fault.thing, fault.partner}
    found: set[Looked] = {each for each in pair if isinstance(each, Lot | Sent)}
    for bundle in (each for each in pair if isinstance(each, Bundle)):
        found.update(nursery.lots_of(bundle))
    return found


# ------------------------------------------------------------------------------- records and truth


def _drawn(
    seed: int,
    kind: str,
    nursery: Nursery,
    fault: Fault | None,
    grown: Grown,
    asked: Lot | Sent,
    looks: list[Look],
) -> Drawn:
    draw = nursery.draw
    rows = rows_of(nursery, lambda cut: _stood_at(fault, cut))
    checks: list[Row] = []
    for each in list(looks):
        made = rows_of_look(each, len(checks) + 1)
        checks += made
        # Those found off at a glance are often sent to a laboratory.
        seen = each.off and each.method in ("leaf", "fruit") and not isinstance(each.item, Tree)
        if seen and len(made) == 1 and draw.random() < 0.35:
            again = look_again(nursery, each, str(made[0]["check"]), draw.randint(1, 4))
            looks.append(again)
            checks += rows_of_look(again, len(checks) + 1)
    rows["identity_checks"] = checks
    items: dict[str, Looked] = {}
    for group in (nursery.trees, nursery.bundles, nursery.lots, nursery.sent):
        items.update({each.code: each for each in group})
    truth = frozenset(_truth(fault, grown, asked, looks))
    return Drawn(
        seed, kind, rows, asked.code, truth, _well_looked_at(nursery, asked, looks), fault,
        nursery, grown, tuple(looks), items,
    )  # fmt: skip


def _stood_at(fault: Fault | None, cut: Cut) -> Tree:
    wholly = fault is not None and fault.failure == "other_tree_cut"
    return fault.instead.get(cut, cut.tree) if wholly and fault else cut.tree


def _well_looked_at(nursery: Nursery, asked: Lot | Sent, looks: Sequence[Look]) -> bool:
    """Tell whether enough was looked at to expect an answer, and enough found to ask for one."""
    seen: dict[Looked, int] = {}
    for each in looks:
        if isinstance(each.item, Lot | Sent) and not each.again:
            seen[each.item] = seen.get(each.item, 0) + len(each.seen)
    off = sum(len(each.off) for each in looks if each.item is asked and not each.again)
    told = all(any(item in seen for item in group) for group in _telling(nursery, asked))
    return off >= ENOUGH_OFF and min(seen.values()) >= ENOUGH_LOOKED and told


def _truth(
    fault: Fault | None, grown: Grown, asked: Lot | Sent, looks: Sequence[Look]
) -> Iterator[Name]:
    """Yield the names of the nearest failure upward that gave one of the trees found off.

    A tree found off that is a sprout is the rootstock's, one that should have passed is a look's
    mistake.
    """
    lot = asked.lot if isinstance(asked, Sent) else asked
    off = {
        each.what
        for look in looks
        if look.item is asked
        for each in look.off
        if not passes(each.what, lot.label, look.method)
    }
    by_fault = off - {ROOTSTOCK}
    if fault is not None and fault.failure == "rootstock_grew":
        by_fault = set()
    if by_fault and fault is not None:
        yield from _names(fault, lot)
    elif ROOTSTOCK in off:
        yield ("rootstock_grew", lot.code, "")
        yield ("rootstock_grew", asked.code, "")
    else:
        yield ("none_of_these", "", "")


def _names(fault: Fault, lot: Lot) -> Iterator[Name]:
    if fault.failure == "other_tree_cut":
        for cut, tree in fault.instead.items():
            if cut in _cuts_above(lot) and tree.cultivar != cut.tree.cultivar:
                yield (fault.failure, cut.code, "")
    elif fault.partner is None or fault.failure == "two_trees_cut":
        yield (fault.failure, fault.thing.code, "")
    else:
        yield (fault.failure, fault.thing.code, fault.partner.code)
        yield (fault.failure, fault.partner.code, fault.thing.code)


def _cuts_above(lot: Lot) -> set[Cut]:
    """Return every collection that a lot's wood descends from, over the generations."""
    found = set(lot.bundle.cuts)
    for cut in lot.bundle.cuts:
        if cut.tree.grown:
            found |= _cuts_above(cut.tree.grown[0])
    return found


# ----------------------------------------------------------------------------- into a registry, ask


class Registries:
    """Makes registries of drawn ones, each a copy of the same empty one."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.empty = folder / "empty.db"
        Registry.new(self.empty).close()

    @contextmanager
    def holding(self, drawn: Drawn) -> Iterator[Registry]:
        """Give a registry into which the records were imported; it is gone afterwards."""
        with tempfile.TemporaryDirectory(dir=self.folder) as place:
            season = Path(place) / "season"
            write_season(drawn, season)
            path = shutil.copy(self.empty, Path(place) / "registry.db")
            with Registry.open(path) as registry:
                registry.import_files(season, recorder="P40")
                yield registry


def write_season(drawn: Drawn, folder: Path) -> None:
    """Write the records as the CSV files of a season folder."""
    folder.mkdir()
    for kind, rows in drawn.rows.items():
        if not rows:
            continue
        names = list(dict.fromkeys(name for row in rows for name in row))
        with (folder / f"{kind}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, names, restval="")
            writer.writeheader()
            writer.writerows(rows)


def answer_check(
    drawn: Drawn, item: str, position: int | None, method: str, trees: int, code: int
) -> list[Row]:
    """Return the check rows of a look as it would really turn out; none where nothing stands."""
    thing = drawn.items.get(item.partition("/")[0])
    if thing is None:
        return []
    position = int(item.partition("/")[2]) if "/" in item else position
    there = [
        (place, what, label_of(each))
        for each in drawn.nursery.sent
        if each.code == thing.code
        for place, what in plants(drawn.grown, each, ANSWERED)
    ]
    if not isinstance(thing, Sent):
        label = label_of(thing)
        there = [(place, what, label) for place, what in plants(drawn.grown, thing, ANSWERED)]
    if position is not None and isinstance(thing, Lot):
        there = [each for each in there if each[0] == position - thing.first]
    draw = Random(f"{drawn.seed} {drawn.kind} {item} {position} {method} {trees} {code}")
    seen = [
        Seen(place, what, say(draw, drawn.nursery.cultivars, what, label, method))
        for place, what, label in sorted(draw.sample(there, min(max(trees, 1), len(there))))
    ]
    if not seen:
        return []
    done = Look(thing, label_of(thing), method, ANSWERED, seen, isinstance(thing, Lot))
    return rows_of_look(done, code)
