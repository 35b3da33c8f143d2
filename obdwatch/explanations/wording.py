"""The words that command, dashboard and report share, and the measures of a finding said in the reader's units.

Explaining a code needs this module, so it imports nothing that is slow to load.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from types import MappingProxyType
from typing import TYPE_CHECKING

from obdwatch.explanations.explanation import Cause, Origin
from obdwatch.explanations.part_names import is_named, part_name
from obdwatch.units import quantity, screen_unit, to_screen
from obdwatch.urgency import Urgency

if TYPE_CHECKING:
    from obdwatch.records import Finding, Measure


def day(at: datetime) -> str:
    """A day as one says it, where the reader is.

    >>> day(datetime(2026, 10, 4, 12, 0).astimezone())
    '4 October 2026'
    """
    local = at.astimezone()
    return f"{local.day} {local:%B %Y}"


URGENCY_WORDS: Mapping[Urgency, str] = MappingProxyType(
    {
        Urgency.WATCH: "Keep an eye on it",
        Urgency.NEXT_SERVICE: "At the next service",
        Urgency.SOON: "Soon",
        Urgency.STOP: "Stop, do not drive on",
    }
)
"""How an urgency is said as a label."""

URGENCY_SENTENCES: Mapping[Urgency, str] = MappingProxyType(
    {
        Urgency.WATCH: "Keep an eye on it.",
        Urgency.NEXT_SERVICE: "It can wait until the next service.",
        Urgency.SOON: "Act soon.",
        Urgency.STOP: "Stop driving until it is put right.",
    }
)
"""How an urgency is said as a sentence of its own."""

ORIGIN_NOTES: Mapping[Origin, str] = MappingProxyType(
    {
        Origin.COMPOSED: "Put together from the standard's structure; your car's manual may say more.",
        Origin.MAKER: "The meaning of this code is the car maker's own and is in its repair manual.",
        Origin.RESERVED: "The standard keeps this number for later; a car should not set it.",
        Origin.UNLISTED: "A standard number whose meaning is not in obdwatch's table.",
    }
)
"""Where the words on a code come from, when they were not written for this very code."""


def without_fault(judged: int) -> str:
    """What is said of a drive without a fault, of which so many questions could be `judged`: silence is no health."""
    if judged:
        return "Nothing wrong was found in what this drive could show."
    return "Too little in this drive to tell anything: it says neither that the car is well nor that it is not."


def cause_words(cause: Cause) -> str:
    """Return a usual cause of a code, with the wear part named where the sentence does not name it.

    >>> cause_words(Cause("the pump is weak", "coolant_pump")), cause_words(Cause("a weak fuel pump", "fuel_pump"))
    ('the pump is weak (part: coolant pump)', 'a weak fuel pump')
    """
    if cause.part is None or is_named(cause.part, cause.text):
        return cause.text
    return f"{cause.text} (part: {part_name(cause.part)})"


_FIXED = re.compile(
    r"(?<![\d.,])(?:(?P<low>-?\d[\d,]*) to )?(?P<high>-?\d[\d,]*) (?P<unit>km/h|degC|1/min|K\b|°C)"
    r"(?P<difference>(?= (?:above|below) ))?"
)


def in_units(text: str, units: str) -> str:
    """Return a sentence with the fixed speeds, temperatures and engine speeds in it as the reader says them.

    >>> in_units("Hold a steady 60 to 100 km/h; stop if it passes 110 degC.", "us")
    'Hold a steady 37 to 62 mph; stop if it passes 230 °F.'
    >>> in_units("From 2,000 1/min on it rose by 8 K.", "metric"), in_units("It read 10 °C above the air.", "us")
    ('From 2,000 rpm on it rose by 8 °C.', 'It read 18 °F above the air.')
    >>> in_units("Unplugged it reads about -40 °C, warm 80 to 105 °C.", "us")
    'Unplugged it reads about -40 °F, warm 176 to 221 °F.'
    """
    return _FIXED.sub(lambda found: _said(found, units), text)


def _said(found: re.Match[str], units: str) -> str:
    unit = found["unit"] if found["unit"] != "°C" else "degC" if found["difference"] is None else "K"
    ends = [float(end.replace(",", "")) for end in (found["low"], found["high"]) if end]
    shown = " to ".join(f"{to_screen(end, unit, units):,.0f}" for end in ends)
    return f"{shown} {screen_unit('degC' if unit == 'K' else unit, units).name}"


def sureness(confidence: float) -> str:
    """Return a confidence from 0 to 1 as a reader says it, with the number.

    >>> sureness(0.97)
    'very sure (97%)'
    """
    word = "very sure" if confidence >= 0.95 else "fairly sure" if confidence >= 0.8 else "suspicion"
    return f"{word} ({min(confidence, 0.99):.0%})"  # nothing read from outside is certain


def pointing_words(finding: Finding) -> str:
    """Return the parts a fault points to, likeliest first, and how sure it is."""
    sure = f"How sure: {sureness(finding.confidence)}."
    if not finding.parts:
        return sure
    first, *others = [part_name(part) for part in finding.parts]
    also = f", or {', '.join(others)}" if others else ""
    return f"Points to: {first}{also}. {sure}"


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
        return f"{to_screen(ends[0], unit, self.units):,.{digits}f} to {quantity(ends[1], unit, self.units, digits)}"

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
