"""Whether `offtype` names the planted fault, says how sure it is rightly, and proposes good checks.

    python -m benchmarks.offtype_causes [--registries 500] [--seed 0] [--kind KIND] [--misses]

Registries of two seasons and 40 to 120 graft lots, with one fault of each kind in equal shares,
none, or clean looks only, drawn by a generator that shares no code with the inference
(`offtype_registries`), are imported, and asked about a lot or a dispatch whose looks give a reason.

What counts as naming the truth, strictly:

* the same failure and the same item; the share and what came in are not judged;
* of an exchange or a change-over either of the pair is the item and the other the one it was
  exchanged with;
* of a cutter's shifted day, `other_tree_cut` at a collection that the asked trees descend from and
  that was wrongly cut;
* a fault of an earlier generation is at its own step, wherever down the chain is asked;
* what grew below the graft may be named by the asked dispatch or by its lot;
* the truth is the nearest failure that gave a tree *found* off: where none of those is the
  fault's, it is the rootstock, or none of these.

A tree that is partly another is not the same as one that wholly is, nor mislabelled the same as
exchanged. Causes shown as tied count as one, at the rank of the first of them; the column `alone`
is without that. "Well looked at": 8 trees or more of what is asked about, 2 or more of them off;
8 or more of each other lot and dispatch that was looked at; and among those, where there are any, a
sister lot of each kind and the partner lots (`offtype_registries._telling`).

Beside it a rule of thumb: blame whatever above the asked trees (tree, collection, bundle, lot,
dispatch) has the largest share of off-types among the trees looked at; it need only name the item.
"""

import argparse
import tempfile
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from random import Random
from statistics import fmean
from typing import Any

from benchmarks.offtype_looks import Looked
from benchmarks.offtype_nursery import Lot, Sent, Tree
from benchmarks.offtype_records import Row
from benchmarks.offtype_registries import (
    KINDS,
    Drawn,
    Name,
    Registries,
    answer_check,
    draw_registry,
)
from scionreg.api import Registry
from scionreg.records.errors import RegistryError

Answer = Mapping[str, Any]
UNSURE = 0.9
"""A first cause below this leaves something for the next check to settle."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """How one answer compares with the truth.

    Attributes
    ----------
    rank : of the truth, 1 first, tied causes counting as one; None where it is no cause at all.
    alone : its rank when they do not.
    first : probability of the first cause, with those tied to it.
    truth : probability given to the truth.
    shown : how many causes are shown as the likeliest: the first, with those tied to it.
    tied : how many causes each tie holds.
    few : whether the answer says that little was looked at.
    """

    rank: int | None
    alone: int | None
    first: float
    truth: float
    shown: int
    tied: tuple[int, ...]
    few: bool

    @property
    def right(self) -> bool:
        """Return whether the truth comes first."""
        return self.rank == 1


def is_true(named: Answer, truth: Iterable[Name]) -> bool:
    """Tell whether a named cause is the truth, see the rules above."""
    partner = named.get("with")
    partners = {partner} if isinstance(partner, str) else set(partner or ())
    return any(
        named["failure"] == failure
        and (failure == "none_of_these" or named.get("item") == item)
        and (not exchanged_with or partners == {exchanged_with})
        for failure, item, exchanged_with in truth
    )


def _same(one: Answer, other: Answer) -> bool:
    return all((one.get(name) or None) == (other.get(name) or None)
               for name in ("failure", "item", "with"))  # fmt: skip


def grouped(answer: Answer) -> list[list[Answer]]:
    """Return the causes in their order, those that are tied together at the first of them."""
    groups: list[list[Answer]] = []
    at: dict[int, list[Answer]] = {}
    for cause in answer["causes"]:
        tie = next(
            (number for number, group in enumerate(answer["tied"])
             if any(_same(cause, each) for each in group)), None,
        )  # fmt: skip
        if tie is not None and tie in at:
            at[tie].append(cause)
            continue
        groups.append([cause])
        if tie is not None:
            at[tie] = groups[-1]
    return groups


def score(answer: Answer, truth: Iterable[Name]) -> Score:
    """Compare an answer in its JSON form with the names of the truth."""
    truth = list(truth)
    groups = grouped(answer)
    ranks = (
        [any(is_true(each, truth) for each in group) for group in groups],
        [is_true(each, truth) for each in answer["causes"]],
    )
    rank, alone = (hits.index(True) + 1 if True in hits else None for hits in ranks)
    return Score(
        rank=rank,
        alone=alone,
        first=sum(each["probability"] for each in groups[0]) if groups else 0.0,
        truth=sum(each["probability"] for each in answer["causes"] if is_true(each, truth)),
        shown=len(groups[0]) if groups else 0,
        tied=tuple(len(group) for group in answer["tied"]),
        few=bool(answer["few"]),
    )


def calibration(
    scores: Sequence[Score], bins: int = 10
) -> tuple[float, list[tuple[int, float, float]]]:
    """Return the expected calibration error of the first causes, and each bin.

    A bin has its number of answers, their mean probability and the share of them that were right.
    """
    held: list[list[Score]] = [[] for _ in range(bins)]
    for each in scores:
        held[min(int(each.first * bins), bins - 1)].append(each)
    table = [
        (len(bin_), fmean(each.first for each in bin_), fmean(each.right for each in bin_))
        if bin_
        else (0, 0.0, 0.0)
        for bin_ in held
    ]
    error = sum(number * abs(said - was) for number, said, was in table)
    return error / max(len(scores), 1), table


# ----------------------------------------------------------------------------- the rule of thumb


def thumb(drawn: Drawn) -> str:
    """Return the item above the asked trees with the largest share off among those looked at.

    Of several the one most looked at.
    """
    asked = drawn.items[drawn.asked]
    assert isinstance(asked, Lot | Sent)
    looks = [look for look in drawn.looks if not look.again]
    best = (-1.0, 0, "")
    for source in _sources(asked):
        among = [look for look in looks if source in _sources(look.item)]
        checked = sum(len(look.seen) for look in among)
        if checked:
            off = sum(len(look.off) for look in among)
            best = max(best, (off / checked, checked, source.code))
    return best[2]


def _sources(item: Looked) -> set[Any]:
    """Return an item and everything of the same winter that its wood comes from."""
    if isinstance(item, Tree):
        return {item}
    if isinstance(item, Sent):
        return {item} | _sources(item.lot)
    bundle = item.bundle if isinstance(item, Lot) else item
    cuts = set(bundle.cuts)
    return {item, *bundle.line, *cuts, *(cut.tree for cut in cuts)}


# --------------------------------------------------------------------------------- the next check


def _answer(registry: Registry, drawn: Drawn) -> Answer:
    """Ask; a question that cannot be answered counts as one without causes, and is told."""
    try:
        return registry.off_type(drawn.asked).to_dict()
    except (RegistryError, MemoryError) as error:
        print(f"  failed: {drawn.seed} {drawn.kind} {drawn.asked}: {error}", flush=True)
        return {"causes": [], "tied": [], "few": False, "affected": [], "next_checks": []}


def rise_after(
    registry: Registry, drawn: Drawn, before: Score, rows: Sequence[Row]
) -> float | None:
    """Return by how much a further look raises the probability of the truth; it is taken back."""
    if not rows:
        return None
    registry.record_all([("identity_checks", row) for row in rows], recorder="P40")
    after = score(_answer(registry, drawn), drawn.truth)
    for row in rows:
        registry.void("identity_checks", str(row["check"]), why="only tried", recorder="P40")
    return after.truth - before.truth if after.first else None


@dataclass(frozen=True, slots=True)
class Rises:
    """By how much further looks raise the probability of the truth.

    Attributes
    ----------
    first : by the first proposed check.
    followed : by all proposed checks.
    affected : by one of a random lot that the answer lists as affected.
    related : by one of a random lot that shares a source or was worked beside it, affected or not.
    """

    first: float
    followed: float
    affected: float
    related: float


def rises(registry: Registry, drawn: Drawn, answer: Answer, before: Score) -> Rises | None:
    """Return what the proposed checks bring, and those of random lots instead.

    These have as many trees looked at, by the same method, as the first proposed. None where no
    check is proposed, or no other lot is affected.
    """
    checks = answer["next_checks"]
    affected, excluded = (_other_lots(drawn, answer[name]) for name in ("affected", "excluded"))
    if not checks or not affected:
        return None
    draw = Random(f"{drawn.seed} other lot")
    # A code that was taken back cannot be given again.
    codes = iter(range(800, 1000, 20))

    def look(check: Mapping[str, Any], **instead: Any) -> list[Row]:
        item, position, method, trees = (
            {"position": None, **check, **instead}[name]
            for name in ("item", "position", "method", "trees")
        )
        return answer_check(drawn, item, position, method, int(trees), next(codes))

    tried = (
        look(checks[0]),
        [row for each in checks for row in look(each)],
        look(checks[0], item=draw.choice(affected), position=None),
        look(checks[0], item=draw.choice(sorted({*affected, *excluded})), position=None),
    )
    found = [rise_after(registry, drawn, before, rows) for rows in tried]
    return None if None in found else Rises(*(each or 0.0 for each in found))


def _other_lots(drawn: Drawn, items: Iterable[Mapping[str, Any]]) -> list[str]:
    lots = {each["item"] for each in items if isinstance(drawn.items.get(each["item"]), Lot)}
    return sorted(lots - {drawn.asked})


# ------------------------------------------------------------------------------------- the tables


@dataclass(frozen=True, slots=True)
class Judged:
    """One registry: what was drawn, how the answer did, and what the next check brought."""

    drawn: Drawn
    score: Score
    thumb: bool
    seconds: float
    rises: Rises | None


def judge(registries: Registries, seed: int, kind: str, *, misses: bool) -> Judged:
    """Draw, import, ask and score one registry."""
    drawn = draw_registry(seed, kind)
    with registries.holding(drawn) as registry:
        start = time.process_time()
        answer = _answer(registry, drawn)
        seconds = time.process_time() - start
        found = score(answer, drawn.truth)
        unsure = kind != "clean" and found.first < UNSURE
        rose = rises(registry, drawn, answer, found) if unsure else None
    if misses and not found.right and drawn.well_looked_at:
        first = [(each["failure"], each["item"], each["with"], round(each["probability"], 3))
                 for each in answer["causes"][:3]]  # fmt: skip
        print(f"  missed: {seed} {kind} {drawn.asked} {sorted(drawn.truth)}: {first}", flush=True)
    items = {item for _, item, _ in drawn.truth}
    return Judged(drawn, found, thumb(drawn) in items, seconds, rose)


HEADS = ("asked", "first", "alone", "three", "missed", "few", "thumb", "p(truth)")


def _line(name: str, judged: Sequence[Judged]) -> str:
    scores = [each.score for each in judged]
    counts = (
        len(judged),
        sum(each.right for each in scores),
        sum(each.alone == 1 for each in scores),
        sum(each.rank is not None and each.rank <= 3 for each in scores),
        sum(each.rank is None for each in scores),
        sum(each.few for each in scores),
        sum(each.thumb for each in judged),
    )
    truth = f"{fmean(each.truth for each in scores):8.2f}" if scores else " " * 8
    return f"{name:22}" + "".join(f"{count:9}" for count in counts) + f" {truth}"


def table(title: str, judged: Sequence[Judged]) -> None:
    """Print one row for each kind of fault planted, and one for all."""
    print(f"\n{title}\n{'planted':22}" + "".join(f"{head:>9}" for head in HEADS))
    for kind in KINDS:
        if among := [each for each in judged if each.drawn.kind == kind]:
            print(_line(kind, among))
    print(_line("all", judged))


def _share(hits: Iterable[bool]) -> str:
    hits = list(hits)
    return f"{sum(hits)} of {len(hits)} ({sum(hits) / max(len(hits), 1):.1%})"


def report(judged: Sequence[Judged]) -> None:
    """Print every table, and the figures beside what is wanted."""
    clean = [each for each in judged if each.drawn.kind == "clean"]
    rest = [each for each in judged if each.drawn.kind != "clean"]
    well = [each for each in rest if each.drawn.well_looked_at]
    less = [each for each in rest if not each.drawn.well_looked_at]
    table("well looked at", well)
    table("less looked at", less)
    ranks = [each.score.rank or 99 for each in well]
    print(
        f"\nwell looked at, truth first:        {_share(rank == 1 for rank in ranks)}, wanted 90 %"
    )
    print(f"truth among the first three:        {_share(rank <= 3 for rank in ranks)}, wanted 98 %")
    print(f"rule of thumb names the item:       {_share(each.thumb for each in well)}")
    tied = [number for each in well for number in each.score.tied]
    shown = fmean(each.score.shown for each in well)
    print(f"causes shown as first, or tied:     {shown:.2f} on average, wanted 2 at most")
    print(f"causes in a tie, where there is one: {fmean(tied or [0]):.2f} on average")
    said = _share(each.score.alone == 1 for each in clean)
    print(f"clean looks, none of these alone:   {said}, wanted 99 %")
    print(f"less looked at, said to be few:     {_share(each.score.few for each in less)}")
    for name, among in (("well looked at", well), ("all", judged)):
        error, bins = calibration([each.score for each in among])
        print(f"\ncalibration error, {name}: {error:.3f}, wanted 0.05 at most")
        for at, (number, mean_said, was) in enumerate(bins):
            if number:
                print(f"  {at / 10:.1f} to {at / 10 + 0.1:.1f}: {number:4} said {mean_said:.2f}, "
                      f"right {was:.2f}")  # fmt: skip
    rose = [each.rises for each in judged if each.rises is not None]
    print(f"\nprobability of the truth, {len(rose)} unsure questions:")
    for name, title in (
        ("first", "after the first proposed check"),
        ("followed", "after all proposed checks"),
        ("affected", "a random affected lot instead (wanted: half of all proposed at most)"),
        ("related", "a random lot of a common source, or worked beside it, instead"),
    ):
        if rose:
            print(f"  {fmean(getattr(each, name) for each in rose):+.3f}  {title}")
    seconds = [each.seconds for each in judged]
    print(f"\nCPU of a question: {fmean(seconds):.2f} s on average, {max(seconds):.2f} s at most")


def main(arguments: Sequence[str] | None = None) -> None:
    """Judge as the arguments say."""
    parser = argparse.ArgumentParser(description="Judge `offtype` on planted faults.")
    parser.add_argument("--registries", type=int, default=500)
    parser.add_argument("--seed", type=int, default=0, help="of the first registry")
    parser.add_argument("--kind", choices=KINDS, help="plant this kind only")
    parser.add_argument("--misses", action="store_true", help="print the answers that are wrong")
    parser.add_argument("--quick", action="store_true", help="three registries of each kind")
    asked = parser.parse_args(arguments)
    number = 3 * len(KINDS) if asked.quick else asked.registries
    start = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        registries = Registries(Path(folder))
        judged = [
            judge(registries, seed, asked.kind or KINDS[seed % len(KINDS)], misses=asked.misses)
            for seed in range(asked.seed, asked.seed + number)
        ]
    report(judged)
    print(f"{time.perf_counter() - start:.0f} s", flush=True)


if __name__ == "__main__":
    main()
