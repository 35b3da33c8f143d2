"""Services 02, 03, 06, 07, 09 and 0A of a whole session: codes, freeze frames, monitor results, vehicle information.

These replies are few, so each is checked and read on its own.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from obdwatch.decoding.freeze_frames import FrameReply, gather_freeze_frames
from obdwatch.decoding.monitors import decode_results
from obdwatch.decoding.trouble_codes import CODE_SERVICES, decode_codes
from obdwatch.decoding.vehicle_information import with_item
from obdwatch.errors import ReplyError
from obdwatch.records import CodeKind, CodeReading, FloatArray, FreezeFrame, MonitorResult, VehicleInformation
from obdwatch.signals.current_data import UnitTraits
from obdwatch.signals.exchange_groups import ExchangeGroup, checked, is_can

_FREEZE_FRAME, _MONITORS, _INFORMATION = 0x02, 0x06, 0x09


@dataclass(frozen=True, slots=True)
class StoredReply:
    """One checked reply: when it was asked for [s], by which control unit it came, over CAN or not (None: unknown)."""

    t: float
    ecu: int | None
    payload: bytes
    can: bool | None


@dataclass(slots=True)
class StoredData:
    """What the control units had stored, in order of time, and how many replies could not be used.

    `codes_read` are the code memories of which a reply came, whether it held a code or none.
    """

    codes: list[CodeReading] = field(default_factory=list)
    codes_read: set[CodeKind] = field(default_factory=set)
    monitors: list[MonitorResult] = field(default_factory=list)
    freeze_frames: list[FreezeFrame] = field(default_factory=list)
    vehicle: list[VehicleInformation] = field(default_factory=list)
    refused: int = 0


def decode_stored_data(
    groups: Sequence[ExchangeGroup],
    times: FloatArray,
    protocol: str | None,
    traits: Callable[[int | None], UnitTraits],
) -> StoredData:
    """Decode every reply that is not of service 01; `times` [s] are those of the exchanges."""
    result = StoredData()
    replies = _checked_replies(groups, times, protocol, result)
    for service, kind in CODE_SERVICES.items():
        for reply in replies[service]:
            result.codes_read.add(kind)
            codes = decode_codes(reply.payload, _codes_on_can(reply))
            result.codes += [CodeReading(reply.t, kind, code, reply.ecu) for code in codes]
    for reply in replies[_MONITORS]:
        result.monitors += decode_results(reply.payload, reply.t, reply.ecu, reply.can)
    result.codes.sort(key=lambda reading: reading.t)
    result.freeze_frames = _freeze_frames(replies[_FREEZE_FRAME], traits)
    result.vehicle = _vehicle(replies[_INFORMATION], result)
    return result


def _checked_replies(
    groups: Sequence[ExchangeGroup], times: FloatArray, protocol: str | None, result: StoredData
) -> defaultdict[int, list[StoredReply]]:
    replies: defaultdict[int, list[StoredReply]] = defaultdict(list)
    for group in groups:
        if group.service not in (*CODE_SERVICES, _FREEZE_FRAME, _MONITORS, _INFORMATION):
            continue
        can = is_can(protocol, group.ecu)
        good = [StoredReply(float(times[row]), group.ecu, payload, can) for row, payload in checked(group, can)]
        result.refused += len(group.rows) - len(good)
        replies[group.service] += good
    for found in replies.values():
        found.sort(key=lambda reply: reply.t)
    return replies


def _codes_on_can(reply: StoredReply) -> bool:
    """A count byte makes the reply an even number of bytes, and only CAN has one."""
    return len(reply.payload) % 2 == 0 if reply.can is None else reply.can


def _freeze_frames(replies: Sequence[StoredReply], traits: Callable[[int | None], UnitTraits]) -> list[FreezeFrame]:
    frames: list[FreezeFrame] = []
    for ecu in dict.fromkeys(reply.ecu for reply in replies):
        own = [FrameReply(reply.t, ecu, reply.payload) for reply in replies if reply.ecu == ecu]
        frames += gather_freeze_frames(own, traits(ecu).maxima, traits(ecu).layout)
    return sorted(frames, key=lambda frame: frame.t)


def _vehicle(replies: Sequence[StoredReply], result: StoredData) -> list[VehicleInformation]:
    units: dict[int | None, VehicleInformation] = {}
    for reply in replies:
        known = units.get(reply.ecu, VehicleInformation(reply.ecu))
        try:
            units[reply.ecu] = with_item(known, reply.payload, reply.can)
        except ReplyError:  # right in length, but no text
            result.refused += 1
    return list(units.values())
