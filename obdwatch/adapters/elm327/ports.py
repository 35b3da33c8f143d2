"""Which ports an adapter could be on, and how each kind of port is opened."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

from obdwatch.adapters.elm327.serial_stream import SerialStream
from obdwatch.adapters.elm327.socket_stream import SCHEME, SocketStream
from obdwatch.adapters.stream import Stream
from obdwatch.errors import PortNotFound

AUTO = "auto"
BLUETOOTH_DEVICES = "rfcomm*"


@dataclass(frozen=True, slots=True)
class PortInfo:
    """A port of this computer: its device name, what it is, why it could be an adapter, and whether that is likely."""

    device: str
    description: str
    reason: str
    likely: bool


def list_ports() -> tuple[PortInfo, ...]:
    """Every serial port of this computer, likeliest adapters first; opens none of them."""
    from serial.tools.list_ports import comports

    found = {port.device: _describe(port.device, port.vid, port.pid) for port in comports()}
    for device in sorted(Path("/dev").glob(BLUETOOTH_DEVICES)):
        found.setdefault(str(device), _describe(str(device), None, None))
    return tuple(sorted(found.values(), key=lambda info: (not info.likely, info.device)))


def likely_ports() -> tuple[str, ...]:
    """The devices that `auto` tries, in this order."""
    return tuple(info.device for info in list_ports() if info.likely)


def open_stream(port: str, rate: int | None = None) -> Stream:
    """Open `port` (a device, a pseudo terminal, `socket://HOST:PORT`) at `rate` [bit/s] where it has a line speed.

    Raises PortNotFound or PortBusy.
    """
    if not port or port == AUTO:
        raise PortNotFound("no port named; `obdwatch ports` lists what is there")
    if port.startswith(f"{SCHEME}:"):
        return SocketStream(port)
    return SerialStream(port, rate)


def _describe(device: str, vendor: int | None, product: int | None) -> PortInfo:
    name = Path(device).name.lower()
    if name.startswith("rfcomm") or "bluetooth" in name:
        return PortInfo(device, "Bluetooth serial port", "wireless adapters appear like this once paired", True)
    if vendor is not None:
        number = f"USB serial port ({vendor:04X}:{product or 0:04X})"
        return PortInfo(device, number, "wired adapters appear like this", True)
    if sys.platform == "darwin" and name.startswith(("cu.", "tty.")):
        return PortInfo(device, "serial port", "wireless adapters appear like this once paired", True)
    if sys.platform == "win32":
        return PortInfo(device, "serial port", "paired wireless adapters appear like this", True)
    return PortInfo(device, "built-in serial port", "unlikely: adapters are rarely wired to one", False)
