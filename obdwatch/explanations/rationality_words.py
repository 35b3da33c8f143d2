"""Which sensor cannot be right, in plain language: what it read, what it should have agreed with, and what to check."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from obdwatch.explanations.wording import Numbers, Words
from obdwatch.records import Finding, Verdict
from obdwatch.units import to_screen

WITHHELD = "What depends on this sensor was not judged: mend it first, then record again."
PLUG_FIRST = "Look at the sensor's plug and wiring before you replace it."

COMPARED: Mapping[str, str] = MappingProxyType(
    {
        "compared_cold_temperatures": "the temperatures after the stand",
        "compared_pressures": "the air pressures",
        "compared_air_flow": "the air flow with what the engine can breathe",
        "compared_coolant_and_heat": "the rise of the coolant with the heat of the fuel",
    }
)
"""What could be compared, by measure."""


def rationality_words(finding: Finding, units: str) -> Words:
    """Word a finding of the detector of untrustworthy sensors."""
    numbers = Numbers(finding, units)
    if finding.verdict is Verdict.HEALTHY:
        return _healthy(finding, numbers)
    if finding.verdict is Verdict.NOT_ENOUGH_DATA:
        return _missing(finding, numbers)
    headline, reasons = FAULTS.get(finding.signature, _other)(numbers)
    return Words(headline, tuple(one for one in (*reasons, PLUG_FIRST, WITHHELD) if one))


def _healthy(finding: Finding, numbers: Numbers) -> Words:
    made = [COMPARED[measure.name] for measure in finding.measures if measure.name in COMPARED]
    reasons = [f"Compared: {'; '.join(made)}." if made else "", _rest(numbers)]
    if numbers.get("manifold_at_rest") is not None:
        reasons.append(
            f"With the engine off the manifold pressure read {numbers.say('manifold_at_rest', 1)}, as it should"
            f" ({numbers.expected('manifold_at_rest', 1)})."
        )
    if numbers.get("breathing") is not None:
        reasons.append(f"The air flow is {numbers.say('breathing')} of what could get in; 40 to 115% is possible.")
    if numbers.get("coolant_lag") is not None:
        reasons.append("The coolant temperature follows the heat of the fuel without delay.")
    return Words("The sensors agree with each other.", tuple(one for one in reasons if one))


def _missing(finding: Finding, numbers: Numbers) -> Words:
    if finding.signature != "coolant_warm_or_wrong":
        reason = "The recording began with a warm or running engine, or lacks the signals to compare."
        return Words("This drive cannot show whether the sensors agree.", (reason,))
    return Words(
        "The coolant was warm after a long stand in the cold: a block heater, or its sensor reads too high.",
        (_rest(numbers), "A block or coolant heater does that; without one the sensor should be checked."),
    )


def _reads(how: str) -> Callable[[Numbers], tuple[str, tuple[str, ...]]]:
    def words(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
        return f"The coolant temperature sensor reads too {how}.", (
            _rest(numbers),
            "After a night's stand all of them must show about the same.",
        )

    return words


def _below_air(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return "The coolant temperature sensor reads too low.", (
        _rest(numbers),
        "Coolant cannot be so much colder than all the air around the car.",
    )


def _air_disagrees(name: str) -> Callable[[Numbers], tuple[str, tuple[str, ...]]]:
    def words(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
        return f"The {name} temperature disagrees with all the others.", (
            f"After a long stand it read {numbers.say('air_at_rest')}, the coolant {numbers.say('coolant_at_rest')};"
            f" {numbers.expected('air_at_rest')} would be plausible, with sun or a warm wall.",
        )

    return words


def _intake_cold(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return "The intake air is said to be far colder than the air outside.", (
        f"While driving it read {numbers.say('intake_below_outside')} less. One of the two sensors is wrong: air gets"
        " warmer on its way into the engine, not colder.",
    )


def _ends(name: str) -> Callable[[Numbers], tuple[str, tuple[str, ...]]]:
    def words(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
        return f"The {name} sensor sits at the end of its scale: a broken wire, a short circuit or a dead sensor.", (
            f"That was so in {numbers.say('readings_at_the_end')} of its readings.",
        )

    return words


def _jumps(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    step = numbers.unit("K")
    amount = "14" if step == "°F" else "8"
    return "The coolant temperature jumps: a loose contact, or the sensor.", (
        f"It rose by {amount} {step} or more within seconds, {numbers.say('coolant_jumps')} times; coolant cannot.",
    )


def _frozen(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return "The coolant temperature does not move.", (
        f"It stayed within {numbers.say('coolant_range', 1)} while the fuel gave {numbers.say('fuel_heat')} of heat.",
    )


def _slow(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return "The coolant temperature follows the engine too late: a slow sensor.", (
        f"It lags by about {numbers.say('coolant_lag')} (range {numbers.interval('coolant_lag')}); 30 s is normal.",
        f"With that delay the heat of the fuel explains the readings within {_off(numbers, 'misfit_with_lag')}, without"
        f" it only within {_off(numbers, 'misfit_without_lag')}.",
        "Scale on the sensor does that, and so does coolant that hardly moves past it: check the level too.",
    )


def _off(numbers: Numbers, name: str) -> str:
    measure = numbers.get(name)
    value = 0.0 if measure is None else to_screen(measure.value, "K", numbers.units)
    return f"{value:.1f} {numbers.unit('degC')}"


def _manifold_rest(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return "The manifold pressure is wrong with the engine off.", (
        f"At rest it must show the outside air, {numbers.expected('manifold_at_rest', 1)} here; it read"
        f" {numbers.say('manifold_at_rest', 1)}.",
        "The manifold pressure sensor or its hose is the first suspect, the outside pressure sensor the second.",
    )


def _manifold_above(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return "The manifold pressure exceeds the outside pressure although the engine has no charger.", (
        f"It did so by {numbers.say('manifold_above_outside', 1)}: one of the two sensors is wrong, or the car's"
        " profile.",
    )


def _outside(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    jump = numbers.get("outside_pressure_jump")
    what = (
        f"It changed by {numbers.say('outside_pressure_jump', 1)} from one reading to the next; no road climbs so fast."
        if jump is not None
        else f"It read {numbers.say('outside_pressure', 1)}; any road has {numbers.expected('outside_pressure', 1)}."
    )
    return "The outside pressure cannot be right.", (what,)


def _pressure_stuck(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return "The manifold pressure does not move.", (
        f"It stayed at {numbers.say('usual_manifold_pressure', 1)} while the engine speed changed widely.",
    )


def _throttle_contradicts(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return "The throttle position contradicts the pressure behind the throttle.", (
        f"For {numbers.say('contradiction_time')} it said wide open with a vacuum behind it, or shut without any.",
        "The position sensor in the throttle body is the first suspect, the manifold pressure sensor the second.",
    )


def _throttle_stuck(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return "The throttle position does not move.", (
        f"It stood still for {numbers.minutes('contradiction_time')} while the engine drew little air and much.",
    )


def _flow_dead(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return "The mass air flow sensor shows no air although the engine runs.", (
        f"It read {numbers.say('usual_flow', 2)}; even a small engine breathes more at idle.",
    )


def _flow_stuck(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return "The air flow does not move.", (
        f"It stayed at {numbers.say('usual_flow', 1)} while the engine speed changed widely.",
    )


def _flow_wrong(how: str) -> Callable[[Numbers], tuple[str, tuple[str, ...]]]:
    def words(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
        return f"The mass air flow sensor shows too {how} air for this engine.", (
            f"It is {numbers.say('breathing')} of what engine speed and manifold pressure would let in at most;"
            f" {numbers.expected('breathing')} is what engines reach.",
            "If the engine size in the profile is right, the mass air flow sensor or the manifold pressure is wrong"
            + (", or much air gets in behind the sensor." if how == "little" else "."),
        )

    return words


def _other(numbers: Numbers) -> tuple[str, tuple[str, ...]]:
    return "A sensor cannot be right.", ()


def _rest(numbers: Numbers) -> str:
    others = [
        f"{name} {numbers.say(key)}"
        for key, name in (
            ("ambient_air_temperature_at_rest", "outside air"),
            ("intake_air_temperature_at_rest", "intake air"),
            ("engine_oil_temperature_at_rest", "oil"),
        )
        if numbers.get(key) is not None
    ]
    if numbers.get("coolant_at_rest") is None or not others:
        return ""
    return f"Read before the start: coolant {numbers.say('coolant_at_rest')}, {', '.join(others)}."


FAULTS: Mapping[str, Callable[[Numbers], tuple[str, tuple[str, ...]]]] = MappingProxyType(
    {
        "coolant_reads_low": _reads("low"),
        "coolant_reads_high": _reads("high"),
        "coolant_below_air": _below_air,
        "intake_air_disagrees_cold": _air_disagrees("intake air"),
        "ambient_air_disagrees_cold": _air_disagrees("outside air"),
        "intake_below_outside": _intake_cold,
        "coolant_at_end": _ends("coolant temperature"),
        "intake_air_at_end": _ends("intake air temperature"),
        "outside_air_at_end": _ends("outside temperature"),
        "manifold_pressure_at_end": _ends("manifold pressure"),
        "coolant_jumps": _jumps,
        "coolant_frozen": _frozen,
        "coolant_slow": _slow,
        "manifold_at_rest": _manifold_rest,
        "manifold_above_outside": _manifold_above,
        "outside_pressure_wrong": _outside,
        "pressure_stuck": _pressure_stuck,
        "throttle_contradicts": _throttle_contradicts,
        "throttle_stuck": _throttle_stuck,
        "flow_dead": _flow_dead,
        "flow_stuck": _flow_stuck,
        "flow_too_low": _flow_wrong("little"),
        "flow_too_high": _flow_wrong("much"),
    }
)
"""Who words which fault."""
