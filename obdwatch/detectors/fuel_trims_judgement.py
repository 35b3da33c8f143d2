"""Which fault, if any, explains the trims: by where they are wrong (idle, high flow, everywhere, one bank), how far
beyond what a healthy car's tolerances give, and how far from the car's own past.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from obdwatch.detectors.fuel_trims_evidence import Evidence
from obdwatch.detectors.fuel_trims_fit import TrimFit
from obdwatch.detectors.fuel_trims_past import Past
from obdwatch.records import Urgency, Verdict

LOW_FLOW = 5.0
"""Trim at idle over that with air flowing [%] that a sound car may have: an air-mass sensor may be off by 5 % at one
flow against another (common practice); small injection times add to it, the control unit learns most of it away."""

HIGH_FLOW = 3.0
"""Trim with air flowing over that at idle [%]: fuel pressure is regulated and sensors are calibrated at such flows to
2 % each (common practice), and a weak pump or dirty sensor grows further beyond the flows of this drive."""

RICH_TURN = 8.0
"""Trim at one flow below the other [%] that makes a rich fault: purge vapour alone takes off 5 % at idle."""

EVERYWHERE = 10.0
"""Level [%] that is the same everywhere and suspect: within +-8 % is normal, +-10 % suspect (trade press). Fuel with a
tenth of ethanol moves it by 4 % (air per fuel 14.7 to 14.1), sensor and injectors by 5 %."""

BANK_APART = 5.0
"""Difference of two banks [%]: they share air, fuel and pressure; injectors and sensors of each are within 3 %, two of
each bank together 5 (common practice)."""

OWN_LOW, OWN_HIGH, OWN_LEVEL, OWN_APART = 3.0, 2.0, 6.0, 3.0
"""The same against the car's own healthy drives [%]: only weather, heat and learning differ between two drives of one
car. The level also moves with the fuel in the tank: 4 % between pure petrol and a tenth of ethanol."""

OWN_SIGMAS = 4.0
"""And beyond so many standard deviations of the car's own drives."""

SURE = 1.65
"""Standard deviations that a value must keep from a smaller limit, `SURE_SHARE` of the limit: 95 % one-sided."""

SURE_SHARE = 0.7
"""Share of the limit that must be exceeded surely, so that a value at the limit is neither always nor never seen."""

MOST_ETHANOL = 48.0
"""Level [%] to which E85 (air per fuel 9.9) lifts a car that thinks it burns petrol: 14.7 / 9.9 - 1."""

NEXT_SERVICE, SOON = 9.0, 18.0
"""Trim [%] from which it should be seen to: half way to, and shortly before, codes near 20 to 25 (common practice)."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """Verdict with its reasons by name; `bank` where one bank alone is meant; `size` is the trim that is wrong [%]."""

    verdict: Verdict
    signature: str = ""
    urgency: Urgency | None = None
    confidence: float = 0.0
    parts: tuple[str, ...] = ()
    bank: int | None = None
    size: float = 0.0
    by_past: bool = False
    notes: tuple[str, ...] = field(default=())


def judge(whole: TrimFit, banks: dict[int, TrimFit], apart: Apart | None, seen: Evidence, past: Past) -> Judgement:
    """Return what explains the trims best; the clearest pattern first."""
    for found in (_apart(apart, banks, past), _turn(whole, seen, past), _everywhere(whole, seen, past)):
        if found is not None:
            return found
    return _sound(whole, seen, past)


@dataclass(frozen=True, slots=True)
class Apart:
    """Bank 1 less bank 2 [%]: over everything, at idle and with air flowing (value, standard deviation)."""

    whole: tuple[float, float]
    idle: tuple[float, float] | None
    flow: tuple[float, float] | None


def surely(value: float, sigma: float, limit: float) -> bool:
    """Whether a value exceeds a limit, and surely a good part of it."""
    return value > limit and value - SURE * sigma > SURE_SHARE * limit


def _confidence(value: float, sigma: float, limit: float) -> float:
    spread = float(np.hypot(sigma, limit / 4.0))  # a limit is itself known to about a quarter
    return float(np.clip(0.5 + 0.5 * np.tanh((value - limit * SURE_SHARE) / spread / 1.6), 0.5, 0.97))


def _urgency(size: float) -> Urgency:
    if abs(size) >= SOON:
        return Urgency.SOON
    return Urgency.NEXT_SERVICE if abs(size) >= NEXT_SERVICE else Urgency.WATCH


def _exceeds(value: tuple[float, float], limit: float, own: float, past: Past, name: str) -> tuple[bool, bool]:
    """Whether a value is beyond the general limit or beyond the car's own, and whether its own past said so.

    Where there is a past it decides alone: a car that always stood at 6 % is healthy at 6 %; but a level of twice the
    limit is never healthy, whatever it was before.
    """
    before = past.of(name)
    if before is None or surely(value[0], value[1], 2.0 * limit):
        return surely(value[0], value[1], limit), False
    change = value[0] - before.middle
    sigma = float(np.hypot(value[1], before.spread))
    return surely(change, sigma, max(own, OWN_SIGMAS * before.spread)), True


def _flip(value: tuple[float, float]) -> tuple[float, float]:
    return -value[0], value[1]


def _apart(apart: Apart | None, banks: dict[int, TrimFit], past: Past) -> Judgement | None:
    if apart is None:
        return None
    first, own_first = _exceeds(apart.whole, BANK_APART, OWN_APART, past, "bank_difference")
    second, own_second = _exceeds(_flip(apart.whole), BANK_APART, OWN_APART, past, "-bank_difference")
    if not first and not second:
        return _one_bank_leak(apart)
    bank_levels = {bank: fit.whole.value for bank, fit in banks.items()}
    odd = max(bank_levels, key=lambda bank: abs(bank_levels[bank]))
    lean = bank_levels[odd] > 0.0
    size = abs(apart.whole[0])
    parts: tuple[str, ...] = ("fuel_injector", "oxygen_sensor_upstream", "intake_leak")
    signature = "one_bank_lean" if lean else "one_bank_rich"
    if lean and apart.idle is not None and apart.flow is not None:
        falls = abs(apart.idle[0]) - abs(apart.flow[0])
        if falls > LOW_FLOW and abs(apart.flow[0]) < BANK_APART:
            signature, parts = "one_bank_lean_at_idle", ("exhaust_leak", "intake_leak")
    elif not lean:
        parts = ("fuel_injector", "oxygen_sensor_upstream")
    confidence = _confidence(size, apart.whole[1], BANK_APART)
    worst = max(size, abs(bank_levels[odd]))
    return Judgement(Verdict.FAULT, signature, _urgency(worst), confidence, parts, odd, size, own_first or own_second)


def _one_bank_leak(apart: Apart) -> Judgement | None:
    """One bank lean at idle only; over a whole drive with little idle it drowns in the mean."""
    if apart.idle is None or apart.flow is None:
        return None
    value, sigma = apart.idle[0] - apart.flow[0], float(np.hypot(apart.idle[1], apart.flow[1]))
    if not surely(abs(value), sigma, LOW_FLOW):
        return None
    odd = 1 if value > 0.0 else 2
    parts = ("exhaust_leak", "intake_leak")
    confidence = _confidence(abs(value), sigma, LOW_FLOW)
    return Judgement(Verdict.FAULT, "one_bank_lean_at_idle", _urgency(abs(value)), confidence, parts, odd, abs(value))


def _turn(whole: TrimFit, seen: Evidence, past: Past) -> Judgement | None:
    """Trims that change with flow: lean or rich at idle only, or with air flowing only."""
    contrast = whole.contrast
    if contrast is None or whole.idle is None or whole.flow is None:
        return None
    low, own_low = _exceeds(contrast, LOW_FLOW, OWN_LOW, past, "contrast")
    if low and whole.idle.value > -LOW_FLOW:
        urgency = _urgency(max(contrast[0], whole.idle.value))
        confidence = _confidence(contrast[0], contrast[1], OWN_LOW if own_low else LOW_FLOW)
        if seen.metering == "pressure":
            parts: tuple[str, ...] = ("exhaust_leak", "intake_leak")
            return Judgement(
                Verdict.FAULT, "lean_at_idle", urgency, confidence, parts, None, contrast[0], own_low, ("pressure",)
            )
        leak_first = seen.leak_over_exhaust >= 0.0
        leaks = ("intake_leak", "crankcase_ventilation")
        parts = (*leaks, "exhaust_leak") if leak_first else ("exhaust_leak", *leaks)
        signature = "unmetered_air" if leak_first else "lean_at_idle"
        return Judgement(Verdict.FAULT, signature, urgency, confidence, parts, None, contrast[0], own_low)
    high, own_high = _exceeds(_flip(contrast), HIGH_FLOW, OWN_HIGH, past, "-contrast")
    if high and whole.flow.value > -HIGH_FLOW:
        size = -contrast[0]
        confidence = _confidence(size, contrast[1], OWN_HIGH if own_high else HIGH_FLOW)
        parts = ("fuel_pump", "maf_sensor")
        signature = "lean_with_flow"
        if seen.metering == "pressure":
            parts, signature = ("fuel_pump",), "fuel_delivery_falls"
        elif seen.sensor_over_pump >= 0.0:
            parts = ("maf_sensor", "fuel_pump")
            signature = "air_sensor_reads_low" if seen.sensor_over_pump > CLEAR else signature
        elif seen.sensor_over_pump < -CLEAR:
            signature = "fuel_delivery_falls"
        worst = max(size, whole.flow.value)
        return Judgement(Verdict.FAULT, signature, _urgency(worst), confidence, parts, None, size, own_high)
    return _rich_turn(whole, contrast)


CLEAR = 0.7
"""Natural logarithm of odds (two to one) from which one of two parts is named in the signature."""


def _rich_turn(whole: TrimFit, contrast: tuple[float, float]) -> Judgement | None:
    if whole.idle is None or whole.flow is None:
        return None
    if surely(-contrast[0], contrast[1], RICH_TURN) and whole.idle.value < -RICH_TURN:
        parts = ("fuel_injector", "oxygen_sensor_upstream")
        confidence = _confidence(-contrast[0], contrast[1], RICH_TURN)
        size = whole.idle.value
        return Judgement(Verdict.FAULT, "rich_at_idle", _urgency(size), confidence, parts, None, size)
    if surely(contrast[0], contrast[1], RICH_TURN) and whole.flow.value < -RICH_TURN:
        confidence = _confidence(contrast[0], contrast[1], RICH_TURN)
        size = whole.flow.value
        return Judgement(Verdict.FAULT, "rich_with_flow", _urgency(size), confidence, ("maf_sensor",), None, size)
    return None


def _everywhere(whole: TrimFit, seen: Evidence, past: Past) -> Judgement | None:
    """A level that is wrong at every flow on every bank: fuel, air sensor, pressure or, with one bank, an injector."""
    level = (whole.whole.value, whole.whole.sigma)
    before = past.of("level")
    lean, own = _exceeds(level, EVERYWHERE, OWN_LEVEL, past, "level")
    rich, own_rich = _exceeds(_flip(level), EVERYWHERE, OWN_LEVEL, past, "-level")
    if not lean and not rich:
        return None
    shift = level[0] - before.middle if before is not None else level[0]
    if seen.fuel_may_differ and abs(shift) <= MOST_ETHANOL:
        return Judgement(Verdict.HEALTHY, "fuel_changed", None, 0.7, (), None, shift, before is not None)
    size = level[0]
    if seen.misfiring_cylinder is not None and lean:
        parts: tuple[str, ...] = ("fuel_injector", "fuel_pump", "maf_sensor")
        return Judgement(Verdict.FAULT, "lean_cylinder", _urgency(size), 0.85, parts, None, size, own)
    confidence = _confidence(abs(shift), level[1], OWN_LEVEL if own or own_rich else EVERYWHERE)
    if lean:
        air = ("maf_sensor",) if seen.metering == "air_flow" else ()
        parts = ("fuel_pump", *air, "fuel_injector", "oxygen_sensor_upstream")
        return Judgement(Verdict.FAULT, "lean_everywhere", _urgency(size), confidence, parts, None, size, own)
    air = ("maf_sensor",) if seen.metering == "air_flow" else ()
    parts = ("fuel_injector", *air, "oxygen_sensor_upstream")
    return Judgement(Verdict.FAULT, "rich_everywhere", _urgency(size), confidence, parts, None, size, own_rich)


def _sound(whole: TrimFit, seen: Evidence, past: Past) -> Judgement:
    """Healthy when idle and flow were both seen; else say which is missing."""
    if whole.idle is None and whole.flow is None:
        return Judgement(Verdict.NOT_ENOUGH_DATA, "too_little")
    if whole.flow is None:
        return Judgement(Verdict.NOT_ENOUGH_DATA, "flow_missing")
    if whole.idle is None:
        return Judgement(Verdict.NOT_ENOUGH_DATA, "idle_missing")
    contrast = whole.contrast or (0.0, 0.0)
    doubt = max(abs(contrast[0]) / LOW_FLOW, abs(whole.whole.value) / EVERYWHERE)
    confidence = float(np.clip(0.95 - 0.35 * doubt, 0.5, 0.95))
    before = past.of("level")
    if before is not None and seen.refuelled and abs(whole.whole.value - before.middle) > FUEL_SEEN:
        shift = whole.whole.value - before.middle
        return Judgement(Verdict.HEALTHY, "fuel_changed", None, confidence, (), None, shift, True)
    return Judgement(Verdict.HEALTHY, "", None, confidence)


FUEL_SEEN = 3.0
"""Change of the level after a refuel [%] worth telling: pure petrol to a tenth of ethanol is 4."""
