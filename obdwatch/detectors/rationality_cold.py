"""Do all temperatures agree after a night's stand? And is the coolant ever colder than any air around it?"""

from __future__ import annotations

from collections.abc import Mapping

from obdwatch.detectors.rationality_doubt import Check, Doubt
from obdwatch.detectors.rationality_rest import first_readings, warmed_before
from obdwatch.physics.sensors import soak_remainder
from obdwatch.records import Drive, Measure

SOAK_HOURS = 6.0
"""Standing [h] from which temperatures are compared; monitors ask for 6 to 8 (from memory)."""

AGREEMENT = 8.0
"""Disagreement that counts after a long stand [K]: 5 K (workshop rule), and 3 K for a morning or an evening in which
the air changes by 1 K/h and the engine follows three hours late (energy balance)."""

HOT_ABOVE_AIR, ENGINE_TIME = 75.0, 3.0
"""A hot engine is 75 K above the air when it is switched off, and cools down with three hours (energy balance)."""

INTAKE_IN_SUN, AMBIENT_IN_SUN = 20.0, 12.0
"""Sun on the bonnet warms the intake sensor, a hot wall or the road the outside sensor, by so much [K] (common
practice)."""

BELOW_AIR, BELOW_AIR_OF_ONE = 10.0, 15.0
"""Whatever the stand was: coolant from a cold garage can be so far below two air temperatures [K], and further
below one."""

BLOCK_HEATER_AIR = 5.0
"""Block heaters are plugged in when it is colder [degC] (common practice)."""

AIR_KEYS = ("ambient_air_temperature", "intake_air_temperature")


def cold_check(drive: Drive) -> Check | None:
    """Return what disagrees before the start, None where nothing could be compared."""
    first = first_readings(drive)
    airs = {key: first[key] for key in AIR_KEYS if key in first}
    if not airs or len(first) < 2:
        return None
    soak = drive.session.soak_hours
    if soak is None or soak < SOAK_HOURS:
        doubt = _colder_than_air(first, airs)
        return Check((doubt,)) if doubt is not None else None if soak is None else Check()
    if "coolant_temperature" not in first:
        return None
    warmed = warmed_before(drive, "coolant_temperature")
    expected = _expected(first, airs, soak, warmed or 0.0)
    if warmed is None and first["coolant_temperature"] >= expected[1]:
        return None  # it may as well have run for some minutes
    coolant = _coolant(first, airs, soak, expected)
    if coolant is not None:
        return Check((coolant,))
    return Check(_air_sensor(first), _measures(first, first["coolant_temperature"], expected))


def _colder_than_air(first: Mapping[str, float], airs: Mapping[str, float]) -> Doubt | None:
    coolant = first.get("coolant_temperature")
    room = BELOW_AIR if len(airs) > 1 else BELOW_AIR_OF_ONE
    if coolant is None or (len(airs) == 1 and "ambient_air_temperature" not in airs):
        return None
    below = min(airs.values()) - coolant
    if below < room:
        return None
    reason = f"reads {below:.0f} °C below all the air around the car"
    return _sensor("coolant_below_air", reason, first, coolant, (min(airs.values()) - room, 150.0))


def _expected(first: Mapping[str, float], airs: Mapping[str, float], soak: float, warmed: float) -> tuple[float, float]:
    """Return between what the coolant must read after a stand [degC], `warmed` [K] at most by an engine that ran."""
    others = [value for key, value in first.items() if key != "coolant_temperature"]
    only_intake = set(airs) == {"intake_air_temperature"} and len(others) == 1
    lowest = min(others) - (INTAKE_IN_SUN if only_intake else AGREEMENT)
    return lowest, max(others) + AGREEMENT + soak_remainder(soak, HOT_ABOVE_AIR, ENGINE_TIME) + warmed


def _coolant(
    first: Mapping[str, float], airs: Mapping[str, float], soak: float, expected: tuple[float, float]
) -> Doubt | None:
    coolant = first["coolant_temperature"]
    if expected[0] < coolant < expected[1]:
        return None
    others = [value for key, value in first.items() if key != "coolant_temperature"]
    low = coolant <= expected[0]
    away = min(others) - coolant if low else coolant - max(others)
    reason = f"reads {away:.0f} °C {'below' if low else 'above'} the air after standing {soak:.0f} hours"
    if low:
        return _sensor("coolant_reads_low", reason, first, coolant, expected)
    if min(airs.values()) < BLOCK_HEATER_AIR:
        return Doubt(
            "coolant_temperature",
            "coolant_warm_or_wrong",
            reason,
            measures=_measures(first, coolant, expected),
            confidence=0.0,
            firm=False,
        )
    return _sensor("coolant_reads_high", reason, first, coolant, expected)


def _sensor(
    signature: str, reason: str, first: Mapping[str, float], coolant: float, expected: tuple[float, float]
) -> Doubt:
    sure = 0.95 if len(first) > 2 else 0.8
    measures = _measures(first, coolant, expected)
    return Doubt("coolant_temperature", signature, reason, ("coolant_temperature_sensor",), measures, confidence=sure)


def _measures(first: Mapping[str, float], coolant: float, expected: tuple[float, float]) -> tuple[Measure, ...]:
    others = tuple(Measure(f"{k}_at_rest", v, "degC") for k, v in first.items() if k != "coolant_temperature")
    return (Measure("coolant_at_rest", coolant, "degC", None, expected), *others)


def _air_sensor(first: Mapping[str, float]) -> tuple[Doubt, ...]:
    """The coolant and one air sensor agree: is the other one beyond what sun can do?"""
    if len(first) < 3:
        return ()
    found = []
    for key, sun in (("intake_air_temperature", INTAKE_IN_SUN), ("ambient_air_temperature", AMBIENT_IN_SUN)):
        others = [value for other, value in first.items() if other != key]
        if key not in first or max(others) - min(others) > AGREEMENT:
            continue
        below, above = min(others) - first[key], first[key] - max(others)
        if below >= AMBIENT_IN_SUN or above >= sun + AGREEMENT:
            away = f"{below:.0f} °C below" if below > 0.0 else f"{above:.0f} °C above"
            reason = f"reads {away} all other temperatures after a long stand"
            expected = (min(others) - AMBIENT_IN_SUN, max(others) + sun + AGREEMENT)
            measure = Measure("air_at_rest", first[key], "degC", None, expected)
            other = Measure("coolant_at_rest", first["coolant_temperature"], "degC")
            signature = f"{key.removesuffix('_temperature')}_disagrees_cold"
            found.append(Doubt(key, signature, reason, (), (measure, other), confidence=0.8))
    return tuple(found)
