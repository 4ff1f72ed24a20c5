"""Where an identity broke, as text for a grower and a propagator: most important first."""

from typing import TYPE_CHECKING

from scionreg.cli import console
from scionreg.records.shell import command_line

if TYPE_CHECKING:
    from collections.abc import Iterable

    from scionreg.identity.off_type import Affected, ChainItem, OffType
    from scionreg.off_types import OffTypes

KINDS = {
    "dispatch": "dispatches, whose customers have the trees",
    "graft_lot": "graft lots",
    "bundle": "bundles",
    "collection": "collections",
    "mother_tree": "mother trees",
}
"""Kinds in the order of a recall: what left first."""
METHODS = {"dna": "marker profile", "fruit": "fruit", "leaf": "leaf and habit", "bud": "buds"}
MOST_EXCLUDED = 5
"""Excluded things that are named."""
COLUMNS = {
    "item": "code",
    "place": "place",
    "trees": "trees",
    "looked": "looked at",
    "grade": "grade",
    "chance": "probability",
    "what": "may be",
    "proposal": "proposed",
}


def tell_off_types(found: "OffTypes", *, in_full: bool) -> None:
    """Show answers one by one, or as a table; then the cautions, once."""
    if in_full:
        for i, answer in enumerate(found.answers):
            if i:
                console.data("")
            tell_off_type(answer)
    else:
        _tell_overview(found)
    console.talk(
        "probabilities start from estimates (scionreg settings offtype); identity results are the "
        "laboratory's"
    )


def _tell_overview(found: "OffTypes") -> None:
    if not found.answers:
        console.data("Nothing was found off.")
        return
    console.table(
        [_overview(answer) for answer in found.answers],
        {
            "code": "code",
            "label": "labelled",
            "looked": "off of looked at",
            "cause": "likeliest cause",
            "chance": "probability",
            "shares": "may be wrong",
        },
    )
    console.talk("in full: scionreg offtype CODE")


def _overview(answer: "OffType") -> dict[str, object]:
    from scionreg.identity.off_type import first_group
    from scionreg.identity.reasons import name_of
    from scionreg.identity.sureness import per_cent

    first = answer.causes[0]
    names = " or ".join(name_of(each) for each in first_group(answer))
    return {
        "code": answer.code,
        "label": answer.label,
        "looked": f"{answer.looked.off} of {answer.looked.checked}",
        "cause": console.one_line(names),
        "chance": per_cent(first.probability),
        "shares": len(answer.affected),
    }


def tell_off_type(found: "OffType") -> None:
    """Show one answer in full."""
    _tell_looked(found)
    _tell_causes(found)
    _tell_tied(found)
    _tell_affected(found)
    _tell_excluded(found)
    _tell_next_checks(found)
    if found.taken_apart:
        console.data("")
        _say(
            f"Near, not exact: {len(found.taken_apart)} re-bundles far from it tied too much wood "
            "together, and were reckoned with one by one."
        )
    if found.missing:
        console.data("")
        console.data("Not recorded, and would have helped:")
        for each in found.missing:
            _say(f"  {each}")


def tell_in_short(found: "OffType") -> None:
    """Show the causes, and only how much else is likely wrong."""
    from scionreg.identity.off_type import LIKELY

    _tell_looked(found)
    _tell_causes(found)
    wrong = [each for each in found.affected if each.probability >= LIKELY]
    told = []
    for kind, title in KINDS.items():
        number = sum(each.kind == kind for each in wrong)
        if number:
            one, many = kind.replace("_", " "), title.partition(",")[0]
            told.append(f"1 {one}" if number == 1 else f"{number} {many}")
    sent = sum(each.trees for each in wrong if each.kind == "dispatch")
    if told:
        console.data(
            f"Not as labelled, for certain or likely: {', '.join(told)}; {sent} trees sent."
        )


def _tell_looked(found: "OffType") -> None:
    from scionreg.identity.off_type import ENOUGH_CHECKED
    from scionreg.identity.reasons import looks_in_words

    looked = found.looked
    said = looks_in_words(found)
    _say(f"{found.code}, labelled {found.label or 'with no cultivar'}: {said}.")
    if looked.checked == 1:
        console.data("One look tells little by itself; the looks at its relatives weigh more.")
    elif looked.few and looked.checked < ENOUGH_CHECKED:
        console.data("That is few; each further look makes this surer.")
    elif looked.few:
        console.data("A single off tree tells little; each further one looked at tells more.")


def _tell_causes(found: "OffType") -> None:
    from scionreg.identity.sureness import in_words, per_cent, shown

    number = shown(found)
    console.data("")
    off = found.looked.off
    console.data(f"Where the identity {'broke' if off else 'may have broken'}, likeliest first:")
    for cause in found.causes[:number]:
        console.data(f"  {in_words(cause.probability)}, {per_cent(cause.probability)}:")
        _say(f"    {cause.because}")
    rest = found.causes[number:]
    if rest:
        other = "1 other cause" if len(rest) == 1 else f"{len(rest)} other causes"
        console.data(f"  {other}, together {per_cent(sum(each.probability for each in rest))}")


def _tell_tied(found: "OffType") -> None:
    from scionreg.identity.off_type import first_group
    from scionreg.identity.reasons import name_of

    alike = first_group(found)
    if len(alike) > 1:
        console.data("Nothing recorded can tell these apart:")
        for cause in alike:
            _say(f"  {name_of(cause)}")


def _tell_affected(found: "OffType") -> None:
    console.data("")
    if not found.affected:
        console.data("Nothing else is likely to be wrong.")
        return
    console.data("What is not as labelled, or may not be:")
    drawn = {(each.kind, each.code): each for each in found.chain}
    for kind, title in KINDS.items():
        items = [each for each in found.affected if each.kind == kind]
        if items:
            _tell_kind(title, items, drawn)
    console.data("")
    console.data(_grades(each.probability for each in found.affected))
    console.data("Nothing is renamed, held or pulled by scionreg: what is proposed is yours to do.")


def _tell_kind(
    title: str, items: "list[Affected]", drawn: "dict[tuple[str, str], ChainItem]"
) -> None:
    from scionreg.identity.off_type import grade
    from scionreg.identity.reasons import word_of
    from scionreg.identity.sureness import per_cent

    rows = []
    for each in items:
        item = drawn.get((each.kind, each.item))
        looked = f"{item.off} of {item.checked} off" if item and item.checked else None
        rows.append(
            {
                "item": each.item,
                "place": item.place if item else None,
                "trees": each.trees,
                "looked": looked,
                "grade": grade(each.probability),
                "chance": per_cent(each.probability),
                "what": each.what and word_of(each.what),
                "proposal": each.proposal and each.proposal.value.replace("_", " "),
            }
        )
    used = {name for row in rows for name, value in row.items() if value is not None}
    console.data("")
    console.data(title)
    heads = {**COLUMNS, "place": "customer"} if items[0].kind == "dispatch" else COLUMNS
    console.table(rows, {name: head for name, head in heads.items() if name in used})


def _grades(chances: "Iterable[float]") -> str:
    """Return what the grades that were used mean."""
    from scionreg.identity.off_type import CERTAIN, LIKELY, POSSIBLE, grade
    from scionreg.identity.sureness import otherwise_excluded

    least = {"certain": CERTAIN, "likely": LIKELY, "possible": POSSIBLE}
    used = {grade(chance) for chance in chances}
    told = [f"{word} from {limit:.0%} on" for word, limit in least.items() if word in used]
    return f"Grades by probability: {', '.join(told)}; {otherwise_excluded()}."


def _tell_excluded(found: "OffType") -> None:
    from scionreg.identity.sureness import otherwise_off, per_cent

    for each in otherwise_off(found):
        _say(
            f"Found off as well, it seems for another reason: {each.kind.replace('_', ' ')} "
            f"{each.code}, {each.off} of {each.checked} ({command_line('offtype', each.code)})"
        )
    if not found.excluded:
        return
    console.data("")
    named = [
        f"{each.kind.replace('_', ' ')} {each.item} ({per_cent(each.probability)})"
        for each in found.excluded[:MOST_EXCLUDED]
    ]
    rest = len(found.excluded) - len(named)
    more = f" and {rest} more" if rest else ""
    _say(
        f"Excluded, though related or worked beside it: {len(found.excluded)}; the likeliest of "
        f"them {', '.join(named)}{more}."
    )


def _tell_next_checks(found: "OffType") -> None:
    console.data("")
    if not found.next_checks:
        console.data("No check is worth its cost: it would change nothing that is to be done.")
        return
    places = {each.code: each.place for each in found.chain}
    console.data("Checks worth their cost, each by itself, best first:")
    console.table(
        [
            {
                "item": each.item if each.position is None else f"{each.item}/{each.position}",
                "place": places.get(each.item),
                "method": METHODS.get(each.method, each.method),
                "trees": each.trees,
                "cost": f"{each.cost:.0f}",
                "saves": f"{each.saves:.0f}",
            }
            for each in found.next_checks
        ],
        {
            "item": "look at",
            "place": "place",
            "method": "by",
            "trees": "trees",
            "cost": "cost",
            "saves": "saves",
        },
    )


def _say(text: str) -> None:
    console.data(console.one_line(text))
