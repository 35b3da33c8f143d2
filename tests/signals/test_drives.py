"""From session contents to a drive: right values at the right times, and nothing that was not said."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from obdwatch.decoding.monitors import result_of
from obdwatch.decoding.parameters import decode_fields
from obdwatch.decoding.replies import check_reply, split_parameters
from obdwatch.errors import ReplyError, SessionFileError
from obdwatch.recording.session_file import SessionWriter
from obdwatch.records import CodeKind, CodeReading, Drive, Exchange, ReplyStatus, Session
from obdwatch.signals.drives import drive_from, load_drive
from tests.signals.recordings import ENGINE, GEARBOX, answered, contents_of, voltage


def series(drive: Drive, key: str) -> list[tuple[float, float]]:
    signal = drive.signals[key]
    return list(zip(signal.times.tolist(), signal.values.tolist(), strict=True))


def test_a_value_belongs_to_the_middle_of_its_exchange() -> None:
    drive = drive_from(contents_of([answered(10.0, "01 0C", "41 0C 1A F8", latency=0.04)]))
    assert series(drive, "engine_speed") == [(10.02, 1726.0)]
    assert drive.signals["engine_speed"].unit == "1/min"
    assert drive.signals["engine_speed"].ecu == ENGINE


def test_several_parameters_in_one_reply_are_told_apart_in_any_order() -> None:
    exchanges = [
        answered(1, "01 0C 0D 05", "41 0C 1A F8 0D 3C 05 7B"),
        answered(2, "01 0C 0D 05", "41 05 7C 0D 3D 0C 1A FC"),
        answered(3, "01 0C 0D 05", "41 0C 1B 00 0D 3E"),
    ]
    drive = drive_from(contents_of(exchanges))
    assert series(drive, "engine_speed") == [(1, 1726), (2, 1727), (3, 1728)]
    assert series(drive, "vehicle_speed") == [(1, 60), (2, 61), (3, 62)]
    assert series(drive, "coolant_temperature") == [(1, 83), (2, 84)]
    assert drive.problems == ()


@pytest.mark.parametrize(
    "payload",
    ["41 0D 1A F8", "7F 01 12 00", "41 0C 1A", "41 0C 1A F8 00", "42 0C 1A F8", "41", "41 0C 1A F8 0C 1A F8"],
)
def test_a_reply_that_does_not_fit_gives_no_value_and_is_counted(payload: str) -> None:
    good = answered(1, "01 0C", "41 0C 1A F8")
    drive = drive_from(contents_of([answered(0, "01 0C", payload), good, answered(2, "01 0C", payload)]))
    assert series(drive, "engine_speed") == [(1, 1726)]
    assert drive.problems == ("2 replies did not fit the request and gave no value",)


@pytest.mark.parametrize("status", [status for status in ReplyStatus if status is not ReplyStatus.OK])
def test_only_an_exchange_that_went_well_gives_values(status: ReplyStatus) -> None:
    exchange = Exchange(0.0, 0.0, b"\x01\x0c", ENGINE, status, b"\x41\x0c\x1a\xf8")
    assert dict(drive_from(contents_of([exchange])).signals) == {}


byte = st.integers(0, 255)
nearly_right = st.one_of(
    st.tuples(st.just(0x41), st.just(0x0C), byte, byte, st.just(0x0D), byte).map(bytes),
    st.tuples(st.just(0x41), st.just(0x0D), byte, st.just(0x0C), byte, byte).map(bytes),
    st.tuples(st.just(0x41), st.sampled_from([0x0C, 0x0D, 0x05]), byte, byte).map(bytes),
    st.tuples(st.sampled_from([0x41, 0x42, 0x7F]), byte, byte, byte, byte, byte).map(bytes),
    st.binary(min_size=1, max_size=7),
)


@given(st.lists(nearly_right, max_size=30))
@settings(deadline=None)
def test_columns_give_what_single_replies_give(payloads: list[bytes]) -> None:
    request = bytes.fromhex("01 0C 0D 05")
    exchanges = [
        Exchange(float(place), 0.0, request, ENGINE, ReplyStatus.OK, payload) for place, payload in enumerate(payloads)
    ]
    expected: dict[float, dict[str, float]] = {}
    for exchange, payload in zip(exchanges, payloads, strict=True):
        try:
            check_reply(request, payload)
        except ReplyError:
            continue
        parts = split_parameters(payload)
        expected[exchange.t] = {key: value for pid, data in parts for key, value in decode_fields(pid, data).items()}
    drive = drive_from(contents_of(exchanges))
    for key, signal in drive.signals.items():
        assert all(expected[t][key] == value for t, value in series(drive, key)), key
        missing = {t for t, values in expected.items() if key in values} - set(signal.times.tolist())
        assert len(missing) == sum(_dropped(problem, key) for problem in drive.problems)


def _dropped(problem: str, key: str) -> int:
    return int(problem.split()[1]) if problem.startswith(f"{key}:") else 0


def test_the_engine_has_the_plain_key_and_others_their_address() -> None:
    exchanges = [
        answered(0, "01 0C", "41 0C 1A F8"),
        answered(0, "01 0D", "41 0D 3C"),
        *(answered(t, "01 0D", "41 0D 3D", GEARBOX) for t in range(3)),
        answered(0, "01 A4", "41 A4 03 30 05 DC", GEARBOX),
    ]
    drive = drive_from(contents_of(exchanges))
    assert series(drive, "vehicle_speed") == [(0, 60)]
    assert len(drive.signals["vehicle_speed@7E9"].times) == 3
    assert drive.signals["vehicle_speed@7E9"].unit == "km/h"
    assert drive.signals["actual_gear"].ecu == GEARBOX  # nobody else has it


def test_a_few_lost_replies_do_not_make_the_gearbox_the_engine() -> None:
    both = [answered(t, "01 0C", "41 0C 1A F8", ecu) for t in range(10) for ecu in (ENGINE, GEARBOX)]
    drive = drive_from(contents_of(both[1:]))  # the engine's first reply is missing
    assert drive.signals["engine_speed"].ecu == ENGINE
    assert len(drive.signals["engine_speed"].times) == 9


def test_a_stray_reply_of_a_low_address_does_not_make_it_the_engine() -> None:
    replies = [answered(t, "01 0C", "41 0C 1A F8", GEARBOX) for t in range(10)]
    drive = drive_from(contents_of([*replies, answered(3.5, "01 0C", "41 0C 0B B8", 0x7E1)]))
    assert drive.signals["engine_speed"].ecu == GEARBOX


def test_a_car_that_names_another_full_scale_is_read_by_it_throughout() -> None:
    exchanges = [
        answered(0, "01 0B", "41 0B FF"),
        answered(1, "01 4F", "41 4F 00 00 00 33"),
        answered(2, "01 0B", "41 0B 80"),
        answered(3, "01 0B", "41 0B 80", GEARBOX),
    ]
    drive = drive_from(contents_of(exchanges))
    assert series(drive, "intake_manifold_pressure")[0] == (0, 510)
    assert series(drive, "intake_manifold_pressure@7E9") == [(3, 128)]  # another unit, not rescaled


def test_a_damaged_maximum_loses_against_the_repeated_one() -> None:
    maxima = [answered(t, "01 4F", f"41 4F 00 00 00 {value}") for t, value in enumerate(("33", "73", "33"))]
    drive = drive_from(contents_of([*maxima, answered(5, "01 0B", "41 0B FF")]))
    assert series(drive, "intake_manifold_pressure") == [(5, 510)]


@pytest.mark.parametrize("told_by", ["reply", "support"])
def test_oxygen_sensors_are_named_by_the_layout_of_the_control_unit(told_by: str) -> None:
    exchanges = [answered(0, "01 18", "41 18 64 80")]
    session = Session("test", None, supported={ENGINE: (0x18, 0x1D)} if told_by == "support" else {})
    if told_by == "reply":
        exchanges.append(answered(1, "01 1D", "41 1D 0F"))
    drive = drive_from(contents_of(exchanges, session))
    assert series(drive, "oxygen_sensor_voltage_bank_3_sensor_1") == [(0, 0.5)]
    assert "oxygen_sensor_voltage_bank_2_sensor_1" not in drive.signals


def test_fields_that_the_car_does_not_support_are_no_signals() -> None:
    drive = drive_from(contents_of([answered(0, "01 67", "41 67 01 82 00"), answered(1, "01 14", "41 14 5A FF")]))
    assert set(drive.signals) == {"coolant_temperature_sensor_1", "oxygen_sensor_voltage_bank_1_sensor_1"}


def test_support_bitmaps_are_no_signals() -> None:
    assert dict(drive_from(contents_of([answered(0, "01 00", "41 00 BE 1F A8 13")])).signals) == {}


def test_the_voltage_of_the_adapter_is_a_signal_and_other_text_is_none() -> None:
    texts = [b"12.3V", b"12.4", b"12.5v\r", b"?", b"ERR", b"", b"123.4V", b"-1.0V", b"12V", b"\xff\xfe", b"1e3V"]
    drive = drive_from(contents_of([voltage(t, text) for t, text in enumerate(texts)]))
    assert series(drive, "adapter_voltage") == [(0, 12.3), (1, 12.4), (2, 12.5)]
    assert drive.signals["adapter_voltage"].unit == "V"
    assert drive.problems == ("7 voltage readings of the adapter gave no number and no value",)


def test_times_are_in_order_and_no_instant_has_two_values() -> None:
    exchanges = [
        answered(3, "01 05", "41 05 7D"),
        answered(1, "01 05", "41 05 7B"),
        answered(2, "01 05 0D", "41 05 7C 0D 3C"),
        answered(2, "01 05", "41 05 7E"),
    ]
    drive = drive_from(contents_of(exchanges))
    assert [t for t, _ in series(drive, "coolant_temperature")] == [1, 2, 3]


def test_imported_samples_that_cannot_be_are_left_out_and_counted() -> None:
    times = np.arange(6.0)
    values = np.array([80.0, np.nan, np.inf, -41.0, 215.0, 216.0])
    drive = drive_from(contents_of(samples={"coolant_temperature": (times, values)}))
    assert series(drive, "coolant_temperature") == [(0, 80), (4, 215)]
    assert drive.problems == ("coolant_temperature: 4 values left out: no number, or outside -40 to 215 degC",)


def test_an_imported_column_that_no_standard_knows_is_kept_without_unit() -> None:
    drive = drive_from(contents_of(samples={"cabin_noise": (np.array([1.0, 2.0]), np.array([60.0, 61.0]))}))
    assert series(drive, "cabin_noise") == [(1, 60), (2, 61)]
    assert drive.signals["cabin_noise"].unit == ""


def test_a_boosted_engine_may_import_more_pressure_than_one_byte_holds() -> None:
    samples = {"intake_manifold_pressure": (np.array([0.0]), np.array([290.0]))}
    assert series(drive_from(contents_of(samples=samples)), "intake_manifold_pressure") == [(0, 290)]


def test_a_single_flipped_digit_is_a_gap_and_is_said() -> None:
    exchanges = [answered(t, "01 05", f"41 05 {0x7B if t != 5 else 0x3B:02X}") for t in range(10)]
    drive = drive_from(contents_of(exchanges))
    assert len(drive.signals["coolant_temperature"].times) == 9
    assert "1 single value far from both neighbours left out" in drive.problems[0]


def test_codes_are_read_from_either_link_and_no_codes_are_none() -> None:
    exchanges = [
        answered(0, "03", "43 01 01 33"),
        answered(1, "07", "47 00"),
        answered(2, "0A", "4A 01 0A 0F"),
        answered(3, "03", "43 04 20 00 00 00 00", 0x10),
    ]
    assert drive_from(contents_of(exchanges)).codes == (
        CodeReading(0, CodeKind.STORED, "P0133", ENGINE),
        CodeReading(2, CodeKind.PERMANENT, "P0A0F", ENGINE),
        CodeReading(3, CodeKind.STORED, "P0420", 0x10),
    )


def test_memory_that_answered_without_a_code_is_told_from_one_nobody_read() -> None:
    exchanges = [answered(0, "03", "43 00"), answered(1, "07", "47 01 01 33")]
    assert drive_from(contents_of(exchanges)).codes_read == {CodeKind.STORED, CodeKind.PENDING}
    assert drive_from(contents_of([answered(0, "03", "43 01 33 00 00 00 00", ENGINE)])).codes_read == frozenset()


def test_a_list_of_codes_in_the_layout_of_another_link_is_refused() -> None:
    drive = drive_from(contents_of([answered(0, "03", "43 01 33 00 00 00 00", ENGINE)]))
    assert drive.codes == ()
    assert drive.problems != ()


def test_the_name_of_the_protocol_decides_where_the_address_cannot() -> None:
    session = Session("test", None, protocol="ISO 9141-2")
    drive = drive_from(contents_of([answered(0, "03", "43 01 33 00 00 00 00", None)], session))
    assert [reading.code for reading in drive.codes] == ["P0133"]
    session = Session("test", None, protocol="ISO 15765-4 (CAN 11/500)")
    assert drive_from(contents_of([answered(0, "03", "43 01 33 00 00 00 00", None)], session)).codes == ()


def test_monitor_results_of_two_units_stay_apart() -> None:
    payload = "46 A2 0B 24 00 03 00 00 FF FF"
    drive = drive_from(contents_of([answered(0, "06 A2", payload), answered(0, "06 A2", payload, GEARBOX)]))
    assert [(result.ecu, result.value) for result in drive.monitors] == [(ENGINE, 3.0), (GEARBOX, 3.0)]


def test_a_freeze_frame_is_gathered_from_its_replies() -> None:
    exchanges = [
        answered(0, "02 02 00", "42 02 00 01 33"),
        answered(1, "02 05 00", "42 05 00 7B"),
        answered(2, "02 0B 00", "42 0B 00 FF"),
        answered(3, "01 4F", "41 4F 00 00 00 33"),
    ]
    (frame,) = drive_from(contents_of(exchanges)).freeze_frames
    assert frame.code == "P0133"
    assert dict(frame.values) == {"coolant_temperature": 83.0, "intake_manifold_pressure": 510.0}


def test_a_freeze_frame_knows_the_sensor_layout_without_any_current_data() -> None:
    session = Session("test", None, supported={ENGINE: (0x1D,)})
    (frame,) = drive_from(contents_of([answered(0, "02 18 00", "42 18 00 64 80")], session)).freeze_frames
    assert "oxygen_sensor_voltage_bank_3_sensor_1" in frame.values


def test_readiness_comes_with_lamp_and_count_as_signals() -> None:
    exchanges = [answered(0, "01 01", "41 01 81 07 65 04"), answered(1, "01 41", "41 41 00 07 65 04")]
    drive = drive_from(contents_of(exchanges))
    since_erase, this_cycle = drive.readiness
    assert (since_erase.lamp_on, since_erase.code_count, since_erase.monitors["evaporative_system"]) == (
        True,
        1,
        (True, False),
    )
    assert this_cycle.this_cycle
    assert series(drive, "malfunction_lamp") == [(0, 1)]
    assert series(drive, "trouble_code_count") == [(0, 1)]


def test_vehicle_information_is_one_record_for_each_control_unit() -> None:
    exchanges = [
        answered(0, "09 02", "49 02 01" + b"XXX00000X0X000012".hex()),
        answered(1, "09 0A", "49 0A 01" + b"ECM\x00-EngineControl\x00\x00".hex()),
        answered(2, "09 06", "49 06 01 00 00 12 34", GEARBOX),
        answered(3, "09 02", "49 02 01" + "FF" * 17),  # no text
    ]
    drive = drive_from(contents_of(exchanges))
    engine, gearbox = drive.vehicle
    assert (engine.ecu, engine.vin, engine.ecu_name) == (ENGINE, "XXX00000X0X000012", "ECM-EngineControl")
    assert (gearbox.ecu, gearbox.calibration_verification) == (GEARBOX, ("00001234",))
    assert drive.problems == ("1 reply did not fit the request and gave no value",)


def test_what_an_import_brought_stands_beside_what_was_decoded_once_each() -> None:
    code = CodeReading(0, CodeKind.STORED, "P0133", ENGINE)
    result = result_of(0xA2, 0x0B, 0x24, 3, 0, 65535, ecu=ENGINE)
    exchanges = [answered(0, "03", "43 01 01 33"), answered(0, "06 A2", "46 A2 0B 24 00 03 00 00 FF FF")]
    drive = drive_from(contents_of(exchanges, codes=(code,), monitors=(result,), problems=("recovered",)))
    assert drive.codes == (code,)
    assert drive.monitors == (result,)
    assert drive.problems == ("recovered",)


def test_an_empty_session_is_an_empty_drive() -> None:
    drive = drive_from(contents_of())
    assert (dict(drive.signals), drive.codes, drive.problems) == ({}, (), ())


@given(st.lists(st.tuples(st.binary(max_size=4), st.sampled_from([None, 0x10, ENGINE]), st.binary(max_size=24))))
@settings(deadline=None)
def test_a_session_of_noise_gives_a_drive_and_no_exception(rows: list[tuple[bytes, int | None, bytes]]) -> None:
    exchanges = [Exchange(float(t), 0.0, request, ecu, ReplyStatus.OK, p) for t, (request, ecu, p) in enumerate(rows)]
    drive = drive_from(contents_of(exchanges))
    assert all(np.isfinite(signal.values).all() for signal in drive.signals.values())


def test_a_session_file_is_loaded(tmp_path: Path) -> None:
    path = tmp_path / "drive.obdw"
    writer = SessionWriter(path, Session("drive", datetime(2026, 1, 5, tzinfo=UTC)))
    writer.exchange(answered(1.0, "01 0C", "41 0C 1A F8", latency=0.5))
    writer.close()
    assert series(load_drive(path), "engine_speed") == [(1.25, 1726)]


def test_a_file_that_is_no_session_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SessionFileError):
        load_drive(tmp_path / "nothing.obdw")
