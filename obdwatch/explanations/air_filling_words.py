"""What the air filling detector found, in plain language: one function per kind of answer."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from obdwatch.explanations.wording import Numbers, Words
from obdwatch.records import Finding, Verdict

MISSING: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "diesel": (
            "This check of the engine's air is for petrol engines only.",
            "A diesel takes in all the air it can at any load, so a loss means something else there.",
        ),
        "air_not_measured": (
            "This car does not measure its air, so this tool cannot tell whether some is missing.",
            "The car works its air out from manifold pressure and a stored table. A flap or a cam that sticks does"
            " not show in such a number. The pressure at idle is all that is left.",
        ),
        "no_pull": (
            "No full throttle in this drive: how full the engine gets was not seen.",
            "A loss of air shows at full throttle. At part throttle the driver's foot makes up for it.",
        ),
        "pull_too_short": (
            "Full throttle was too short, or read too seldom, to judge the engine's air.",
            "The first second after the pedal goes down does not count: the manifold is still filling up.",
        ),
        "low_speeds_unseen": (
            "What was seen at full throttle is in order, but low engine speeds were missing.",
            "The flaps in the intake of this car work at low and middle speeds: they cannot be judged from this drive.",
        ),
        "signals_missing": (
            "The recording lacks the signals that show how full the engine gets.",
            "It takes engine speed, throttle and a measured load or air flow.",
        ),
        "no_reference": (
            "How full the engine gets was measured, but there is nothing yet to compare it with.",
            "An engine with a turbo, or one whose calculated load is missing or too simple, is judged by its own"
            " earlier drives only.",
        ),
    }
)
"""Headline and reason by what was missing."""

FLAP_WARNING = "A broken flap can be drawn into the engine: if something rattles in the intake, do not drive on."


def air_filling_words(finding: Finding, units: str) -> Words:
    """Word a finding of the air filling detector."""
    numbers = Numbers(finding, units)
    if finding.verdict is Verdict.NOT_ENOUGH_DATA:
        headline, reason = MISSING.get(finding.signature, ("This drive cannot tell how full the engine gets.", ""))
        return Words(headline, tuple(one for one in (*_pulls(numbers), *_idle(numbers), reason) if one))
    if finding.verdict is Verdict.HEALTHY:
        return Words("The engine gets the air it should at full throttle.", _healthy(numbers))
    return FAULTS.get(finding.signature, _everywhere)(finding, numbers)


def _healthy(numbers: Numbers) -> tuple[str, ...]:
    missing = numbers.get("air_missing")
    if missing is None:
        return _pulls(numbers)
    if missing.value < LITTLE:
        return (*_pulls(numbers), f"Nothing is missing against {_against(numbers)}.")
    return (
        *_pulls(numbers),
        f"It lies {numbers.say('air_missing')} below {_against(numbers)}, which is within reason.",
    )


def _low(finding: Finding, numbers: Numbers) -> Words:
    flap = finding.parts[:1] == ("intake_flap_actuator",)
    headline = "The engine gets too little air at low and middle speeds"
    reasons = [*_pulls(numbers), _split(numbers)]
    if flap:
        reasons += [
            "That is the range the flaps in the intake are there for.",
            "To check: engine off, look at the flap actuator, its rod and its vacuum hose or plug.",
            FLAP_WARNING,
        ]
        return Words(f"{headline}: the intake flaps may not move.", tuple(reasons))
    reasons.append("This car has no flaps; a cam that does not come forward takes air at low speeds as well.")
    reasons.append("To check: oil level and oil age, then the solenoid of the cam and the mass air flow sensor.")
    return Words(f"{headline}.", tuple(reasons))


def _high(finding: Finding, numbers: Numbers) -> Words:
    cams = [part for part in finding.parts if part.startswith("cam_timing")]
    reasons = [*_pulls(numbers), _split(numbers)]
    if cams:
        reasons.append("A cam that stays back takes air at high speeds; so does an exhaust that is partly blocked.")
        reasons.append(
            "To check: oil level and when the oil was changed, then the solenoid of the cam. On many engines it can be"
            " swapped with the other one as a test."
        )
        return Words("The engine gets too little air at high speeds: look at the cam timing first.", tuple(reasons))
    reasons.append("The more air has to pass, the more is missing: that points to something in its way.")
    reasons.append("To check: the air filter, then the pressure before the catalyst at high engine speed.")
    return Words("The engine gets too little air at high speeds: something may block its way.", tuple(reasons))


def _everywhere(finding: Finding, numbers: Numbers) -> Words:
    cams = [part for part in finding.parts if part.startswith("cam_timing")]
    reasons = [
        *_pulls(numbers),
        f"Over the engine speeds seen {numbers.say('air_missing')} is missing against {_against(numbers)}."
        if numbers.get("air_missing") is not None
        else f"Even where it is fullest it reaches {numbers.say('full_throttle_filling')};"
        f" {numbers.expected('full_throttle_filling')} is usual.",
        "To check, cheapest first: air filter and its duct, the mass air flow sensor, then the exhaust for a block.",
    ]
    if cams:
        reasons.append("A cam that stays back does this too: check oil level and oil age, then its solenoid.")
    return Words("The engine gets too little air at all speeds, or the sensor reads too little.", tuple(reasons))


def _reading(_finding: Finding, numbers: Numbers) -> Words:
    reasons = (
        *_pulls(numbers)[:1],
        f"The reading is {numbers.say('air_missing')} below {_against(numbers)}.",
        "But the engine adds fuel for air that was not counted: so the air is there and the reading is short.",
        "To check: the mass air flow sensor for dirt, and the duct behind it for a leak.",
    )
    return Words("The car reads too little air: the sensor is to blame, or air comes in behind it.", reasons)


def _overlap(_finding: Finding, numbers: Numbers) -> Words:
    reasons = (
        f"At hot idle the pressure in the manifold is {numbers.say('hot_idle_pressure')},"
        f" {numbers.say('idle_pressure_rise')} more than this car used to have.",
        f"For that pressure it draws in less air than before: {numbers.say('idle_breathing_change')}. Air conditioning"
        " or a gear would raise both together.",
        "That fits exhaust gas that flows back at idle, as when a cam does not go back to its place.",
        "To check: oil level and oil age, then the solenoid of the cam timing.",
    )
    return Words("At idle, exhaust gas gets back into the intake: a cam may not return to its place.", reasons)


def _pulls(numbers: Numbers) -> tuple[str, ...]:
    if numbers.get("lowest_speed_seen") is None:
        return ()
    seen = (
        f"Seen: {numbers.minutes('full_throttle_time')} at full throttle, from {numbers.say('lowest_speed_seen')} to"
        f" {numbers.say('highest_speed_seen')}."
    )
    filled = numbers.get("full_throttle_filling")
    if filled is None:
        return (seen,)
    return (
        seen,
        f"At best the cylinders fill to {numbers.say('full_throttle_filling')}, weather and altitude allowed for.",
    )


def _idle(numbers: Numbers) -> tuple[str, ...]:
    if numbers.get("hot_idle_pressure") is None:
        return ()
    return (f"The manifold pressure at hot idle is {numbers.say('hot_idle_pressure')}.",)


def _split(numbers: Numbers) -> str:
    return (
        f"Below {numbers.say('split_speed')} {_missing(numbers, 'air_missing_low')}, above it"
        f" {_missing(numbers, 'air_missing_high')}, against {_against(numbers)}."
    )


def _missing(numbers: Numbers, name: str) -> str:
    measure = numbers.get(name)
    if measure is not None and measure.value < LITTLE:
        return "nothing is missing"
    return f"{numbers.say(name)} of the air is missing" if name.endswith("low") else f"{numbers.say(name)}"


def _against(numbers: Numbers) -> str:
    drives = numbers.get("own_history_drives")
    if drives is not None and drives.value > 0.0:
        return f"this car's own {drives.value:.0f} earlier drives"
    return "what the car's own computer expects at full throttle"


LITTLE = 1.0
"""Loss [%] below which a reader is told that nothing is missing: the repeatability of a reading."""

FAULTS: Mapping[str, Callable[[Finding, Numbers], Words]] = MappingProxyType(
    {
        "low_speeds": _low,
        "high_speeds": _high,
        "everywhere": _everywhere,
        "air_reading_low": _reading,
        "idle_overlap": _overlap,
    }
)
"""Who words which fault."""
