"""Records from a served car through a proxy that damages replies: every recorded value must be one that was sent.

A hex digit that turns into another inside a CAN frame cannot be told from a true one by any receiver behind an adapter
that has already removed the checksum; the proxy therefore garbles with characters that are no hex digits, and drops,
doubles, cuts, repeats and delays whatever it likes.
"""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from obdwatch.adapters.elm327.adapter import Elm327Adapter
from obdwatch.clock import SystemClock
from obdwatch.recording.capture import CaptureOptions, capture
from obdwatch.recording.session_file import SessionContents, read_session
from obdwatch.records import MarkKind, ReplyStatus
from tests.capture.damaging_proxy import DamagingProxy
from tests.capture.stand_in import WitnessedBus, served_car


def recorded_through(proxy: DamagingProxy, folder: Path, seconds: float) -> SessionContents:
    adapter = Elm327Adapter(proxy.address, SystemClock())

    def arm(*_: object) -> None:
        proxy.armed = True

    path = capture(adapter, SystemClock(), folder, CaptureOptions(seconds=seconds), lambda: False, arm)
    return read_session(path)


def invented(contents: SessionContents, bus: WitnessedBus) -> list[str]:
    """Replies in a recording that no control unit ever sent."""
    rows = zip(contents.request, contents.ecu, contents.status, contents.payload, strict=True)
    return [
        f"{request.hex(' ')} -> {ecu} {payload.hex(' ')}"
        for request, ecu, status, payload in rows
        if status is ReplyStatus.OK and payload is not None and not request.startswith(b"AT")
        if (request, ecu, payload) not in bus.sent
    ]


def values(contents: SessionContents) -> int:
    return sum(status is ReplyStatus.OK for status in contents.status)


@pytest.mark.parametrize(("protocol", "seed"), [("6", 1), ("6", 2), ("7", 1), ("5", 2)])
def test_no_damage_becomes_a_value(tmp_path: Path, protocol: str, seed: int) -> None:
    with served_car(protocol) as (bus, port):
        host, _, number = port.removeprefix("socket://").rpartition(":")
        with DamagingProxy((host, int(number)), damage=0.15, seed=seed) as proxy:
            contents = recorded_through(proxy, tmp_path, 8.0)
    assert sum(proxy.done.values()) >= 3  # most damage costs a whole deadline, so few fit into the time
    assert values(contents) > 10
    assert invented(contents, bus) == []


@pytest.mark.nightly
@pytest.mark.timeout(900)
@pytest.mark.parametrize("protocol", ["6", "7", "3", "5"])
def test_no_damage_becomes_a_value_at_length(tmp_path: Path, protocol: str) -> None:
    with served_car(protocol) as (bus, port):
        host, _, number = port.removeprefix("socket://").rpartition(":")
        with DamagingProxy((host, int(number)), damage=0.2, seed=9, longest_delay=1.6) as proxy:
            contents = recorded_through(proxy, tmp_path, 120.0)
    assert values(contents) > 50
    assert invented(contents, bus) == []


def test_a_pulled_plug_is_a_mark_in_the_same_session(tmp_path: Path) -> None:
    with served_car() as (bus, port):
        host, _, number = port.removeprefix("socket://").rpartition(":")
        with DamagingProxy((host, int(number)), damage=0.0, seed=0) as proxy:
            pull = threading.Timer(3.0, proxy.drop_link)
            pull.start()
            contents = recorded_through(proxy, tmp_path, 8.0)
            pull.join()
    kinds = [mark.kind for mark in contents.marks]
    assert kinds.count(MarkKind.LINK_LOST) == 1
    assert kinds.count(MarkKind.RECONNECT) == 1
    assert kinds[-1] is MarkKind.END
    back = next(mark.t for mark in contents.marks if mark.kind is MarkKind.RECONNECT)
    assert (contents.t > back).sum() > 20
    assert invented(contents, bus) == []
