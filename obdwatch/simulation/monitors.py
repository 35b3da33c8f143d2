"""The on-board monitors of the virtual car: what its control unit watches, and when it calls it a fault.

A monitor sees only what the control unit's own sensors say. Its verdict per trouble code and drive is True (failed),
False (passed), or absent (has not run). Limits are invented in the usual range; regulations leave them to the maker.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

from obdwatch.simulation.layouts import Layout
from obdwatch.simulation.misfire import Misfire, misfire_percent

THERMOSTAT_MARGIN = 11.0  # K below regulating temperature (40 CFR 86.010-18(i)(1))
THERMOSTAT_AMBIENT = -7.0  # degC below which the monitor may rest
LONG_SOAK = 8.0  # h
SENSOR_DISAGREEMENT = 16.0  # K
TRIM_FAULT, TRIM_GOOD = 22.0, 17.0  # % short plus long (common practice: codes near 20 to 25)
MISFIRE_EMISSIONS, MISFIRE_CATALYST = 1.5, 6.0  # % over 1,000 and over 200 revolutions (floors 1 and 5, CFR)
SINGLE_CYLINDER = 0.9  # share that makes it one cylinder's code (CFR)
CATALYST_LIMIT = 0.70  # rear over front activity (typical limit)
SENSOR_TIME_LIMIT = 200.0  # ms
CAM_LIMIT = 10.0  # deg
LOW_VOLTAGE, HIGH_VOLTAGE = 11.6, 15.6
OVERHEATED = 118.0  # degC
IDLE_LOW, IDLE_HIGH = -110.0, 220.0  # 1/min off target
AIR_FLOW_RATIO = 0.22  # share by which measured and computed air may differ


@dataclass(slots=True)
class Seen:
    """What the control unit knows at one moment; units as in SAE J1979."""

    running: bool = False
    since_start: float = 0.0
    soak_hours: float = 0.0
    coolant: float = 20.0
    start_coolant: float = 20.0
    intake_air: float = 20.0
    ambient: float = 20.0
    speed: float = 0.0
    engine_speed: float = 0.0
    idle_error: float = 0.0
    idling: bool = False
    air_used: float = 0.0  # g since the start
    air_ratio: float | None = None  # measured over computed air flow, where both are metered
    voltage: float = 12.5
    closed_loop: bool = False
    full_load: bool = False
    purging: bool = False
    trims: list[float] = field(default_factory=list)  # short plus long, smoothed, per bank
    sensor_ready: bool = False
    sensor_times: list[float] = field(default_factory=list)  # ms per bank
    activities: list[tuple[float, float]] = field(default_factory=list)  # (front, rear) sums per bank
    catalyst: float = 20.0
    cruising: bool = False
    intake_errors: list[float] = field(default_factory=list)  # deg per head
    exhaust_errors: list[float] = field(default_factory=list)
    cams_ready: bool = False


class Monitor(Protocol):
    """One thing the control unit watches; `group` is its readiness monitor."""

    group: str
    verdicts: dict[str, bool]
    values: dict[str, float]

    def watch(self, dt: float, seen: Seen) -> None:
        """Look at the car once more."""
        ...


class _Base:
    """What all monitors share: verdicts that only get worse within a drive."""

    group = "components"

    def __init__(self) -> None:
        self.verdicts: dict[str, bool] = {}
        self.values: dict[str, float] = {}
        self._held: dict[str, float] = {}

    def _judge(self, code: str, failed: bool) -> None:
        """Note a verdict; a fault stays one for this drive."""
        self.verdicts[code] = self.verdicts.get(code, False) or failed

    def _lasting(self, key: str, condition: bool, dt: float) -> float:
        """Return for how long [s] a condition has held."""
        self._held[key] = self._held.get(key, 0.0) + dt if condition else 0.0
        return self._held[key]

    def _summed(self, key: str, condition: bool, dt: float) -> float:
        """Return for how long [s] in all a condition has held in this drive."""
        self._held[key] = self._held.get(key, 0.0) + (dt if condition else 0.0)
        return self._held[key]


class ThermostatMonitor(_Base):
    """P0128: the coolant has not come near regulating temperature for the air the engine burnt."""

    def __init__(self, layout: Layout) -> None:
        super().__init__()
        self._enough = layout.thermostat_temperature - THERMOSTAT_MARGIN
        self._per_kelvin = 1.9e-3 * (layout.block_heat_capacity + 3600.0 * layout.coolant_l)  # g/K with losses

    def watch(self, dt: float, seen: Seen) -> None:
        """See `Monitor.watch`."""
        if not seen.running or seen.start_coolant > 55.0 or seen.ambient < THERMOSTAT_AMBIENT:
            return
        idle = self._summed("idle", seen.speed < 3.0, dt)
        if seen.coolant >= self._enough:
            self._judge("P0128", False)
        elif "P0128" not in self.verdicts and idle < 0.5 * seen.since_start:
            cold = 1.0 + 0.012 * max(0.0, 20.0 - seen.ambient)
            if seen.air_used > self._per_kelvin * (self._enough - seen.start_coolant) * cold:
                self._judge("P0128", True)


class CoolantSensorMonitor(_Base):
    """P0116: coolant and intake air disagree after a long stand; P0217: overheated."""

    def __init__(self) -> None:
        super().__init__()
        self._compared = False

    def watch(self, dt: float, seen: Seen) -> None:
        """See `Monitor.watch`."""
        fit = not self._compared and seen.soak_hours >= LONG_SOAK and not seen.running
        if fit and self._lasting("key_on", True, dt) >= 1.0:
            self._compared = True
            self._judge("P0116", abs(seen.coolant - seen.intake_air) > SENSOR_DISAGREEMENT)
        if self._lasting("hot", seen.coolant > OVERHEATED, dt) > 5.0:
            self._judge("P0217", True)
        elif seen.running and seen.since_start > 600.0:
            self._judge("P0217", False)


class FuelMonitor(_Base):
    """P0171 to P0175: the trims of a bank at the end of what they can mend."""

    group = "fuel_system"

    def __init__(self, banks: int) -> None:
        super().__init__()
        self._banks = banks

    def watch(self, dt: float, seen: Seen) -> None:
        """See `Monitor.watch`."""
        if not seen.closed_loop or seen.coolant < 60.0 or seen.purging:
            return
        for bank in range(self._banks):
            trim = seen.trims[bank]
            lean, rich = ("P0171", "P0172") if bank == 0 else ("P0174", "P0175")
            for code, value in ((lean, trim), (rich, -trim)):
                if self._lasting(code, value > TRIM_FAULT, dt) > 15.0:
                    self._judge(code, True)
                elif self._summed(code + "good", value < TRIM_GOOD, dt) > 200.0:
                    self._judge(code, False)
            self.values[f"trim_{bank}"] = trim


class MisfireMonitor(_Base):
    """P0300 to P0306: share of misfires over 200 (catalyst) and 1,000 revolutions (emissions)."""

    group = "misfire"

    def __init__(self, layout: Layout, misfire: Misfire) -> None:
        super().__init__()
        self._layout, self._misfire = layout, misfire
        self._revolutions = 0.0
        self._short = [0] * layout.cylinders
        self._long = [0] * layout.cylinders
        self._blocks = 0
        self._bad_blocks = 0
        self.catalyst_damage = False

    def watch(self, dt: float, seen: Seen) -> None:
        """See `Monitor.watch`."""
        if not seen.running or seen.since_start < 2.0:
            return
        before = self._revolutions
        self._revolutions += seen.engine_speed / 60.0 * dt
        for cylinder, counts in enumerate(self._misfire.blocks):
            self._short[cylinder] += counts
            self._misfire.blocks[cylinder] = 0
        if int(before / 200.0) != int(self._revolutions / 200.0):
            self._end_short()
        if int(before / 1000.0) != int(self._revolutions / 1000.0):
            self._end_long()

    def _end_short(self) -> None:
        """Judge 200 revolutions and add them to the thousand."""
        if misfire_percent(sum(self._short), 200.0, self._layout.cylinders) > MISFIRE_CATALYST:
            self.catalyst_damage = True
            self._name(self._short)
        for cylinder, counts in enumerate(self._short):
            self._long[cylinder] += counts
        self._short = [0] * self._layout.cylinders

    def _end_long(self) -> None:
        """Judge 1,000 revolutions: the first after a start at once, later ones when four were bad."""
        percent = misfire_percent(sum(self._long), 1000.0, self._layout.cylinders)
        self.values["percent"] = max(percent, self.values.get("percent", 0.0))
        self._bad_blocks += percent > MISFIRE_EMISSIONS
        if percent > MISFIRE_EMISSIONS and (self._blocks == 0 or self._bad_blocks >= 4):
            self._name(self._long)
        self._blocks += 1
        self._long = [0] * self._layout.cylinders
        for code in ("P0300", *(f"P030{n}" for n in range(1, self._layout.cylinders + 1))):
            self._judge(code, False)

    def _name(self, counts: list[int]) -> None:
        """Name the cylinder that holds nearly all, or all that hold much together with the code for several."""
        total = sum(counts)
        if max(counts) > SINGLE_CYLINDER * total:
            self._judge(f"P030{counts.index(max(counts)) + 1}", True)
            return
        self._judge("P0300", True)
        for cylinder, count in enumerate(counts):
            if count > 0.25 * total:
                self._judge(f"P030{cylinder + 1}", True)


class CatalystMonitor(_Base):
    """P0420, P0430: the rear sensor moves like the front one at steady warm cruise."""

    group = "catalyst"

    def __init__(self, banks: int) -> None:
        super().__init__()
        self._last: list[tuple[float, float]] = [(0.0, 0.0)] * banks
        self._sums = [[0.0, 0.0] for _ in range(banks)]

    def watch(self, dt: float, seen: Seen) -> None:
        """See `Monitor.watch`."""
        steady = seen.cruising and seen.closed_loop and seen.catalyst > 420.0
        settled = self._lasting("steady", steady, dt) > 3.0
        time = self._summed("time", settled, dt)
        for bank, now in enumerate(seen.activities):
            if settled:
                self._sums[bank][0] += now[0] - self._last[bank][0]
                self._sums[bank][1] += now[1] - self._last[bank][1]
            self._last[bank] = now
            if time > 90.0:
                ratio = min(self._sums[bank][1] / max(self._sums[bank][0], 1e-3), 1.5)
                self.values[f"ratio_{bank}"] = ratio
                self._judge("P0420" if bank == 0 else "P0430", ratio > CATALYST_LIMIT)


class SensorMonitor(_Base):
    """P0133, P0153: the upstream sensor answers too slowly."""

    group = "oxygen_sensor"

    def watch(self, dt: float, seen: Seen) -> None:
        """See `Monitor.watch`."""
        warm = seen.closed_loop and seen.coolant > 65.0 and seen.speed > 30.0
        if self._summed("warm", warm, dt) < 60.0:
            return
        for bank, time in enumerate(seen.sensor_times):
            if f"time_{bank}" not in self.values:
                self.values[f"time_{bank}"] = time
                self._judge("P0133" if bank == 0 else "P0153", time > SENSOR_TIME_LIMIT)


class HeaterMonitor(_Base):
    """P0135: the upstream sensor's heater."""

    group = "oxygen_sensor_heater"

    def watch(self, dt: float, seen: Seen) -> None:
        """See `Monitor.watch`."""
        if seen.running and seen.since_start > 60.0:
            self._judge("P0135", not seen.sensor_ready)


class EvaporativeMonitor(_Base):
    """P0456: the tank system, tested once after a cold start; this car has no fault that it would find."""

    group = "evaporative_system"

    def watch(self, dt: float, seen: Seen) -> None:
        """See `Monitor.watch`."""
        fit = seen.soak_hours >= 6.0 and seen.start_coolant < 35.0 and 4.0 < seen.ambient < 35.0
        if (
            fit
            and self._summed("run", seen.running and seen.speed > 40.0, dt) > 240.0
            and "pressure" not in self.values
        ):
            self.values["pressure"] = 0.045 + 0.0004 * (seen.ambient - 4.0)
            self._judge("P0456", False)


class CamMonitor(_Base):
    """P0011 to P0025: a cam stands away from its target."""

    def __init__(self, layout: Layout) -> None:
        super().__init__()
        self._heads = 2 if layout.arrangement == "vee" else 1

    def watch(self, dt: float, seen: Seen) -> None:
        """See `Monitor.watch`."""
        if not seen.cams_ready:
            return
        for head in range(self._heads):
            for side, errors, codes in (
                ("intake", seen.intake_errors, ("P0012", "P0011", "P0022", "P0021")),
                ("exhaust", seen.exhaust_errors, ("P0014", "P0015", "P0024", "P0025")),
            ):
                if errors:
                    self._look(dt, f"{side}_{head}", errors[head], codes[2 * head : 2 * head + 2])

    def _look(self, dt: float, key: str, error: float, codes: tuple[str, ...]) -> None:
        """Smooth one cam's error (target less actual), keep the worst, and judge it: behind target, beyond target."""
        smooth = self._held.get(key, 0.0)
        smooth += (error - smooth) * min(1.0, dt / 1.5)
        self._held[key] = smooth
        if abs(smooth) > abs(self.values.get(key, 0.0)):
            self.values[key] = smooth
        self.values.setdefault(key, smooth)
        for code, beyond in zip(codes, (smooth > CAM_LIMIT, smooth < -CAM_LIMIT), strict=True):
            if self._lasting(key + code, beyond, dt) > 3.0:
                self._judge(code, True)
        if self._summed(key + "time", True, dt) > 120.0:
            for code in codes:
                self._judge(code, False)


class ComponentMonitor(_Base):
    """P0562, P0563 (supply), P0506, P0507 (idle speed), P0101 (air mass against pressure)."""

    def watch(self, dt: float, seen: Seen) -> None:
        """See `Monitor.watch`."""
        if not seen.running or seen.since_start < 10.0:
            return
        rows = [
            ("P0562", seen.voltage < LOW_VOLTAGE, 20.0),
            ("P0563", seen.voltage > HIGH_VOLTAGE, 20.0),
        ]
        if seen.idling and seen.coolant > 70.0:
            rows += [
                ("P0506", seen.idle_error < IDLE_LOW, 8.0),
                ("P0507", seen.idle_error > IDLE_HIGH, 8.0),
            ]
        if seen.air_ratio is not None and seen.coolant > 60.0:
            rows.append(("P0101", abs(seen.air_ratio - 1.0) > AIR_FLOW_RATIO, 12.0))
        for code, wrong, patience in rows:
            if self._lasting(code, wrong, dt) > patience:
                self._judge(code, True)
            elif self._summed(code + "good", not wrong, dt) > 60.0:
                self._judge(code, False)


def monitors_of(layout: Layout, misfire: Misfire) -> tuple[Monitor, ...]:
    """Return the monitors that this layout's control unit runs."""
    common: tuple[Monitor, ...] = (
        ThermostatMonitor(layout),
        CoolantSensorMonitor(),
        FuelMonitor(layout.banks),
        MisfireMonitor(layout, misfire),
        CatalystMonitor(layout.banks),
        SensorMonitor(),
        HeaterMonitor(),
        EvaporativeMonitor(),
        ComponentMonitor(),
    )
    return (*common, CamMonitor(layout)) if layout.cam_timing else common
