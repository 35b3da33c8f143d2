"""What one control unit of the virtual car answers to each service of SAE J1979, from its snapshot.

Bytes come from `obdwatch.decoding`, so this file only knows which question gets which answer. Each function returns
the reply messages (one on CAN, several short ones before CAN) and raises `Refusal` with the reason code of ISO 14229-1
for what the unit does not have.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from math import isfinite

from obdwatch.decoding.freeze_frames import FRAME_CODE, encode_frame, encode_frame_code
from obdwatch.decoding.monitors import LEGACY_MONITOR, encode_results
from obdwatch.decoding.parameters import PARAMETER_BY_KEY, encode_pid, layout_of, possible_lengths, support_bitmap
from obdwatch.decoding.readiness import SINCE_ERASE, THIS_CYCLE, encode_readiness
from obdwatch.decoding.replies import MAXIMUM_PARAMETERS, SUPPORT_STEP
from obdwatch.decoding.trouble_codes import CODE_SERVICES, encode_code, encode_codes
from obdwatch.decoding.vehicle_information import (
    CALIBRATION_ID,
    CALIBRATION_VERIFICATION,
    ECU_NAME,
    SPARK_COUNTERS,
    VIN,
    encode_item,
)
from obdwatch.records import CodeKind, MonitorResult, Readiness
from obdwatch.simulation.snapshot import EcuSnapshot

SERVICE_NOT_SUPPORTED = 0x11
NOT_SUPPORTED = 0x12  # the service exists, the parameter does not
REPLY_OFFSET = 0x40
LEGACY_DATA_BYTES = 5  # that fit into one message before CAN, after service and parameter
COMPRESSION_KEY = "compression_ignition"
COUNTERS_KEY = "in_use_counters"
_NO_CODE = b"\x00\x00"
_LEGACY_FILLER = 0xFF  # after the id in a support bitmap of service 06 before CAN
_SEVERAL = re.compile(r"[,\s]+")


class Refusal(Exception):
    """The control unit does not do what was asked; `code` is the ISO 14229-1 reason."""

    def __init__(self, code: int) -> None:
        super().__init__(f"refused with reason {code:02X}")
        self.code = code


def reply_messages(unit: EcuSnapshot, request: bytes, can: bool) -> list[bytes]:
    """Answer service bytes as `unit` would on CAN or on an older link; raises Refusal for what it does not have."""
    service = _SERVICES.get(request[0])
    if service is None:
        raise Refusal(SERVICE_NOT_SUPPORTED)
    return service(unit, request, can)


def supported_pids(unit: EcuSnapshot, can: bool = True) -> tuple[int, ...]:
    """The service 01 parameter ids the unit has, without the bitmaps themselves."""
    values = finite(unit.values)
    pids = set(_encodable(frozenset(values), can))
    frames = {FRAME_CODE} if unit.monitor_support else set()
    cycle = {THIS_CYCLE} if unit.cycle_monitors else set()
    return tuple(sorted(pids | {SINCE_ERASE} | frames | cycle))


def finite(values: Mapping[str, float]) -> dict[str, float]:
    """The values a control unit can report: one that is no number means that it has none."""
    return {key: value for key, value in values.items() if isfinite(value)}


@lru_cache(maxsize=64)
def _encodable(keys: frozenset[str], can: bool) -> tuple[int, ...]:
    """The parameter ids whose fields are all known, or have a way to say that they are not."""
    zeros = dict.fromkeys(keys, 0.0)
    pids = {PARAMETER_BY_KEY[key].pid for key in keys if key in PARAMETER_BY_KEY}
    layout = layout_of(pids)
    found = []
    for pid in sorted(pids):
        if pid % SUPPORT_STEP == 0 or pid in (SINCE_ERASE, THIS_CYCLE, FRAME_CODE):
            continue
        if not can and min(possible_lengths(pid), default=0) > LEGACY_DATA_BYTES:
            continue
        try:
            encode_pid(pid, zeros, layout=layout)
        except ValueError:
            continue
        found.append(pid)
    return tuple(found)


def bitmap(ids: Sequence[int], base: int) -> bytes:
    """The support bitmap at `base`; raises Refusal above the last id, where none is announced."""
    if base and max(ids, default=0) <= base:
        raise Refusal(NOT_SUPPORTED)
    return support_bitmap(ids, base)


# -- service 01 and 02 ---------------------------------------------------------------------------------------------


def _parameters(unit: EcuSnapshot, request: bytes, can: bool) -> list[bytes]:
    asked = list(dict.fromkeys(request[1:]))
    if not asked or len(asked) > (MAXIMUM_PARAMETERS if can else 1):
        raise Refusal(NOT_SUPPORTED)
    pids = supported_pids(unit, can)
    pieces = [bytes([pid]) + data for pid in asked if (data := _parameter(unit, pid, pids)) is not None]
    if not pieces:
        raise Refusal(NOT_SUPPORTED)
    return [bytes([request[0] + REPLY_OFFSET]) + b"".join(pieces)]


def _parameter(unit: EcuSnapshot, pid: int, pids: Sequence[int]) -> bytes | None:
    if pid % SUPPORT_STEP == 0:
        return support_bitmap(pids, pid) if not pid or max(pids) > pid else None
    if pid not in pids:
        return None
    if pid == SINCE_ERASE:
        return encode_readiness(_readiness(unit))
    if pid == THIS_CYCLE:
        return encode_readiness(_readiness_this_cycle(unit))
    if pid == FRAME_CODE:
        code = unit.freeze_frame.code if unit.freeze_frame else None
        return encode_code(code) if code else _NO_CODE
    values = finite(unit.values)
    return encode_pid(pid, values, maxima=values, layout=layout_of(pids))


def _readiness_this_cycle(unit: EcuSnapshot) -> Readiness:
    """Lamp and count are reserved here, and zero (SAE J1979)."""
    compression = bool(unit.values.get(COMPRESSION_KEY, 0.0))
    return Readiness(0.0, unit.ecu, None, None, compression, unit.cycle_monitors, this_cycle=True)


def _readiness(unit: EcuSnapshot) -> Readiness:
    return Readiness(
        t=0.0,
        ecu=unit.ecu,
        lamp_on=unit.lamp_on,
        code_count=len(unit.codes.get(CodeKind.STORED, ())),
        compression_ignition=bool(unit.values.get(COMPRESSION_KEY, 0.0)),
        monitors=unit.monitor_support,
    )


def _freeze_frame(unit: EcuSnapshot, request: bytes, can: bool) -> list[bytes]:
    pairs = [(request[i], request[i + 1]) for i in range(1, len(request) - 1, 2)]
    if len(request) % 2 == 0 or not pairs or len(pairs) > (MAXIMUM_PARAMETERS // 2 if can else 1):
        raise Refusal(NOT_SUPPORTED)
    pieces = [piece for pid, number in pairs if (piece := _frame_parameter(unit, pid, number))]
    if not pieces:
        raise Refusal(NOT_SUPPORTED)
    return [pieces[0][:1] + b"".join(piece[1:] for piece in pieces)]


def _frame_parameter(unit: EcuSnapshot, pid: int, number: int) -> bytes | None:
    """One whole reply of service 02, None for what the frame does not hold."""
    frame = unit.freeze_frame if unit.freeze_frame and unit.freeze_frame.frame == number else None
    if frame is None and number:
        return None
    values = finite(frame.values) if frame else {}
    pids = (FRAME_CODE, *_encodable(frozenset(values), True))
    if pid % SUPPORT_STEP == 0:
        announced = not pid or max(pids) > pid
        return bytes([0x42, pid, number]) + support_bitmap(pids, pid) if announced else None
    if pid == FRAME_CODE:
        return encode_frame_code(number, frame.code if frame else None)
    return encode_frame(number, pid, values) if pid in pids else None


# -- codes, monitor results, vehicle information ---------------------------------------------------------------------


def _codes(unit: EcuSnapshot, request: bytes, can: bool) -> list[bytes]:
    kind = CODE_SERVICES[request[0]]
    if len(request) != 1:
        raise Refusal(NOT_SUPPORTED)
    if kind is CodeKind.PERMANENT and not can:
        raise Refusal(SERVICE_NOT_SUPPORTED)  # permanent codes came long after CAN
    return encode_codes(request[0], unit.codes.get(kind, ()), can)


def _monitor_results(unit: EcuSnapshot, request: bytes, can: bool) -> list[bytes]:
    ids = sorted({result.monitor for result in unit.monitors})
    asked = request[1:]
    if not ids or not asked:
        raise Refusal(SERVICE_NOT_SUPPORTED if not ids else NOT_SUPPORTED)
    if all(monitor % SUPPORT_STEP == 0 for monitor in asked):
        return _monitor_bitmaps(ids, asked, can)
    results = [result for result in unit.monitors if result.monitor == asked[0]]
    if len(asked) > 1 or not results:
        raise Refusal(NOT_SUPPORTED)
    return [encode_results(results)] if can else [encode_results([_before_can(result)]) for result in results]


def _monitor_bitmaps(ids: Sequence[int], asked: bytes, can: bool) -> list[bytes]:
    if not can:
        return [bytes([0x46, asked[0], _LEGACY_FILLER]) + bitmap(ids, asked[0])]
    announced = [base for base in asked if not base or max(ids) > base]
    if not announced:
        raise Refusal(NOT_SUPPORTED)
    return [b"\x46" + b"".join(bytes([base]) + support_bitmap(ids, base) for base in announced)]


def _before_can(result: MonitorResult) -> MonitorResult:
    """The result as an older car would report it: under a test of its maker's own, with one limit."""
    return replace(result, monitor=LEGACY_MONITOR + result.monitor, test=result.test & 0x7F)


def _information(unit: EcuSnapshot, request: bytes, can: bool) -> list[bytes]:
    if len(request) != 2:
        raise Refusal(NOT_SUPPORTED)
    item, contents = request[1], _information_items(unit)
    counts = {} if can else {number - 1: len(encode_item(number, contents[number], False)) for number in contents}
    if not contents:
        raise Refusal(SERVICE_NOT_SUPPORTED)
    if item == 0:
        number = b"" if can else b"\x01"
        return [b"\x49\x00" + number + support_bitmap(sorted(contents | counts), 0)]
    if item in counts:
        return [bytes([0x49, item, counts[item]])]
    if item not in contents:
        raise Refusal(NOT_SUPPORTED)
    return encode_item(item, contents[item], can)


def _information_items(unit: EcuSnapshot) -> dict[int, list[bytes]]:
    """What the unit says of itself, as bytes by item number."""
    texts = {key: text for key, text in unit.information.items() if isinstance(text, str) and text}
    items = {
        VIN: [_ascii(texts.get("vin", ""))],
        CALIBRATION_ID: [_ascii(text) for text in _split(texts.get("calibration_id", ""))],
        CALIBRATION_VERIFICATION: [bytes.fromhex(text) for text in _split(texts.get("calibration_verification", ""))],
        SPARK_COUNTERS: [_counter(count) for count in _numbers(unit.information.get(COUNTERS_KEY, ()))],
        ECU_NAME: [_ascii(texts.get("ecu_name", ""))],
    }
    return {item: contents for item, contents in items.items() if any(contents)}


def _split(text: str) -> list[str]:
    return [part for part in _SEVERAL.split(text) if part]


def _ascii(text: str) -> bytes:
    return text.encode("ascii", "replace")


def _numbers(value: str | tuple[int, ...]) -> Iterable[int]:
    return () if isinstance(value, str) else value


def _counter(count: int) -> bytes:
    return min(max(count, 0), 0xFFFF).to_bytes(2, "big")


def _erased(unit: EcuSnapshot, request: bytes, can: bool) -> list[bytes]:
    if len(request) != 1:
        raise Refusal(NOT_SUPPORTED)
    return [b"\x44"]


_SERVICES: dict[int, Callable[[EcuSnapshot, bytes, bool], list[bytes]]] = {
    0x01: _parameters,
    0x02: _freeze_frame,
    0x03: _codes,
    0x04: _erased,
    0x06: _monitor_results,
    0x07: _codes,
    0x09: _information,
    0x0A: _codes,
}
