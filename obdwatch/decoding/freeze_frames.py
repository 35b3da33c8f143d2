"""Service 02: the snapshot a control unit kept when it stored a code.

A reply carries the frame number after every parameter id, on CAN and on older links alike; one reply holds one or
more parameters, and a frame is gathered from many replies.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from obdwatch.decoding.parameter_table import SensorLayout
from obdwatch.decoding.parameters import BITMAP_BASES, decode_fields, encode_pid
from obdwatch.decoding.replies import frame_places
from obdwatch.decoding.trouble_codes import decode_code, encode_code
from obdwatch.records import FreezeFrame

FRAME_CODE = 0x02
_REPLY = 0x42
_NO_FRAME = b"\x00\x00"


@dataclass(frozen=True, slots=True)
class FrameParameter:
    """One parameter of one frame: its data as it came."""

    frame: int
    pid: int
    data: bytes


@dataclass(frozen=True, slots=True)
class FrameReply:
    """A checked reply of service 02 from one control unit at `t` [s]."""

    t: float
    ecu: int | None
    payload: bytes


def split_frame(payload: bytes) -> tuple[FrameParameter, ...]:
    """Cut a reply of service 02 into its parameters. Raises ShortReply or WrongReply where the bytes do not fit."""
    return tuple(
        FrameParameter(payload[start - 1], pid, payload[start:end]) for pid, start, end in frame_places(payload)
    )


def gather_freeze_frames(
    replies: Iterable[FrameReply],
    maxima: Mapping[str, float] | None = None,
    layout: SensorLayout = SensorLayout.TWO_BANKS,
) -> tuple[FreezeFrame, ...]:
    """Put the replies of one control unit, in order of time, together to frames.

    A parameter that comes a second time begins a new reading of its frame. A frame whose code is 0000 is none: the
    car says that nothing is stored, and whatever else it sent for that frame means nothing.
    """
    readings: list[FreezeFrame] = []
    open_readings: dict[int, tuple[int, set[int]]] = {}
    empty: set[int] = set()
    for reply in replies:
        for item in split_frame(reply.payload):
            place, seen = open_readings.get(item.frame, (-1, {item.pid}))
            if item.pid in seen:
                place, seen = len(readings), set()
                readings.append(FreezeFrame(reply.t, reply.ecu, item.frame, None, MappingProxyType({})))
                open_readings[item.frame] = place, seen
            seen.add(item.pid)
            if item.pid == FRAME_CODE and item.data == _NO_FRAME:
                empty.add(place)
            readings[place] = _with(readings[place], item, maxima, layout)
    return tuple(frame for place, frame in enumerate(readings) if place not in empty and (frame.code or frame.values))


def encode_frame_code(frame: int, code: str | None) -> bytes:
    """Return the reply of a stand-in that names the code which stored a frame, 0000 where nothing is stored."""
    return bytes([_REPLY, FRAME_CODE, frame]) + (encode_code(code) if code else _NO_FRAME)


def encode_frame(frame: int, pid: int, values: Mapping[str, float]) -> bytes:
    """Return the reply of a stand-in with one parameter of a frame. Raises ValueError as `encode_pid`."""
    return bytes([_REPLY, pid, frame]) + encode_pid(pid, values)


def _with(
    frame: FreezeFrame, item: FrameParameter, maxima: Mapping[str, float] | None, layout: SensorLayout
) -> FreezeFrame:
    if item.pid in BITMAP_BASES:
        return frame
    if item.pid == FRAME_CODE:
        return replace(frame, code=decode_code(item.data))
    values = {**frame.values, **decode_fields(item.pid, item.data, maxima, layout)}
    return replace(frame, values=MappingProxyType(values))
