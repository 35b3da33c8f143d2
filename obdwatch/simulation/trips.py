"""What the virtual car is asked to drive: speed over time, weather, loads, and how long it stood before.

The three United States EPA cycles come as speed traces (see `data/NOTICE`, Apache-2.0); further trips are composed of
pieces of them, idling, full-throttle pulls and overruns.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from importlib import resources

import numpy as np

from obdwatch.errors import InputError
from obdwatch.records import FloatArray

CYCLES = ("udds", "hwfet", "us06")
KMH_PER_MS = 3.6
KICK_DOWN = 1.0  # full throttle, in whatever gear pulls best
HOLD_GEAR = 2.0  # full throttle in the gear the car is in, through the whole range of engine speed


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of a trip: target speed [km/h] second by second; `full_throttle` is 0, KICK_DOWN or HOLD_GEAR."""

    speed: FloatArray
    full_throttle: float = 0.0
    coasting: bool = False


@dataclass(frozen=True, slots=True)
class Weather:
    """`ambient` [degC]; `altitude` [m] above sea, in the standard atmosphere; `humidity` is left out of the physics."""

    ambient: float = 20.0
    altitude: float = 150.0

    @property
    def pressure(self) -> float:
        """Air pressure of the standard atmosphere (ISO 2533) at this altitude [kPa]."""
        return float(101.325 * (1.0 - 2.25577e-5 * self.altitude) ** 5.2559)


@dataclass(frozen=True, slots=True)
class Trip:
    """One key-on to key-off.

    `speed` [km/h] holds the wished speed for every second from t = 0, the key turned on; the starter turns from
    `crank_at` [s] and the key goes off at `key_off_at` [s]. `full_throttle` and `coasting` are marked per second.
    `soak_hours` [h] stood before; `grade` [-]; `electrical_load` [W] beyond the engine's own; `ethanol` volume share
    in the tank; `driver` 0 (gentle) to 1 (hurried); `refuelled` fills the canister; `towed_mass` [kg].
    """

    name: str
    speed: FloatArray
    full_throttle: FloatArray
    coasting: FloatArray
    crank_at: float
    key_off_at: float
    weather: Weather = field(default_factory=Weather)
    soak_hours: float = 12.0
    driver: float = 0.4
    air_conditioning: bool = False
    heater: float = 0.5
    electrical_load: float = 150.0
    towed_mass: float = 0.0
    grade: float = 0.0
    ethanol: float = 0.10
    refuelled: bool = False
    fuel_level: float = 60.0

    @property
    def duration(self) -> float:
        """Seconds from key-on to a little after key-off."""
        return self.key_off_at + 5.0


@cache
def cycle_speed(name: str) -> FloatArray:
    """Return an EPA cycle as target speed [km/h] at whole seconds; raises InputError for another name."""
    if name not in CYCLES:
        raise InputError(f"no drive cycle '{name}'; there are {', '.join(CYCLES)}")
    with (resources.files("obdwatch.simulation") / "data" / f"{name}.csv").open(encoding="ascii") as table:
        speed = np.array([float(row["cycMps"]) for row in csv.DictReader(table)]) * KMH_PER_MS
    speed.setflags(write=False)
    return speed


def cycle(name: str, start: int = 0, stop: int | None = None) -> Piece:
    """Return an EPA cycle, or the seconds `start` to `stop` of it."""
    return Piece(cycle_speed(name)[start:stop])


def standing(seconds: float) -> Piece:
    """Return a stretch of standing still with the engine idling."""
    return Piece(np.zeros(int(seconds)))


def cruise(speed: float, seconds: float, ramp: float = 2.5) -> Piece:
    """Return a constant speed [km/h], reached from standing at `ramp` [km/h per second]."""
    return Piece(np.minimum(speed, ramp * np.arange(int(seconds), dtype=np.float64)))


def hold(speed: float, seconds: float) -> Piece:
    """Return a constant speed [km/h] from its first second on."""
    return Piece(np.full(int(seconds), float(speed)))


def slow_down(speed: float, to: float, ramp: float = 4.0) -> Piece:
    """Return braking from `speed` to `to` [km/h] at `ramp` [km/h per second]."""
    return Piece(np.maximum(to, speed - ramp * np.arange(1, int((speed - to) / ramp) + 2)))


def pull(seconds: float = 11.0, kind: float = KICK_DOWN) -> Piece:
    """Return a full-throttle pull: the pedal is floored, whatever speed comes of it."""
    return Piece(np.full(int(seconds), 220.0), full_throttle=kind)


def overrun(seconds: float = 12.0) -> Piece:
    """Return rolling in gear with the pedal released."""
    return Piece(np.zeros(int(seconds)), coasting=True)


def jam(seconds: float) -> Piece:
    """Return stop-and-go traffic: ten seconds of creeping in every forty."""
    t = np.arange(int(seconds)) % 40
    return Piece(np.where(t < 14, 13.0 * np.sin(np.pi * t / 14.0), 0.0))


def pulls(count: int = 3) -> tuple[Piece, ...]:
    """Return full-throttle pulls with overruns between them, from cruising speed, by turns in both kinds."""
    kinds = (KICK_DOWN, HOLD_GEAR)
    each = [
        (hold(45.0, 12.0), pull(11.0 + 6.0 * (n % 2), kinds[n % 2]), overrun(), hold(45.0, 8.0)) for n in range(count)
    ]
    return tuple(piece for pieces in each for piece in pieces)


def compose(name: str, pieces: Sequence[Piece], *, crank_at: float = 6.0, settle: float = 12.0) -> Trip:
    """Join pieces into a trip: key on, crank at `crank_at`, idle for `settle`, the pieces, key off 6 s later [s]."""
    lead = standing(crank_at + 2.0 + settle)
    whole = (lead, *pieces, standing(6.0))
    return Trip(
        name=name,
        speed=np.concatenate([piece.speed for piece in whole]),
        full_throttle=np.concatenate([np.full(len(piece.speed), piece.full_throttle) for piece in whole]),
        coasting=np.concatenate([np.full(len(piece.speed), float(piece.coasting)) for piece in whole]),
        crank_at=crank_at,
        key_off_at=float(sum(len(piece.speed) for piece in whole)),
    )


def waiting(trip: Trip, seconds: int) -> Trip:
    """Return the trip with the key on so much longer [s] before the starter turns: an adapter has time to connect."""
    before = np.zeros(seconds)
    return replace(
        trip,
        speed=np.concatenate([before, trip.speed]),
        full_throttle=np.concatenate([before, trip.full_throttle]),
        coasting=np.concatenate([before, trip.coasting]),
        crank_at=trip.crank_at + seconds,
        key_off_at=trip.key_off_at + seconds,
    )


def _trips() -> tuple[Trip, ...]:
    """Build the named trips."""
    commute = (
        standing(20),
        cycle("udds", 0, 505),
        cycle("hwfet", 30, 745),
        *pulls(4),
        slow_down(45.0, 0.0),
        standing(300),
    )
    return (
        compose("udds", (cycle("udds"),)),
        compose("hwfet", (cycle("hwfet"),)),
        compose("us06", (cycle("us06"),)),
        compose("commute", commute),
        replace(
            compose("winter_commute", commute),
            weather=Weather(-8.0),
            soak_hours=14.0,
            electrical_load=700.0,
            heater=1.0,
        ),
        replace(compose("summer_commute", commute), weather=Weather(33.0), air_conditioning=True, heater=0.0),
        replace(compose("mountain_commute", commute), weather=Weather(8.0, 1800.0), grade=0.012),
        compose("short_trip", (cycle("udds", 0, 300),)),
        replace(
            compose("traffic_jam", (cycle("udds", 0, 505), jam(900), standing(240))),
            weather=Weather(30.0),
            air_conditioning=True,
            heater=0.0,
        ),
        compose(
            "full_throttle", (cycle("udds", 0, 600), cruise(45.0, 40), *pulls(6), slow_down(45.0, 0.0), standing(90))
        ),
        replace(
            compose("motorway", (cycle("hwfet", 0, 300), hold(125.0, 900), slow_down(125.0, 0.0), standing(60))),
            driver=0.6,
        ),
        replace(
            compose("towing", (cycle("hwfet", 0, 700), slow_down(30.0, 0.0), standing(60))),
            towed_mass=900.0,
            weather=Weather(28.0),
            grade=0.015,
        ),
        replace(compose("hot_restart", (cycle("udds", 0, 505), standing(60))), soak_hours=0.4),
        replace(compose("after_refuelling", commute), refuelled=True, fuel_level=96.0, soak_hours=0.2),
        compose("idle_only", (standing(600),)),
    )


TRIPS: tuple[Trip, ...] = _trips()


def trip_named(name: str) -> Trip:
    """Return a trip by its name; raises InputError that lists the names."""
    for trip in TRIPS:
        if trip.name == name:
            return trip
    raise InputError(f"no trip '{name}'; there are {', '.join(row.name for row in TRIPS)}")
