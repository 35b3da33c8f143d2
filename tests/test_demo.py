"""The demo from start to end, as `obdwatch demo --check` plays it: history, one drive through the whole capture path
with only the clock injected, and what follows from all of it.
"""

from __future__ import annotations

import doctest
from datetime import UTC, datetime
from pathlib import Path

import pytest

import obdwatch.demo
from obdwatch.cli import run
from obdwatch.commands.demo_lines import step_lines
from obdwatch.demo import Step
from obdwatch.records import CodeKind, CodeReading, Event, EventKind, Finding, Verdict
from obdwatch.story import read_story
from tests.conftest import ToldStory


def test_the_demo_comes_out_as_it_should(told_story: ToldStory) -> None:
    assert told_story.code == 0
    assert [step["text"] for step in told_story.document["steps"] if not step["right"]] == []


def test_every_drive_is_told_in_order_and_the_last_is_recorded_on_the_spot(told_story: ToldStory) -> None:
    story = read_story()
    told = [step["session_id"] for step in told_story.document["steps"] if step["session_id"]]
    assert told == [drive.id for drive in story.drives]
    assert [drive.live for drive in story.drives] == [False] * 12 + [True]
    files = sorted(path.name for path in (told_story.folder / "sessions").iterdir())
    assert files == [drive.file_name for drive in story.drives]  # closed files, nothing left beside them


def test_each_entry_of_the_log_is_told_once_and_between_the_right_drives(told_story: ToldStory) -> None:
    moments: list[datetime] = []
    drives = {drive.id: drive.at for drive in read_story().drives}
    for step in told_story.document["steps"]:
        moments += [datetime.fromisoformat(event["at"]) for event in step["log"]]
        moments += [drives[step["session_id"]]] if step["session_id"] else []
    assert moments == sorted(moments)
    assert len(moments) == len(drives) + len(read_story().events)


def test_the_repair_is_not_proven_by_one_drive_and_is_by_all(told_story: ToldStory) -> None:
    proofs = [step["proof"] for step in told_story.document["steps"] if step["proof"]]
    assert [len(proof["after"]) for proof in proofs] == [1, 7]
    assert [proof["change"] for proof in proofs] == ["better", "proven"]
    assert all(proof["parts"] == ["ignition_coil"] for proof in proofs)


def test_risks_and_plan_name_what_is_worn_and_leave_alone_what_is_only_old(told_story: ToldStory) -> None:
    story = read_story()
    (risks,) = (step["risks"] for step in told_story.document["steps"] if step["risks"])
    by_part = {risk["part"]: risk for risk in risks}
    likeliest = sorted(by_part, key=lambda part: -by_part[part]["degraded"])[:3]
    assert set(likeliest) == set(story.worn_in_the_end)
    for part in story.old_but_sound:
        assert by_part[part]["since_new_km"] == pytest.approx(story.drives[-1].odometer_km)
        assert by_part[part]["degraded"] < by_part[part]["prior"]
    sensor = by_part["oxygen_sensor_upstream"]  # past its usual life, and judged on many drives
    assert sensor["prior"] > 0.3 > 3.0 * sensor["degraded"]
    (plan,) = (step["plan"] for step in told_story.document["steps"] if step["plan"])
    planned = {part for visit in plan["visits"] for part in visit["jobs"]}
    assert set(story.worn_in_the_end) <= planned
    assert set(story.old_but_sound) <= {left["part"] for left in plan["left_alone"]}
    assert "ignition_coil" not in planned  # new since May
    others = plan["comparison"]
    assert plan["costs"]["total"] <= min(others[way]["total"] for way in others) + 1e-6


def test_the_gasket_is_known_by_inspection_alone(told_story: ToldStory) -> None:
    (risks,) = (step["risks"] for step in told_story.document["steps"] if step["risks"])
    (gasket,) = (risk for risk in risks if risk["part"] == "oil_filter_housing_gasket")
    heaviest = [reason["source"].partition(":")[0] for reason in gasket["reasons"][:2]]
    assert heaviest == ["inspection", "inspection"]
    assert not any(reason["source"].startswith("finding:") for reason in gasket["reasons"])


def test_a_step_says_what_was_found_and_read_in_few_lines() -> None:
    found = (
        Finding("misfire", Verdict.FAULT, "one_cylinder", parts=("ignition_coil",), confidence=0.9),
        Finding("cooling", Verdict.HEALTHY),
        Finding("charging", Verdict.NOT_ENOUGH_DATA, drive_to_get="Drive."),
    )
    codes = tuple(CodeReading(0.0, kind, "P0302") for kind in (CodeKind.STORED, CodeKind.PENDING))
    lines = step_lines(Step("Recorded.", findings=found, codes=codes), "metric")
    assert lines[0] == "Recorded."
    assert "In order: 1 of 3 questions; not to be judged by this drive: 1." in lines[-2]
    assert lines[-1].strip() == "The car's own codes: P0302 (stored, pending)."


def test_an_entry_is_told_in_the_units_asked_for() -> None:
    event = Event("fern", datetime(2026, 5, 30, tzinfo=UTC), EventKind.REPAIR, 160_934.4, "ignition_coil", note="All.")
    (_, metric), (_, us) = (step_lines(Step("Log:", log=(event,)), units) for units in ("metric", "us"))
    assert metric.strip() == "2026-05-30, 160,934 km: Replaced: ignition coil. All."
    assert us.strip() == "2026-05-30, 100,000 miles: Replaced: ignition coil. All."


def test_distances_are_read_out_as_documented() -> None:
    assert doctest.testmod(obdwatch.demo).failed == 0


def test_a_session_that_is_missing_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(obdwatch.demo, "FOLDER", tmp_path / "nowhere")
    assert run(["demo", "--check", "--logbook", str(tmp_path)]) == 2
    said = capsys.readouterr().err
    assert read_story().drives[0].file_name in said
    assert "run obdwatch from a whole checkout" in said
    assert said.count("\n") == 1


def test_the_demo_never_removes_a_folder_it_has_not_made(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    mine = tmp_path / "demo" / "mine.txt"
    mine.parent.mkdir()
    mine.write_text("mine")
    assert run(["demo", "--check", "--logbook", str(tmp_path)]) == 2
    assert "not the demo's own" in capsys.readouterr().err
    assert mine.read_text() == "mine"
