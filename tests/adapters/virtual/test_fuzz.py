"""Whatever bytes come, the interpreter does not fail and finds back to a prompt."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from obdwatch.adapters.virtual.car_bus import CarBus
from obdwatch.adapters.virtual.link_faults import LINK_FAULTS
from tests.adapters.virtual.client import Terminal
from tests.adapters.virtual.fake_car import FormulaCar

WORDS = (
    "ATZ ATD ATE0 ATE1 ATH1 ATS0 ATL1 ATAL ATCAF0 ATCFC0 ATSP0 ATSP3 ATSP5 ATSP6 ATSPA7 ATMA ATLP ATST FF ATAT2 ATPC"
    " ATSH ATCRA ATCEA10 ATFCSM1 ATPPFFON ATWS ATRTR ATBD ATCV 01 03 04 06 09 0A 02 00 0C 7F FF \r \n \0 > A T 1"
)
typed = st.lists(
    st.one_of(st.sampled_from([word.encode("latin-1") for word in WORDS.split(" ")]), st.binary(max_size=12)),
    max_size=30,
).map(b"\r".join)
protocols = st.sampled_from("12356789AC")
faults = st.lists(st.sampled_from([name for name in LINK_FAULTS if name != "unknown"]), max_size=3, unique=True)


def identified(terminal: Terminal) -> bool:
    answer = terminal.type("ATI")
    terminal.clock.sleep(6.0)  # longer than a broken link stays away
    return "ELM327 v2.2" in answer and answer.endswith(">")


def always_comes_back(data: bytes, protocol: str, names: list[str], pause: float) -> None:
    terminal = Terminal(CarBus(FormulaCar(), protocol), *[f"{name}=0.3" for name in names], seed=len(data))
    half = len(data) // 2
    terminal.send(data[:half], wait=pause)
    terminal.send(data[half:])
    terminal.send(b"\x7f\x7f\r")
    terminal.clock.sleep(30.0)
    terminal.send(b"\x7f\x7f\r")
    assert any(identified(terminal) for _ in range(60))


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(typed, protocols, faults, st.floats(0.0, 3.0))
def test_arbitrary_characters_never_break_it(data: bytes, protocol: str, names: list[str], pause: float) -> None:
    always_comes_back(data, protocol, names, pause)


@pytest.mark.nightly
@settings(max_examples=20_000, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(typed, protocols, faults, st.floats(0.0, 3.0))
def test_arbitrary_characters_never_break_it_in_many_cases(
    data: bytes, protocol: str, names: list[str], pause: float
) -> None:
    always_comes_back(data, protocol, names, pause)


@settings(max_examples=300, deadline=None)
@given(st.binary(min_size=1, max_size=7), protocols, st.booleans())
def test_every_request_ends_in_a_prompt_and_proper_lines(payload: bytes, protocol: str, headers: bool) -> None:
    terminal = Terminal(CarBus(FormulaCar(), protocol))
    terminal.ask("ATE0", f"ATSP{protocol}", "ATH1" if headers else "ATH0", "0100")
    for line in terminal.ask(payload.hex()):
        known = {"NO DATA", "BUS INIT: OK", "SEARCHING...", "CAN ERROR"}
        assert line in known or set(line) <= set("0123456789ABCDEF: ")
