"""Was it fixed? Whole comparisons on cars whose physics is written in the tests, and on the recorded sessions."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from obdwatch.analysis import analyse_drive
from obdwatch.comparing.drive_record import record_of
from obdwatch.comparing.driven import driven_of
from obdwatch.comparing.proof import prove
from obdwatch.comparing.proof_records import Change, DriveRecord, Proof
from obdwatch.records import Verdict
from obdwatch.signals.drives import load_drive
from tests.comparing.drives import misfiring, starting, trimmed, warming
from tests.detectors.misfiring_car import normal
from tests.detectors.test_misfire_patterns import weak_spark

RECORDED = Path(__file__).parents[2] / "recorded_sessions"
MIRROR = {Change.PROVEN: Change.WORSE, Change.BETTER: Change.WORSE}


@pytest.fixture(scope="module")
def worn() -> list[DriveRecord]:
    return [warming(0.6, day) for day in (1, 2, 3)]


@pytest.fixture(scope="module")
def sound() -> list[DriveRecord]:
    return [warming(0.0, day) for day in (11, 12, 13)]


def changes(proof: Proof) -> dict[str, Change]:
    return {f"{m.detector}/{m.name}": m.change for m in proof.measures}


def test_a_new_thermostat_is_proven_by_several_drives(worn: list[DriveRecord], sound: list[DriveRecord]) -> None:
    proof = prove(worn, sound, ("thermostat",))
    assert proof.change is Change.PROVEN
    assert changes(proof)["warm_up/coolant_at_telling_time"] is Change.PROVEN
    assert not any("One drive" in text for text in proof.remarks)
    assert proof.next_drive == ()
    assert "thermostat" in proof.headline


def test_one_drive_on_each_side_says_what_it_rests_on(worn: list[DriveRecord], sound: list[DriveRecord]) -> None:
    proof = prove(worn[:1], sound[:1], ("thermostat",))
    assert proof.change is Change.PROVEN
    assert any("One drive on each side" in text and "assumed" in text for text in proof.remarks)
    both, alone = prove(worn, sound), proof
    wide, narrow = (
        next(m.interval for m in one.measures if m.name == "coolant_at_telling_time") for one in (alone, both)
    )
    assert wide is not None
    assert narrow is not None
    assert wide[1] - wide[0] > narrow[1] - narrow[0]


def test_a_thermostat_that_is_still_worn_is_unchanged(worn: list[DriveRecord]) -> None:
    proof = prove(worn[:2], worn[2:], ("thermostat",))
    assert proof.change is Change.UNCHANGED
    assert "still there" in proof.headline


def test_exchanging_the_sides_makes_it_worse(worn: list[DriveRecord], sound: list[DriveRecord]) -> None:
    for one, other in ((worn, sound), (worn[:1], sound[:1]), (worn[:1], sound)):
        there, back = prove(one, other, ("thermostat",)), prove(other, one, ("thermostat",))
        assert back.change is MIRROR.get(there.change, there.change)
        turned = changes(back)
        for name, change in changes(there).items():
            assert turned[name] in (MIRROR.get(change, change), *(c for c, m in MIRROR.items() if m is change)), name


def test_a_drive_compared_with_itself_is_unchanged(worn: list[DriveRecord], sound: list[DriveRecord]) -> None:
    for side in (worn, sound, worn[:1], sound[:1]):
        for parts in ((), ("thermostat",)):
            proof = prove(side, side, parts)
            assert proof.change is Change.UNCHANGED
            told = {change for name, change in changes(proof).items()}
            assert told <= {Change.UNCHANGED}


def test_a_warm_start_proves_nothing_though_no_fault_is_seen(worn: list[DriveRecord]) -> None:
    warm = warming(0.0, 20, start=80.0, minutes=4.0)
    assert {f.verdict for f in warm.findings} == {Verdict.NOT_ENOUGH_DATA}
    proof = prove(worn, [warm], ("thermostat",))
    assert proof.change in (Change.CANNOT_TELL, Change.BETTER)
    assert "proven" not in proof.headline.replace("not proven", "")
    assert any("overnight" in step for step in proof.next_drive)


def test_without_a_drive_after_the_repair_it_is_not_proven_and_the_drive_is_named(worn: list[DriveRecord]) -> None:
    proof = prove(worn, [], ("thermostat",))
    assert proof.change is Change.CANNOT_TELL
    assert "Not proven yet" in proof.headline
    assert any("overnight" in step for step in proof.next_drive)


def test_without_a_drive_before_the_repair_nothing_is_claimed(sound: list[DriveRecord]) -> None:
    proof = prove([], sound, ("thermostat",))
    assert proof.change is Change.CANNOT_TELL


def test_a_sound_car_that_stays_sound_is_unchanged(sound: list[DriveRecord]) -> None:
    proof = prove(sound[:1], sound[1:])
    assert proof.change is Change.UNCHANGED
    assert "nothing was wrong" in proof.headline


def test_a_sealed_leak_is_proven_at_equal_speed_and_load() -> None:
    before, after = [trimmed(4.0, day) for day in (1, 2)], [trimmed(0.0, day) for day in (11, 12)]
    proof = prove(before, after, ("intake_leak",))
    assert proof.change is Change.PROVEN
    found = changes(proof)
    assert found["fuel_trims/matched_idle_bank_1"] is Change.PROVEN
    idle = next(m for m in proof.measures if m.name == "matched_idle_bank_1")
    road = next(m for m in proof.measures if m.name == "matched_road_bank_1")
    assert idle.difference is not None
    assert road.difference is not None
    assert idle.difference < road.difference < 0.0  # a leak shows most where little air flows (TRADE: common practice)


def test_a_new_coil_is_proven_under_load() -> None:
    before, after = [misfiring(weak_spark((3,), 0.04), 1)], [misfiring(normal, 11)]
    assert before[0].findings[0].verdict is Verdict.FAULT
    proof = prove(before, after, ("ignition_coil:3",))
    assert proof.change is Change.PROVEN
    assert changes(proof)["misfire/misfires_cylinder_3"] in (Change.PROVEN, Change.BETTER)
    assert changes(proof)["misfire/misfires_cylinder_1"] is Change.UNCHANGED


def without_load(drive: DriveRecord) -> DriveRecord:
    """The same drive as if it had hardly met any load."""
    return replace(drive, turns={**drive.turns, "loaded": 30.0})


def test_silence_without_the_load_that_made_it_misfire_is_not_proven() -> None:
    before, after = [misfiring(weak_spark((3,), 0.04), 1)], [without_load(misfiring(normal, 11))]
    proof = prove(before, after, ("ignition_coil:3",))
    assert proof.change is Change.BETTER
    assert any("under load" in one.why for one in proof.symptoms)
    assert any("ccelerate briskly" in step for step in proof.next_drive)
    assert prove(after, before, ("ignition_coil:3",)).change is Change.WORSE


def test_a_start_in_the_cold_is_not_compared_with_one_in_the_warm() -> None:
    weak, good = starting(1, volts=11.9, battery=0.022, coolant=-5.0), starting(11, coolant=25.0)
    proof = prove([weak], [good], ("battery",))
    crank = next(m for m in proof.measures if m.name == "cranking_voltage")
    assert crank.change is Change.CANNOT_TELL
    assert proof.change is not Change.PROVEN
    assert any("about as cold" in step for step in proof.next_drive)
    alike = prove([weak], [starting(12, coolant=-4.0)], ("battery",))
    crank = next(m for m in alike.measures if m.name == "cranking_voltage")
    assert crank.change in (Change.PROVEN, Change.BETTER)


def test_a_code_that_comes_back_as_pending_keeps_it_open(worn: list[DriveRecord], sound: list[DriveRecord]) -> None:
    before = [replace(drive, pending=frozenset({"P0128"})) for drive in worn]
    after = [*sound[:2], replace(sound[2], pending=frozenset({"P0128"}))]
    proof = prove(before, after, ("thermostat",))
    assert proof.change is Change.BETTER
    assert any("P0128" in text for text in proof.remarks)
    assert prove(before, sound, ("thermostat",)).change is Change.PROVEN


@pytest.fixture(scope="module")
def recorded() -> list[DriveRecord]:
    files = sorted(RECORDED.glob("*.obdw"), key=lambda file: file.stat().st_size)  # the shortest are the cheapest
    if len(files) < 2:
        pytest.skip("fewer than two recorded sessions are there")
    drives = [load_drive(file) for file in sorted(files[:2])]
    return [record_of(drive.session, analyse_drive(drive).findings, driven_of(drive)) for drive in drives]


def test_recorded_sessions_compared_with_themselves_are_unchanged(recorded: list[DriveRecord]) -> None:
    for one in recorded:
        same = prove([one], [one])
        assert same.change is Change.UNCHANGED
        assert {m.change for m in same.measures if m.before and m.after} == {Change.UNCHANGED}
        assert len(same.measures) > 20


def test_recorded_sessions_mirror(recorded: list[DriveRecord]) -> None:
    there, back = prove(recorded[:1], recorded[1:]), prove(recorded[1:], recorded[:1])
    better, worse = (Change.PROVEN, Change.BETTER), Change.WORSE
    turned = changes(back)
    for name, change in changes(there).items():
        assert (change in better) == (turned[name] is worse), name
        assert (change is worse) == (turned[name] in better), name
    assert (there.change in better) == (back.change is worse)


def test_a_repair_that_no_drive_can_show_is_said(recorded: list[DriveRecord]) -> None:
    proof = prove(recorded[:1], recorded[1:], ("oil_filter_housing_gasket",))
    assert proof.change is Change.CANNOT_TELL
    assert "Look at it" in proof.headline
