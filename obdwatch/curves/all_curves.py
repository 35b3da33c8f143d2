"""All curves of one drive, in the order in which they are read."""

from __future__ import annotations

from collections.abc import Callable

from obdwatch.curves import air_filling, cranking, fuel_trims, misfire, warm_up
from obdwatch.curves.curve import Curve
from obdwatch.detectors.renewal import since_renewal
from obdwatch.records import Car, Drive, History

MakeCurve = Callable[[Drive, Car | None, History], Curve | None]

CURVES: tuple[MakeCurve, ...] = (warm_up.curve, fuel_trims.curve, air_filling.curve, misfire.curve, cranking.curve)


def curves_of(drive: Drive, car: Car | None, history: History) -> tuple[Curve, ...]:
    """Return every curve that the drive has the data for; pure.

    What earlier drives told of a part that has since been renewed is not used, as in the judgement.
    """
    known = since_renewal(history)
    return tuple(found for make in CURVES if (found := make(drive, car, known)) is not None)
