"""Freeze frames: python-OBD reads them one byte too early on CAN, so that every coolant is -40 degC."""

from __future__ import annotations

import pytest

from obdwatch.decoding.freeze_frames import (
    FrameReply,
    encode_frame,
    encode_frame_code,
    gather_freeze_frames,
    split_frame,
)
from obdwatch.decoding.parameter_table import SensorLayout
from obdwatch.errors import ReplyError


def reply(text: str, t: float = 0.0) -> FrameReply:
    return FrameReply(t, 0x7E8, bytes.fromhex(text))


def test_a_coolant_temperature_is_read_behind_the_frame_number() -> None:
    (frame,) = gather_freeze_frames([reply("42 02 00 01 33"), reply("42 05 00 7B")])
    assert frame.code == "P0133"
    assert dict(frame.values) == {"coolant_temperature": 83.0}
    assert (frame.frame, frame.ecu, frame.t) == (0, 0x7E8, 0.0)


def test_several_parameters_in_one_reply_are_one_frame() -> None:
    (frame,) = gather_freeze_frames([reply("42 02 00 01 33 0C 00 1A F8 0D 00 3C")])
    assert dict(frame.values) == {"engine_speed": 1726.0, "vehicle_speed": 60.0}


def test_frames_with_other_numbers_are_other_frames() -> None:
    frames = gather_freeze_frames([reply("42 02 00 01 33"), reply("42 02 01 01 71"), reply("42 05 01 7B")])
    assert [(frame.frame, frame.code, dict(frame.values)) for frame in frames] == [
        (0, "P0133", {}),
        (1, "P0171", {"coolant_temperature": 83.0}),
    ]


def test_a_frame_read_again_is_a_new_reading() -> None:
    replies = [
        reply("42 02 00 01 33", 1),
        reply("42 05 00 7B", 2),
        reply("42 02 00 01 71", 60),
        reply("42 05 00 50", 61),
    ]
    first, second = gather_freeze_frames(replies)
    assert (first.code, first.t, second.code, second.t) == ("P0133", 1, "P0171", 60)
    assert second.values["coolant_temperature"] == 40.0


def test_where_nothing_is_stored_there_is_no_frame_whatever_else_came() -> None:
    assert gather_freeze_frames([reply("42 02 00 00 00"), reply("42 05 00 00")]) == ()


def test_support_bitmaps_are_no_values() -> None:
    assert gather_freeze_frames([reply("42 00 00 7F FF 00 00")]) == ()


def test_a_frame_without_its_code_is_kept_and_has_none() -> None:
    (frame,) = gather_freeze_frames([reply("42 05 00 7B")])
    assert frame.code is None


def test_maxima_and_layout_of_the_control_unit_count_here_too() -> None:
    replies = [reply("42 0B 00 FF"), reply("42 18 00 64 80")]
    (frame,) = gather_freeze_frames(replies, {"maximum_intake_manifold_pressure": 510.0}, SensorLayout.FOUR_BANKS)
    assert frame.values["intake_manifold_pressure"] == 510.0
    assert frame.values["oxygen_sensor_voltage_bank_3_sensor_1"] == 0.5


def test_what_a_stand_in_encodes_is_read_back() -> None:
    payloads = [encode_frame_code(0, "P0A0F"), encode_frame(0, 0x0C, {"engine_speed": 812.5})]
    (frame,) = gather_freeze_frames([FrameReply(0.0, 0x7E8, payload) for payload in payloads])
    assert (frame.code, dict(frame.values)) == ("P0A0F", {"engine_speed": 812.5})
    assert gather_freeze_frames([FrameReply(0.0, 0x7E8, encode_frame_code(0, None))]) == ()


@pytest.mark.parametrize("text", ["42", "42 05", "42 05 00", "42 0C 00 1A", "42 95 00"])
def test_a_frame_cut_short_is_refused(text: str) -> None:
    with pytest.raises(ReplyError):
        split_frame(bytes.fromhex(text))
