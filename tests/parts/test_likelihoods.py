"""The counts that likelihoods come from: what is shipped, and what a wrong file is told."""

from __future__ import annotations

from pathlib import Path

import pytest

from obdwatch.analysis import DETECTORS
from obdwatch.car_profiles import PART_IDS
from obdwatch.errors import InputError
from obdwatch.parts.likelihoods import CODES, SHIPPED, SOUND, read_likelihoods

COUNTS = read_likelihoods()
NAMES = {"rationality", "trends", *(question.name for question in DETECTORS)}


def test_the_shipped_counts_say_where_they_come_from() -> None:
    assert COUNTS.origin.startswith("measured ")
    assert "seeds from 21000" in COUNTS.origin  # those of the calibration begin at 61,000
    assert COUNTS.answered[CODES][SOUND] >= 100


def test_the_shipped_counts_speak_of_detectors_and_parts_that_exist() -> None:
    assert set(COUNTS.found) <= NAMES | {CODES}
    for detector, counts in COUNTS.answered.items():
        assert detector in NAMES | {CODES}
        assert set(counts) <= {SOUND, *PART_IDS}


@pytest.mark.parametrize("part", PART_IDS)
def test_every_ratio_points_the_right_way(part: str) -> None:
    for detector, signatures in COUNTS.found.items():
        for key in signatures:
            signature, _, lead = key.rpartition("/")
            assert COUNTS.of_fault(detector, signature, (lead,), part) >= 1.0
        assert 0.0 < COUNTS.of_silence(detector, part) <= 1.0


def test_the_part_a_fault_names_first_gains_most_in_most_cases() -> None:
    right = total = 0
    for detector, signatures in COUNTS.found.items():
        for key, counts in signatures.items():
            signature, _, lead = key.rpartition("/")
            if set(counts) == {SOUND}:
                continue
            ratios = {part: COUNTS.of_fault(detector, signature, (lead,), part) for part in PART_IDS}
            right += max(ratios, key=lambda part: ratios[part]) == lead
            total += 1
    assert right / total > 0.8


def test_a_fault_that_sound_cars_show_too_weighs_little() -> None:
    # The shipped counts hold one: low voltage with everything switched on sets a code without any fault.
    often = COUNTS.of_fault(CODES, "P0562", ("alternator",), "alternator")
    assert 1.0 < often < COUNTS.of_fault("charging", "undercharges", ("alternator", "drive_belt"), "alternator") / 5.0


def test_a_fault_that_was_never_counted_weighs_less_than_one_that_was() -> None:
    unknown = COUNTS.of_fault("warm_up", "something new", ("thermostat",), "thermostat")
    assert 1.0 < unknown < COUNTS.of_fault("warm_up", "opens_low", ("thermostat",), "thermostat")
    assert COUNTS.of_fault("warm_up", "something new", ("thermostat",), "battery") == 1.0


def test_a_detector_nobody_counted_is_no_ground_to_clear_a_part() -> None:
    assert COUNTS.of_silence("nobody", "thermostat") == 1.0


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("covered = ", "uncovered = "), "'covered' is missing"),
        (("drives = 4.0", "drives = 0.0"), "lie above 0"),
        (("by_rank = [", "by_rank = [1.5, "), "from 0 to below 1"),
        (("[answered]", "[answered"), "cannot be read"),
        (('"opens_low/thermostat" = {', '"opens_low/thermostat" = { battery = 9999,'), "more drives of 'battery'"),
    ],
)
def test_a_wrong_file_is_refused_by_name(tmp_path: Path, change: tuple[str, str], message: str) -> None:
    text = SHIPPED.read_text("utf-8")
    assert change[0] in text
    path = tmp_path / "likelihoods.toml"
    path.write_text(text.replace(*change), encoding="utf-8")
    with pytest.raises(InputError, match=message) as error:
        read_likelihoods(path)
    assert str(path) in str(error.value)
