"""From findings and codes to evidence: what counts, how much, and for how long."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from obdwatch.parts.code_evidence import causes_of, evidence_of_codes
from obdwatch.parts.drive_evidence import FADES_KM, JudgedDrive, evidence_of_findings, that_count
from obdwatch.parts.likelihoods import Likelihoods
from obdwatch.parts.renewals import renewals_of
from obdwatch.records import CodeKind, CodeReading, Event, EventKind, Evidence, Finding, Measure, Session, Verdict

START = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
PARTS = ("ignition_coil", "spark_plugs", "fuel_injector", "battery")
LISTED = ("ignition_coil", "spark_plugs")

# 20 drives with each part alone degraded, 100 of sound cars; what was said of them stands in the second table.
COUNTS = Likelihoods(
    origin="a test",
    typical_confidence=0.8,
    drives=5.0,
    by_rank=(0.4, 0.2),
    covered=0.5,
    false_alarm=0.5 / 101,
    answered={"misfire": {"sound": 99, **dict.fromkeys(PARTS, 20)}, "codes": {"sound": 99, **dict.fromkeys(PARTS, 20)}},
    found={"misfire": {"one_cylinder/ignition_coil": {"ignition_coil": 15, "spark_plugs": 3, "fuel_injector": 2}}},
)


def session(day: int, odometer_km: float | None = None) -> Session:
    return Session(f"s{day}", START + timedelta(days=day), odometer_km=odometer_km)


def misfires(confidence: float = 0.8) -> Finding:
    place = (Measure("cylinder", 3.0, ""),)
    return Finding("misfire", Verdict.FAULT, "one_cylinder", confidence=confidence, parts=LISTED, measures=place)


def healthy() -> Finding:
    return Finding("misfire", Verdict.HEALTHY, confidence=0.8)


def drive(day: int, *findings: Finding, odometer_km: float | None = None, codes: tuple[str, ...] = ()) -> JudgedDrive:
    read = tuple(CodeReading(0.0, CodeKind.STORED, code) for code in codes)
    return JudgedDrive(session(day, odometer_km), findings, read)


def said(*drives: JudgedDrive, events: tuple[Event, ...] = (), odometer_km: float | None = None) -> list[Evidence]:
    renewals = renewals_of(events)
    return [
        *evidence_of_findings(drives, PARTS, renewals, COUNTS, odometer_km),
        *evidence_of_codes(drives, PARTS, renewals, COUNTS),
    ]


def ratios(found: list[Evidence]) -> dict[str, float]:
    return {one.part: one.likelihood_ratio for one in found}


def repair(part: str, day: float) -> Event:
    return Event("car", START + timedelta(days=day), EventKind.REPAIR, part=part)


def test_a_fault_weighs_as_it_was_counted() -> None:
    # By hand: of 20 drives 15, with 5 further ones at 40 %: 17 / 25 = 0.68; false alarms 0.5 of 99 + 101: 0.0025.
    # Ratio: (0.0025 + 0.9975 * 0.68) / 0.0025 = 272.32. Not named, but seen on 2 of 20: (2 + 0) / 25 = 0.08.
    found = ratios(said(drive(0, misfires())))
    assert found["ignition_coil"] == pytest.approx(272.32)
    assert found["fuel_injector"] == pytest.approx((0.0025 + 0.9975 * 0.08) / 0.0025)
    assert "battery" not in found  # neither named nor ever seen: no evidence


def test_suspects_of_one_symptom_share_a_group_with_its_code() -> None:
    found = said(drive(0, misfires(), codes=("P0303",)))
    by_source = {one.source: one.group for one in found if one.part == "ignition_coil"}
    assert set(by_source) == {"finding:s0:misfire", "code:s0:P0303"}
    assert set(by_source.values()) == {"misfire"}


def test_the_reason_names_drive_place_and_rank() -> None:
    found = {one.part: one.reason for one in said(drive(0, misfires()))}
    assert found["ignition_coil"].startswith("Drive of 1 March 2026: ")
    assert "ylinder 3" in found["ignition_coil"]
    assert "first" in found["ignition_coil"]
    assert "among others" in found["spark_plugs"]
    assert "too" in found["fuel_injector"]


def test_silence_counts_against_what_would_have_shown() -> None:
    # Fault on 15 of 20 drives, with 5 further ones at 50 % for the part this detector names first: 17.5 / 25 = 0.7.
    found = said(drive(0, healthy()))
    assert ratios(found)["ignition_coil"] == pytest.approx(0.3)
    assert "battery" not in ratios(found)  # this detector has never shown one


def test_not_enough_data_counts_nothing() -> None:
    silent = Finding("misfire", Verdict.NOT_ENOUGH_DATA, "too_short", parts=LISTED)
    assert said(drive(0, silent)) == []


@pytest.mark.parametrize("finding", [misfires, healthy])
def test_confidence_scales_the_weight(finding: object) -> None:
    sure = finding()  # type: ignore[operator]
    unsure = Finding(sure.detector, sure.verdict, sure.signature, confidence=0.4, parts=sure.parts)
    full, half = ratios(said(drive(0, sure))), ratios(said(drive(0, unsure)))
    assert half["ignition_coil"] == pytest.approx(full["ignition_coil"] ** 0.5)


def test_the_newest_drive_counts_most_in_whatever_order_they_come() -> None:
    drives = (drive(0, healthy()), drive(9, misfires()))
    found = said(*drives)
    assert said(*reversed(drives)) == found
    by_drive = {one.source: one.likelihood_ratio for one in found if one.part == "ignition_coil"}
    assert by_drive["finding:s9:misfire"] == pytest.approx(272.32)
    assert by_drive["finding:s0:misfire"] == pytest.approx(0.3**0.5)


def test_what_was_seen_is_hardly_undone_by_one_quiet_drive() -> None:
    # Wear does not heal, and not every drive shows it; many quiet drives leave little of it.
    seen, quiet = drive(0, misfires()), [drive(day, healthy()) for day in range(1, 12)]

    def of_fault(found: list[Evidence]) -> float:
        return next(
            one for one in found if one.source == "finding:s0:misfire" and one.part == "ignition_coil"
        ).likelihood_ratio

    assert of_fault(said(seen, quiet[0])) == pytest.approx(272.32**0.85)
    assert 1.0 < of_fault(said(seen, *quiet)) < 272.32**0.2


def test_a_fault_seen_again_and_again_is_not_counted_again_and_again() -> None:
    found = [one for one in said(*(drive(day, misfires()) for day in range(30))) if one.part == "ignition_coil"]
    assert len(found) < 8
    assert found[1].likelihood_ratio == pytest.approx(found[0].likelihood_ratio ** 0.5)


@pytest.mark.parametrize("faulty", [(), (3,), (3, 30, 31), tuple(range(0, 60, 2)), tuple(range(25)), tuple(range(60))])
def test_of_drives_that_count_no_more_the_verdicts_are_enough(faulty: tuple[int, ...]) -> None:
    """However silences and faults alternate: a bare verdict in place of what counts no more changes nothing."""
    drives = [drive(day, misfires() if day in faulty else healthy()) for day in range(60)]
    kept = that_count(drives)
    bare = [
        one
        if one.session.id in kept
        else replace(one, findings=tuple(Finding(each.detector, each.verdict) for each in one.findings))
        for one in drives
    ]
    assert said(*bare) == said(*drives) != []
    assert "s59" in kept
    assert len(kept) < len(drives)


def test_an_old_silence_fades_with_distance() -> None:
    fresh = ratios(said(drive(0, healthy(), odometer_km=100_000.0), odometer_km=100_000.0))
    faded = ratios(said(drive(0, healthy(), odometer_km=100_000.0), odometer_km=100_000.0 + FADES_KM))
    assert faded["ignition_coil"] == pytest.approx(fresh["ignition_coil"] ** 0.5)


def test_a_renewed_part_starts_without_a_past_and_clears_its_rivals() -> None:
    before = ratios(said(drive(0, misfires())))
    after = ratios(said(drive(0, misfires()), events=(repair("ignition_coil", 1),)))
    assert "ignition_coil" not in after
    # The old coil explains most of that misfire now; what is left against the others is small.
    assert after["spark_plugs"] < before["spark_plugs"] / 20.0
    # A drive after the repair speaks of the new coil.
    again = ratios(said(drive(2, misfires()), events=(repair("ignition_coil", 1),)))
    assert again == before


def test_renewing_one_piece_ends_only_what_was_seen_there() -> None:
    assert "ignition_coil" not in ratios(said(drive(0, misfires()), events=(repair("ignition_coil:3", 1),)))
    assert "ignition_coil" in ratios(said(drive(0, misfires()), events=(repair("ignition_coil:2", 1),)))


def test_a_code_counts_once_however_often_it_is_read() -> None:
    found = said(drive(0, codes=("P0303",)), drive(1, codes=("P0303",)), drive(2, codes=("P0303",)))
    assert [one.source for one in found if one.part == "ignition_coil"] == ["code:s2:P0303"]


def test_codes_of_several_cylinders_are_one_piece_of_evidence() -> None:
    found = [one for one in said(drive(0, codes=("P0301", "P0303"))) if one.part == "ignition_coil"]
    assert len(found) == 1
    assert "P0301, P0303 are set" in found[0].reason


def test_a_code_that_waits_or_is_gone_weighs_less() -> None:
    full = ratios(said(drive(0, codes=("P0303",))))["ignition_coil"]
    pending = JudgedDrive(session(0), (), (CodeReading(0.0, CodeKind.PENDING, "P0303"),))
    assert 1.0 < ratios(said(pending))["ignition_coil"] < full
    assert 1.0 < ratios(said(drive(0, codes=("P0303",)), drive(1)))["ignition_coil"] < full
    unread = JudgedDrive(session(1), (), None)  # a newer drive that read no codes does not make it go away
    assert ratios(said(drive(0, codes=("P0303",)), unread))["ignition_coil"] == full


def test_a_code_that_nobody_erased_says_nothing_of_the_new_part() -> None:
    drives = (drive(0, codes=("P0303",)), drive(5, codes=("P0303",)))
    assert "ignition_coil" not in ratios(said(*drives, events=(repair("ignition_coil", 3),)))
    erased = Event("car", START + timedelta(days=4), EventKind.CODE_ERASE)
    assert "ignition_coil" in ratios(said(*drives, events=(repair("ignition_coil", 3), erased)))


@pytest.mark.parametrize("code", ["P1234", "not a code", "P0442"])
def test_a_code_without_wear_parts_is_no_evidence(code: str) -> None:
    assert causes_of(code) is None or "ignition_coil" not in causes_of(code).parts  # type: ignore[union-attr]
    assert said(drive(0, codes=(code,))) == []
