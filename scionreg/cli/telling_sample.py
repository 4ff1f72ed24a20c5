"""How many trees to look at, as text: by method, and what was looked at so far."""

from typing import TYPE_CHECKING

from scionreg.cli import console
from scionreg.records.counting import many

if TYPE_CHECKING:
    from scionreg.identity.sampling import SampleSize

METHODS = {"dna": "marker profile", "fruit": "fruit", "leaf": "leaf and habit", "bud": "buds"}


def tell_sample(found: "SampleSize") -> None:
    """Show how many trees to look at, then what a clean look and those recorded still allow."""
    of = f"{console.one_line(found.lot)}: " if found.lot else ""
    console.data(f"{of}{_trees(found.trees)} ({found.trees_are})")
    sure = f"{found.confidence * 100:g}"
    whole = found.level * found.trees >= 1
    said = _trees(found.off) if whole else "less than one tree, so taken as 1"
    console.data(
        f"To be {sure} % sure of finding at least one off-type where {found.level * 100:g} % "
        f"({said}) are off, look at:"
    )
    console.table(
        [{"by": "a way that misses none", "trees": found.look_at}]
        + [
            {"by": METHODS.get(method, method), "trees": _number(trees)}
            for method, trees in found.by_method.items()
        ],
        {"by": "by", "trees": "trees"},
    )
    if None in found.by_method.values():
        console.data("-: not even a look at every tree finds one so surely")
    if found.after is not None:
        console.data(f"A clean look at {_trees(found.asked or 0)} still allows, {sure} % sure:")
        for method, most in found.after.items():
            console.data(f"  by {METHODS.get(method, method)}: {_up_to(most, found.trees)}")
    _tell_looks(found, sure)
    console.talk(
        "take them at random over the whole lot: neighbours may be of one stick; how much a method "
        "finds is a starting value (scionreg settings identity)"
    )


def _tell_looks(found: "SampleSize", sure: str) -> None:
    if found.lot and not found.looks:
        console.data("Nothing of it has been looked at so far.")
    for look in found.looks:
        off = f"{look.off} off" if look.off else "none off"
        console.data(
            f"{look.check}, {look.date or 'day not recorded'}: {METHODS[look.method]} of "
            f"{_trees(look.checked)}, {off}: by that alone "
            f"{_up_to(look.possible, max(found.trees, look.checked))}"
        )
    if found.lot and any(look.off for look in found.looks):
        says = "Off-types were found; where they came from: "
        console.command(says, "offtype", found.lot, to=console.data)
    if found.possible is not None:
        least = "" if found.looked_at == found.looked_at_if_apart else " at least"
        console.data(
            f"All looks together, at {_trees(found.looked_at)}{least}: "
            f"{_up_to(found.possible, max(found.trees, found.looked_at))}, {sure} % sure."
        )
        if least and found.possible_if_apart is not None:
            console.data(
                "Looks without positions are taken to be at the same trees; if they were at "
                f"different ones, {_trees(found.looked_at_if_apart)}: "
                f"{_up_to(found.possible_if_apart, max(found.trees, found.looked_at_if_apart))}."
            )


def _trees(number: int) -> str:
    return many(number, "tree")


def _number(trees: int | None) -> str | None:
    return None if trees is None else str(trees)


def _up_to(most: int, trees: int) -> str:
    if not most:
        return "none may be off"
    return f"up to {most} of {trees} may be off ({most / trees:.0%})"
