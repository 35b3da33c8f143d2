"""The coverage of a drive that is still being recorded, kept up to date from what is new in its file."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

from obdwatch.recording.session_file import read_since
from obdwatch.records import Drive
from obdwatch.signals.coverage import Coverage, coverage
from obdwatch.signals.drives import drive_from
from obdwatch.signals.masks import WARM_COOLANT


@dataclass(slots=True)
class RunningCoverage:
    """Adds up what each new piece of a recording shows; the cost of a look does not grow with the recording."""

    path: Path
    total: Coverage = field(default_factory=Coverage)
    _row: int = 0
    _coldest: float | None = None
    _pieces: int = 0

    def look(self) -> Coverage:
        """Read what is new in the file and return the coverage so far. Raises SessionFileError."""
        contents = read_since(self.path, self._row)
        if contents.last_row == self._row:
            return self.total
        self._row = contents.last_row
        self.add(drive_from(contents))
        return self.total

    def add(self, piece: Drive) -> None:
        """Take in a piece of the recording that follows on the last one."""
        new, old = coverage(piece), self.total
        first = self._pieces == 0
        self._pieces += 1
        self.total = replace(
            new,
            duration=max((float(s.times[-1]) for s in piece.signals.values()), default=old.duration),
            soaked_cold_start=new.soaked_cold_start if first else old.soaked_cold_start,
            warm_up_reached=old.warm_up_reached or self._warmed_up(piece),
            idle_warm=old.idle_warm + new.idle_warm,
            steady_cruise=old.steady_cruise + new.steady_cruise,
            overrun=old.overrun + new.overrun,
            full_throttle_pulls=old.full_throttle_pulls + new.full_throttle_pulls,
            cranking_captured=old.cranking_captured or new.cranking_captured,
        )

    def _warmed_up(self, piece: Drive) -> bool:
        signal = piece.signals.get("coolant_temperature")
        if signal is None:
            return False
        lowest = float(signal.values.min())
        self._coldest = lowest if self._coldest is None else min(self._coldest, lowest)
        return self._coldest < WARM_COOLANT <= float(signal.values.max())
