"""A virtual adapter at the end of no cable: the same `Stream` as a port, with time that only the reader moves.

Under an injected clock a half-hour drive runs through the real link code in seconds.
"""

from __future__ import annotations

from obdwatch.adapters.virtual.interpreter import ElmInterpreter
from obdwatch.clock import Clock
from obdwatch.errors import ConnectionLost


class LoopbackStream:
    """A stream to an interpreter in the same process; waiting for an answer moves `clock` on to it.

    While the interpreter plays a broken link, every call raises ConnectionLost; afterwards a new stream (or this one)
    works again.
    """

    def __init__(self, interpreter: ElmInterpreter, clock: Clock) -> None:
        self._interpreter = interpreter
        self._clock = clock
        self._closed = False

    def write(self, data: bytes) -> None:
        """See `Stream.write`."""
        self._check()
        self._interpreter.receive(data)

    def read(self, timeout: float) -> bytes:
        """See `Stream.read`."""
        self._check()
        give_up = self._clock.monotonic() + max(0.0, timeout)
        while True:
            if data := self._interpreter.output():
                return data
            now = self._clock.monotonic()
            if now >= give_up:
                return b""
            due = self._interpreter.next_output()
            self._clock.sleep(min(give_up, due if due is not None else give_up) - now)
            self._check()

    def close(self) -> None:
        """See `Stream.close`."""
        self._closed = True

    def _check(self) -> None:
        if self._closed:
            raise ConnectionLost("the virtual adapter's stream has been closed")
        if self._interpreter.link_back_at() is not None:
            raise ConnectionLost("the link to the virtual adapter broke; it comes back by itself")
