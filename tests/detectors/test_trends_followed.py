from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from obdwatch.detectors.trends_followed import followed
from obdwatch.records import Event, EventKind, Feature, Finding, History, Measure, Session, Verdict

BEGIN = datetime(2026, 1, 1, 8, tzinfo=UTC)
STEP_KM = 500.0


def feature(number: int, value: float, name: str = "charging_voltage") -> Feature:
    at, odometer = BEGIN + timedelta(days=25 * number), 160_000.0 + STEP_KM * number
    return Feature(f"s{number}", "charging", name, value, "V", at=at, odometer_km=odometer)


def session(number: int) -> Session:
    return Session(
        id=f"s{number}",
        started_at=BEGIN + timedelta(days=25 * number),
        car_id="c",
        odometer_km=160_000.0 + STEP_KM * number,
    )


def finding(value: float) -> Finding:
    measure = Measure("charging_voltage", value, "V", expected=(13.2, 15.0))
    return Finding("charging", Verdict.HEALTHY, measures=(measure,))


def test_a_falling_voltage_is_followed_to_its_limit_and_stands_first() -> None:
    values = [14.4 - 0.05 * n + 0.01 * (-1) ** n for n in range(20)]
    steady = [feature(n, 14.0 + 0.01 * (n % 2), "idle_voltage") for n in range(20)]
    history = History((*(feature(n, v) for n, v in enumerate(values[:-1])), *steady[:-1]))
    tracks = followed(session(19), history, [finding(values[-1])])
    first = tracks[0]
    assert first.series.key == "charging/charging_voltage"
    assert first.movement is not None
    assert first.movement.forecast is not None
    # 13.45 V now, 0.05 V lost every 500 km, 13.2 V is the end: five steps away, give or take the scatter.
    assert first.movement.forecast.distance == pytest.approx(5 * STEP_KM, rel=0.15)
    assert [one.movement for one in tracks[1:]] == [None]


def test_a_repair_splits_the_series_and_keeps_what_was_before_for_the_eye() -> None:
    values = [13.4] * 5 + [14.3] * 5
    history = History(
        tuple(feature(n, v) for n, v in enumerate(values[:-1])),
        (Event("c", BEGIN + timedelta(days=110), EventKind.REPAIR, 162_250.0, "alternator"),),
    )
    (track,) = followed(session(9), history, [finding(values[-1])])
    assert list(track.series.values) == [14.3] * 5
    assert list(track.earlier_values) == [13.4] * 5
    assert track.repairs == (162_250.0,)
    assert track.earlier_at[-1] < track.repairs[0] < track.series.at[0]


def test_nothing_recorded_is_nothing_followed() -> None:
    assert followed(session(0), History(), ()) == ()
