from __future__ import annotations

from types import SimpleNamespace

import pytest
import serial.tools.list_ports

from obdwatch.adapters.elm327 import reaching
from obdwatch.adapters.elm327.adapter import Elm327Adapter
from obdwatch.adapters.elm327.ports import likely_ports, list_ports
from obdwatch.adapters.stream import Stream
from obdwatch.clock import InjectedClock
from obdwatch.errors import AdapterSilent, PortBusy, PortNotFound
from tests.adapters.elm327.scripted_adapter import ScriptedAdapter


@pytest.fixture
def computer(monkeypatch: pytest.MonkeyPatch) -> None:
    def port(device: str, vid: int | None = None, pid: int | None = None) -> SimpleNamespace:
        words = "Some Brand Wonder Cable" if vid else "n/a"
        return SimpleNamespace(device=device, vid=vid, pid=pid, description=words, manufacturer="Some Brand")

    found = [port("/dev/ttyS0"), port("/dev/ttyUSB1", 0x0403, 0x6001), port("/dev/rfcomm0"), port("/dev/ttyACM0", 1, 2)]
    monkeypatch.setattr(serial.tools.list_ports, "comports", lambda: found)


@pytest.mark.usefixtures("computer")
def test_likely_adapters_are_listed_first_with_the_reason() -> None:
    ports = list_ports()
    assert [port.device for port in ports] == ["/dev/rfcomm0", "/dev/ttyACM0", "/dev/ttyUSB1", "/dev/ttyS0"]
    assert [port.likely for port in ports] == [True, True, True, False]
    assert all(port.description and port.reason for port in ports)
    assert likely_ports() == ("/dev/rfcomm0", "/dev/ttyACM0", "/dev/ttyUSB1")


@pytest.mark.usefixtures("computer")
def test_no_maker_is_named() -> None:
    assert not any("Brand" in port.description + port.reason for port in list_ports())


def open_with(ports: dict[str, object], monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Let each port open as told: a stream, or an error."""
    opened: list[str] = []

    def open_port(port: str, rate: int | None = None) -> Stream:
        opened.append(port)
        if isinstance(ports[port], Exception):
            raise ports[port]  # type: ignore[misc]
        return ports[port]  # type: ignore[return-value]

    monkeypatch.setattr(reaching, "open_stream", open_port)
    monkeypatch.setattr(reaching, "likely_ports", lambda: tuple(ports))
    return opened


def test_auto_takes_the_first_port_with_an_adapter_and_remembers_it(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = InjectedClock()
    silent, good = ScriptedAdapter(clock), ScriptedAdapter(clock)
    silent.write = lambda data: None  # type: ignore[method-assign]
    opened = open_with({"/dev/a": PortBusy("/dev/a is in use"), "/dev/b": silent, "/dev/c": good}, monkeypatch)
    notices: list[str] = []
    adapter = Elm327Adapter("auto", clock, notice=notices.append)
    assert adapter.connect().port == "/dev/c"
    assert silent.closed
    assert any("/dev/a is in use" in notice for notice in notices)
    opened.clear()
    adapter.connect()
    assert opened == ["/dev/c"]


def test_auto_without_any_likely_port_says_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    open_with({}, monkeypatch)
    with pytest.raises(PortNotFound, match="plug it in"):
        Elm327Adapter("auto", InjectedClock()).connect()


def test_auto_with_one_port_reports_its_own_trouble(monkeypatch: pytest.MonkeyPatch) -> None:
    open_with({"/dev/a": PortBusy("/dev/a is in use")}, monkeypatch)
    with pytest.raises(PortBusy, match="/dev/a is in use"):
        Elm327Adapter("auto", InjectedClock()).connect()


def test_auto_with_several_silent_ports_names_them(monkeypatch: pytest.MonkeyPatch) -> None:
    open_with({name: PortBusy(f"{name} is in use") for name in ("/dev/a", "/dev/b")}, monkeypatch)
    with pytest.raises(AdapterSilent, match="/dev/a, /dev/b"):
        Elm327Adapter("auto", InjectedClock()).connect()
