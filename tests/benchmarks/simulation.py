"""How long the virtual car takes for half an hour of driving, in processor time of one core."""

from __future__ import annotations

from time import process_time

import pytest

from obdwatch.simulation.car import VirtualCar
from obdwatch.simulation.drives import simulate
from obdwatch.simulation.layouts import LAYOUTS, Layout
from obdwatch.simulation.trips import trip_named

LIMIT = 8.0  # s; two to four on an idle core, twice that beside other work

pytestmark = pytest.mark.benchmark


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda layout: layout.name)
def test_half_an_hour_is_driven_in_a_few_seconds(layout: Layout) -> None:
    trip = trip_named("commute")
    before = process_time()
    VirtualCar(layout, trip).advance(trip.duration)
    physics = process_time() - before
    before = process_time()
    simulate(layout, trip)
    print(
        f"{layout.name}: {trip.duration:.0f} s driven in {physics:.1f} s, recorded in {process_time() - before:.1f} s"
    )
    assert physics < LIMIT
