"""The real clock running faster or slower, for replaying a recording at another speed."""

from __future__ import annotations

from datetime import datetime, timedelta
from math import isfinite

from obdwatch.clock import Clock, SystemClock
from obdwatch.errors import InputError


class ScaledClock:
    """A clock on which `speed` seconds pass in each second of the clock behind it.

    Raises InputError unless `speed` is a positive number.
    """

    def __init__(self, speed: float = 1.0, clock: Clock | None = None) -> None:
        if not (isfinite(speed) and speed > 0):
            raise InputError(f"speed {speed:g}: must be a number above zero, such as 1 or 10")
        self.speed = speed
        self._clock = clock or SystemClock()
        self._start = self._clock.monotonic()
        self._elapsed_start = self._clock.elapsed()
        self._utc_start = self._clock.utc()

    def monotonic(self) -> float:
        """See `Clock.monotonic`."""
        return (self._clock.monotonic() - self._start) * self.speed

    def elapsed(self) -> float:
        """See `Clock.elapsed`."""
        return (self._clock.elapsed() - self._elapsed_start) * self.speed

    def utc(self) -> datetime:
        """See `Clock.utc`."""
        return self._utc_start + timedelta(seconds=self.elapsed())

    def sleep(self, seconds: float) -> None:
        """See `Clock.sleep`."""
        self._clock.sleep(seconds / self.speed)
