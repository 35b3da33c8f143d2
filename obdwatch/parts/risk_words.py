"""Which risks are worth telling, and how their numbers are said; the same on the command line, the pages and paper."""

from __future__ import annotations

from math import inf

from obdwatch.records import PartRisk

WORTH_TELLING = 0.25  # probability of being worn from which evidence is worth telling
MOVED = 1.2  # how far evidence must have raised a probability to count as more than age
STRONG = 10.0  # growth of the odds from which evidence counts as strong (Jeffreys' scale, from memory)
RARE = 0.05  # probability below which even strong evidence is not worth a visit
LIKELY_BY_AGE = 0.5  # probability from which age alone is worth a word


def is_suspected(risk: PartRisk) -> bool:
    """Whether what was seen, and not distance alone, makes a part likely to be worn.

    A part that seldom fails is told of too where all that was seen points to it, as with a head gasket.
    """
    if risk.degraded >= RARE and _odds(risk.degraded) >= STRONG * _odds(risk.prior):
        return True
    return risk.degraded >= WORTH_TELLING and risk.degraded >= min(MOVED * risk.prior, 1.0 - (1.0 - risk.prior) / MOVED)


def _odds(probability: float) -> float:
    return probability / (1.0 - probability) if probability < 1.0 else inf


def is_old(risk: PartRisk) -> bool:
    """Whether a part is likely worn by its distance, though nothing was seen of it."""
    return not is_suspected(risk) and risk.degraded >= LIKELY_BY_AGE


def percent(probability: float) -> str:
    """Return a probability as a reader says it; nothing is certain.

    >>> percent(0.123), percent(0.9999), percent(0.0001)
    ('12%', 'over 99%', 'under 1%')
    """
    if probability > 0.99:
        return "over 99%"
    return "under 1%" if probability < 0.01 else f"{probability:.0%}"
