"""Serving for real on a free port of this machine: the address, a port that is taken, a clean end."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from pathlib import Path

import pytest

from dashboards.connections import MOST_OPEN
from dashboards.security import Access
from dashboards.server import access_for, address_of, prepare, serve
from obdwatch.errors import InputError, ObdwatchError
from tests.dashboards.samples import FakeLogbook

ROOT = Path(__file__).parents[2]


@pytest.fixture
def book(tmp_path: Path) -> FakeLogbook:
    return FakeLogbook(tmp_path)


def test_dashboard_answers_at_its_address(book: FakeLogbook) -> None:
    served = prepare(book, port=0)
    thread = threading.Thread(target=served.run)
    thread.start()
    try:
        with urllib.request.urlopen(served.address, timeout=10) as answer:
            assert answer.status == 200
            assert "Server" not in answer.headers
    finally:
        served.stop()
        thread.join(10)
    assert not thread.is_alive()


def test_port_that_is_taken_is_said_with_what_to_do(book: FakeLogbook) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        with pytest.raises(ObdwatchError, match=f"port {port} on 127.0.0.1 is taken.*another port"):
            serve(book, port=port, open_browser=False)


@pytest.mark.parametrize("port", [-1, 65_536, 70_000])
def test_port_that_does_not_exist_is_refused(book: FakeLogbook, port: int) -> None:
    """TCP ports have 16 bits (RFC 9293)."""
    with pytest.raises(InputError, match=f"there is no port {port}"):
        prepare(book, port=port)


@pytest.mark.parametrize("token", ["short", "with space but long enough", "ümlaut-and-long-enough", ""])
def test_token_that_could_be_guessed_or_does_not_fit_an_address_is_refused(token: str) -> None:
    with pytest.raises(InputError, match="token"):
        access_for("127.0.0.1", token)


def test_beyond_this_machine_there_is_always_a_token() -> None:
    one, two = access_for("0.0.0.0", None), access_for("0.0.0.0", None)
    assert one.token is not None
    assert len(one.token) >= 32
    assert one.token != two.token
    assert access_for("127.0.0.1", None).token is None


def test_address_to_open_is_complete() -> None:
    assert address_of(Access(), 8050) == "http://127.0.0.1:8050/"
    assert address_of(Access("::1"), 8050, "/drive/a") == "http://[::1]:8050/drive/a"
    assert address_of(Access("0.0.0.0", "t" * 16), 80).endswith(f"127.0.0.1:80/?token={'t' * 16}")


def test_ctrl_c_ends_it_without_a_complaint(tmp_path: Path) -> None:
    program = (
        "from pathlib import Path\n"
        "from dashboards.server import serve\n"
        "from tests.dashboards.samples import FakeLogbook\n"
        f"serve(FakeLogbook(Path({str(tmp_path)!r})), port=0, open_browser=False,"
        " say=lambda text: print(text, flush=True))\n"
        "print('ended', flush=True)\n"
    )
    running = subprocess.Popen(
        [sys.executable, "-c", program], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env={**os.environ, "HOST": "0.0.0.0"},  # Dash's own server would obey this; ours must not
    )  # fmt: skip
    assert running.stdout is not None
    first = running.stdout.readline()
    assert first.startswith("The dashboard is at http://127.0.0.1:")
    time.sleep(0.3)
    running.send_signal(signal.SIGINT)
    out, err = running.communicate(timeout=20)
    assert out == "ended\n"
    assert err == ""
    assert running.returncode == 0


def test_body_that_is_announced_larger_than_any_file_is_refused_before_it_is_stored(book: FakeLogbook) -> None:
    """RFC 9110, 15.5.14: 413, and the connection may be closed while the body is still to come."""
    served = prepare(book, port=0)
    thread = threading.Thread(target=served.run)
    thread.start()
    try:
        port = int(served.address.rstrip("/").rpartition(":")[2])
        with socket.create_connection(("127.0.0.1", port), timeout=20) as sending:
            head = f"POST /arrivals?name=a.csv HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nContent-Length: 400000000\r\n\r\n"
            sending.sendall(head.encode() + b"time")
            assert b" 413 " in sending.recv(1000).partition(b"\r\n")[0]
    finally:
        served.stop()
        thread.join(10)


def test_hundreds_of_silent_connections_keep_nobody_out(book: FakeLogbook) -> None:
    """Each has begun a request and says no more; whoever comes next is answered, and who was silent longest must go."""
    served = prepare(book, port=0)
    thread = threading.Thread(target=served.run)
    thread.start()
    port = int(served.address.rstrip("/").rpartition(":")[2])
    silent: list[socket.socket] = []
    try:
        for _ in range(MOST_OPEN + 50):
            silent.append(socket.create_connection(("127.0.0.1", port), timeout=20))
            silent[-1].sendall(b"GET / HTTP/1.1\r\nHost: 127")
        with urllib.request.urlopen(served.address, timeout=20) as answer:
            assert answer.status == 200
        assert silent[0].recv(10) == b""  # closed by the server
    finally:
        for one in silent:
            one.close()
        served.stop()
        thread.join(10)
