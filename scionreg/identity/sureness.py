"""Probabilities in the words of a recall, and in per cent that claim no more than they can."""

from scionreg.identity.off_type import ChainItem, OffType
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
FINE = 0.0995
"""Probability below which a tenth of a per cent is shown, so that possible and excluded differ."""
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
        return "almost certain"
    if probability >= 0.9:
        return "very likely"
    if probability >= LIKELY:
        return "likely"
    return "possible" if probability >= POSSIBLE else "unlikely"


def per_cent(probability: float) -> str:
    """Return a probability in per cent, neither 0 nor 100.

    >>> [per_cent(each) for each in (0.9999, 0.42, 0.048, 0.0001)]
    ['more than 99%', '42%', '4.8%', 'less than 1%']
    """
    if probability > CERTAIN:
        return "more than 99%"
    if probability < WORTH_SHOWING:
        return "less than 1%"
    return f"{probability:.0%}" if probability >= FINE else f"{probability:.1%}"


def shown(answer: OffType) -> int:
    """Return how many of the causes, which come likeliest first, are shown by themselves."""
    likely = [each for each in answer.causes[:MOST_SHOWN] if each.probability >= WORTH_SHOWING]
    return max(len(likely), 1)


def is_otherwise_off(item: ChainItem) -> bool:
    """Return whether most trees looked at were off, and yet the fault asked about explains none."""
    return 2 * item.off > item.checked and item.probability < POSSIBLE


def otherwise_off(answer: OffType) -> list[ChainItem]:
    """Return what was found off for another reason than the one asked about."""
    return [each for each in answer.chain if is_otherwise_off(each)]
