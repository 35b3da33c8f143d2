"""What the oxygen sensor detector found, in plain language: one function per kind of answer."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from obdwatch.explanations.wording import Numbers, Words
from obdwatch.records import Finding, Verdict

MISSING: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "diesel": (
            "This engine burns lean by design: its oxygen sensors are not judged.",
            "The tests here are for petrol engines, which hold the mixture at the point the sensor switches at.",
        ),
        "no_sensor": (
            "No oxygen sensor before the catalyst was recorded.",
            "Either the car does not report one in a standard way, or it was not asked for.",
        ),
        "sampling_too_slow": (
            "The oxygen sensors were read too seldom to judge them.",
            "A healthy sensor answers within half a second; readings several seconds apart cannot show it.",
        ),
        "too_few_cuts": (
            "Too few fuel cuts and too little steady driving to judge the oxygen sensor.",
            "How fast it sees the fuel come back after a roll-out in gear is the best test at this reading rate.",
        ),
        "no_swing": (
            "The sensor's voltage does not swing at cruise, but the mixture is right: it cannot be judged.",
            "Some cars report only a computed voltage for a wide-range sensor; a stuck sensor would drive the fuel"
            " trims far off.",
        ),
        "undecided": (
            "The oxygen sensor may be healthy or a little slow: this drive cannot tell.",
            "The readings do not place its answers closely enough.",
        ),
    }
)
"""Headline and reason by what was missing."""


def oxygen_sensors_words(finding: Finding, units: str) -> Words:
    """Word a finding of the oxygen sensor detector."""
    numbers = Numbers(finding, units)
    if finding.verdict is Verdict.NOT_ENOUGH_DATA:
        headline, reason = MISSING.get(finding.signature, ("This drive cannot tell how the oxygen sensors do.", ""))
        seen = _seen(numbers) if numbers.get("answer_after_cut") is not None else ()
        return Words(headline, (*seen, reason) if reason else seen)
    if finding.verdict is Verdict.HEALTHY:
        return _healthy(numbers)
    return FAULTS.get(finding.signature, _slow)(numbers)


def bank_name(numbers: Numbers) -> str:
    """Return " of bank 2" where the car has more banks than one, else nothing."""
    bank, banks = numbers.get("bank"), numbers.get("banks_seen")
    if bank is None or (banks is not None and banks.value < 2.0 and bank.value < 2.0):
        return ""
    return f" of bank {bank.value:.0f}"


def _healthy(numbers: Numbers) -> Words:
    reasons = [*_seen(numbers), *_behind(numbers), *_command(numbers), *_swings(numbers), *_rate(numbers)]
    if numbers.get("lean_after_cuts") is not None:
        reasons.append(
            "That is long, but the sensor is not to blame: the exhaust itself stays lean for a while after a cut. Look"
            " at the fuel trims for a leak or a weak injector."
        )
    several = numbers.get("banks_seen")
    plural = several is not None and several.value > 1.0
    return Words(f"The oxygen sensor{'s answer' if plural else ' answers'} as fast as a healthy one.", tuple(reasons))


def _slow(numbers: Numbers) -> Words:
    reasons = (
        *_seen(numbers),
        *_behind(numbers),
        *_command(numbers),
        *_swings(numbers),
        *_other(numbers),
        "A slow sensor costs fuel and in time the catalyst. To check: look for an exhaust leak and a damaged plug"
        " first, then compare with a new sensor.",
    )
    return Words(f"The oxygen sensor before the catalyst{bank_name(numbers)} answers too slowly.", reasons)


def _slow_after_cuts(numbers: Numbers) -> Words:
    reasons = (
        *_seen(numbers),
        *_swings(numbers),
        "Nothing else in this drive confirms it: a mixture that really stays lean after a cut looks the same. Check for"
        " air leaks before you buy a sensor.",
    )
    return Words(f"The oxygen sensor before the catalyst{bank_name(numbers)} seems slow after fuel cuts.", reasons)


def _weak(numbers: Numbers) -> Words:
    reasons = (
        *_swings(numbers),
        *_seen(numbers),
        "An aged or poisoned sensor swings less. An exhaust leak before it pulls the rich peaks down as well.",
    )
    return Words(f"The oxygen sensor before the catalyst{bank_name(numbers)} swings too little.", reasons)


def _stuck(numbers: Numbers, side: str, other: str) -> Words:
    reasons = (
        *_swings(numbers),
        f"The fuel trims have gone to {numbers.say('total_trim')} to make up for it: the engine now runs {other}.",
        "If trims and plugs say the mixture really is off, look there first; if not, it is the sensor or its wiring.",
    )
    return Words(f"The oxygen sensor before the catalyst{bank_name(numbers)} is stuck at {side}.", reasons)


def _stuck_lean(numbers: Numbers) -> Words:
    return _stuck(numbers, "lean", "rich")


def _stuck_rich(numbers: Numbers) -> Words:
    return _stuck(numbers, "rich", "lean")


def _slower(numbers: Numbers) -> Words:
    reasons = (
        *_seen(numbers),
        "That is clearly longer than on this car's earlier healthy drives, though not yet past the general limit.",
    )
    return Words(f"The oxygen sensor before the catalyst{bank_name(numbers)} answers slower than it used to.", reasons)


def _seen(numbers: Numbers) -> tuple[str, ...]:
    cuts = numbers.get("cuts_used")
    if cuts is None:
        return ()
    times = {1: "once", 2: "twice"}.get(round(cuts.value), f"{cuts.value:.0f} times")
    said = (
        f"Fuel came back after a cut {times}; the sensor{bank_name(numbers)} saw it after"
        f" {numbers.say('answer_after_cut', 1)} (range {numbers.interval('answer_after_cut', 1)})."
    )
    if numbers.get("lean_after_cuts") is not None:
        return (said,)
    return (f"{said} A healthy one needs less than {_top(numbers, 'answer_after_cut')}.",)


def _behind(numbers: Numbers) -> tuple[str, ...]:
    behind = numbers.get("behind_rear_sensor")
    if behind is None:
        return ()
    if behind.expected is not None and behind.value > behind.expected[1]:
        return (
            f"The sensor behind the catalyst saw it {numbers.say('behind_rear_sensor', 1)} earlier, though the gas"
            " reaches it last.",
        )
    return ("The sensor behind the catalyst agrees with it.",)


def _command(numbers: Numbers) -> tuple[str, ...]:
    if numbers.get("answer_to_command") is None:
        return ()
    return (
        f"When the control orders a richer mixture it goes half the way in {numbers.say('answer_to_command', 2)};"
        f" healthy is below {_top(numbers, 'answer_to_command', digits=2)}.",
    )


def _swings(numbers: Numbers) -> tuple[str, ...]:
    if numbers.get("rich_end") is None:
        return ()
    said = f"At cruise it swings from {numbers.say('lean_end', 2)} to {numbers.say('rich_end', 2)}"
    if numbers.get("switch_time") is not None:
        said += f" and takes at most {numbers.say('switch_time', 2)} for a switch"
        healthy = f"below 0.3 V to above 0.6 V, in less than {_top(numbers, 'switch_time', '0.2 s')}"
        return (f"{said}; healthy is {healthy}.",)
    return (f"{said}; healthy is below 0.3 V to above 0.6 V.",)


def _rate(numbers: Numbers) -> tuple[str, ...]:
    visible = numbers.get("visible_crossings")
    if visible is None:
        return ()
    crossings = numbers.get("crossings")
    if crossings is not None:
        return (f"It crosses the middle {crossings.value:.1f} times a second; 0.5 to 5 is usual.",)
    return (
        f"How often it switches cannot be said: at this reading rate up to {visible.value:.1f} crossings a second would"
        " show, and healthy sensors make up to 5.",
    )


def _other(numbers: Numbers) -> tuple[str, ...]:
    if numbers.get("answer_other_bank") is None:
        return ()
    return (f"The sensor of the other bank needs {numbers.say('answer_other_bank', 1)}.",)


def _top(numbers: Numbers, name: str, otherwise: str = "1.5 s", digits: int = 1) -> str:
    measure = numbers.get(name)
    return otherwise if measure is None or measure.expected is None else f"{measure.expected[1]:.{digits}f} s"


FAULTS: Mapping[str, Callable[[Numbers], Words]] = MappingProxyType(
    {
        "slow_response": _slow,
        "slow_after_cuts": _slow_after_cuts,
        "weak_swing": _weak,
        "stuck_lean": _stuck_lean,
        "stuck_rich": _stuck_rich,
        "slower_than_before": _slower,
    }
)
"""Who words which fault."""
