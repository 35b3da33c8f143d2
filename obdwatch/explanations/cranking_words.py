"""What the cranking detector found, in plain language."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from obdwatch.explanations.wording import Numbers, Words
from obdwatch.records import Finding, Verdict

MISSING: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "speed_missing": (
            "There is no usable engine speed in this recording: the start cannot be judged.",
            "Without it nobody can tell when the starter turned.",
        ),
        "started_running": (
            "The engine was already running: this recording does not show how it starts.",
            "The first reading came after the starter had done its work.",
        ),
        "never_started": (
            "The engine was not started in this recording.",
            "The engine speed stayed at zero from the first reading to the last.",
        ),
        "asleep": (
            "The control units sleep while the starter turns: this car does not show its cranking.",
            "They sent too little while the starter turned. Many cars do this; it is no fault.",
        ),
        "too_few_readings": (
            "Too few readings came while the starter turned.",
            "It takes three readings each of speed and voltage; one or two may be the jerk at the beginning.",
        ),
        "voltage_missing": (
            "There is no usable voltage in this recording: the battery cannot be judged.",
            "Speed alone does not tell a weak battery from a weak starter.",
        ),
    }
)
"""Headline and reason by what was missing; the texts of `detectors.cranking.DRIVE_TO_GET` say what to do."""

INRUSH = "The shortest dip, when the starter jerks into motion, is too fast for this link and was left out."
CHECK_STARTER = (
    "To check: in neutral, hands clear of belt and fan, measure the voltage from the battery post to the starter"
    " terminal while a helper cranks. Do the same from the minus post to the engine block. More than half a volt"
    " means bad cables, less means the starter itself."
)
CHECK_BATTERY = (
    "To check: clean and tighten the battery clamps, charge the battery fully, let it rest overnight, and have it load"
    " tested."
)


def cranking_words(finding: Finding, units: str) -> Words:
    """Word a finding of the cranking detector."""
    numbers = Numbers(finding, units)
    if finding.verdict is Verdict.NOT_ENOUGH_DATA:
        return _missing(finding, numbers)
    if finding.verdict is Verdict.HEALTHY:
        return Words("The engine starts as it should.", (*_seen(numbers), *_low(numbers), INRUSH, _baseline(numbers)))
    headline, reasons = FAULTS.get(finding.signature, _plain)(numbers)
    return Words(headline, (*_seen(numbers), *reasons))


def _missing(finding: Finding, numbers: Numbers) -> Words:
    headline, reason = MISSING.get(finding.signature, ("This recording cannot tell how the engine starts.", ""))
    reasons = [reason] if reason else []
    if numbers.get("resting_voltage") is not None:
        reasons.append(f"Before the start the voltage was {numbers.say('resting_voltage', 2)}: {_charged(numbers)}.")
        reasons.extend(_low(numbers))
    if numbers.get("cranking_voltage") is not None:
        reasons.append(
            f"The starter pulled it down to {numbers.say('cranking_voltage', 1)}, as a sound battery allows."
        )
    if numbers.get("start_within") is not None:
        reasons.append(f"The engine ran within {numbers.say('start_within', 1)} of standing still.")
    if numbers.get("speed_readings") is not None and finding.signature == "too_few_readings":
        reasons.append(
            f"Seen: {numbers.say('speed_readings').strip()} of engine speed,"
            f" {numbers.say('voltage_readings').strip()} of voltage."
        )
    return Words(headline, tuple(reasons))


def _seen(numbers: Numbers) -> list[str]:
    """What was measured, sentence by sentence; nothing that was not."""
    seen = []
    at = f" with the coolant at {numbers.say('coolant_at_start')}" if numbers.get("coolant_at_start") else ""
    if numbers.get("resting_voltage"):
        seen.append(f"Before the start{at} the voltage was {numbers.say('resting_voltage', 2)}: {_charged(numbers)}.")
    if numbers.get("cranking_voltage"):
        speed = f" and turned the engine at {numbers.say('crank_speed')}" if numbers.get("crank_speed") else ""
        seen.append(f"The starter pulled it down to {numbers.say('cranking_voltage', 1)}{speed}.")
    elif numbers.get("crank_speed"):
        seen.append(f"The starter turned the engine at {numbers.say('crank_speed')}.")
    if numbers.get("time_to_fire"):
        seen.append(f"The engine ran after {numbers.say('time_to_fire', 1)} of cranking.")
    return seen


def _charged(numbers: Numbers) -> str:
    charge = numbers.get("charge_at_rest")
    if charge is not None and charge.value < EMPTY:
        return "the battery is all but empty"
    return f"the battery is about {numbers.say('charge_at_rest')} charged"


EMPTY = 10.0
"""Charge [%] below which a number would say more than a voltage at rest can tell (common practice)."""


def _low(numbers: Numbers) -> tuple[str, ...]:
    """A battery that is not full, though it is no fault yet."""
    charge = numbers.get("charge_at_rest")
    if charge is None or charge.expected is None or charge.value >= charge.expected[0]:
        return ()
    return ("That is not much. If it stays like this, charge the battery and have it tested before winter.",)


def _baseline(numbers: Numbers) -> str:
    earlier = numbers.get("earlier_starts")
    if earlier is None:
        return (
            "This was held against what any car should do. A starter that weakens slowly shows only against earlier"
            " starts of this car, so record some more."
        )
    return f"This agrees with {earlier.value:.0f} earlier starts of this car at about the same temperature."


def _collapses(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return (
        "The voltage falls too far while the starter turns: the battery is weak.",
        (
            f"At this temperature a sound battery stays within {numbers.expected('cranking_voltage', 1)}.",
            "A starter that binds pulls the voltage down as well, so test the battery first.",
            CHECK_BATTERY,
        ),
    )


def _weak(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return (
        "The battery looks weak: low before the start, and low while the starter turns.",
        ("Either number alone could be chance. Both together point to a worn or a discharged battery.", CHECK_BATTERY),
    )


def _weaker(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return (
        "The battery gives way more than it used to when the starter turns.",
        (
            f"The voltage fell by {numbers.say('voltage_sag', 1)}; on this car it used to be"
            f" {numbers.expected('voltage_sag', 1)} at this temperature.",
            "A worn battery does this, and so does one that is not full or has a bad clamp.",
            CHECK_BATTERY,
        ),
    )


def _slow_up(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return (
        "The starter turns slowly although the voltage holds: starter or starter cables.",
        (
            f"At this temperature a starter turns the engine at {numbers.expected('crank_speed')}.",
            "A weak battery would have shown a low voltage.",
            CHECK_STARTER,
        ),
    )


def _slow(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return (
        "The starter turns slowly, and the voltage is low too.",
        (
            f"At this temperature a starter turns the engine at {numbers.expected('crank_speed')}.",
            "A weak battery comes first. Oil too thick for the cold or a stiff engine would look the same.",
            CHECK_BATTERY,
        ),
    )


def _slower(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return (
        "The starter turns more slowly than it used to, and the voltage does not explain it.",
        (
            f"At this temperature and voltage it used to turn the engine at {numbers.expected('crank_speed')}.",
            "That points to the starter, its cables or the ground strap, not to the battery.",
            CHECK_STARTER,
        ),
    )


def _discharged(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return (
        "The battery is discharged.",
        (
            f"A good battery shows {numbers.expected('resting_voltage', 1)} before the start.",
            "Short trips, a light left on, a weak alternator or an old battery can be behind it.",
            "Charge it fully and see whether it holds. If not, it is worn, or something drains it at night.",
        ),
    )


def _lower(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return (
        "The battery holds less charge before the start than it used to.",
        (
            f"On this car it used to be {numbers.expected('resting_voltage', 2)} at this temperature.",
            "Short trips, a weak alternator, something that drains it at night or age can be behind it.",
            CHECK_BATTERY,
        ),
    )


def _late(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return (
        "The engine cranks for long before it fires, at a good speed.",
        (
            "Most petrol engines fire within two seconds. Battery and starter did their part.",
            "Fuel pressure that has leaked away, a weak fuel pump or worn plugs are usual causes.",
            "To check: turn the key on for three seconds, off, and on again before you start. If it then fires at once,"
            " the fuel pressure is the cause.",
        ),
    )


def _no_fire(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return (
        "The starter turns the engine well, but it does not fire.",
        (
            f"It was cranked for {numbers.say('cranked_for', 1)}. Battery and starter did their part.",
            "No fuel, no spark, or an immobiliser that blocks the start are usual causes.",
        ),
    )


def _plain(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return "The start of the engine was not as it should be.", (CHECK_BATTERY,)


FAULTS: Mapping[str, Callable[[Numbers], tuple[str, tuple[str, ...]]]] = MappingProxyType(
    {
        "voltage_collapses": _collapses,
        "battery_weak": _weak,
        "battery_weaker": _weaker,
        "slow_with_voltage_up": _slow_up,
        "slow": _slow,
        "slower_at_equal_voltage": _slower,
        "discharged": _discharged,
        "rests_lower": _lower,
        "long_time_to_fire": _late,
        "does_not_fire": _no_fire,
    }
)
"""Who words which fault."""
