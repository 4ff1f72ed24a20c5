"""Checks and marker profiles, gathered tree by tree for the thing they looked at."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from scionreg.identity.looks import Report, Seen, together
from scionreg.lineage.identity_books import Check, SampleFinding
from scionreg.records.vocabulary import CheckMethod, Found

VAGUE = (Found.UNKNOWN.value, Found.OTHER.value)


def sightings(
    checks: Sequence[Check], profiles: Iterable[SampleFinding]
) -> dict[str, tuple[Seen, ...]]:
    """Return what was seen of each thing's trees, by its code.

    Trees at known positions gather the reports of all looks at them. Without positions, a look says
    by `same_trees_as` that it was at the trees of an earlier one.
    """
    by_item: dict[str, list[Check]] = {}
    for check in checks:
        if check.method != CheckMethod.PAPER and check.checked:
            by_item.setdefault(check.item, []).append(check)
    of_item: dict[str, list[SampleFinding]] = {}
    for profile in profiles:
        of_item.setdefault(profile.item, []).append(profile)
    places = {check.check: i for i, check in enumerate(checks)}
    return {
        item: tuple(_gathered(by_item.get(item, []), of_item.get(item, []), places))
        for item in {**by_item, **of_item}
    }


def _gathered(
    checks: list[Check], profiles: list[SampleFinding], places: Mapping[str, int]
) -> list[Seen]:
    placed: dict[int, Seen] = {}
    unplaced: dict[str, list[Seen]] = {}
    offs: dict[str, list[int]] = {}
    looks: dict[tuple[object, str], int] = {}
    for check in sorted(checks, key=lambda each: (each.date is None, each.date, each.check)):
        # Rows of one day and method are one look with several findings.
        place = looks.setdefault((check.date, check.method), places[check.check])
        positions, rest = _positions(check, place)
        for position, seen in positions.items():
            placed[position] = _joined(placed.get(position), seen)
        offs[check.check] = [*check.positions, *(p for p in positions if p not in check.positions)]
        before = check.same_trees_as or ""
        if offs.get(before):
            rest = _onto(placed, offs[before], rest)
        if before in unplaced:
            unplaced[before] = together(unplaced[before], rest)
        else:
            unplaced[check.check] = rest
    found = [*placed.values(), *(seen for each in unplaced.values() for seen in each)]
    return _with_profiles(found, profiles)


def _positions(check: Check, place: int) -> tuple[dict[int, Seen], list[Seen]]:
    """Return a row's trees at known positions, and the others."""
    off = Seen((Report(check.method, check.found or Found.UNKNOWN.value),), check.off, None, place)
    true = Seen((Report(check.method, None),), check.checked - check.off, None, place)
    placed: dict[int, Seen] = {}
    rest = []
    wrong = set(check.positions)
    known = len(wrong) == check.off
    if known:
        placed |= {p: replace(off, count=1, position=p) for p in sorted(wrong)}
    elif check.off:
        rest.append(off)
    right = set(check.positions_checked) - wrong
    if known and len(right) == true.count:
        placed |= {p: replace(true, count=1, position=p) for p in sorted(right)}
    elif true.count:
        rest.append(true)
    return placed, rest


def _joined(before: Seen | None, after: Seen) -> Seen:
    """Return one tree as two looks saw it; within one look, off outweighs true."""
    if before is None:
        return after
    if before.place == after.place and len(before.reports) == 1:
        return after if after.off else before
    return replace(before, reports=(*before.reports, *after.reports))


def _onto(placed: dict[int, Seen], positions: list[int], seen: list[Seen]) -> list[Seen]:
    """Give trees without positions those of the look they repeat, off ones first."""
    free = list(positions)
    left = []
    for each in sorted(seen, key=lambda one: not one.off):
        here, free = free[: each.count], free[each.count :]
        for position in here:
            placed[position] = _joined(placed[position], replace(each, count=1, position=position))
        if each.count > len(here):
            left.append(replace(each, count=each.count - len(here)))
    return left


def _with_profiles(found: list[Seen], profiles: Iterable[SampleFinding]) -> list[Seen]:
    """Return what was seen with laboratories' findings in the place of what looks wrote down.

    A sampled tree that no look names is one of those that a look by markers saw somewhere, where
    there is such a look; else it is a tree more.
    """
    looked = any(map(_by_markers, found))
    somewhere = any(_by_markers(each) and each.position is None for each in found)
    seen, told, more = list(found), set[int](), list[Seen]()
    for profile in profiles:
        report = Report(CheckMethod.DNA.value, profile.found)
        at = next((i for i, each in enumerate(found) if _is_of(profile, each)), None)
        if at is not None and (at not in told or profile.position is not None):
            before = seen[at].reports
            kept = before if at in told else [e for e in before if e.method != CheckMethod.DNA]
            seen[at] = replace(seen[at], reports=(*kept, report))
            told.add(at)
        elif not (looked if profile.position is None else somewhere):
            more.append(Seen((report,), 1, profile.position, -1))
    return [*seen, *_one_a_position(more)]


def _by_markers(seen: Seen) -> bool:
    return any(report.method == CheckMethod.DNA for report in seen.reports)


def _is_of(profile: SampleFinding, seen: Seen) -> bool:
    """Tell whether a sample is of the tree that was seen: at its position, or the only one."""
    alone = seen.position is not None or seen.count == 1
    return seen.position == profile.position and alone


def _one_a_position(seen: Iterable[Seen]) -> list[Seen]:
    """Return trees with all that was said of each; without positions each is a tree of its own."""
    placed: dict[int, Seen] = {}
    free = []
    for each in seen:
        if each.position is None:
            free.append(each)
        elif each.position in placed:
            before = placed[each.position]
            placed[each.position] = replace(before, reports=(*before.reports, *each.reports))
        else:
            placed[each.position] = each
    return [*placed.values(), *free]
