"""python-OBD, which others wrote, as a client of the virtual adapter: over TCP and pty, on CAN and on K-line.

What it reads must be what the car had. Its own known limits (service 09 before CAN is not announced to it, pending
codes before CAN are read off by a byte) are left out.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import obd
import pytest

from obdwatch.adapters.virtual.car_bus import CarBus
from obdwatch.adapters.virtual.interpreter import ElmInterpreter
from obdwatch.adapters.virtual.scaled_clock import ScaledClock
from obdwatch.adapters.virtual.server import serving
from tests.adapters.virtual.fake_car import VIN, FormulaCar

SPEED = 5.0  # the adapter's searches and initialisations pass that much faster


@pytest.fixture(autouse=True)
def no_waiting(monkeypatch: pytest.MonkeyPatch) -> None:
    """python-OBD sleeps a second after three commands; the virtual adapter needs no such rest."""
    sleep: Callable[[float], None] = obd.elm327.time.sleep
    monkeypatch.setattr("obd.elm327.time.sleep", lambda seconds: sleep(min(seconds, 0.01)))


@contextmanager
def client(protocol: str, address: str, fixed: bool = False) -> Iterator[obd.OBD]:
    clock = ScaledClock(SPEED)
    adapter = ElmInterpreter(CarBus(FormulaCar(), protocol), clock)
    with serving(adapter, clock, address) as port:
        connection = obd.OBD(
            portstr=port, baudrate=38400, protocol=protocol if fixed else None, fast=False, timeout=5.0
        )
        try:
            yield connection
        finally:
            connection.close()


def check_values(connection: obd.OBD, protocol: str) -> None:
    assert connection.status() == obd.OBDStatus.CAR_CONNECTED
    assert connection.protocol_id() == protocol
    names = {command.name for command in connection.supported_commands}
    assert {"RPM", "SPEED", "COOLANT_TEMP", "ENGINE_LOAD", "MAF", "INTAKE_PRESSURE", "GET_DTC"} <= names
    assert "FUEL_PRESSURE" not in names
    first = connection.query(obd.commands.RPM).value.magnitude
    assert 700.0 <= first < connection.query(obd.commands.RPM).value.magnitude < 1500.0
    assert connection.query(obd.commands.INTAKE_PRESSURE).value.magnitude == 33
    assert connection.query(obd.commands.MAF).value.magnitude == pytest.approx(3.42)
    assert connection.query(obd.commands.TIMING_ADVANCE).value.magnitude == pytest.approx(10.0)
    codes = [code for code, _ in connection.query(obd.commands.GET_DTC).value]
    assert codes == ["P0171", "P0300", "C0035", "U0100"]
    status = connection.query(obd.commands.STATUS).value
    assert (status.MIL, status.DTC_count, status.ignition_type) == (True, 4, "spark")
    assert (status.CATALYST_MONITORING.available, status.CATALYST_MONITORING.complete) == (True, False)


@pytest.mark.parametrize("protocol", ["6", "7"])
def test_on_can(protocol: str) -> None:
    with client(protocol, "127.0.0.1:0") as connection:
        check_values(connection, protocol)
        assert connection.query(obd.commands.VIN).value.decode() == VIN
        assert connection.query(obd.commands.CALIBRATION_ID).value.decode().startswith("DEMO-CAL-")
        assert [code for code, _ in connection.query(obd.commands.GET_CURRENT_DTC).value] == ["P0128"]
        results = connection.query(obd.commands.MONITOR_MISFIRE_CYLINDER_1).value
        assert [test.value.magnitude for test in results.tests] == [3, 5]


@pytest.mark.parametrize("protocol", ["3", "5"])
def test_on_a_k_line(protocol: str) -> None:
    with client(protocol, "127.0.0.1:0", fixed=True) as connection:
        check_values(connection, protocol)
        assert VIN in connection.query(obd.commands.VIN, force=True).value.decode()


def test_older_protocols_are_found_by_searching() -> None:
    with client("3", "127.0.0.1:0") as connection:
        assert (connection.status(), connection.protocol_id()) == (obd.OBDStatus.CAR_CONNECTED, "3")


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="pseudo terminals need POSIX")
@pytest.mark.parametrize("protocol", ["6", "3"])
def test_on_a_pseudo_terminal(protocol: str) -> None:
    with client(protocol, "pty", fixed=protocol == "3") as connection:
        check_values(connection, protocol)
