"""Watches a drive that is being recorded for what cannot wait until it is over: an engine that overheats.

Only the last minutes of two signals are kept, so that a watch costs the same in the first minute and after hours.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from obdwatch.detectors.cooling import danger
from obdwatch.recording.session_file import read_since
from obdwatch.records import Car, Drive, Finding, Session, Signal, Urgency
from obdwatch.signals.drives import drive_from

KEPT = 180.0
"""How much of the drive is looked at [s]: several times the window over which the rise is taken."""

KEYS = ("coolant_temperature", "coolant_temperature_sensor_1", "engine_speed")
"""What the warning looks at."""

ESCALATION = (None, Urgency.SOON, Urgency.STOP)


@dataclass(slots=True)
class DangerWatch:
    """Reads what is new in a session file that is being written, and warns once for each step that it gets worse."""

    path: Path
    car: Car | None = None
    _row: int = 0
    _told: Urgency | None = None
    _signals: dict[str, Signal] = field(default_factory=dict)

    def look(self) -> Finding | None:
        """Return a warning that is new, else None. Raises SessionFileError."""
        contents = read_since(self.path, self._row)
        if contents.last_row == self._row:
            return None
        self._row = contents.last_row
        piece = drive_from(contents)
        for key in KEYS:
            if key in piece.signals:
                self._signals[key] = _latest(self._signals.get(key), piece.signals[key])
        return self._news(piece.session)

    def _news(self, session: Session) -> Finding | None:
        found = danger(Drive(session, self._signals), self.car)
        urgency = found.urgency if found is not None else None
        worse = ESCALATION.index(urgency) > ESCALATION.index(self._told)
        if worse or found is None:  # cooled down: the next time is news again
            self._told = urgency
        return found if worse else None


def _latest(old: Signal | None, new: Signal) -> Signal:
    """Return the two pieces of a signal joined, its last minutes only."""
    if old is None:
        return new
    times, values = np.concatenate([old.times, new.times]), np.concatenate([old.values, new.values])
    kept = times >= times[-1] - KEPT
    return Signal(new.key, new.unit, times[kept], values[kept], new.ecu)
