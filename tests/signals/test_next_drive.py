"""One next drive from the wishes of many detectors: nothing asked twice, nothing dropped, in the order of driving."""

from __future__ import annotations

import importlib
import pkgutil

import pytest

import obdwatch.detectors
from obdwatch.explanations.coverage_words import NO_SCREEN, next_drive_words
from obdwatch.records import Finding, Verdict
from obdwatch.signals.coverage import Coverage
from obdwatch.signals.next_drive import NOTHING, NextDrive, Step, next_drive, standing


def silent(detector: str, text: str) -> Finding:
    return Finding(detector, Verdict.NOT_ENOUGH_DATA, "missing", drive_to_get=text)


def wishes_of_every_detector() -> list[tuple[str, str]]:
    found = []
    for one in pkgutil.iter_modules(obdwatch.detectors.__path__):
        module = importlib.import_module(f"obdwatch.detectors.{one.name}")
        if one.name == getattr(module, "NAME", None):
            found += [(f"{one.name}-{name}", text) for name, text in getattr(module, "DRIVE_TO_GET", {}).items()]
    return found


COLD = (
    silent("one", "Let the car stand overnight, start the recording before the engine, and drive 20 minutes."),
    silent("two", "Record another cold start after a night's stand: 20 to 30 minutes, with ten minutes at a steady 60"
    " to 100 km/h and the cabin heater off."),
    silent("three", "Once warm, let it idle for two minutes and drive ten minutes at a steady 60 to 100 km/h."),
    silent("four", "Hold full throttle in third gear from 2,000 1/min up to near the red line, twice."),
)  # fmt: skip


def test_wishes_are_merged_and_put_in_the_order_of_driving() -> None:
    drive = next_drive(COLD)
    assert [wish.step for wish in drive.wishes] == [
        Step.STAND_OVERNIGHT,
        Step.IGNITION_FIRST,
        Step.DRIVE_WARM,
        Step.STEADY,
        Step.FULL_THROTTLE,
        Step.IDLE,
    ]
    minutes = {wish.step: wish.minutes for wish in drive.wishes}
    assert (minutes[Step.DRIVE_WARM], minutes[Step.STEADY], minutes[Step.IDLE]) == (20.0, 10.0, 2.0)
    assert (drive.others, drive.first) == ((), ())


def test_the_words_are_few_careful_and_in_the_readers_units() -> None:
    said = next_drive_words(next_drive(COLD))
    assert len(said) == 6
    assert said[0].startswith("Let the car stand overnight")
    assert "60 to 100 km/h for 10 minutes" in said[2]
    assert said[3].startswith("Only where it is legal and safe")
    assert said[-1] == NO_SCREEN
    assert "37 to 62 mph" in next_drive_words(next_drive(COLD), "us")[2]  # 60 and 100 km/h at 1.609344 km a mile


def test_nothing_is_asked_where_every_detector_could_tell() -> None:
    told = [Finding("one", Verdict.HEALTHY), Finding("two", Verdict.FAULT, "x", drive_to_get="Drive 20 minutes.")]
    assert next_drive(told) == NextDrive()
    assert next_drive_words(next_drive(told)) == ()
    assert next_drive([]) == NextDrive()


def test_an_earlier_drive_that_told_needs_no_other() -> None:
    early, late = Finding("one", Verdict.HEALTHY), silent("one", "Drive 20 minutes.")
    assert standing([early, late]) == (early,)
    assert standing([late, early]) == (early,)
    assert next_drive([early, late]) == NextDrive()


def test_what_is_not_understood_is_kept_as_it_was_said() -> None:
    drive = next_drive([silent("one", "Whistle three times."), silent("two", "Whistle three times.")])
    assert next_drive_words(drive) == ("Whistle three times.",)


def test_a_wish_for_no_roll_outs_asks_for_none() -> None:
    drive = next_drive([silent("one", "Drive warm at a steady 60 to 100 km/h for five minutes, without roll-outs.")])
    assert [wish.step for wish in drive.wishes] == [Step.STEADY]


def test_what_to_see_to_first_stands_first_and_signals_are_named_once() -> None:
    drive = next_drive(
        [
            silent("one", "Have the coolant temperature sensor and its plug checked, then record a cold start."),
            silent("two", "Record engine speed and vehicle speed."),
            silent("three", "Record coolant temperature with engine speed and vehicle speed."),
        ]
    )
    assert drive.signals == ("coolant temperature", "engine speed", "vehicle speed")
    said = next_drive_words(drive)
    assert said[0] == "Have the coolant temperature sensor and its plug checked."
    assert said[1] == "See that these are recorded: coolant temperature, engine speed, vehicle speed."


def test_an_idle_until_the_fan_runs_covers_a_shorter_one() -> None:
    wish = "Let the engine idle for five minutes in the open air, until the radiator fan has started and stopped."
    said = next_drive_words(next_drive([silent("one", wish), COLD[2]]))
    assert sum("idle" in text for text in said) == 1
    assert any("110 °C" in text for text in said)


def test_what_the_drive_lacked_is_added_only_while_something_is_open() -> None:
    seen = Coverage(duration=900.0, soaked_cold_start=False, idle_warm=10.0, steady_cruise=400.0, overrun=0.0)
    steps = [wish.step for wish in next_drive([COLD[3]], seen).wishes]
    assert steps == [Step.STAND_OVERNIGHT, Step.ROLL_OUTS, Step.FULL_THROTTLE, Step.IDLE]
    assert next_drive([Finding("one", Verdict.HEALTHY)], seen) == NextDrive()


@pytest.mark.parametrize(("name", "text"), wishes_of_every_detector(), ids=lambda value: value[:40])
def test_the_wish_of_every_detector_reaches_the_next_drive(name: str, text: str) -> None:
    said = next_drive_words(next_drive([silent(name, text)]))
    assert bool(said) != bool(NOTHING.match(text))


def test_all_wishes_together_make_one_short_drive() -> None:
    said = next_drive_words(next_drive([silent(name, text) for name, text in wishes_of_every_detector()]))
    assert len(said) <= 30
    assert len(set(said)) == len(said)
    assert sum("overnight" in text for text in said) == 1
