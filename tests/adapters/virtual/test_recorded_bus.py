"""The recorded car: it says again what it said, no more and no older than that."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from obdwatch.adapters.elm327.adapter import Elm327Adapter
from obdwatch.adapters.virtual.bus import Bus
from obdwatch.adapters.virtual.car_bus import CarBus
from obdwatch.adapters.virtual.interpreter import ElmInterpreter
from obdwatch.adapters.virtual.loopback import LoopbackStream
from obdwatch.adapters.virtual.recorded_bus import RecordedBus, protocol_of
from obdwatch.clock import InjectedClock
from obdwatch.decoding.monitors import result_of
from obdwatch.decoding.parameters import supported_in
from obdwatch.records import (
    CodeKind,
    CodeReading,
    Exchange,
    FloatArray,
    Mark,
    MarkKind,
    MonitorResult,
    ReplyStatus,
    Session,
)
from tests.adapters.virtual.client import Terminal
from tests.adapters.virtual.fake_car import ENGINE, TRANSMISSION, VIN, FormulaCar

OK, NO_DATA, TIMEOUT = ReplyStatus.OK, ReplyStatus.NO_DATA, ReplyStatus.TIMEOUT
Samples = Mapping[str, tuple[FloatArray, FloatArray]]


@dataclass
class Recording:
    """The columns of a session file, filled by hand."""

    exchanges: list[Exchange] = field(default_factory=list)
    session: Session = field(default_factory=lambda: Session("test", None, protocol="6"))
    samples: Samples = field(default_factory=dict)
    codes: Sequence[CodeReading] = ()
    monitors: Sequence[MonitorResult] = ()
    marks: Sequence[Mark] = ()

    @property
    def t(self) -> FloatArray:
        return np.array([exchange.t for exchange in self.exchanges])

    @property
    def latency(self) -> FloatArray:
        return np.array([exchange.latency for exchange in self.exchanges])

    @property
    def request(self) -> list[bytes]:
        return [exchange.request for exchange in self.exchanges]

    @property
    def ecu(self) -> list[int | None]:
        return [exchange.ecu for exchange in self.exchanges]

    @property
    def status(self) -> list[ReplyStatus]:
        return [exchange.status for exchange in self.exchanges]

    @property
    def payload(self) -> list[bytes | None]:
        return [exchange.payload for exchange in self.exchanges]


def said(t: float, request: str, payload: str, ecu: int = ENGINE) -> Exchange:
    return Exchange(t, 0.04, bytes.fromhex(request), ecu, OK, bytes.fromhex(payload))


def unanswered(t: float, request: str, status: ReplyStatus = NO_DATA) -> Exchange:
    return Exchange(t, 0.2, bytes.fromhex(request), None, status)


def each_second(count: int, *more: Exchange) -> list[Exchange]:
    """Engine speed (t * 100 1/min) and vehicle speed (t km/h), as far as they go, asked together once a second."""
    rows = [said(t, "01 0C 0D", f"41 0C {t * 400 % 0x10000:04X} 0D {t % 256:02X}") for t in range(count)]
    return sorted([*rows, *more], key=lambda exchange: exchange.t)


def ask(bus: RecordedBus, request: str, t: float, target: int | None = None) -> dict[int, str]:
    replies = bus.request(bytes.fromhex(request), target, t)
    return {reply.ecu: reply.payload.hex(" ").upper() for reply in replies}


# -- values -----------------------------------------------------------------------------------------------------------


def test_the_latest_recorded_value_is_answered() -> None:
    bus = RecordedBus(Recording(each_second(60)))
    assert ask(bus, "01 0D", 10.0) == {ENGINE: "41 0D 0A"}
    assert ask(bus, "01 0D", 10.99) == {ENGINE: "41 0D 0A"}
    assert ask(bus, "01 0D", 11.0) == {ENGINE: "41 0D 0B"}


def test_any_grouping_of_questions_is_served() -> None:
    slow = [said(0.5, "01 05", "41 05 50"), said(10.5, "01 05", "41 05 51")]
    bus = RecordedBus(Recording(each_second(60, *slow)))
    assert ask(bus, "01 05 0D 0C", 12.0) == {ENGINE: "41 05 51 0D 0C 0C 12 C0"}
    assert ask(bus, "01 0D 99 05", 12.0) == {ENGINE: "41 0D 0C 05 51"}


def test_two_units_answer_each_for_itself() -> None:
    bus = RecordedBus(Recording(each_second(60, said(5.1, "01 0D", "41 0D 07", TRANSMISSION))))
    assert ask(bus, "01 0D 0C", 6.0) == {ENGINE: "41 0D 06 0C 09 60", TRANSMISSION: "41 0D 07"}
    assert ask(bus, "01 0D", 6.0, target=TRANSMISSION) == {TRANSMISSION: "41 0D 07"}


def test_nothing_is_known_before_it_was_recorded_or_after_the_end() -> None:
    bus = RecordedBus(Recording(each_second(60, said(20.5, "01 05", "41 05 50"))))
    assert ask(bus, "01 05", 20.0) == {}
    assert ask(bus, "01 0D", 70.0) == {}
    assert not bus.ignition_on(70.0)


def test_a_value_too_old_for_its_kind_is_not_answered() -> None:
    once = [said(1.5, "01 05", "41 05 50"), said(1.5, "01 0B", "41 0B 21")]
    bus = RecordedBus(Recording(each_second(120, *once)))
    assert ask(bus, "01 0B", 4.0) == {ENGINE: "41 0B 21"}
    assert ask(bus, "01 0B", 8.0) == {}  # manifold pressure moves within a second
    assert ask(bus, "01 05", 20.0) == {ENGINE: "41 05 50"}  # coolant does not
    assert ask(bus, "01 05", 60.0) == {}


def test_a_recording_that_asked_seldom_keeps_its_values_longer() -> None:
    seldom = [said(20.0 * n, "01 0B", f"41 0B {n:02X}") for n in range(6)]
    bus = RecordedBus(Recording(each_second(120, *seldom)))
    assert ask(bus, "01 0B", 39.0) == {ENGINE: "41 0B 01"}


def test_when_the_car_stopped_answering_a_question_so_does_the_recording() -> None:
    bus = RecordedBus(Recording(each_second(60, unanswered(30.5, "01 0C 0D"))))
    assert ask(bus, "01 0D", 30.4) == {ENGINE: "41 0D 1E"}
    assert ask(bus, "01 0D", 30.6) == {}
    assert ask(bus, "01 0D", 31.0) == {ENGINE: "41 0D 1F"}


def test_damage_on_the_link_is_not_silence_of_the_car() -> None:
    bus = RecordedBus(Recording(each_second(60, unanswered(30.5, "01 0C 0D", TIMEOUT))))
    assert ask(bus, "01 0D", 30.6) == {ENGINE: "41 0D 1E"}


def test_replies_that_were_no_answers_are_never_used() -> None:
    wrong = Exchange(5.5, 0.04, b"\x01\x0d", ENGINE, ReplyStatus.WRONG_REPLY, None, raw="41 0D FF")
    assert ask(RecordedBus(Recording(each_second(60, wrong))), "01 0D", 5.6) == {ENGINE: "41 0D 05"}


# -- gaps -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", [MarkKind.GAP, MarkKind.LINK_LOST, MarkKind.ASLEEP])
def test_nobody_answers_in_a_marked_gap_nor_from_before_it(kind: MarkKind) -> None:
    rows = [row for row in each_second(60, said(10.2, "01 05", "41 05 50")) if not 20.0 <= row.t < 24.0]
    bus = RecordedBus(Recording(rows, marks=[Mark(19.5, kind, duration=4.4)]))
    assert ask(bus, "01 0D", 19.4) == {ENGINE: "41 0D 13"}
    assert ask(bus, "01 0D 05", 21.0) == {}
    assert not bus.ignition_on(21.0)
    assert ask(bus, "01 0D 05", 24.0) == {ENGINE: "41 0D 18"}  # coolant of before the gap no longer counts


def test_a_lost_link_without_duration_lasts_until_the_next_answer() -> None:
    rows = [row for row in each_second(60) if not 20.0 <= row.t < 23.0]
    bus = RecordedBus(Recording(rows, marks=[Mark(19.5, MarkKind.LINK_LOST), Mark(22.9, MarkKind.RECONNECT)]))
    assert ask(bus, "01 0D", 20.0) == {}
    assert ask(bus, "01 0D", 23.0) == {ENGINE: "41 0D 17"}


def test_a_long_silence_is_a_gap_without_any_mark() -> None:
    rows = [row for row in each_second(60) if not 20.0 <= row.t < 40.0]
    bus = RecordedBus(Recording(rows))
    assert ask(bus, "01 00", 30.0) == {}
    assert ask(bus, "01 0D", 30.0) == {}
    assert ask(bus, "01 0D", 40.0) == {ENGINE: "41 0D 28"}


# -- what does not change, and what is read now and then --------------------------------------------------------------

CONNECTING = [
    said(0.1, "01 00", "41 00 08 18 00 01"),
    said(0.2, "01 20", "41 20 00 00 00 00"),
    said(0.3, "09 02", "49 02 01" + VIN.encode().hex()),
    said(0.4, "06 00 20", "46 00 00 00 00 01 20 80 00 00 00"),
    said(0.5, "03", "43 01 01 71"),
    said(0.6, "02 0C 00", "42 0C 00 0C D0"),
    said(0.7, "06 A2", "46 A2 0B 24 00 03 00 00 FF FF"),
]


def test_support_and_identity_hold_for_the_whole_session() -> None:
    bus = RecordedBus(Recording(each_second(600, *CONNECTING)))
    for t in (0.0, 599.0):
        assert ask(bus, "01 00 20", t) == {ENGINE: "41 00 08 18 00 01 20 00 00 00 00"}
        assert ask(bus, "09 02", t) == {ENGINE: "49 02 01 " + VIN.encode().hex(" ").upper()}
        assert ask(bus, "06 20", t) == {ENGINE: "46 20 80 00 00 00"}


def test_codes_frames_and_results_are_answered_from_when_they_were_read() -> None:
    bus = RecordedBus(Recording(each_second(600, *CONNECTING, said(300.5, "03", "43 00"))))
    assert ask(bus, "03", 0.2) == {}
    assert ask(bus, "03", 299.0) == {ENGINE: "43 01 01 71"}
    assert ask(bus, "03", 301.0) == {ENGINE: "43 00"}
    assert ask(bus, "02 0C 00", 400.0) == {ENGINE: "42 0C 00 0C D0"}
    assert ask(bus, "06 A2", 400.0) == {ENGINE: "46 A2 0B 24 00 03 00 00 FF FF"}
    assert ask(bus, "07", 400.0) == {}


def test_the_past_cannot_be_erased() -> None:
    assert ask(RecordedBus(Recording(each_second(60))), "04", 5.0) == {ENGINE: "7F 04 22"}


def test_support_is_worked_out_where_it_was_not_recorded() -> None:
    from_session = Recording(each_second(60), Session("test", None, supported={ENGINE: (0x0C, 0x0D, 0x1F)}))
    assert ask(RecordedBus(from_session), "01 00", 1.0) == {ENGINE: "41 00 00 18 00 02"}
    assert ask(RecordedBus(Recording(each_second(60))), "01 00", 1.0) == {ENGINE: "41 00 00 18 00 00"}


def test_supply_voltage_is_the_nearest_reading_or_unknown() -> None:
    readings = [
        Exchange(100.0, 0.01, b"ATRV", None, OK, b"12.3V"),
        said(110.0, "01 42", "41 42 37 5A"),  # 14.170 V (SAE J1979, computed)
        Exchange(120.0, 0.01, b"ATRV", None, ReplyStatus.WRONG_REPLY, None),
    ]
    bus = RecordedBus(Recording(each_second(600, *readings)))
    assert bus.supply_voltage(90.0) == 12.3
    assert bus.supply_voltage(107.0) == pytest.approx(14.170)
    assert bus.supply_voltage(121.0) == pytest.approx(14.170)
    assert np.isnan(bus.supply_voltage(400.0))
    assert Terminal(bus).ask("ATRV") == ["?"]


# -- imported sessions ------------------------------------------------------------------------------------------------


def imported(**signals: list[float]) -> Recording:
    times = np.arange(60.0)
    samples = {key.replace("_at_", "@"): (times[: len(values)], np.array(values)) for key, values in signals.items()}
    return Recording(session=Session("import", None, origin="imported"), samples=samples)


def test_imported_signals_answer_like_the_car_they_came_from() -> None:
    bus = RecordedBus(imported(engine_speed=[800.0 + n for n in range(60)], vehicle_speed=[50.0] * 60))
    assert bus.protocol == "6"
    assert supported_in(0x00, bytes.fromhex(ask(bus, "01 00", 0.0)[ENGINE])[2:]) == (0x0C, 0x0D)
    assert ask(bus, "01 0C 0D", 10.5) == {ENGINE: f"41 0C {810 * 4 >> 8:02X} {810 * 4 & 0xFF:02X} 0D 32"}


def test_signals_of_a_second_unit_come_from_it() -> None:
    bus = RecordedBus(imported(engine_speed=[800.0] * 60, vehicle_speed_at_7E9=[50.0] * 60))
    assert ask(bus, "01 0C 0D", 5.0) == {ENGINE: "41 0C 0C 80", TRANSMISSION: "41 0D 32"}


def test_a_value_the_bytes_cannot_say_is_not_answered() -> None:
    bus = RecordedBus(imported(vehicle_speed=[50.0, 255.0, 300.0, 60.0], engine_speed=[800.0] * 60))
    assert ask(bus, "01 0D", 1.0) == {ENGINE: "41 0D FF"}
    assert ask(bus, "01 0D", 2.0) == {}
    assert ask(bus, "01 0D", 3.0) == {ENGINE: "41 0D 3C"}


def test_imported_values_grow_old_too() -> None:
    bus = RecordedBus(imported(vehicle_speed=[50.0] * 10, engine_speed=[800.0] * 60))
    assert ask(bus, "01 0D", 11.0) == {ENGINE: "41 0D 32"}
    assert ask(bus, "01 0D", 40.0) == {}


def test_signals_that_are_no_parameters_are_left_out() -> None:
    bus = RecordedBus(imported(cabin_noise=[50.0] * 60, engine_speed=[800.0] * 60))
    assert ask(bus, "01 00", 0.0) == {ENGINE: "41 00 00 10 00 00"}


def test_imported_codes_and_results_are_encoded() -> None:
    recording = imported(engine_speed=[800.0] * 60)
    recording.codes = [CodeReading(0.0, CodeKind.STORED, "P0171"), CodeReading(0.0, CodeKind.STORED, "P0300")]
    recording.monitors = [result_of(0xA2, 0x0B, 0x24, 3, 0, 65535), result_of(0xA2, 0x0C, 0x24, 5, 0, 65535)]
    bus = RecordedBus(recording)
    assert ask(bus, "03", 1.0) == {ENGINE: "43 02 01 71 03 00"}
    assert ask(bus, "07", 1.0) == {}  # nobody said that there are none
    assert ask(bus, "06 A2", 1.0) == {ENGINE: "46 A2 0B 24 00 03 00 00 FF FF A2 0C 24 00 05 00 00 FF FF"}
    assert ask(bus, "06 A0", 1.0) == {ENGINE: "46 A0 40 00 00 00"}


def test_a_later_reading_of_codes_replaces_the_earlier() -> None:
    recording = imported(engine_speed=[800.0] * 60)
    recording.codes = [CodeReading(t, CodeKind.STORED, code) for t, code in ((1.0, "P0171"), (30.0, "P0300"))]
    bus = RecordedBus(recording)
    assert ask(bus, "03", 10.0) == {ENGINE: "43 01 01 71"}
    assert ask(bus, "03", 40.0) == {ENGINE: "43 01 03 00"}


def test_an_empty_recording_is_silent() -> None:
    bus = RecordedBus(Recording())
    assert ask(bus, "01 00", 0.0) == {}
    assert Terminal(bus).ask("ATE0", "ATSP6", "0100") in (["NO DATA"], ["CAN ERROR"])


# -- protocols, and the way round -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "digit"),
    [("6", "6"), ("A6", "6"), ("A", "A"), ("AUTO, ISO 15765-4 (CAN 11/500)", "6"), ("ISO 9141-2", "3"),
     ("ISO 15765-4 (CAN 29 bit, 500 kbit/s)", "7"), (None, None), ("", None), ("fax", None)],
)  # fmt: skip
def test_protocols_are_known_by_digit_or_name(text: str | None, digit: str | None) -> None:
    assert protocol_of(text) == digit


@pytest.mark.parametrize(("ecu", "digit"), [(0x7E8, "6"), (0x18DAF110, "7"), (0x10, "3")])
def test_protocol_is_guessed_by_address_where_none_was_recorded(ecu: int, digit: str) -> None:
    recording = Recording([said(0.0, "01 0D", "41 0D 0A", ecu)], Session("test", None))
    assert RecordedBus(recording).protocol == digit


STEADY = ("01 00", "01 01", "02 02 00", "02 0C 00", "03", "07", "06 00", "09 00", "09 02", "09 04", "09 06", "09 0A")
DRIVE = 90.0  # s


def link(bus: Bus, protocol: str | None = None) -> tuple[Elm327Adapter, InjectedClock, float]:
    """The real link, connected to a virtual adapter on `bus`, its clock, and when it was connected."""
    clock = InjectedClock()
    adapter = Elm327Adapter(LoopbackStream(ElmInterpreter(bus, clock), clock), clock, protocol=protocol)
    adapter.connect()
    return adapter, clock, clock.elapsed()


def recorded_through_the_link(protocol: str) -> Recording:
    adapter, clock, started = link(CarBus(FormulaCar(), protocol))
    exchanges = [exchange for request in STEADY for exchange in adapter.request(bytes.fromhex(request))]
    while clock.elapsed() < started + DRIVE:
        exchanges += adapter.request(b"\x01\x0c")
    shifted = [replace(exchange, t=exchange.t - started) for exchange in exchanges]  # as the recorder does
    return Recording(shifted, Session("test", None, protocol=adapter.protocol))


@pytest.mark.parametrize("protocol", ["6", "7", "3", "5"])
def test_a_drive_recorded_from_the_virtual_car_replays_through_the_real_link(protocol: str) -> None:
    recording = recorded_through_the_link(protocol)
    assert all(exchange.status is OK for exchange in recording.exchanges)
    adapter, _, _ = link(RecordedBus(recording), protocol)
    for request in STEADY:
        then = {e.ecu: e.payload for e in recording.exchanges if e.request == bytes.fromhex(request)}
        assert {e.ecu: e.payload for e in adapter.request(bytes.fromhex(request))} == then, request
    speeds = [(e.t, e.payload) for e in recording.exchanges if e.request == b"\x01\x0c"]
    for _ in range(50):
        (now,) = adapter.request(b"\x01\x0c")
        # Asked between sending and answering: the value recorded last before one of these moments.
        latest = [[payload for t, payload in speeds if t <= at][-1] for at in (now.t, now.t + now.latency)]
        assert now.payload in latest
