"""Samples beside references, as text a grower reads: what it is, how sure, what cannot be told."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from scionreg.cli import console
from scionreg.records.vocabulary import ProfileVerdict, SampleFound

if TYPE_CHECKING:
    from scionreg.identity.matching import Match
    from scionreg.identity.panel import Beside
    from scionreg.identity.stocks import StockTest

OFF = (SampleFound.OTHER_CULTIVAR, SampleFound.NOT_IN_REFERENCES, SampleFound.ROOTSTOCK)
NEVER = 1e-9
"""Chances below this are not told more closely: no frequencies are that good."""
VERDICTS = {
    ProfileVerdict.MATCH_RERUN: "match, run again",
    ProfileVerdict.TOO_FEW: "too few loci",
}
COLUMNS = {
    "cultivar": "cultivar",
    "reference": "reference",
    "loci": "loci",
    "mismatches": "mismatches",
    "verdict": "verdict",
}


def is_off(found: "Match", *, asked: bool) -> bool:
    """Tell whether a sample is not what it was asked to be, or what its label says."""
    if asked:
        return found.verdict is ProfileVerdict.DIFFERENT
    return found.label is not None and (found.found.found in OFF or found.same_as is not None)


def tell_matches(matches: "Sequence[Match]", *, asked: bool) -> None:
    """Show one sample in full, several as a table; then what the laboratory alone can say."""
    if len(matches) == 1:
        _tell_one(matches[0], asked=asked)
    else:
        _tell_many(matches)
    console.talk(
        "thresholds are starting values (scionreg settings match); the laboratory's own report "
        "decides: ask it before a tree is renamed, destroyed or replaced"
    )


def _tell_many(matches: "Sequence[Match]") -> None:
    rows = []
    for each in matches:
        best = each.best[0] if each.best else None
        rows.append(
            {
                "sample": each.sample,
                "item": each.item,
                "label": each.label,
                "found": each.found.found.replace("_", " "),
                "nearest": best.name if best else None,
                "alike": ", ".join(each.cannot_tell_from) or None,
                "loci": best.compared.loci if best else None,
                "mismatches": f"{best.compared.mismatches:g}" if best else None,
                "verdict": _worded(best.verdict if best else each.verdict),
            }
        )
    console.table(rows, {name: name for name in rows[0]} | {"alike": "cannot tell from"})
    for each in matches:
        for doubt in (*_is_other(each), *each.doubts):
            console.data(f"{console.one_line(each.sample)}: {console.one_line(doubt)}")


def _worded(verdict: ProfileVerdict) -> str:
    return VERDICTS.get(verdict, verdict.value)


def _tell_one(found: "Match", *, asked: bool) -> None:
    of = [found.item, found.label and f"labelled {found.label}"]
    read_by = [f"read by {found.laboratory}"] if found.laboratory else []
    said = ", ".join(console.one_line(part) for part in (*of, *read_by) if part)
    console.data(f"{console.one_line(found.sample)}: {said}" if said else found.sample)
    for line in _asked_lines(found) if asked else _found_lines(found):
        console.data(f"  {console.one_line(line)}.")
    for line in (*_beyond_doubt(found), *found.doubts):
        console.data(f"  {console.one_line(line[0].upper() + line[1:])}.")
    if found.best:
        console.data("")
        rows = [
            {
                "cultivar": each.name,
                "reference": each.reference.sample,
                "loci": each.compared.loci,
                "mismatches": f"{each.compared.mismatches:g}",
                "verdict": _worded(each.verdict),
            }
            for each in found.best
        ]
        console.table(rows, COLUMNS)


def _asked_lines(found: "Match") -> list[str]:
    return [f"Beside {each.name}: {_beside(each)}" for each in found.best]


def _found_lines(found: "Match") -> list[str]:
    best, label = (found.best[0] if found.best else None), found.beside_label
    excluded = f"It is not {found.label}: {_beside(label)}" if found.label and label else ""
    match found.found.found:
        case SampleFound.AS_LABELLED:
            beside = label if label is not None and label.is_same else best
            named = (
                "its label"
                if beside is label
                else f"its label, which has the profile of {_of(beside)}"
            )
            return [f"It agrees with {named}: {_beside(beside)}"]
        case SampleFound.OTHER_CULTIVAR:
            untested = f"There is no reference of {found.label}" if found.label else ""
            agrees = f"It agrees with {_of(best)}: {_beside(best)}"
            return [line for line in (excluded or untested, agrees) if line]
        case SampleFound.ROOTSTOCK:
            passed = next(test for test in found.rootstock_tests if test.passed)
            return [*([excluded] if excluded else []), _stock(passed)]
        case SampleFound.NOT_IN_REFERENCES:
            near = f"; nearest is {_of(best)}, {_beside(best)}" if best is not label else ""
            lines = [excluded, f"It agrees with no {'other ' if excluded else ''}reference{near}"]
            return [line for line in lines if line]
        case _:
            return _unsaid(found, best, label)


def _unsaid(found: "Match", best: "Beside | None", label: "Beside | None") -> list[str]:
    """Return why nothing can be said of a sample."""
    if found.same_as is not None:
        return [line[0].upper() + line[1:] for line in _is_other(found)]
    lines = ["The profile does not tell what it is"]
    if found.label and label is None:
        lines.append(f"There is no reference of {found.label}, and no other agrees")
    elif label is not None:
        lines.append(f"Beside its label, {label.name}: {_beside(label)}")
    elif best is not None:
        lines.append(f"Nearest is {best.name}: {_beside(best)}")
    return lines


def _is_other(found: "Match") -> list[str]:
    """Return what another cultivar's profile throughout says of a label that differs a little."""
    same, label = found.same_as, found.beside_label
    if same is None or label is None:
        return []
    return [
        f"it is {same.name} at all {same.compared.loci} loci compared, while {_differing(label)} "
        f"from its label, {label.name}: it may be either until it is run again, for more loci"
    ]


def _of(beside: "Beside | None") -> str:
    return beside.name if beside is not None else "nothing"


def _beside(beside: "Beside | None") -> str:
    """Return how a sample and a reference compare, in words."""
    if beside is None:
        return "not compared"
    loci, off = beside.compared.loci, beside.compared.mismatches
    of = _differing(beside) if off else f"the same at all {loci} loci compared"
    match beside.verdict:
        case ProfileVerdict.TOO_FEW:
            return f"{of}, too few to tell" if loci else "nothing could be compared"
        case ProfileVerdict.MATCH_RERUN:
            return f"{of}; have it run again" + ("" if off else ", for more loci")
        case ProfileVerdict.UNRESOLVED:
            return f"{of}, which may be an error, a mutation or a close relative; have it run again"
        case _:
            return of


def _differing(beside: "Beside") -> str:
    """Return at how many loci two profiles differ, and at how many by one allele against two."""
    compared = beside.compared
    half = sum(off == 0.5 for off in compared.at.values())
    if not compared.whole:
        return f"{half} of {compared.loci} loci {'differ' if half > 1 else 'differs'} by half"
    verb = "differ" if compared.whole > 1 else "differs"
    more = f", {half} more by half" if half else ""
    return f"{compared.whole} of {compared.loci} loci {verb}{more}"


def _stock(test: "StockTest") -> str:
    if test.kind == "clone":
        return (
            f"It is the rootstock, clone {test.name}: the same at {test.agree} of {test.loci} loci"
        )
    luck = f", as an unrelated plant would {_once(test.chance)}" if test.chance is not None else ""
    return (
        f"It may be the rootstock: it shares an allele with the seed parent, {test.name}, at all "
        f"{test.loci} loci compared{luck}"
    )


def _beyond_doubt(found: "Match") -> list[str]:
    """Return what cannot be told apart, and how far chance could explain the agreement."""
    if not found.best or not found.best[0].is_same:
        return []
    best = found.best[0]
    lines = []
    if found.cannot_tell_from:
        lines.append(f"no marker here tells {best.name} from {', '.join(found.cannot_tell_from)}")
    if found.as_good is not None and found.as_good_sibs is not None:
        rough = f" (roughly: only {found.pi_references} references)" if found.pi_rough else ""
        alike = "agree as well as this" if found.pi_mismatches else "be the same"
        lines.append(
            f"by chance alone, two unrelated plants would {alike} {_once(found.as_good)}, two full "
            f"sibs {_once(found.as_good_sibs)}{rough}"
        )
    if best.compared.shift:
        shifts = best.compared.shift.values()
        mine, its = found.laboratory or "this laboratory", best.reference.laboratory or "the other"
        lines.append(
            f"{mine} and {its} were lined up at {len(shifts)} loci, by "
            f"{min(shifts):+g} to {max(shifts):+g} bp"
        )
    return lines


def _once(chance: float) -> str:
    """Return a chance as once in so many times, to two figures."""
    if chance < NEVER:
        return "less than once in a thousand million"
    times = 1 / chance
    digits = max(0, len(str(int(times))) - 2)
    return f"once in {round(times, -digits):,.0f}"
