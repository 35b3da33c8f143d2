"""How many values per second a recording brings in, beside python-OBD's own query loop on the same car in the same run.

Run on request: `pytest tests/benchmarks/capture_rate.py -s`. Both sides talk over TCP to the same kind of virtual
adapter, which takes 40 ms for a request on CAN whatever is in it.
"""

from __future__ import annotations

import logging
import time
from pathlib import Path

import pytest

from obdwatch.adapters.elm327.adapter import Elm327Adapter
from obdwatch.clock import SystemClock
from obdwatch.decoding.replies import split_parameters
from obdwatch.recording.capture import CaptureOptions, capture
from obdwatch.recording.session_file import SessionContents, read_session
from obdwatch.records import ReplyStatus
from tests.capture.stand_in import served_car

REQUEST_TIME = 0.040  # s
SECONDS = 60.0
PARAMETERS_PER_REQUEST = 6
LEAST_RATIO = 5.5  # times python-OBD's own query loop
LEAST_SHARE = 0.92  # of the ceiling: requests per second times six
ENGINE_UNIT = 0x7E8
COMMANDS = ("RPM", "ENGINE_LOAD", "INTAKE_PRESSURE", "MAF", "TIMING_ADVANCE", "SHORT_FUEL_TRIM_1")

pytestmark = pytest.mark.benchmark


def values_of(contents: SessionContents) -> int:
    """Parameter values of the engine's control unit; those of the second unit would flatter us."""
    rows = zip(contents.ecu, contents.status, contents.payload, strict=True)
    return sum(
        len(split_parameters(payload))
        for ecu, status, payload in rows
        if ecu == ENGINE_UNIT and status is ReplyStatus.OK and payload is not None and payload[0] == 0x41
    )


def ours(folder: Path) -> float:
    """Values per second from engine running to the end, on the whole way to the session file."""
    with served_car(request_time=REQUEST_TIME) as (_, port):
        adapter = Elm327Adapter(port, SystemClock())
        path = capture(adapter, SystemClock(), folder, CaptureOptions(seconds=SECONDS), lambda: False)
    return values_of(read_session(path)) / SECONDS


def theirs() -> float:
    """Values per second of python-OBD asking for one parameter after the other."""
    import obd

    obd.logger.setLevel(logging.CRITICAL)
    with served_car(request_time=REQUEST_TIME) as (_, port):
        connection = obd.OBD(port, baudrate=38400, protocol="6", fast=False, timeout=2)
        count, start = 0, time.monotonic()
        while time.monotonic() < start + SECONDS / 4:
            for name in COMMANDS:
                count += not connection.query(obd.commands[name]).is_null()
        took = time.monotonic() - start
        connection.close()
    return count / took


@pytest.mark.timeout(300)
def test_recording_brings_in_several_times_the_values(tmp_path: Path) -> None:
    own, other = ours(tmp_path), theirs()
    ceiling = PARAMETERS_PER_REQUEST / REQUEST_TIME
    print(
        f"\nours {own:.1f}/s, python-OBD {other:.1f}/s, ratio {own / other:.2f}, share of ceiling {own / ceiling:.3f}"
    )
    assert own >= LEAST_RATIO * other
    assert own >= LEAST_SHARE * ceiling
