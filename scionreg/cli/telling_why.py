"""Why lots took poorly, as text a propagator reads: the verdict, its reasons, then figures."""

from typing import TYPE_CHECKING

from scionreg.cli import console
from scionreg.records.counting import many

if TYPE_CHECKING:
    from scionreg.take.verdict import Cause, Rate, Why

COUNT = {"early": "at the early count", "late": "at the late count"}
MOST_OTHERS = 4


def tell_why(found: "Why") -> None:
    """Show the verdict, its reasons and the figures behind it."""
    lots = many(len(found.lots), "lot") if len(found.lots) > 1 else found.lots[0]
    console.data(
        f"{lots}: {found.taken:.0%} of {found.grafts} grafts had taken {COUNT[found.stage]}; "
        f"lots like them take {found.expected:.0%}."
    )
    _TELL[found.verdict](found)
    for cause in found.background:
        console.data(
            f"Elsewhere, and taken into account: {name_of(cause)} ({_chance(cause.p_low)})."
        )
    for finding in found.findings:
        console.data(f"Finding: {finding.item}: {console.one_line(finding.text)}.")
    console.talk(f"weighed together with {many(found.compared - len(found.lots), 'other lot')}")


def _no_shortfall(_: "Why") -> None:
    console.data("That is no more than chance: there is no shortfall to explain.")


def _cause(found: "Why") -> None:
    shown = found.shown()
    sure = [cause for cause in shown if cause.p_low >= _SURE]
    for cause in sure:
        console.data(
            f"The cause: {name_of(cause)} ({_chance(cause.p_low)} sure). "
            f"It carries {cause.carries:.0%} of the shortfall."
        )
        _reasons(cause)
    _others([cause for cause in shown if cause not in sure])


def _tied(found: "Why") -> None:
    for group, work in zip(found.tied, found.separate, strict=True):
        console.data("These cannot be told apart, since they go together in these lots:")
        for cause in group:
            console.data(f"  {name_of(cause)} ({cause.p_low:.0%})")
            _reasons(cause, indent="    ")
        console.data(f"What would part them: {console.one_line(work)}.")


def _not_enough(found: "Why") -> None:
    console.data("Can't tell: the counts are not enough to name a cause.")
    if found.needed is not None:
        console.data(
            f"To show a gap like this one, {many(found.needed, 'graft')} with a suspect and "
            f"{found.needed} without it would be needed."
        )
    _others(found.shown())


_SURE = 0.9
_TELL = {
    "no_shortfall": _no_shortfall,
    "cause": _cause,
    "tied": _tied,
    "not_enough": _not_enough,
}


def _reasons(cause: "Cause", indent: str = "  ") -> None:
    if cause.follows.grafts:
        console.data(f"{indent}It follows: its other lots took {_rate(cause.follows)}.")
    if cause.spared.grafts:
        console.data(f"{indent}Without it: like lots took {_rate(cause.spared)}.")
    for sign in cause.signs:
        console.data(f"{indent}Seen as well: {console.one_line(sign)}.")


def _others(causes: "list[Cause] | tuple[Cause, ...]") -> None:
    told = [cause for cause in causes if cause.p_low >= 0.005][:MOST_OTHERS]
    if told:
        console.data("Considered as well:")
    for cause in told:
        console.data(
            f"  {name_of(cause)} ({cause.p_low:.0%}): elsewhere {_rate(cause.follows)}, "
            f"without it {_rate(cause.spared)}"
        )


def name_of(cause: "Cause") -> str:
    """Return a cause in words."""
    from scionreg.take.verdict import SOMEBODY

    factors, items = cause.factor.split("*"), cause.item.split("*")
    named = " with ".join(
        item if item == SOMEBODY else f"{factor.replace('_', ' ')} {item}"
        for factor, item in zip(factors, items, strict=True)
    )
    season = "" if cause.season is None else f" in season {cause.season}"
    return console.one_line(f"{named}{season}")


def _chance(probability: float) -> str:
    """Return a probability in words that never claim to be certain."""
    return "more than 99%" if probability > 0.99 else f"{probability:.0%}"


def _rate(rate: "Rate") -> str:
    return f"{rate.share:.0%} of {rate.grafts}" if rate.grafts else "no grafts"
