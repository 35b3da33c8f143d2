"""What the drives of a car say one after the other, in plain language: what moves, how far, and when it matters."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from fnmatch import fnmatchcase
from types import MappingProxyType

from obdwatch.explanations.wording import Numbers, Words
from obdwatch.records import Finding, Measure, Verdict
from obdwatch.units import distance_text

LABELS: Mapping[str, str] = MappingProxyType(
    {
        "warm_up/regulating_temperature": "the temperature at which the thermostat holds the coolant",
        "warm_up/cold_loss_rate": "the share of its warmth that the cold engine loses",
        "cooling/standing_level": "the coolant temperature while the hot car stands",
        "cooling/driving_level": "the coolant temperature on the road",
        "catalyst/survives_bank_*": "the share of the mixture's swing that comes through the catalyst",
        "oxygen_sensors/answer_bank_*": "the time the oxygen sensor takes to answer",
        "oxygen_sensors/rich_end": "the highest voltage of the oxygen sensor",
        "oxygen_sensors/lean_end": "the lowest voltage of the oxygen sensor",
        "misfire/misfire_percent": "the share of misfires",
        "fuel_trims/trim_at_idle": "the fuel correction at idle",
        "fuel_trims/trim_at_flow": "the fuel correction on the road",
        "fuel_trims/bank_difference": "the difference between the fuel corrections of the banks",
        "idle_quality/roughness": "the roughness of the idle",
        "idle_quality/idle_pressure": "the manifold pressure at idle",
        "idle_quality/idle_throttle": "the throttle opening at idle",
        "air_filling/full_throttle_filling": "the filling at full throttle",
        "air_filling/air_missing": "the air that is missing at full throttle",
        "ignition_timing/advance_under_load": "the ignition advance under load",
        "cranking/cranking_voltage": "the voltage while the starter turns",
        "cranking/crank_speed": "the speed at which the starter turns the engine",
        "cranking/resting_voltage": "the voltage of the battery at rest",
        "charging/charging_voltage": "the charging voltage",
        "charging/idle_voltage": "the charging voltage at idle",
        "charging/charging_delay": "the time from the start until the alternator charges",
    }
)
"""What the followed numbers are called, by detector and name."""

MISSING: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "too_few_drives": (
            "Too few drives to tell a trend yet.",
            "Some values scatter from drive to drive; a trend shows only when many lie in order.",
        ),
        "not_measured": (
            "A value that was moving was not measured on this drive.",
            "What was said of it before still stands: only a drive that measures it can show it gone.",
        ),
        "season_possible": (
            "A value has moved, but the turn of the seasons may be the reason.",
            "The outside temperature of the drives is not known, and they span less than a year.",
        ),
    }
)
"""Headline and reason by what was missing; `detectors.trends.DRIVE_TO_GET` says what to drive."""

CLOSED_END = 100_000.0, 3600.0  # km, d; a forecast that ends later has no end worth a number
CHANCE = "The order of the drives is too clear for chance, even with so many values followed at once."


CONFIRMED = (
    "The check of this drive finds it beyond its limit, and the drives before show that it grew to there; by chance"
    " alone they would lie in such an order once in a hundred times or less."
)


def trends_words(finding: Finding, units: str) -> Words:
    """Word a finding about what changes from drive to drive."""
    numbers = Numbers(finding, units)
    moving = [one for one in finding.measures if "/" in one.name]
    if finding.verdict is Verdict.NOT_ENOUGH_DATA:
        headline, reason = MISSING.get(finding.signature, ("The earlier drives tell nothing yet.", ""))
        if finding.signature == "not_measured" and moving:
            name = label(moving[0].name)
            last = f"{name[0].upper()}{name[1:]} was moving; when last measured it was {numbers.say(moving[0].name)}."
            return Words(headline, (last, reason))
        return Words(headline, tuple(text for text in (*_moved(numbers, moving[:1]), reason, _seen(numbers)) if text))
    if finding.verdict is Verdict.HEALTHY:
        reasons = (_seen(numbers), *_others(numbers, moving))
        return Words(
            "From drive to drive no value is seen to move steadily towards a limit.",
            tuple(text for text in reasons if text),
        )
    if not moving:
        return Words("A value of this car is moving.", ())
    name = label(moving[0].name)
    does = {
        "drifts_to_limit": "drifts towards its limit",
        "past_limit": "has reached its limit",
        "jumped": "has jumped to another level",
    }.get(finding.signature, "drifts steadily")
    headline = f"{name[0].upper()}{name[1:]} {does}."
    reasons = (*_moved(numbers, moving[:1]), _forecast(numbers), _sure(numbers), *_others(numbers, moving[1:]))
    return Words(headline, tuple(text for text in reasons if text))


def _sure(numbers: Numbers) -> str:
    return CONFIRMED if numbers.get("confirmed") is not None else CHANCE


def label(key: str) -> str:
    """Return what a followed number is called, with its bank or cylinder.

    >>> label("catalyst/survives_bank_2"), label("battery/resting_voltage")
    ("the share of the mixture's swing that comes through the catalyst, bank 2", 'resting voltage (battery)')
    """
    named = next((text for pattern, text in LABELS.items() if fnmatchcase(key, pattern)), None)
    detector, _, name = key.partition("/")
    place = re.search(r"_(bank|cylinder)_(\d+)$", name)
    if named is None:
        plain = re.sub(r"_(bank|cylinder)_(\d+)$", "", name).replace("_", " ")
        named = f"{plain} ({detector.replace('_', ' ')})"
    return f"{named}, {place[1]} {place[2]}" if place else named


def moved_words(first: float, now: float, unit: str, span: float, axis: str, units: str) -> str:
    """Say from where to where a number went, and within which `span` (`axis`: km or d).

    >>> moved_words(14.4, 13.42, "V", 9500.0, "km", "metric")
    'It went from 14.4 V to 13.4 V within 9,500 km.'
    """
    numbers = _numbers(units, Measure("first", first, unit), Measure("now", now, unit))
    digits = _digits(abs(now - first))
    return (
        f"It went from {numbers.say('first', digits)} to {numbers.say('now', digits)} within"
        f" {_length(numbers, span, axis)}."
    )


def forecast_words(limit: Measure, ahead: Measure, change: float, units: str) -> str:
    """Say how far it is to a limit, as a range; `change` [unit of the limit] sets the digits."""
    name = "distance_to_limit" if ahead.unit == "km" else "time_to_limit"
    level = replace(limit, name="first_level", value=limit.value - change)
    return _forecast(_numbers(units, replace(limit, name="limit"), level, replace(ahead, name=name)))


def _numbers(units: str, *measures: Measure) -> Numbers:
    return Numbers(Finding("", Verdict.HEALTHY, measures=measures), units)


def _moved(numbers: Numbers, moving: list[Measure]) -> list[str]:
    """From where to where, over how far."""
    first = numbers.get("first_level")
    if not moving or first is None:
        return []
    digits = _digits(abs(moving[0].value - first.value))
    name = label(moving[0].name)
    span = _span(numbers, "followed")
    since = _span(numbers, "since_jump")
    change = f"from {numbers.say('first_level', digits)} to {numbers.say(moving[0].name, digits)}"
    text = f"{name[0].upper()}{name[1:]} went {change} within {span}."
    return [f"{text} It jumped {since} ago." if since else text]


def _forecast(numbers: Numbers) -> str:
    """How far to the limit, as a range."""
    limit, first = numbers.get("limit"), numbers.get("first_level")
    if limit is None or first is None:
        return "There is no published limit for it; the change itself is the sign."
    said = numbers.say("limit", _digits(abs(limit.value - first.value)))
    ahead = numbers.get("distance_to_limit") or numbers.get("time_to_limit")
    if ahead is None or ahead.value <= 0.0:
        return f"Its limit is {said}."
    low, high = ahead.interval or (ahead.value, ahead.value)
    unit = "distance" if ahead.unit == "km" else "time"
    at_least = _length(numbers, low, ahead.unit)
    if high >= CLOSED_END[0 if unit == "distance" else 1]:
        return f"At this pace it meets its limit of {said} in {at_least} at the earliest, or much later."
    return f"At this pace it meets its limit of {said} in {at_least} to {_length(numbers, high, ahead.unit)}."


def _span(numbers: Numbers, what: str) -> str:
    for name in (f"distance_{what}", f"time_{what}"):
        measure = numbers.get(name)
        if measure is not None:
            return _length(numbers, measure.value, measure.unit)
    return ""


def _length(numbers: Numbers, value: float, unit: str) -> str:
    """A distance to two digits, or a time in days or months."""
    if unit == "km":
        return distance_text(value, numbers.units)
    return f"{value:.0f} days" if value < 60.0 else f"{value / 30.44:.0f} months"


def _digits(change: float) -> int:
    """Digits that show the change."""
    return 0 if change >= 5.0 else 1 if change >= 0.5 else 2 if change >= 0.05 else 3


def _seen(numbers: Numbers) -> str:
    followed, drives = numbers.get("numbers_followed"), numbers.get("drives_followed")
    if followed is None or drives is None or not followed.value:
        return ""
    return f"{followed.value:.0f} values are followed, over up to {drives.value:.0f} drives."


def _others(numbers: Numbers, moving: list[Measure]) -> list[str]:
    if not moving:
        return []
    said = "; ".join(
        f"{label(one.name)} (now {numbers.say(one.name, _digits(abs(one.value) / 20.0))})" for one in moving
    )
    return [f"Also moving, but not towards a limit that is near: {said}."]
