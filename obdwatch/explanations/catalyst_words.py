"""What the catalyst detector found, in plain language: one function per kind of answer."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from obdwatch.explanations.wording import Numbers, Words
from obdwatch.records import Finding, Verdict

MISSING: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "diesel": (
            "This engine burns lean by design: its catalyst is not judged.",
            "The test here is for petrol engines with a sensor before and behind the catalyst.",
        ),
        "no_front_sensor": (
            "The oxygen sensor before the catalyst was not recorded.",
            "A catalyst can only be judged by what goes in and what comes out.",
        ),
        "no_rear_sensor": (
            "No oxygen sensor behind the catalyst was recorded.",
            "A catalyst can only be judged by what goes in and what comes out.",
        ),
        "status_missing": (
            "The fuel system status was not recorded: the catalyst cannot be judged.",
            "After a fuel cut every catalyst lets lean exhaust through, and without the status cuts are not known.",
        ),
        "sampling_too_slow": (
            "The oxygen sensors were read too seldom to judge the catalyst.",
            "The mixture swings once or twice a second; several readings must fall on a few seconds.",
        ),
        "too_little_cruise": (
            "Too little steady, warm driving to judge the catalyst.",
            "Each roll-out with the fuel cut fills it with oxygen and hides its state for a while.",
        ),
        "rear_silent": (
            "The oxygen sensor behind the catalyst does not move: the catalyst cannot be judged.",
            "Even a perfect catalyst lets a fuel cut through. The sensor, its plug or its wiring comes first.",
        ),
        "front_quiet": (
            "The mixture hardly swings before the catalyst, so the catalyst is not put to the test.",
            "A slow sensor before the catalyst or a very even control does this.",
        ),
        "mixture_first": (
            "The catalyst looks tired, but a misfire or a mixture fault would make any catalyst look so.",
            "Cure that first: raw fuel also overheats and destroys a catalyst.",
        ),
        "undecided": (
            "The catalyst may be healthy or a little tired: this drive cannot tell.",
            "The share of the swing that comes through varies too much.",
        ),
    }
)
"""Headline and reason by what was missing."""

ALIKE = (
    "An exhaust leak near the rear sensor, or a rear sensor that is failing, can look alike: check both before you buy"
    " a catalyst. Ask too what wore it out: misfire, oil burning, a rich mixture."
)


def catalyst_words(finding: Finding, units: str) -> Words:
    """Word a finding of the catalyst detector."""
    numbers = Numbers(finding, units)
    if finding.verdict is Verdict.NOT_ENOUGH_DATA:
        headline, reason = MISSING.get(finding.signature, ("This drive cannot tell how the catalyst does.", ""))
        seen = (_share(numbers),) if numbers.get("share_surviving") is not None else ()
        return Words(headline, (*seen, reason) if reason else seen)
    if finding.verdict is Verdict.HEALTHY:
        return Words("The catalyst evens the exhaust out as it should.", (_share(numbers), *_where(numbers)))
    return FAULTS.get(finding.signature, _worn)(numbers)


def _worn(numbers: Numbers) -> Words:
    reasons = (_share(numbers), *_where(numbers), *_other(numbers), *_mixture(numbers), ALIKE)
    return Words(f"The catalyst{_bank(numbers)} is worn: it no longer evens the exhaust out.", reasons)


def _tired(numbers: Numbers) -> Words:
    reasons = (_share(numbers), *_where(numbers), *_other(numbers), ALIKE)
    return Words(f"The catalyst{_bank(numbers)} is tired: more comes through than behind a good one.", reasons)


def _losing(numbers: Numbers) -> Words:
    reasons = (
        _share(numbers),
        "On this car's earlier healthy drives clearly less came through: it stores less oxygen than it did.",
        *_other(numbers),
        ALIKE,
    )
    return Words(f"The catalyst{_bank(numbers)} stores less oxygen than it used to.", reasons)


def _share(numbers: Numbers) -> str:
    wide = numbers.get("wide_range")
    swings = "the sensor swings" if wide is None or not wide.value else "a switching sensor would swing"
    return (
        f"Of the swings of the exhaust {numbers.say('share_surviving')} come through the catalyst{_bank(numbers)}"
        f" (range {numbers.interval('share_surviving')}); good is below 20%, and near 70% most cars set a code."
        f" Before it {swings} by {numbers.say('swing_before', 2)}, behind it by {numbers.say('swing_behind', 2)}."
    )


def _where(numbers: Numbers) -> tuple[str, ...]:
    readings, steady = numbers.get("readings"), numbers.get("steady")
    if readings is None or steady is None:
        return ()
    where = "steady warm cruise" if steady.value else "warm driving, as there was too little steady cruise"
    return (f"Judged on {readings.value:,.0f} readings in {where}.",)


def _other(numbers: Numbers) -> tuple[str, ...]:
    if numbers.get("share_other_bank") is None:
        return ()
    return (f"Behind the catalyst of the other bank it is {numbers.say('share_other_bank')}.",)


def _mixture(numbers: Numbers) -> tuple[str, ...]:
    if numbers.get("mixture_fault") is None:
        return ()
    return ("There is also a misfire or mixture fault: cure that first, or it will ruin the next catalyst too.",)


def _bank(numbers: Numbers) -> str:
    bank, banks = numbers.get("bank"), numbers.get("banks_seen")
    several = banks is not None and banks.value > 1.0
    return f" of bank {bank.value:.0f}" if bank is not None and (several or bank.value > 1.0) else ""


FAULTS: Mapping[str, Callable[[Numbers], Words]] = MappingProxyType(
    {"worn": _worn, "tired": _tired, "losing_storage": _losing}
)
"""Who words which fault."""
