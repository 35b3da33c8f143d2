"""The table of codes: every code, the right component, the right failure type, the right place.

Places are typed here by hand from SAE J2012 (from memory, and common knowledge of the trade); meaning is compared
with python-OBD's list, which was written by others.
"""

from __future__ import annotations

import re

import pytest

from obdwatch.explanations.code_structure import DefinedBy, parse_code
from obdwatch.explanations.code_table import (
    RESERVED,
    UNSURE,
    all_facts,
    component_of,
    facts_of,
    unsure_because,
)
from obdwatch.explanations.codes import explain
from obdwatch.explanations.compose import CONDITION, CONDITIONS
from obdwatch.explanations.explanation import Place
from obdwatch.explanations.toml_sections import table, text_of
from tests.explanations.independent_words import COMPONENT_WORDS, DECIDED, FAULT_WORDS

UNDECIDED_SHARE = 0.05  # of its descriptions may use words that the families do not know


@pytest.fixture(scope="module")
def independent() -> dict[str, str]:
    codes = pytest.importorskip("obd.codes")
    return {code.upper(): text for code, text in codes.DTC.items()}


def test_every_code_of_the_independent_list_is_here_and_many_more(independent: dict[str, str]) -> None:
    ours = {facts.code for facts in all_facts()}
    assert len(independent) == 2066
    assert not sorted(set(independent) - ours)
    assert len(ours - set(independent)) > 600


def test_components_agree_with_the_independent_list(independent: dict[str, str]) -> None:
    wrong, unknown = _compared(independent, COMPONENT_WORDS, "component")
    assert {code for code, *_ in wrong} == set(DECIDED), [item for item in wrong if item[0] not in DECIDED]
    assert len(unknown) < UNDECIDED_SHARE * len(independent), unknown


def test_failure_types_agree_with_the_independent_list(independent: dict[str, str]) -> None:
    wrong, unknown = _compared(independent, FAULT_WORDS, "fault")
    assert not wrong
    assert len(unknown) < len(independent) / 2  # descriptions that name no failure type ("... Circuit")


def test_cylinders_and_letters_agree_with_the_independent_list(independent: dict[str, str]) -> None:
    wrong = []
    for code, text in independent.items():
        facts = facts_of(code)
        assert facts is not None
        cylinder = re.search(r"Cylinder #?(\d+)", text)
        letter = re.search(r"'([A-L])'(?! Camshaft| ?/)", text)
        if cylinder and facts.place.cylinder != int(cylinder.group(1)):
            wrong.append((code, text, facts.place))
        if (
            letter
            and not re.search(r"Camshaft Position -|Correlation", text)
            and not _letter_is_said(facts, letter.group(1))
        ):
            wrong.append((code, text, facts.place))
    assert not wrong


def _letter_is_said(facts: object, letter: str) -> bool:
    place = facts.place  # type: ignore[attr-defined]
    named = facts.component.endswith(f"_{letter.lower()}")  # type: ignore[attr-defined]
    return letter in (place.circuit or "") or named or place.cam is not None


def test_reserved_numbers_are_those_of_the_independent_list(independent: dict[str, str]) -> None:
    theirs = {code for code, text in independent.items() if "Reserved" in text}
    assert {facts.code for facts in all_facts() if facts.fault == RESERVED} == theirs


def _compared(
    independent: dict[str, str], families: tuple[tuple[str, str], ...], what: str
) -> tuple[list[tuple[str, str, str]], list[str]]:
    wrong, unknown = [], []
    for code, text in independent.items():
        facts = facts_of(code)
        assert facts is not None
        if "Reserved" in text:
            continue
        ours = getattr(facts, what)
        expected = next((ids for words, ids in families if re.search(words, text)), None)
        if expected is None:
            unknown.append(code)
        elif what == "fault" and ours == CONDITION:
            continue  # a condition says in words what the failure type would
        elif not (re.search if what == "component" else re.fullmatch)(expected, ours):
            wrong.append((code, text, ours))
    return wrong, unknown


@pytest.mark.parametrize(
    ("code", "component", "place"),
    [
        ("P0131", "oxygen_sensor", Place(bank=1, sensor=1)),
        ("P0137", "oxygen_sensor", Place(bank=1, sensor=2)),
        ("P0143", "oxygen_sensor", Place(bank=1, sensor=3)),
        ("P0151", "oxygen_sensor", Place(bank=2, sensor=1)),
        ("P0157", "oxygen_sensor", Place(bank=2, sensor=2)),
        ("P0163", "oxygen_sensor", Place(bank=2, sensor=3)),
        ("P0135", "oxygen_sensor_heater", Place(bank=1, sensor=1)),
        ("P0141", "oxygen_sensor_heater", Place(bank=1, sensor=2)),
        ("P0155", "oxygen_sensor_heater", Place(bank=2, sensor=1)),
        ("P0161", "oxygen_sensor_heater", Place(bank=2, sensor=2)),
        ("P0030", "oxygen_sensor_heater", Place(bank=1, sensor=1)),
        ("P0036", "oxygen_sensor_heater", Place(bank=1, sensor=2)),
        ("P0042", "oxygen_sensor_heater", Place(bank=1, sensor=3)),
        ("P0050", "oxygen_sensor_heater", Place(bank=2, sensor=1)),
        ("P0056", "oxygen_sensor_heater", Place(bank=2, sensor=2)),
        ("P0062", "oxygen_sensor_heater", Place(bank=2, sensor=3)),
        ("P0053", "oxygen_sensor_heater", Place(bank=1, sensor=1)),
        ("P0060", "oxygen_sensor_heater", Place(bank=2, sensor=2)),
        ("P2195", "oxygen_sensor", Place(bank=1, sensor=1)),
        ("P2196", "oxygen_sensor", Place(bank=1, sensor=1)),
        ("P2197", "oxygen_sensor", Place(bank=2, sensor=1)),
        ("P2270", "oxygen_sensor", Place(bank=1, sensor=2)),
        ("P2272", "oxygen_sensor", Place(bank=2, sensor=2)),
        ("P2A00", "oxygen_sensor", Place(bank=1, sensor=1)),
        ("P2A01", "oxygen_sensor", Place(bank=1, sensor=2)),
        ("P2A03", "oxygen_sensor", Place(bank=2, sensor=1)),
        ("P2A04", "oxygen_sensor", Place(bank=2, sensor=2)),
        ("P0171", "mixture", Place(bank=1)),
        ("P0172", "mixture", Place(bank=1)),
        ("P0174", "mixture", Place(bank=2)),
        ("P0175", "mixture", Place(bank=2)),
        ("P2187", "mixture_idle", Place(bank=1)),
        ("P2189", "mixture_idle", Place(bank=2)),
        ("P0420", "catalyst", Place(bank=1)),
        ("P0430", "catalyst", Place(bank=2)),
        ("P0010", "cam_actuator", Place(bank=1, cam="intake")),
        ("P0011", "cam_actuator", Place(bank=1, cam="intake")),
        ("P0014", "cam_actuator", Place(bank=1, cam="exhaust")),
        ("P0021", "cam_actuator", Place(bank=2, cam="intake")),
        ("P0024", "cam_actuator", Place(bank=2, cam="exhaust")),
        ("P2088", "cam_actuator", Place(bank=1, cam="intake")),
        ("P2095", "cam_actuator", Place(bank=2, cam="exhaust")),
        ("P0016", "crank_cam", Place(bank=1, cam="intake")),
        ("P0017", "crank_cam", Place(bank=1, cam="exhaust")),
        ("P0018", "crank_cam", Place(bank=2, cam="intake")),
        ("P0019", "crank_cam", Place(bank=2, cam="exhaust")),
        ("P0340", "cam_sensor", Place(bank=1, circuit="A")),
        ("P0345", "cam_sensor", Place(bank=2, circuit="A")),
        ("P0365", "cam_sensor", Place(bank=1, circuit="B")),
        ("P0390", "cam_sensor", Place(bank=2, circuit="B")),
        ("P0301", "misfire_cylinder", Place(cylinder=1)),
        ("P0312", "misfire_cylinder", Place(cylinder=12)),
        ("P0203", "fuel_injector", Place(cylinder=3)),
        ("P0270", "fuel_injector", Place(cylinder=4)),
        ("P0351", "ignition_coil", Place(circuit="A")),
        ("P0356", "ignition_coil", Place(circuit="F")),
        ("P2303", "ignition_coil", Place(circuit="B")),
        ("P2004", "intake_runner", Place(bank=1)),
        ("P2007", "intake_runner", Place(bank=2)),
        ("P0491", "secondary_air", Place(bank=1)),
        ("P2122", "pedal_position_sensor", Place(circuit="D")),
        ("P0122", "throttle_position_sensor", Place(circuit="A")),
        ("P2138", "pedal_position_sensors", Place(circuit="D/E")),
        ("P3401", "deactivation_intake", Place(cylinder=1)),
        ("P3496", "deactivation_exhaust", Place(cylinder=12)),
        ("P0A80", "hybrid_battery_replace", Place()),
        ("P0B3D", "hybrid_voltage_sense", Place(circuit="A")),
        ("P0B47", "hybrid_voltage_sense", Place(circuit="C")),
        ("P0B6A", "hybrid_voltage_sense", Place(circuit="J")),
        ("P0B8D", "hybrid_voltage_sense", Place(circuit="Q")),
        ("P0AC7", "hybrid_battery_temperature_sensor", Place(circuit="B")),
        ("P0AEA", "hybrid_battery_temperature_sensor", Place(circuit="D")),
        ("P0AAE", "hybrid_battery_air_temperature_sensor", Place(circuit="A")),
        ("P0AEF", "drive_motor_inverter_temperature_sensor", Place(circuit="A")),
        ("P0BCF", "generator_inverter_temperature_sensor", Place()),
        ("U0455", "occupant_module", Place()),
        ("U0100", "engine_computer_a", Place()),
        ("U0121", "abs_module", Place()),
        ("U0155", "instrument_module", Place()),
    ],
)
def test_component_and_place(code: str, component: str, place: Place) -> None:
    facts = facts_of(code)
    assert facts is not None
    assert (facts.component, facts.place) == (component, place)


@pytest.mark.parametrize(
    ("code", "fault"),
    [
        ("P0102", "low"),
        ("P0103", "high"),
        ("P0117", "low"),
        ("P0118", "high"),
        ("P0116", "range"),
        ("P0133", "slow"),
        ("P0134", "no_activity"),
        ("P0171", "too_lean"),
        ("P0172", "too_rich"),
        ("P0011", "advanced"),
        ("P0012", "retarded"),
        ("P0040", "swapped"),
        ("P0041", "swapped"),
        ("P0087", "too_low"),
        ("P0088", "too_high"),
        ("P0401", "insufficient_flow"),
        ("P0402", "excessive_flow"),
        ("P0506", "too_low"),
        ("P0507", "too_high"),
        ("P0562", "too_low"),
        ("P0563", "too_high"),
        ("P2004", "stuck_open"),
        ("P2006", "stuck_closed"),
        ("P0741", "stuck_off"),
        ("P0742", "stuck_on"),
        ("P2135", "correlation"),
        ("P2195", "stuck_lean"),
        ("P2196", "stuck_rich"),
        ("P0700", "request"),
        ("U0100", "lost_communication"),
        ("U0401", "invalid_data"),
        ("P2763", "high"),
        ("P2764", "low"),
    ],
)
def test_failure_type(code: str, fault: str) -> None:
    facts = facts_of(code)
    assert facts is not None
    assert facts.fault == fault


def test_rows_are_unique_sorted_and_complete() -> None:
    rows = list(all_facts())
    codes = [facts.code for facts in rows]
    assert codes == sorted(set(codes))
    for facts in rows:
        assert parse_code(facts.code).defined_by is not DefinedBy.MAKER, f"{facts.code} is a maker's own number"
        if facts.fault == CONDITION:
            assert table(CONDITIONS, facts.component), facts
        elif facts.fault != RESERVED:
            assert component_of(facts.component), facts


def test_both_banks_have_the_same_faults() -> None:
    """What exists for bank 1 exists for bank 2, but for a few systems that the standard gives one bank only."""
    kinds: dict[int, set[tuple[str, str, int | None, str | None]]] = {1: set(), 2: set()}
    for facts in all_facts():
        if facts.place.bank:
            kinds[facts.place.bank].add((facts.component, facts.fault, facts.place.sensor, facts.place.cam))
    one_sided = {component for component, *_ in kinds[1] ^ kinds[2]}
    assert one_sided <= {
        "filter_pressure_difference", "filter_cleaning_temperature", "reductant_system", "manifold_air_flow",
        "charge_intake_air", "intake_air_temperature_sensor",
    }  # fmt: skip


# SAE J2012, from memory, and read in tables that makers publish for certification.
@pytest.mark.parametrize(
    ("code", "component", "fault", "place"),
    [
        ("B0021", "airbag_curtain", "deployment", Place(circuit="1", position="left")),
        ("B002A", "airbag_curtain", "deployment", Place(circuit="2", position="right")),
        ("B0070", "belt_tensioner_driver", "deployment", Place()),
        ("B0098", "crash_sensor_side", "circuit", Place(circuit="3", position="right")),
        ("C0010", "abs_inlet_valve", "circuit", Place(position="front left")),
        ("C001D", "abs_outlet_valve", "circuit", Place(position="rear right")),
        ("C0044", "brake_pressure_sensor", "circuit", Place(circuit="A")),
        ("P06B1", "sensor_power_supply", "low", Place(circuit="A")),
        ("P06B5", "sensor_power_supply", "high", Place(circuit="B")),
        ("P0BE6", "phase_u_current_sensor", "range", Place(circuit="A")),
        ("P0BEA", "phase_v_current_sensor", "range", Place(circuit="A")),
        ("P0C0D", "inverter_supply", "high", Place(circuit="A")),
        ("P0C11", "inverter_phase_u", "too_hot", Place(circuit="A")),
        ("P0C79", "inverter_voltage", "too_high", Place(circuit="A")),
        ("P2815", "pressure_control_solenoid", "high", Place(circuit="G")),
        ("P281D", "pressure_control_solenoid", "low", Place(circuit="H")),
        ("P2832", "shift_fork_sensor", "range", Place(circuit="A")),
        ("P2837", "shift_fork_sensor", "range", Place(circuit="B")),
        ("P00A7", "intake_air_temperature_sensor", "low", Place(bank=2, sensor=2)),
        ("P011D", "charge_intake_air", "correlation", Place(bank=2)),
        ("P04DB", "crankcase_ventilation_off", "condition", Place()),
        ("P052E", "crankcase_valve", "performance", Place()),
        ("P055F", "oil_pressure_out_of_range", "condition", Place()),
        ("P2BAD", "nox_output", "nox_unknown", Place()),
        ("U0447", "gateway_a", "invalid_data", Place()),
        ("U0452", "airbag_module", "invalid_data", Place()),
        ("U0594", "hybrid_control_module", "invalid_data", Place()),
    ],
)
def test_rows_beyond_the_independent_list(code: str, component: str, fault: str, place: Place) -> None:
    facts = facts_of(code)
    assert facts is not None
    assert (facts.component, facts.fault, facts.place) == (component, fault, place)
    assert unsure_because(code) is None


def test_a_meaning_we_are_not_sure_of_says_so() -> None:
    rows = [line.split(",") for line in text_of(UNSURE).splitlines()[1:]]
    assert [code for code, _ in rows] == sorted({code for code, _ in rows})
    for code, why in rows:
        assert facts_of(code) is not None, code
        assert why in ("order", "memory"), code
        assert "Make sure with the manual." in explain(code).meaning, code
    assert {"U0448", "U0453", "U0500", "B0054", "P0C64"} <= {code for code, _ in rows}
    assert "Make sure" not in explain("P0171").meaning


def test_data_that_make_no_sense_follow_the_list_of_lost_communication() -> None:
    """From U0146 on the standard repeats its list of units 301 numbers later: U0447, U0452 and U0594 are certain."""
    lost = {facts.code: facts.component for facts in all_facts() if facts.fault == "lost_communication"}
    for facts in all_facts():
        number = int(facts.code[1:], 16) if facts.code.startswith(("U04", "U05")) else 0
        if facts.fault == "invalid_data" and number >= 0x447:
            twin = f"U{int(facts.code[1:]) - 301:04d}"
            assert lost[twin] == facts.component, (facts.code, twin)
