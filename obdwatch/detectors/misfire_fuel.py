"""Did another fuel make the mixture lean that misfires? Asked before a plug, coil or pump is blamed for it.

A car that learnt on petrol and is filled up with an ethanol fuel runs lean on every bank and at every load at once,
until it has learnt the new fuel or has burnt it. A lean mixture misfires in all cylinders, and nothing is worn.
"""

from __future__ import annotations

import numpy as np

from obdwatch.detectors.fuel_trims_evidence import fuel_level, refuelled_since, tells_ethanol
from obdwatch.detectors.fuel_trims_limits import BANK_APART, MOST_ETHANOL
from obdwatch.detectors.fuel_trims_past import FUEL_STEP, PARTS, Past
from obdwatch.detectors.misfire_pattern import LEANER_UNDER_LOAD, OTHER_FUEL
from obdwatch.detectors.oxygen_sensors_baseline import since_repair
from obdwatch.physics.order_statistics import median
from obdwatch.records import Car, Drive, History

TRIMS = "fuel_trims"
"""The detector whose history holds the level of the trims on earlier drives."""

DRIVE_TO_GET = (
    "Note in the log what was filled in last. If it was another fuel, drive gently, fill up with the usual one and"
    " record again once this tank is used up. If it was not, or if it stays as it is, have the fuel pressure checked;"
    " misfires that go on with usual trims are a matter for plugs and coils."
)
"""What to do before a part is blamed for what another fuel does."""


def lean_alike(trims: tuple[float | None, ...], growth: float | None, unburnt: float = 0.0) -> bool:
    """Whether every bank lacks as much fuel as another fuel takes, all of them alike and no more of it under load.

    `trims` [%] by bank, None where unknown; `growth` [%] of the trims with load, None where it was not seen; `unburnt`
    [%] of the firings failed: their air reads lean and is taken off.

    >>> lean_alike((36.0, 34.0), -1.0), lean_alike((36.0, 8.0), -1.0), lean_alike((36.0, 34.0), 9.0)
    (True, False, False)
    """
    known = [trim - unburnt for trim in trims if trim is not None]
    if not known or min(known) < OTHER_FUEL or max(known) - min(known) > BANK_APART:
        return False
    return growth is None or growth <= LEANER_UNDER_LOAD


def is_new_fuel(
    drive: Drive, car: Car | None, history: History, trims: tuple[float | None, ...], growth: float | None
) -> bool:
    """Whether the mixture is lean alike everywhere, and so only since what is in the tank now was filled in.

    That is told by the car's own earlier trims, which were usual up to a tank ago; where none are known, by the log, by
    a fuel level that rose, or by the car. What was lean before is no new fuel.
    """
    if not lean_alike(trims, growth):
        return False
    past = Past(history, TRIMS)
    level = float(np.mean([trim for trim in trims if trim is not None]))
    told = since_repair(history, TRIMS, PARTS, "level")
    usual = [one.value for one in told if one.healthy]
    if level - (median(usual) if usual else 0.0) > MOST_ETHANOL:
        return False
    if tells_ethanol(drive, car):
        return True
    if usual:
        return past.jumped(level)
    if told:  # a drive that could not be judged healthy, for want of an idle perhaps, still knew its level
        return abs(told[-1].value) < FUEL_STEP / 2.0 and level - told[-1].value >= FUEL_STEP
    return refuelled_since(drive, past, fuel_level(drive))
