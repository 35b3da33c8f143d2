from importlib import resources

import numpy as np
import pytest

from obdwatch.errors import InputError
from obdwatch.simulation.trips import TRIPS, Trip, Weather, compose, cycle, cycle_speed, pull, standing, trip_named
from tests.shared_data import shared

METRES_PER_MILE = 1609.344


# EPA dynamometer schedules as published: duration [s] and distance [miles].
@pytest.mark.parametrize(
    ("name", "seconds", "miles"), [("udds", 1369, 7.451), ("hwfet", 765, 10.257), ("us06", 600, 8.008)]
)
def test_cycles_have_the_published_length(name: str, seconds: int, miles: float) -> None:
    speed = cycle_speed(name)
    assert len(speed) == seconds + 1
    assert np.trapezoid(speed / 3.6) / METRES_PER_MILE == pytest.approx(miles, abs=0.001)


@pytest.mark.parametrize("name", ["udds", "hwfet", "us06"])
def test_the_carried_traces_are_the_published_files(name: str) -> None:
    own = resources.files("obdwatch.simulation") / "data" / f"{name}.csv"
    assert own.read_bytes() == shared(f"reference/drive_cycles/{name}.csv").read_bytes()


def test_licence_and_notice_travel_with_the_traces() -> None:
    folder = resources.files("obdwatch.simulation") / "data"
    assert "Apache License" in (folder / "LICENSE").read_text()
    assert "Alliance for Sustainable Energy" in (folder / "NOTICE").read_text()


# International standard atmosphere, computed with the package `ambiance`.
@pytest.mark.parametrize(
    ("altitude", "pressure"), [(0.0, 101.325), (1000.0, 89.876), (2000.0, 79.501), (3000.0, 70.121)]
)
def test_pressure_falls_with_altitude_as_in_the_standard_atmosphere(altitude: float, pressure: float) -> None:
    assert Weather(altitude=altitude).pressure == pytest.approx(pressure, rel=2e-4)


def test_a_trip_stands_until_it_is_cranked_and_at_its_end() -> None:
    trip = compose("short", (cycle("udds", 20, 125), pull(5)), crank_at=4.0)
    assert (trip.speed[: int(trip.crank_at) + 2] == 0.0).all()
    assert trip.speed[-1] == 0.0
    assert trip.key_off_at == len(trip.speed)
    assert trip.full_throttle.sum() == 5.0


@pytest.mark.parametrize("trip", TRIPS, ids=lambda trip: trip.name)
def test_named_trips_are_complete(trip: Trip) -> None:
    assert len(trip.speed) == len(trip.full_throttle) == len(trip.coasting)
    assert np.isfinite(trip.speed).all()
    assert 0.0 < trip.crank_at < trip.key_off_at
    assert trip_named(trip.name) is trip


def test_unknown_names_are_refused() -> None:
    with pytest.raises(InputError, match="no trip 'holiday'"):
        trip_named("holiday")
    with pytest.raises(InputError, match="no drive cycle 'nedc'"):
        cycle_speed("nedc")


def test_pieces_are_as_long_as_asked() -> None:
    assert len(standing(7).speed) == 7
    assert len(cycle("hwfet", 100, 160).speed) == 60
