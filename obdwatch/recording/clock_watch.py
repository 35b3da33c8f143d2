"""Notices that the computer slept, or that someone set its clock."""

from __future__ import annotations

from collections.abc import Iterator

from obdwatch.clock import Clock
from obdwatch.records import Mark, MarkKind

NOTICED = 2.0  # s; more than any pause of a busy computer or a slewing clock (common practice)


class ClockWatch:
    """Compares the clocks of the computer with each other."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._asleep = self._time_asleep()
        self._offset = self._utc_offset()

    def look(self) -> Iterator[Mark]:
        """Yield what has happened since the last look; times are those of `Clock.elapsed`."""
        now = self._clock.elapsed()
        asleep, offset = self._time_asleep(), self._utc_offset()
        if asleep - self._asleep > NOTICED:
            slept = asleep - self._asleep
            self._asleep = asleep
            yield Mark(now - slept, MarkKind.ASLEEP, "the computer slept", slept)
        if abs(offset - self._offset) > NOTICED:
            step, self._offset = offset - self._offset, offset
            direction = "forward" if step > 0 else "back"
            yield Mark(now, MarkKind.CLOCK_CHANGE, f"the computer's clock was set {direction} by {abs(step):.0f} s")

    def _time_asleep(self) -> float:
        return self._clock.elapsed() - self._clock.monotonic()

    def _utc_offset(self) -> float:
        return self._clock.utc().timestamp() - self._clock.elapsed()
