"""Which signals are drawn together: small multiples grouped by what a mechanic compares, never two units in one panel.

The grouping is data. A signal that is in no group gets a place beside others of its unit.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from dashboards.wording import in_words
from obdwatch.decoding.parameters import PARAMETER_BY_KEY
from obdwatch.records import Signal

# More than four lines in one panel cannot be told apart without colours that not everybody sees.
MOST_LINES = 4
# What is drawn before the reader chooses: enough for a first judgement, not so much that one has to scroll for it.
USUAL_PANELS = 6


@dataclass(frozen=True, slots=True)
class Group:
    """Signals that belong in one panel, with what to call each beside the others; `usual` is shown unasked."""

    title: str
    labels: Mapping[str, str]
    usual: bool = True


@dataclass(frozen=True, slots=True)
class Panel:
    """One small multiple: `keys` share `unit`; `labels` name them within the panel."""

    title: str
    unit: str
    keys: tuple[str, ...]
    labels: tuple[str, ...]


# Within a group the colour changes first and the dash second: with trims, colour is the bank and a dash is long term.
GROUPS = (
    Group(
        "Temperatures",
        {
            "coolant_temperature": "coolant",
            "intake_air_temperature": "intake air",
            "engine_oil_temperature": "oil",
            "ambient_air_temperature": "outside air",
        },
    ),
    Group("Engine speed", {"engine_speed": "engine speed"}),
    Group("Vehicle speed", {"vehicle_speed": "vehicle speed"}),
    Group(
        "Load and throttle",
        {"calculated_load": "load", "throttle_position": "throttle", "absolute_load": "absolute load"},
    ),
    Group(
        "Fuel trims",
        {
            "short_term_fuel_trim_bank_1": "short term, bank 1",
            "short_term_fuel_trim_bank_2": "short term, bank 2",
            "long_term_fuel_trim_bank_1": "long term, bank 1",
            "long_term_fuel_trim_bank_2": "long term, bank 2",
        },
    ),
    Group("Air flow", {"air_flow": "air flow"}),
    Group(
        "Manifold pressure",
        {"intake_manifold_pressure": "manifold", "barometric_pressure": "outside air"},
    ),
    Group("Voltage", {"control_module_voltage": "at the engine computer", "adapter_voltage": "at the socket"}),
    Group("Ignition timing", {"timing_advance": "timing advance"}),
    Group(
        "Oxygen sensors",
        {
            f"oxygen_sensor_voltage_bank_{bank}_sensor_{sensor}": f"bank {bank}, sensor {sensor}"
            for sensor in (1, 2)
            for bank in (1, 2)
        },
        usual=False,
    ),
)


ALONE = frozenset(group.title for group in GROUPS if len(group.labels) == 1)
"""Titles that say all of their only signal in fewer letters than the standard's name, which a phone would cut."""


def signal_name(key: str) -> str:
    """The name of a signal: that of SAE J1979 where it has one; a second control unit's is told apart."""
    base, _, ecu = key.partition("@")
    parameter = PARAMETER_BY_KEY.get(base)
    name = parameter.name if parameter is not None else in_words(base)
    return f"{name} (control unit {ecu})" if ecu else name


def panels_for(signals: Mapping[str, Signal], chosen: Iterable[str]) -> tuple[Panel, ...]:
    """Panels for the `chosen` keys among `signals`, in the order of `GROUPS`; unknown keys are passed over."""
    left = {key: signals[key].unit for key in chosen if key in signals}
    panels: list[Panel] = []
    for group in GROUPS:
        together = [key for key in group.labels if key in left]
        panels += _split(group.title, together, [group.labels[key] for key in together], left)
        for key in together:
            del left[key]
    for unit in dict.fromkeys(left.values()):
        alike = [key for key, its_unit in left.items() if its_unit == unit]
        # Signals without a unit are states and counts; they share no scale with each other.
        step = MOST_LINES if unit else 1
        for first in range(0, len(alike), step):
            part = alike[first : first + step]
            panels.append(_panel("Other signals", unit, part, [signal_name(key) for key in part]))
    return tuple(panels)


def _split(title: str, keys: Sequence[str], labels: Sequence[str], units: Mapping[str, str]) -> list[Panel]:
    """One panel for each unit that the signals of a group came in; a proper recording has only one."""
    by_unit: dict[str, list[tuple[str, str]]] = {}
    for key, label in zip(keys, labels, strict=True):
        by_unit.setdefault(units[key], []).append((key, label))
    return [_panel(title, unit, [k for k, _ in pairs], [w for _, w in pairs]) for unit, pairs in by_unit.items()]


def _panel(title: str, unit: str, keys: Sequence[str], labels: Sequence[str]) -> Panel:
    alone = len(keys) == 1 and title not in ALONE
    return Panel(signal_name(keys[0]) if alone else title, unit, tuple(keys), tuple(labels))


def usual_keys(signals: Mapping[str, Signal]) -> tuple[str, ...]:
    """What to draw before the reader chooses; something, whatever the recording holds."""
    keys: list[str] = []
    panels = 0
    for group in GROUPS:
        together = [key for key in group.labels if key in signals and signals[key].times.size]
        if group.usual and together and panels < USUAL_PANELS:
            keys += together
            panels += 1
    return tuple(keys) or tuple(signals)[:USUAL_PANELS]


def ordered_keys(signals: Mapping[str, Signal]) -> tuple[str, ...]:
    """All keys in the order of the panels, the ungrouped ones by name at the end."""
    grouped = [key for group in GROUPS for key in group.labels if key in signals]
    return (*grouped, *sorted(set(signals) - set(grouped)))
