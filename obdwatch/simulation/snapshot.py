"""The virtual car at one instant, as its control units would report it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from obdwatch.records import CodeKind, FreezeFrame, MonitorResult


@dataclass(frozen=True, slots=True)
class EcuSnapshot:
    """What one control unit can report at one instant.

    `values` maps parameter keys to physical values in the parameter's unit, and defines what the unit supports;
    `monitor_support` maps each readiness monitor to (supported, complete), `cycle_monitors` to (enabled, complete) in
    this drive, empty for a unit that does not tell; `information` holds the service 09 texts
    (`vin`, `calibration_id`, `calibration_verification` as hex, `ecu_name`) and counters.
    """

    ecu: int
    values: Mapping[str, float]
    codes: Mapping[CodeKind, tuple[str, ...]]
    lamp_on: bool
    monitor_support: Mapping[str, tuple[bool, bool]]
    monitors: tuple[MonitorResult, ...] = ()
    freeze_frame: FreezeFrame | None = None
    information: Mapping[str, str | tuple[int, ...]] = field(default_factory=dict)
    cycle_monitors: Mapping[str, tuple[bool, bool]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class CarSnapshot:
    """The whole car at `t` [s]: `awake` is False while the control units do not answer (key off, or asleep through
    cranking).
    """

    t: float
    ignition_on: bool
    awake: bool
    engine_running: bool
    supply_voltage: float
    ecus: tuple[EcuSnapshot, ...]
