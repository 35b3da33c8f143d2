"""Words on filling, cams and ignition advance: plain, with the numbers of the finding, whatever the answer."""

from __future__ import annotations

import re
import warnings
from dataclasses import replace

import numpy as np
import pytest

from obdwatch.detectors import air_filling, cam_timing, ignition_timing
from obdwatch.explanations import air_filling_words, cam_timing_words, ignition_timing_words
from obdwatch.explanations.wording import Words
from obdwatch.records import CodeKind, Drive, Finding, History, Session, Urgency, Verdict
from tests.detectors.breathing_car import SIX, BreathingCar, cam_results, drive, trip, with_codes
from tests.detectors.breathing_history import past

GRADE = 9.0  # Flesch-Kincaid: about the ninth year of school
LONG = trip(pulls=3, cruise=600.0)
NOTHING = History()


def own_tests(*values: float) -> Drive:
    return Drive(Session("tests only", None), {}, monitors=cam_results(values))


def _found() -> dict[str, Finding]:
    """One finding of each kind, from drives as they are recorded."""
    healthy = BreathingCar()
    air, advance = past(air_filling.detect, healthy, SIX), past(ignition_timing.detect, healthy, SIX)
    no_flaps = replace(SIX, intake_flaps=False)

    def filling(car: BreathingCar, profile: object = SIX, known: History = NOTHING) -> Finding:
        assert profile is SIX or profile is no_flaps
        return air_filling.detect(drive(car, LONG), profile, known)

    def timing(car: BreathingCar, known: History = NOTHING) -> Finding:
        return ignition_timing.detect(drive(car, LONG), SIX, known)

    overlap = drive(replace(healthy, idle_pressure=46.0, idle_filling=26.0), trip(pulls=0))
    permanent = with_codes(own_tests(0.1, 0.2), "P0012")
    return {
        "full": filling(healthy),
        "full_own": filling(healthy, known=air),
        "flaps": filling(BreathingCar(low_loss=0.1)),
        "low": filling(BreathingCar(low_loss=0.15), no_flaps),
        "cam_air": filling(BreathingCar(high_loss=0.2)),
        "blocked": air_filling.detect(drive(BreathingCar(high_loss=0.2), LONG, monitors=True), SIX, NOTHING),
        "everywhere": filling(BreathingCar(all_loss=0.2)),
        "sensor": filling(BreathingCar(sensor=0.8, trim=12.0)),
        "overlap": air_filling.detect(overlap, SIX, air),
        "no_pull": air_filling.detect(drive(healthy, trip(pulls=0)), SIX, NOTHING),
        "cams": cam_timing.detect(own_tests(0.5, -0.5), SIX, NOTHING),
        "off": cam_timing.detect(own_tests(14.0, 0.5), SIX, NOTHING),
        "both_off": cam_timing.detect(own_tests(14.0, -14.0), SIX, NOTHING),
        "near": cam_timing.detect(own_tests(9.0, 0.5), SIX, NOTHING),
        "late": cam_timing.detect(with_codes(own_tests(14.0, 0.5), "P0012"), SIX, NOTHING),
        "chain": cam_timing.detect(with_codes(Drive(Session("c", None), {}), "P0016"), None, NOTHING),
        "circuit": cam_timing.detect(
            with_codes(Drive(Session("c", None), {}), "P0023", kind=CodeKind.PENDING), None, NOTHING
        ),
        "times": cam_timing.detect(permanent, SIX, NOTHING),
        "cam_by_air": cam_timing.detect(drive(BreathingCar(high_loss=0.2), LONG), SIX, NOTHING),
        "cam_overlap": cam_timing.detect(overlap, SIX, air),
        "spark": timing(healthy),
        "spark_own": timing(healthy, advance),
        "knock": timing(replace(healthy, retard=6.0), advance),
        "late_everywhere": timing(replace(healthy, retard_all=6.0), advance),
        "late_spark": timing(replace(healthy, retard_all=24.0)),
        "falls": timing(replace(healthy, slope=-4.0)),
        "rises": timing(replace(healthy, load_slope=0.4)),
    }


@pytest.fixture(scope="module")
def found() -> dict[str, Finding]:
    return _found()


WORDS = {
    air_filling.NAME: air_filling_words.air_filling_words,
    cam_timing.NAME: cam_timing_words.cam_timing_words,
    ignition_timing.NAME: ignition_timing_words.ignition_timing_words,
}


def words(finding: Finding, units: str = "metric") -> Words:
    return WORDS[finding.detector](finding, units)


def prose(said: Words) -> str:
    return " ".join((said.headline, *said.reasons))


@pytest.mark.parametrize(
    ("name", "part"),
    [
        ("full", "gets the air it should"),
        ("full_own", "this car's own 5 earlier drives"),
        ("flaps", "the intake flaps may not move"),
        ("flaps", "above it nothing is missing"),
        ("flaps", "drawn into the engine"),
        ("low", "has no flaps"),
        ("cam_air", "look at the cam timing first"),
        ("blocked", "something may block its way"),
        ("everywhere", "at all speeds"),
        ("sensor", "the sensor is to blame"),
        ("overlap", "Air conditioning"),
        ("no_pull", "hot idle is 36 kPa"),
        ("cams", "go where they are sent"),
        ("off", "14.0°; -10.0 to 10.0° is allowed"),
        ("both_off", "2 cams are beyond their limits"),
        ("near", "close to its limit"),
        ("late", "The intake cam stays back"),
        ("late", "1 code of the cams, confirmed"),
        ("chain", "do not start the engine again"),
        ("circuit", "The exhaust cam of bank 2 has a fault in the solenoid or its wiring."),
        ("times", "Its last test passed"),
        ("cam_by_air", "The air is all that speaks here"),
        ("cam_overlap", "may not return to its place"),
        ("spark", "Later drives will show"),
        ("spark_own", "the same as on this car's own 5 earlier drives"),
        ("knock", "fuel of too low a grade"),
        ("knock", "6.0° less than on this car's own 5 earlier drives"),
        ("late_everywhere", "its timing may be off"),
        ("late_spark", "10 to 30° is usual"),
        ("falls", "where it should rise"),
        ("rises", "more than at light load"),
    ],
)
def test_each_kind_says_what_matters(found: dict[str, Finding], name: str, part: str) -> None:
    text = prose(words(found[name])).replace("5.9°", "6.0°").replace("6.1°", "6.0°")
    assert part in text


def test_nothing_unknown_is_said_and_every_fault_says_what_to_check(found: dict[str, Finding]) -> None:
    for name, finding in found.items():
        text = prose(words(finding))
        assert "unknown" not in text, name
        assert not re.search(r"\bnan\b|\binf\b|-0 |_", text), name
        if finding.verdict is Verdict.FAULT:
            assert "check" in text, name


def test_a_reader_of_us_units_sees_no_metric_ones(found: dict[str, Finding]) -> None:
    for name in ("overlap", "no_pull", "knock", "cam_overlap"):
        text = prose(words(found[name], "us"))
        assert "kPa" not in text
        assert "°C" not in text


@pytest.mark.parametrize(
    ("detector", "texts"),
    [
        (air_filling, air_filling_words.MISSING),
        (cam_timing, cam_timing_words.MISSING),
        (ignition_timing, ignition_timing_words.MISSING),
    ],
)
def test_every_missing_thing_has_words(detector: object, texts: dict[str, tuple[str, str]]) -> None:
    name, wanted = getattr(detector, "NAME"), getattr(detector, "DRIVE_TO_GET")  # noqa: B009
    assert set(texts) == set(wanted)
    for signature, (headline, _) in texts.items():
        assert words(Finding(name, Verdict.NOT_ENOUGH_DATA, signature)).headline == headline


@pytest.mark.parametrize(
    ("detector", "signature"),
    [(air_filling.NAME, one) for one in air_filling_words.FAULTS]
    + [(ignition_timing.NAME, one) for one in ignition_timing_words.HEADLINES]
    + [(cam_timing.NAME, f"{cam}_cam_{kind}") for cam in ("intake", "exhaust") for kind in cam_timing_words.KINDS],
)
def test_a_finding_without_measures_is_worded(detector: str, signature: str) -> None:
    bare = Finding(detector, Verdict.FAULT, signature, Urgency.WATCH)
    text = prose(words(bare))
    assert len(text) > 30
    assert "nan" not in text


def test_the_words_are_easy_to_read(found: dict[str, Finding]) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        textstat = pytest.importorskip("textstat")
        said = [prose(words(one)) for one in found.values()]
        grades = [textstat.flesch_kincaid_grade(one) for one in said]
    assert float(np.median(grades)) <= GRADE
    assert max(grades) <= GRADE + 3.0
