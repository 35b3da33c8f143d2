"""Words of trends: what moved, from where to where, how far to its limit as a range; plain, in the reader's units."""

from __future__ import annotations

import warnings
from dataclasses import replace

import pytest

from obdwatch.detectors.trends import DRIVE_TO_GET
from obdwatch.detectors.trends_table import Harm, rules
from obdwatch.explanations.trends_words import LABELS, label, trends_words
from obdwatch.records import Finding, Measure, Urgency, Verdict

MEASURES = (
    Measure("warm_up/regulating_temperature", 83.2, "degC", (82.0, 84.4), (82.0, 96.0)),
    Measure("first_level", 91.0, "degC"),
    Measure("values", 18.0, ""),
    Measure("distance_followed", 9_120.0, "km"),
    Measure("limit", 82.0, "degC"),
    Measure("distance_to_limit", 2_340.0, "km", (1_480.0, 5_200.0)),
    Measure("numbers_followed", 22.0, ""),
    Measure("drives_followed", 18.0, ""),
)
DRIFT = Finding("trends", Verdict.FAULT, "drifts_to_limit", Urgency.NEXT_SERVICE, 0.9, measures=MEASURES)


def test_a_drift_is_said_with_a_range_and_never_a_bare_date() -> None:
    said = trends_words(DRIFT, "metric")
    assert said.headline == "The temperature at which the thermostat holds the coolant drifts towards its limit."
    assert said.reasons[0].endswith("went from 91 °C to 83 °C within 9,100 km.")
    assert said.reasons[1] == "At this pace it meets its limit of 82 °C in 1,500 km to 5,200 km."


def test_the_reader_of_us_units_gets_miles_and_fahrenheit() -> None:
    text = " ".join(trends_words(DRIFT, "us").reasons)
    assert "from 196 °F to 182 °F within 5,700 miles" in text  # 91 and 83.2 degC; 9,120 km at 1.609344 km a mile
    assert "920 miles to 3,200 miles" in text


def test_a_forecast_without_an_end_says_so() -> None:
    ahead = Measure("distance_to_limit", 9_000.0, "km", (4_000.0, 160_934.0))
    finding = replace(DRIFT, measures=(*MEASURES[:5], ahead))
    assert "4,000 km at the earliest, or much later" in trends_words(finding, "metric").reasons[1]


def test_time_is_said_in_days_and_months() -> None:
    ahead = Measure("time_to_limit", 90.0, "d", (40.0, 150.0))
    finding = replace(DRIFT, measures=(*MEASURES[:3], Measure("time_followed", 400.0, "d"), MEASURES[4], ahead))
    text = " ".join(trends_words(finding, "metric").reasons)
    assert "within 13 months" in text
    assert "in 40 days to 5 months" in text


def test_a_jump_and_others_that_move_are_said() -> None:
    others = (Measure("charging/idle_voltage", 13.9, "V"), Measure("catalyst/survives_bank_2", 0.11, "ratio"))
    jump = Measure("distance_since_jump", 1_230.0, "km")
    finding = replace(DRIFT, signature="jumped", measures=(*MEASURES[:4], jump, *others))
    said = trends_words(finding, "metric")
    assert "It jumped 1,200 km ago." in said.reasons[0]
    assert "bank 2 (now 0.110)" in said.reasons[-1]
    assert "charging voltage at idle (now 13.9 V)" in said.reasons[-1]


@pytest.mark.parametrize("signature", sorted(DRIVE_TO_GET))
def test_every_refusal_has_words(signature: str) -> None:
    said = trends_words(Finding("trends", Verdict.NOT_ENOUGH_DATA, signature, measures=MEASURES), "metric")
    assert said.headline.endswith(".")
    assert said.reasons


def test_a_healthy_car_hears_how_much_was_followed() -> None:
    said = trends_words(Finding("trends", Verdict.HEALTHY, measures=MEASURES[-2:]), "metric")
    assert said.reasons == ("22 values are followed, over up to 18 drives.",)


def test_every_followed_number_has_a_name_of_its_own() -> None:
    followed = [f"{rule.detector}/{rule.name}" for rule in rules() if rule.harm is not Harm.NONE]
    assert sorted(followed) == sorted(LABELS)
    assert label("oxygen_sensors/answer_bank_2").endswith("answer, bank 2")


def test_the_reading_grade_is_low() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # textstat imports pkg_resources, which warns
        textstat = pytest.importorskip("textstat")
        for signature in ("drifts_to_limit", "drifts", "jumped", "past_limit"):
            said = trends_words(replace(DRIFT, signature=signature), "metric")
            assert textstat.flesch_kincaid_grade(" ".join((said.headline, *said.reasons))) <= 10.0
