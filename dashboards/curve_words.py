"""What a curve shows in one plain sentence, and what its band is; pure functions, no markup."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from dashboards.wording import number, quantities, quantity
from obdwatch.curves.curve import Curve
from obdwatch.records import Measure
from obdwatch.units import screen_unit

TITLES: Mapping[str, str] = {
    "warm_up": "Warming up",
    "fuel_trims": "Fuel correction over air flow",
    "air_filling": "Air at full throttle",
    "misfire": "Misfires by cylinder",
    "cranking": "The start of the engine",
}
FEW = 20.0
"""Misfires below which nothing is raised in a drive (the detector's own floor)."""

SHORT = 1.0
"""Minutes outside of the band that are not worth a word."""


def title(curve: Curve) -> str:
    """The heading of a picture."""
    return TITLES.get(curve.kind, curve.kind.replace("_", " "))


def sentence(curve: Curve, units: str) -> str:
    """What the picture shows."""
    return _SENTENCES[curve.kind](curve, units)


def caption(curve: Curve) -> str:
    """What the band is; the same for every drive."""
    own = curve.fact("own_baseline") is not None
    return {
        "warm_up": "The band: where 95 of 100 sound cars like this one would have been with the same fuel, speed and"
        f" outside air{', and this car’s own earlier warm-ups' if own else ''}.",
        "fuel_trims": "Each dot is up to ten seconds of steady warm driving, governed by the oxygen sensor. The band:"
        f" {'this car’s own healthy drives' if own else 'the tolerances of a sound car nobody knows yet'}.",
        "air_filling": "The line is the fullest of each 500 rpm: gear changes only take air away.",
        "misfire": "Shares of all firings over the whole drive. The limit is meant for 1,000 turns at a time.",
        "cranking": "The line, behind the first tenth of a second: the least of a sound battery and starter at this"
        " temperature"
        f"{', or of this car’s own earlier starts' if own else ''}.",
    }[curve.kind]


def _value(curve: Curve, name: str) -> float:
    fact = curve.fact(name)
    return fact.value if fact is not None else 0.0


def _ends(fact: Measure, units: str) -> str:
    if fact.expected is None:
        return "an unknown range"
    low, high = fact.expected
    digits = _DIGITS.get(fact.unit, 1)
    return quantities((round(low, digits), round(high, digits)), fact.unit, units)


def _said(fact: Measure, units: str) -> str:
    return quantity(round(fact.value, _DIGITS.get(fact.unit, 1)), fact.unit, units)


_DIGITS: Mapping[str, int] = {"degC": 0, "1/min": 0, "min": 0}
"""Digits behind the point that a reader wants in a sentence; one where nothing is said."""


def _warm_up(curve: Curve, units: str) -> str:
    total, furthest, last = _value(curve, "minutes"), curve.fact("furthest"), curve.fact("last")
    for name, word in (("colder", "colder"), ("hotter", "hotter")):
        outside = _value(curve, name)
        if outside > SHORT and furthest is not None:
            return (
                f"For {outside:.0f} of {total:.0f} minutes the coolant was {word} than this car’s should have"
                f" been on this drive; furthest after {_value(curve, 'furthest_at'):.0f} minutes:"
                f" {_said(furthest, units)}, where {_ends(furthest, units)} was expected."
            )
    end = f": at the end {_said(last, units)}, where {_ends(last, units)} was expected" if last is not None else ""
    return f"The coolant rose as this car’s should on this drive{end}."


def _fuel_trims(curve: Curve, units: str) -> str:
    told = []
    for where, words in (("idle", "at idle"), ("flow", "with air flowing")):
        found = [(bank, fact) for bank in (1, 2) if (fact := curve.fact(f"{where}_bank_{bank}")) is not None]
        if not found:
            told.append(f"{words} it was not driven")
            continue
        both = " and ".join(
            f"{_said(fact, units)}{f' on bank {bank}' if len(found) > 1 else ''}" for bank, fact in found
        )
        told.append(f"{words} {both}, where {_ends(found[0][1], units)} was expected")
    return f"The fuel correction: {'; '.join(told)}.{_leak(curve, units)}"


def _leak(curve: Curve, units: str) -> str:
    """Air past the sensor, where the idle is beyond its range and the fit is sure of a leak."""
    leaks = []
    for bank in (1, 2):
        leak, idle = curve.fact(f"leak_bank_{bank}"), curve.fact(f"idle_bank_{bank}")
        if leak is None or idle is None or leak.interval is None or idle.expected is None:
            continue
        if leak.interval[0] > 0.0 and idle.value > idle.expected[1]:
            leaks.append(leak.value)
    if not leaks:
        return ""
    share = quantity(float(np.mean(leaks)), "%", units)
    return f" The fitted curve is that of a leak: {share} of the idle air is not measured."


def _air_filling(curve: Curve, units: str) -> str:
    missing, own = curve.fact("missing"), curve.fact("own_drives")
    if missing is None or missing.expected is None:
        return "There is nothing to compare with yet: after three drives with full throttle the car has its own record."
    share = quantity(round(abs(missing.value), 1), "%", units)
    limit = quantity(missing.expected[1], "%", units)
    less = missing.value >= 0.0
    if own is None:
        against = "full load"
        what = "that of full load" if share == "0%" else f"{share} {'short of' if less else 'above'} full load"
        text = f"At full throttle the load that the car reckons was {what}; from {limit} less on it counts."
    else:
        against = f"in its own {number(own.value)} earlier drives"
        what = "the same air as" if share == "0%" else f"{share} {'less' if less else 'more'} air than"
        text = f"At full throttle the engine got {what} {against}; from {limit} less on it counts."
    low, high, split = (curve.fact(name) for name in ("missing_low", "missing_high", "split"))
    if low is None or high is None or split is None:
        return text
    return (
        f"Below {_said(split, units)} {_said(low, units)} of the air is missing, above it {_said(high, units)},"
        f" against {'what it got ' if own is not None else ''}{against}."
    )


def _misfire(curve: Curve, units: str) -> str:
    total, turns, worst = _value(curve, "total"), f"{_value(curve, 'turns'):,.0f}", _value(curve, "worst_count")
    if total < 1.0:
        return f"Not one misfire was counted in {turns} turns of the engine."
    share, window = curve.fact("share"), curve.fact("worst_window")
    if total < FEW or share is None:
        several = "misfire was" if total < 1.5 else "misfires were"
        return f"{total:,.0f} {several} counted in {turns} turns of the engine; so few are normal."
    limit = f"the {'car’s own limit' if curve.fact('own_limit') is not None else 'lowest limit of the regulations'}"
    ends = share.expected[1] if share.expected is not None else float("nan")
    text = (
        f"Cylinder {_value(curve, 'worst_cylinder'):.0f} counted {worst:,.0f} of {total:,.0f} misfires in {turns}"
        f" turns: {quantity(share.value, '%', units)} of all firings failed"
    )
    if window is None:
        return f"{text}."
    worst_window = quantity(window.value, "%", units)
    return f"{text}, in the worst 1,000 turns {worst_window}; {limit} is {quantity(ends, '%', units)}."


def _cranking(curve: Curve, units: str) -> str:
    coolant = curve.fact("coolant")
    told = []
    for name, words in (("speed", "the starter turned the engine with"), ("voltage", "the voltage held")):
        fact = curve.fact(name)
        if fact is None or fact.expected is None:
            continue
        few = ", from few readings" if _value(curve, f"{name}_readings") < 3.0 else ""
        told.append(
            f"{words} {_said(fact, units)} (at least {quantity(fact.expected[0], fact.unit, units)} expected{few})"
        )
    ran = "the engine fired" if _value(curve, "fired") else "the engine did not fire"
    at = f"At {_said(coolant, units)} " if coolant is not None else ""
    text = f"{at}{' and '.join(told)}; {ran} after {quantity(_value(curve, 'lasted'), 's', units)}."
    return text[0].upper() + text[1:]


_SENTENCES: Mapping[str, Callable[[Curve, str], str]] = {
    "warm_up": _warm_up,
    "fuel_trims": _fuel_trims,
    "air_filling": _air_filling,
    "misfire": _misfire,
    "cranking": _cranking,
}


def axis_words(words: str, unit: str, units: str) -> str:
    """What runs along an axis, with its unit where the words do not begin with it."""
    if unit in ("min", "s"):
        return words
    return f"{words}, {name}" if (name := screen_unit(unit, units).name) else words


def spoken(curve: Curve, units: str) -> str:
    """The picture for whoever cannot see it; the table below has the numbers."""
    return f"Picture: {title(curve)}. {sentence(curve, units)} The table below has the numbers."
