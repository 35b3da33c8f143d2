"""One recorder per port: a lock file for each port name, held while the port is open.

The lock belongs to the open file, so a crash or a power cut leaves nothing behind that would have to be cleaned up; a
left-over file without a holder is harmless.
"""

from __future__ import annotations

import hashlib
import os
import sys
import tempfile
from pathlib import Path

from obdwatch.errors import PortBusy

if sys.platform == "win32":
    import msvcrt

    def _lock(descriptor: int) -> None:
        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
else:
    import fcntl

    def _lock(descriptor: int) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)


class PortLock:
    """Holds one port for this process; raises PortBusy when somebody else of the same user does."""

    def __init__(self, port: str) -> None:
        path = _lock_path(port)
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o600)
        try:
            _lock(descriptor)
        except OSError:
            os.close(descriptor)
            raise PortBusy(f"{port} is in use by another recorder; stop that one first") from None
        self._descriptor: int | None = descriptor

    def release(self) -> None:
        """Give the port back; safe to call twice."""
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None


def _lock_path(port: str) -> Path:
    user = os.getuid() if hasattr(os, "getuid") else os.environ.get("USERNAME", "user")
    directory = Path(tempfile.gettempdir()) / f"obdwatch-{user}"
    directory.mkdir(mode=0o700, exist_ok=True)
    name = hashlib.sha256(_same_port(port).encode()).hexdigest()[:24]
    return directory / f"{name}.lock"


def _same_port(port: str) -> str:
    """One name for one port: links to a device are followed, host names have no case."""
    return port.lower().rstrip("/") if "://" in port else os.path.realpath(port)
