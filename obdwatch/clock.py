"""Time as the program sees it, so that a half-hour drive can be recorded in seconds under an injected clock.

Everything that waits or stamps a time takes a `Clock`; only `SystemClock` reads the machine's.
"""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from typing import Protocol


class Clock(Protocol):
    """What the capture path needs to know of time."""

    def monotonic(self) -> float:
        """Seconds that never go back and stand still while the computer sleeps; for deadlines [s]."""
        ...

    def elapsed(self) -> float:
        """Seconds that never go back and run on while the computer sleeps; for time stamps [s]."""
        ...

    def utc(self) -> datetime:
        """Date and time, aware, in UTC; may jump when someone sets the clock."""
        ...

    def sleep(self, seconds: float) -> None:
        """Let `seconds` pass."""
        ...


class SystemClock:
    """The machine's own clocks."""

    def monotonic(self) -> float:
        """See `Clock.monotonic`."""
        return time.monotonic()

    def elapsed(self) -> float:
        """See `Clock.elapsed`; where the system has no such clock, the monotonic one."""
        boottime = getattr(time, "CLOCK_BOOTTIME", None)
        return time.clock_gettime(boottime) if boottime is not None else time.monotonic()

    def utc(self) -> datetime:
        """See `Clock.utc`."""
        return datetime.now(UTC)

    def sleep(self, seconds: float) -> None:
        """See `Clock.sleep`."""
        time.sleep(seconds)


class InjectedClock:
    """A clock that moves only when told to: `sleep` returns at once and time has passed."""

    def __init__(self, start: datetime | None = None) -> None:
        self._start = start or datetime(2026, 1, 5, 7, 0, tzinfo=UTC)
        self._t = 0.0

    def monotonic(self) -> float:
        """See `Clock.monotonic`."""
        return self._t

    def elapsed(self) -> float:
        """See `Clock.elapsed`."""
        return self._t

    def utc(self) -> datetime:
        """See `Clock.utc`."""
        return self._start + timedelta(seconds=self._t)

    def sleep(self, seconds: float) -> None:
        """See `Clock.sleep`."""
        self._t += max(0.0, seconds)
