"""What the idle detector found, in plain language: one function per kind of answer."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from obdwatch.explanations.wording import Numbers, Words
from obdwatch.records import Finding, Verdict

MISSING: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "diesel": (
            "This engine has no throttle in the usual sense: its idle is not judged.",
            "The test here is for petrol engines.",
        ),
        "speed_missing": (
            "Engine speed or vehicle speed is missing: the idle cannot be found in this recording.",
            "Only a car that stands with the engine running is idling.",
        ),
        "coolant_missing": (
            "There is no usable coolant temperature: it is not known whether the idle was a warm one.",
            "A cold engine idles faster and less evenly, and that is healthy.",
        ),
        "too_little_idle": (
            "The warm engine idled too little in this drive to judge it.",
            "Twenty seconds of standing still with a warm engine are the least.",
        ),
        "too_little_recorded": (
            "Only engine speed was recorded at idle: that is too little to judge it.",
            "A control keeps the speed where it should be; what it has to do for that is what tells.",
        ),
    }
)
"""Headline and reason by what was missing."""

CLEAN = "Cleaning with the right cleaner usually cures it; the closed position must then be learnt again."


def idle_quality_words(finding: Finding, units: str) -> Words:
    """Word a finding of the idle detector."""
    numbers = Numbers(finding, units)
    if finding.verdict is Verdict.NOT_ENOUGH_DATA:
        headline, reason = MISSING.get(finding.signature, ("This drive cannot tell how the engine idles.", ""))
        seen = (_seen(numbers),) if numbers.get("idle_speed") is not None else ()
        return Words(headline, (*seen, reason) if reason else seen)
    if finding.verdict is Verdict.HEALTHY:
        return _healthy(numbers)
    return FAULTS.get(finding.signature, _rough)(numbers)


def _healthy(numbers: Numbers) -> Words:
    past = (
        f"The throttle stands where it did on {_drives(numbers)} for the same air, within {_off(numbers)}."
        if numbers.get("throttle_shift") is not None
        else "Slow changes, such as deposits in the throttle, show only beside an earlier drive of this car."
    )
    return Words("The engine idles as it should.", (_seen(numbers), *_even(numbers), past))


def _deposits(numbers: Numbers) -> Words:
    reasons = (
        f"Idling and running lightly, the throttle stands {_off(numbers)} further open than on {_drives(numbers)} for"
        f" the same air (then {numbers.say('throttle_before', 1)}).",
        _seen(numbers),
        f"Deposits around the throttle plate do this. {CLEAN}",
    )
    return Words("The throttle has to open further than it used to: deposits are likely.", reasons)


def _extra_air(numbers: Numbers) -> Words:
    reasons = (
        f"At warm idle the throttle stands {_off(numbers, 'throttle_shut')} further shut than on {_drives(numbers)} for"
        " the same air.",
        _seen(numbers),
        "So air comes in elsewhere: a hose, a gasket, or the crankcase ventilation. This engine measures pressure and"
        " not air, so the fuel trims do not show it. A throttle cleaned lately looks the same: note it in the log.",
    )
    return Words("Air gets into the engine past the throttle.", reasons)


def _shut(numbers: Numbers) -> Words:
    reasons = (
        _seen(numbers),
        f"The throttle is shut ({numbers.say('idle_throttle', 1)}) and the engine still idles fast: it gets its air"
        " from somewhere else.",
        "Look for a loose hose, a torn gasket or a crankcase valve that stays open. A throttle stuck open behind its"
        " sensor is rare.",
    )
    return Words("The engine idles fast with its throttle shut: air comes in elsewhere.", reasons)


def _filling(numbers: Numbers) -> Words:
    reasons = (
        f"For the pressure in its manifold the engine takes in {numbers.say('filling_drop')} less air at idle than on"
        " its earlier drives, and the fuel trims agree.",
        _seen(numbers),
        *_even(numbers),
        "Exhaust gas flowing back does this: a cam that stays too far advanced or retarded at idle. The solenoid valves"
        " of the cam timing are the usual cause, and old oil is theirs.",
    )
    return Words("The cylinders fill worse at idle than they used to.", reasons)


def _pressure(numbers: Numbers) -> Words:
    reasons = (
        _seen(numbers),
        f"A sound engine idles at {numbers.expected('idle_pressure', _digits(numbers))}, and evenly.",
        *_even(numbers),
        "A cam that overlaps too much at idle does this. So may a large load, such as air conditioning: look again with"
        " everything switched off.",
    )
    return Words("The engine idles roughly, with too high a pressure in its manifold.", reasons)


def _hunting(numbers: Numbers) -> Words:
    reasons = (
        f"Engine speed swings by {numbers.say('hunting')} about its mean, every {numbers.say('hunting_period')} or so.",
        _seen(numbers),
        f"A sticky or dirty throttle, or air that comes in elsewhere, makes the control overshoot. {CLEAN}",
    )
    return Words("The idle hunts up and down.", reasons)


def _rough(numbers: Numbers) -> Words:
    reasons = (
        _seen(numbers),
        *_even(numbers),
        "A misfire is the usual cause: look at what is said of misfire first. An air leak or a cam out of place comes"
        " next.",
    )
    return Words("The engine idles roughly.", reasons)


def _fast(numbers: Numbers) -> Words:
    reasons = (
        _seen(numbers),
        f"Warm engines idle at {numbers.expected('idle_speed')}, and nothing here loads it.",
        "A leak, a throttle that does not shut or a cable without play are the usual causes.",
    )
    return Words("The warm engine idles too fast.", reasons)


def _idle_slow(numbers: Numbers) -> Words:
    reasons = (
        _seen(numbers),
        f"Warm engines idle at {numbers.expected('idle_speed')}; below that it may stall.",
        f"A dirty throttle is the usual cause. {CLEAN}",
    )
    return Words("The warm engine idles too slowly.", reasons)


def _seen(numbers: Numbers) -> str:
    said = f"Seen: {numbers.minutes('idle_seconds')} of settled warm idle, at {numbers.say('idle_speed')}"
    if numbers.get("idle_pressure") is not None:
        said += f" and {numbers.say('idle_pressure', _digits(numbers))} in the manifold"
    if numbers.get("idle_throttle") is not None:
        said += f", throttle {numbers.say('idle_throttle', 1)} open"
    return f"{said}."


def _digits(numbers: Numbers) -> int:
    return 1 if numbers.units == "us" else 0


def _even(numbers: Numbers) -> tuple[str, ...]:
    rough = numbers.get("roughness")
    if rough is None or rough.expected is None:
        return ()
    steady = "steady" if rough.value < rough.expected[1] else "rough"
    return (f"Quick changes of engine speed reach {numbers.say('roughness')}: that is {steady}.",)


def _off(numbers: Numbers, name: str = "throttle_shift") -> str:
    shift = numbers.get(name)
    return "an unknown amount" if shift is None else f"{abs(shift.value):.1f}%"


def _drives(numbers: Numbers) -> str:
    drives = numbers.get("earlier_drives")
    if drives is None:
        return "earlier drives"
    return "an earlier drive" if drives.value < 2.0 else f"{drives.value:.0f} earlier drives"


FAULTS: Mapping[str, Callable[[Numbers], Words]] = MappingProxyType(
    {
        "throttle_deposits": _deposits,
        "extra_air": _extra_air,
        "low_filling": _filling,
        "throttle_shut": _shut,
        "high_pressure": _pressure,
        "hunting": _hunting,
        "rough": _rough,
        "idle_fast": _fast,
        "idle_slow": _idle_slow,
    }
)
"""Who words which fault."""
