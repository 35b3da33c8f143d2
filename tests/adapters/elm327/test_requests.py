"""What a request becomes when the adapter or the car misbehaves."""

from __future__ import annotations

from itertools import pairwise

import pytest

from obdwatch.errors import ConnectionLost
from obdwatch.records import Exchange
from tests.adapters.elm327.conftest import Bench

GOOD = "7E804410C1AF8000000\r\r>"


def ask(bench: Bench, *answers: object, request: str = "010C") -> tuple[Exchange, ...]:
    bench.fake.answers[request] += answers
    return bench.adapter.request(bytes.fromhex(request))


@pytest.fixture
def linked(bench: Bench) -> Bench:
    return bench.connected()


def test_a_good_reply_is_one_exchange_with_time_and_latency(linked: Bench) -> None:
    started = linked.clock.elapsed()
    (exchange,) = ask(linked)
    assert exchange == Exchange(
        t=started, latency=pytest.approx(0.04), request=b"\x01\x0c", ecu=0x7E8, status="ok", payload=b"\x41\x0c\x1a\xf8"
    )


@pytest.mark.parametrize(
    ("answer", "status"),
    [
        ("NO DATA\r\r>", "no_data"),
        ("BUFFER FULL\r\r>", "bus_error"),
        ("CAN ERROR\r\r>", "bus_error"),
        ("BUS ERROR\r\r>", "bus_error"),
        ("7E804410C1AF8000000<DATA ERROR\r\r>", "bus_error"),
        ("7E804410C1A <RX ERROR\r\r>", "bus_error"),
        ("FB ERROR\r\r>", "bus_error"),
        ("BUS BUSY\r\r>", "bus_error"),
        ("ACT ALERT\r\r>", "bus_error"),
        ("LV RESET\r\r>", "bus_error"),
        ("ERR94\r\r>", "bus_error"),
        ("UNABLE TO CONNECT\r\r>", "bus_error"),
        ("BUS INIT: ...ERROR\r\r>", "bus_error"),
        ("ELM327 v1.5\r\r>", "bus_error"),
        (None, "timeout"),
        ("7E804410C1A", "timeout"),
        ("7E803410C1A00000000\r\r>", "short"),
        ("7E802410C0000000000\r\r>", "short"),
        ("7E804410D1AF8000000\r\r>", "wrong_reply"),
        ("7E803420C1A00000000\r\r>", "wrong_reply"),
        ("7E804410C1A\r\r>", "wrong_reply"),
        ("GX#~\r\r>", "wrong_reply"),
    ],
)
def test_every_failure_has_its_status_and_keeps_the_raw_text(linked: Bench, answer: str | None, status: str) -> None:
    assert ask(linked)[0].status == "ok"
    (exchange,) = ask(linked, answer)
    assert exchange.status == status
    assert exchange.payload is None
    assert exchange.raw == (answer or "").removesuffix(">")
    assert ask(linked)[0].payload == b"\x41\x0c\x1a\xf8"


@pytest.mark.parametrize("answer", ["STOPPED\r\r>", "?\r\r>", "\r\r>", ">"])
def test_out_of_step_is_mended_and_asked_once_more(linked: Bench, answer: str) -> None:
    (exchange,) = ask(linked, answer)
    assert exchange.status == "ok"
    assert linked.fake.commands == ["010C", "\x7f\x7f", "ATI", "010C"]


@pytest.mark.parametrize(("answer", "status"), [("STOPPED\r\r>", "bus_error"), ("?\r\r>", "wrong_reply")])
def test_what_happens_twice_is_reported(linked: Bench, answer: str, status: str) -> None:
    assert [exchange.status for exchange in ask(linked, answer, answer)] == [status]


def test_a_refusal_is_recorded_with_its_code_and_left_alone_for_a_growing_time(linked: Bench) -> None:
    linked.fake.always["010C"] = "7E8037F011200000000\r\r>"
    (exchange,) = ask(linked)
    assert (exchange.status, exchange.negative_code, exchange.ecu) == ("negative", 0x12, 0x7E8)
    sent_at = []
    linked.fake.on_command = lambda command: sent_at.append(linked.clock.monotonic())
    started = linked.clock.monotonic()
    while linked.clock.monotonic() < started + 200:
        (exchange,) = ask(linked)
        assert (exchange.status, exchange.negative_code) == ("negative", 0x12)
        linked.clock.sleep(1.0)
    pauses = [round(later - sooner) for sooner, later in pairwise(sent_at)]
    assert round(sent_at[0] - started) == 10
    assert pauses == [20, 40, 80]


def test_a_refusal_forgotten_after_an_answer(linked: Bench) -> None:
    ask(linked, "7E8037F012200000000\r\r>")
    linked.clock.sleep(11)
    assert ask(linked)[0].status == "ok"
    assert ask(linked, "7E8037F012200000000\r\r>")[0].status == "negative"
    linked.clock.sleep(11)
    assert ask(linked)[0].status == "ok"


def test_a_refusal_by_one_control_unit_does_not_silence_the_other(bench: Bench) -> None:
    bench.fake.ecus["7E9"] = (0x0C, 0x0D)
    linked = bench.connected()
    answer = "7E8037F011200000000\r7E904410C1AF8000000\r\r>"
    assert [e.status for e in ask(linked, answer)] == ["negative", "ok"]
    assert [e.status for e in ask(linked, answer)] == ["negative", "ok"]


def test_patience_is_granted_within_the_reply_and_by_asking_again(linked: Bench) -> None:
    pending = "7E8037F017800000000\r"
    assert ask(linked, pending + GOOD)[0].payload == b"\x41\x0c\x1a\xf8"
    linked.fake.commands.clear()
    (exchange,) = ask(linked, pending + "\r>", pending + GOOD)
    assert exchange.payload == b"\x41\x0c\x1a\xf8"
    assert linked.fake.commands[:4] == ["010C", "ATAT0", "ATST7D", "010C"]


def test_endless_patience_is_a_negative_reply(linked: Bench) -> None:
    pending = "7E8037F017800000000\r\r>"
    (exchange,) = ask(linked, pending, pending)
    assert (exchange.status, exchange.negative_code, exchange.ecu) == ("negative", 0x78, 0x7E8)
    assert ask(linked)[0].status == "ok"


def test_a_busy_control_unit_is_asked_again_a_few_times(linked: Bench) -> None:
    busy = "7E8037F012100000000\r\r>"
    assert ask(linked, busy, busy)[0].status == "ok"
    (exchange,) = ask(linked, busy, busy, busy, busy)
    assert (exchange.status, exchange.negative_code) == ("negative", 0x21)
    assert ask(linked)[0].status == "ok"


def test_an_answer_beyond_what_a_control_unit_claims_names_a_wrong_sender(bench: Bench) -> None:
    bench.fake.ecus["7E9"] = (0x0D,)
    linked = bench.connected()
    exchanges = ask(linked, "7E904410C1AF8000000\r\r>")
    assert [(e.status, e.payload) for e in exchanges] == [("wrong_reply", None)]


def test_a_control_unit_that_wakes_up_late_is_let_in(linked: Bench) -> None:
    linked.fake.ecus["7E9"] = (0x0C, 0x0D)
    for _ in range(5):
        assert {e.ecu for e in ask(linked)} == {0x7E8, None}
    assert {e.ecu for e in ask(linked)} == {0x7E8, 0x7E9}
    assert any("7E9" in notice for notice in linked.notices)


def test_a_damaged_address_is_not_let_in(linked: Bench) -> None:
    for _ in range(12):
        assert ask(linked, "7EA04410C1AF8000000\r\r>")[0].status == "wrong_reply"
    assert ask(linked)[0].ecu == 0x7E8


def test_no_request_takes_longer_than_three_seconds_whatever_happens(linked: Bench) -> None:
    busy = "7E8037F012100000000\r\r>"
    everything = [None, (1.5, GOOD), "STOPPED\r\r>", "?\r\r>", "\r>", busy, "x" * 70_000, GOOD[:-1]]
    for first in everything:
        for second in everything:
            started = linked.clock.monotonic()
            ask(linked, first, second)
            assert linked.clock.monotonic() - started <= 3.0 + 0.1
            linked.fake.answers.clear()
            linked.clock.sleep(2.0)
            ask(linked)


def test_a_lost_prompt_costs_its_deadline_but_not_the_value(linked: Bench) -> None:
    exchanges = ask(linked, GOOD.removesuffix(">"))
    assert [(e.status, e.ecu) for e in exchanges] == [("ok", 0x7E8), ("timeout", None)]
    assert exchanges[0].latency == pytest.approx(0.04)
    assert ask(linked)[0].status == "ok"


def test_a_dead_link_raises_at_once_and_stays_dead_until_connected_again(linked: Bench) -> None:
    linked.fake.dead = True
    with pytest.raises(ConnectionLost):
        ask(linked)
    linked.fake.dead = False
    with pytest.raises(ConnectionLost, match="connect first"):
        ask(linked)
    linked.adapter.connect()
    assert ask(linked)[0].status == "ok"


def test_no_service_command_ever_meets_a_busy_adapter(linked: Bench) -> None:
    for answer in (None, (1.2, GOOD), (0.99, GOOD), GOOD + GOOD, GOOD + ">", "STOPPED\r\r>"):
        ask(linked, answer)
        ask(linked)
    assert set(linked.fake.sent_while_busy) <= {b"\x7f\x7f\r", b"ATI\r"}
