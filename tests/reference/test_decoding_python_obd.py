"""Decoding against python-OBD 0.7.3 where it is right, and proof that ours is right where it is not.

python-OBD is used by the adapter to put frames together; its decoders are not used anywhere in the product.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from obdwatch.decoding.freeze_frames import FrameReply, gather_freeze_frames
from obdwatch.decoding.monitors import SCALINGS, decode_results, passed
from obdwatch.decoding.parameters import LENGTHS, PARAMETERS, decode_fields, key_for_name
from obdwatch.decoding.replies import check_reply
from obdwatch.decoding.trouble_codes import decode_codes
from obdwatch.decoding.vehicle_information import decode_texts
from obdwatch.errors import NegativeReply, ReplyError
from obdwatch.records import Parameter

obd = pytest.importorskip("obd", exc_type=ImportError)
UNITS = {"degC": "degree_Celsius", "1/min": "revolutions_per_minute", "V": "volt", "%": "percent", "deg": "degree"}
UNITS |= {"g/s": "gram / second", "km/h": "kilometer / hour", "L/h": "liter / hour", "kPa": "kilopascal"}
# What python-OBD gets wrong or leaves out; each has a test of its own below or no number to compare.
WRONG = {"EVAP_VAPOR_PRESSURE", "EVAP_VAPOR_PRESSURE_ALT", "COMMANDED_EQUIV_RATIO"}


def python_obd(command: str, payload: bytes) -> Any:
    """What a python-OBD command makes of the payload of a message from the engine."""
    from obd.protocols import ECU
    from obd.protocols.protocol import Frame, Message

    message = Message([Frame("")])
    message.data, message.ecu = bytearray(payload), ECU.ENGINE
    return obd.commands[command]([message]).value


def compared() -> list[Parameter]:
    """The parameters that python-OBD has a number for and gets right."""
    return [
        parameter
        for parameter in PARAMETERS
        if parameter.obd_command and parameter.obd_command not in WRONG and _is_number(parameter)
    ]


def _is_number(parameter: Parameter) -> bool:
    data = bytes([0x41, parameter.pid]) + b"\x01" * LENGTHS[parameter.pid].bytes
    return hasattr(python_obd(str(parameter.obd_command), data), "magnitude")


COMPARED = compared()


def test_most_commands_are_compared() -> None:
    assert len(COMPARED) >= 70


@pytest.mark.parametrize("parameter", COMPARED, ids=lambda parameter: parameter.obd_command)
def test_values_agree(parameter: Parameter) -> None:
    chance = np.random.default_rng(parameter.pid)
    command = str(parameter.obd_command)
    for _ in range(20):
        data = chance.integers(1, 256, size=LENGTHS[parameter.pid].bytes, dtype=np.uint8).tobytes()
        theirs = python_obd(command, bytes([0x41, parameter.pid]) + data)
        if 0x55 <= parameter.pid <= 0x58:
            theirs = python_obd(command, bytes([0x41, parameter.pid]) + data[:1])
        # python-OBD divides 8 V by 65535 instead of 65536.
        assert decode_fields(parameter.pid, data)[parameter.key] == pytest.approx(theirs.magnitude, rel=1e-4)


@pytest.mark.parametrize("parameter", [p for p in PARAMETERS if p.obd_command], ids=lambda p: p.obd_command)
def test_every_command_name_leads_to_its_parameter(parameter: Parameter) -> None:
    command = obd.commands[parameter.obd_command]
    assert int(command.command[2:4], 16) == parameter.pid
    assert key_for_name(command.name) == key_for_name(command.name.lower()) == parameter.key


def test_every_command_of_service_01_has_a_parameter() -> None:
    assert [command.name for command in obd.commands[1] if command and key_for_name(command.name) is None] == []


@pytest.mark.parametrize("scaling", sorted(set(SCALINGS) - {0x2E}))  # python-OBD makes a truth value of 2E
def test_scalings_agree(scaling: int) -> None:
    from obd.UnitsAndScaling import UAS_IDS

    for raw in (0x0000, 0x0001, 0x1234, 0x7FFF, 0x8000, 0xFFFF):
        theirs = UAS_IDS[scaling](raw.to_bytes(2, "big")).magnitude
        assert SCALINGS[scaling].value(raw) == pytest.approx(theirs, rel=1e-4, abs=1e-9)


def test_every_scaling_of_python_obd_is_known() -> None:
    from obd.UnitsAndScaling import UAS_IDS

    assert set(UAS_IDS) <= set(SCALINGS)


# From here on: what python-OBD gets wrong, shown with it, and what is right.


@pytest.mark.parametrize(
    ("request_hex", "payload", "command", "theirs"),
    [
        ("010C", "7F0112", "RPM", 1152.0),  # a refusal
        ("010C", "410D1AF8", "RPM", 1726.0),  # another parameter's answer
        ("010C", "410C1A", "RPM", 1664.0),  # cut off
        ("0105", "4105", "COOLANT_TEMP", -40.0),  # cut off
    ],
)
def test_an_error_is_not_a_number(request_hex: str, payload: str, command: str, theirs: float) -> None:
    assert python_obd(command, bytes.fromhex(payload)).magnitude == theirs
    with pytest.raises(ReplyError):
        check_reply(bytes.fromhex(request_hex), bytes.fromhex(payload))


def test_no_codes_and_an_error_are_not_the_same() -> None:
    assert python_obd("GET_DTC", bytes.fromhex("4300")) == python_obd("GET_DTC", bytes.fromhex("7F0311")) == []
    assert decode_codes(bytes.fromhex("4300"), can=True) == ()
    with pytest.raises(NegativeReply):
        check_reply(b"\x03", bytes.fromhex("7F0311"))


def test_erasing_refused_is_not_erased() -> None:
    assert python_obd("CLEAR_DTC", bytes.fromhex("44")) is python_obd("CLEAR_DTC", bytes.fromhex("7F0422")) is None
    check_reply(b"\x04", b"\x44")
    with pytest.raises(NegativeReply):
        check_reply(b"\x04", bytes.fromhex("7F0422"))


def test_letters_in_codes_are_capitals() -> None:
    assert python_obd("GET_DTC", bytes.fromhex("43010A0F"))[0][0] == "P0a0f"
    assert decode_codes(bytes.fromhex("43010A0F"), can=True) == ("P0A0F",)


def test_permanent_codes_exist() -> None:
    assert not obd.commands.has_pid(0x0A, 0)
    assert decode_codes(bytes.fromhex("4A010171"), can=True) == ("P0171",)


def test_a_freeze_frame_is_read_behind_its_number() -> None:
    """83 degC in frame 0: python-OBD takes the frame number for the temperature."""
    payload = bytes.fromhex("4205007B")
    assert python_obd("DTC_COOLANT_TEMP", payload).magnitude == -40
    (frame,) = gather_freeze_frames([FrameReply(0.0, 0x7E8, payload)])
    assert frame.values["coolant_temperature"] == 83.0


def test_calibration_ids_keep_their_ends() -> None:
    payload = bytes.fromhex("490401") + b"00001234".ljust(16, b"\x00")
    assert bytes(python_obd("CALIBRATION_ID", payload)) == b"34"
    assert decode_texts(payload, can=True) == ("00001234",)


@pytest.mark.parametrize("data", ["FF38", "0080", "8000", "01FF"])
def test_evaporative_pressure_is_one_number_of_two_bytes(data: str) -> None:
    """SAE J1979 parameter 32: two's complement of 16 bits, a quarter of a Pascal; FF38 is -50 Pa (computed)."""
    signed = int.from_bytes(bytes.fromhex(data), "big", signed=True)
    assert decode_fields(0x32, bytes.fromhex(data)) == {"evap_vapour_pressure": signed / 4}
    wrong = python_obd("EVAP_VAPOR_PRESSURE", bytes.fromhex("4132" + data)).magnitude != signed / 4
    assert wrong == bool(int(data[2:], 16) & 0x80)


def test_wide_evaporative_pressure_is_twos_complement() -> None:
    assert python_obd("EVAP_VAPOR_PRESSURE_ALT", bytes.fromhex("41540000")).magnitude == -32767
    assert decode_fields(0x54, bytes.fromhex("0000")) == {"evap_vapour_pressure_wide": 0.0}


def test_an_equivalence_ratio_of_one_is_one() -> None:
    assert python_obd("COMMANDED_EQUIV_RATIO", bytes.fromhex("41448000")).magnitude != 1.0
    assert decode_fields(0x44, bytes.fromhex("8000")) == {"commanded_equivalence_ratio": 1.0}


@pytest.mark.parametrize(
    ("command", "pid", "data", "lost"),
    [
        ("O2_B1S1", 0x14, "5A80", "oxygen_sensor_fuel_trim_bank_1_sensor_1"),
        ("O2_S1_WR_VOLTAGE", 0x24, "80007FFF", "oxygen_sensor_equivalence_ratio_bank_1_sensor_1"),
        ("O2_S1_WR_CURRENT", 0x34, "7FB28030", "oxygen_sensor_equivalence_ratio_by_current_bank_1_sensor_1"),
    ],
)
def test_both_halves_of_an_oxygen_sensor_are_read(command: str, pid: int, data: str, lost: str) -> None:
    single = python_obd(command, bytes([0x41, pid]) + bytes.fromhex(data))
    decoded = decode_fields(pid, bytes.fromhex(data))
    assert hasattr(single, "magnitude")  # one number where there are two
    assert lost in decoded
    assert len(decoded) == 2


@pytest.mark.parametrize("pid", [0x5F + 1, 0x61, 0x67, 0x7F, 0x9D, 0xA6])
def test_there_are_parameters_above_5f(pid: int) -> None:
    assert not obd.commands.has_pid(1, pid)
    assert decode_fields(pid, b"\xff" * LENGTHS[pid].bytes)


def test_an_unknown_scaling_does_not_lose_the_test() -> None:
    payload = bytes.fromhex("46A20B770003000000FF")
    assert len(python_obd("MONITOR_MISFIRE_CYLINDER_1", payload).tests) == 0
    assert len(decode_results(payload, 0.0, 0x7E8)) == 1


def test_a_test_that_has_not_run_has_not_passed() -> None:
    payload = bytes.fromhex("46A20B24000000000000")
    (theirs,) = python_obd("MONITOR_MISFIRE_CYLINDER_1", payload).tests
    assert theirs.passed
    (ours,) = decode_results(payload, 0.0, 0x7E8)
    assert passed(ours) is None
