"""Decoding against reference tables of SAE J1979, J2012, 40 CFR 86.010-18 and 49 CFR 565.15.

The tables are `j1979_*.csv`; each of their rows names how sure its source is. Worked examples that stand in this file
name their source beside them.
"""

from __future__ import annotations

import csv
import re

import numpy as np
import pytest

from obdwatch.decoding import monitors
from obdwatch.decoding.columns import decode_columns
from obdwatch.decoding.monitors import SCALINGS, decode_results, monitor_name, passed
from obdwatch.decoding.parameter_table import SensorLayout
from obdwatch.decoding.parameters import LENGTHS, decode_fields, fields_of, possible_lengths
from obdwatch.decoding.readiness import decode_readiness
from obdwatch.decoding.trouble_codes import decode_code
from obdwatch.decoding.vehicle_information import vin_check_digit
from obdwatch.records import Parameter
from tests.shared_data import SHARED, shared

UNITS = {"rpm": "1/min", "deg BTDC": "deg", "N*m": "Nm"}
NOT_NUMBERS = {"bitmap", "enum", "DTC"}
FORMULA_WORDS = {"int16": "signed16", "uint32": "whole32"}


def table(name: str) -> list[dict[str, str]]:
    """Rows of a reference table; none where the tables are absent, and then `test_tables_are_there` says so."""
    path = SHARED / "reference" / name
    if not path.exists():
        return []
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


PID_ROWS = table("j1979_pids.csv")
NUMBER_ROWS = [row for row in PID_ROWS if row["unit"] not in NOT_NUMBERS]


def test_tables_are_there() -> None:
    assert shared("reference/j1979_pids.csv").exists()
    assert len(PID_ROWS) >= 125


def row_id(row: dict[str, str]) -> str:
    return f"{row['pid_hex']} {row['part']}".strip()


@pytest.mark.parametrize("row", PID_ROWS, ids=row_id)
def test_the_number_of_bytes_is_a_published_one(row: dict[str, str]) -> None:
    assert int(row["bytes"]) in possible_lengths(int(row["pid_hex"], 16))


def evaluated(formula: str, data: bytes) -> float:
    """Work out a formula of the table, such as `(256*A+B)/4`, with the letters standing for bytes."""
    letters = {letter: int(byte) for letter, byte in zip("ABCDEFGHIJKLM", data, strict=False)}
    ranges = {"A..D": data[0:4], "B..E": data[1:5], "F..I": data[5:9]}
    for text, part in ranges.items():
        formula = formula.replace(text, str(int.from_bytes(part, "big")))
    for word, function in FORMULA_WORDS.items():
        formula = formula.replace(word, function)
    assert re.fullmatch(r"[A-Z0-9a-z*+/().\- ]+", formula), formula
    functions = {"signed16": lambda n: n - 0x10000 if n & 0x8000 else n, "whole32": lambda n: n}
    return float(eval(formula, {"__builtins__": {}}, letters | functions))


def layout_for(row: dict[str, str]) -> SensorLayout:
    """Only cars with four banks have the second bank of a secondary oxygen sensor trim."""
    return SensorLayout.FOUR_BANKS if row["part"] == "second bank" else SensorLayout.TWO_BANKS


def fields_matching(row: dict[str, str], data: bytes, value: float) -> list[Parameter]:
    """The fields of the parameter that have this value for these bytes."""
    pid = int(row["pid_hex"], 16)
    matrix = np.frombuffer(data, dtype=np.uint8).reshape(1, -1)
    return [
        column.parameter
        for column in decode_columns(pid, matrix, layout=layout_for(row))
        if abs(column.values[0] - value) <= 1e-6 * max(1.0, abs(value))
    ]


@pytest.mark.parametrize("row", NUMBER_ROWS, ids=row_id)
def test_one_field_follows_the_formula_for_any_bytes(row: dict[str, str]) -> None:
    pid = int(row["pid_hex"], 16)
    chance = np.random.default_rng(pid)
    candidates = {field.key: field for field in fields_of(pid, layout_for(row))}
    for _ in range(20):
        data = chance.integers(0, 256, size=LENGTHS[pid].bytes, dtype=np.uint8).tobytes()
        same = {field.key for field in fields_matching(row, data, evaluated(row["formula"], data))}
        candidates = {key: field for key, field in candidates.items() if key in same}
    (field,) = candidates.values()
    assert field.unit == UNITS.get(row["unit"], row["unit"])
    # The table prints ranges with fewer digits than the formula gives.
    assert field.minimum == pytest.approx(float(row["min"]), rel=1e-4)
    assert field.maximum == pytest.approx(float(row["max"]), rel=1e-4)


ENUMERATIONS = {0x03: "fuel_system_status", 0x12: "secondary_air_status", 0x51: "fuel_type", 0x1C: "obd_requirements"}


@pytest.mark.parametrize("pid", sorted(ENUMERATIONS))
def test_every_state_that_the_table_numbers_has_a_name(pid: int) -> None:
    (row,) = [row for row in PID_ROWS if int(row["pid_hex"], 16) == pid] or [None]
    if row is None:
        shared("reference/j1979_pids.csv")
    assert row is not None
    base = 16 if pid in (0x03, 0x12) else 10
    numbered = {int(number, base) for number in re.findall(r"(?:^|; )([0-9A-F]{1,2}) ", row["note"])}
    (field,) = [field for field in fields_of(pid) if field.key == ENUMERATIONS[pid]]
    assert numbered
    assert numbered <= set(field.states)


EXAMPLES = table("j1979_examples.csv")


@pytest.mark.parametrize("row", EXAMPLES, ids=lambda row: f"{row['pid_hex']} {row['data_hex']}")
def test_worked_examples_come_out(row: dict[str, str]) -> None:
    decoded = decode_fields(int(row["pid_hex"], 16), bytes.fromhex(row["data_hex"]))
    texts = [text for text in row["value"].split(";") if "not used" not in text]
    expected = [float(found) for text in texts for found in re.findall(r"-?\d+\.?\d*", text)]
    assert len(decoded) == len(expected)
    for value, wanted in zip(decoded.values(), expected, strict=True):
        assert value == pytest.approx(wanted, rel=2e-5, abs=5e-4)


@pytest.mark.parametrize("row", table("j1979_uas.csv"), ids=lambda row: row["uas_hex"])
def test_every_scaling_id_is_known_and_agrees(row: dict[str, str]) -> None:
    scaling = SCALINGS[int(row["uas_hex"], 16)]
    assert scaling.signed == row["signed"].startswith("signed")
    assert scaling.scale == pytest.approx(float(row["scale_per_bit"]), rel=1e-4)  # 1/256 is printed 0.0039062
    assert scaling.offset == float(row["offset"] or 0)
    ends = sorted(scaling.value(raw) for raw in ((0x8000, 0x7FFF) if scaling.signed else (0x0000, 0xFFFF)))
    assert ends == pytest.approx([float(row["min"]), float(row["max"])], rel=1e-4)


@pytest.mark.parametrize("row", table("j1979_mids.csv"), ids=lambda row: row["mid_hex"])
def test_every_monitor_has_the_name_of_the_table(row: dict[str, str]) -> None:
    ours, theirs = monitor_name(int(row["mid_hex"], 16)).lower(), row["monitor"].lower()
    numbers = re.findall(r"\d+", theirs.replace("monitor ids", "")) if "supported" not in theirs else []
    assert re.findall(r"\d+", ours)[: len(numbers)] == numbers or "supported" in ours
    assert set(re.findall(r"misfire|catalyst|heater|purge|boost|air|supported", theirs)) <= set(
        re.findall(r"misfire|catalyst|heater|purge|boost|air|supported", ours)
    )


def test_every_test_id_has_a_name() -> None:
    rows = [row for row in table("j1979_tids.csv") if len(row["tid_hex"]) == 2]
    if not rows:
        shared("reference/j1979_tids.csv")
    assert [row["tid_hex"] for row in rows if monitors.test_name(int(row["tid_hex"], 16)).startswith("Test ")] == []


# Frames with invented limits, scalings of SAE J1979; "a result equal to a limit passes" is 40 CFR 86.010-18(k)(4)(v).
@pytest.mark.parametrize(
    ("frame", "value", "minimum", "maximum", "unit", "verdict"),
    [
        ("46 A2 0B 24 0003 0000 FFFF", 3, 0, 65535, "count", True),
        ("46 01 05 10 0050 0000 00C8", 80, 0, 200, "ms", True),
        ("46 21 80 20 004D 0000 00BF", 0.3008, 0, 0.7461, "ratio", True),
        ("46 35 80 9C FE70 FC18 03E8", -4.0, -10, 10, "deg", True),
        ("46 35 81 9D FFF0 FFF6 000A", -8, -5, 5, "deg", False),
        ("46 81 80 AF F830 F63C 09C4", -20, -25, 25, "%", True),
        ("46 A1 81 2F 00C8 0000 0064", 2, 0, 1, "%", False),
    ],
)
def test_monitor_results_come_out(
    frame: str, value: float, minimum: float, maximum: float, unit: str, verdict: bool
) -> None:
    (result,) = decode_results(bytes.fromhex(frame), 0.0, 0x7E8)
    assert (result.value, result.minimum, result.maximum) == pytest.approx((value, minimum, maximum), abs=5e-5)
    assert result.unit == unit
    assert passed(result) is verdict


# SAE J2012 / ISO 15031-6: two bits letter, two bits first digit, three hexadecimal digits (computed).
@pytest.mark.parametrize(
    ("data", "code"),
    [
        ("0133", "P0133"),
        ("0A0F", "P0A0F"),
        ("1131", "P1131"),
        ("2187", "P2187"),
        ("3401", "P3401"),
        ("4035", "C0035"),
        ("5234", "C1234"),
        ("8001", "B0001"),
        ("9234", "B1234"),
        ("C100", "U0100"),
        ("D123", "U1123"),
        ("E001", "U2001"),
    ],
)
def test_codes_come_out(data: str, code: str) -> None:
    assert decode_code(bytes.fromhex(data)) == code


def test_readiness_comes_out() -> None:
    """81 07 65 04 by the bits of 40 CFR 86.010-18 and SAE J1979 (computed)."""
    readiness = decode_readiness(bytes.fromhex("81 07 65 04"), 0.0, 0x7E8)
    assert (readiness.lamp_on, readiness.code_count, readiness.compression_ignition) == (True, 1, False)
    supported = {name for name, (has, _) in readiness.monitors.items() if has}
    continuous = {"misfire", "fuel_system", "components"}
    assert supported == continuous | {"catalyst", "evaporative_system", "oxygen_sensor", "oxygen_sensor_heater"}
    assert [name for name, (_, complete) in readiness.monitors.items() if not complete] == ["evaporative_system"]


def test_the_check_digit_of_seventeen_ones_is_one() -> None:
    """49 CFR 565.15: the weights add up to 89, and 89 modulo 11 is 1."""
    assert vin_check_digit("1" * 17) == "1"
