"""Which signals stand together."""

from __future__ import annotations

import numpy as np

from dashboards.panels import GROUPS, MOST_LINES, USUAL_PANELS, ordered_keys, panels_for, usual_keys
from obdwatch.decoding.parameters import PARAMETER_BY_KEY
from obdwatch.records import Signal
from obdwatch.signals.drives import ADAPTER_VOLTAGE
from tests.dashboards.samples import usual_drive

T = np.arange(3.0)


def signals(**units: str) -> dict[str, Signal]:
    return {key: Signal(key, unit, T, T) for key, unit in units.items()}


def test_groups_name_parameters_that_exist() -> None:
    known = set(PARAMETER_BY_KEY) | {ADAPTER_VOLTAGE}
    assert [key for group in GROUPS for key in group.labels if key not in known] == []


def test_group_fits_into_one_panel_and_has_one_unit() -> None:
    for group in GROUPS:
        units = {PARAMETER_BY_KEY[key].unit for key in group.labels if key in PARAMETER_BY_KEY}
        assert len(units) == 1, group.title
        assert len(group.labels) <= MOST_LINES


def test_what_a_mechanic_compares_stands_in_one_panel() -> None:
    drive = usual_drive()
    panels = panels_for(drive.signals, drive.signals)
    titles = [panel.title for panel in panels]
    assert titles[:3] == ["Temperatures", "Engine speed", "Vehicle speed"]
    assert panels[0].keys == ("coolant_temperature", "intake_air_temperature", "ambient_air_temperature")
    assert panels[0].labels == ("coolant", "intake air", "outside air")


def test_one_panel_never_has_two_units() -> None:
    """An importer may hand over a temperature that nobody converted."""
    odd = signals(coolant_temperature="degC", intake_air_temperature="degF")
    panels = panels_for(odd, odd)
    assert [(panel.keys, panel.unit) for panel in panels] == [
        (("coolant_temperature",), "degC"),
        (("intake_air_temperature",), "degF"),
    ]


def test_ungrouped_signals_stand_with_their_unit_four_at_most() -> None:
    many = signals(**{f"sensor_{number}": "mA" for number in range(6)}, other="ppm")
    panels = panels_for(many, many)
    assert [len(panel.keys) for panel in panels] == [4, 2, 1]
    assert panels[2].title == "Other"


def test_states_without_a_unit_share_no_panel() -> None:
    many = signals(fuel_system_status="", malfunction_lamp="")
    assert [panel.keys for panel in panels_for(many, many)] == [("fuel_system_status",), ("malfunction_lamp",)]


def test_unknown_keys_are_passed_over() -> None:
    assert panels_for(signals(engine_speed="1/min"), ["nonsense"]) == ()


def test_usual_choice_is_small_and_never_empty_where_there_is_something() -> None:
    drive = usual_drive()
    assert len(panels_for(drive.signals, usual_keys(drive.signals))) == USUAL_PANELS
    assert usual_keys(signals(odd="ppm")) == ("odd",)
    assert usual_keys({}) == ()


def test_every_signal_can_be_chosen() -> None:
    mixed = signals(zz="ppm", aa="ppm", engine_speed="1/min")
    assert ordered_keys(mixed) == ("engine_speed", "aa", "zz")
