"""The stream without a cable: time moves with the reader, and a long drive passes quickly."""

from __future__ import annotations

import pytest

from obdwatch.adapters.elm327.adapter import Elm327Adapter
from obdwatch.adapters.virtual.car_bus import CarBus
from obdwatch.adapters.virtual.interpreter import ElmInterpreter
from obdwatch.adapters.virtual.link_faults import LinkFaults, parse_link_fault
from obdwatch.adapters.virtual.loopback import LoopbackStream
from obdwatch.adapters.virtual.timing import AdapterTiming
from obdwatch.clock import InjectedClock
from obdwatch.decoding.parameters import decode_fields
from obdwatch.decoding.replies import split_parameters
from obdwatch.errors import ConnectionLost
from obdwatch.records import ReplyStatus
from tests.adapters.virtual.fake_car import ENGINE, FormulaCar


def loopback(*faults: str, timing: AdapterTiming | None = None) -> tuple[LoopbackStream, InjectedClock, FormulaCar]:
    clock, car = InjectedClock(), FormulaCar()
    link_faults = LinkFaults([parse_link_fault(fault) for fault in faults])
    return LoopbackStream(ElmInterpreter(CarBus(car), clock, link_faults, timing), clock), clock, car


def test_reading_waits_until_the_answer_is_due_and_no_longer() -> None:
    stream, clock, _ = loopback(timing=AdapterTiming(request_time=0.04))
    stream.write(b"ATE0\r")
    assert stream.read(1.0) == b"ATE0\r"
    assert stream.read(1.0) == b"OK\r\r>"
    stream.write(b"ATSP6\r")
    stream.read(1.0)
    sent = clock.monotonic()
    stream.write(b"010C\r")
    heard = b""
    while not heard.endswith(b">"):
        heard += stream.read(1.0)
    assert clock.monotonic() - sent == pytest.approx(0.04)


def test_reading_gives_up_when_nothing_comes() -> None:
    stream, clock, _ = loopback()
    assert stream.read(0.25) == b""
    assert clock.monotonic() == pytest.approx(0.25)
    assert stream.read(0.0) == b""
    assert clock.monotonic() == pytest.approx(0.25)


def test_closed_stream_says_so_and_closes_twice() -> None:
    stream, _, _ = loopback()
    stream.close()
    stream.close()
    with pytest.raises(ConnectionLost):
        stream.write(b"ATI\r")
    with pytest.raises(ConnectionLost):
        stream.read(0.1)


def test_broken_link_raises_until_it_is_back() -> None:
    stream, clock, _ = loopback("link_loss@10:5")
    clock.sleep(10.0)
    stream.write(b"ATI\r")
    with pytest.raises(ConnectionLost):
        stream.read(1.0)
    clock.sleep(5.0)
    stream.write(b"ATI\r")
    assert b"ELM327" in stream.read(1.0) + stream.read(1.0)


def test_the_link_records_exactly_what_the_car_was_asked_for() -> None:
    stream, clock, car = loopback()
    adapter = Elm327Adapter(stream, clock)
    adapter.connect()
    for _ in range(200):
        car.asked_at.clear()
        exchanges = adapter.request(bytes.fromhex("010C0D0504"))
        (engine,) = [exchange for exchange in exchanges if exchange.ecu == ENGINE]
        assert engine.payload is not None
        (asked,) = car.asked_at[-1:]
        values = {k: v for pid, data in split_parameters(engine.payload) for k, v in decode_fields(pid, data).items()}
        assert engine.t <= asked <= engine.t + engine.latency
        assert values["engine_speed"] == pytest.approx(car.engine_values(asked)["engine_speed"], abs=0.125)


FAULTY = [
    ("late=0.01:0.3",),
    ("cut=0.05",),
    ("garbage=0.05",),
    ("drop=0.05", "double=0.05"),
    ("no_prompt=0.02",),
    ("foreign=0.05",),
    ("buffer_full=0.05", "data_error=0.05"),
    ("stopped=0.05", "can_error=0.02"),
    ("pending=0.05", "busy=0.05"),
    ("reset=0.01",),
    ("silent=0.01",),
    ("echo",),
    ("unknown:ATAT2", "unknown:ATDPN"),
]


@pytest.mark.parametrize("faults", FAULTY, ids=lambda faults: "+".join(faults))
def test_damage_never_becomes_a_value_of_the_drive(faults: tuple[str, ...]) -> None:
    """The strongest check of the link that this stand-in allows: engine speed tells when it was measured."""
    stream, clock, car = loopback(*faults)
    adapter = Elm327Adapter(stream, clock)
    adapter.connect()
    good = 0
    for _ in range(300):
        for exchange in adapter.request(bytes.fromhex("010C04")):
            if exchange.status is ReplyStatus.OK and exchange.ecu == ENGINE:
                assert exchange.payload is not None
                speed = decode_fields(*split_parameters(exchange.payload)[0])["engine_speed"]
                first, last = car.engine_values(exchange.t), car.engine_values(exchange.t + exchange.latency)
                assert first["engine_speed"] - 0.5 <= speed <= last["engine_speed"] + 0.5
                good += 1
    assert good > 200


def test_a_long_drive_has_the_requests_of_its_own_clock() -> None:
    stream, clock, _ = loopback(timing=AdapterTiming(request_time=0.04))
    adapter = Elm327Adapter(stream, clock)
    adapter.connect()
    started, requests = clock.elapsed(), 0
    while clock.elapsed() < started + 180.0:
        assert adapter.request(bytes.fromhex("010C0D04050B06"))[0].status is ReplyStatus.OK
        requests += 1
    assert requests == pytest.approx(180.0 / 0.04, rel=0.08)
