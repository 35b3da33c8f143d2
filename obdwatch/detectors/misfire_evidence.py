"""Everything one drive tells of misfire, gathered before it is judged: counters, turns, windows, codes, idle, trims."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from obdwatch.decoding.monitors import passed
from obdwatch.detectors.misfire_conditions import (
    Shares,
    Turning,
    bank_trim,
    measures_little_air,
    shares,
    starves_under_load,
    trim_growth,
    turning,
)
from obdwatch.detectors.misfire_counts import Counters, read_counters
from obdwatch.detectors.misfire_idle import Idle, warm_idle
from obdwatch.detectors.misfire_past import Past, past_of
from obdwatch.detectors.misfire_pattern import Scene, bank_of
from obdwatch.detectors.sampled import readings
from obdwatch.physics.misfire import (
    CATALYST_PERCENT,
    CATALYST_WINDOW,
    EMISSION_WINDOW,
    Worst,
    dispersion_of,
    misfire_percent,
    worst_window,
)
from obdwatch.physics.order_statistics import median
from obdwatch.records import Car, CodeKind, Drive, FloatArray, History

MISFIRE_CODE = re.compile(r"P03(0\d|1[0-2])$")
"""P0300 several cylinders, P0301 to P0312 one (SAE J2012)."""

VVT_MONITORS = range(0x35, 0x39)

LOW_FUEL = 15.0
"""Fuel level [%] up to which a car may switch its misfire monitor off: fuel can slosh away from the pump (regulation,
from memory)."""

SETTLED = 60.0
"""Time after the start [s] from which a single reading is one of this drive and not of the last."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What is known: `times` [s], `counts` [n, cylinders] and `turns` [n] belong together, all counted from their
    first point; `whole` says that one reading stands for the whole recording. `codes` are misfire codes stored or
    pending, `permanent` those kept only as permanent.
    """

    counters: Counters | None
    turned: Turning | None
    times: FloatArray
    counts: FloatArray
    turns: FloatArray
    whole: bool
    scene: Scene
    codes: frozenset[str]
    stored: bool
    permanent: frozenset[str]
    codes_seen: bool
    idle: Idle | None
    past: Past
    fuel_level: float | None
    emission: Worst | None
    catalyst: Worst | None

    @property
    def cylinders(self) -> int:
        """Number of cylinders, four where nothing tells (common practice)."""
        known = self.counters.cylinders if self.counters is not None else None
        return known or 4

    @property
    def seen_turns(self) -> float:
        """Revolutions in which misfires were counted."""
        return float(self.turns[-1] - self.turns[0]) if len(self.turns) > 1 else 0.0

    @property
    def by_cylinder(self) -> FloatArray:
        """Misfires in those revolutions [cylinders]."""
        if len(self.counts) < 2:
            return np.zeros(self.counts.shape[1] if self.counts.ndim == 2 else 1)
        grown: FloatArray = self.counts[-1] - self.counts[0]
        return grown

    @property
    def percent(self) -> float | None:
        """Misfires as a share of all firings that were counted [%]."""
        if self.seen_turns <= 0.0:
            return None
        return float(misfire_percent(float(self.by_cylinder.sum()), self.seen_turns, self.cylinders))

    def blocks(self, window: float, threshold: float) -> int:
        """How many successive windows reached a threshold [%], misfires spread evenly between two readings."""
        if self.seen_turns < window:
            return 0
        edges = np.arange(self.turns[0], self.turns[-1] + 1.0, window)
        held = np.diff(np.interp(edges, self.turns, self.counts.sum(axis=1)))
        return int(np.count_nonzero(misfire_percent(held, window, self.cylinders) >= threshold))

    @property
    def ongoing(self) -> bool:
        """Whether the last thousand revolutions still misfired so much that the catalyst suffers."""
        if self.seen_turns < EMISSION_WINDOW:
            return False
        total = self.counts.sum(axis=1)
        last = total[-1] - float(np.interp(self.turns[-1] - EMISSION_WINDOW, self.turns, total))
        return bool(misfire_percent(last, EMISSION_WINDOW, self.cylinders) >= CATALYST_PERCENT)

    @property
    def occasions(self) -> float:
        """On how many occasions misfires came."""
        return occasions_of(self.counts)


def occasions_of(counts: FloatArray) -> float:
    """Return 1 if all misfires came between two readings, n if alike between n (participation number)."""
    steps = np.diff(counts.sum(axis=1))
    return float(steps.sum() ** 2 / np.sum(steps**2)) if len(steps) and steps.sum() > 0.0 else 0.0


def gather(drive: Drive, car: Car | None, history: History, name: str) -> Evidence:
    """Collect the evidence of one drive; `name` is the detector's, for its history."""
    counters, turned = read_counters(drive, car), turning(drive)
    times, counts, whole = _series(drive, counters, turned)
    turns = turned.until(times) if turned is not None else np.zeros(len(times))
    past = past_of(history, name)
    total = counts.sum(axis=1)
    cylinders = (counters.cylinders if counters is not None else None) or 4
    codes, stored, permanent = _codes(drive)
    fuel = readings(drive, "fuel_level")
    return Evidence(
        counters=counters,
        turned=turned,
        times=times,
        counts=counts,
        turns=turns,
        whole=whole,
        scene=_scene(drive, car, turned, times, counts, past),
        codes=codes,
        stored=stored,
        permanent=permanent,
        codes_seen=_codes_seen(drive),
        idle=warm_idle(drive),
        past=past,
        fuel_level=median(fuel.values) if fuel is not None else None,
        emission=worst_window(turns, total, EMISSION_WINDOW, cylinders),
        catalyst=worst_window(turns, total, CATALYST_WINDOW, cylinders),
    )


def _series(drive: Drive, counters: Counters | None, turned: Turning | None) -> tuple[FloatArray, FloatArray, bool]:
    """Return counter readings with the start of the engine as their first point, where the recording shows it."""
    if counters is None or not len(counters.times):
        return np.empty(0), np.zeros((0, 1)), False
    times, counts, standing = counters.times, counters.counts, counters.standing
    if turned is None:
        return times, counts, False
    start = turned.started
    if start is not None and times[0] > start:
        most = float(np.diff(turned.until(np.array([start, times[0]])))[0]) / 2.0
        settled = len(times) > 1 or times[0] - start >= SETTLED
        if settled and bool(np.all(standing <= most + 1.0)):  # more cannot have been counted since the start
            return np.append(start, times), np.vstack([np.zeros_like(standing), counts + standing]), False
    if len(times) == 1 and drive.session.origin == "imported":
        ends = np.array([turned.times[0], turned.times[-1] + 1.0])
        return ends, np.vstack([np.zeros_like(standing), standing]), True
    return times, counts, False


def _scene(
    drive: Drive, car: Car | None, turned: Turning | None, times: FloatArray, counts: FloatArray, past: Past
) -> Scene:
    trims = [bank_trim(drive, bank) for bank in (1, 2)]
    usual = [None if one is None else one - past.trims.get(bank, 0.0) for bank, one in zip((1, 2), trims, strict=True)]
    codes = frozenset(reading.code for reading in drive.codes)
    cams = any(passed(result) is False for result in drive.monitors if result.monitor in VVT_MONITORS)
    if turned is None:
        return Scene(Shares({}, {}), Shares({}, {}), (usual[0], usual[1]), None, None, codes, cams)
    total = counts.sum(axis=1)
    loads = shares(turned, times, total, by_load=True)
    growth = trim_growth(drive, turned)
    if growth is not None and loads.misfires:
        count = loads.misfires["loaded"] * float(total[-1] - total[0])
        turns = loads.revolutions["loaded"] * float(np.diff(turned.until(times[[0, -1]]))[0])
        # Air that was not burnt reads lean: a share of the growth is the misfires themselves.
        growth -= float(misfire_percent(count, max(turns, 1.0), max(counts.shape[1], 1)))
    temperatures = shares(turned, times, total, by_load=False)
    of_bank = _misfire_of_bank(car, turned, times, counts, sum(one is not None for one in trims))
    starves, little_air = starves_under_load(drive, turned), measures_little_air(drive, turned)
    return Scene(
        loads,
        temperatures,
        (usual[0], usual[1]),
        growth,
        of_bank,
        codes,
        cams,
        starves,
        little_air,
        occasions_of(counts),
        dispersion_of(np.diff(counts, axis=0), np.diff(turned.until(times))) if len(times) > 2 else None,
    )


def _misfire_of_bank(
    car: Car | None, turned: Turning, times: FloatArray, counts: FloatArray, banks: int
) -> float | None:
    """Misfires in the bank of the worst cylinder as a share of its firings [%], None where nothing was counted.

    Where nobody tells which cylinders form a bank, the trims tell how many banks there are, and all misfires are taken
    to be in one of them.
    """
    if len(times) < 2 or counts.shape[1] < 2:
        return None
    grown = counts[-1] - counts[0]
    bank = bank_of(int(np.argmax(grown)) + 1, car)
    known = car.bank_cylinders if car is not None else None
    members = known[bank - 1] if known and bank else tuple(range(1, len(grown) + 1))
    inside = [float(grown[one - 1]) for one in members if one <= len(grown)]
    size = len(inside) if known and bank else len(grown) // max(banks, 1)
    turns = float(np.diff(turned.until(times[[0, -1]]))[0])
    return float(misfire_percent(sum(inside), max(turns, 1.0), max(size, 1)))


def _codes(drive: Drive) -> tuple[frozenset[str], bool, frozenset[str]]:
    found = [reading for reading in drive.codes if MISFIRE_CODE.match(reading.code)]
    live = {reading.code for reading in found if reading.kind is not CodeKind.PERMANENT}
    stored = any(reading.kind is CodeKind.STORED for reading in found)
    permanent = {reading.code for reading in found if reading.kind is CodeKind.PERMANENT} - live
    return frozenset(live), stored, frozenset(permanent)


def _codes_seen(drive: Drive) -> bool:
    """Whether the stored codes were read, or a car with a misfire monitor said that it holds none."""
    if CodeKind.STORED in drive.codes_read:
        return True
    return any(
        status.code_count == 0 and status.monitors.get("misfire", (False, False))[0] for status in drive.readiness
    )
