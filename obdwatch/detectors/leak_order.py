"""Which of two leaks that look alike comes first: a hose or gasket of the intake, or the crankcase ventilation.

Both let air in behind the sensor through the same manifold, so that no reading tells them apart. What is left is how
long each has been in the car; a look and a listen decide.
"""

from __future__ import annotations

from obdwatch.part_ages import part_ages
from obdwatch.records import Car, Drive, History

HOSE, VENTILATION = "intake_leak", "crankcase_ventilation"

AGED = 120_000.0
"""Distance [km] since it was new from which the diaphragm of the ventilation tears more often than a hose cracks or
slips off (common practice: built-in diaphragms go from 75,000 miles on; before that a hose left loose after other work
is the usual leak)."""


def leaks_by_age(parts: tuple[str, ...], drive: Drive, car: Car | None, history: History) -> tuple[str, ...]:
    """Return the parts with the two leaks in the order of the car's age, all others where they were.

    The ventilation comes first where it is `AGED`, or has been in the car for longer than the hoses; otherwise, and
    where the distance is not known, the order stays.
    """
    if HOSE not in parts or VENTILATION not in parts:
        return parts
    ages = part_ages(car, history.events, (HOSE, VENTILATION))
    hose, ventilation = (ages[part].distance(drive.session.odometer_km) for part in (HOSE, VENTILATION))
    if hose is None or ventilation is None:
        return parts
    if ventilation < AGED and ventilation <= hose:
        return parts
    ordered, places = list(parts), sorted((parts.index(HOSE), parts.index(VENTILATION)))
    ordered[places[0]], ordered[places[1]] = VENTILATION, HOSE
    return tuple(ordered)
