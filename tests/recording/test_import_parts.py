"""The parts of an import: names, units, times, the user's column map."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from obdwatch.decoding.parameters import PARAMETER_BY_KEY, PARAMETERS
from obdwatch.errors import ImportFileError
from obdwatch.recording.importers import ImportOptions
from obdwatch.recording.importing import names, times, units
from obdwatch.recording.importing.column_map import read_column_map
from tests.recording.tables import imported

# Names


@pytest.mark.parametrize(
    ("header", "key", "unit"),
    [
        ("Engine Coolant Temperature [°C]", "coolant_temperature", "°C"),
        ("Air Flow Rate from Mass Flow Sensor [g/s]", "air_flow", "g/s"),
        ("Vehicle Speed Sensor [km/h]", "vehicle_speed", "km/h"),
        ("MAF[g/sec]", "air_flow", "g/sec"),
        ("Engine RPM(rpm)", "engine_speed", "rpm"),
        ("SHORT_FUEL_TRIM_1", "short_term_fuel_trim_bank_1", None),
        ("short_fuel_trim_1", "short_term_fuel_trim_bank_1", None),
        ("STFT B1 (%)", "short_term_fuel_trim_bank_1", "%"),
        ("Long Term Fuel Trim Bank 2 %", "long_term_fuel_trim_bank_2", None),
        ("engineRPM", "engine_speed", None),
        ("coolant_temp_degF", "coolant_temperature", "degF"),
        ("Speed (OBD)(mph)", "vehicle_speed", "mph"),
        ("O2 Voltage Bank 1 Sensor 2 (V)", "oxygen_sensor_voltage_bank_1_sensor_2", "V"),
        ("O2 B1S1 Voltage", "oxygen_sensor_voltage_bank_1_sensor_1", None),
        ("Absolute Throttle Position B [%]", "throttle_position_b", "%"),
        ("Ignition Timing Advance for #1 Cylinder (°)", "timing_advance", "°"),
        ("Intake Manifold Absolute Pressure (inHg)", "intake_manifold_pressure", "inHg"),
        ("Accelerator Pedal Position D [%]", "accelerator_position_d", "%"),
        ("Control module voltage (V)", "control_module_voltage", "V"),
        ("Absolute Load[%]", "absolute_load", "%"),
        ("Engine load value (calculated)", "calculated_load", None),
        ("engine_speed@7e9", "engine_speed", None),
        ("OAT[DegC]", "ambient_air_temperature", "DegC"),
        ("Fuel Rate[L/hr]", "engine_fuel_rate", "L/hr"),
        ("Engine coolant temperature (℃)", "coolant_temperature", "℃"),
        ("ENGINE_COOLANT_TEMP", "coolant_temperature", None),
        ("INTAKE_MANIFOLD_PRESSURE", "intake_manifold_pressure", None),
        ("SHORT TERM FUEL TRIM BANK 1", "short_term_fuel_trim_bank_1", None),
        ("AIR_INTAKE_TEMP", "intake_air_temperature", None),
        ("Calculated LOAD value (%)", "calculated_load", "%"),
        ("GPS speed (km/h)x", None, None),
    ],
)
def test_natural_headers_are_understood(header: str, key: str | None, unit: str | None) -> None:
    found = names.heading(header)
    assert names.key_of(found.name) == key
    assert found.unit == unit


@pytest.mark.parametrize("name", ["", "Latitude", "Comment", "Gear", "Speed of my dog", "VehId", "Acceleration x", "1"])
def test_what_is_no_parameter_stays_unknown(name: str) -> None:
    assert names.key_of(names.heading(name).name) is None


def test_every_key_and_python_obd_name_is_its_own() -> None:
    for parameter in PARAMETERS:
        assert names.key_of(parameter.key.upper()) == parameter.key
        if parameter.obd_command:
            found = names.key_of(parameter.obd_command)
            assert found is not None
            assert PARAMETER_BY_KEY[found].pid in {p.pid for p in PARAMETERS if p.obd_command == parameter.obd_command}


def test_every_j1979_name_means_one_of_the_parameters_that_bear_it() -> None:
    bearers: dict[tuple[str, ...], set[str]] = {}
    for parameter in PARAMETERS:
        bearers.setdefault(names.words_of(parameter.name), set()).add(parameter.key)
        bearers.setdefault(names.words_of(parameter.key), set()).add(parameter.key)
    for parameter in PARAMETERS:
        assert names.key_of(parameter.name) in bearers[names.words_of(parameter.name)]


def test_no_name_of_the_table_means_two_parameters() -> None:
    seen: dict[tuple[str, ...], str] = {}
    for key, listed in names._table()["names"].items():
        assert key in PARAMETER_BY_KEY, key
        assert isinstance(listed, list)
        for name in listed:
            words = names.words_of(name)
            assert seen.setdefault(words, key) == key, name
            assert names.key_of(name) == key, name


# Units, against an independent library (pint, which python-OBD brings)

PINT_NAMES = {
    "degf": "degF", "°f": "degF", "k": "kelvin", "mph": "mph", "m/s": "m/s", "pa": "Pa", "hpa": "hPa", "mbar": "mbar",
    "bar": "bar", "psi": "psi", "inhg": "inHg", "mmhg": "mmHg",  "atm": "atm", "mpa": "MPa",
    "kg/h": "kg/hour", "kg/s": "kg/s", "lb/min": "lb/min", "lb/h": "lb/hour", "gal/h": "gallon/hour", "mv": "mV",
    "a": "A", "ms": "ms", "us": "us", "min": "min", "h": "hour", "mi": "mile", "m": "m", "lb-ft": "ft * lbf",
    "kg/cm2": "kgf/cm**2",
}  # fmt: skip
PINT_TARGETS = {
    "temperature": ("degC", "degC"), "speed": ("km/h", "km/hour"), "pressure": ("kPa", "kPa"),
    "mass flow": ("g/s", "g/s"), "volume flow": ("L/h", "L/hour"), "voltage": ("V", "V"), "current": ("mA", "mA"),
    "time": ("s", "s"), "distance": ("km", "km"), "torque": ("Nm", "N*m"),
}  # fmt: skip


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("unit", PINT_NAMES)
def test_units_agree_with_pint(unit: str) -> None:
    pint = pytest.importorskip("pint")
    registry = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    ours, theirs = PINT_TARGETS[units.UNITS[unit].quantity]
    change = units.conversion(unit, ours)
    for value in (1.0, 37.5):
        expected = registry.Quantity(value, PINT_NAMES[unit]).to(theirs).magnitude
        assert value * change.factor + change.offset == pytest.approx(expected, rel=2e-6)


def test_worked_conversions() -> None:
    """NIST SP 811: 60 mph = 96.560 64 km/h; 32 degF = 0 degC; 29.92 inHg = 101.32 kPa; 1 lb/min = 7.5599 g/s."""
    for value, unit, target, expected in (
        (60, "mph", "km/h", 96.56064),
        (32, "°F", "degC", 0.0),
        (212, "degF", "degC", 100.0),
        (29.92, "inHg", "kPa", 101.3207),
        (1, "lb/min", "g/s", 7.559873),
        (14200, "mV", "V", 14.2),
        (1.013, "bar", "kPa", 101.3),
        (10, "inH2O", "kPa", 2.490889),  # the conventional inch of water
    ):
        change = units.conversion(unit, target)
        assert value * change.factor + change.offset == pytest.approx(expected, abs=1e-4)


def test_every_unit_of_the_parameters_is_itself() -> None:
    for parameter in PARAMETERS:
        assert not units.conversion(parameter.unit, parameter.unit).changes


def test_an_unknown_unit_is_named(tmp_path: Path) -> None:
    message = r"column 'Vehicle Speed \[furlongs/fortnight\]': unknown unit 'furlongs/fortnight'.*--columns"
    with pytest.raises(ImportFileError, match=message):
        imported(tmp_path, "time_s,Vehicle Speed [furlongs/fortnight]\n0,1\n")


def test_a_unit_of_another_quantity_is_named(tmp_path: Path) -> None:
    with pytest.raises(ImportFileError, match="'rpm' is no unit for a value in km/h"):
        imported(tmp_path, "time_s,Vehicle Speed [rpm]\n0,1\n")


def test_units_in_headers_are_converted(tmp_path: Path) -> None:
    head = "time_s,Speed (mph),Coolant Temp (°F),MAP (psi),Barometric pressure [inHg],Module voltage [mV],MAF (lb/min)"
    result = imported(tmp_path, f"{head}\n0,60,212,14.5,29.92,14200,1\n")
    assert {key: result.values(key)[0] for key in result.keys} == pytest.approx(
        {
            "vehicle_speed": 96.56064, "coolant_temperature": 100.0, "intake_manifold_pressure": 99.97398,
            "barometric_pressure": 101.32075, "control_module_voltage": 14.2, "air_flow": 7.559873,
        }, abs=1e-5,
    )  # fmt: skip


# Times


@pytest.mark.parametrize(
    ("header", "cells", "expected"),
    [
        ("time_s", ("0", "0.5", "2"), (0, 0.5, 2)),
        ("time_s", ("0.25", "0.5", "2"), (0.25, 0.5, 2)),
        ("Timestamp(ms)", ("0", "500", "2100"), (0, 0.5, 2.1)),
        ("time_ms", ("0", "500", "2100"), (0, 0.5, 2.1)),
        ("elapsed (min)", ("0", "0.5", "2"), (0, 30, 120)),
        ("Time", ("19:23:27.775", "19:23:27.894", "19:23:30"), (0, 0.119, 2.225)),
        ("Time", ("9:05:00", "9:05:01", "9:05:02"), (0, 1, 2)),
        ("Time", ("23:59:59.5", "00:00:00.5", "00:00:02"), (0, 1, 2.5)),
        ("Timestamp", ("2026-03-01T07:10:00Z", "2026-03-01T07:10:00.25Z", "2026-03-01T08:10:01+01:00"), (0, 0.25, 1)),
        ("Timestamp", ("2026-03-01 07:10:00", "2026-03-01 07:10:01", "2026-03-01 07:10:02.5"), (0, 1, 2.5)),
        ("Date Time", ("01.03.2026 07:10:00", "01.03.2026 07:10:01", "01.03.2026 07:10:03"), (0, 1, 3)),
        ("Timestamp", ("1772349000", "1772349000.5", "1772349002"), (0, 0.5, 2)),
        ("Timestamp", ("1772349000000", "1772349000500", "1772349002000"), (0, 0.5, 2)),
        ("seconds", ("50000", "50001", "50002"), (0, 1, 2)),
    ],
)
def test_times_of_every_form(tmp_path: Path, header: str, cells: tuple[str, ...], expected: tuple[float, ...]) -> None:
    rows = "".join(f"{cell},{800 + n}\n" for n, cell in enumerate(cells))
    result = imported(tmp_path, f"{header},engine_speed\n{rows}")
    assert result.times("engine_speed") == pytest.approx(expected, abs=1e-5)
    assert result.values("engine_speed") == [800.0, 801.0, 802.0]


@pytest.mark.parametrize(
    ("cell", "start"),
    [
        ("2026-03-01T08:10:00+01:00", datetime(2026, 3, 1, 7, 10, tzinfo=UTC)),
        ("1772349000000", datetime(2026, 3, 1, 7, 10, tzinfo=UTC)),
        ("08:10:00", None),
        ("0", None),
    ],
)
def test_the_start_is_known_only_where_the_file_has_a_date(tmp_path: Path, cell: str, start: datetime | None) -> None:
    assert imported(tmp_path, f"Time,engine_speed\n{cell},800\n").contents.session.started_at == start


def test_what_the_user_says_of_the_start_stands_above_the_file(tmp_path: Path) -> None:
    stated = datetime(2026, 5, 1, 6, 0, tzinfo=UTC)
    options = ImportOptions(started_at=stated)
    result = imported(tmp_path, "Time,engine_speed\n2026-03-01T07:10:00Z,800\n", options=options)
    assert result.contents.session.started_at == stated


def test_a_time_column_in_no_known_unit_is_not_guessed(tmp_path: Path) -> None:
    with pytest.raises(ImportFileError, match=r"names no unit and steps by 100.*\[time\] format"):
        imported(tmp_path, "Time,engine_speed\n0,800\n100,810\n200,820\n")


def test_ambiguous_dates_are_not_guessed(tmp_path: Path) -> None:
    with pytest.raises(ImportFileError, match="times like '03/04/2026 07:10:00' are not understood"):
        imported(tmp_path, "Time,engine_speed\n03/04/2026 07:10:00,800\n")


def test_rows_a_little_out_of_order_are_put_in_place(tmp_path: Path) -> None:
    result = imported(tmp_path, "time_s,engine_speed\n0,800\n1.5,820\n1,810\n2,830\n")
    assert result.values("engine_speed") == [800.0, 810.0, 820.0, 830.0]
    assert any("1 rows stood out of order" in note for note in result.report.notes)


def test_times_that_run_backwards_name_the_line(tmp_path: Path) -> None:
    with pytest.raises(ImportFileError, match=r"line 4: time runs backwards from 60 s to 0 s.*--where"):
        imported(tmp_path, "time_s,engine_speed\n0,800\n60,810\n0,820\n60,830\n")


def test_a_row_without_a_time_is_left_out_and_counted(tmp_path: Path) -> None:
    result = imported(tmp_path, "time_s,engine_speed\n0,800\n,810\nlater,815\n1e999,816\n-inf,817\n2,820\n")
    assert result.values("engine_speed") == [800.0, 820.0]
    assert result.dropped("no readable time") == 4


def test_midnight_counts_once_even_when_rows_swap_around_it() -> None:
    axis = times.make_axis(np.array([86399.0, 0.5, 1.0]) - 86399.0, times.TimeKind.CLOCK)
    assert axis.times.tolist() == [0.0, 1.5, 2.0]


@pytest.mark.parametrize("cell", ["24:00:00", "07:60:00", "7:1:2", "noon", "", "07:10"])
def test_impossible_times_of_day_are_no_times(cell: str) -> None:
    form = times.TimeFormat(times.TimeKind.CLOCK)
    assert np.isnan(times.read_times(pd.Series([cell]), form, 0.0)).all()


# The column map

MAP = """
[table]
separator = ";"
decimal = ","
encoding = "cp1252"
[time]
column = "Uhr"
format = "ms"
[columns]
"Kühlwasser" = "coolant_temperature"
"Luft" = { key = "air_flow", unit = "kg/h" }
"Roh" = { key = "intake_manifold_pressure", scale = 0.5, offset = 10.0 }
"engine_speed" = false
"""


def options_with(folder: Path, text: str) -> ImportOptions:
    path = folder / "map.toml"
    path.write_text(text, "utf-8")
    return ImportOptions(columns=path)


def test_a_column_map_settles_everything(tmp_path: Path) -> None:
    text = "Uhr;Kühlwasser;Luft;Roh;engine_speed\n0;20,5;36;100;800\n1500;21;72;110;810\n"
    result = imported(tmp_path, text.encode("cp1252"), options=options_with(tmp_path, MAP))
    assert result.times("coolant_temperature") == [0.0, 1.5]
    assert result.values("coolant_temperature") == [20.5, 21.0]
    assert result.values("air_flow") == [10.0, 20.0]
    assert result.values("intake_manifold_pressure") == [60.0, 65.0]
    assert [(c.header, c.reason) for c in result.report.ignored] == [("engine_speed", "left out by the column map")]


def test_a_mapped_unit_stands_above_the_header(tmp_path: Path) -> None:
    options = options_with(tmp_path, '[columns]\n"Speed [smoots]" = { key = "vehicle_speed", unit = "mph" }\n')
    assert imported(tmp_path, "time_s,Speed [smoots]\n0,10\n", options=options).values("vehicle_speed") == [16.09344]


def test_a_pattern_reads_any_time(tmp_path: Path) -> None:
    options = options_with(tmp_path, '[time]\nformat = "%d/%m/%Y %H:%M:%S"\n')
    text = "Time,engine_speed\n03/04/2026 07:10:00,800\n03/04/2026 07:10:02,810\n"
    result = imported(tmp_path, text, options=options)
    assert result.times("engine_speed") == [0.0, 2.0]
    assert result.contents.session.started_at == datetime(2026, 4, 3, 7, 10, tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[columns\n", "is no readable column map"),
        ("[colums]\n", "no entry 'colums'; it may hold columns, table, time"),
        ('[columns]\n"A" = "coolant_temprature"\n', "[columns] 'A': 'coolant_temprature' is no parameter key"),
        ('[columns]\n"A" = 5\n', "[columns] 'A' must be a key"),
        ('[columns]\n"A" = { unit = "mph" }\n', "[columns] 'A' does not say which key"),
        ('[columns]\n"A" = { key = "vehicle_speed", unit = "smoot" }\n', "[columns] 'A': unknown unit 'smoot'"),
        ('[columns]\n"A" = { key = "vehicle_speed", scale = "2" }\n', "scale must be a number, not '2'"),
        ('[columns]\n"A" = { key = "vehicle_speed", factor = 2 }\n', "no entry 'factor'"),
        ('[time]\nformat = "fortnights"\n', "time.format is 'fortnights'"),
        ("[time]\ncolumn = 3\n", "time.column must be a text"),
        ('[table]\nseparator = "x"\n', "table.separator is 'x'"),
        ('[table]\nencoding = "klingon"\n', "table.encoding is 'klingon'"),
        ("table = 3\n", "'table' must be a table"),
    ],
)
def test_a_wrong_column_map_names_the_entry(tmp_path: Path, text: str, message: str) -> None:
    path = tmp_path / "map.toml"
    path.write_text(text, "utf-8")
    with pytest.raises(ImportFileError, match=re.escape(message)) as caught:
        read_column_map(path)
    assert str(caught.value).startswith(str(path))
    assert "\n" not in str(caught.value)


def test_a_missing_column_map_is_named(tmp_path: Path) -> None:
    with pytest.raises(ImportFileError, match="no such column map"):
        imported(tmp_path, "time_s,engine_speed\n0,1\n", options=ImportOptions(columns=tmp_path / "none.toml"))


def test_a_mapped_time_column_that_is_not_there_is_named(tmp_path: Path) -> None:
    options = options_with(tmp_path, '[time]\ncolumn = "Uhr"\n')
    with pytest.raises(ImportFileError, match="no column 'Uhr'"):
        imported(tmp_path, "time_s,engine_speed\n0,1\n", options=options)
