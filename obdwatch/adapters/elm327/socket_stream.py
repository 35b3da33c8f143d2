"""Bytes over TCP: adapters with Wi-Fi, and stand-ins.

Uses the standard library rather than pyserial's `socket://`, which waits five seconds for a connection, reads byte by
byte, pauses on closing and leaks the socket of a peer that has gone.
"""

from __future__ import annotations

import select
import socket
from urllib.parse import urlsplit

from obdwatch.adapters.elm327.port_lock import PortLock
from obdwatch.errors import ConnectionLost, PortNotFound

SCHEME = "socket"
CONNECT_TIMEOUT = 3.0  # s; as long as the user may be left without a word
WRITE_TIMEOUT = 1.0  # s
READ_SIZE = 4096


class SocketStream:
    """A TCP connection as a `Stream`; raises PortNotFound or PortBusy when it cannot be had."""

    def __init__(self, port: str) -> None:
        self.port = port
        address = _address(port)
        self._lock = PortLock(port)
        try:
            self._socket = socket.create_connection(address, timeout=CONNECT_TIMEOUT)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._socket.settimeout(WRITE_TIMEOUT)
        except OSError as problem:
            self._lock.release()
            raise PortNotFound(f"{port}: nothing answers there ({problem}); check host, port and Wi-Fi") from problem

    def write(self, data: bytes) -> None:
        """See `Stream.write`."""
        try:
            self._socket.sendall(data)
        except OSError as problem:
            raise self._lost(str(problem)) from problem

    def read(self, timeout: float) -> bytes:
        """See `Stream.read`."""
        try:
            ready, _, _ = select.select([self._socket], [], [], max(0.0, timeout))
            data = self._socket.recv(READ_SIZE) if ready else None
        except (OSError, ValueError) as problem:  # ValueError: closed on our side
            raise self._lost(str(problem)) from problem
        if data == b"":
            raise self._lost("the other end closed the connection")
        return data or b""

    def close(self) -> None:
        """See `Stream.close`."""
        self._socket.close()
        self._lock.release()

    def _lost(self, problem: str) -> ConnectionLost:
        return ConnectionLost(f"{self.port}: the adapter is gone ({problem}); check its power and the Wi-Fi")


def _address(port: str) -> tuple[str, int]:
    try:
        parts = urlsplit(port)
        if parts.hostname and parts.port:
            return parts.hostname, parts.port
    except ValueError:
        pass
    raise PortNotFound(f"{port}: not an address; write it as socket://HOST:PORT")
