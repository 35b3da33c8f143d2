"""How long the virtual adapter takes, under a clock that only the terminal moves."""

from __future__ import annotations

import pytest

from obdwatch.adapters.virtual.scaled_clock import ScaledClock
from obdwatch.adapters.virtual.timing import AdapterTiming
from obdwatch.clock import InjectedClock
from obdwatch.errors import InputError
from tests.adapters.virtual.client import Terminal
from tests.adapters.virtual.fake_car import ENGINE, TRANSMISSION, TableBus

TABLE = {
    "01 00": [(ENGINE, "41 00 BE 3F B8 11", 0.01)],
    "01 0C": [(ENGINE, "41 0C 1A F8", 0.01)],
    "01 0D": [(ENGINE, "41 0D 32", 0.01), (TRANSMISSION, "41 0D 32", 0.15)],
    "01 05": [(ENGINE, "41 05 7B", 0.25)],
    "09 02": [(ENGINE, "49 02 01" + " 41" * 17, 0.01)],
}


def terminal(timing: AdapterTiming | None = None, protocol: str = "6") -> Terminal:
    made = Terminal(TableBus(TABLE, protocol=protocol), timing=timing)
    made.ask("ATE0", f"ATSP{protocol}")
    return made


@pytest.mark.parametrize("request_", ["010C", "0902"])
def test_request_time_can_be_fixed(request_: str) -> None:
    made = terminal(AdapterTiming(request_time=0.04))
    for _ in range(3):
        made.ask(request_)
        assert made.took == pytest.approx(0.04, abs=1e-9)


def test_without_adaptive_timing_every_answer_costs_the_whole_timeout() -> None:
    made = terminal()
    made.ask("ATAT0", "ATST19", "010C", "010C")  # 25 * 4.096 ms
    assert made.took == pytest.approx(0.006 + 0.01 + 0.1024, abs=0.002)


def test_adaptive_timing_learns_and_the_stronger_mode_waits_less() -> None:
    made = terminal()
    took = {}
    for mode in (0, 1, 2):
        made.ask(f"ATAT{mode}", "010C", "010C")
        took[mode] = made.took
    assert took[0] > 0.2
    assert took[2] < took[1] < 0.06


def test_a_slow_second_unit_is_heard_until_the_wait_has_shrunk_below_it() -> None:
    made = terminal()
    assert made.ask("010D") == ["41 0D 32", "41 0D 32"]
    fresh = terminal()
    fresh.ask("010C")
    assert fresh.ask("010D") == ["41 0D 32"]
    assert fresh.ask("ATAT0", "010D") == ["41 0D 32", "41 0D 32"]


def test_an_answer_after_the_timeout_is_not_heard() -> None:
    made = terminal()
    assert made.ask("0105") == ["NO DATA"]  # 250 ms against about 205 ms
    assert made.ask("ATST FF", "0105") == ["41 05 7B"]


def test_lines_come_before_the_prompt_and_as_they_arrive() -> None:
    made = terminal()
    made.ask("ATAT0")
    made.adapter.receive(b"010C\r")
    first = made.adapter.next_output()
    assert first is not None
    assert first - made.clock.monotonic() == pytest.approx(0.0163, abs=0.001)
    made.clock.sleep(first - made.clock.monotonic())
    assert made.adapter.output() == b"41 0C 1A F8 \r"
    assert made.adapter.output() == b""


def test_a_slow_serial_line_adds_the_time_of_its_characters() -> None:
    # 38,400 bit/s, ten bits a character: ELM327 data sheet, from memory.
    fast, slow = terminal(), terminal(AdapterTiming(character=10 / 38400))
    for made in (fast, slow):
        made.ask("ATAT0", "0902")
    characters = len("014 \r0: 49 02 01 41 41 41 \r" + 2 * "1: 41 41 41 41 41 41 41 \r" + "\r>")
    assert slow.took - fast.took < characters * 10 / 38400
    assert slow.took > fast.took


def test_k_line_requests_keep_their_distance() -> None:
    made = terminal(protocol="3")
    made.ask("ATAT2", "0100", "010C")
    assert made.took > 0.055 + 0.01  # P3 after the answer before, then the answer (ISO 14230-2, from memory)


def test_a_slower_bus_takes_longer_for_a_frame() -> None:
    fast, slow = terminal(protocol="6"), terminal(protocol="8")
    for made in (fast, slow):
        made.ask("ATAT0", "0902")
    assert slow.took - fast.took == pytest.approx(3 * 129 / 250e3 / 2, rel=0.7)


def test_rounding_never_lets_time_stand_still() -> None:
    """Found by the fuzz test: for some times t, (t + 20) - t is a hair below 20, and a hang waited for it."""
    starts = [start for start in (n / 10 for n in range(1, 400)) if (start + 20.0) - start < 20.0]
    assert starts
    for start in starts:
        made = Terminal(TableBus(TABLE))
        made.clock.sleep(start)
        made.adapter.receive(b"010")
        for _ in range(5):
            made.adapter.output()
            made.clock.sleep((made.adapter.next_output() or 0.0) - made.clock.monotonic())
        assert made.adapter.next_output() is None


def test_scaled_clock_runs_faster_than_the_one_behind() -> None:
    behind = InjectedClock()
    clock = ScaledClock(10.0, behind)
    start = clock.utc()
    clock.sleep(5.0)
    assert behind.monotonic() == pytest.approx(0.5)
    assert clock.monotonic() == pytest.approx(5.0)
    assert clock.elapsed() == pytest.approx(5.0)
    assert (clock.utc() - start).total_seconds() == pytest.approx(5.0)


@pytest.mark.parametrize("speed", [0.0, -1.0, float("nan"), float("inf")])
def test_a_speed_that_is_none_is_refused(speed: float) -> None:
    with pytest.raises(InputError, match="speed"):
        ScaledClock(speed)
