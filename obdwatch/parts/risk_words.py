"""Which risks are worth telling, and how their numbers are said; the same on the command line, the pages and paper."""

from __future__ import annotations

from obdwatch.records import PartRisk

WORTH_TELLING = 0.25  # probability of being worn from which evidence is worth telling
MOVED = 1.2  # how far evidence must have raised a probability to count as more than age
LIKELY_BY_AGE = 0.5  # probability from which age alone is worth a word


def is_suspected(risk: PartRisk) -> bool:
    """Whether what was seen, and not distance alone, makes a part likely to be worn."""
    return risk.degraded >= WORTH_TELLING and risk.degraded >= min(MOVED * risk.prior, 1.0 - (1.0 - risk.prior) / MOVED)


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
