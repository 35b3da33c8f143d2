"""How far each result of the car's own tests (service 06) lies from its limits, as a share of what is allowed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from math import isfinite

from obdwatch.decoding.monitors import LEGACY_MONITOR, SCALINGS
from obdwatch.decoding.replies import SUPPORT_STEP
from obdwatch.detectors.misfire_counts import GENERAL, LAST
from obdwatch.detectors.results import Test, tests_of
from obdwatch.detectors.sampled import once
from obdwatch.records import Drive, MonitorResult

OXYGEN_SENSORS = range(0x01, 0x11)
CONSTANTS = range(0x01, 0x05)
"""Tests of an oxygen sensor that only say which thresholds the car uses (SAE J1979); they are no results."""

FULL = 0xFFFF


@dataclass(frozen=True, slots=True)
class Limited:
    """A value, its limits (None where there is none), and the lowest number there is where it cannot be negative."""

    value: float
    low: float | None
    high: float | None
    bottom: float | None


@dataclass(frozen=True, slots=True)
class Judged:
    """A completed result with usable limits: `value` beside `low` and `high` (None where there is no such limit);
    `bottom` is the lowest number there is, None where it can be negative.

    `margin` [%] is the distance to the nearer limit as a share of the allowed span: 0 at a limit, negative beyond.
    `readings` how often it was read in this drive, `failing` how often it was beyond a limit. `is_raw` where the
    numbers have no known unit.
    """

    result: MonitorResult
    value: float
    low: float | None
    high: float | None
    bottom: float | None
    margin: float
    readings: int
    failing: int
    is_raw: bool

    @property
    def failed(self) -> bool:
        """Whether the last completed result lies beyond a limit; one equal to a limit passes."""
        return self.margin < 0.0

    @property
    def key(self) -> str:
        """What this test is called in the car's history: monitor, test and control unit."""
        return f"margin_{self.result.monitor:02X}_{self.result.test:02X}_{self.result.ecu or 0:X}"


@dataclass(frozen=True, slots=True)
class Sorted:
    """The results of one drive: judged, not run since the memory was erased, and those that cannot be judged."""

    judged: tuple[Judged, ...]
    not_run: tuple[MonitorResult, ...]
    unknown: tuple[MonitorResult, ...]


def sort_results(drive: Drive) -> Sorted:
    """Take the last completed result of each test of each control unit; misfire has a detector of its own."""
    return once(drive, "sorted results", lambda: _sorted(tests_of(drive)))


def _sorted(tests: Mapping[Test, Sequence[MonitorResult]]) -> Sorted:
    judged, not_run, unknown = [], [], []
    for (_, monitor, test), readings in tests.items():
        if GENERAL <= monitor <= LAST or monitor % SUPPORT_STEP == 0:
            continue
        if monitor in OXYGEN_SENSORS and test in CONSTANTS:
            continue
        done = [result for result in readings if result.completed]
        if not done:
            not_run.append(readings[-1])
            continue
        found = judge(done[-1], done)
        if found is None:
            unknown.append(done[-1])
        else:
            judged.append(found)
    return Sorted(tuple(judged), tuple(not_run), tuple(unknown))


def judge(result: MonitorResult, readings: Sequence[MonitorResult]) -> Judged | None:
    """Set a completed result beside its limits, None where it has none that can be used."""
    limited = limits_of(result)
    margin = _margin(limited)
    if limited is None or margin is None:
        return None
    # The same answer comes again and again while a test does not run: it is judged once.
    told = Counter((one.scaling, one.raw, one.value, one.minimum, one.maximum) for one in readings)
    one_of = {(one.scaling, one.raw, one.value, one.minimum, one.maximum): one for one in readings}
    failing = sum(count for key, count in told.items() if (_margin(limits_of(one_of[key])) or 0.0) < 0.0)
    is_raw = result.monitor >= LEGACY_MONITOR
    return Judged(
        result, limited.value, limited.low, limited.high, limited.bottom, margin, told.total(), failing, is_raw
    )


def limits_of(result: MonitorResult) -> Limited | None:
    """Return value and limits; a limit at the end of what the number can hold is none.

    A scaling nobody has published hides the sign of the number: such a result is not compared.
    """
    if result.monitor >= LEGACY_MONITOR:
        value, least, most = result.raw
        return Limited(float(value), float(least) if least > 0 else None, float(most) if most < FULL else None, 0.0)
    scaling = SCALINGS.get(result.scaling)
    if result.value is None or scaling is None or not isfinite(result.value):
        return None
    low, high = (one if one is not None and isfinite(one) else None for one in (result.minimum, result.maximum))
    if low == 0.0 and high == 0.0:
        return None  # zero to zero is no limit that an honest result could keep
    if low is not None and high is not None and low > high:
        return None  # no result could pass: the numbers mean something else
    bottom, top, step = _ends(result.scaling)
    low = None if low is None or low <= bottom + step else low
    high = None if high is None or high >= top - step else high
    return Limited(float(result.value), low, high, None if scaling.signed else bottom)


@cache
def _ends(scaling_id: int) -> tuple[float, float, float]:
    """Lowest and highest number of a known scaling, and half a step of it."""
    scaling = SCALINGS[scaling_id]
    bottom, top = (scaling.value(raw) for raw in ((0x8000, 0x7FFF) if scaling.signed else (0, FULL)))
    return bottom, top, abs(scaling.scale) / 2.0


def _margin(one: Limited | None) -> float | None:
    return None if one is None else margin_of(one.value, one.low, one.high, one.bottom)


def margin_of(value: float, low: float | None, high: float | None, bottom: float | None = None) -> float | None:
    """Return the distance to the nearer limit as a share of the allowed span [%], None where nothing limits.

    With an upper limit only, the span reaches down to the lowest number there is (`bottom`), else it is the limit
    itself, as it is with a lower limit only: 100 % is then twice the limit.

    >>> margin_of(80.0, None, 200.0, 0.0), margin_of(-8.0, -5.0, 5.0), margin_of(200.0, 0.0, 200.0)
    (60.0, -30.0, 0.0)
    >>> margin_of(12.0, 10.0, None), margin_of(3.0, None, None)
    (20.0, None)
    """
    distances = [] if high is None else [high - value]
    if low is not None:
        distances.append(value - low)
    if not distances:
        return None
    lowest = low if low is not None else bottom
    if high is not None and lowest is not None:
        span = high - lowest
    else:
        span = abs(high if high is not None else value - distances[0])
    if span <= 0.0:  # both limits the same, or a limit of zero: there is no span to measure in
        return 0.0 if min(distances) >= 0.0 else -100.0
    return float(100.0 * min(distances) / span)
