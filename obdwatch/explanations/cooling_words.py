"""What the cooling detector found, in plain language: where it gets hot, what that points to, and what to do now."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from obdwatch.explanations.wording import Numbers, Words
from obdwatch.records import Finding, Urgency, Verdict
from obdwatch.units import to_screen

STOP_NOW = (
    "Stop where it is safe and switch the engine off; a hot engine is ruined within minutes. Never open the cap hot."
)
DRIVE_GENTLY = (
    "Until it is put right watch the gauge: if it climbs, turn the heater to full, stop where it is safe and switch"
    " off."
)
LEVEL_FIRST = "First, with the engine cold, look at the coolant level, and for wet or crusted spots below the pump."

MISSING: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "coolant_missing": (
            "There is no usable coolant temperature in this recording.",
            "Without it nobody can tell whether the engine gets too hot.",
        ),
        "sampling_too_slow": (
            "The coolant temperature was read too seldom to judge the cooling.",
            "A pump that stops heats the engine within two minutes; readings must come faster than that.",
        ),
        "too_short": (
            "The recording is too short to judge the cooling.",
            "It takes some minutes at working temperature to see whether the heat is carried away.",
        ),
        "never_warm": (
            "The engine did not stay warm for long enough to put the cooling to the test.",
            "The radiator is only needed once the thermostat has opened.",
        ),
        "heavy_load": (
            "The engine got hot while it pulled very hard: that alone does not mean a fault.",
            "No cooling system is made to pull with half of all the engine can give, for minutes at a low speed.",
        ),
        "fan_not_seen": (
            "The coolant was climbing while the car stood, and the drive ended before the fan showed.",
            "That may be healthy: many fans start only well above the usual temperature.",
        ),
    }
)
"""Headline and reason by what was missing; `detectors.cooling.DRIVE_TO_GET` says what to drive."""


AT_IDLE_FIRST = (
    "It has risen more there than on the road: at low engine speed too little coolant is moved. A worn coolant pump"
    " does that, and so do a slipping belt and a low coolant level."
)

ALIKE = (
    "Idle and road have gained about alike. A thermostat that opens later does that, and so does a sensor that reads"
    " high: cold, after a night's stand, compare it with a thermometer."
)

SENSOR_DOUBTED = (
    "The coolant sensor itself does not fit the others on this drive, so it may be the only fault. Until it has been"
    " checked, take the reading for true: an engine that really boils is lost in minutes."
)


def cooling_words(finding: Finding, units: str) -> Words:
    """Word a finding of the cooling detector."""
    numbers = Numbers(finding, units)
    if finding.verdict is Verdict.NOT_ENOUGH_DATA:
        headline, reason = MISSING.get(finding.signature, ("This drive cannot tell how well the engine is cooled.", ""))
        return Words(headline, tuple(one for one in (_hottest(numbers), reason) if one))
    if finding.verdict is Verdict.HEALTHY:
        return _healthy(numbers)
    headline, reasons = FAULTS.get(finding.signature, _overheating)(numbers)
    reasons = (*reasons, SENSOR_DOUBTED) if numbers.get("sensor_doubted") is not None else reasons
    more = _gasket(finding, numbers)
    if finding.urgency is Urgency.STOP or finding.signature == "about_to_overheat":
        return Words(headline, tuple(one for one in (STOP_NOW, *reasons, more) if one))
    now = "" if finding.urgency is Urgency.WATCH else DRIVE_GENTLY
    return Words(headline, tuple(one for one in (*reasons, more, now) if one))


def _gasket(finding: Finding, numbers: Numbers) -> str:
    if "head_gasket" not in finding.parts or finding.signature == "coolant_erratic":
        return ""
    if numbers.get("earlier_hot_drives") is None:
        return "There is a misfire as well: have the head gasket checked too."
    return (
        f"It overheated on {numbers.say('earlier_hot_drives')} earlier drives too: have the head gasket checked, before"
        " or with the repair."
    )


def _healthy(numbers: Numbers) -> Words:
    reasons = [_hottest(numbers), _driving(numbers)]
    standing = numbers.get("standing_level")
    if standing is not None:
        reasons.append(f"Standing with the engine running it was mostly at {numbers.say('standing_level')} or below.")
        fan = numbers.get("fan_seen")
        if fan is not None and fan.value > 0.5:
            reasons.append("The radiator fan was seen to bring it down.")
        elif fan is not None:
            reasons.append(_fan_unseen(numbers))
    else:
        reasons.append("The car hardly stood while it was hot, so the radiator fan was not put to the test.")
    reasons.append("Whether it warms up as it should is judged by itself, with the thermostat.")
    return Words("The engine did not get too hot.", tuple(one for one in reasons if one))


LONG_STAND, WARM_AIR = 480.0, 15.0
"""Standing for so long [s] in air so warm [degC] an idling engine would gain 15 K and more if nothing carried its heat
away (energy balance: 2 to 3 K/min)."""


def _fan_unseen(numbers: Numbers) -> str:
    stand, air = numbers.get("hot_stand"), numbers.get("outside_air")
    if stand is None or air is None or stand.value < LONG_STAND or air.value < WARM_AIR:
        return "The radiator fan was not seen to start, so it was not put to the test."
    return (
        f"That was through {stand.value / 60.0:.0f} minutes of standing with the air at {numbers.say('outside_air')}:"
        " the heat was carried away, though no single start of the radiator fan stands out."
    )


def _overheating(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return "The engine overheats.", (
        f"The coolant reached {numbers.say('hottest_coolant')}; from {numbers.temperature(115.0)} care is needed, from"
        f" {numbers.temperature(120.0)} the engine must be stopped.",
        "Too little coolant, a stopped pump, a thermostat that stays shut and a dead fan all look like this.",
        LEVEL_FIRST,
    )


def _about_to(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return "The engine is about to overheat.", (
        f"The coolant is at {numbers.say('hottest_coolant')} and rises by {_rate('rise', numbers)}; at"
        f" {numbers.temperature(120.0)}, some {numbers.say('time_left')} away, the engine must be stopped.",
    )


def _standing(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    fan = numbers.get("fan_seen")
    worked = fan is not None and fan.value > 0.5
    seen = (
        "A fan did bring it down, but not far enough."
        if worked
        else "It never fell while the car stood, as it does when a radiator fan starts."
    )
    return "The engine gets too hot when the car stands or creeps.", (
        _top("top_standing", numbers, "standing with the engine running"),
        _driving(numbers),
        seen,
        "To check: with the engine hot and idling in the open air, see whether the fan starts; if not, look at its"
        " fuse, plug, relay and motor.",
    )


def _idle(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return "The engine gets too hot at idle, and it does not look like the fan.", (
        _top("top_standing", numbers, "standing with the engine running"),
        _driving(numbers),
        _not_the_fan(numbers),
        "Too little coolant is moved at low engine speed: a worn or slipping coolant pump does that, and so do a loose"
        " belt and a low coolant level.",
        LEVEL_FIRST,
    )


def _stopped(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    share = numbers.get("unrejected_share")
    compared = (
        f" That is {numbers.say('unrejected_share')} of the rise that the burnt fuel gives if no heat is carried off."
        if share is not None
        else ""
    )
    return "The coolant heats up steeply on the road: it is not being moved through the radiator.", (
        _hottest(numbers),
        f"While driving, with air on the radiator, it rose by up to {_rate('steepest_rise', numbers)}.{compared}",
        "A coolant pump that has stopped does that, or a thermostat that stays shut; a fan does not.",
        _stood_still(numbers),
        LEVEL_FIRST,
    )


def _stood_still(numbers: Numbers) -> str:
    if numbers.get("stood_still_at") is None:
        return ""
    return (
        f"Then it stood still at {numbers.say('stood_still_at')}. Boiling coolant does so, and so does a sensor that"
        " reads too high. Stop all the same; cold, after a night's stand, compare it with a thermometer."
    )


def _everywhere(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return "The engine gets too hot on the road as well.", (
        _top("top_driving", numbers, "while driving"),
        f"Of the time it was too hot, {numbers.say('hot_on_road')} was spent driving, where the fan is not needed.",
        "Too little coolant, a blocked radiator, a weak pump or a thermostat that only half opens does that.",
        LEVEL_FIRST,
    )


def _regulates_high(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return "The coolant is held steadily, but at too high a temperature.", (
        _top("top_driving", numbers, "while driving"),
        "It hardly moved while load and speed changed, so the cooling does work.",
        "Either the sensor reads too high, or the thermostat opens late or is of another type than the profile says.",
        "To check: compare the reading with a thermometer, cold, after a night's stand.",
    )


def _erratic(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return "The coolant temperature jumps up and down: there may be air in the system, or too little coolant.", (
        _hottest(numbers),
        f"It jumped {numbers.say('jumps')} times within seconds; coolant itself cannot change so fast,"
        " but steam or air at the sensor can. A loose plug at the sensor looks the same.",
        LEVEL_FIRST,
        "If it is low, find out where it went: the pump, a hose, the radiator, or the head gasket.",
    )


def _before(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return "The engine runs hotter than it used to.", (
        _against("standing_level", numbers, "Standing with the engine running"),
        _idled(numbers),
        _against("driving_level", numbers, "While driving"),
        "That is not dangerous yet, but the cooling has lost some of its reserve."
        if numbers.finding.parts[:1] != ("thermostat",)
        else ALIKE,
        LEVEL_FIRST,
    )


def _hottest(numbers: Numbers) -> str:
    return "" if numbers.get("hottest_coolant") is None else f"Hottest coolant: {numbers.say('hottest_coolant')}."


def _driving(numbers: Numbers) -> str:
    if numbers.get("driving_level") is None:
        return ""
    return f"On the road it settled at {numbers.say('driving_level')}."


def _top(name: str, numbers: Numbers, where: str) -> str:
    if numbers.get(name) is None:
        return _hottest(numbers)
    return f"{_hottest(numbers)} For this car {numbers.say(name)} is the most that is normal {where}."


def _rate(name: str, numbers: Numbers) -> str:
    measure = numbers.get(name)
    value = 0.0 if measure is None else to_screen(measure.value, "K", numbers.units)
    return f"{value:.0f} {numbers.unit('degC')} per minute"


def _not_the_fan(numbers: Numbers) -> str:
    fall, fan = numbers.get("fall_on_speeding_up"), numbers.get("fan_seen")
    if fall is not None and fall.expected is not None and fall.value >= fall.expected[1]:
        lost = to_screen(fall.value, "K", numbers.units)
        return (
            f"When the engine sped up the coolant fell by {lost:.0f} {numbers.unit('degC')} within seconds: cold water"
            " had been waiting in the radiator. With a dead fan there is none."
        )
    return "A fan did bring it down for a while." if fan is not None and fan.value > 0.5 else ""


def _against(name: str, numbers: Numbers, where: str) -> str:
    if numbers.get(name) is None or numbers.get(f"{name}_before") is None:
        return ""
    return (
        f"{where} it was at {numbers.say(name)}; on earlier healthy drives in like weather it was at about"
        f" {numbers.say(name + '_before')}."
    )


def _idled(numbers: Numbers) -> str:
    idle = numbers.get("idle_level")
    if idle is None or idle.expected is None or numbers.get("idle_level_before") is None:
        return ""
    said = (
        f"Idling steadily it was at {numbers.say('idle_level')}; going by its earlier drives, about"
        f" {numbers.say('idle_level_before')} was to be expected in today's air."
    )
    beyond, road_known = idle.value > idle.expected[1], numbers.get("driving_level_before") is not None
    if not beyond or not road_known or numbers.finding.parts[:1] != ("coolant_pump",):
        return said
    return f"{said} {AT_IDLE_FIRST}"


FAULTS: Mapping[str, Callable[[Numbers], tuple[str, tuple[str, ...]]]] = MappingProxyType(
    {
        "overheating": _overheating,
        "about_to_overheat": _about_to,
        "hot_when_standing": _standing,
        "hot_at_idle": _idle,
        "pump_stopped": _stopped,
        "hot_everywhere": _everywhere,
        "regulates_high": _regulates_high,
        "coolant_erratic": _erratic,
        "hotter_than_before": _before,
    }
)
"""Who words which fault."""
