"""What the fuel-trim detector found, in plain language: one function per kind of answer."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from obdwatch.explanations.fuel_trims_sentences import (
    MISSING,
    USUAL,
    bank_level,
    bank_lines,
    grams,
    guessed,
    levels,
    trim,
)
from obdwatch.explanations.wording import Numbers, Words
from obdwatch.records import Finding, Verdict

LEAKS_ALIKE = (
    "A torn crankcase ventilation and a leaking hose or gasket look alike here; only a look decides. At warm idle, a"
    " whistle, or an oil cap that is hard to lift, means the ventilation. A hiss at a hose means the hose. A smoke test"
    " finds both. Keep hands and clothes away from belt and fan."
)


def fuel_trims_words(finding: Finding, units: str) -> Words:
    """Word a finding of the fuel-trim detector."""
    numbers = Numbers(finding, units)
    if finding.verdict is Verdict.NOT_ENOUGH_DATA:
        return _missing(finding, numbers)
    if finding.verdict is Verdict.HEALTHY:
        return _fuel_changed(numbers) if finding.signature == "fuel_changed" else _healthy(numbers)
    return FAULTS.get(finding.signature, _lean_everywhere)(numbers)


def _missing(finding: Finding, numbers: Numbers) -> Words:
    headline, reason = MISSING.get(finding.signature, ("This drive cannot tell whether the mixture is right.", ""))
    seen = [*levels(numbers)] if numbers.get("level") is not None else []
    if numbers.get("false_lean") is not None:
        seen.append(f"The misfires the car counted explain about {numbers.say('false_lean', 1)} of correction.")
    return Words(headline, (*seen, reason) if reason else tuple(seen))


def _healthy(numbers: Numbers) -> Words:
    reasons = [*levels(numbers), USUAL]
    if numbers.get("bank_difference") is not None:
        reasons.append(f"The two banks differ by {numbers.say('bank_difference', 1)}, which is normal.")
    if numbers.get("pressure_metered") is not None:
        reasons.append(
            "This engine works out its air from manifold pressure. A leak of air into the manifold would not show in"
            " these numbers: it raises idle speed and idle pressure instead."
        )
    return Words("Air and fuel match: the engine needs only small corrections.", tuple(reasons))


def _fuel_changed(numbers: Numbers) -> Words:
    reasons = (
        *levels(numbers),
        f"All cylinders moved together, by {trim(numbers, 'fuel_shift')}, whether idling or on the road.",
        "Fuel with more or less alcohol does this: from pure petrol to E10 it is about 4%, to E85 over 40%.",
        "If it stays after the next fill of the usual fuel, have fuel pressure and mass air flow sensor checked.",
    )
    return Words("The correction moved at every speed alike: that fits a different fuel, not a fault.", reasons)


def _unmetered_air(numbers: Numbers) -> Words:
    reasons = [*levels(numbers)]
    if numbers.get("leak_flow") is not None and numbers.get("leak_diameter") is not None:
        reasons.append(
            f"That fits {grams(numbers)} of air that slips in past the mass air flow sensor at idle, like a hole of"
            f" {numbers.say('leak_diameter', 1)} across (range {numbers.interval('leak_diameter', 1)})."
        )
    reasons += [
        "Vacuum sucks in the same extra air all the time: at idle that is much, on the road it is hardly felt.",
        guessed(numbers),
        LEAKS_ALIKE,
        "A leak in the exhaust before the sensor looks nearly the same: listen for ticking after a cold start.",
    ]
    return Words("Air gets into the engine past the mass air flow sensor.", tuple(one for one in reasons if one))


def _lean_at_idle(numbers: Numbers) -> Words:
    reasons = [*levels(numbers)]
    if numbers.get("pressure_metered") is not None:
        reasons.append(
            "This engine works out its air from manifold pressure, so air that leaks into the manifold is counted and"
            " does not show like this. Air drawn into the exhaust before the sensor does."
        )
    else:
        reasons.append(
            "The engine measures as much air at idle as it should; a leak past the mass air flow sensor would make that"
            " less. So air drawn into the exhaust before the sensor is more likely."
        )
    reasons.append("To check: listen for ticking after a cold start, and look for soot at the exhaust joints.")
    return Words("The oxygen sensor sees too much air at idle: most likely an exhaust leak before it.", tuple(reasons))


def _lean_with_flow(numbers: Numbers) -> Words:
    reasons = (
        *levels(numbers),
        "The lack of fuel grows with the air. A mass air flow sensor that reads low does this, and so does a fuel pump"
        " or filter that cannot keep up.",
        "To check: have the fuel pressure measured under load, and the mass air flow sensor looked at for dirt.",
        "Avoid full throttle until then: a lean engine runs hot.",
    )
    return Words("The more air flows, the more fuel is missing: mass air flow sensor or fuel supply.", reasons)


def _fuel_delivery(numbers: Numbers) -> Words:
    if numbers.get("pressure_metered") is not None:
        why = "This engine has no mass air flow sensor that could read low, so the fuel pump or its filter comes first."
    else:
        why = (
            "The measured air fits the manifold pressure, so the fuel pump or its filter comes before the mass air flow"
            " sensor."
        )
    reasons = (
        *levels(numbers),
        why,
        "To check: have the fuel pressure measured under load. Avoid full throttle until then: a lean engine runs hot.",
    )
    return Words("The fuel supply does not keep up when much air flows.", reasons)


def _air_sensor(numbers: Numbers) -> Words:
    reasons = (
        *levels(numbers),
        "The measured air also falls behind what manifold pressure and engine speed lead to expect. So the mass air"
        " flow sensor comes before the fuel pump.",
        "To check: look for dirt on the sensor and for an open or wet air filter.",
    )
    return Words("The mass air flow sensor reads too little when much air flows.", reasons)


def _one_bank(numbers: Numbers) -> Words:
    rich = (numbers.get("level") is not None) and bank_level(numbers) < 0.0
    want = "less" if rich else "more"
    cylinder = numbers.get("cylinder")
    reasons = [
        f"Bank {numbers.say('bank')} needs {want} fuel than the other; they differ by"
        f" {numbers.say('bank_difference', 1)}{_normal_difference(numbers)}.",
        *bank_lines(numbers),
        "Both banks share mass air flow sensor, fuel pump and fuel, so it must be something of this bank alone: an"
        " injector, its oxygen sensor, or a leak at its own ports.",
    ]
    if cylinder is not None:
        reasons.append(f"Cylinder {cylinder.value:.0f} misfires far more than the others: look at its injector first.")
    side = "too much" if rich else "too little"
    return Words(
        f"Bank {numbers.say('bank')} gets {side} fuel, by its oxygen sensor; the other bank is right.", tuple(reasons)
    )


def _normal_difference(numbers: Numbers) -> str:
    difference = numbers.get("bank_difference")
    if difference is None or difference.expected is None:
        return ""
    return f", where up to {difference.expected[1]:.1f}% is normal"


def _one_bank_idle(numbers: Numbers) -> Words:
    reasons = (
        *bank_lines(numbers),
        "At idle this bank seems to get too much air, on the road both are alike. Air drawn into its exhaust before the"
        " sensor does this; so does a leak at one intake port.",
        "To check: listen for ticking after a cold start, and look for soot at the exhaust joints of this bank.",
    )
    return Words(f"Bank {numbers.say('bank')} looks short of fuel at idle only: a leak on that side.", reasons)


def _lean_cylinder(numbers: Numbers) -> Words:
    reasons = (
        *levels(numbers),
        f"Cylinder {numbers.say('cylinder')} misfires far more than the others, and the lack of fuel is larger than"
        " the misfire alone explains.",
        "To check: swap this injector with its neighbour, if access allows, and see whether the misfire follows.",
        "A cylinder short of fuel can burn a valve and harm the catalyst: drive gently.",
    )
    return Words(f"Cylinder {numbers.say('cylinder')} gets too little fuel: most likely its injector.", reasons)


def _lean_everywhere(numbers: Numbers) -> Words:
    reasons = (
        *levels(numbers),
        USUAL,
        "It is much the same at idle and on the road. Low fuel pressure, a mass air flow sensor that reads low or worn"
        " injectors do this. So does fuel with much alcohol: think of the last fill first.",
    )
    return Words("The engine gets too little fuel everywhere.", reasons)


def _lean_idle_only(numbers: Numbers) -> Words:
    reasons = (
        *levels(numbers),
        USUAL,
        "Only idle was seen. If the engine is right on the road, air leaks in. If not, look at fuel pressure and air"
        " sensor. Ten minutes of steady driving would tell.",
    )
    return Words("The engine gets too little fuel at idle.", reasons)


def _lean_flow_only(numbers: Numbers) -> Words:
    reasons = (
        *levels(numbers),
        USUAL,
        "Warm idle was not seen, so the parts cannot be told apart yet. Two minutes of warm idle would tell. Fuel with"
        " much alcohol does this too: think of the last fill first.",
    )
    return Words("The engine gets too little fuel on the road.", reasons)


def _lean_leak_known(numbers: Numbers) -> Words:
    reasons = (
        *levels(numbers),
        USUAL,
        "Warm idle was not seen this time. The last drive that saw it showed air leaking in, and nothing has been"
        " mended since, so the leak comes before the fuel pump.",
        LEAKS_ALIKE,
    )
    return Words("The engine gets too little fuel on the road, and it has a leak that earlier drives knew.", reasons)


def _rich_everywhere(numbers: Numbers) -> Words:
    reasons = (
        *levels(numbers),
        USUAL,
        "The engine takes fuel away at idle and on the road. Leaking injectors, high fuel pressure or a mass air flow"
        " sensor that reads high do this.",
    )
    return Words("The engine gets too much fuel everywhere.", reasons)


def _rich_at_idle(numbers: Numbers) -> Words:
    reasons = (
        *levels(numbers),
        "Too much fuel at idle only: a dripping injector, or the valve that lets in tank vapour does not shut.",
        "To check: pinch the hose from that valve at warm idle and see whether the correction goes away.",
    )
    return Words("The engine gets too much fuel at idle.", reasons)


def _rich_with_flow(numbers: Numbers) -> Words:
    reasons = (
        *levels(numbers),
        "Too much fuel on the road only: most likely the mass air flow sensor reads high there.",
    )
    return Words("The engine gets too much fuel when much air flows.", reasons)


def _idles_fast(numbers: Numbers) -> Words:
    reasons = (
        f"Warm and standing it idles at {numbers.say('fast_idle')}, where {numbers.expected('fast_idle')} is usual.",
        *levels(numbers),
        "This engine works out its air from manifold pressure, so it gives the right fuel for air that leaks in: the"
        " corrections stay small, but the idle rises.",
        "See also whether the throttle shuts.",
        LEAKS_ALIKE,
    )
    return Words("The engine idles too fast: air may leak in behind the throttle.", reasons)


FAULTS: Mapping[str, Callable[[Numbers], Words]] = MappingProxyType(
    {
        "unmetered_air": _unmetered_air,
        "lean_at_idle": _lean_at_idle,
        "lean_with_flow": _lean_with_flow,
        "fuel_delivery_falls": _fuel_delivery,
        "air_sensor_reads_low": _air_sensor,
        "one_bank_lean": _one_bank,
        "one_bank_rich": _one_bank,
        "one_bank_lean_at_idle": _one_bank_idle,
        "idles_fast": _idles_fast,
        "lean_cylinder": _lean_cylinder,
        "lean_everywhere": _lean_everywhere,
        "lean_idle_only_seen": _lean_idle_only,
        "lean_flow_only_seen": _lean_flow_only,
        "lean_leak_known": _lean_leak_known,
        "rich_everywhere": _rich_everywhere,
        "rich_at_idle": _rich_at_idle,
        "rich_with_flow": _rich_with_flow,
    }
)
"""Who words which fault."""
