"""The sentences that many answers of the fuel-trim detector share: what was missing, and what was measured."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from obdwatch.explanations.wording import Numbers

MISSING: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "diesel": (
            "Fuel trims are not judged on a diesel engine.",
            "A diesel does not keep to one mixture of air and fuel, so these corrections say nothing.",
        ),
        "trims_missing": (
            "The recording holds no usable fuel trims.",
            "Both the short and the long trim of a bank are needed: only their sum says how much the engine corrects.",
        ),
        "signals_missing": (
            "Engine speed or coolant temperature is missing, so the fuel trims could not be judged.",
            "Trims count only once the engine is warm and runs steadily.",
        ),
        "air_missing": (
            "The recording does not show how much air the engine takes.",
            "Where the trims are wrong, at idle or on the road, says which part is at fault.",
        ),
        "never_hot": (
            "The engine never got warm enough in this drive to judge the fuel trims.",
            "A cold engine is given extra fuel on purpose.",
        ),
        "never_steady": (
            "The engine never ran warm, steady and under control of its oxygen sensor in this drive.",
            "Without that control the trims stand still and say nothing.",
        ),
        "too_little": (
            "There was too little steady, warm running in this drive to judge the fuel trims.",
            "The short trim swings about once a second; it takes some time to see its mean.",
        ),
        "idle_missing": (
            "The fuel trims look right on the road, but warm idle was not seen.",
            "A leak of air shows most at idle, where the engine needs little air. It can hide on the road.",
        ),
        "flow_missing": (
            "The fuel trims look right at idle, but steady driving was not seen.",
            "A weak fuel pump or a dirty mass air flow sensor shows only when much air flows.",
        ),
        "fuel_or_fault": (
            "The engine needs more fuel than usual at every speed alike: another fuel, or a fault.",
            "The fuel may have changed: one with much alcohol does this, and so does low fuel pressure. It is not known"
            " what is in the tank.",
        ),
        "misfire_first": (
            "A misfire upsets the fuel trims: they say nothing about fuel or air before it is cured.",
            "Air from a charge that did not burn reaches the oxygen sensor and looks like too little fuel.",
        ),
    }
)
"""Headline and reason by what was missing; the texts of `detectors.fuel_trims.DRIVE_TO_GET` say what to drive."""


def signed(value: float) -> str:
    """Return a correction with its sign."""
    return f"{value:+.1f}%" if abs(value) >= 0.05 else "0.0%"


def trim(numbers: Numbers, name: str) -> str:
    """Return "+12.3% (range +11.5 to +13.1%)"."""
    measure = numbers.get(name)
    if measure is None:
        return "an unknown amount"
    said = signed(measure.value)
    if measure.interval is None:
        return said
    return f"{said} (range {signed(measure.interval[0])[:-1]} to {signed(measure.interval[1])})"


def levels(numbers: Numbers) -> list[str]:
    """What the engine corrects at idle and on the road, or over everything where neither was seen."""
    said = []
    idle, flow = numbers.get("trim_at_idle"), numbers.get("trim_at_flow")
    if idle is not None:
        by = trim(numbers, "trim_at_idle")
        said.append(f"At warm idle{_air(numbers, 'air_at_idle')} the engine corrects its fuel by {by}; {PLUS}.")
    if flow is not None:
        by = trim(numbers, "trim_at_flow")
        does = f"it corrects by {by}" if said else f"the engine corrects its fuel by {by}; {PLUS}"
        said.append(f"On the road{_air(numbers, 'air_at_flow')} {does}.")
    if not said:
        said.append(f"While warm and steady the engine corrects its fuel by {trim(numbers, 'level')}; {PLUS}.")
    return [*said, *remarks(numbers)]


def _air(numbers: Numbers, name: str) -> str:
    digits = 2 if numbers.units == "us" else 1
    return "" if numbers.get(name) is None else f" ({numbers.say(name, digits)} of air)"


def remarks(numbers: Numbers) -> list[str]:
    """What makes the numbers less sure, and where the comparison comes from."""
    said = []
    if numbers.get("own_baseline") is not None:
        said.append("This is far from what the same car did on its earlier healthy drives.")
    if numbers.get("loop_assumed") is not None:
        said.append("The car does not say when its oxygen sensor is in control; steady, warm running was taken for it.")
    return said


PLUS = "plus adds fuel"
USUAL = "Up to about 8% either way is normal; 20 to 25% sets a trouble code."


def bank_level(numbers: Numbers) -> float:
    """Return the correction of the bank a finding means [%]."""
    bank = numbers.get("bank")
    names = ("trim_at_flow", "trim_at_idle")
    if bank is not None:
        for name in names:
            found = numbers.get(f"{name}_bank_{bank.value:.0f}")
            if found is not None:
                return found.value
    level = numbers.get("level")
    return 0.0 if level is None else level.value


def bank_lines(numbers: Numbers) -> list[str]:
    """What each bank corrects at idle and on the road."""
    said = []
    for bank in (1, 2):
        idle, flow = f"trim_at_idle_bank_{bank}", f"trim_at_flow_bank_{bank}"
        pieces = [
            f"{trim(numbers, name)} {where}"
            for name, where in ((idle, "at idle"), (flow, "on the road"))
            if numbers.get(name) is not None
        ]
        if pieces:
            said.append(f"Bank {bank} corrects by {' and '.join(pieces)}.")
    return [*said, *remarks(numbers)]


def guessed(numbers: Numbers) -> str:
    """Say so where the vacuum was not measured."""
    if numbers.get("vacuum_guessed") is None:
        return ""
    return "This car does not report manifold pressure; the vacuum was worked out from engine load."


def grams(numbers: Numbers) -> str:
    """Return the flow of the leak with its range."""
    digits = 3 if numbers.units == "us" else 2
    return f"{numbers.say('leak_flow', digits)} (range {numbers.interval('leak_flow', digits)})"
