"""A profile that the data contradict is said; one that fits, or cannot be judged, is not."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from obdwatch.recording.importers import ImportOptions, import_file
from obdwatch.records import Car, Drive, FloatArray, Session, Signal
from obdwatch.signals.drives import load_drive
from obdwatch.signals.profile_check import contradictions, displacement_shown
from tests.shared_data import shared

# Published engine sizes [L] of ten cars of the Vehicle Energy Dataset (arXiv:1905.02081). The signals of 592 belong to
# a larger engine than the published 2.4 L.
PUBLISHED = {
    267: 2.5, 298: 1.5, 370: 3.5, 459: 3.6, 472: 3.7, 478: 2.0, 480: 2.4, 488: 2.5, 564: 1.5, 592: 2.4,
}  # fmt: skip
TRIPS = [
    (267, 657), (267, 663), (298, 863), (298, 872), (370, 1329), (370, 1361), (459, 767), (459, 777), (472, 862),
    (478, 1006), (478, 1031), (480, 429), (488, 438), (488, 457), (564, 195), (564, 206), (592, 57), (592, 63),
]  # fmt: skip


@pytest.mark.parametrize(("vehicle", "trip"), TRIPS)
def test_only_the_car_with_the_wrong_profile_is_said(tmp_path: Path, vehicle: int, trip: int) -> None:
    options = ImportOptions(where={"VehId": str(vehicle), "Trip": str(trip)})
    path, _ = import_file(shared("data/displacement_check/trips.csv"), tmp_path, options)
    found = contradictions(load_drive(path), Car("car", displacement_l=PUBLISHED[vehicle]))
    if vehicle == 592:
        assert len(found) == 1
        assert found[0].startswith("The profile says 2.4 L, but air flow, engine speed and absolute load")
        assert "about 3.6 L: check displacement_l" in found[0]
    else:
        assert found == ()


def drive_of(**signals: tuple[FloatArray, FloatArray]) -> Drive:
    made = {key: Signal(key, "", times, values) for key, (times, values) in signals.items()}
    return Drive(Session("a", None), made)


def engine(litres: float, samples: int = 200, wobble: float = 0.0) -> Drive:
    """Air flow as SAE J1979 defines absolute load: flow = load/100 * 1.184 g/L * litres * speed / 120."""
    t = np.arange(samples) * 1.0
    speed = 2000 + 200 * np.sin(t / 30)
    load = 40 + 5 * np.cos(t / 40) + wobble * (t % 2) * 40
    return drive_of(
        absolute_load=(t, load), engine_speed=(t, speed), air_flow=(t, load / 100 * 1.184 * litres * speed / 120)
    )


@pytest.mark.parametrize("litres", [1.0, 2.5, 5.0])
def test_the_displacement_comes_back(litres: float) -> None:
    assert displacement_shown(engine(litres)) == pytest.approx(litres)


def test_the_worked_value_of_the_standard_definition() -> None:
    """2.5 L at 60 kPa, 30 degC, 2500 1/min and 80 % filling breathe 28.729 g/s, an absolute load of 46.59 %."""
    t = np.arange(100.0)
    drive = drive_of(
        absolute_load=(t, np.full(100, 46.59)),
        engine_speed=(t, np.full(100, 2500.0)),
        air_flow=(t, np.full(100, 28.729)),
    )
    assert displacement_shown(drive) == pytest.approx(2.5, abs=0.001)


@pytest.mark.parametrize(("stated", "said"), [(2.5, False), (2.2, False), (2.8, False), (2.0, True), (3.1, True)])
def test_a_small_difference_is_no_contradiction(stated: float, said: bool) -> None:
    assert bool(contradictions(engine(2.5), Car("a", displacement_l=stated))) is said


def test_nothing_is_said_where_nothing_can_be_told() -> None:
    car = Car("a", displacement_l=1.0)
    assert contradictions(engine(2.5), Car("a")) == ()
    assert contradictions(engine(2.5, samples=40), car) == ()  # too few readings
    assert contradictions(engine(2.5, wobble=1.0), car) == ()  # never steady
    assert contradictions(drive_of(), car) == ()
    whole = engine(2.5)
    without = Drive(whole.session, {k: s for k, s in whole.signals.items() if k != "air_flow"})
    assert contradictions(without, car) == ()


def test_old_readings_do_not_count() -> None:
    drive = engine(2.5)
    t = drive.signals["air_flow"].times
    late = drive_of(
        absolute_load=(t, drive.signals["absolute_load"].values),
        engine_speed=(t, drive.signals["engine_speed"].values),
        air_flow=(t[:1], drive.signals["air_flow"].values[:1]),
    )
    assert displacement_shown(late) is None


def test_metering_of_the_other_kind_is_said() -> None:
    t = np.arange(5.0)
    by_pressure = drive_of(intake_manifold_pressure=(t, t + 30))
    assert "no air flow: check air_metering" in contradictions(by_pressure, Car("a", air_metering="air_flow"))[0]
    assert contradictions(by_pressure, Car("a", air_metering="pressure")) == ()
    assert "no manifold pressure" in contradictions(engine(2.5), Car("a", air_metering="pressure"))[0]
    assert contradictions(engine(2.5), Car("a", air_metering="both")) == ()
