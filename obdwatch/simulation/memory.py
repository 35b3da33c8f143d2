"""What a virtual car remembers from one key-off to the next: codes, learnt values, averages, charge, distance."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from obdwatch.records import FreezeFrame


@dataclass(frozen=True, slots=True)
class CodeMemory:
    """The life of one trouble code.

    `pending` was seen in the last monitored cycle; `confirmed` in two; `clean_cycles` and `warm_ups` count since it
    was last seen; `permanent` outlives an erase until the monitor has passed.
    """

    code: str
    pending: bool = True
    confirmed: bool = False
    permanent: bool = False
    clean_cycles: int = 0
    warm_ups: int = 0


@dataclass(frozen=True, slots=True)
class CarMemory:
    """The state a next trip starts from.

    `long_trims` [%] per bank and learning cell; `misfire_averages` [counts] per cylinder over ten drives;
    `monitor_values` holds the last result of each on-board monitor; `ready` the readiness monitors that have completed
    since an erase; `engine_temperature` [degC] at key-off. `car_seed` says which car of its layout this is (build
    tolerances, identification number), so that trips of different seed can be trips of one car; None takes the trip's.
    """

    odometer_km: float = 148_000.0
    battery_charge: float = 0.92
    long_trims: tuple[tuple[float, ...], ...] = ()
    idle_adaptation: float = 2.0
    canister_load: float = 0.25
    fuel_level: float | None = None
    codes: tuple[CodeMemory, ...] = ()
    freeze_frame: FreezeFrame | None = None
    misfire_averages: tuple[float, ...] = ()
    misfire_last: tuple[int, ...] = ()
    monitor_values: Mapping[str, float] = field(default_factory=dict)
    ready: frozenset[str] = frozenset({"catalyst", "evaporative_system", "oxygen_sensor", "oxygen_sensor_heater"})
    warm_ups_since_erase: int = 60
    distance_since_erase: float = 4_800.0
    minutes_since_erase: float = 6_200.0
    distance_with_lamp: float = 0.0
    minutes_with_lamp: float = 0.0
    engine_temperature: float | None = None
    in_use: Mapping[str, int] = field(default_factory=dict)
    car_seed: int | None = None
