"""The virtual adapter's own state, on which AT commands act: settings, memory, supply voltage, protocol."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import isfinite

from obdwatch.adapters.virtual.bus_link import BusLink
from obdwatch.adapters.virtual.settings import ProgrammableParameters, Settings, default_settings

IDENTITY = "ELM327 v2.2"  # the command set that is understood
DESCRIPTION = "obdwatch virtual adapter"
VOLTAGE_LIMITS = (0.0, 99.9)  # what three digits can show


@dataclass(slots=True)
class Device:
    """One adapter. `linefeeds` is the level of its linefeed pin after a reset; serial adapters differ in it."""

    link: BusLink
    linefeeds: bool = False
    settings: Settings = field(init=False)
    parameters: ProgrammableParameters = field(default_factory=ProgrammableParameters)
    stored_byte: int = 0
    user_name: str | None = None
    voltage_factor: float = 1.0
    asleep: bool = False

    def __post_init__(self) -> None:
        self.settings = default_settings(self.parameters, self.linefeeds)

    def reset(self) -> None:
        """Start afresh as after power on; what is kept in lasting memory stays."""
        self.set_defaults()
        self.link.reset()
        self.asleep = False

    def set_defaults(self) -> None:
        """Put the settings back (`AT D`)."""
        self.settings = default_settings(self.parameters, self.linefeeds)

    def voltage(self, now: float) -> float | None:
        """What the adapter measures at pin 16 [V] with its own calibration, None where the bus does not know."""
        volts = self.link.bus.supply_voltage(now) * self.voltage_factor
        low, high = VOLTAGE_LIMITS
        return min(max(volts, low), high) if isfinite(volts) else None

    def calibrate_voltage(self, actual: float, now: float) -> bool:
        """Make the present reading read `actual` [V]; zero goes back to the factory calibration."""
        raw = self.link.bus.supply_voltage(now)
        if actual and not (isfinite(raw) and raw > 0):
            return False
        self.voltage_factor = actual / raw if actual else 1.0
        return True
