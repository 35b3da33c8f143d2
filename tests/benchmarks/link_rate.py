"""How fast the link is: values per second against python-OBD's own query loop, over TCP at 40 ms per request.

Run with `pytest tests/benchmarks/link_rate.py -s`. Each side talks to a scripted adapter of its own that takes
40 ms for an answer, about what a wired adapter on a CAN car takes; what a request costs on top of that is ours.
"""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator

import pytest

from obdwatch.adapters.elm327.adapter import Elm327Adapter
from obdwatch.clock import InjectedClock, SystemClock
from obdwatch.records import ReplyStatus
from tests.adapters.elm327.scripted_adapter import ScriptedAdapter

pytestmark = pytest.mark.benchmark
TURNAROUND = 0.04  # s
SECONDS = 4.0  # s of measuring on each side
SIX = bytes.fromhex("010C0D04050B0F")
REQUIRED_GAIN = 5.5  # times the values per second of python-OBD's loop


class SlowServer:
    """A scripted adapter on a TCP port that answers each command after `turnaround` [s]."""

    def __init__(self, turnaround: float) -> None:
        self.turnaround = turnaround
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._listener.close()
        self._thread.join(2.0)

    def _serve(self) -> None:
        peer, _ = self._listener.accept()
        peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        fake = ScriptedAdapter(InjectedClock())
        with peer:
            while data := peer.recv(4096):
                until = time.perf_counter() + self.turnaround
                fake.write(data)
                replies = b"".join(iter(lambda: fake.read(1.0), b""))
                time.sleep(max(0.0, until - time.perf_counter()))
                peer.sendall(replies)


@pytest.fixture
def servers() -> Iterator[list[SlowServer]]:
    started = [SlowServer(TURNAROUND), SlowServer(TURNAROUND)]
    yield started
    for server in started:
        server.close()


def python_obd_rate(port: str) -> float:
    """Values per second [1/s] of python-OBD's query loop over the same six parameters."""
    obd = pytest.importorskip("obd")
    connection = obd.OBD(port, baudrate=38400, protocol="6", fast=False, check_voltage=False)
    assert connection.is_connected()
    commands = [obd.commands[1][pid] for pid in SIX[1:]]
    values, started = 0, time.perf_counter()
    while time.perf_counter() - started < SECONDS:
        values += sum(not connection.query(command).is_null() for command in commands)
    rate = values / (time.perf_counter() - started)
    connection.close()
    return rate


def our_rate(port: str) -> tuple[float, float]:
    """Values per second [1/s] of joint requests, and what a request takes beyond the adapter's 40 ms [s]."""
    adapter = Elm327Adapter(port, SystemClock())
    assert adapter.connect().parameters_per_request == 6
    requests, started = 0, time.perf_counter()
    while time.perf_counter() - started < SECONDS:
        (exchange,) = adapter.request(SIX)
        assert exchange.status is ReplyStatus.OK
        requests += 1
    each = (time.perf_counter() - started) / requests
    adapter.close()
    return 6 / each, each - TURNAROUND


def test_joint_requests_bring_at_least_five_and_a_half_times_the_values(servers: list[SlowServer]) -> None:
    theirs = python_obd_rate(servers[0].port)
    ours, overhead = our_rate(servers[1].port)
    print(f"\npython-OBD {theirs:.1f} values/s, obdwatch {ours:.1f} values/s: {ours / theirs:.2f} times")
    print(f"overhead per request {overhead * 1000:.2f} ms beyond {TURNAROUND * 1000:.0f} ms")
    assert ours >= REQUIRED_GAIN * theirs


def test_the_link_itself_costs_little(servers: list[SlowServer]) -> None:
    for server in servers:
        server.turnaround = 0.0
    adapter = Elm327Adapter(servers[0].port, SystemClock())
    adapter.connect()
    started = time.perf_counter()
    for _ in range(1_000):
        adapter.request(SIX)
    each = (time.perf_counter() - started) / 1_000
    adapter.close()
    socket.create_connection(("127.0.0.1", int(servers[1].port.rpartition(":")[2]))).close()
    print(f"\n{6 / each:.0f} values/s, {each * 1000:.2f} ms per request when the adapter takes no time")
    assert each < 0.1 * TURNAROUND
