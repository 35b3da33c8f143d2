from __future__ import annotations

import pytest

from obdwatch.adapters.elm327.voltage import voltage_of
from tests.adapters.elm327.conftest import Bench


@pytest.mark.parametrize(
    ("text", "volts"), [("12.6V\r\r", 12.6), ("ATRV\r9.8V\r", 9.8), ("14.35V", 14.35), ("27.9 V", 27.9)]
)
def test_a_figure_is_read(text: str, volts: float) -> None:
    assert voltage_of(text) == volts


BROKEN = [
    "",
    "?",
    "12.6",
    "126V",
    "2.6V",
    ".6V",
    "12.V",
    "112.6V",
    "12.6V\r12.6V",
    "12.6VV",
    "-12.6V",
    "12,6V",
    "88.8V",
]


@pytest.mark.parametrize("text", BROKEN)
def test_half_a_figure_is_none(text: str) -> None:
    assert voltage_of(text) is None


def test_voltage_is_an_exchange_with_the_figure_as_text(bench: Bench) -> None:
    exchange = bench.connected().adapter.voltage()
    assert (exchange.request, exchange.status, exchange.payload) == (b"ATRV", "ok", b"12.6V")


@pytest.mark.parametrize("answer", ["?\r\r>", "12.66V\r\r>", "2.6V\r\r>", "7E804410C1AF8\r\r>"])
def test_what_is_no_figure_in_this_adapters_format_is_a_wrong_reply(bench: Bench, answer: str) -> None:
    bench.connected().fake.answers["ATRV"].append(answer)
    exchange = bench.adapter.voltage()
    assert (exchange.status, exchange.payload) == ("wrong_reply", None)
    assert bench.adapter.voltage().payload == b"12.6V"


def test_a_silent_adapter_gives_a_timeout_in_time(bench: Bench) -> None:
    bench.connected().fake.answers["ATRV"].append(None)
    started = bench.clock.monotonic()
    assert bench.adapter.voltage().status == "timeout"
    assert bench.clock.monotonic() - started == pytest.approx(1.0)
