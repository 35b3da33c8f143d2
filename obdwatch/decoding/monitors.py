"""Service 06: results of the car's own monitors, with their limits, in both directions.

On CAN every result names its scaling. Before CAN it did not: such a result keeps its raw numbers, and its monitor id
is shifted by `LEGACY_MONITOR` because those ids mean something else with every maker.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from obdwatch.decoding.parameters import supported_in
from obdwatch.decoding.replies import BITMAP_BYTES, CAN_RESULT_BYTES, LEGACY_RESULT_BYTES, SUPPORT_STEP, result_blocks
from obdwatch.decoding.tables import table_number, table_rows
from obdwatch.errors import ShortReply, WrongReply
from obdwatch.records import MonitorResult

LEGACY_MONITOR = 0x100
MISFIRE_AVERAGE, MISFIRE_COUNT = 0x0B, 0x0C
_REPLY = 0x46
_MAKERS_MONITORS = range(0xE1, 0x100)  # SAE J1979, from memory
_MAKERS_TESTS = range(0x80, 0xFF)
_MINIMUM_LIMIT = 0x80  # top bit of the component byte before CAN: the limit is the least allowed value
_FULL = 0xFFFF


@dataclass(frozen=True, slots=True)
class Scaling:
    """A unit-and-scaling id: value = number * scale + offset in `unit`, the number being two's complement if signed."""

    id: int
    quantity: str
    unit: str
    signed: bool
    scale: float
    offset: float
    source: str

    def value(self, raw: int) -> float:
        """Return the value of an unsigned 16-bit number."""
        number = raw - 0x10000 if self.signed and raw & 0x8000 else raw
        return number * self.scale + self.offset

    def raw(self, value: float) -> int:
        """Return the unsigned 16-bit number of a value; one out of range saturates. Raises ValueError for NaN."""
        if math.isnan(value):
            raise ValueError("a monitor value cannot be NaN")
        lowest = -0x8000 if self.signed else 0
        steps = min(max((value - self.offset) / self.scale, lowest), lowest + _FULL)
        return round(steps) & _FULL


def _read_scalings() -> Mapping[int, Scaling]:
    scalings = (
        Scaling(
            id=int(row["id"], 16),
            quantity=row["quantity"],
            unit=row["unit"],
            signed=row["signed"] == "yes",
            scale=table_number(row["scale"]),
            offset=table_number(row["offset"]),
            source=row["source"],
        )
        for row in table_rows("scalings.csv")
    )
    return MappingProxyType({scaling.id: scaling for scaling in scalings})


SCALINGS = _read_scalings()
_MONITOR_NAMES = {int(row["id"], 16): row["name"] for row in table_rows("monitors.csv")}
_TEST_NAMES = {int(row["id"], 16): row["name"] for row in table_rows("monitor_tests.csv")}


def monitor_name(monitor: int) -> str:
    """Return what a monitor id watches; an id nobody has published is named by its number."""
    if monitor >= LEGACY_MONITOR:
        return f"Maker's own test {monitor - LEGACY_MONITOR:02X}"
    if monitor % SUPPORT_STEP == 0:
        return f"Monitors supported {monitor + 1:02X}-{min(monitor + SUPPORT_STEP, 0xFF):02X}"
    if monitor in _MAKERS_MONITORS:
        return f"Maker's own monitor {monitor:02X}"
    return _MONITOR_NAMES.get(monitor, f"Monitor {monitor:02X}")


def test_name(test: int) -> str:
    """Return what a test id measures; an id nobody has published is named by its number."""
    if test in _MAKERS_TESTS:
        return f"Maker's own test {test:02X}"
    return _TEST_NAMES.get(test, f"Test {test:02X}")


def decode_results(payload: bytes, t: float, ecu: int | None, can: bool | None = None) -> tuple[MonitorResult, ...]:
    """Return the results in a checked reply of service 06; none for a support bitmap.

    `can` is as in `check_reply`. Raises ShortReply or WrongReply for a reply that holds no results.
    """
    if not payload or payload[0] != _REPLY:
        raise WrongReply("not a reply of service 06")
    if len(payload) < 2:
        raise ShortReply("a reply of service 06 ends before its monitor")
    if payload[1] % SUPPORT_STEP == 0:
        return ()
    read = {CAN_RESULT_BYTES: _can_result, LEGACY_RESULT_BYTES: _old_result}
    return tuple(read[len(block)](block, t, ecu) for block in result_blocks(payload, can))


def supported_monitors(payload: bytes) -> tuple[int, ...]:
    """Return the ids that a checked reply with support bitmaps claims. Raises ShortReply where it ends in one."""
    data = payload[1:]
    if len(data) == BITMAP_BYTES + 1:  # before CAN a filler follows the id
        return supported_in(data[0], data[2:])
    if not data or len(data) % BITMAP_BYTES:
        raise ShortReply("the reply ends within a support bitmap")
    blocks = (data[place : place + BITMAP_BYTES] for place in range(0, len(data), BITMAP_BYTES))
    return tuple(monitor for block in blocks for monitor in supported_in(block[0], block[1:]))


def result_of(
    monitor: int,
    test: int,
    scaling: int,
    value: float,
    minimum: float,
    maximum: float,
    t: float = 0.0,
    ecu: int | None = None,
) -> MonitorResult:
    """Return the result that a car would report for these values, with the steps of the scaling.

    Raises ValueError for a scaling id that is not in `SCALINGS`.
    """
    if scaling not in SCALINGS:
        raise ValueError(f"scaling {scaling:02X} is not published")
    raw = tuple(SCALINGS[scaling].raw(number) for number in (value, minimum, maximum))
    return _scaled(monitor, test, scaling, (raw[0], raw[1], raw[2]), t, ecu)


def encode_result(result: MonitorResult) -> bytes:
    """Return one result as it stands in a reply, from its monitor id on: nine bytes, or six from before CAN."""
    value, minimum, maximum = (number.to_bytes(2, "big") for number in result.raw)
    if result.monitor < LEGACY_MONITOR:
        return bytes([result.monitor, result.test, result.scaling]) + value + minimum + maximum
    if result.raw[1]:
        return bytes([result.monitor - LEGACY_MONITOR, result.test | _MINIMUM_LIMIT]) + value + minimum
    return bytes([result.monitor - LEGACY_MONITOR, result.test]) + value + maximum


def encode_results(results: Sequence[MonitorResult]) -> bytes:
    """Return the whole reply of service 06 that holds these results of one monitor."""
    return bytes([_REPLY]) + b"".join(encode_result(result) for result in results)


def passed(result: MonitorResult) -> bool | None:
    """Whether a result lies within its limits, a limit included; None where it has not run or has no known scaling."""
    if not result.completed:
        return None
    if result.monitor >= LEGACY_MONITOR:
        return result.raw[1] <= result.raw[0] <= result.raw[2]
    if result.value is None or result.minimum is None or result.maximum is None:
        return None
    return result.minimum <= result.value <= result.maximum


def _can_result(block: bytes, t: float, ecu: int | None) -> MonitorResult:
    numbers = tuple(int.from_bytes(block[place : place + 2], "big") for place in (3, 5, 7))
    return _scaled(block[0], block[1], block[2], (numbers[0], numbers[1], numbers[2]), t, ecu)


def _scaled(
    monitor: int, test: int, scaling: int, raw: tuple[int, int, int], t: float, ecu: int | None
) -> MonitorResult:
    known = SCALINGS.get(scaling)
    value, minimum, maximum = (known.value(number) if known else None for number in raw)
    return MonitorResult(
        t=t,
        ecu=ecu,
        monitor=monitor,
        test=test,
        scaling=scaling,
        raw=raw,
        value=value,
        minimum=minimum,
        maximum=maximum,
        unit=known.unit if known else "",
        completed=any(raw),
    )


def _old_result(block: bytes, t: float, ecu: int | None) -> MonitorResult:
    value, limit = int.from_bytes(block[2:4], "big"), int.from_bytes(block[4:6], "big")
    least = bool(block[1] & _MINIMUM_LIMIT)
    return MonitorResult(
        t=t,
        ecu=ecu,
        monitor=LEGACY_MONITOR + block[0],
        test=block[1] & ~_MINIMUM_LIMIT,
        scaling=0,
        raw=(value, limit if least else 0, _FULL if least else limit),
        value=None,
        minimum=None,
        maximum=None,
        unit="",
        completed=bool(value or limit),
    )
