"""Units on the screen: inside the program everything is in the units of SAE J1979, and only what a person reads is
converted here, by the person's preference.

Factors are exact by definition (NIST Special Publication 811, appendix B) or derived from those.
"""

from __future__ import annotations

from dataclasses import dataclass

KM_PER_MILE = 1.609344  # exact
KPA_PER_PSI = 6.894757293168  # from lbf and inch, exact to the digits shown
LITRES_PER_US_GALLON = 3.785411784  # exact
GRAMS_PER_POUND = 453.59237  # exact

# How a distance is rounded that is not read off an odometer: (below, to).
_STEPS = ((1_000.0, 10.0), (10_000.0, 100.0), (float("inf"), 1_000.0))


@dataclass(frozen=True, slots=True)
class ScreenUnit:
    """How a unit is shown: `shown = value * factor + offset`, named `name`."""

    name: str
    factor: float = 1.0
    offset: float = 0.0


# J1979 unit -> what a person reads. Units not listed are shown as they are.
METRIC: dict[str, ScreenUnit] = {
    "degC": ScreenUnit("°C"),
    "ratio": ScreenUnit(""),
    "deg": ScreenUnit("°"),
    "1/min": ScreenUnit("rpm"),
    "1/h": ScreenUnit("% a minute", 100.0 / 60.0),  # a share of what is there
    "Nm": ScreenUnit("N·m"),
    "deg BTDC": ScreenUnit("° before top"),
    "N*m": ScreenUnit("N·m"),
    "mm2": ScreenUnit("mm²"),
    "uA": ScreenUnit("µA"),
    "us": ScreenUnit("µs"),
}
US: dict[str, ScreenUnit] = METRIC | {
    "degC": ScreenUnit("°F", 1.8, 32.0),
    "K": ScreenUnit("°F", 1.8),  # a temperature difference
    "km/h": ScreenUnit("mph", 1 / KM_PER_MILE),
    "km": ScreenUnit("miles", 1 / KM_PER_MILE),
    "kPa": ScreenUnit("psi", 1 / KPA_PER_PSI),
    "g/s": ScreenUnit("lb/min", 60 / GRAMS_PER_POUND),
    "L/h": ScreenUnit("gal/h", 1 / LITRES_PER_US_GALLON),
}


def screen_unit(unit: str, system: str) -> ScreenUnit:
    """Return how a value in `unit` is shown in `system` ("metric" or "us").

    >>> round(to_screen(90.0, "degC", "us"), 1), screen_unit("degC", "us").name
    (194.0, '°F')
    """
    table = US if system == "us" else METRIC
    return table.get(unit, ScreenUnit(unit))


def to_screen(value: float, unit: str, system: str) -> float:
    """Convert `value` from its J1979 `unit` to what `system` shows."""
    shown = screen_unit(unit, system)
    return value * shown.factor + shown.offset


def quantity(value: float, unit: str, system: str, digits: int = 1) -> str:
    """Write a value with its unit as a person reads it.

    >>> quantity(100.0, "km/h", "us"), quantity(1784.0, "1/min", "metric", 0)
    ('62.1 mph', '1,784 rpm')
    """
    shown = screen_unit(unit, system)
    number = f"{to_screen(value, unit, system):,.{digits}f}"
    return f"{number}{'' if shown.name == '°' or shown.name.startswith('%') else ' '}{shown.name}".rstrip()


def odometer_text(km: float, system: str) -> str:
    """Write a distance on the clock, or between two readings of it, in whole units.

    >>> odometer_text(167_371.8, "us"), odometer_text(167_371.8, "metric")
    ('104,000 miles', '167,372 km')
    """
    return f"{to_screen(km, 'km', system):,.0f} {screen_unit('km', system).name}"


def distance_text(km: float, system: str) -> str:
    """Write a distance that is a forecast, a habit or a life: two to three figures, as it is known no better.

    Rounded in the reader's unit: to 10 below 1,000, to 100 below 10,000, to 1,000 above.

    >>> distance_text(16_093.44, "us"), distance_text(16_093.44, "metric"), distance_text(5_364.0, "metric")
    ('10,000 miles', '16,000 km', '5,400 km')
    """
    shown = to_screen(km, "km", system)
    step = next(step for below, step in _STEPS if abs(shown) < below)
    return f"{round(shown / step) * step:,.0f} {screen_unit('km', system).name}"
