"""Bytes over a serial device, a Bluetooth serial port or a pseudo terminal, through pyserial."""

from __future__ import annotations

import errno
import sys
from pathlib import Path

import serial

from obdwatch.adapters.elm327.port_lock import PortLock
from obdwatch.errors import ConnectionLost, PortBusy, PortNotFound

WRITE_TIMEOUT = 1.0  # s; a command is a few bytes, so a full buffer means a dead line
DEFAULT_RATE = 38_400  # bit/s; what most adapters start with
READ_SIZE = 4096
_RATELESS = ("/dev/pts/", "/dev/rfcomm", "/dev/ttyp")  # pseudo terminals and Bluetooth have no line speed


class SerialStream:
    """A serial port as a `Stream`; raises PortNotFound or PortBusy when it cannot be had."""

    def __init__(self, port: str, rate: int | None = None) -> None:
        self.port = port
        self._lock = PortLock(port)
        try:
            self._serial = _open(port, rate or DEFAULT_RATE)
        except BaseException:
            self._lock.release()
            raise

    @property
    def rate_matters(self) -> bool:
        """Whether the line has a speed that both ends must agree on."""
        return not str(Path(self.port).resolve()).startswith(_RATELESS)

    @property
    def rate(self) -> int:
        """Line speed [bit/s]."""
        return int(self._serial.baudrate)

    def set_rate(self, rate: int) -> None:
        """Change the line speed [bit/s] and forget what came at the old one."""
        try:
            self._serial.baudrate = rate
            self._serial.reset_input_buffer()
        except (OSError, ValueError) as problem:
            raise ConnectionLost(f"{self.port}: cannot set {rate} bit/s ({problem})") from problem

    def write(self, data: bytes) -> None:
        """See `Stream.write`."""
        try:
            self._serial.write(data)
        except (OSError, TypeError, ValueError) as problem:  # pyserial's own errors are OSErrors
            raise self._lost(problem) from problem

    def read(self, timeout: float) -> bytes:
        """See `Stream.read`."""
        try:
            if timeout != self._serial.timeout:
                self._serial.timeout = timeout
            first = self._serial.read(1)
            waiting = self._serial.in_waiting if first else 0
            return bytes(first + self._serial.read(min(waiting, READ_SIZE))) if waiting else bytes(first)
        except (OSError, TypeError, ValueError) as problem:
            raise self._lost(problem) from problem

    def close(self) -> None:
        """See `Stream.close`."""
        try:
            self._serial.close()
        except OSError:  # the device is gone already
            pass
        finally:
            self._lock.release()

    def _lost(self, problem: Exception) -> ConnectionLost:
        return ConnectionLost(f"{self.port}: the adapter is gone ({problem}); plug it in again")


def _open(port: str, rate: int) -> serial.Serial:
    exclusive = None if "://" in port else True  # pyserial's network ports do not know the option
    try:
        opened = serial.serial_for_url(
            port, do_not_open=True, baudrate=rate, timeout=0.0, write_timeout=WRITE_TIMEOUT, exclusive=exclusive
        )
        opened.open()
    except (OSError, ValueError) as problem:
        raise _why_not(port, problem) from problem
    if sys.platform == "linux":
        _prefer_low_latency(opened)
    return opened


def _prefer_low_latency(opened: serial.Serial) -> None:
    """Ask the driver to hand bytes on at once; many hold them back for 16 ms. Not every driver can."""
    try:
        opened.set_low_latency_mode(True)
    except (OSError, ValueError, AttributeError):
        return


def _why_not(port: str, problem: Exception) -> PortNotFound | PortBusy:
    number = getattr(problem, "errno", None)
    if number in (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK):
        return PortBusy(f"{port} is in use by another program; close that one first")
    if number in (errno.EACCES, errno.EPERM):
        return PortNotFound(f"{port}: no permission; add your user to the group that owns it (often `dialout`)")
    if number == errno.ENOENT:
        return PortNotFound(f"{port}: no such port; `obdwatch ports` lists what is there")
    if not isinstance(problem, serial.SerialException):
        return PortNotFound(f"{port}: not a port name ({problem}); `obdwatch ports` lists what is there")
    return PortNotFound(f"{port} is no serial port ({problem}); `obdwatch ports` lists what is there")
