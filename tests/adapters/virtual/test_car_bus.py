"""The virtual car's replies: whole and proper answers to every service, with the values of the snapshot in them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from obdwatch.adapters.virtual.bus import BusReply
from obdwatch.adapters.virtual.car_bus import CarBus, Refusing
from obdwatch.decoding.monitors import decode_results, supported_monitors
from obdwatch.decoding.parameters import decode_fields, supported_in
from obdwatch.decoding.readiness import decode_readiness
from obdwatch.decoding.replies import check_reply, split_parameters
from obdwatch.decoding.trouble_codes import decode_codes
from obdwatch.decoding.vehicle_information import decode_counters, decode_texts, join_messages, supported_items
from obdwatch.errors import InputError
from tests.adapters.virtual.fake_car import ENGINE, TRANSMISSION, VIN, FormulaCar

ENGINE_29, ENGINE_K_LINE, TRANSMISSION_K_LINE = 0x18DAF110, 0x10, 0x18


def ask(bus: CarBus, request: str, target: int | None = None, t: float = 10.0) -> dict[int, list[bytes]]:
    found: dict[int, list[bytes]] = {}
    for reply in bus.request(bytes.fromhex(request), target, t):
        found.setdefault(reply.ecu, []).append(reply.payload)
    return found


def one(bus: CarBus, request: str, unit: int = ENGINE, t: float = 10.0) -> bytes:
    (payload,) = ask(bus, request, t=t)[unit]
    if payload[0] != 0x7F:
        check_reply(bytes.fromhex(request), payload, can=True)
    return payload


@pytest.fixture
def bus() -> CarBus:
    return CarBus(FormulaCar())


# -- service 01 -----------------------------------------------------------------------------------------------------


def test_engine_speed_in_quarter_revolutions() -> None:
    car = FormulaCar()
    # 10 s: 700 + 100 = 800 1/min = 0C80 quarter revolutions (SAE J1979, parameter 0C).
    assert one(CarBus(car), "01 0C") == bytes.fromhex("410C0C80")


def test_every_value_of_the_snapshot_arrives() -> None:
    bus, car = CarBus(FormulaCar()), FormulaCar()
    for t in (0.0, 10.0, 100.0):
        values: dict[str, float] = {}
        for pid in (0x04, 0x05, 0x06, 0x0B, 0x0C, 0x0D, 0x0E, 0x10, 0x42, 0x43):
            values |= decode_fields(pid, one(bus, f"01 {pid:02X}", t=t)[2:])
        expected = car.engine_values(t)
        assert {key: values[key] for key in expected} == pytest.approx(expected, abs=0.6)


def test_up_to_six_parameters_in_the_order_asked_and_only_those_each_unit_has(bus: CarBus) -> None:
    replies = ask(bus, "01 0C 05 0D 04 0B 0E")
    assert [pid for pid, _ in split_parameters(replies[ENGINE][0])] == [0x0C, 0x05, 0x0D, 0x04, 0x0B, 0x0E]
    assert [pid for pid, _ in split_parameters(replies[TRANSMISSION][0])] == [0x0D]


def test_a_parameter_asked_for_twice_comes_once(bus: CarBus) -> None:
    assert one(bus, "01 0D 0D").hex() == "410d0a"


def test_support_bitmaps_say_exactly_what_is_answered(bus: CarBus) -> None:
    claimed = set(supported_in(0x00, one(bus, "01 00")[2:])) | set(supported_in(0x20, one(bus, "01 20")[2:]))
    claimed |= set(supported_in(0x40, one(bus, "01 40")[2:]))
    answered = {pid for pid in range(1, 0x100) if ENGINE in ask(bus, f"01 {pid:02X}")}
    assert claimed == answered
    assert ENGINE not in ask(bus, "01 60")


def test_bitmaps_can_be_asked_for_together(bus: CarBus) -> None:
    replies = ask(bus, "01 00 20 40 60 80 A0")
    assert [pid for pid, _ in split_parameters(replies[ENGINE][0])] == [0x00, 0x20, 0x40]
    assert [pid for pid, _ in split_parameters(replies[TRANSMISSION][0])] == [0x00]


def test_readiness_carries_lamp_count_and_monitors(bus: CarBus) -> None:
    readiness = decode_readiness(one(bus, "01 01")[2:], 0.0, ENGINE)
    assert (readiness.lamp_on, readiness.code_count) == (True, 4)
    assert readiness.monitors["misfire"] == (True, True)
    assert readiness.monitors["catalyst"] == (True, False)
    assert readiness.monitors["egr"] == (False, True)
    assert one(bus, "01 01", TRANSMISSION) == bytes.fromhex("410100000000")


def test_a_value_that_is_no_number_is_not_supported() -> None:
    car = FormulaCar()
    car.engine_values = lambda t: {"engine_speed": float("nan"), "vehicle_speed": 10.0}  # type: ignore[method-assign]
    bus = CarBus(car)
    assert 0x0C not in supported_in(0x00, one(bus, "01 00")[2:])
    assert ENGINE not in ask(bus, "01 0C")


# -- freeze frame, codes, results, information ------------------------------------------------------------------------


def test_freeze_frame_with_frame_numbers(bus: CarBus) -> None:
    assert one(bus, "02 02 00") == bytes.fromhex("4202000171")
    assert one(bus, "02 0C 00") == bytes.fromhex("420C000CD0")  # 820 1/min
    assert supported_in(0x00, one(bus, "02 00 00")[3:]) == (0x02, 0x05, 0x0C)
    assert one(bus, "02 0C 00 05 00") == bytes.fromhex("420C000CD005007B")
    assert ask(bus, "02 0C 01") == {}


def test_without_a_freeze_frame_only_its_absence_is_reported(bus: CarBus) -> None:
    assert one(bus, "02 02 00", TRANSMISSION) == bytes.fromhex("4202000000")
    assert list(ask(bus, "02 0D 00")) == []


@pytest.mark.parametrize(
    ("request_", "codes"),
    [("03", ("P0171", "P0300", "C0035", "U0100")), ("07", ("P0128",)), ("0A", ("P0171",))],
)
def test_codes_of_each_kind(bus: CarBus, request_: str, codes: tuple[str, ...]) -> None:
    assert decode_codes(one(bus, request_), can=True) == codes
    assert decode_codes(one(bus, request_, TRANSMISSION), can=True) == ()


def test_monitor_results_and_their_bitmaps(bus: CarBus) -> None:
    assert supported_monitors(one(bus, "06 00")) == (0x20,)
    assert supported_monitors(one(bus, "06 20 A0")) == (0x21, 0x40, 0xA2)
    results = decode_results(one(bus, "06 A2"), 0.0, ENGINE, can=True)
    assert [(result.test, result.value) for result in results] == [(0x0B, 3.0), (0x0C, 5.0)]
    assert ENGINE not in ask(bus, "06 A3")


def test_vehicle_information(bus: CarBus) -> None:
    assert supported_items(one(bus, "09 00")) == (0x02, 0x04, 0x06, 0x08, 0x0A)
    assert decode_texts(one(bus, "09 02"), can=True) == (VIN,)
    assert decode_texts(one(bus, "09 04"), can=True) == ("DEMO-CAL-0001",)
    assert one(bus, "09 06") == bytes.fromhex("49060100001234")
    assert list(decode_counters(one(bus, "09 08"), can=True).values()) == list(range(16))
    assert decode_texts(one(bus, "09 0A"), can=True) == ("ECM-EngineControl",)
    assert decode_texts(one(bus, "09 04", TRANSMISSION), can=True) == ("DEMO-TCM-0001",)


# -- silence, refusals, erasing ---------------------------------------------------------------------------------------


def test_a_car_that_is_not_awake_says_nothing() -> None:
    bus = CarBus(FormulaCar(awake_from=5.0))
    assert ask(bus, "01 00", t=4.9) == {}
    assert not bus.ignition_on(4.9)
    assert set(ask(bus, "01 00", t=5.0)) == {ENGINE, TRANSMISSION}
    assert bus.supply_voltage(5.0) == 13.9


def test_a_unit_asked_alone_says_what_it_cannot_do(bus: CarBus) -> None:
    assert ask(bus, "01 99", target=ENGINE) == {ENGINE: [bytes.fromhex("7F0112")]}
    assert ask(bus, "08 01", target=ENGINE) == {ENGINE: [bytes.fromhex("7F0811")]}
    assert ask(bus, "01 99") == {}
    assert ask(bus, "01 99", target=0x7EF) == {}


def test_refusing_can_be_switched() -> None:
    assert ask(CarBus(FormulaCar(), refusing=Refusing.ALWAYS), "01 99")[ENGINE] == [bytes.fromhex("7F0112")]
    assert ask(CarBus(FormulaCar(), refusing=Refusing.NEVER), "01 99", target=ENGINE) == {}
    # Negative replies do not exist on ISO 9141-2 (SAE J1979, from memory).
    assert ask(CarBus(FormulaCar(), "3", refusing=Refusing.ALWAYS), "01 99") == {}


@pytest.mark.parametrize(
    "request_", ["01", "01 01 03 04 05 06 07 0C", "02 0C", "03 00", "06", "09", "09 02 04", "04 00"]
)
def test_malformed_requests_are_not_answered(bus: CarBus, request_: str) -> None:
    assert ask(bus, request_) == {}


def test_erasing_clears_all_but_permanent_codes(bus: CarBus) -> None:
    assert ask(bus, "04") == {ENGINE: [b"\x44"], TRANSMISSION: [b"\x44"]}
    assert one(bus, "03") == one(bus, "07").replace(b"\x47", b"\x43") == b"\x43\x00"
    assert decode_codes(one(bus, "0A"), can=True) == ("P0171",)
    readiness = decode_readiness(one(bus, "01 01")[2:], 0.0, ENGINE)
    assert (readiness.lamp_on, readiness.code_count) == (False, 0)
    assert readiness.monitors["misfire"] == (True, False)
    assert one(bus, "02 02 00") == bytes.fromhex("4202000000")
    assert not any(result.completed for result in decode_results(one(bus, "06 A2"), 0.0, ENGINE, can=True))


def test_a_car_that_can_erase_does_it_itself() -> None:
    class ErasingCar(FormulaCar):
        erased_at: float | None = None

        def erase_codes(self, t: float) -> None:
            self.erased_at = t
            self.engine = replace(self.engine, codes={})

    car = ErasingCar()
    bus = CarBus(car)
    ask(bus, "04", t=12.0)
    assert car.erased_at == 12.0
    assert one(bus, "03", t=13.0) == b"\x43\x00"
    assert one(bus, "01 01", t=13.0)[2] == 0x80  # the lamp is the car's business


def test_erasing_can_be_refused_while_the_engine_runs() -> None:
    bus = CarBus(FormulaCar(), erase_with_engine_running=False)
    assert ask(bus, "04")[ENGINE] == [bytes.fromhex("7F0422")]
    assert one(bus, "03") != b"\x43\x00"


def test_time_given_to_the_car_never_goes_back() -> None:
    car = FormulaCar()
    bus = CarBus(car)
    for t in (1.0, 3.0, 2.0, 4.0):
        bus.request(b"\x01\x0c", None, t)
    assert car.asked_at == [1.0, 3.0, 3.0, 4.0]


# -- other buses ------------------------------------------------------------------------------------------------------


def test_units_have_the_addresses_of_the_bus() -> None:
    assert set(ask(CarBus(FormulaCar(), "7"), "01 00")) == {ENGINE_29, 0x18DAF118}
    assert set(ask(CarBus(FormulaCar(), "5"), "01 00")) == {ENGINE_K_LINE, TRANSMISSION_K_LINE}
    assert list(ask(CarBus(FormulaCar(), "7"), "01 0C", target=ENGINE_29)) == [ENGINE_29]


@pytest.mark.parametrize("protocol", ["1", "2", "3", "4", "5"])
def test_older_buses_carry_one_parameter_and_short_messages(protocol: str) -> None:
    bus = CarBus(FormulaCar(), protocol)
    assert ask(bus, "01 0C 0D") == {}
    for request in ("01 00", "01 0C", "02 0C 00", "03", "07", "06 00", "06 A2", *(f"09 {n:02X}" for n in range(11))):
        messages = [message for unit in ask(bus, request).values() for message in unit]
        assert messages, request
        assert all(len(message) <= 7 for message in messages), request


def test_older_codes_come_three_to_a_message() -> None:
    messages = ask(CarBus(FormulaCar(), "3"), "03")[ENGINE_K_LINE]
    # P0171 P0300 C0035 / U0100 and padding (SAE J1979 before CAN, SAE J2012 for the bytes; from memory).
    assert messages == [bytes.fromhex("43017103004035"), bytes.fromhex("43C10000000000")]


def test_older_information_comes_in_numbered_messages() -> None:
    bus = CarBus(FormulaCar(), "3")
    messages = ask(bus, "09 02")[ENGINE_K_LINE]
    assert [message[2] for message in messages] == [1, 2, 3, 4, 5]
    assert decode_texts(join_messages(messages), can=False) == (VIN,)
    assert ask(bus, "09 01")[ENGINE_K_LINE] == [bytes.fromhex("490105")]
    assert supported_items(ask(bus, "09 00")[ENGINE_K_LINE][0]) == tuple(range(1, 11))


def test_older_cars_have_no_permanent_codes() -> None:
    assert ask(CarBus(FormulaCar(), "3"), "0A") == {}


def test_delays_are_within_what_the_standards_allow() -> None:
    # P2 is at most 50 ms on CAN (ISO 15765-4) and on K-line (ISO 14230-2), from memory.
    for protocol in "67345":
        replies: list[BusReply] = list(CarBus(FormulaCar(), protocol).request(b"\x01\x00", None, 0.0))
        assert all(0.0 < reply.delay <= 0.05 for reply in replies)


def test_an_unknown_protocol_is_refused() -> None:
    with pytest.raises(InputError, match="protocol 'X'"):
        CarBus(FormulaCar(), "X")
