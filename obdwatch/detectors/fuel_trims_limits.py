"""How far a healthy car's tolerances carry its fuel trims, and the records of a judgement."""

from __future__ import annotations

from dataclasses import dataclass
from typing import overload

from obdwatch.detectors.fuel_trims_misfire import FalseLean
from obdwatch.records import Urgency, Verdict

LOW_FLOW = 5.0
"""Trim at idle over that with air flowing [%] that a sound car may have: an air-mass sensor may be off by 5 % at one
flow against another (common practice); small injection times add to it, the control unit learns most of it away."""

HIGH_FLOW, HIGH_FLOW_BENT = 3.0, 4.0
"""Trim with air flowing over that at idle [%]: fuel pressure is regulated and sensors are calibrated at such flows to
2 % each (common practice), and a weak pump or dirty sensor grows further beyond the flows of this drive. An air sensor
that is only bent at idle, by up to 4 %, does not grow there."""

GROWS = 0.8
"""Share of that difference that must lie in a growth in proportion to flow for the smaller limit to hold."""

RICH_TURN = 8.0
"""Trim at one flow below the other [%] that makes a rich fault: purge vapour alone takes off 5 % at idle."""

LEAN_THERE = 2.0
"""Trim with air flowing [%] below which fuel is not missing there, however rich the idle is: the steps
of two trims."""

EVERYWHERE = 12.0
"""Level [%] that is the same everywhere and no longer a healthy car's tolerances: 5 for the air sensor, 4 for a tenth
of ethanol in the fuel (air per fuel 14.7 to 14.1), 3 for the injectors. Within +-8 % is normal, +-10 % suspect (trade
press)."""

EVERYWHERE_SERVICE = 16.0
"""Level [%] from which that is for the next service; two thirds of the way to codes near 20 to 25 (common practice)."""

BANK_APART = 6.0
"""Difference of two banks [%]: they share air, fuel and pressure; injectors and sensors of each are within 3 % (common
practice), so that two banks are at most twice that apart."""

BANK_APART_MISFIRE = 4.0
"""The same where a cylinder of the lean bank alone misfires by the car's own counters: two clues for one injector."""

LEAN_CYLINDER = 7.0
"""Level [%] beyond what misfires explain that makes a lean cylinder of one that misfires: sensor and injectors of a
sound car may stand at 5 %, the fuel at 4 % more (two such together are rare: root of squares 6.4)."""

FALSE_LEAN_SEEN = 2.0
"""Trim [%] that misfires explain from which they are taken off: below it their share of it does not matter."""

FAST_IDLE, OWN_FAST_IDLE = 1150.0, 150.0
"""Hot idle speed [1/min] that no engine asks for, and rise over the car's own: 600 to 900 is usual, air conditioning
adds 100 to 150 (common practice)."""

TURNS = ("lean_with_flow", "fuel_delivery_falls", "air_sensor_reads_low")
"""Patterns of a trim that grows with flow, which a misfire does too when it comes under load."""

LOW_TURNS = ("unmetered_air", "lean_at_idle")
"""Patterns of a trim that grows as flow falls, which a misfire at idle makes too."""

UNEVEN = 2.0
"""Where it is worst, a misfire lifts the trim by so many times its mean at idle, or while driving: half of it is so."""

OWN_LOW, OWN_HIGH, OWN_LEVEL, OWN_APART = 3.0, 2.0, 7.0, 3.0
"""The same against the car's own healthy drives [%]: only weather, heat and learning differ between two drives of one
car. The level also moves by 4 % between pure petrol and a tenth of ethanol, and by what idle and road differ."""

OWN_SIGMAS = 4.0
"""And beyond so many standard deviations of the car's own drives."""

FEW_SIGMAS = 2.5
"""Standard deviations of what one or two earlier drives let expect: as many as the limits of an unknown car are of
sound cars (6 in 1,000 beyond, one-sided)."""

SURE = 1.65
"""Standard deviations that a value must keep from a smaller limit, `SURE_SHARE` of the limit: 95 % one-sided."""

SURE_SHARE = 0.7
"""Share of the limit that must be exceeded surely, so that a value at the limit is neither always nor never seen."""

MOST_ETHANOL = 48.0
"""Level [%] to which E85 (air per fuel 9.9) lifts a car that thinks it burns petrol: 14.7 / 9.9 - 1."""

NEXT_SERVICE, SOON = 9.0, 18.0
"""Trim [%] from which it should be seen to: half way to, and shortly before, codes near 20 to 25 (common practice)."""

TWO_LEAKS = 0.69
"""Natural logarithm of two: leaks of hose and gasket and of the crankcase ventilation are two parts against one."""

CLEAR = 0.7
"""Natural logarithm of odds (two to one) from which one of two parts is named in the signature."""

FUEL_SEEN = 3.0
"""Change of the level after a refuel [%] worth telling: pure petrol to a tenth of ethanol is 4."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """Verdict with its reasons by name; `bank` where one bank alone is meant; `size` is the trim that is wrong [%]."""

    verdict: Verdict
    signature: str = ""
    urgency: Urgency | None = None
    confidence: float = 0.0
    parts: tuple[str, ...] = ()
    bank: int | None = None
    size: float = 0.0
    by_past: bool = False


@dataclass(frozen=True, slots=True)
class Apart:
    """Bank 1 less bank 2 [%]: over everything, at idle and with air flowing (value, standard deviation)."""

    whole: tuple[float, float]
    idle: tuple[float, float] | None
    flow: tuple[float, float] | None

    def less(self, lean: FalseLean) -> Apart:
        """Return it with a difference of what misfires add taken off."""
        return Apart(_less(self.whole, lean.whole), _less(self.idle, lean.idle), _less(self.flow, lean.flow))


@overload
def _less(value: tuple[float, float], difference: float) -> tuple[float, float]: ...
@overload
def _less(value: tuple[float, float] | None, difference: float) -> tuple[float, float] | None: ...
def _less(value: tuple[float, float] | None, difference: float) -> tuple[float, float] | None:
    return None if value is None else (value[0] - difference, value[1])
