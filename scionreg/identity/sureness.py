"""Probabilities in the words of a recall, and in per cent that claim no more than they can."""

from scionreg.identity.off_type import OffType
from scionreg.identity.sharing import SHARES_FAULT

CERTAIN = 0.99
"""From here on wood that is not as labelled is called certain, as a recall calls wood of which all
came from there: nobody would wait for more before telling a customer."""
LIKELY = 0.5
"""From here on likely: wrong rather than right. A recall has no such word, since it weighs nothing;
what it calls possible is likely, possible or excluded here."""
POSSIBLE = SHARES_FAULT
"""From here on possible, below it excluded; what is excluded here may share a source all the same,
and a recall lists it."""
WORTH_SHOWING = 0.01
"""Probability from which on a cause is shown by itself."""
MOST_SHOWN = 5
"""Causes that are shown by themselves, at most."""


def grade(probability: float) -> str:
    """Return how sure it is that something shares the fault: certain, likely, possible, excluded.

    >>> [grade(each) for each in (1.0, 0.7, 0.1, 0.01)]
    ['certain', 'likely', 'possible', 'excluded']
    """
    if probability >= CERTAIN:
        return "certain"
    if probability >= LIKELY:
        return "likely"
    return "possible" if probability >= POSSIBLE else "excluded"


def in_words(probability: float) -> str:
    """Return how likely a cause is, in words; no cause is ever called certain."""
    if probability >= CERTAIN:
        return "almost certainly"
    if probability >= 0.9:
        return "very likely"
    if probability >= LIKELY:
        return "likely"
    return "possibly" if probability >= POSSIBLE else "hardly"


def per_cent(probability: float) -> str:
    """Return a probability in per cent, neither 0 nor 100.

    >>> [per_cent(each) for each in (0.9999, 0.42, 0.0001)]
    ['more than 99%', '42%', 'less than 1%']
    """
    if probability > CERTAIN:
        return "more than 99%"
    return "less than 1%" if probability < WORTH_SHOWING else f"{probability:.0%}"


def shown(answer: OffType) -> int:
    """Return how many of the causes, which come likeliest first, are shown by themselves."""
    likely = [each for each in answer.causes[:MOST_SHOWN] if each.probability >= WORTH_SHOWING]
    return max(len(likely), 1)
