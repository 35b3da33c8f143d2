"""Finding the speed of a serial line, with pyserial replaced by a port that only understands one."""

from __future__ import annotations

from contextlib import closing

import pytest
import serial

from obdwatch.adapters.elm327 import serial_stream
from obdwatch.adapters.elm327.adapter import Elm327Adapter
from obdwatch.clock import InjectedClock
from obdwatch.errors import AdapterSilent
from tests.adapters.elm327.scripted_adapter import ScriptedAdapter


class Line:
    """A serial port whose far end runs at `true_rate`; at any other speed both sides read garbage."""

    def __init__(self, clock: InjectedClock, true_rate: int) -> None:
        self.fake = ScriptedAdapter(clock)
        self.true_rate = true_rate
        self.baudrate = 0
        self.timeout = 0.0
        self.rates: list[int] = []
        self._buffer = b""

    def __call__(self, port: str, baudrate: int, **options: object) -> Line:
        self.baudrate = baudrate
        return self

    def open(self) -> None:
        pass

    def close(self) -> None:
        pass

    def reset_input_buffer(self) -> None:
        self._buffer = b""

    def write(self, data: bytes) -> None:
        if self.baudrate not in self.rates:
            self.rates.append(self.baudrate)
        if self.baudrate == self.true_rate:
            self.fake.write(data)
        else:
            self.fake.arrives(b"\xf8\x80\xfe", 0.01)

    def read(self, size: int) -> bytes:
        if not self._buffer:
            self._buffer = self.fake.read(self.timeout)
        data, self._buffer = self._buffer[:size], self._buffer[size:]
        return data

    @property
    def in_waiting(self) -> int:
        return len(self._buffer)


def adapter_on(line: Line, monkeypatch: pytest.MonkeyPatch, rate: int | None = None) -> Elm327Adapter:
    monkeypatch.setattr(serial, "serial_for_url", line)
    monkeypatch.setattr(serial_stream, "_prefer_low_latency", lambda opened: None)
    return Elm327Adapter("/dev/ttyTEST0", line.fake.clock, rate=rate)


@pytest.mark.parametrize("rate", [38_400, 115_200, 9_600, 57_600, 230_400])
def test_the_line_speed_is_found_and_remembered(monkeypatch: pytest.MonkeyPatch, rate: int) -> None:
    line = Line(InjectedClock(), rate)
    with closing(adapter_on(line, monkeypatch)) as adapter:
        adapter.connect()
        assert adapter.rate == rate
        line.rates.clear()
        adapter.connect()
        assert line.rates == [rate]


def test_the_speed_of_last_time_is_tried_first(monkeypatch: pytest.MonkeyPatch) -> None:
    line = Line(InjectedClock(), 57_600)
    with closing(adapter_on(line, monkeypatch, rate=57_600)) as adapter:
        adapter.connect()
        assert line.rates == [57_600]


def test_no_speed_that_works_is_a_silent_adapter_in_time(monkeypatch: pytest.MonkeyPatch) -> None:
    line = Line(InjectedClock(), 1_200)
    with pytest.raises(AdapterSilent, match="not as an ELM327-compatible adapter"):
        adapter_on(line, monkeypatch).connect()
    assert line.fake.clock.monotonic() < 10.0
