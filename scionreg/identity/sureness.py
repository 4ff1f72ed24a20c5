"""Probabilities in the words of a recall, and in per cent that claim no more than they can."""

from scionreg.identity.off_type import (
    CERTAIN,
    LIKELY,
    MORE_THAN_USUAL,
    POSSIBLE,
    ChainItem,
    OffType,
)
from scionreg.records.words import Sentence

WORTH_SHOWING = 0.01
"""Probability from which on a cause is shown by itself."""
FINE = 0.0995
"""Probability below which a tenth of a per cent is shown, so that possible and excluded differ."""
MOST_SHOWN = 5
"""Causes that are shown by themselves, at most."""


def in_words(probability: float) -> Sentence:
    """Return how likely a cause is, in words; no cause is ever called certain."""
    for least, name in (
        (CERTAIN, "almost_certain"),
        (0.9, "very_likely"),
        (LIKELY, "likely"),
        (POSSIBLE, "possible"),
    ):
        if probability >= least:
            return Sentence(f"sure.chance.{name}")
    return Sentence("sure.chance.unlikely")


def otherwise_excluded() -> Sentence:
    """Return what is called excluded, beside what is called possible and more."""
    return Sentence(
        "sure.excluded",
        below=f"{POSSIBLE:.0%}",
        likely=f"{LIKELY:.0%}",
        times=f"{MORE_THAN_USUAL:g}",
    )


def per_cent(probability: float) -> str:
    """Return a probability in per cent, neither 0 nor 100.

    >>> [per_cent(each) for each in (0.9999, 0.42, 0.048, 0.0001)]
    ['more than 99%', '42%', '4.8%', 'less than 1%']
    """
    if probability > CERTAIN:
        return Sentence("sure.more_than", share=f"{CERTAIN:.0%}")
    if probability < WORTH_SHOWING:
        return Sentence("sure.less_than", share=f"{WORTH_SHOWING:.0%}")
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
