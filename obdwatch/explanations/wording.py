"""Turns measures of a finding into pieces of sentences, in the reader's units."""

from __future__ import annotations

from dataclasses import dataclass

from obdwatch.records import Finding, Measure
from obdwatch.units import quantity, screen_unit, to_screen


@dataclass(frozen=True, slots=True)
class Words:
    """A headline and the sentences that carry it."""

    headline: str
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Numbers:
    """The measures of a finding by name, ready to be said in `units` (metric, us)."""

    finding: Finding
    units: str

    def get(self, name: str) -> Measure | None:
        """Return a measure, None where the detector had none."""
        return next((measure for measure in self.finding.measures if measure.name == name), None)

    def say(self, name: str, digits: int = 0) -> str:
        """Return "58 °C", or "unknown"."""
        measure = self.get(name)
        return "unknown" if measure is None else quantity(measure.value, measure.unit, self.units, digits)

    def interval(self, name: str, digits: int = 0) -> str:
        """Return the interval of a measure as "84 to 92 °C", empty where it has none."""
        measure = self.get(name)
        return "" if measure is None else self._range(measure.interval, measure.unit, digits)

    def expected(self, name: str, digits: int = 0) -> str:
        """Return the expected range of a measure as "84 to 92 °C", empty where it has none."""
        measure = self.get(name)
        return "" if measure is None else self._range(measure.expected, measure.unit, digits)

    def _range(self, ends: tuple[float, float] | None, unit: str, digits: int) -> str:
        if ends is None:
            return ""
        return f"{to_screen(ends[0], unit, self.units):.{digits}f} to {quantity(ends[1], unit, self.units, digits)}"

    def minutes(self, name: str) -> str:
        """Return a time [s] as "about 14 minutes", or seconds below two minutes."""
        measure = self.get(name)
        if measure is None:
            return "an unknown time"
        return f"{measure.value:.0f} seconds" if measure.value < 120.0 else f"about {measure.value / 60.0:.0f} minutes"

    def temperature(self, value: float) -> str:
        """Return a fixed temperature [degC] in the reader's unit."""
        return quantity(value, "degC", self.units, 0)

    def unit(self, name: str) -> str:
        """Return the name of a J1979 unit on the reader's screen."""
        return screen_unit(name, self.units).name
