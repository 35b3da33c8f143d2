"""Real ports: TCP with a small server thread, pseudo terminals, and the lock that keeps a second recorder out."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from obdwatch.adapters.elm327.adapter import Elm327Adapter
from obdwatch.adapters.elm327.port_lock import PortLock
from obdwatch.adapters.elm327.ports import open_stream
from obdwatch.adapters.elm327.serial_stream import SerialStream
from obdwatch.clock import InjectedClock, SystemClock
from obdwatch.errors import AdapterSilent, ConnectionLost, PortBusy, PortNotFound
from tests.adapters.elm327.scripted_adapter import ScriptedAdapter

pty = pytest.importorskip("pty")


class Served:
    """A scripted adapter behind a file descriptor, served by a thread; a request takes `turnaround` [s]."""

    def __init__(self, read: int, turnaround: float = 0.002) -> None:
        self.fake = ScriptedAdapter(InjectedClock())
        self._descriptor = read
        self._turnaround = turnaround
        self.thread = threading.Thread(target=self._serve, daemon=True)
        self.thread.start()

    def _serve(self) -> None:
        try:
            while data := os.read(self._descriptor, 4096):
                self.fake.write(data)
                if b"\r" in data:
                    time.sleep(self._turnaround)
                while reply := self.fake.read(10.0):
                    os.write(self._descriptor, reply)
        except OSError:
            return


@pytest.fixture
def tcp() -> Iterator[tuple[str, socket.socket]]:
    listener = socket.create_server(("127.0.0.1", 0))
    yield f"socket://127.0.0.1:{listener.getsockname()[1]}", listener
    listener.close()


def accept(listener: socket.socket) -> tuple[socket.socket, Served]:
    peer, _ = listener.accept()
    peer.setblocking(True)
    return peer, Served(peer.fileno())


def test_an_adapter_over_tcp_connects_answers_and_is_missed_when_gone(tcp: tuple[str, socket.socket]) -> None:
    port, listener = tcp
    peers: list[tuple[socket.socket, Served]] = []
    threading.Thread(target=lambda: peers.append(accept(listener)), daemon=True).start()
    adapter = Elm327Adapter(port, SystemClock())
    started = time.monotonic()
    assert adapter.connect().parameters_per_request == 6
    assert time.monotonic() - started < 3.0
    assert adapter.request(b"\x01\x0c")[0].payload == b"\x41\x0c\x1a\xf8"
    assert not any("\x7f" in command for command in peers[0][1].fake.commands), "strict peers choke on the interrupt"
    peers[0][0].shutdown(socket.SHUT_RDWR)
    started = time.monotonic()
    with pytest.raises(ConnectionLost, match="the adapter is gone"):
        adapter.request(b"\x01\x0c")
    assert time.monotonic() - started < 0.5
    threading.Thread(target=lambda: peers.append(accept(listener)), daemon=True).start()
    adapter.connect()
    assert adapter.request(b"\x01\x0c")[0].status == "ok"
    adapter.close()
    for peer, served in peers:
        served.thread.join(2.0)
        peer.close()


def test_an_adapter_over_a_pseudo_terminal_connects_and_is_missed_when_gone() -> None:
    inner, outer = pty.openpty()
    port = os.ttyname(outer)
    Served(inner)
    adapter = Elm327Adapter(port, SystemClock())
    assert adapter.connect().ecus == (0x7E8,)
    assert adapter.request(b"\x01\x0c\x0d")[0].status == "ok"
    adapter.close()
    os.close(outer)


def test_a_pseudo_terminal_whose_other_end_closes_is_a_lost_connection() -> None:
    inner, outer = pty.openpty()
    stream = open_stream(os.ttyname(outer))
    os.close(outer)
    os.close(inner)
    with pytest.raises(ConnectionLost, match="plug it in again"):
        stream.read(0.1)
    with pytest.raises(ConnectionLost, match="plug it in again"):
        stream.write(b"ATI\r")
    stream.close()


def test_a_pseudo_terminal_has_no_line_speed_to_try() -> None:
    inner, outer = pty.openpty()
    stream = open_stream(os.ttyname(outer))
    assert isinstance(stream, SerialStream)
    assert not stream.rate_matters
    stream.close()
    stream.close()
    os.close(inner)
    os.close(outer)


def test_reading_returns_all_that_has_arrived_and_waits_no_longer_than_told() -> None:
    inner, outer = pty.openpty()
    stream = open_stream(os.ttyname(outer))
    started = time.monotonic()
    assert stream.read(0.05) == b""
    assert 0.04 < time.monotonic() - started < 0.5
    os.write(inner, b"41 0C 1A F8\r\r>")
    assert stream.read(0.5) == b"41 0C 1A F8\r\r>"
    stream.close()
    os.close(inner)
    os.close(outer)


@pytest.mark.parametrize(
    ("port", "words"),
    [
        ("/dev/no_such_port", "no such port"),
        ("socket://127.0.0.1:1", "nothing answers there"),
        ("socket://no.such.host.invalid:35000", "nothing answers there"),
        ("socket://127.0.0.1", "socket://HOST:PORT"),
        ("socket://127.0.0.1:99999", "socket://HOST:PORT"),
        ("socket:", "socket://HOST:PORT"),
        ("nonsense://x", "not a port name"),
        ("/", "is no serial port"),
        ("/dev/null", "is no serial port"),
        ("", "no port named"),
    ],
)
def test_a_port_that_is_not_there_is_said_in_one_line(port: str, words: str) -> None:
    with pytest.raises(PortNotFound, match=words) as caught:
        open_stream(port)
    assert "\n" not in str(caught.value)


def test_a_plain_file_is_no_port(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("mine")
    with pytest.raises(PortNotFound):
        open_stream(str(path))
    assert path.read_text() == "mine"


def test_a_port_that_accepts_and_never_answers_is_silent_in_time(tcp: tuple[str, socket.socket]) -> None:
    notices: list[str] = []
    started = time.monotonic()
    with pytest.raises(AdapterSilent, match="no adapter answers"):
        Elm327Adapter(tcp[0], SystemClock(), notice=notices.append).connect()
    assert time.monotonic() - started < 7.0
    assert notices


def test_a_second_recorder_on_the_same_tcp_port_is_kept_out(tcp: tuple[str, socket.socket]) -> None:
    first = open_stream(tcp[0])
    with pytest.raises(PortBusy, match="another recorder"):
        open_stream(tcp[0])
    with pytest.raises(PortBusy):
        open_stream(tcp[0] + "/")
    first.close()
    open_stream(tcp[0]).close()


def test_a_second_recorder_on_the_same_device_is_kept_out_under_any_of_its_names(tmp_path: Path) -> None:
    inner, outer = pty.openpty()
    name = os.ttyname(outer)
    link = tmp_path / "adapter"
    link.symlink_to(name)
    first = open_stream(name)
    with pytest.raises(PortBusy):
        open_stream(str(link))
    first.close()
    open_stream(str(link)).close()
    os.close(inner)
    os.close(outer)


def test_a_device_held_by_a_foreign_program_is_busy() -> None:
    fcntl = pytest.importorskip("fcntl")
    inner, outer = pty.openpty()
    fcntl.flock(outer, fcntl.LOCK_EX)
    with pytest.raises(PortBusy, match="another program"):
        open_stream(os.ttyname(outer))
    os.close(inner)
    os.close(outer)


def test_the_lock_of_a_killed_recorder_is_free_again() -> None:
    script = (
        "import sys, time\n"
        "from obdwatch.adapters.elm327.port_lock import PortLock\n"
        "lock = PortLock('socket://killed.example:1')\n"
        "print('held', flush=True)\n"
        "time.sleep(60)\n"
    )
    process = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    with pytest.raises(PortBusy):
        PortLock("socket://killed.example:1")
    process.kill()
    process.wait()
    process.stdout.close()
    lock = PortLock("socket://killed.example:1")
    lock.release()
    lock.release()
