"""The life of trouble codes in the virtual car, its lamp, readiness, freeze frame and counters.

Two-trip logic as in 40 CFR 86.010-18 and 86.1806: pending when first seen, confirmed with lamp when seen again in the
next monitored drive, lamp off after three clean ones, erased after forty warm-ups, permanent until the monitor passes.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from obdwatch.decoding.vehicle_information import IN_USE_COUNTERS, SPARK_COUNTERS
from obdwatch.records import CodeKind, FreezeFrame
from obdwatch.simulation.layouts import Layout
from obdwatch.simulation.memory import CarMemory, CodeMemory
from obdwatch.simulation.monitors import MisfireMonitor, Monitor, Seen

CLEAN_CYCLES = 3
WARM_UPS = 40
WARM_UP_RISE, WARM_UP_REACH = 22.0, 71.0  # K, degC (40 CFR 86.010-18)
BURIES_OTHERS = ("P0171", "P0172", "P0174", "P0175", "P030")  # fuel and misfire replace another freeze frame
READINESS = ("catalyst", "evaporative_system", "oxygen_sensor", "oxygen_sensor_heater")
CONTINUOUS = ("misfire", "fuel_system", "components")
GENERAL_RUN, GENERAL_FAST, GENERAL_IDLE = 600.0, 300.0, 30.0  # s; when a drive counts for the in-use ratio
GENERAL_SPEED = 40.0  # km/h
ENGINE = 0x7E8


class Diagnosis:
    """Codes, lamp, readiness and counters of the engine's control unit during one drive."""

    def __init__(self, layout: Layout, memory: CarMemory, monitors: tuple[Monitor, ...]) -> None:
        self._layout, self._memory, self._monitors = layout, memory, monitors
        self._codes: dict[str, CodeMemory] = {entry.code: entry for entry in memory.codes}
        self._failed: set[str] = set()
        self._complete: set[str] = set()
        self._ready = set(memory.ready)
        self._warmed = False
        self._times = {"run": 0.0, "fast": 0.0, "idle": 0.0}
        self._erased = False
        self.freeze_frame: FreezeFrame | None = memory.freeze_frame
        self.warm_ups = memory.warm_ups_since_erase
        self.distance = memory.distance_since_erase
        self.minutes = memory.minutes_since_erase
        self.lamp_distance = memory.distance_with_lamp
        self.lamp_minutes = memory.minutes_with_lamp

    @property
    def lamp_on(self) -> bool:
        """Whether the malfunction lamp is lit."""
        return any(entry.confirmed and entry.clean_cycles < CLEAN_CYCLES for entry in self._codes.values())

    def codes(self) -> dict[CodeKind, tuple[str, ...]]:
        """Return the codes of services 03, 07 and 0A."""
        entries = sorted(self._codes.values(), key=lambda entry: entry.code)
        return {
            CodeKind.STORED: tuple(entry.code for entry in entries if entry.confirmed),
            CodeKind.PENDING: tuple(entry.code for entry in entries if entry.pending),
            CodeKind.PERMANENT: tuple(entry.code for entry in entries if entry.permanent),
        }

    def readiness(self) -> dict[str, tuple[bool, bool]]:
        """Return (supported, complete) of each monitor since the codes were erased."""
        continuous = dict.fromkeys(CONTINUOUS, (True, True))
        return continuous | {name: (True, name in self._ready) for name in READINESS}

    def readiness_this_cycle(self) -> dict[str, tuple[bool, bool]]:
        """Return (enabled, complete) of each monitor in this drive."""
        return {name: (True, name in self._complete) for name in (*CONTINUOUS, *READINESS)}

    def watch(self, dt: float, t: float, seen: Seen, frame: Callable[[], Mapping[str, float]]) -> None:
        """Run all monitors once more; `frame` gives the values to freeze beside a new code."""
        for monitor in self._monitors:
            monitor.watch(dt, seen)
            failed = [code for code, bad in monitor.verdicts.items() if bad and code not in self._failed]
            for code in failed:
                damage = isinstance(monitor, MisfireMonitor) and monitor.catalyst_damage
                self._fail(t, code, frame, at_once=damage)
            if monitor.verdicts:
                self._finish(monitor.group)
        self._count(dt, seen)

    def _fail(self, t: float, code: str, frame: Callable[[], Mapping[str, float]], *, at_once: bool) -> None:
        """Store a code: pending at first, confirmed when the last monitored drive had it too."""
        self._failed.add(code)
        known = self._codes.get(code)
        again = known is not None and (known.pending or known.confirmed)
        confirmed = at_once or again
        self._codes[code] = CodeMemory(code, pending=True, confirmed=confirmed, permanent=confirmed)
        if self.freeze_frame is None or (
            code.startswith(BURIES_OTHERS) and not str(self.freeze_frame.code).startswith(BURIES_OTHERS)
        ):
            self.freeze_frame = FreezeFrame(t=t, ecu=ENGINE, frame=0, code=code, values=dict(frame()))

    def _finish(self, group: str) -> None:
        """Note that a monitor has completed."""
        self._complete.add(group)
        if group in READINESS:
            self._ready.add(group)

    def _count(self, dt: float, seen: Seen) -> None:
        """Move the counters of distance, time and warm-ups."""
        kilometres = seen.speed / 3600.0 * dt
        self.distance += kilometres
        if seen.running:
            self.minutes += dt / 60.0
            self._times["run"] += dt
            self._times["fast"] += dt if seen.speed > GENERAL_SPEED else 0.0
            self._times["idle"] += dt if seen.speed < 1.0 else 0.0
        if self.lamp_on:
            self.lamp_distance += kilometres
            self.lamp_minutes += dt / 60.0 if seen.running else 0.0
        risen = seen.coolant - seen.start_coolant >= WARM_UP_RISE and seen.coolant >= WARM_UP_REACH
        if risen and seen.running and not self._warmed:
            self._warmed = True
            self.warm_ups = min(255, self.warm_ups + 1)

    def erase(self) -> None:
        """Forget codes, freeze frame, readiness and counters, as service 04 asks; permanent codes stay."""
        self._codes = {
            code: replace(entry, pending=False, confirmed=False)
            for code, entry in self._codes.items()
            if entry.permanent
        }
        self._failed.clear()
        self._ready.clear()
        self._complete.clear()
        self.freeze_frame = None
        self._erased = True
        self.warm_ups, self.distance, self.minutes = 0, 0.0, 0.0
        self.lamp_distance, self.lamp_minutes = 0.0, 0.0
        for monitor in self._monitors:
            monitor.verdicts.clear()
            monitor.values.clear()

    def monitor_values(self) -> dict[str, float]:
        """Return the last result of each monitor: of this drive, else of the one before."""
        values = {} if self._erased else dict(self._memory.monitor_values)
        for monitor in self._monitors:
            values.update(monitor.values)
        return values

    def in_use(self) -> dict[str, int]:
        """Return the in-use counters of service 09 as they would stand after this drive."""
        names = IN_USE_COUNTERS[SPARK_COUNTERS][:20]
        before = self._memory.in_use or _aged_counters(names, self._layout.banks)
        after = dict(before)
        after["ignition_cycles"] = before["ignition_cycles"] + 1
        general = (
            self._times["run"] >= GENERAL_RUN
            and self._times["fast"] >= GENERAL_FAST
            and self._times["idle"] >= GENERAL_IDLE
        )
        after["monitoring_conditions"] += general
        for name in names[2:]:
            group, _, kind = name.rpartition("_")
            if after[name] and kind == "conditions":
                after[name] += general
            elif after[name]:
                after[name] += any(done in group for done in self._complete)
        return after

    def end(self) -> tuple[tuple[CodeMemory, ...], frozenset[str]]:
        """Close the drive: return the codes and readiness that the next one starts with."""
        passed = {code for monitor in self._monitors for code, bad in monitor.verdicts.items() if not bad}
        kept = []
        for code, entry in sorted(self._codes.items()):
            aged = entry if code in self._failed else self._age(entry, code in passed)
            if aged.pending or aged.confirmed or aged.permanent:
                kept.append(aged)
        return tuple(kept), frozenset(self._ready)

    def _age(self, entry: CodeMemory, passed: bool) -> CodeMemory:
        """Let a code that was not seen in this drive grow older."""
        clean = entry.clean_cycles + passed
        dark = clean >= CLEAN_CYCLES
        warm_ups = entry.warm_ups + (self._warmed and dark)
        return replace(
            entry,
            pending=entry.pending and not passed,
            confirmed=entry.confirmed and warm_ups < WARM_UPS,
            permanent=entry.permanent and not dark,
            clean_cycles=clean,
            warm_ups=warm_ups,
        )


def _aged_counters(names: tuple[str, ...], banks: int) -> dict[str, int]:
    """Return the counters of a car that has been driven for some years."""
    counters = {}
    for name in names:
        absent = ("bank_2" in name and banks < 2) or name.startswith(("egr", "secondary_air"))
        counters[name] = 0 if absent else (640 if name.endswith("completions") else 710)
    counters["monitoring_conditions"] = 720
    counters["ignition_cycles"] = 1500
    return counters
