"""Offers a virtual adapter to other programs: over TCP like a network adapter, or as a pseudo terminal like a cable.

One client at a time, as with a real adapter; the next one finds it as the last one left it. Everything happens in the
one thread that serves, which sleeps until characters arrive or an answer falls due.
"""

from __future__ import annotations

import selectors
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from obdwatch.adapters.virtual.doors import open_door
from obdwatch.adapters.virtual.interpreter import ElmInterpreter
from obdwatch.adapters.virtual.scaled_clock import ScaledClock


class AdapterServer:
    """Serves one interpreter at one address; `port_name` is what a client opens.

    The car's time begins with the first character of the first client.
    """

    def __init__(self, interpreter: ElmInterpreter, clock: ScaledClock, address: str) -> None:
        self._door = open_door(address)
        self._interpreter = interpreter
        self._clock = clock
        self._waker, self._alarm = socket.socketpair()
        self._stopping = threading.Event()
        self._begun = False
        self.port_name = self._door.port_name

    def serve(self) -> None:
        """Serve until `stop` is called, then give the port back."""
        try:
            while not self._stopping.is_set():
                self._turn()
        finally:
            self._door.close()
            self._alarm.close()
            self._waker.close()

    def stop(self) -> None:
        """Make `serve` return; may be called from another thread or a signal handler, and twice."""
        self._stopping.set()
        with suppress(OSError):
            self._waker.send(b"!")

    def _turn(self) -> None:
        """Wait for the next thing to happen, and do it."""
        if self._interpreter.link_back_at() is not None:
            self._break_link()
            return
        ready = self._wait(self._interpreter.next_output(), self._door.descriptor())
        if ready and not self._door.has_client():
            self._door.admit()
        elif ready:
            self._hear()
        self._speak()

    def _break_link(self) -> None:
        """Play a link that is lost: no client, no way in, until it is back or the server stops."""
        self._door.lock()  # first, or the client that is thrown out is in again before the door is shut
        self._lose_client()
        while (back := self._interpreter.link_back_at()) is not None and not self._stopping.is_set():
            self._wait(back)
        if not self._stopping.is_set():
            self._door.unlock()

    def _wait(self, due: float | None, descriptor: int | None = None) -> bool:
        """Wait until `descriptor` has something to read (then True), the clock shows `due`, or `stop` is called."""
        timeout = None if due is None else max(0.0, due - self._clock.monotonic()) / self._clock.speed
        with selectors.SelectSelector() as selector:  # the others round to whole milliseconds
            selector.register(self._alarm, selectors.EVENT_READ)
            if descriptor is not None:
                selector.register(descriptor, selectors.EVENT_READ)
            events = selector.select(timeout)
        return any(key.fileobj is not self._alarm for key, _ in events)

    def _hear(self) -> None:
        data = self._door.read()
        if data:
            self._speak()
            if not self._begun:
                self._begun = True
                self._interpreter.begin()
            self._interpreter.receive(data)
        else:
            self._lose_client()

    def _speak(self) -> None:
        data = self._interpreter.output()
        if data and self._door.has_client():
            try:
                self._door.write(data)
            except OSError:
                self._lose_client()

    def _lose_client(self) -> None:
        self._door.show_out()
        self._interpreter.hang_up()


@contextmanager
def serving(interpreter: ElmInterpreter, clock: ScaledClock, address: str = "127.0.0.1:0") -> Iterator[str]:
    """Serve in a thread of its own while the block runs; gives the name of the port to open."""
    server = AdapterServer(interpreter, clock, address)
    thread = threading.Thread(target=server.serve, name="virtual adapter", daemon=True)
    thread.start()
    try:
        yield server.port_name
    finally:
        server.stop()
        thread.join()
