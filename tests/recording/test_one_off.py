"""A one-off check reads all that a car has stored, and tells "no codes" from "no answer"."""

from __future__ import annotations

import pytest

from obdwatch.clock import InjectedClock
from obdwatch.decoding.freeze_frames import encode_frame, encode_frame_code
from obdwatch.decoding.monitors import encode_results, result_of
from obdwatch.decoding.parameters import encode_pid, support_bitmap
from obdwatch.decoding.readiness import encode_readiness
from obdwatch.decoding.trouble_codes import encode_codes
from obdwatch.decoding.vehicle_information import encode_item
from obdwatch.recording.one_off import CarCheck, read_once
from obdwatch.records import CodeKind, Exchange, Readiness, ReplyStatus
from tests.recording.fake_car import ENGINE, FakeCar

VIN = "1" * 17  # its check digit is right: 49 CFR 565.15, weights add up to 89, 89 mod 11 = 1
READINESS = Readiness(0.0, ENGINE, True, 1, False, {"misfire": (True, True), "catalyst": (True, False)})
MISFIRES = result_of(0xA2, 0x0B, 0x24, 3, 0, 65535)


class StoringCar(FakeCar):
    """A car with one confirmed code and what belongs to it."""

    def answer(self, payload: bytes, t: float) -> bytes | None:
        fixed = {
            b"\x03": encode_codes(0x03, ["P0171"], can=True)[0],
            b"\x07": encode_codes(0x07, [], can=True)[0],
            b"\x02\x02\x00": encode_frame_code(0, "P0171"),
            b"\x02\x00\x00": b"\x42\x00\x00" + support_bitmap((0x02, 0x05, 0x0C), 0x00),
            b"\x02\x05\x00": encode_frame(0, 0x05, {"coolant_temperature": 88.0}),
            b"\x02\x0c\x00": encode_frame(0, 0x0C, {"engine_speed": 1726.0}),
            b"\x01\x01": b"\x41\x01" + encode_readiness(READINESS),
            b"\x01\x42": b"\x41\x42" + encode_pid(0x42, {"control_module_voltage": 14.1}),
            b"\x09\x02": encode_item(0x02, [VIN.encode()], can=True)[0],
            b"\x06\xa2": encode_results([MISFIRES]),
        }
        return fixed.get(payload)


def check(car: FakeCar) -> CarCheck:
    return read_once(car, car.connect(), car.clock)


@pytest.fixture
def found() -> CarCheck:
    return check(StoringCar(InjectedClock(), volts=lambda t: 13.9))


def test_it_reads_the_codes_of_each_memory(found: CarCheck) -> None:
    assert [(code.kind, code.code, code.ecu) for code in found.codes] == [(CodeKind.STORED, "P0171", ENGINE)]


def test_a_memory_that_did_not_answer_is_not_taken_for_empty(found: CarCheck) -> None:
    assert found.answered == {CodeKind.STORED, CodeKind.PENDING}


def test_it_reads_the_freeze_frame_of_the_code(found: CarCheck) -> None:
    (frame,) = found.freeze_frames
    assert frame.code == "P0171"
    assert frame.values == {"coolant_temperature": 88.0, "engine_speed": 1726.0}


def test_it_reads_readiness_monitors_voltage_and_identity(found: CarCheck) -> None:
    (readiness,) = found.readiness
    assert (readiness.lamp_on, readiness.code_count) == (True, 1)
    assert readiness.monitors["catalyst"] == (True, False)
    assert [(result.monitor, result.value) for result in found.monitors] == [(0xA2, 3.0)]
    assert (found.adapter_voltage, found.module_voltage) == (13.9, pytest.approx(14.1, abs=0.001))
    (unit,) = found.vehicle
    assert (unit.vin, unit.vin_check) == (VIN, True)
    assert found.problems == ()


def test_it_asks_for_nothing_that_changes_the_car() -> None:
    car = StoringCar(InjectedClock())
    check(car)
    assert {request[0] for _, request in car.requests if request != b"ATRV"} <= {
        0x01,
        0x02,
        0x03,
        0x06,
        0x07,
        0x09,
        0x0A,
    }


def test_each_question_is_asked_once_when_it_is_answered() -> None:
    car = StoringCar(InjectedClock())
    check(car)
    requests = [request for _, request in car.requests]
    assert len(requests) == len(set(requests))


def test_a_car_without_codes_is_not_asked_for_a_frame() -> None:
    car = FakeCar(InjectedClock())
    found = check(car)
    assert found.codes == found.freeze_frames == ()
    assert found.answered == set(CodeKind)
    assert b"\x02\x00\x00" not in [request for _, request in car.requests]


class DamagingCar(StoringCar):
    """Every first answer to a request arrives damaged; some always do."""

    hopeless: bytes = b""

    def request(self, payload: bytes, deadline: float = 1.0) -> tuple[Exchange, ...]:
        answers = super().request(payload, deadline)
        times = sum(request == payload for _, request in self.requests)
        if times == 1 or payload == self.hopeless:
            return (Exchange(answers[0].t, 0.04, payload, ENGINE, ReplyStatus.SHORT, raw="7E8 10 0A"),)
        return answers


def test_a_damaged_reply_is_asked_for_again() -> None:
    found = check(DamagingCar(InjectedClock()))
    assert [code.code for code in found.codes] == ["P0171"]
    assert found.problems == ()


def test_a_reply_that_stays_damaged_is_said_and_never_guessed() -> None:
    car = DamagingCar(InjectedClock())
    car.hopeless = b"\x03"
    found = check(car)
    assert found.codes == ()
    assert CodeKind.STORED not in found.answered
    assert found.problems == ("request 03 gave no usable answer (short)",)


def test_a_reply_that_cannot_be_decoded_is_said() -> None:
    class Odd(StoringCar):
        def answer(self, payload: bytes, t: float) -> bytes | None:
            return b"\x43\x05\x01\x71" if payload == b"\x03" else super().answer(payload, t)

    found = check(Odd(InjectedClock()))
    assert found.codes == ()
    assert any("request 03" in problem for problem in found.problems)
