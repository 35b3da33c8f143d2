"""Units that headers of foreign tables name, and how a value gets from them to the unit of its parameter.

The table is data: spelling -> quantity, factor and offset to the quantity's base unit. Factors are exact by definition
or from NIST Special Publication 811, appendix B.8; inches of mercury and of water are its conventional ones.
"""

from __future__ import annotations

import re
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit of `quantity`: base value = value * `factor` + `offset`."""

    quantity: str
    factor: float
    offset: float = 0.0


@dataclass(frozen=True, slots=True)
class Conversion:
    """How a number of the file becomes one in the parameter's unit: number * `factor` + `offset`."""

    factor: float = 1.0
    offset: float = 0.0

    @property
    def changes(self) -> bool:
        """False where numbers stay as they are."""
        return (self.factor, self.offset) != (1.0, 0.0)


class UnknownUnit(ValueError):
    """A unit that is in no table; the caller adds file and column."""


class WrongQuantity(ValueError):
    """A unit that measures something else than the parameter does."""


_TABLE: tuple[tuple[Unit, str], ...] = (
    (Unit("temperature", 1.0), "degc °c ºc c celsius deg.c degreesc degreec degcelsius degreescelsius grad"),
    (Unit("temperature", 5 / 9, -160 / 9), "degf °f ºf f fahrenheit deg.f degreesf degreef degreesfahrenheit"),
    (Unit("temperature", 1.0, -273.15), "k kelvin degk °k"),
    (Unit("speed", 1.0), "km/h kmh kph kmph km/hr kmhr km/hour"),
    (Unit("speed", 1.609344), "mph mi/h miles/h miles/hour mile/h"),
    (Unit("speed", 3.6), "m/s m/sec"),
    (Unit("pressure", 1.0), "kpa kpa(abs) kpaa"),
    (Unit("pressure", 0.001), "pa"),
    (Unit("pressure", 1000.0), "mpa"),
    (Unit("pressure", 0.1), "hpa mbar millibar"),
    (Unit("pressure", 100.0), "bar bara"),
    (Unit("pressure", 6.894757293168361), "psi psia lbf/in2 lb/in2"),
    (Unit("pressure", 3.386389), "inhg in.hg inchhg"),
    (Unit("pressure", 0.1333224), "mmhg torr"),
    (Unit("pressure", 0.24908891), "inh2o in.h2o"),
    (Unit("pressure", 98.0665), "kg/cm2 kgf/cm2"),
    (Unit("pressure", 101.325), "atm"),
    (Unit("mass flow", 1.0), "g/s g/sec gps grams/sec grams/s gm/s gm/sec gramspersecond"),
    (Unit("mass flow", 1 / 3.6), "kg/h kg/hr kg/hour"),
    (Unit("mass flow", 1000.0), "kg/s"),
    (Unit("mass flow", 453.59237 / 60), "lb/min lbs/min lbm/min"),
    (Unit("mass flow", 453.59237 / 3600), "lb/h lb/hr lbs/h lbs/hr"),
    (Unit("volume flow", 1.0), "l/h l/hr lph litres/h litre/h liters/h l/hour"),
    (Unit("volume flow", 3.785411784), "gal/h gal/hr gph usgal/h"),
    (Unit("voltage", 1.0), "v volt volts vdc"),
    (Unit("voltage", 0.001), "mv millivolt millivolts"),
    (Unit("current", 1.0), "ma milliampere milliamperes"),
    (Unit("current", 1000.0), "a ampere amperes amp amps"),
    (Unit("current", 0.001), "ua µa μa"),
    (Unit("share", 1.0), "% percent pct per.cent"),
    (Unit("rotation", 1.0), "rpm 1/min min-1 r/min rev/min u/min revs/min /min"),
    (Unit("rotation", 60.0), "1/s hz rps rev/s"),
    (Unit("angle", 1.0), "deg ° º degree degrees degbtdc °btdc degreesbtdc ca °ca degca btdc deg.btdc °beforetdc"),
    (Unit("time", 1.0), "s sec secs second seconds"),
    (Unit("time", 0.001), "ms msec millisecond milliseconds"),
    (Unit("time", 1e-6), "us µs μs microseconds"),
    (Unit("time", 1e-9), "ns nanoseconds"),
    (Unit("time", 60.0), "min mins minute minutes"),
    (Unit("time", 3600.0), "h hr hrs hour hours"),
    (Unit("distance", 1.0), "km kilometre kilometres kilometer kilometers kms"),
    (Unit("distance", 1.609344), "mi mile miles"),
    (Unit("distance", 0.001), "m metre metres meter meters"),
    (Unit("torque", 1.0), "nm n*m n·m n.m n-m newtonmeter newtonmetre"),
    (Unit("torque", 1.3558179483314004), "lb-ft lbft ft-lb ftlb lbf-ft lbf.ft ft.lbf lb.ft"),
    (Unit("ratio", 1.0), "ratio λ lambda :1"),
    (Unit("count", 1.0), "count counts number"),
)
UNITS: dict[str, Unit] = {spelling: unit for unit, spellings in _TABLE for spelling in spellings.split()}

# What stands for "no unit" in a header.
BLANK = frozenset({"", "-", "--", "none", "n/a", "unitless", "[]", "()"})


def normal_spelling(unit: str) -> str:
    """Return a unit without spaces and in lower case, as the table spells it.

    >>> normal_spelling(" ° C "), normal_spelling("Lb / Min"), normal_spelling("m³")
    ('°c', 'lb/min', 'm3')
    """
    text = unit.replace("²", "2").replace("³", "3").replace("⁻¹", "-1")
    text = text.replace("℃", "°C").replace("℉", "°F")
    return re.sub(r"\s+", "", text).lower()


def is_known(unit: str) -> bool:
    """Return whether a header's unit is in the table."""
    return normal_spelling(unit) in UNITS


def conversion(unit: str, parameter_unit: str) -> Conversion:
    """Return how numbers in `unit` become numbers in `parameter_unit`.

    Raises UnknownUnit for a unit of no table, WrongQuantity for one that measures something else.

    >>> mph = conversion("mph", "km/h")
    >>> round(100 * mph.factor + mph.offset, 4)
    160.9344
    """
    if normal_spelling(unit) == normal_spelling(parameter_unit) or normal_spelling(unit) in BLANK:
        return Conversion()
    source, target = UNITS.get(normal_spelling(unit)), UNITS.get(normal_spelling(parameter_unit))
    if source is None:
        raise UnknownUnit(f"unknown unit '{unit}'")
    if target is None or source.quantity != target.quantity:
        raise WrongQuantity(f"'{unit}' is no unit for a value in {parameter_unit or 'plain numbers'}")
    if source == target:
        return Conversion()
    return Conversion(source.factor / target.factor, (source.offset - target.offset) / target.factor)


def same_unit(one: str, other: str) -> bool:
    """Return whether two spellings mean one unit, with the same zero and step.

    >>> same_unit("rpm", "1/min"), same_unit("mph", "km/h"), same_unit("", "%")
    (True, False, False)
    """
    first, second = normal_spelling(one), normal_spelling(other)
    known = UNITS.get(first)
    return bool(first) and (first == second or (known is not None and known == UNITS.get(second)))
