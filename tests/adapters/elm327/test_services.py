from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from obdwatch.adapters.elm327.adapter import Elm327Adapter
from obdwatch.adapters.elm327.services import EraseConfirmation, erase_text, request_text
from obdwatch.clock import InjectedClock
from tests.adapters.elm327.conftest import Bench
from tests.adapters.elm327.scripted_adapter import ScriptedAdapter

# SAE J1979 names these services; 05 and 08 are left out on purpose: 08 operates components, 05 is not on CAN.
READING = ("01", "02", "03", "06", "07", "09", "0A")


@pytest.mark.parametrize("service", range(256))
def test_only_reading_services_have_a_text(service: int) -> None:
    payload = bytes([service, 0x00])
    if f"{service:02X}" in READING:
        assert request_text(payload) == f"{service:02X}00"
    else:
        with pytest.raises(ValueError, match="must not be sent"):
            request_text(payload)


def test_an_empty_or_overlong_request_is_refused() -> None:
    for payload in (b"", bytes.fromhex("010C0D04050B0F11")):
        with pytest.raises(ValueError, match="1 to 7 bytes"):
            request_text(payload)


@pytest.mark.parametrize("answers", [("erase", "yes"), ("", ""), ("ERASE", "erase"), ("erase", "erase ")])
def test_a_confirmation_needs_the_word_twice(answers: tuple[str, str]) -> None:
    with pytest.raises(ValueError, match="typed twice"):
        EraseConfirmation(*answers)


@pytest.mark.parametrize("fake", [None, True, "erase", ("erase", "erase"), object()])
def test_nothing_else_passes_for_a_confirmation(fake: object) -> None:
    with pytest.raises(ValueError, match="EraseConfirmation"):
        erase_text(fake)  # type: ignore[arg-type]


@given(st.binary(max_size=9))
@settings(deadline=None)
def test_whatever_is_asked_for_no_other_service_reaches_the_car(payload: bytes) -> None:
    clock = InjectedClock()
    fake = ScriptedAdapter(clock)
    adapter = Elm327Adapter(fake, clock)
    adapter.connect()
    fake.commands.clear()
    try:
        adapter.request(payload)
    except ValueError:
        assert fake.to_car() == []
    for command in fake.to_car():
        assert command[:2] in READING


def test_connecting_and_recovering_never_erase(bench: Bench) -> None:
    bench.adapter.connect()
    for fault in ("STOPPED\r\r>", "?\r\r>", "\r>", None, "ELM327 v1.5\r\r>", "BUFFER FULL\r\r>", "garbage>"):
        bench.fake.answers["0104"].append(fault)
        bench.adapter.request(b"\x01\x04")
    bench.adapter.connect()
    assert {command[:2] for command in bench.fake.to_car()} <= {"01", "06", "09"}


def test_erasing_sends_the_request_once_and_reports_the_answer(bench: Bench) -> None:
    bench.connected()
    bench.fake.always["04"] = "7E80144000000000000\r\r>"
    (exchange,) = bench.adapter.erase_codes(EraseConfirmation("erase", "erase"))
    assert (exchange.status, exchange.payload) == ("ok", b"\x44")
    assert bench.fake.to_car() == ["04"]


@pytest.mark.parametrize(
    ("answer", "status"),
    [
        ("7E8037F042200000000\r\r>", "negative"),
        (None, "timeout"),
        ("STOPPED\r\r>", "bus_error"),
        ("?\r\r>", "wrong_reply"),
    ],
)
def test_an_erase_that_fails_is_never_repeated(bench: Bench, answer: str | None, status: str) -> None:
    bench.connected()
    bench.fake.always["04"] = answer
    (exchange,) = bench.adapter.erase_codes(EraseConfirmation("erase", "erase"))
    assert exchange.status == status
    bench.adapter.request(b"\x01\x0c")
    assert bench.fake.to_car().count("04") == 1


def test_erasing_without_a_confirmation_sends_nothing(bench: Bench) -> None:
    bench.connected()
    with pytest.raises(ValueError, match="EraseConfirmation"):
        bench.adapter.erase_codes("erase")  # type: ignore[arg-type]
    assert bench.fake.commands == []
