"""What the misfire detector found, in plain language: who misfires, how much, when, and what to look at first."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from obdwatch.explanations.fuel_first import LEAN_ALIKE, OTHER_FUEL
from obdwatch.explanations.wording import Numbers, Words
from obdwatch.records import Finding, Urgency, Verdict
from obdwatch.units import quantity

FLASHING = (
    "Misfire of this size can overheat the catalyst. If the engine lamp flashes, ease off at once, and do not drive"
    " hard until it is repaired."
)

MISSING: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "diesel": (
            "Misfire was not judged: this check is made for petrol engines.",
            "A diesel has no spark, and its counters mean something else.",
        ),
        "engine_missing": (
            "Misfire was not judged: the recording does not show the engine running.",
            "Misfires only mean something against the number of turns.",
        ),
        "too_short": (
            "Too little driving was seen to judge misfire.",
            "Misfire is judged over 1,000 turns of the engine, and fewer were counted.",
        ),
        "not_run": (
            "The car's misfire counters are empty: they have not run since the memory was erased.",
            "A counter that has not run says nothing, good or bad.",
        ),
        "no_counters": (
            "This car tells no misfire counts, and no trouble codes were read: misfire cannot be ruled out.",
            "A steady idle alone does not show misfires under load.",
        ),
        "read_once": (
            "The misfire counters were read only once: it is not known in which drive they counted.",
            "A counter may still show the drive before this one.",
        ),
        "new_fuel": (
            "The engine misfires, and another fuel may be the reason: no part is blamed for it yet.",
            LEAN_ALIKE,
        ),
        "speed_missing": (
            "The misfire counters showed little, but engine speed is missing to judge them.",
            "Misfires only mean something against the number of turns.",
        ),
    }
)
"""Headline and reason by what was missing; the texts of `detectors.misfire.DRIVE_TO_GET` say what to drive."""

WHEN: Mapping[str, str] = MappingProxyType(
    {
        "idle": "standing at idle",
        "light": "at light load",
        "loaded": "under load",
        "cold_start": "in the first three minutes after the cold start",
        "cold": "while the engine was still warming up",
        "warm": "with the engine warm",
    }
)

HEADLINES: Mapping[str, str] = MappingProxyType(
    {
        "one_cylinder": "Cylinder {cylinder} misfires.",
        "coil_pair": "Cylinders {cylinder} and {cylinder_2} misfire: partners of a shared coil, they spark together.",
        "two_neighbours": "Cylinders {cylinder} and {cylinder_2} misfire, and they are neighbours in the engine block.",
        "two_cold": "Cylinders {cylinder} and {cylinder_2} misfire after a cold start.",
        "two_cylinders": "Cylinders {cylinder} and {cylinder_2} misfire.",
        "one_bank": "All cylinders of bank {bank} misfire, those of the other bank do not.",
        "all_under_load": "All cylinders misfire, and mostly under load.",
        "all_at_idle": "All cylinders misfire, and mostly at idle.",
        "all_at_light_load": "All cylinders misfire, and less under load than at light load.",
        "all_cold": "All cylinders misfire while the engine is cold.",
        "all_cylinders": "Several cylinders misfire, and none stands out.",
        "unknown_cylinders": "The engine misfires; the car does not tell which cylinder.",
        "low_fuel": "The engine misfired, with little fuel in the tank.",
        "rough_idle": "The warm idle is rougher than a sound engine's.",
    }
)

CHECKS: Mapping[str, str] = MappingProxyType(
    {
        "one_cylinder": "To check: with the engine off, swap this coil with another and drive again. If the misfire"
        " moves along, it is the coil; if not, do the same with the plug, then look at the injector.",
        "coil_pair": "To check: swap the two coil units if they are alike, and look at the plugs and leads of both.",
        "two_neighbours": "A head gasket can leak between two cylinders, or let coolant in. To check: watch the coolant"
        " level, look for white steam after a cold start, and have both cylinders pressure tested.",
        "two_cold": "If they are neighbours in the block, suspect the head gasket. To check: watch the coolant level,"
        " and look for white steam after a cold start.",
        "two_cylinders": "To check: swap coils and plugs with the good cylinders, one kind at a time, and drive again.",
        "one_bank": "What one bank has alone is its mixture, its exhaust and its cams. To check: look for leaks, a"
        " blocked catalyst and a stuck cam on that side.",
        "all_under_load": "Under load a worn plug cannot spark any more, and a weak fuel pump runs short. To check: the"
        " gap and age of the plugs first, then the fuel pressure at full load.",
        "all_at_idle": "At idle a leak in the intake or a cam stuck advanced spoils the mixture. To check: look for"
        " leaks with smoke, and test the cam timing valve.",
        "all_at_light_load": "Exhaust gas that stays in the cylinder, or extra air, hurts most at light load. To check:"
        " test the cam timing valve, and look for leaks with smoke.",
        "all_cold": "To check: old plugs, and a coolant sensor that reads too warm, show first in a cold engine.",
        "all_cylinders": "To check: the age of the plugs, the fuel pressure, and leaks in the intake.",
        "unknown_cylinders": "To check: have a workshop read which cylinder it is before parts are bought.",
        "low_fuel": "To check: fill up and record the same drive again before any part is changed.",
        "rough_idle": "To check: have a workshop read the misfire counts by cylinder.",
    }
)
"""What to look at first, by pattern (common practice)."""

MELTING = (
    "Misfire of this size ruins the catalyst within minutes; the engine lamp flashes for it. Do not drive on before it"
    " is repaired."
)
CAM_FIRST = (
    "The car itself finds a cam out of place: follow what is said of the cam timing first. If that is right, look at"
    " the plugs, the fuel pressure, and for leaks in the intake."
)
PUMP_FIRST = (
    "Mixture or fuel pressure speak for the fuel supply, so it comes before the spark. To check: the fuel pressure at"
    " full load first, then the gap and age of the plugs."
)
AIR_SENSOR_FIRST = (
    "The engine seems to be given too little fuel for its air. To check: the mass air flow sensor for dirt first, then"
    " the fuel pressure at full load."
)
INJECTOR = (
    "To check: have the flow of this injector compared with the others, and look at its plug. Swapping coils first"
    " costs nothing; do it with the engine off."
)


def misfire_words(finding: Finding, units: str) -> Words:
    """Word a finding of the misfire detector."""
    numbers = Numbers(finding, units)
    if finding.verdict is Verdict.NOT_ENOUGH_DATA:
        headline, reason = MISSING.get(finding.signature, ("This drive cannot tell whether the engine misfires.", ""))
        if finding.signature == "new_fuel":
            return Words(headline, (reason, *_how_much(numbers), *_who(numbers), FLASHING))
        return Words(headline, tuple(text for text in (reason, *_idle(numbers)) if text))
    if finding.verdict is Verdict.HEALTHY:
        return _healthy(finding, numbers)
    if finding.signature == "earlier_drives":
        return _earlier(numbers)
    if finding.signature.startswith("code_"):
        return _code(finding, numbers)
    return _fault(finding, numbers)


def _fault(finding: Finding, numbers: Numbers) -> Words:
    reasons = [*_how_much(numbers), *_who(numbers), *_when(numbers), *_own_limit(numbers), *_frame(numbers)]
    if finding.signature == "rough_idle":
        reasons = [*_idle(numbers), "Engine speed is read too seldom to see single misfires, so this is only a hint."]
    if finding.signature == "low_fuel":
        reasons.append(f"The tank was at {numbers.say('fuel_level')}; fuel can slosh away from the pump then.")
    if finding.signature == "all_cylinders" and finding.urgency is Urgency.WATCH:
        reasons.append("They come in no special state of the engine; a rough road shakes the crank like that, too.")
    elif finding.urgency is Urgency.WATCH and finding.signature not in ("rough_idle", "low_fuel"):
        reasons.append("That is little: keep an eye on it.")
    if finding.parts[:1] == ("fuel_injector",):
        reasons.append("It does not come with load, or its mixture is lean: that is more like fuel than spark.")
    other_fuel = numbers.get("lean_alike") is not None and finding.signature.startswith("all_")
    if other_fuel:
        reasons.append(OTHER_FUEL)
    if finding.urgency in (Urgency.SOON, Urgency.STOP) or other_fuel:
        reasons.append(MELTING if finding.urgency is Urgency.STOP else FLASHING)
    reasons.append(_check(finding))
    return Words(_headline(finding.signature, numbers), tuple(text for text in reasons if text))


def _check(finding: Finding) -> str:
    """What to look at first: the part that is named first, where something speaks for it."""
    first = finding.parts[0] if finding.parts else ""
    if first == "fuel_injector":
        return INJECTOR
    if finding.signature in ("all_cylinders", "all_under_load", "all_at_light_load", "all_at_idle"):
        if first.startswith("cam_timing") and finding.signature in ("all_cylinders", "all_under_load"):
            return CAM_FIRST
        if first == "fuel_pump":
            return PUMP_FIRST
        if first == "maf_sensor":
            return AIR_SENSOR_FIRST
    return CHECKS.get(finding.signature, "")


def _headline(signature: str, numbers: Numbers) -> str:
    names = {name: numbers.say(name) for name in ("cylinder", "cylinder_2", "bank")}
    return HEADLINES.get(signature, "The engine misfires.").format(**names)


def _healthy(finding: Finding, numbers: Numbers) -> Words:
    if finding.signature == "no_codes":
        reason = "The car holds no misfire code, and it watches for misfire all the time; it tells no counts."
        return Words("No sign of misfire, as far as codes and idle can tell.", (reason, *_idle(numbers)))
    reasons = [*_how_much(numbers), "A few misfires are normal in every engine."]
    if finding.signature == "one_burst":
        reasons.append("They came on few occasions and over all cylinders: a rough road or a stumble does that.")
        return Words("A few short bursts of misfires, and nothing else.", tuple(reasons))
    return Words("The engine does not misfire more than a sound one.", tuple(reasons))


def _earlier(numbers: Numbers) -> Words:
    cylinder, other = numbers.get("cylinder"), numbers.get("cylinder_2")
    who = "Some cylinders"
    if cylinder is not None:
        who = f"Cylinder {cylinder.value:.0f}" + (f" and {other.value:.0f}" if other is not None else "")
    reasons = [*_average(numbers), *_how_much(numbers)]
    reasons.append("So the fault comes and goes, or it was mended not long ago: the average forgets slowly.")
    return Words(f"{who} misfired on earlier drives, but hardly on this one.", tuple(reasons))


def _code(finding: Finding, numbers: Numbers) -> Words:
    pattern = finding.signature.removeprefix("code_")
    reasons = ["The car has set a misfire code; its own counters on this drive show no more than normal misfire."]
    if numbers.get("misfire_percent") is None:
        reasons = ["The car has set a misfire code, and tells no counts: how much it misfires is not known."]
    reasons += [*_how_much(numbers), *_frame(numbers), *_idle(numbers), CHECKS.get(pattern, "")]
    headline = _headline(pattern, numbers).rstrip(".")
    return Words(f"A code says: {headline[0].lower()}{headline[1:]}.", tuple(text for text in reasons if text))


def _how_much(numbers: Numbers) -> list[str]:
    share, turns = numbers.get("misfire_percent"), numbers.get("counted_turns")
    if share is None or turns is None:
        return []
    if share.value == 0.0:
        return [f"Over {turns.value:,.0f} turns of the engine not one firing failed."]
    found = [f"Over {turns.value:,.0f} turns of the engine {_few(share.value)} of all firings failed."]
    worst, spacing = numbers.get("worst_1000"), numbers.get("turns_between_readings")
    if worst is not None and worst.value > 0.0:
        fine = 1 if worst.value >= 1.0 else 2  # digits, as for the value itself
        found.append(
            f"In the worst 1,000 turns it was {_few(worst.value)} (range {numbers.interval('worst_1000', fine)}); from"
            " 1% on cars must report it."
        )
    short = numbers.get("worst_200")
    if short is not None and short.value >= 1.0:
        text = f"In the worst 200 turns it was {_few(short.value)}; from 5% on the catalyst suffers."
        if spacing is not None and spacing.value > 200.0:
            text += f" The counters were read only every {spacing.value:,.0f} turns, so single peaks can be higher."
        found.append(text)
    return found


def _few(percent: float) -> str:
    return (
        "none"
        if percent == 0.0
        else "less than 0.01%"
        if percent < 0.01
        else f"{percent:.{1 if percent >= 1 else 2}f}%"
    )


def _who(numbers: Numbers) -> list[str]:
    counts = [m for m in numbers.finding.measures if m.name.startswith("count_cylinder_")]
    if not counts:
        return []
    each = ", ".join(f"{m.name.rsplit('_', 1)[1]}: {m.value:.0f}" for m in counts)
    found = [f"Misfires by cylinder: {each}."]
    if numbers.get("cylinders_inferred") is not None:
        found.append("The number of cylinders was taken from the car's counters; enter it in the car's profile.")
    return found


def _when(numbers: Numbers) -> list[str]:
    """The conditions that hold a clearly larger share of the misfires than of the turns."""
    found = []
    for name, words in WHEN.items():
        share = numbers.get(f"share_{name}")
        if share is None or share.expected is None or share.value < 40.0 or share.value < 1.5 * share.expected[0]:
            continue
        found.append(
            f"Of the misfires {share.value:.0f}% came {words}, where the engine made only"
            f" {share.expected[0]:.0f}% of its turns."
        )
    return found


def _own_limit(numbers: Numbers) -> list[str]:
    own = numbers.get("car_own_result")
    if own is None or own.expected is None:
        return []
    most = quantity(own.expected[1], own.unit, numbers.units, 2)
    return [f"The car's own misfire test gave {numbers.say('car_own_result', 2)}; it allows {most}."]


def _average(numbers: Numbers) -> list[str]:
    found = [m for m in numbers.finding.measures if m.name.startswith("average_cylinder_")]
    return [
        f"The car's own average over ten drives is {m.value:.0f} misfires per drive for cylinder"
        f" {m.name.rsplit('_', 1)[1]}."
        for m in found
    ]


def _frame(numbers: Numbers) -> list[str]:
    speed, load = numbers.get("frame_engine_speed"), numbers.get("frame_calculated_load")
    if speed is None or load is None:
        return []
    text = f"When the code was set the engine turned at {numbers.say('frame_engine_speed')} and {load.value:.0f}% load"
    warm = numbers.get("frame_coolant_temperature")
    return [text + (f", with coolant at {numbers.say('frame_coolant_temperature')}." if warm is not None else ".")]


def _idle(numbers: Numbers) -> list[str]:
    scatter = numbers.get("idle_scatter")
    if scatter is None or scatter.expected is None:
        return []
    spacing = numbers.get("idle_spacing")
    every = f", read every {spacing.value:.1f} s" if spacing is not None else ""
    return [
        f"At warm idle the speed scattered by {numbers.say('idle_scatter', 1)}{every}; up to"
        f" {scatter.expected[1]:.0f} is not remarkable."
    ]
