"""Which cylinders misfire, and which parts that points to: one, neighbours, partners of a coil, a bank, or all."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.misfire_conditions import Shares
from obdwatch.physics.misfire import chance_of_excess
from obdwatch.records import Car, FloatArray

MULTIPLE = 0.10
"""Share of all misfires from which a cylinder must be named beside another (40 CFR 86.010-18(h)(2))."""

DISPERSION = 3.0
"""Least variance over mean of misfire counts: one disturbance makes a cylinder miss several times (workshop rule)."""

STANDS_OUT = 1e-5
"""Chance of a count as high as this from the rate of the other cylinders; a drive asks for each of up to 12 cylinders,
and this leaves one false alarm in some ten thousand drives."""

BY_CHANCE = 0.2
"""Chance at which nothing under load is no wonder: it only orders parts, it raises nothing."""

NAMED = 1e-3
"""Chance of the same kind from which cylinders are not named: few misfires fall unevenly by themselves."""

LEAN_TRIM, LEAN_CYLINDER = 8.0, 0.25
"""Total trim that is no longer usual [%] (trade press); fuel that one cylinder must lack to misfire: petrol burns badly
from lambda 1.3 on at part load (Heywood, chapter 9, from memory)."""

INJECTOR_ODDS = -1.0
"""Log odds of an injector against coil or plug before anything is seen: about one in four (workshop rule)."""

TRIM_SPREAD, BANK_SPREAD = 4.0, 3.0
"""Standard deviation of a healthy trim [%] (+-8 % is normal, trade press), and of the difference of two banks."""

LIFT_OF_FUEL, LIFT_OF_SPARK = (-1.0, 1.5), (1.2, 1.2)
"""Mean and spread of log2 of a misfire's preference for load: a weak spark fails two to four times as often there, a
dead one everywhere alike; a lean cylinder fails rather at light load, where mixtures burn worst (workshop rule)."""

LEANER_UNDER_LOAD = 3.0
"""Trim under load above that at light load [%] from which fuel runs short with flow: half the usual spread of trims."""

OTHER_FUEL = 18.0
"""Trim of every bank [%] that another fuel makes: from a tenth of ethanol to the half that is the least in E85 (ASTM
D5798, from memory) the air per fuel goes from 14.1 to 11.7."""

USUALLY_INLINE = 4
"""Engines with so few cylinders usually have them in one row (common practice)."""

GASKET_FIRST = ("head_gasket", "spark_plugs", "ignition_coil", "fuel_injector")

CAM_CODES = {"P0010", "P0011", "P0012", "P0020", "P0021", "P0022"}
EXHAUST_CAM_CODES = {"P0013", "P0014", "P0015", "P0023", "P0024", "P0025"}
LEAN_CODES = {"P0171", "P0174"}
FUEL_PRESSURE_CODES = {"P0087", "P0190", "P0191", "P0192", "P0230", "P0231"}
COIL_CODES = {f"P03{number}" for number in range(50, 63)}
INJECTOR_CODES = {f"P02{number:02d}" for number in range(1, 13)} | {f"P02{number}" for number in range(61, 97)}


@dataclass(frozen=True, slots=True)
class Scene:
    """What surrounded the misfires: shares by load and temperature, trims [%] by bank, growth of trim with load [%].

    `misfire_of_bank` is that of the worst cylinder's bank [% of its firings], None where nothing was counted; `starves`
    whether the mixture is lean where a rich one is asked for, `little_air` whether full throttle measures little air;
    `codes` and `failed_cams` are what the car itself says; `occasions` on how many misfires came, and
    `dispersions` [cylinders] how much their counts vary.
    """

    loads: Shares
    temperatures: Shares
    trims: tuple[float | None, float | None]
    trim_growth: float | None
    misfire_of_bank: float | None
    codes: frozenset[str]
    failed_cams: bool = False
    starves: bool | None = None
    little_air: bool = False
    occasions: float = 0.0
    dispersions: FloatArray | None = None


@dataclass(frozen=True, slots=True)
class Pattern:
    """Cylinders that misfire (numbers from 1; empty for all or unknown), the name of the pattern and the parts."""

    name: str
    cylinders: tuple[int, ...]
    bank: int | None
    parts: tuple[str, ...]


def guilty(counts: FloatArray) -> tuple[int, ...]:
    """Return the cylinders that hold a share of the misfires to be named, numbers from 1."""
    total = float(counts.sum())
    least = min(MULTIPLE, 0.5 / max(len(counts), 1))
    if total <= 0.0:
        return ()
    named = [place + 1 for place, count in enumerate(counts) if count / total > least]
    top = int(counts.argmax()) + 1
    return (top,) if counts.max() / total > 1.0 - MULTIPLE else tuple(named)


def stands_out(counts: FloatArray, cylinders: tuple[int, ...], dispersions: FloatArray | None = None) -> float:
    """Chance that the others misfire at the same rate as the named cylinders; 1 where there are no others.

    `dispersions` [cylinders] are those of this drive, NaN where unknown: what comes in bursts proves less.
    """
    inside = sum(float(counts[one - 1]) for one in cylinders)
    others = [place for place in range(len(counts)) if place + 1 not in cylinders]
    if not cylinders or not others:
        return 1.0
    seen = dispersions[others] if dispersions is not None and len(dispersions) == len(counts) else np.empty(0)
    spread = max(DISPERSION, float(np.mean(seen[np.isfinite(seen)])) if np.isfinite(seen).any() else 0.0)
    rest = float(counts.sum()) - inside
    return chance_of_excess(inside, float(len(cylinders)), rest, float(len(others)), spread)


def partners(car: Car | None) -> tuple[frozenset[int], ...]:
    """Return the pairs that fire a whole turn apart: a shared coil sparks for both at once."""
    order = car.firing_order if car is not None else None
    if not order or len(order) % 2:
        return ()
    half = len(order) // 2
    return tuple(frozenset((order[place], order[place + half])) for place in range(half))


def are_neighbours(pair: tuple[int, ...], cylinders: int, car: Car | None) -> bool:
    """Whether two cylinders share a wall of the block, as far as the layout is known."""
    banks = car.bank_cylinders if car is not None else None
    layout = car.layout if car is not None else None
    if layout == "inline" or (layout is None and not _vee(banks) and cylinders <= USUALLY_INLINE):
        return abs(pair[0] - pair[1]) == 1
    for bank in banks or ():
        if pair[0] in bank and pair[1] in bank:
            return abs(bank.index(pair[0]) - bank.index(pair[1])) == 1
    return False


def _vee(banks: tuple[tuple[int, ...], ...] | None) -> bool:
    return banks is not None and len(banks) > 1


def bank_of(cylinder: int, car: Car | None) -> int | None:
    """Return the bank of a cylinder, counted from 1, None where unknown."""
    for place, bank in enumerate((car.bank_cylinders if car is not None else None) or ()):
        if cylinder in bank:
            return place + 1
    return None


def pattern_of(counts: FloatArray, car: Car | None, scene: Scene) -> Pattern:
    """Name the pattern of the counts [cylinders] and the parts it points to, likeliest first."""
    named = guilty(counts)
    if len(counts) < 2 or len(named) == len(counts) or stands_out(counts, named, scene.dispersions) >= NAMED:
        return _all(scene)
    if len(named) == 1:
        return _one(named[0], len(counts), car, scene)
    if len(named) == 2:
        pair = _pair(named, len(counts), car, scene)
        if pair is not None:
            return pair
    for place, bank in enumerate((car.bank_cylinders if car is not None else None) or ()):
        if len(named) > 1 and set(named) <= set(bank) and len(named) >= len(bank) - 1 and len(bank) < len(counts):
            return Pattern("one_bank", named, place + 1, _bank_parts(place + 1, scene))
    if len(named) == 2:
        return Pattern("two_cylinders", named, None, ("ignition_coil", "spark_plugs", "fuel_injector"))
    return _all(scene)


def _pair(named: tuple[int, ...], cylinders: int, car: Car | None, scene: Scene) -> Pattern | None:
    ignition = car.ignition if car is not None else None
    share_coil = frozenset(named) in partners(car) and ignition != "coil_per_cylinder"
    near = are_neighbours(named, cylinders, car)
    cold = scene.temperatures.mostly("cold_start")
    if cold and not near and (car is None or (car.layout is None and car.bank_cylinders is None)):
        return Pattern("two_cold", named, None, GASKET_FIRST)
    if near and (cold or not share_coil):
        return Pattern("two_neighbours", named, bank_of(named[0], car), GASKET_FIRST)
    if share_coil and ignition != "distributor":
        return Pattern("coil_pair", named, bank_of(named[0], car), ("ignition_coil", "spark_plugs"))
    return None


def _one(cylinder: int, cylinders: int, car: Car | None, scene: Scene) -> Pattern:
    bank = bank_of(cylinder, car)
    own_coil = car is None or car.ignition in (None, "coil_per_cylinder")
    spark = ("ignition_coil", "spark_plugs") if own_coil else ("spark_plugs", "ignition_coil")
    parts: tuple[str, ...] = (*spark, "fuel_injector")
    if scene.codes & COIL_CODES:
        parts = ("ignition_coil", "spark_plugs", "fuel_injector")
    elif scene.codes & INJECTOR_CODES or _lacks_fuel(bank, cylinders, car, scene):
        parts = ("fuel_injector", *spark)
    elif scene.temperatures.mostly("cold_start"):
        parts = ("head_gasket", "fuel_injector", "spark_plugs", "ignition_coil")
    return Pattern("one_cylinder", (cylinder,), bank, parts)


def _lacks_fuel(bank: int | None, cylinders: int, car: Car | None, scene: Scene) -> bool:
    """Whether one cylinder more likely lacks fuel than a spark.

    The spark needs most voltage under load, so coil and plug fail there first; a lean cylinder fails anywhere, and the
    mean mixture of its bank is lean by its share, also where nothing misfires.
    """
    banks = car.bank_cylinders if car is not None else None
    own, other = scene.trims if bank != 2 else scene.trims[::-1]
    size = len(banks[bank - 1]) if banks and bank else cylinders // (2 if other is not None else 1)
    if bank is None and own is not None and other is not None:
        own, other = max(own, other), min(own, other)
    odds = INJECTOR_ODDS
    if own is not None and scene.misfire_of_bank is not None:
        spread = TRIM_SPREAD if other is None else BANK_SPREAD
        lacking = own - (other or 0.0)
        # Air of failed firings reads lean and explains up to all of a lean trim, but never makes a bank look rich.
        excess = max(lacking - scene.misfire_of_bank, min(lacking, 0.0))
        lean = 1.5 * 100.0 * LEAN_CYLINDER / max(size, 1)
        odds += _log_normal(excess, lean, np.hypot(spread, lean / 2.0)) - _log_normal(excess, 0.0, spread)
    loaded, exposure = scene.loads.misfires.get("loaded"), scene.loads.revolutions.get("loaded", 0.0)
    if loaded is not None and exposure > 0.02:
        lift = float(np.log2(loaded / exposure + 0.1))
        odds += _log_normal(lift, *LIFT_OF_FUEL) - _log_normal(lift, *LIFT_OF_SPARK)
    return odds > 0.0


def _log_normal(value: float, mean: float, deviation: float) -> float:
    return float(-0.5 * ((value - mean) / deviation) ** 2 - np.log(deviation))


def _bank_parts(bank: int, scene: Scene) -> tuple[str, ...]:
    trim = scene.trims[bank - 1] if bank <= 2 else None
    if scene.failed_cams or scene.codes & (CAM_CODES | EXHAUST_CAM_CODES):
        return ("cam_timing_solenoid_intake", "cam_timing_solenoid_exhaust", "oxygen_sensor_upstream")
    if trim is not None and trim > LEAN_TRIM:
        return ("exhaust_leak", "intake_leak", "oxygen_sensor_upstream")
    if trim is not None and trim < -LEAN_TRIM:
        return ("oxygen_sensor_upstream", "fuel_injector", "catalytic_converter")
    return ("catalytic_converter", "oxygen_sensor_upstream", "cam_timing_solenoid_intake", "exhaust_leak")


def _all(scene: Scene) -> Pattern:
    trims = [trim for trim in scene.trims if trim is not None]
    lean = bool(scene.codes & LEAN_CODES) or (bool(trims) and min(trims) > LEAN_TRIM)
    name, parts = _all_parts(scene, lean)
    cams: tuple[str, ...] = ()
    if scene.codes & CAM_CODES:
        cams += ("cam_timing_solenoid_intake",)
    if scene.codes & EXHAUST_CAM_CODES:
        cams += ("cam_timing_solenoid_exhaust",)
    if scene.failed_cams and not cams:
        cams = ("cam_timing_solenoid_intake", "cam_timing_solenoid_exhaust")
    return Pattern(name, (), None, (*cams, *(part for part in parts if part not in cams)))


def _all_parts(scene: Scene, lean: bool) -> tuple[str, tuple[str, ...]]:
    if scene.temperatures.mostly("cold_start") or _only_cold(scene):
        parts = ("spark_plugs", "coolant_temperature_sensor", "fuel_injector", "intake_leak")
        return "all_cold", parts
    if scene.loads.mostly("loaded"):
        starved = scene.starves or (scene.trim_growth is not None and scene.trim_growth > LEANER_UNDER_LOAD)
        if starved or scene.codes & FUEL_PRESSURE_CODES:
            air_first = scene.little_air and not scene.codes & FUEL_PRESSURE_CODES
            order = ("maf_sensor", "fuel_pump") if air_first else ("fuel_pump", "maf_sensor")
            return "all_under_load", (*order, "spark_plugs")
        if lean:
            return "all_under_load", ("fuel_pump", "maf_sensor", "spark_plugs")
        return "all_under_load", ("spark_plugs", "fuel_pump", "ignition_coil")
    if scene.loads.mostly("idle") or _spares_load(scene):
        name = "all_at_idle" if scene.loads.mostly("idle") else "all_at_light_load"
        if lean:
            return name, ("intake_leak", "maf_sensor", "cam_timing_solenoid_intake")
        return name, ("cam_timing_solenoid_intake", "intake_leak", "crankcase_ventilation", "spark_plugs")
    if scene.starves:
        return "all_cylinders", (("maf_sensor", "fuel_pump") if scene.little_air else ("fuel_pump", "maf_sensor"))
    if lean:
        return "all_cylinders", ("fuel_pump", "maf_sensor", "intake_leak", "spark_plugs")
    return "all_cylinders", ("spark_plugs", "fuel_pump", "cam_timing_solenoid_intake", "intake_leak")


def _only_cold(scene: Scene) -> bool:
    cold = sum(scene.temperatures.misfires.get(name, 0.0) for name in ("cold_start", "cold"))
    turned = sum(scene.temperatures.revolutions.get(name, 0.0) for name in ("cold_start", "cold"))
    return cold > 0.8 and cold > 2.0 * turned and turned < 0.5


def _spares_load(scene: Scene) -> bool:
    """Misfires fewer under load than its share of the turns: residual gas and thin mixtures burn better there.

    So many occasions must have been seen that some of them would have fallen under load by chance.
    """
    loaded, exposure = scene.loads.misfires.get("loaded"), scene.loads.revolutions.get("loaded", 0.0)
    telling = (1.0 - exposure) ** scene.occasions < BY_CHANCE
    return loaded is not None and telling and loaded < 0.5 * exposure
