"""Messages of the buses before CAN (SAE J1850, ISO 9141-2, ISO 14230-4) grouped into one payload per control unit.

SAE J1979 lets a control unit answer codes, monitor results and vehicle information with several messages; only those
of vehicle information are numbered.
"""

from __future__ import annotations

from collections.abc import Sequence

from obdwatch.adapters.elm327.assembling import Assembler
from obdwatch.adapters.elm327.frames import Frame

NEGATIVE = 0x7F
SERVICE_AT = 6  # characters of the three header bytes
CODE_SERVICES = frozenset({0x43, 0x47, 0x4A})
MONITOR_RESULTS = 0x46
VEHICLE_INFORMATION = 0x49
# SAE J1979: messages for the vehicle identification number, per calibration id, and for the control unit's name
INFORMATION_MESSAGES = {0x02: 5, 0x04: 4, 0x0A: 5}


def legacy_payloads(frames: Sequence[Frame], assembler: Assembler) -> tuple[list[bytes], bool]:
    """The payloads in all frames of one control unit, and whether something is missing or does not join.

    Payloads made of several messages come last; they can only be trusted when the reply shows no damage.
    """
    unique = list({frame.text: frame for frame in frames}.values())
    numbered = [frame for frame in unique if _is_segment(frame, unique)]
    listed = [frame for frame in unique if frame.data[0] in CODE_SERVICES or frame.data[0] == MONITOR_RESULTS]
    single = [frame for frame in unique if frame not in numbered and frame not in listed]
    parts = [assembler.join([frame.text], SERVICE_AT) for frame in single]
    if listed:
        parts.append(_join_listed(listed, assembler))
    if numbered:
        parts.append(_join_numbered(numbered, assembler))
    return [part for part in parts if part], not all(parts)


def _is_segment(frame: Frame, frames: Sequence[Frame]) -> bool:
    """Whether `frame` is one of several numbered messages."""
    if frame.data[0] != VEHICLE_INFORMATION or len(frame.data) < 3:
        return False
    alike = sum(other.data[:2] == frame.data[:2] for other in frames)
    return alike > 1 or frame.data[1] in INFORMATION_MESSAGES


def _join_listed(frames: Sequence[Frame], assembler: Assembler) -> bytes | None:
    parts = [assembler.join([frame.text], SERVICE_AT) for frame in frames]
    whole = [part for part in parts if part]
    if len(whole) < len(parts) or len({part[0] for part in whole}) > 1:
        return None
    return whole[0][:1] + b"".join(part[1:] for part in whole)


def _join_numbered(frames: Sequence[Frame], assembler: Assembler) -> bytes | None:
    expected = INFORMATION_MESSAGES.get(frames[0].data[1], 1)
    if len(frames) % expected:
        return None
    return assembler.join([frame.text for frame in frames], SERVICE_AT)
