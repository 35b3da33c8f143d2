"""What the warm-up detector found, in plain language: one function per kind of answer."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from obdwatch.explanations.cooling_words import DRIVE_GENTLY
from obdwatch.explanations.wording import Numbers, Words
from obdwatch.records import Finding, Verdict

MISSING: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "started_warm": (
            "The engine was already warm: this drive cannot show how it warms up.",
            "The coolant was too warm at the start for a warm-up to be seen.",
        ),
        "too_short": (
            "The coolant was still warming up: too little of the warm-up was seen to judge the thermostat.",
            "A healthy engine need not have come to its working temperature with the heat of so little fuel.",
        ),
        "undecided": (
            "The warm-up could be a healthy one or a thermostat that leaks a little: this drive cannot tell.",
            "Heater, weather and heat losses explain the curve about as well as a fault does.",
        ),
        "still_rising": (
            "The coolant was above its usual working temperature at the end and had not settled.",
            "Whether the thermostat opens late cannot be told before the temperature stands still.",
        ),
        "overheated": (
            "The engine got too hot: the thermostat cannot be judged on its own from this drive.",
            "What is wrong with the cooling is judged separately; that comes first.",
        ),
        "unexplained": (
            "The coolant temperature follows neither a healthy engine nor any of the known thermostat faults.",
            "Something the recording does not show heats or cools the engine, or the fuel estimate is wrong.",
        ),
        "sampling_too_slow": (
            "The recording is too slow: too few readings to follow the warm-up.",
            "Between two readings the engine changes more than the judgement can bear.",
        ),
        "coolant_missing": (
            "There is no usable coolant temperature in this recording.",
            "Without it the warm-up cannot be judged.",
        ),
        "heat_missing": (
            "The recording does not show how much fuel the engine burnt.",
            "Minutes alone do not tell a slow warm-up from a short or gentle drive.",
        ),
        "air_temperature_missing": (
            "The recording shows neither outside nor intake air temperature.",
            "How fast an engine cools depends on the air around it.",
        ),
        "coolant_jumps": (
            "The coolant temperature jumps: sensor or plug come first, the thermostat was not judged.",
            "Readings rise by 8 K within seconds, again and again; coolant cannot do that.",
        ),
        "coolant_not_rational": (
            "The coolant temperature cannot be right: sensor or plug come first, the thermostat was not judged.",
            "It reads at the end of its scale, or far below the air around the car.",
        ),
        "coolant_frozen": (
            "The coolant temperature does not move: sensor or plug come first, the thermostat was not judged.",
            "It stayed within 1 K although the fuel that was burnt should have warmed it clearly.",
        ),
        "coolant_disagrees_cold": (
            "After a long stand coolant and air temperature disagree: the thermostat was not judged.",
            "After eight hours all sensors should show the same within 5 K. A block heater does this too.",
        ),
    }
)
"""Headline and reason by what was missing; the texts of `detectors.warm_up.DRIVE_TO_GET` say what to drive."""


CHECK_HOSE = "To check: start cold and feel the hose to the radiator; it must stay cold for the first minutes."


def warm_up_words(finding: Finding, units: str) -> Words:
    """Word a finding of the warm-up detector."""
    numbers = Numbers(finding, units)
    if finding.verdict is Verdict.NOT_ENOUGH_DATA:
        return _missing(finding, numbers)
    if finding.verdict is Verdict.HEALTHY:
        return _healthy(numbers)
    return FAULTS.get(finding.signature, _slow)(numbers)


def _missing(finding: Finding, numbers: Numbers) -> Words:
    headline, reason = MISSING.get(finding.signature, ("This drive cannot tell how the engine warms up.", ""))
    if numbers.get("coolant_at_end") is None:
        return Words(headline, (reason,) if reason else ())
    return Words(headline, (_driven(numbers), _at_end(numbers), reason))


def _healthy(numbers: Numbers) -> Words:
    reasons = [_driven(numbers), _at_end(numbers)]
    if numbers.get("regulating_temperature") is not None:
        level = numbers.interval("regulating_temperature")
        reasons.append(f"It settled at {numbers.say('regulating_temperature')} (range {level}).")
    reasons.append(
        f"While cold it lost {numbers.say('cold_loss')} of heat at 50 km/h; a shut thermostat leaves"
        f" {numbers.expected('cold_loss')}. {PER_DEGREE}"
    )
    return Words("The engine warms up as it should for the fuel it burnt and the weather.", tuple(reasons))


def _stuck_open(numbers: Numbers) -> Words:
    reasons = (
        _driven(numbers),
        _telling(numbers),
        f"While cold it lost {numbers.say('cold_loss')} of heat at 50 km/h (range {numbers.interval('cold_loss')});"
        f" with a shut thermostat it is {numbers.expected('cold_loss')}, cabin heater included. {PER_DEGREE}",
        f"That fits a thermostat about {numbers.say('open_while_cold')} open when it should be shut"
        f" (range {numbers.interval('open_while_cold')}).",
        CHECK_HOSE,
    )
    return Words("The thermostat does not shut: coolant runs through the radiator while the engine is cold.", reasons)


def _opens_low(numbers: Numbers) -> Words:
    reasons = (
        _driven(numbers),
        _telling(numbers),
        f"The coolant stops rising at about {numbers.say('opening_temperature')}"
        f" (range {numbers.interval('opening_temperature')}); it should do so at"
        f" {numbers.expected('opening_temperature')}.",
        "Up to there it warms at a healthy rate, so it is the opening and not a leak; a sensor that reads low looks the"
        " same: compare it with a thermometer.",
    )
    return Words("The thermostat opens at too low a temperature.", reasons)


def _opens_late(numbers: Numbers) -> Words:
    level = numbers.get("regulating_temperature")
    settled = f"; later it stayed at {numbers.say('regulating_temperature')}" if level is not None else ""
    reasons = (
        _driven(numbers),
        f"The coolant went on rising to {numbers.say('hottest_coolant')}, then fell suddenly{settled}.",
        "A sound thermostat lets it overshoot by a few degrees only: this one stuck and then gave way. One day it"
        " may not.",
        DRIVE_GENTLY,
    )
    return Words("The thermostat opens late: the engine gets too hot before it lets go.", reasons)


def _slow(numbers: Numbers) -> Words:
    reasons = (
        _driven(numbers),
        _telling(numbers),
        "The expected range is this car's own, from its earlier healthy warm-ups.",
        CHECK_HOSE,
    )
    return Words("The engine warms up more slowly than it used to.", reasons)


def _driven(numbers: Numbers) -> str:
    return (
        f"The warm-up was followed for {numbers.minutes('duration')}, from {numbers.say('coolant_at_start')} on, with"
        f" {numbers.say('outside_air')} outside and {numbers.say('mean_speed')} on average.{_roughly(numbers)}"
    )


def _roughly(numbers: Numbers) -> str:
    heat = numbers.get("fuel_heat")
    if heat is None or heat.interval is None or heat.interval[1] < ROUGH * heat.interval[0]:
        return ""
    return " The fuel burnt is known only roughly from what this car reports, and the judgement allows for that."


def _at_end(numbers: Numbers) -> str:
    return (
        f"The coolant ended at {numbers.say('coolant_at_end')}; a healthy engine with the same fuel, speed and air"
        f" would be at {numbers.expected('coolant_at_end')}."
    )


def _telling(numbers: Numbers) -> str:
    expected = numbers.expected("coolant_at_telling_time")
    return (
        f"After {numbers.minutes('telling_time')} the coolant stood at {numbers.say('coolant_at_telling_time')}; a"
        f" healthy engine with the same fuel, speed and air would have been at {expected}."
    )


PER_DEGREE = "W/K are watts for each degree Celsius that it is warmer than the air."
ROUGH = 2.0
"""Upper over lower end of a range from which a reader should be told that it is wide."""

FAULTS: Mapping[str, Callable[[Numbers], Words]] = MappingProxyType(
    {
        "stuck_open": _stuck_open,
        "opens_low": _opens_low,
        "opens_late": _opens_late,
        "slow": _slow,
    }
)
"""Who words which fault."""
