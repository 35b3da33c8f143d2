"""What the car's own test results (service 06) say, in plain language: which test, and how far from its limit."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from obdwatch.decoding.monitors import LEGACY_MONITOR, monitor_name, test_name
from obdwatch.explanations.fuel_first import LEAN_ALIKE, OTHER_FUEL
from obdwatch.explanations.wording import Numbers, Words
from obdwatch.records import Finding, Measure, Verdict

MISSING: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "no_results": (
            "No results of the car's own tests were read.",
            "Many cars keep them with their limits; they show a fault before the lamp does.",
        ),
        "none_run": (
            "The car's own tests have not run since its memory was erased.",
            "A test that has not run says nothing, good or bad. Ask why the memory was erased.",
        ),
        "only_misfire": (
            "Of the car's own tests only those of misfire were read.",
            "What they say is told under misfire; the other tests show a fault before the lamp does.",
        ),
        "new_fuel": (
            "One of the car's own tests failed, and another fuel may be the reason: no part is blamed for it yet.",
            LEAN_ALIKE,
        ),
        "not_comparable": (
            "The car's own test results carry no limits, or a scale nobody has published: they stay plain numbers.",
            "They were not judged, so as not to guess.",
        ),
    }
)
"""Headline and reason by what was missing; `detectors.monitor_results.DRIVE_TO_GET` says what to drive."""

MEANINGS: tuple[tuple[range, str], ...] = (
    (range(0x01, 0x11), "The car measures how fast and how far this sensor follows the mixture."),
    (
        range(0x21, 0x25),
        "The car compares the sensors before and after the catalyst: a tired one lets too much through.",
    ),
    (range(0x31, 0x35), "The car checks that exhaust gas really flows back into the intake."),
    (
        range(0x35, 0x39),
        "The car compares where the camshaft is with where it should be. Check oil level and oil age too.",
    ),
    (range(0x39, 0x3D), "The car checks the tank and its hoses for leaks. Start with the filler cap and its seal."),
    (range(0x3D, 0x3E), "The car checks that fuel vapour flows from its filter to the engine."),
    (
        range(0x41, 0x51),
        "The car checks the heater of this sensor: its current or resistance. Look at plug and fuse too.",
    ),
    (range(0x61, 0x65), "The car checks the heating of the catalyst."),
    (range(0x71, 0x75), "The car checks the air that is blown into the exhaust after a cold start."),
    (range(0x81, 0x85), "This is how much the car must correct the fuel, and how much it may."),
    (range(0x85, 0x87), "The car checks whether the boost pressure is what it asked for."),
)
"""What a monitor watches, by its id (SAE J1979)."""


def monitor_results_words(finding: Finding, units: str) -> Words:
    """Word a finding about the car's own test results."""
    numbers = Numbers(finding, units)
    if finding.verdict is Verdict.NOT_ENOUGH_DATA:
        headline, reason = MISSING.get(finding.signature, ("The car's own tests tell nothing here.", ""))
        said = (reason, *_which(numbers), *_misfire_failed(numbers), *_waiting(numbers))
        return Words(headline, tuple(text for text in said if text))
    if finding.verdict is Verdict.HEALTHY:
        return _healthy(numbers)
    return _fault(finding, numbers)


def _healthy(numbers: Numbers) -> Words:
    judged = numbers.get("results_judged")
    lies = "All results lie within the car's own limits."
    if judged is not None:
        count = int(judged.value)
        lies = f"All {count} results that were judged lie within the car's own limits."
        lies = "One result was judged, and lies within the car's own limits." if count == 1 else lies
    reasons = [lies, *_nearest(numbers)]
    headline = "The car's own tests have all passed."
    failed = _misfire_failed(numbers)
    if failed:
        headline = "Apart from misfire, the car's own tests have passed."
    return Words(headline, (*reasons, *failed, *_unknown(numbers), *_waiting(numbers)))


def _misfire_failed(numbers: Numbers) -> list[str]:
    failed = numbers.get("misfire_tests_failed") is not None
    return ["The car's own misfire test has failed: see what is said of misfire."] if failed else []


def _which(numbers: Numbers) -> list[str]:
    """Which test failed, and how far it is beyond its limit."""
    monitor, test = numbers.get("monitor"), numbers.get("test")
    if monitor is None or test is None:
        return []
    failed = _result(numbers, _key(monitor, test), int(test.value))
    return [f"The test is that of the {_named(int(monitor.value))}. {failed}"]


def _fault(finding: Finding, numbers: Numbers) -> Words:
    monitor, test = numbers.get("monitor"), numbers.get("test")
    if monitor is None or test is None:
        return Words("One of the car's own tests failed.", ())
    name, key = _named(int(monitor.value)), _key(monitor, test)
    headline = {
        "test_failed": f"The car's own test failed: {name}.",
        "test_failed_at_times": f"The car's own test fails at times: {name}.",
        "drifts_to_limit": f"The car's own test still passes, but drifts towards its limit: {name}.",
    }.get(finding.signature, f"The car's own test stands out: {name}.")
    reasons = [_result(numbers, key, int(test.value)), *_drift(numbers), *_often(finding, numbers)]
    reasons += [text for group, text in MEANINGS if int(monitor.value) in group]
    if monitor.value >= LEGACY_MONITOR:
        reasons.append("This older car gives no units: only that the number is beyond its limit is sure.")
    if numbers.get("lean_alike") is not None:
        reasons.insert(0, OTHER_FUEL)
    if finding.signature == "test_failed" and numbers.get("no_code") is not None:
        reasons.append("The car has set no code for it yet; many set one only when the test fails again.")
    if not finding.parts:
        reasons.append("None of the wear parts that are followed here is meant by it.")
    return Words(headline, (*reasons, *_also_failed(numbers, key), *_unknown(numbers), *_waiting(numbers)))


def _key(monitor: Measure, test: Measure) -> str:
    return f"result_{int(monitor.value):02X}_{int(test.value):02X}"


def _named(monitor: int) -> str:
    name = monitor_name(monitor)
    return name[0].lower() + name[1:]


def _test(test: int) -> str:
    name = test_name(test)
    return name[0].lower() + name[1:]


def _result(numbers: Numbers, key: str, test: int) -> str:
    """The result and its limits in one sentence."""
    low, high, margin = numbers.get("lower_limit"), numbers.get("upper_limit"), numbers.get("margin")
    digits = _digits(numbers.get(key), low, high)
    if low is not None and high is not None:
        allowed = f"allowed is {numbers.say('lower_limit', digits)} to {numbers.say('upper_limit', digits)}"
    elif high is not None:
        allowed = f"allowed is up to {numbers.say('upper_limit', digits)}"
    else:
        allowed = f"allowed is {numbers.say('lower_limit', digits)} or more"
    text = f"The result ({_test(test)}) is {numbers.say(key, digits)}; {allowed}."
    if margin is not None and margin.value >= 0.0:
        text += f" That leaves {margin.value:.0f}% of what is allowed."
    return text


def _digits(*measures: Measure | None) -> int:
    """Digits that show the difference between a value and its limits."""
    sizes = [abs(measure.value) for measure in measures if measure is not None and measure.value != 0.0]
    largest = max(sizes, default=1.0)
    return 0 if largest >= 50.0 else 1 if largest >= 5.0 else 2 if largest >= 0.5 else 3


def _drift(numbers: Numbers) -> list[str]:
    slope, drives = numbers.get("margin_slope"), numbers.get("drives_followed")
    if slope is None or drives is None:
        return []
    return [f"Over {drives.value:.0f} drives the distance to the limit has shrunk steadily."]


def _often(finding: Finding, numbers: Numbers) -> list[str]:
    failing = numbers.get("failing_readings")
    if finding.signature != "test_failed_at_times" or failing is None or failing.expected is None:
        return []
    return [f"It was beyond the limit in {failing.value:.0f} of {failing.expected[1]:.0f} readings of this drive."]


def _nearest(numbers: Numbers) -> list[str]:
    """The result nearest to its limits, which stands first."""
    near = [m for m in numbers.finding.measures if m.name.startswith("result_") and m.expected]
    return [f"Nearest to its limit: {_listed(numbers, near[0])}."] if near else []


def _also_failed(numbers: Numbers, but: str) -> list[str]:
    """The results beyond their limits besides the one that was named; those within them tell nothing of a fault."""
    failed = [
        one
        for one in numbers.finding.measures
        if one.name.startswith("result_")
        and one.name != but
        and one.expected is not None
        and not one.expected[0] <= one.value <= one.expected[1]
    ]
    return [f"Also beyond their limits: {'; '.join(_listed(numbers, one) for one in failed)}."] if failed else []


def _listed(numbers: Numbers, result: Measure) -> str:
    _, monitor, test = result.name.split("_")
    digits = _digits(result, *(Measure("", end, "") for end in result.expected or ()))
    value, allowed = numbers.say(result.name, digits), numbers.expected(result.name, digits)
    return f"{monitor_name(int(monitor, 16))} ({_test(int(test, 16))}): {value}, allowed {allowed}"


def _unknown(numbers: Numbers) -> list[str]:
    unknown = numbers.get("results_unknown")
    if unknown is None or unknown.value == 0.0:
        return []
    return [f"{unknown.value:.0f} more came without limits or with an unknown scale, and were not judged."]


def _waiting(numbers: Numbers) -> list[str]:
    """Which tests have not run."""
    waiting = [m.name.removeprefix("not_run_") for m in numbers.finding.measures if m.name.startswith("not_run_")]
    names = [monitor_name(int(one, 16)) for one in waiting]
    return [f"Not run since the memory was erased: {'; '.join(names)}."] if names else []
