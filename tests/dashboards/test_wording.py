"""Words for times, distances and verdicts."""

from __future__ import annotations

import doctest
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from dashboards import wording
from obdwatch.records import Drive, Finding, MarkKind, Signal, Urgency, Verdict
from tests.dashboards.samples import CAR, FAULT, HEALTHY, UNSURE, session, times, usual_drive


def test_examples_in_the_docstrings_hold() -> None:
    assert doctest.testmod(wording).failed == 0


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(1, "1 second"), (119, "119 seconds"), (120, "2 minutes"), (7140, "119 minutes"), (7200, "2 hours"),
     (7260, "2 hours 1 minute"), (3600 * 25, "25 hours")],
)  # fmt: skip
def test_length_is_said_as_one_says_it(seconds: float, words: str) -> None:
    assert wording.length(seconds) == words


def test_place_before_the_start_has_a_sign() -> None:
    assert wording.clock_time(-61) == "−0:01:01"


def test_unknown_date_is_said() -> None:
    assert wording.when(None) == "Date unknown"


def test_date_is_in_the_time_zone_of_the_reader() -> None:
    at = datetime(2026, 1, 5, 7, 0, tzinfo=UTC)
    assert wording.when(at).endswith(f"{at.astimezone():%H:%M}")


def test_car_has_the_best_name_there_is() -> None:
    told = session("a")
    assert wording.car_name(CAR, told) == "The old blue estate"
    assert wording.car_name(None, told) == "blue"
    assert wording.car_name(replace(CAR, name=" "), replace(told, car_id=" ")) == "Car not named"


def test_distance_at_constant_speed_is_speed_times_time() -> None:
    t = times(3601.0, 1.0)
    km, holes = wording.distance_km(Signal("vehicle_speed", "km/h", t, np.full(t.size, 72.0))) or (0.0, True)
    assert km == pytest.approx(72.0)
    assert not holes


def test_nothing_is_driven_across_a_gap() -> None:
    t = times(3601.0, 1.0, gaps=((1000.0, 1900.0),))
    km, holes = wording.distance_km(Signal("vehicle_speed", "km/h", t, np.full(t.size, 72.0))) or (0.0, False)
    assert km == pytest.approx(72.0 * 2700 / 3600)
    assert holes


def test_distance_of_a_drive_with_holes_is_at_least() -> None:
    assert wording.distance(usual_drive(), "metric").startswith("at least ")
    assert wording.distance(usual_drive(), "us").endswith("miles")
    assert wording.distance(Drive(session("a"), {}), "metric") == ""


def test_findings_stand_in_the_order_of_urgency_then_missing_then_healthy() -> None:
    faults = [replace(FAULT, urgency=u) for u in (Urgency.WATCH, Urgency.STOP, Urgency.NEXT_SERVICE, Urgency.SOON)]
    ordered = sorted([HEALTHY, UNSURE, *faults, replace(FAULT, urgency=None)], key=wording.rank)
    assert [f.urgency for f in ordered[:4]] == [Urgency.STOP, Urgency.SOON, Urgency.NEXT_SERVICE, Urgency.WATCH]
    assert ordered[5:] == [UNSURE, HEALTHY]


def test_every_urgency_verdict_and_mark_has_words() -> None:
    assert set(wording.VERDICT_WORDS) == set(Verdict)
    assert set(wording.MARK_WORDS) == set(MarkKind)


def test_finding_without_words_gets_them() -> None:
    bare = (Finding("warm_up", Verdict.FAULT, "stuck_open"), Finding("warm_up", Verdict.HEALTHY), UNSURE)
    assert all(finding.headline for finding in wording.explained(bare, "metric"))
    assert wording.explained((FAULT,), "us")[0].headline == FAULT.headline


def test_shortened_text_shows_that_it_was_cut() -> None:
    assert wording.shortened("one  two\nthree", 80) == "one two three"
    assert wording.shortened("abcdefghij", 5) == "abcd…"


@pytest.mark.parametrize(
    ("value", "unit", "units", "text"),
    [
        (100.0, "degC", "us", "212 °F"),  # water boils, NIST SP 811 appendix B
        (-40.0, "degC", "us", "−40 °F"),  # where both scales meet
        (1.609344, "km", "us", "1 miles"),  # NIST SP 811: exact
        (12.5, "%", "metric", "12.5%"),
        (3, "count", "metric", "3 count"),
        (0.85, "-", "metric", "0.85"),
        (0.001, "V", "metric", "0 V"),
        (-0.001, "V", "metric", "0 V"),
        (1234567.0, "1/min", "metric", "1,234,567 rpm"),
    ],
)
def test_quantity_reads_well(value: float, unit: str, units: str, text: str) -> None:
    assert wording.quantity(value, unit, units).replace("\N{NO-BREAK SPACE}", " ") == text


def test_range_says_its_unit_once() -> None:
    assert wording.quantities((84.0, 92.0), "degC", "metric") == "84 to 92\N{NO-BREAK SPACE}°C"
