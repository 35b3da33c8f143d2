"""How a plan says money, hours, chances and distances."""

from __future__ import annotations

from collections.abc import Sequence

from obdwatch.units import KM_PER_MILE, distance_text

OWN_CURRENCY = "Amounts are in your own currency."
"""Said once where amounts stand that no file of the keeper's gives a currency."""


def money(amount: float, currency: str) -> str:
    """Return an amount in whole units of the user's currency.

    >>> money(1234.4, "EUR"), money(80.0, "")
    ('1,234 EUR', '80')
    """
    return f"{round(amount) + 0:,.0f} {currency}".rstrip()


def working_time(hours: float) -> str:
    """Return a time at work.

    >>> working_time(0.5), working_time(1.0), working_time(2.25)
    ('30 minutes', '1 hour', '2.2 hours')
    """
    if hours < 0.95:
        return f"{max(5, round(hours * 12) * 5)} minutes" if hours > 0 else "no time"
    whole = round(hours, 6)  # what sums leave behind must not decide how half a tenth is said
    text = f"{whole:.1f}".removesuffix(".0")
    return f"{text} hour{'' if text == '1' else 's'}"


def chance(probability: float) -> str:
    """Return a probability; nothing is said to be certain.

    >>> chance(0.234), chance(0.002), chance(0.9999)
    ('23%', 'under 1%', 'over 99%')
    """
    if probability < 0.01:
        return "under 1%"
    return "over 99%" if probability > 0.99 else f"{probability:.0%}"


def distance(miles: float, units: str) -> str:
    """Return a distance of the planner's, in miles, in the reader's units.

    >>> distance(10000.0, "us"), distance(10000.0, "metric")
    ('10,000 miles', '16,000 km')
    """
    return distance_text(miles * KM_PER_MILE, units)


def listed(names: Sequence[str]) -> str:
    """Return names as a sentence lists them.

    >>> listed(["a", "b", "c"])
    'a, b and c'
    """
    return f"{', '.join(names[:-1])} and {names[-1]}" if len(names) > 1 else "".join(names)


def capital(text: str) -> str:
    """Return a text with a capital letter in front.

    >>> capital("coolant pump")
    'Coolant pump'
    """
    return text[:1].upper() + text[1:]


def sentence(text: str) -> str:
    """Return a text with a capital letter in front and a full stop behind.

    >>> sentence("the pump is worn")
    'The pump is worn.'
    """
    text = text.strip()
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")
