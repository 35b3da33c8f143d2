"""The virtual adapter as other programs meet it: over TCP and as a pseudo terminal, under the real clock."""

from __future__ import annotations

import os
import socket
import statistics
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
import serial

from obdwatch.adapters.virtual.car_bus import CarBus
from obdwatch.adapters.virtual.interpreter import ElmInterpreter
from obdwatch.adapters.virtual.link_faults import LinkFaults, parse_link_fault
from obdwatch.adapters.virtual.scaled_clock import ScaledClock
from obdwatch.adapters.virtual.server import AdapterServer, serving
from obdwatch.adapters.virtual.timing import AdapterTiming
from obdwatch.errors import InputError, ObdwatchError, PortBusy, PortNotFound
from tests.adapters.virtual.fake_car import FormulaCar

REQUEST_TIME = 0.04
MOST_OVERHEAD = 0.001  # s per request that the server itself may add
needs_terminals = pytest.mark.skipif(not hasattr(os, "openpty"), reason="pseudo terminals need POSIX")


def make_adapter(clock: ScaledClock, *faults: str, timing: AdapterTiming | None = None) -> ElmInterpreter:
    link_faults = LinkFaults([parse_link_fault(fault) for fault in faults])
    return ElmInterpreter(CarBus(FormulaCar()), clock, link_faults, timing)


@contextmanager
def served(address: str = "127.0.0.1:0", *faults: str, speed: float = 1.0, fixed: bool = False) -> Iterator[str]:
    clock = ScaledClock(speed)
    timing = AdapterTiming(request_time=REQUEST_TIME) if fixed else None
    with serving(make_adapter(clock, *faults, timing=timing), clock, address) as port:
        yield port


def address_of(port: str) -> tuple[str, int]:
    host, _, number = port.removeprefix("socket://").rpartition(":")
    return host, int(number)


def connected(port: str) -> socket.socket:
    client = socket.create_connection(address_of(port), timeout=5.0)
    client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return client


def ask(client: socket.socket, command: str) -> str:
    client.sendall(command.encode() + b"\r")
    heard = b""
    while not heard.endswith(b">"):
        piece = client.recv(4096)
        assert piece, "the adapter hung up"
        heard += piece
    return heard.decode()


def test_over_tcp() -> None:
    with served() as port, connected(port) as client:
        assert port.startswith("socket://127.0.0.1:")
        assert ask(client, "ATZ") == "ATZ\r\r\rELM327 v2.2\r\r>"
        assert ask(client, "ATE0") == "ATE0\rOK\r\r>"
        ask(client, "ATSP6")
        assert ask(client, "010D").startswith("41 0D ")


def test_the_next_client_finds_the_adapter_as_the_last_one_left_it() -> None:
    with served() as port:
        with connected(port) as first:
            ask(first, "ATE0")
        with connected(port) as second:
            assert ask(second, "ATI") == "ELM327 v2.2\r\r>"


def test_the_drive_begins_with_the_first_client() -> None:
    with served() as port:
        time.sleep(0.5)
        with connected(port) as client:
            for command in ("ATE0", "ATSP6"):
                ask(client, command)
            speed = int(ask(client, "010C").replace(" ", "")[4:8], 16) / 4
    assert 700.0 <= speed < 704.0  # it rises by 10 1/min each second


def test_a_second_client_waits_for_its_turn() -> None:
    with served() as port, connected(port) as first:
        ask(first, "ATE0")
        with connected(port) as second:
            second.sendall(b"ATI\r")
            second.settimeout(0.2)
            with pytest.raises(TimeoutError):
                second.recv(100)
            assert ask(first, "ATRV") == "13.9V\r\r>"
            first.close()
            second.settimeout(5.0)
            assert second.recv(100).startswith(b"ELM327")


def test_half_a_command_of_a_client_that_left_is_forgotten() -> None:
    with served() as port:
        with connected(port) as first:
            ask(first, "ATE0")
            first.sendall(b"ATMA\rAT")
        with connected(port) as second:
            assert ask(second, "ATI") == "ELM327 v2.2\r\r>"


def test_characters_may_come_one_by_one() -> None:
    with served() as port, connected(port) as client:
        ask(client, "ATE0")
        for character in b"ATI":
            client.sendall(bytes([character]))
            time.sleep(0.005)
        assert ask(client, "") == "ELM327 v2.2\r\r>"


def test_a_character_breaks_off_a_running_request() -> None:
    with served() as port, connected(port) as client:
        for command in ("ATE0", "ATSP6", "ATSTFF"):
            ask(client, command)
        client.sendall(b"0199\r")
        time.sleep(0.1)
        client.sendall(b"x")
        assert client.recv(100).startswith(b"STOPPED")


def test_scaled_time_answers_sooner() -> None:
    with served(speed=20.0) as port, connected(port) as client:
        ask(client, "ATE0")
        ask(client, "ATSP6")
        begun = time.monotonic()
        assert ask(client, "0199") == "NO DATA\r\r>"  # 205 ms of the adapter's time
        assert time.monotonic() - begun < 0.2  # sooner than the adapter's own time


def test_a_broken_link_refuses_everybody_and_comes_back() -> None:
    with served("127.0.0.1:0", "link_loss@0.3:0.7") as port:
        with connected(port) as client:
            ask(client, "ATE0")
            time.sleep(0.35)
            client.sendall(b"010C\r")
            assert client.recv(100) == b""
            with pytest.raises(ConnectionRefusedError):
                connected(port)
        time.sleep(0.9)
        with connected(port) as client:
            assert ask(client, "ATI") == "ELM327 v2.2\r\r>"


def test_the_port_is_free_again_after_the_end() -> None:
    with served() as port, connected(port) as client:
        ask(client, "ATI")
    with pytest.raises(ConnectionRefusedError):
        connected(port)
    host, number = address_of(port)
    with served(f"{host}:{number}") as again:
        assert again == port


def test_stopping_is_quick_while_a_client_is_connected_and_may_be_done_twice() -> None:
    clock = ScaledClock()
    server = AdapterServer(make_adapter(clock), clock, "127.0.0.1:0")
    thread = threading.Thread(target=server.serve)
    thread.start()
    with connected(server.port_name) as client:
        ask(client, "ATE0")
        client.sendall(b"ATMA\r")
        time.sleep(0.1)
        server.stop()
        server.stop()
        thread.join(timeout=2.0)
        assert not thread.is_alive()
        client.settimeout(2.0)
        assert client.recv(10) == b""


@needs_terminals
def test_as_a_pseudo_terminal() -> None:
    with served("pty") as port, serial.serial_for_url(port, baudrate=38400, timeout=2.0) as line:
        line.write(b"ATE0\r")
        assert line.read_until(b">") == b"ATE0\rOK\r\r>"
        line.write(b"ATI\r")
        assert line.read_until(b">") == b"ELM327 v2.2\r\r>"


@needs_terminals
def test_a_pseudo_terminal_serves_one_client_after_another() -> None:
    with served("pty") as port:
        for _ in range(3):
            with serial.serial_for_url(port, timeout=2.0) as line:
                line.write(b"ATI\r")
                assert b"ELM327 v2.2" in line.read_until(b">")


@needs_terminals
def test_a_pseudo_terminal_goes_deaf_while_its_link_is_broken() -> None:
    with served("pty", "link_loss@0.2:0.6") as port, serial.serial_for_url(port, timeout=0.3) as line:
        line.write(b"ATI\r")
        assert b"ELM327 v2.2" in line.read_until(b">")
        time.sleep(0.25)
        line.write(b"ATI\r")
        assert line.read_until(b">") == b""
        line.write(b"ATZ\r")
        time.sleep(0.6)
        assert line.read_until(b">") == b""
        line.write(b"ATI\r")
        assert b"ELM327 v2.2" in line.read_until(b">")


@pytest.mark.parametrize(
    "address", ["", "35000", ":35000", "localhost:", "localhost:http", "localhost:70000", "PTY", "a:b:c"]
)
def test_an_address_that_is_none_is_refused_in_one_line(address: str) -> None:
    clock = ScaledClock()
    with pytest.raises(InputError) as refused:
        AdapterServer(make_adapter(clock), clock, address)
    assert repr(address) in str(refused.value)
    assert "\n" not in str(refused.value)


def test_a_port_in_use_is_said_in_one_line() -> None:
    with served() as port:
        host, number = address_of(port)
        clock = ScaledClock()
        with pytest.raises(PortBusy, match=f"cannot listen on {host}:{number}: another program uses this port"):
            AdapterServer(make_adapter(clock), clock, f"{host}:{number}")


@pytest.mark.parametrize("host", ["192.0.2.1", "no-such-host.invalid"])  # RFC 5737 and RFC 2606: never this machine
def test_an_address_of_another_machine_is_said_in_one_line(host: str) -> None:
    clock = ScaledClock()
    with pytest.raises(PortNotFound) as refused:
        AdapterServer(make_adapter(clock), clock, f"{host}:35000")
    assert str(refused.value).startswith(f"cannot listen on {host}:35000: ")
    assert isinstance(refused.value, ObdwatchError)


@pytest.mark.benchmark
def test_the_server_adds_less_than_a_millisecond_to_a_request() -> None:
    with served(fixed=True) as port, connected(port) as client:
        for command in ("ATE0", "ATSP6", "010C"):
            ask(client, command)
        took = []
        for _ in range(100):
            begun = time.perf_counter()
            ask(client, "010C0D04050B06")
            took.append(time.perf_counter() - begun)
    overhead = statistics.median(took) - REQUEST_TIME
    print(f"{1 / statistics.mean(took):.2f} requests/s, {overhead * 1000:.2f} ms overhead")
    assert 0.0 <= overhead < MOST_OVERHEAD
