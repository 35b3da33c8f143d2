"""Whether the engine runs, from its speed; the poll plan watches the starter as long as it does not."""

from __future__ import annotations

from enum import StrEnum

RUNNING_FROM = 500.0  # 1/min; above any cranking speed (150-300), below any idle; common practice
STOPPED_BELOW = 100.0  # 1/min; below any cranking speed; common practice
READINGS = 2  # in a row, so that one odd value decides nothing


class Change(StrEnum):
    """What a reading of the engine speed showed."""

    STARTED = "started"
    STOPPED = "stopped"


class EngineState:
    """Follows the engine speed with hysteresis; `running` is None until the first clear readings."""

    def __init__(self, running: bool | None = None) -> None:
        self.running = running
        self._streak = 0

    def observe(self, speed: float) -> Change | None:
        """Take one engine speed [1/min]; says when that makes the engine start or stop, not what it was found doing."""
        seen = True if speed >= RUNNING_FROM else False if speed < STOPPED_BELOW else None
        if seen is None or seen is self.running:
            self._streak = 0
            return None
        self._streak += 1
        if self._streak < READINGS:
            return None
        before, self.running, self._streak = self.running, seen, 0
        if before is None:
            return None
        return Change.STARTED if seen else Change.STOPPED
