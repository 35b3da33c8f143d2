from __future__ import annotations

import re

import pytest

from obdwatch.adapters.elm327.timing import CAUTIOUS, QUICK
from tests.adapters.elm327.conftest import Bench


class Waiting:
    """Makes the scripted adapter wait like a real one: answers beyond its wait are lost, the prompt comes after it."""

    def __init__(self, bench: Bench, answer_time: float, adaptive: bool = True) -> None:
        self.bench = bench
        self.answer_time = answer_time
        self.adaptive_works = adaptive
        self.adaptive, self.wait = 1, 0.2
        self.learnt = 0.03
        bench.fake.on_command = self.listen
        self.car = bench.fake._car
        bench.fake._take = self.take  # type: ignore[method-assign]

    def listen(self, command: str) -> None:
        if match := re.fullmatch(r"ATAT(\d)", command):
            self.adaptive = int(match[1])
        if match := re.fullmatch(r"ATST(..)", command):
            self.wait = int(match[1], 16) * 0.004

    def take(self, command: str) -> None:
        fake = self.bench.fake
        if command.startswith("AT") or "\x7f" in command:
            type(fake)._take(fake, command)
            return
        fake.commands.append(command)
        text = self.car(command)
        wait = min(self.wait, self.learnt) if self.adaptive == 2 and self.adaptive_works else self.wait
        if self.answer_time > wait or text == "NO DATA":
            fake._say(wait, "NO DATA\r\r>")
        else:
            fake._say(self.answer_time, text + "\r")
            fake._say(self.answer_time + wait, "\r>")


def test_a_quick_car_gets_quick_timing(bench: Bench) -> None:
    waiting = Waiting(bench, answer_time=0.01)
    connection = bench.adapter.connect()
    assert waiting.adaptive == 2
    assert connection.rate == pytest.approx(1 / 0.04, rel=0.1)


def test_a_slow_car_keeps_its_time_and_loses_nothing(bench: Bench) -> None:
    waiting = Waiting(bench, answer_time=0.1)
    connection = bench.adapter.connect()
    assert (waiting.adaptive, waiting.wait) == (CAUTIOUS.adaptive, pytest.approx(CAUTIOUS.wait * 0.004))
    assert connection.ecus == (0x7E8,)


def test_an_adapter_without_adaptive_timing_is_given_a_shorter_limit(bench: Bench) -> None:
    waiting = Waiting(bench, answer_time=0.01, adaptive=False)
    bench.adapter.connect()
    assert waiting.wait < 0.1
    assert bench.adapter.request(b"\x01\x0c")[0].status == "ok"


def test_a_request_that_never_had_an_answer_gets_a_second_look(bench: Bench) -> None:
    waiting = Waiting(bench, answer_time=0.01)
    bench.adapter.connect()
    waiting.answer_time = 0.06
    assert bench.adapter.request(b"\x01\x05")[0].status == "ok"
    assert waiting.adaptive == CAUTIOUS.adaptive
    assert any("more time" in notice for notice in bench.notices)


def test_a_second_look_in_vain_goes_back_to_quick_timing_and_is_not_repeated(bench: Bench) -> None:
    waiting = Waiting(bench, answer_time=0.01)
    bench.connected()
    for _ in range(3):
        assert bench.adapter.request(b"\x01\x0e")[0].status == "no_data"
    assert waiting.adaptive == QUICK.adaptive
    assert bench.fake.to_car() == ["010E"] * 4


def test_answers_that_go_missing_between_others_loosen_the_timing(bench: Bench) -> None:
    waiting = Waiting(bench, answer_time=0.01)
    bench.adapter.connect()
    for turn in range(8):
        waiting.answer_time = 0.06 if turn % 2 else 0.01
        bench.adapter.request(b"\x01\x0c")
    assert waiting.adaptive == CAUTIOUS.adaptive


def test_a_car_that_falls_silent_for_a_while_keeps_its_quick_timing(bench: Bench) -> None:
    waiting = Waiting(bench, answer_time=0.01)
    bench.adapter.connect()
    for ignition in (True, False, False, False, False, False, True, True):
        waiting.answer_time = 0.01 if ignition else 9.0
        bench.adapter.request(b"\x01\x0c")
    assert waiting.adaptive == QUICK.adaptive
