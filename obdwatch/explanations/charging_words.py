"""What the charging detector found, in plain language."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from obdwatch.explanations.wording import Numbers, Words
from obdwatch.records import Finding, Verdict

MISSING: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "speed_missing": (
            "There is no usable engine speed in this recording: charging cannot be judged.",
            "What a voltage means depends on how fast the engine turns.",
        ),
        "voltage_missing": (
            "There is no usable voltage in this recording: charging cannot be judged.",
            "Either the car does not report its voltage, or it was not chosen for recording.",
        ),
        "too_short": (
            "The drive was too short to judge the charging.",
            "In the first five minutes the battery takes back what the starter used, and the voltage settles.",
        ),
        "idle_only": (
            "The voltage was low, but the engine only idled: this cannot tell whether the alternator works.",
            "At idle an alternator gives half its current or less; heaters and fans can ask for more than that.",
        ),
        "heavy_load": (
            "The voltage stayed low: in this weather that can be the heaters, or a weak alternator.",
            "In the cold, window and seat heaters, blower and lights can ask for more than an alternator gives. The"
            " battery lost charge on this drive either way.",
        ),
        "perhaps_smart": (
            "The voltage stayed low: that can be a fault, or a car that saves fuel by charging only now and then.",
            "Such cars charge while they slow down. This drive had too little of that to tell.",
        ),
    }
)
"""Headline and reason by what was missing; the texts of `detectors.charging.DRIVE_TO_GET` say what to drive."""

MODULE = "The control unit reads a little less than a meter at the battery, up to half a volt."
CHECK_OUTPUT = (
    "To check: in the open air, measure at the battery posts at 2,000 rpm with lights and blower on. Below 13.2 V, look"
    " at the belt and the cable from the alternator first, then at the alternator."
)
CHECK_BELT = (
    "To check: with the engine off, look at the belt for shine, cracks and oil, and press it: more than about 1 cm of"
    " give means too little tension. Check the tensioner too."
)


def charging_words(finding: Finding, units: str) -> Words:
    """Word a finding of the charging detector."""
    numbers = Numbers(finding, units)
    if finding.verdict is Verdict.NOT_ENOUGH_DATA:
        headline, reason = MISSING.get(finding.signature, ("This drive cannot tell how the battery is charged.", ""))
        return Words(headline, (*_seen(numbers), reason) if reason else tuple(_seen(numbers)))
    if finding.verdict is Verdict.HEALTHY:
        return _healthy(numbers)
    headline, reasons = FAULTS.get(finding.signature, _plain)(numbers)
    return Words(headline, (*_seen(numbers), *reasons, *_pump(finding, numbers)))


def _seen(numbers: Numbers) -> list[str]:
    """The levels that were measured, sentence by sentence."""
    seen = []
    air = f" at {numbers.say('outside_air')} outside" if numbers.get("outside_air") else ""
    if numbers.get("charging_voltage"):
        seen.append(f"Above 1,500 rpm the voltage was {numbers.say('charging_voltage', 1)}{air}{_mostly(numbers)}.")
    elif numbers.get("running_voltage"):
        seen.append(f"With the engine running the voltage was {numbers.say('running_voltage', 1)}{air}.")
    if numbers.get("idle_voltage"):
        seen.append(f"At a warm idle it was {numbers.say('idle_voltage', 1)}.")
    return seen


def _mostly(numbers: Numbers) -> str:
    """Return how far the voltage moved, where that shows at all."""
    low, _, high = numbers.interval("charging_voltage", 1).partition(" to ")
    return f" (most of the time {low} to {high})" if high and f"{low} V" != high else ""


def _healthy(numbers: Numbers) -> Words:
    reasons = _seen(numbers)
    charging, idle = numbers.get("charging_voltage"), numbers.get("idle_voltage")
    if numbers.get("led_charging"):
        reasons.append(
            "This car leads its voltage on purpose: it charges while it slows down. A low voltage is no fault."
        )
        return Words("The battery is charged, in the way of a car that saves fuel.", tuple(reasons))
    if charging is not None and charging.expected is not None and charging.value < charging.expected[0]:
        reasons.append(
            f"That is a little below the usual {numbers.expected('charging_voltage', 1)}. {MODULE} Compare it once with"
            " a meter at the battery posts."
        )
    if idle is not None and idle.value < LOW_IDLE:
        reasons.append(
            "At idle the consumers took more than the alternator gives, as heaters, fan or air conditioner may. Long"
            " idling then drains the battery."
        )
    earlier = numbers.get("earlier_drives")
    if earlier is not None:
        reasons.append(f"It agrees with {earlier.value:.0f} earlier drives of this car in similar weather.")
    return Words("The alternator charges as it should.", tuple(reasons))


LOW_IDLE = 13.2
"""Below it [V] a battery is hardly charged (published trade reference): an idle is worth a word."""


def _pump(finding: Finding, numbers: Numbers) -> tuple[str, ...]:
    """On many cars the same belt drives the coolant pump: a hint, where the profile says so."""
    if "drive_belt" not in finding.parts[:1] or numbers.get("belt_drives_pump") is None:
        return ()
    return ("The same belt may drive the coolant pump: watch the temperature, and stop if it climbs.",)


def _over(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return (
        "The alternator charges with too high a voltage.",
        (
            f"In this weather it should be {numbers.expected('charging_voltage', 1)}. {MODULE}",
            "Too much voltage boils the battery dry and harms lamps and control units. The regulator, often a part of"
            " the alternator, is the usual cause; a bad ground cable comes next.",
            "To check: in the open air, measure at the battery posts at 2,000 rpm. A hot battery or a smell of rotten"
            " eggs means: switch off and let it cool, no flame near it.",
        ),
    )


def _dead(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return (
        "The alternator does not charge: the car runs from its battery.",
        (
            "The voltage is that of a battery that is being emptied, and more engine speed does not help.",
            "The engine will stop when the battery is empty, often within an hour. Switch off what you can and drive"
            " straight to where it can be mended.",
            "To check first, engine off: is the belt there, and are the plug and the cable of the alternator tight? If"
            " the belt is gone, do not drive on: on many cars it turns the coolant pump too.",
            CHECK_OUTPUT,
        ),
    )


def _under(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return (
        "The alternator charges too little.",
        (
            f"It should be {numbers.expected('charging_voltage', 1)}. {MODULE}",
            "The battery never gets full like this, and wears out early.",
            CHECK_OUTPUT,
        ),
    )


def _belt(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    fall = numbers.get("answer_to_rising_speed")
    by = f"{-fall.value:.1f} V" if fall is not None else "clearly"
    return (
        "The drive belt slips: the voltage dips whenever the engine speeds up.",
        (
            f"In {numbers.say('speed_rises').strip()} rises of engine speed the voltage fell by {by} on average. At"
            " other times it did not.",
            "A sound alternator holds its voltage or gains when it turns faster.",
            CHECK_BELT,
        ),
    )


def _idle(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return (
        "The alternator gives too little at idle.",
        (
            f"At idle it should hold {numbers.expected('idle_voltage', 1)} in mild weather with little switched on.",
            f"A little above idle it was {numbers.say('voltage_above_idle', 1)}, still short of the level at speed."
            " Below 12.7 V the battery gives current instead of taking it.",
            "If window heater, air conditioner and many lights were on together, this may be normal.",
            CHECK_OUTPUT,
        ),
    )


def _lower(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return (
        "The alternator charges with less voltage than it used to.",
        (
            f"On this car it used to be {numbers.expected('charging_voltage', 1)} in similar weather.",
            "A regulator holds its level within about 0.1 V, so a change like this has a cause.",
            *_still_enough(numbers),
            CHECK_OUTPUT,
        ),
    )


def _still_enough(numbers: Numbers) -> tuple[str, ...]:
    charging = numbers.get("charging_voltage")
    if charging is None or charging.value < LOW_IDLE:
        return ()
    return ("It still charges the battery; watch whether it falls further.",)


def _higher(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return (
        "The alternator charges with more voltage than it used to.",
        (
            f"On this car it used to be {numbers.expected('charging_voltage', 1)} in similar weather.",
            "A regulator holds its level within about 0.1 V. Watch whether it climbs further: above 15 V the battery"
            " boils.",
        ),
    )


def _late(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    most = numbers.expected("charging_delay", 2).rpartition(" to ")[2]
    return (
        "After the start the alternator takes over later than it used to: the drive belt may slip.",
        (
            f"It began to charge {numbers.say('charging_delay', 2)} after the engine ran; on this car it used to be"
            f" {most} at most in similar weather. That is an early sign, no proof.",
            "When the engine fires it speeds up faster than ever on the road, just when the battery wants back what the"
            " starter took. A worn or loose belt slips then first; listen for a chirp or a squeal.",
            CHECK_BELT,
        ),
    )


def _plain(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return "The charging was not as it should be.", (CHECK_OUTPUT,)


FAULTS: Mapping[str, Callable[[Numbers], tuple[str, tuple[str, ...]]]] = MappingProxyType(
    {
        "overcharges": _over,
        "not_charging": _dead,
        "undercharges": _under,
        "belt_slips": _belt,
        "weak_at_idle": _idle,
        "lower_than_before": _lower,
        "higher_than_before": _higher,
        "charges_late": _late,
    }
)
"""Who words which fault."""
