"""The ways in to a virtual adapter that serves other programs: a TCP port, or a pseudo terminal.

A door lets one client in at a time and carries its characters; `server` does the rest.
"""

from __future__ import annotations

import errno
import os
import socket
from contextlib import suppress
from typing import Protocol

from obdwatch.errors import InputError, PortBusy, PortNotFound

PSEUDO_TERMINAL = "pty"
READ_SIZE = 4096
SEND_PATIENCE = 2.0  # s; a client that takes no characters for so long is dropped
GREATEST_PORT = 65535


class Door(Protocol):
    """Where clients come in: opens to one at a time and carries its characters."""

    port_name: str

    def descriptor(self) -> int:
        """What to wait on: the client if there is one, else the next to come."""
        ...

    def has_client(self) -> bool:
        """Whether somebody is there."""
        ...

    def admit(self) -> None:
        """Let the waiting client in."""
        ...

    def read(self) -> bytes:
        """What the client wrote; empty when it has gone."""
        ...

    def write(self, data: bytes) -> None:
        """Send to the client; raises OSError when it has gone."""
        ...

    def show_out(self) -> None:
        """Break the link to the client."""
        ...

    def lock(self) -> None:
        """Let nobody in until `unlock`."""
        ...

    def unlock(self) -> None:
        """Open again; raises PortBusy or PortNotFound when that cannot be done."""
        ...

    def close(self) -> None:
        """Give everything back."""
        ...


class TcpDoor:
    """A listening socket. Raises PortBusy or PortNotFound when the address cannot be had."""

    def __init__(self, host: str, port: int) -> None:
        self._client: socket.socket | None = None
        self._host, self._port = host, port
        self._listener = self._listen()
        self._port = self._listener.getsockname()[1]
        self.port_name = f"socket://[{host}]:{self._port}" if ":" in host else f"socket://{host}:{self._port}"

    def _listen(self) -> socket.socket:
        try:
            found = socket.getaddrinfo(self._host, self._port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
            family, kind, number, _, address = found[0]
            listener = socket.socket(family, kind, number)
        except (OSError, UnicodeError) as error:
            raise _listen_error(self._host, self._port, error) from None
        try:
            if os.name == "posix":  # elsewhere the option lets two programs share a port
                listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listener.bind(address)
            listener.listen()
        except OSError as error:
            listener.close()
            raise _listen_error(self._host, self._port, error) from None
        return listener

    def descriptor(self) -> int:
        """See `Door.descriptor`."""
        return (self._client or self._listener).fileno()

    def has_client(self) -> bool:
        """See `Door.has_client`."""
        return self._client is not None

    def admit(self) -> None:
        """See `Door.admit`."""
        with suppress(OSError):  # a client may go again before it was let in
            self._client, _ = self._listener.accept()
            self._client.settimeout(SEND_PATIENCE)
            self._client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def read(self) -> bytes:
        """See `Door.read`."""
        try:
            return self._client.recv(READ_SIZE) if self._client else b""
        except OSError:
            return b""

    def write(self, data: bytes) -> None:
        """See `Door.write`."""
        if self._client:
            self._client.sendall(data)

    def show_out(self) -> None:
        """See `Door.show_out`."""
        if self._client:
            self._client.close()
            self._client = None

    def lock(self) -> None:
        """See `Door.lock`; who comes now is refused."""
        self._listener.close()

    def unlock(self) -> None:
        """See `Door.unlock`."""
        self._listener = self._listen()

    def close(self) -> None:
        """See `Door.close`."""
        self.show_out()
        self._listener.close()


class TerminalDoor:
    """A pseudo terminal; a client opens `port_name` like a serial port. Raises InputError where there are none."""

    def __init__(self) -> None:
        if not hasattr(os, "openpty"):
            raise InputError("a pseudo terminal needs Linux or macOS; use --listen 127.0.0.1:13270 instead")
        import tty  # absent on Windows

        self._inner, self._outer = os.openpty()
        tty.setraw(self._outer)
        os.set_blocking(self._inner, False)
        # Our own hold on the outer end keeps the terminal alive between clients.
        self.port_name = os.ttyname(self._outer)

    def descriptor(self) -> int:
        """See `Door.descriptor`."""
        return self._inner

    def has_client(self) -> bool:
        """Always: a cable does not tell whether somebody listens at its end."""
        return True

    def admit(self) -> None:
        """See `Door.admit`; there is nothing to do."""

    def read(self) -> bytes:
        """See `Door.read`."""
        with suppress(BlockingIOError):
            return os.read(self._inner, READ_SIZE)
        return b""

    def write(self, data: bytes) -> None:
        """See `Door.write`; what nobody reads is lost, as on a cable."""
        with suppress(BlockingIOError):
            os.write(self._inner, data)

    def show_out(self) -> None:
        """See `Door.show_out`; a terminal can only fall silent."""

    def lock(self) -> None:
        """See `Door.lock`; what is written into a locked terminal is lost."""

    def unlock(self) -> None:
        """See `Door.unlock`."""
        while self.read():
            pass

    def close(self) -> None:
        """See `Door.close`."""
        for descriptor in (self._inner, self._outer):
            with suppress(OSError):
                os.close(descriptor)


def open_door(address: str) -> Door:
    """Open `HOST:PORT` (port 0 takes a free one, `[::1]:0` for IPv6) or `pty`.

    Raises InputError for an address that is none, PortBusy or PortNotFound for one that cannot be had.
    """
    if address == PSEUDO_TERMINAL:
        return TerminalDoor()
    host, colon, port = address.rpartition(":")
    host = host.removeprefix("[").removesuffix("]")
    if not colon or not host or not (port.isascii() and port.isdigit()) or int(port) > GREATEST_PORT:
        raise InputError(f"listen address {address!r}: use HOST:PORT, such as 127.0.0.1:13270, or pty")
    return TcpDoor(host, int(port))


def _listen_error(host: str, port: int, error: Exception) -> PortBusy | PortNotFound:
    if getattr(error, "errno", None) == errno.EADDRINUSE:
        return PortBusy(f"cannot listen on {host}:{port}: another program uses this port; choose another one")
    reason = (getattr(error, "strerror", None) or str(error)).lower()
    return PortNotFound(f"cannot listen on {host}:{port}: {reason}; use this machine's own address")
