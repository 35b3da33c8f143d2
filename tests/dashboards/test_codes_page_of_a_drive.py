"""The trouble codes on the page of a drive: what each memory held, and what was never read."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from dash import dcc, html

from dashboards.pages.drive_codes import codes_section, found_codes, latest_readiness, memory_words
from dashboards.sessions import LoadedDrive
from dashboards.wording import explained
from obdwatch.records import CodeKind, CodeReading, Drive, FreezeFrame
from tests.dashboards.samples import CAR, FAULT, READINESS, drive_with_codes, session
from tests.dashboards.test_codes_page import parts
from tests.dashboards.test_pages import text

EMPTY = Drive(session("a"), {})
ALL = frozenset(CodeKind)


def section(drive: Drive, units: str = "metric", *findings: Any) -> Any:
    loaded = LoadedDrive(drive, drive.session, CAR, findings, (), {})
    return codes_section(loaded, explained(findings, units), units)


def test_memory_that_held_nothing_is_told_from_one_that_was_not_read() -> None:
    assert memory_words(EMPTY) == ("Unknown: no trouble codes were read in this recording.",)
    assert memory_words(replace(EMPTY, codes_read=ALL)) == (
        "None: the stored, pending and permanent codes were read, and there are none.",
    )
    read, permanent = memory_words(replace(EMPTY, codes_read=ALL - {CodeKind.PERMANENT}))
    assert read == "Stored and pending: none. This was read, and it is empty."
    assert permanent == "Permanent: unknown. These codes were not read in this recording."


def test_count_of_the_car_says_a_little_of_what_was_not_read() -> None:
    none = replace(EMPTY, readiness=(replace(READINESS, code_count=0),))
    assert "but the car counts none" in memory_words(none)[0]
    two = replace(EMPTY, readiness=(READINESS,))
    assert "the car counts 2. Read them before anything is erased." in memory_words(two)[0]
    assert "counts" not in memory_words(two)[1], "the count is of stored codes only (SAE J1979, parameter 01)"


def test_lamp_and_self_checks_are_told_as_they_were_last() -> None:
    later = replace(READINESS, t=900.0, lamp_on=False, monitors={"catalyst": (True, True), "egr": (True, True)})
    drive = replace(EMPTY, readiness=(later, READINESS, replace(READINESS, t=950.0, this_cycle=True)))
    assert latest_readiness(drive) == (later,)
    said = memory_words(drive)[-1]
    assert said.startswith("Control unit 7E8: the engine lamp is off. All 2 self-checks have run")
    assert "lamp" not in memory_words(replace(drive, readiness=(replace(later, lamp_on=None),)))[-1]


def test_each_code_has_its_memories_explanation_and_link() -> None:
    shown = section(drive_with_codes())
    assert [link.href for link in parts(shown, dcc.Link)] == ["/codes/P0171,P0300", "/codes/P0171", "/codes/P0300"]
    first, second = parts(shown, html.Article)
    assert "P0171: Mixture too lean, bank 1" in text(first)
    assert "In this recording the code is stored and pending." in text(first)
    assert "May I drive on?  Yes, gently." in text(first)
    assert "In this recording the code is pending." in text(second)
    assert "P0171 before P0300" in text(shown)


def test_stored_codes_stand_before_those_only_pending() -> None:
    assert [one.code for one in found_codes(drive_with_codes())] == ["P0171", "P0300"]


def test_freeze_frame_is_said_in_words_and_in_numbers_in_the_units_of_the_reader() -> None:
    shown = section(drive_with_codes(), "us")
    assert "coolant temperature 190 °F" in text(shown)  # 88 degC
    assert "The car stood at idle." in text(shown)
    frame = next(d for d in parts(shown, html.Details) if "Freeze frame of P0171" in text(d))
    assert "Engine coolant temperature 190\N{NO-BREAK SPACE}°F" in text(frame)
    assert "closed loop" in text(frame), "a state is told by its name"


def test_two_control_units_do_not_contradict_each_other_about_one_lamp() -> None:
    other = replace(READINESS, ecu=0x7E9, lamp_on=False)
    engine, gearbox = memory_words(replace(EMPTY, readiness=(READINESS, other)))[-2:]
    assert engine.startswith("Control unit 7E8: the engine lamp is switched on.")
    assert gearbox.startswith("Control unit 7E9: it does not ask for the engine lamp.")


def test_frame_that_was_read_several_times_is_shown_once() -> None:
    frame = FreezeFrame(1.0, None, 0, "P0171", {"engine_speed": 2000.0})
    again = (frame, replace(frame, t=60.0), replace(frame, t=90.0, values={"engine_speed": 900.0}))
    shown = section(replace(drive_with_codes(), freeze_frames=again))
    assert text(shown).count("Freeze frame of P0171") == 2


def test_frame_whose_code_is_gone_is_shown_all_the_same() -> None:
    frames = (FreezeFrame(1.0, None, 0, "P0420", {"engine_speed": 2000.0}), FreezeFrame(1.0, None, 1, None, {}))
    shown = text(section(replace(EMPTY, freeze_frames=frames)))
    assert "Freeze frame of P0420" in shown
    assert "2,000\N{NO-BREAK SPACE}rpm" in shown
    assert "Freeze frame of a code that was not told It holds no values." in shown


def test_findings_of_the_drive_are_read_together_with_its_codes() -> None:
    drive = replace(EMPTY, codes=(CodeReading(1.0, CodeKind.STORED, "P0128"),))
    assert "A check of this drive points the same way: The thermostat lets" in text(section(drive, "metric", FAULT))
    assert "points the same way" not in text(section(drive))


def test_what_is_no_code_is_shown_as_read_and_harms_nothing() -> None:
    codes = (CodeReading(1.0, CodeKind.STORED, "<b>?</b>"), CodeReading(1.0, CodeKind.STORED, "P0171"))
    shown = section(replace(EMPTY, codes=codes))
    assert "<b>?</b> Stored. What was read has not the shape of a trouble code" in text(shown)
    assert [link.href for link in parts(shown, dcc.Link)] == ["/codes/P0171"]
