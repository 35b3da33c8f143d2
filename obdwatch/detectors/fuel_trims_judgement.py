"""Which fault, if any, explains the trims: by where they are wrong (idle, high flow, everywhere, one bank), how far
beyond what a healthy car's tolerances give, and how far from the car's own past.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from obdwatch.detectors.fuel_trims_evidence import Evidence
from obdwatch.detectors.fuel_trims_fit import TrimFit
from obdwatch.detectors.fuel_trims_limits import (
    BANK_APART,
    BANK_APART_MISFIRE,
    CLEAR,
    EVERYWHERE,
    EVERYWHERE_SERVICE,
    FALSE_LEAN_SEEN,
    FAST_IDLE,
    FEW_SIGMAS,
    FUEL_SEEN,
    GROWS,
    HIGH_FLOW,
    HIGH_FLOW_BENT,
    LEAN_CYLINDER,
    LEAN_THERE,
    LOW_FLOW,
    LOW_TURNS,
    MOST_ETHANOL,
    NEXT_SERVICE,
    OWN_APART,
    OWN_FAST_IDLE,
    OWN_HIGH,
    OWN_LEVEL,
    OWN_LOW,
    OWN_SIGMAS,
    RICH_TURN,
    SOON,
    SURE,
    SURE_SHARE,
    TURNS,
    TWO_LEAKS,
    UNEVEN,
    Apart,
    Judgement,
)
from obdwatch.detectors.fuel_trims_misfire import FalseLean, without
from obdwatch.detectors.fuel_trims_past import Past
from obdwatch.records import Urgency, Verdict


def judge(whole: TrimFit, banks: dict[int, TrimFit], apart: Apart | None, seen: Evidence, past: Past) -> Judgement:
    """Return what explains the trims best, what misfires do to them taken off first."""
    found = _judge(whole, banks, apart, seen, past)
    lean = seen.false_lean
    most = max((one.most for one in lean.values()), default=0.0)
    if found.verdict is not Verdict.FAULT or most < FALSE_LEAN_SEEN:
        return found
    mean = FalseLean()
    for one in lean.values():
        mean = mean.plus(one, 1.0 / len(lean))
    true_apart = None if apart is None else apart.less(lean[1].plus(lean[2], -1.0))
    true_banks = {bank: without(fit, lean[bank]) for bank, fit in banks.items()}
    rest = _judge(without(whole, mean), true_banks, true_apart, seen, past)
    there = mean.flow if rest.signature in TURNS else mean.idle if rest.signature in LOW_TURNS else 0.0
    if rest.verdict is Verdict.FAULT and abs(rest.size) > UNEVEN * there:
        same = rest.signature == found.signature
        return replace(rest, urgency=found.urgency if same else _urgency(max(abs(found.size), abs(rest.size))))
    return Judgement(Verdict.NOT_ENOUGH_DATA, "misfire_first", size=most)


def _judge(whole: TrimFit, banks: dict[int, TrimFit], apart: Apart | None, seen: Evidence, past: Past) -> Judgement:
    """The clearest pattern first."""
    for found in (_apart(apart, banks, seen, past), _turn(whole, seen, past), _everywhere(whole, seen, past)):
        if found is not None:
            return found
    return _sound(whole, seen, past)


def surely(value: float, sigma: float, limit: float) -> bool:
    """Whether a value exceeds a limit, and surely a good part of it."""
    return value > limit and value - SURE * sigma > SURE_SHARE * limit


def _confidence(value: float, sigma: float, limit: float) -> float:
    spread = float(np.hypot(sigma, 0.4 * limit))  # no limit is known better than that
    return float(np.clip(0.5 + 0.5 * np.tanh((value - limit * SURE_SHARE) / spread / 1.6), 0.5, 0.97))


def _urgency(size: float) -> Urgency:
    if abs(size) >= SOON:
        return Urgency.SOON
    return Urgency.NEXT_SERVICE if abs(size) >= NEXT_SERVICE else Urgency.WATCH


def _urgency_everywhere(size: float) -> Urgency:
    return Urgency.WATCH if abs(size) < EVERYWHERE_SERVICE else _urgency(size)


def _exceeds(value: tuple[float, float], limit: float, own: float, past: Past, name: str) -> tuple[bool, bool]:
    """Whether a value is beyond the general limit or beyond the car's own, and whether its own past said so.

    Where there is a past it decides alone: a car that always stood at 6 % is healthy at 6 %; but a level of twice the
    limit is never healthy, whatever it was before. One or two earlier drives set the limit, but prove no past.
    """
    if surely(value[0], value[1], 2.0 * limit):
        return True, False
    before, few = past.of(name), past.few(name)
    if before is not None:
        sigma = float(np.hypot(value[1], before.spread))
        return surely(value[0] - before.middle, sigma, max(own, OWN_SIGMAS * before.spread)), True
    if few is not None:
        return surely(value[0] - few.middle, value[1], max(own, FEW_SIGMAS * few.spread)), False
    return surely(value[0], value[1], limit), False


def _flip(value: tuple[float, float]) -> tuple[float, float]:
    return -value[0], value[1]


def _bank_limit(lean: int, seen: Evidence) -> float:
    return BANK_APART_MISFIRE if seen.misfiring_bank == lean else BANK_APART


def _apart(apart: Apart | None, banks: dict[int, TrimFit], seen: Evidence, past: Past) -> Judgement | None:
    if apart is None:
        return None
    first, own_first = _exceeds(apart.whole, _bank_limit(1, seen), OWN_APART, past, "bank_difference")
    second, own_second = _exceeds(_flip(apart.whole), _bank_limit(2, seen), OWN_APART, past, "-bank_difference")
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
    if low and whole.idle.value > 0.0:
        urgency = _urgency(max(contrast[0], whole.idle.value))
        confidence = _confidence(contrast[0], contrast[1], OWN_LOW if own_low else LOW_FLOW)
        if seen.metering == "pressure":
            parts: tuple[str, ...] = ("exhaust_leak", "intake_leak")
            return Judgement(Verdict.FAULT, "lean_at_idle", urgency, confidence, parts, None, contrast[0], own_low)
        leak_first = seen.leak_over_exhaust >= -TWO_LEAKS
        leaks = ("intake_leak", "crankcase_ventilation")
        parts = (*leaks, "exhaust_leak") if leak_first else ("exhaust_leak", *leaks)
        signature = "unmetered_air" if leak_first else "lean_at_idle"
        return Judgement(Verdict.FAULT, signature, urgency, confidence, parts, None, contrast[0], own_low)
    high, own_high = _exceeds(_flip(contrast), HIGH_FLOW, OWN_HIGH, past, "-contrast")
    if high and (own_high or _grows(whole, -contrast[0], past)):
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


def _grows(whole: TrimFit, more: float, past: Past) -> bool:
    """Whether fuel is missing with air flowing, more than on earlier drives, and more so with more air, rather than the
    sensor bent at idle.
    """
    if whole.flow is None or whole.flow.value - past.usual("trim_at_flow") <= LEAN_THERE:
        return False
    return more > HIGH_FLOW_BENT or (whole.rise is not None and whole.rise[0] >= GROWS * more)


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
    if seen.misfiring_cylinder is not None and surely(level[0], level[1], LEAN_CYLINDER):
        names: tuple[str, ...] = ("fuel_injector", "fuel_pump", "maf_sensor")
        return Judgement(Verdict.FAULT, "lean_cylinder", _urgency(level[0]), 0.85, names, None, level[0])
    lean, own = _exceeds(level, EVERYWHERE, OWN_LEVEL, past, "level")
    rich, own_rich = _exceeds(_flip(level), EVERYWHERE, OWN_LEVEL, past, "-level")
    if not lean and not rich:
        return None
    shift = level[0] - before.middle if before is not None else level[0]
    like_fuel = abs(shift) <= MOST_ETHANOL and level[0] > -EVERYWHERE
    if seen.fuel_may_differ and like_fuel and whole.contrast is not None:
        return Judgement(Verdict.HEALTHY, "fuel_changed", None, 0.7, (), None, shift, before is not None)
    if like_fuel and (seen.fuel_may_differ or (before is None and seen.fuel_untold) or _new_fuel(whole, past)):
        return Judgement(Verdict.NOT_ENOUGH_DATA, "fuel_or_fault", size=shift)
    size = level[0]
    confidence = _confidence(abs(shift), level[1], OWN_LEVEL if own or own_rich else EVERYWHERE)
    if lean:
        return _lean_everywhere(whole, seen, size, confidence, own, past)
    air = ("maf_sensor",) if seen.metering == "air_flow" else ()
    parts: tuple[str, ...] = ("fuel_injector", *air, "oxygen_sensor_upstream")
    return Judgement(
        Verdict.FAULT, "rich_everywhere", _urgency_everywhere(size), confidence, parts, None, size, own_rich
    )


def _new_fuel(whole: TrimFit, past: Past) -> bool:
    """Whether the trims rose at once and alike at every flow: another fuel does that, wear grows, and a weak pump or a
    dirty sensor grows with flow. Without an idle a step at flow may be either; a leak shows at idle, so that a step
    there is none of the fuel.
    """
    if whole.contrast is None:
        return whole.idle is None and past.jumped(whole.whole.value) and not past.knows_leak()
    if abs(whole.contrast[0]) > HIGH_FLOW:
        return False
    grows = whole.rise is not None and whole.rise[0] - SURE * whole.rise[1] > HIGH_FLOW
    return past.jumped(whole.whole.value) and not grows


def _lean_everywhere(
    whole: TrimFit, seen: Evidence, size: float, confidence: float, own: bool, past: Past
) -> Judgement:
    """Lean at every flow that was seen; where only idle or only flow was, that says which parts come first."""
    metered = seen.metering == "air_flow"
    leaks = ("intake_leak", "crankcase_ventilation") if metered else ()
    sensor = ("maf_sensor",) if metered else ()
    urgency = _urgency_everywhere(size)
    if urgency is Urgency.SOON and (not own or past.jumped(size)):
        urgency = Urgency.NEXT_SERVICE  # it may still be what was filled in
    if whole.idle is not None and whole.flow is None:
        parts = (*leaks, "exhaust_leak", "fuel_injector", *sensor)
        return Judgement(Verdict.FAULT, "lean_idle_only_seen", urgency, confidence, parts, None, size, own)
    if whole.idle is None and leaks and past.knows_leak():
        parts = (*leaks, "exhaust_leak", *sensor, "fuel_pump")
        return Judgement(Verdict.FAULT, "lean_leak_known", urgency, confidence, parts, None, size, own)
    parts = ("fuel_pump", *sensor, "fuel_injector", "oxygen_sensor_upstream")
    signature = "lean_everywhere" if whole.idle is not None else "lean_flow_only_seen"
    return Judgement(Verdict.FAULT, signature, urgency, confidence, parts, None, size, own)


def _sound(whole: TrimFit, seen: Evidence, past: Past) -> Judgement:
    """Healthy when idle and flow were both seen; else say which is missing."""
    if whole.idle is None and whole.flow is None:
        return Judgement(Verdict.NOT_ENOUGH_DATA, "too_little")
    if whole.flow is None:
        return Judgement(Verdict.NOT_ENOUGH_DATA, "flow_missing")
    if whole.idle is None:
        return Judgement(Verdict.NOT_ENOUGH_DATA, "idle_missing")
    if _idles_fast(seen, past):
        parts = ("intake_leak", "crankcase_ventilation", "throttle_body")
        return Judgement(
            Verdict.FAULT, "idles_fast", Urgency.WATCH, 0.6, parts, by_past=past.of("idle_speed") is not None
        )
    contrast = whole.contrast or (0.0, 0.0)
    doubt = max(abs(contrast[0]) / LOW_FLOW, abs(whole.whole.value) / EVERYWHERE)
    confidence = float(np.clip(0.95 - 0.35 * doubt, 0.5, 0.95))
    before = past.of("level")
    if before is not None and seen.refuelled and abs(whole.whole.value - before.middle) > FUEL_SEEN:
        shift = whole.whole.value - before.middle
        return Judgement(Verdict.HEALTHY, "fuel_changed", None, confidence, (), None, shift, True)
    return Judgement(Verdict.HEALTHY, "", None, confidence)


def _idles_fast(seen: Evidence, past: Past) -> bool:
    """An engine that reckons its air from pressure burns what leaks in: it idles faster, with no less pressure."""
    if seen.metering != "pressure" or seen.idle_speed is None:
        return False
    before, pressure = past.of("idle_speed"), past.of("idle_pressure_share")
    if before is None:
        return seen.idle_speed > FAST_IDLE
    if (
        pressure is not None
        and seen.idle_ratio is not None
        and 100.0 * seen.idle_ratio < pressure.middle - LESS_PRESSURE
    ):
        return False
    return seen.idle_speed - before.middle > max(OWN_FAST_IDLE, OWN_SIGMAS * before.spread)


LESS_PRESSURE = 3.0
"""Fall of manifold over outside pressure [%] that is more than the sensors' resolution of 1 kPa each."""
