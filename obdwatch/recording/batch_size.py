"""How many parameters one request may hold: fewer when such requests fail, tentatively more again later."""

from __future__ import annotations

FAILURES = 6  # requests for several parameters in a row without any value; on a poor link two or three are bad luck
FIRST_TRY = 60.0  # s until more are tried again; doubles each time it fails
LONGEST_TRY = 600.0  # s


class BatchSize:
    """The number of parameters to ask for together, `size`; at most `most`."""

    def __init__(self, most: int) -> None:
        self._most = max(1, most)
        self.size = self._most
        self._failures = 0
        self._pause = FIRST_TRY
        self._grow_at = 0.0

    def at(self, now: float) -> int:
        """The number to use now [s]."""
        if self.size < self._most and now >= self._grow_at:
            self.size = min(self._most, 2 * self.size)
            self._grow_at = now + self._pause
        return self.size

    def worked(self) -> None:
        """Note that a request for several parameters brought values."""
        self._failures = 0

    def failed(self, now: float) -> bool:
        """Note that a request for several parameters brought none; whether fewer are asked together from now on."""
        self._failures += 1
        if self._failures < FAILURES or self.size == 1:
            return False
        self.size //= 2
        self._failures = 0
        self._grow_at = now + self._pause
        self._pause = min(2 * self._pause, LONGEST_TRY)
        return True
