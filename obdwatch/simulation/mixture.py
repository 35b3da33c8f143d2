"""Fuel metering of the virtual control unit: injection from measured air, closed loop, short and long trims, purge.

Trims are in per cent as SAE J1979 reports them: positive adds fuel. The control unit was calibrated with petrol of
ten per cent ethanol, so another content shows as a trim on every bank.
"""

from __future__ import annotations

from obdwatch.simulation.combustion import air_per_fuel
from obdwatch.simulation.curves import clip
from obdwatch.simulation.exhaust import MIDDLE_VOLTAGE, ExhaustBank

CALIBRATED_ETHANOL = 0.10
TRIM_LIMIT = 25.0  # %, both trims (common practice 20 to 35)
JUMP = 1.9  # % step of the short trim when a switching sensor changes over
RAMP = 1.7  # %/s at idle; grows with flow
LEARNING = 0.016  # 1/s by which the long trim follows the short one (common practice: minutes)
CELLS = (0.03, 0.10, 0.25, 0.60)  # air flow against its peak at which long trims are learnt


class TrimBank:
    """Short and long trim of one exhaust bank."""

    __slots__ = ("_rich", "long", "short", "smoothed")

    def __init__(self, learnt: tuple[float, ...]) -> None:
        self.long = list(learnt)
        self.short = 0.0
        self.smoothed = 0.0
        self._rich = False

    def long_at(self, place: float) -> float:
        """Return the long trim [%] at a place between the cells."""
        index = min(int(place), len(self.long) - 2)
        return self.long[index] + (self.long[index + 1] - self.long[index]) * (place - index)

    def learn(self, dt: float, place: float) -> None:
        """Move what the short trim holds on average into the long trim of the nearest cells."""
        index = min(int(place), len(self.long) - 2)
        near = place - index
        step = LEARNING * dt * clip(self.smoothed, -12.0, 12.0)
        for cell, weight in ((index, 1.0 - near), (index + 1, near)):
            self.long[cell] = clip(self.long[cell] + step * weight, -TRIM_LIMIT, TRIM_LIMIT)
        self.short -= step

    def follow_switching(self, dt: float, voltage: float, pace: float, bias: float) -> None:
        """Steer by a switching sensor: a jump at each change-over, a ramp between; `bias` leans the ramps."""
        rich = voltage > MIDDLE_VOLTAGE
        if rich != self._rich:
            self.short += -JUMP if rich else JUMP
            self._rich = rich
        self.short += dt * pace * (-(1.0 - bias) if rich else 1.0 + bias)
        self._limit(dt)

    def follow_wide_range(self, dt: float, error: float, pace: float) -> None:
        """Steer by a wide-range sensor: `error` is measured less wished lambda."""
        bounded = clip(error, -0.15, 0.15)
        self.short += dt * pace * 28.0 * bounded
        self._limit(dt)

    def release(self, dt: float) -> None:
        """Let the short trim go while the loop is open."""
        self.short -= self.short * min(1.0, dt / 0.3)
        self.smoothed -= self.smoothed * min(1.0, dt / 10.0)

    def _limit(self, dt: float) -> None:
        self.short = clip(self.short, -TRIM_LIMIT, TRIM_LIMIT)
        self.smoothed += (self.short - self.smoothed) * dt / 4.0


class Purge:
    """Canister purge: on for a while, off for a while so that the trims can be learnt; petrol vapour by its load."""

    __slots__ = ("_clock", "air", "duty", "fuel", "load")

    def __init__(self, load: float) -> None:
        self.load = load
        self.duty = 0.0
        self.air = 0.0
        self.fuel = 0.0
        self._clock = 0.0

    def step(self, dt: float, allowed: bool, air_flow: float, vacuum: float, displacement: float) -> None:
        """Advance by `dt` [s]; `vacuum` [kPa] drives the flow."""
        self._clock = (self._clock + dt) % 130.0
        wanted = 45.0 * clip((air_flow - 2.0) / 10.0, 0.08, 1.0) if allowed and self._clock > 50.0 else 0.0
        self.duty += clip(wanted - self.duty, -20.0 * dt, 6.0 * dt)
        flow = self.duty / 100.0 * 0.45 * displacement * clip(vacuum / 40.0, 0.0, 1.0)
        self.air = flow
        self.fuel = flow * 0.9 * self.load
        self.load = max(0.02, self.load - self.fuel * dt / 60.0)  # a full canister holds some 60 g


class Mixture:
    """Injection for every bank, and the air ratio that comes of it."""

    __slots__ = ("_layout_banks", "_peak", "closed", "flow", "lambdas", "place", "trims")

    def __init__(self, learnt: tuple[tuple[float, ...], ...], peak_air: float) -> None:
        self.trims = [TrimBank(cells) for cells in learnt]
        self._layout_banks = len(learnt)
        self._peak = peak_air
        self.lambdas = [1.0] * self._layout_banks
        self.closed = False
        self.flow = 0.0
        self.place = 0.0

    def locate(self, measured_air: float) -> None:
        """Find the place between the learning cells for this flow."""
        share = measured_air / self._peak
        for index in range(len(CELLS) - 1, -1, -1):
            if share >= CELLS[index]:
                upper = CELLS[min(index + 1, len(CELLS) - 1)]
                self.place = index + (share - CELLS[index]) / (upper - CELLS[index] if upper > CELLS[index] else 1.0)
                self.place = min(self.place, len(CELLS) - 1.0)
                return
        self.place = 0.0

    def inject(
        self, measured_air: float, bank_air: list[float], wished: float, delivered: list[float], vapour: float,
        ethanol: float, cut: bool,
    ) -> None:  # fmt: skip
        """Meter fuel to the measured air [g/s]; `delivered` is the share of it that each bank's injectors give."""
        share = measured_air / self._layout_banks / air_per_fuel(CALIBRATED_ETHANOL) / wished
        need = air_per_fuel(ethanol)
        total = 0.0
        for bank, trim in enumerate(self.trims):
            factor = 1.0 + (trim.short + trim.long_at(self.place)) / 100.0
            fuel = 0.0 if cut else share * factor * delivered[bank] + vapour / self._layout_banks
            total += fuel
            self.lambdas[bank] = min(8.0, bank_air[bank] / (fuel * need)) if fuel > 1e-6 else 8.0
        self.flow = total

    def steer(
        self, dt: float, sensors: list[ExhaustBank], wished: float, wide_range: bool, learn: bool, load: float
    ) -> None:
        """Run the closed loop on every bank; `load` is the air flow against idle's, which shortens the transport."""
        pace = RAMP * clip(load, 0.7, 6.0) ** 0.6
        for trim, sensor in zip(self.trims, sensors, strict=True):
            if not self.closed:
                trim.release(dt)
                continue
            bias = clip(0.62 - sensor.downstream, -0.25, 0.25)  # the rear sensor holds the store half full
            if wide_range:
                trim.follow_wide_range(dt, sensor.wide_range_lambda() - wished + 0.012 * bias, pace)
            else:
                trim.follow_switching(dt, sensor.voltage, pace, 0.5 * bias)
            if learn:
                trim.learn(dt, self.place)
