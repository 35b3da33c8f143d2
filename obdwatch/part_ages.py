"""When each part of a car was last new: from the log, else from the profile, else unknown.

An entry of the log beats the profile. "Unknown" is kept as such: whoever needs a distance then takes the car's own.
A part may name a place (`ignition_coil:3`): a whole set is only as new as its oldest piece, so a set counts as renewed
by such entries once every place has one.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum

from obdwatch.car_profiles import PART_IDS
from obdwatch.records import Car, Event, EventKind

PER_CYLINDER: frozenset[str] = frozenset({"ignition_coil", "fuel_injector", "spark_plugs"})
PER_BANK: frozenset[str] = frozenset({"oxygen_sensor_upstream", "catalytic_converter"})
PER_HEAD: frozenset[str] = frozenset(
    {"valve_cover_gasket", "cam_timing_solenoid_intake", "cam_timing_solenoid_exhaust", "head_gasket"}
)
"""Parts of which there is one for each cylinder, exhaust bank or cylinder head, so that an entry may name a place
(trade knowledge). An engine in line has one head, however many exhaust banks its control unit counts."""
HEADS = {"inline": 1, "vee": 2, "flat": 2}


class AgeSource(StrEnum):
    """Where the age of a part is known from."""

    LOG = "log"
    PROFILE = "profile"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class PartAge:
    """When a part was last new: `new_at_km` [km on the clock] and `at` (aware), None where not known.

    `estimated` is True where the odometer of an entry was worked out from readings before and after it. `remark` says
    what does not fit together, or what is missing.
    """

    part: str
    source: AgeSource
    new_at_km: float | None = None
    at: datetime | None = None
    event_id: int | None = None
    estimated: bool = False
    remark: str = ""

    def distance(self, odometer_km: float | None) -> float | None:
        """Return the distance since the part was new [km]; where that is unknown, the car's own distance."""
        if odometer_km is None:
            return None
        return odometer_km if self.new_at_km is None else max(0.0, odometer_km - self.new_at_km)


Readings = Sequence[tuple[datetime, float]]


def base_of(part: str | None) -> str:
    """Return a part id without its place.

    >>> base_of("ignition_coil:3")
    'ignition_coil'
    """
    return (part or "").partition(":")[0]


def repairs(events: Iterable[Event], parts: Collection[str] | None = None) -> tuple[Event, ...]:
    """Return the repairs of these parts, in any place of the car (of all parts where None), oldest first."""
    done = [e for e in events if e.kind is EventKind.REPAIR and (parts is None or base_of(e.part) in parts)]
    return tuple(sorted(done, key=lambda event: event.at))


def part_ages(
    car: Car | None, events: Iterable[Event], parts: Collection[str] = PART_IDS, readings: Readings = ()
) -> Mapping[str, PartAge]:
    """Return the age of each part, and of each place that the log or the profile names, by part id.

    `readings` are dated odometer readings [km] of drives and log; an entry without its own gets one between those.
    """
    known = tuple(events)
    dated = sorted([*readings, *((e.at, e.odometer_km) for e in known if e.odometer_km is not None)])
    done = repairs(known)
    profile = dict(car.part_new_at_km) if car is not None else {}
    named = [e.part for e in done if e.part] + list(profile)
    found: dict[str, PartAge] = {}
    for part in dict.fromkeys([*(p for p in named if ":" in p and base_of(p) in parts), *parts]):
        found[part] = _age(part, car, done, profile, dated)
    return found


def with_ages(car: Car, events: Iterable[Event], readings: Readings = ()) -> Car:
    """Return the car with `part_new_at_km` as log and profile together have it; unknown parts stay left out or None."""
    entries = tuple(events)
    own = {base_of(event.part) for event in repairs(entries)} - {""}  # parts of the user's own catalogue, too
    ages = part_ages(car, entries, tuple(dict.fromkeys((*PART_IDS, *sorted(own)))), readings)
    known = {part: age.new_at_km for part, age in ages.items() if age.source is not AgeSource.UNKNOWN}
    return replace(car, part_new_at_km={**car.part_new_at_km, **known})


def places_of(part: str, car: Car | None) -> int | None:
    """Return how many of a part this car has, None where the profile does not tell; 1 for all that come singly."""
    if part in PER_CYLINDER:
        return car.cylinders if car is not None else None
    if part in PER_HEAD:
        return HEADS.get(car.layout or "") if car is not None else None
    if part in PER_BANK:
        return len(car.bank_cylinders) if car is not None and car.bank_cylinders else None
    return 1


def _age(
    part: str, car: Car | None, done: Sequence[Event], profile: Mapping[str, float | None], dated: Readings
) -> PartAge:
    base, _, place = part.partition(":")
    whole = [e for e in done if e.part == base]
    if place:
        return _newest(part, [e for e in done if e.part in (part, base)], profile, dated)
    age = _newest(part, whole, profile, dated)
    pieces = {e.part for e in done if e.part and e.part.startswith(f"{base}:")}
    count = places_of(base, car)
    if count is None or not {f"{base}:{number}" for number in range(1, count + 1)} <= pieces:
        return replace(age, remark=age.remark or _some(pieces, count)) if pieces else age
    each = [
        _newest(part, [e for e in done if e.part in (piece, base)], profile, dated)
        for piece in sorted(map(str, pieces))
    ]
    return min(each, key=lambda one: one.new_at_km if one.new_at_km is not None else -1.0)


def _some(pieces: Collection[str | None], count: int | None) -> str:
    shown = ", ".join(sorted(str(piece).partition(":")[2] for piece in pieces))
    of = f" of {count}" if count else ""
    return f"only place {shown}{of} was renewed by itself; the others are as old as before"


def _newest(part: str, done: Sequence[Event], profile: Mapping[str, float | None], dated: Readings) -> PartAge:
    stated = profile.get(part, profile.get(base_of(part)))
    if not done:
        source = AgeSource.UNKNOWN if stated is None else AgeSource.PROFILE
        return PartAge(part, source, stated)
    last = max(done, key=lambda event: event.at)
    km = last.odometer_km if last.odometer_km is not None else odometer_at(last.at, dated)
    remark = ""
    if km is None:
        remark = "renewed, but no odometer reading tells at what distance; log one"
    elif stated is not None and stated > km + 1.0:
        remark = f"the profile has it new later, at {stated:,.0f} km: log that repair too, or correct the profile"
    return PartAge(part, AgeSource.LOG, km, last.at, last.id, last.odometer_km is None and km is not None, remark)


def odometer_at(at: datetime, readings: Readings) -> float | None:
    """Return the odometer at a date [km], between readings; outside them the nearest one, None without any.

    >>> from datetime import UTC
    >>> day = lambda d: datetime(2026, 1, d, tzinfo=UTC)
    >>> odometer_at(day(6), [(day(1), 1000.0), (day(11), 2000.0)])
    1500.0
    """
    before = [one for one in readings if one[0] <= at]
    after = [one for one in readings if one[0] > at]
    if before and after:
        (start, low), (end, high) = before[-1], after[0]
        return low + (high - low) * ((at - start) / (end - start))
    return before[-1][1] if before else after[0][1] if after else None
