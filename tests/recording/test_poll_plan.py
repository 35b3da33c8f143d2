"""The plan fills the link, forgets nothing, watches the starter, and gets over a car that does not play along."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import pytest
from hypothesis import Phase as Stage
from hypothesis import given, settings
from hypothesis import strategies as st

from obdwatch.clock import InjectedClock
from obdwatch.decoding.parameters import data_length, fields_of
from obdwatch.recording.extra_requests import VOLTAGE_INTERVAL
from obdwatch.recording.poll_plan import AT_STANDSTILL, SPACING_PRESSING, Ask, Phase, PollPlan
from obdwatch.recording.poll_queue import LEAST_ALONE
from obdwatch.recording.poll_targets import SLOWEST, poll_class
from obdwatch.records import Mark, MarkKind, PollClass
from tests.recording.fake_car import USUAL_PIDS, FakeCar

CEILING_SHARE = 0.92  # of requests per second times six


def drive(car: FakeCar, seconds: float, plan: PollPlan | None = None) -> tuple[PollPlan, list[Mark]]:
    """Let a plan ask a car for a while; return the plan and what it noticed."""
    plan = plan or PollPlan(car.connection())
    marks: list[Mark] = []
    end = car.clock.elapsed() + seconds
    while car.clock.elapsed() < end:
        ask = plan.next(car.clock.elapsed())
        car.clock.sleep(ask.at - car.clock.elapsed())
        exchanges = (car.voltage(),) if ask.request == b"ATRV" else car.request(ask.request, ask.deadline)
        marks += plan.heard(ask, exchanges, car.clock.elapsed())
    return plan, marks


def asked(car: FakeCar, start: float = 0.0, end: float = 1e9) -> list[bytes]:
    return [request for t, request in car.requests if start <= t < end]


def per_pid(requests: list[bytes]) -> Counter[int]:
    return Counter(pid for request in requests if request[0] == 1 for pid in request[1:])


def running_car(**changes: object) -> FakeCar:
    return FakeCar(InjectedClock(), **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize("start", [2.0, 40.0, 300.0])
def test_values_per_second_come_near_the_ceiling_with_all_extras(start: float) -> None:
    car = running_car()
    drive(car, start + 60.0)
    requests = asked(car, start, start + 60.0)
    values = sum(len(request) - 1 for request in requests if request[0] == 1)
    assert values >= CEILING_SHARE * 6 * len(requests)


def test_a_request_is_always_full_however_few_parameters_are_due() -> None:
    car = running_car(pids=(0x05, 0x0C, 0x0D, 0x0F, 0x2F, 0x33, 0x46))
    drive(car, 60.0)
    batches = [request for request in asked(car, 2.0) if request[0] == 1]
    assert {len(request) - 1 for request in batches} == {6}


def test_no_parameter_is_asked_twice_in_one_request() -> None:
    car = running_car(pids=(0x05, 0x0C, 0x0D))
    drive(car, 20.0)
    assert all(len(set(request[1:])) == len(request) - 1 for request in asked(car) if request[0] == 1)


def test_each_class_gets_its_pace_on_a_fast_link() -> None:
    car = running_car()
    drive(car, 400.0)
    rates = {pid: n / 300 for pid, n in per_pid(asked(car, 100.0)).items()}
    assert rates[0x0C] > 5.0  # engine speed
    assert rates[0x0B] > 5.0  # manifold pressure
    assert rates[0x05] == pytest.approx(1.0, rel=0.2)  # coolant: cooling needs it each second
    assert rates[0x07] == pytest.approx(1 / 3, rel=0.2)  # long trim
    assert rates[0x2F] == pytest.approx(1 / 30, rel=0.3)  # fuel level
    assert 0x51 not in rates  # fuel type: once, and that was earlier
    assert per_pid(asked(car))[0x51] == 1


def test_a_slow_link_serves_what_detectors_need_and_forgets_nothing() -> None:
    car = running_car(most=1, seconds_per_request=0.2)  # a K-line: five values per second
    drive(car, 1200.0)
    rates = {pid: n / 900 for pid, n in per_pid(asked(car, 300.0)).items()}
    once = {pid for pid in USUAL_PIDS if poll_class(pid) is PollClass.ONCE}
    assert set(rates) == set(USUAL_PIDS) - once
    assert rates[0x0C] == pytest.approx(max(rates.values()), rel=0.01)
    assert rates[0x0C] > 0.4
    assert rates[0x05] > 0.1  # the coolant still shows a warm-up
    assert rates[0x14] < rates[0x0C] / 5  # a switching oxygen sensor would show nothing at this pace


def test_misfire_counters_and_cam_timing_come_every_half_minute_other_monitors_every_few_minutes() -> None:
    car = running_car()
    drive(car, 660.0)
    counts = Counter(request for request in asked(car, 60.0) if request[0] == 0x06)
    for monitor in (0xA1, 0xA2, 0xA3, 0xA4, 0xA5, 0x35, 0x36):
        assert counts[bytes((0x06, monitor))] == pytest.approx(20, abs=2)
    for monitor in (0x01, 0x21, 0x39, 0x41):
        assert counts[bytes((0x06, monitor))] == pytest.approx(2.5, abs=1)


def test_codes_come_first_and_every_few_minutes_information_once() -> None:
    car = running_car()
    drive(car, 660.0)
    others = [request for request in asked(car) if request[0] != 0x01]
    assert others[:4] == [b"\x03", b"\x07", b"\x0a", b"\x02\x02\x00"]
    counts = Counter(others)
    assert counts[b"\x03"] == counts[b"\x07"] == counts[b"\x0a"] == 3
    assert counts[b"\x09\x02"] == counts[b"\x09\x04"] == counts[b"\x09\x06"] == 1


def test_everything_is_asked_within_the_first_two_minutes() -> None:
    car = running_car()
    drive(car, 120.0)
    assert set(per_pid(asked(car))) == set(USUAL_PIDS)
    assert {request[1] for request in asked(car) if request[0] == 0x06} == set(car.monitors)


def test_a_code_that_appears_brings_its_freeze_frame() -> None:
    car = running_car()
    plan, _ = drive(car, 100.0)
    assert asked(car).count(b"\x02\x02\x00") == 1
    car.codes = {0x03: b"\x01\x01\x71"}
    drive(car, 300.0, plan)
    requests = asked(car)
    assert requests.count(b"\x02\x02\x00") == 2
    assert b"\x02\x00\x00" in requests


def test_parameters_of_unsure_length_travel_alone() -> None:
    alone = [pid for pid in range(0x01, 0xA0) if fields_of(pid) and data_length(pid) is None][:3]
    car = running_car(pids=(*USUAL_PIDS, *alone))
    drive(car, 300.0)
    for pid in alone:
        requests = [request for request in asked(car) if request[0] == 1 and pid in request[1:]]
        assert requests
        assert all(len(request) == 2 for request in requests)


def test_voltage_is_read_at_the_adapter_only_where_the_car_does_not_report_it() -> None:
    with_it, without = running_car(), running_car(pids=[pid for pid in USUAL_PIDS if pid != 0x42])
    drive(with_it, 60.0)
    drive(without, 60.0)
    assert b"ATRV" not in asked(with_it)
    assert asked(without, 5.0).count(b"ATRV") >= 15


# --- a parameter or a link that does not play along


def test_a_parameter_that_never_answers_is_asked_ever_more_rarely_but_not_for_ever_dropped() -> None:
    car = running_car(refused=(0x2E,))
    drive(car, 1500.0)
    times = [t for t, request in car.requests if request == b"\x01\x2e"]
    gaps = [later - earlier for earlier, later in pairwise(times)]
    assert len(times) < 15
    assert gaps[0] < gaps[3] < gaps[5]
    assert times[-1] > 1100.0


def test_a_parameter_that_answers_again_is_back_at_its_pace() -> None:
    car = running_car(refused=(0x2E,))
    plan, _ = drive(car, 120.0)
    car.refused = ()
    drive(car, 600.0, plan)
    assert per_pid(asked(car, 620.0))[0x2E] > 80


def test_a_parameter_that_answers_only_alone_is_asked_alone() -> None:
    car = running_car(alone=(0x2E,))
    drive(car, 120.0)
    requests = [request for request in asked(car, 60.0) if request[0] == 1 and 0x2E in request[1:]]
    assert len(requests) >= 60.0 / LEAST_ALONE - 2
    assert set(requests) == {b"\x01\x2e"}


class ShortBatches(FakeCar):
    """Answers at most `able` parameters in one request."""

    able = 3

    def answer(self, payload: bytes, t: float) -> bytes | None:
        if payload[0] == 1 and len(payload) - 1 > self.able:
            return None
        return super().answer(payload, t)


@pytest.mark.parametrize("able", [1, 3])
def test_requests_that_fail_when_full_get_smaller(able: int) -> None:
    car = ShortBatches(InjectedClock())
    car.able = able
    drive(car, 600.0)
    answered = [request for request in asked(car, 60.0) if request[0] == 1 and len(request) - 1 <= able]
    assert len(answered) > 0.9 * len(asked(car, 60.0)) - 300
    assert len(per_pid(answered)) == len(USUAL_PIDS) - 2  # without what is asked once


def test_a_link_that_damages_some_replies_keeps_most_of_its_rate() -> None:
    class Damaged(FakeCar):
        count = 0

        def answer(self, payload: bytes, t: float) -> bytes | None:
            self.count += 1
            return None if self.count % 10 == 0 else super().answer(payload, t)

    car = Damaged(InjectedClock())
    drive(car, 120.0)
    requests = asked(car, 30.0)
    values = sum(len(request) - 1 for request in requests if request[0] == 1)
    assert values > 0.75 * 6 * len(requests)


# --- starving is impossible

PIDS = st.sets(st.integers(0x01, 0xA9).filter(lambda pid: pid % 0x20 != 0), min_size=1, max_size=60)
SPEEDS = {"running": 800.0, "stopped": 0.0, "cranking": 220.0}


@given(PIDS, st.integers(1, 6), st.sampled_from([0.05, 0.1, 0.3]), st.sampled_from(sorted(SPEEDS)))
@settings(max_examples=12, deadline=None, phases=[Stage.explicit, Stage.generate])
def test_every_supported_parameter_is_asked_again_within_a_bounded_time(
    pids: set[int], most: int, seconds: float, engine: str
) -> None:
    patience = 31.0  # s; until the key has been on for that long, only the starter is watched
    car = running_car(
        pids=pids, most=most, seconds_per_request=seconds, engine_speed=lambda t: SPEEDS[engine], monitors=()
    )
    alone = sum(data_length(pid) is None for pid in pids)
    wanted = 1 / VOLTAGE_INTERVAL + alone / LEAST_ALONE  # requests per second that take the link for themselves
    bound = 1.25 * SLOWEST * max(1.0, SPACING_PRESSING * seconds * wanted)  # s
    if engine != "running" and 0x0C in pids:
        bound *= 2  # the starter takes four requests of five
    end = patience + 1.5 * bound
    drive(car, end)
    for pid in (pid for pid in pids if poll_class(pid) is not PollClass.NEVER):
        times = [t for t, request in car.requests if request[0] == 1 and pid in request[1:]]
        assert times, f"{pid:02X} was never asked"
        if poll_class(pid) is not PollClass.ONCE:
            longest = max(b - a for a, b in pairwise([patience, *times, end]))
            assert longest <= bound, f"{pid:02X} waited for {longest:.0f} s"


# --- the starter


def test_from_key_on_until_the_engine_runs_only_voltage_and_engine_speed_are_asked() -> None:
    car = running_car(engine_speed=lambda t: 0.0 if t < 4.0 else 210.0 if t < 5.0 else 1100.0)
    _, marks = drive(car, 20.0)
    first, *before = asked(car, 0.0, 5.0)
    assert tuple(first[1:]) == tuple(
        pid for pid in AT_STANDSTILL if pid in USUAL_PIDS
    )  # what only a standing engine shows
    assert set(before) == {b"\x01\x0c\x42"}
    assert len(before) == pytest.approx(5.0 / 0.04, abs=2)  # as fast as the link goes
    assert b"\x03" in asked(car, 5.2)
    assert [(mark.kind, mark.t) for mark in marks] == [(MarkKind.ENGINE_START, pytest.approx(5.04, abs=0.05))]


def test_a_second_start_shows_the_standing_engine_anew() -> None:
    car = running_car(engine_speed=lambda t: 800.0 if 1.0 < t < 10.0 else 0.0)
    drive(car, 20.0)
    standing = bytes((1, *(pid for pid in AT_STANDSTILL if pid in USUAL_PIDS)))
    assert asked(car, 0.0, 0.1)[0] == standing
    assert asked(car, 10.0).count(standing) == 1


def test_without_several_parameters_per_request_voltage_and_speed_take_turns() -> None:
    car = running_car(most=1, engine_speed=lambda t: 0.0)
    drive(car, 10.0)
    requests = asked(car)[sum(pid in USUAL_PIDS for pid in AT_STANDSTILL) :]
    assert set(requests) == {b"\x01\x0c", b"\x01\x42"}
    assert abs(requests.count(b"\x01\x0c") - requests.count(b"\x01\x42")) <= 1


def test_a_unit_that_does_not_report_its_supply_is_helped_by_the_adapter() -> None:
    car = running_car(pids=[pid for pid in USUAL_PIDS if pid != 0x42], engine_speed=lambda t: 0.0)
    drive(car, 10.0)
    requests = asked(car)[1:]
    assert set(requests) == {b"\x01\x0c", b"ATRV"}
    assert abs(requests.count(b"\x01\x0c") - requests.count(b"ATRV")) <= 1


def test_while_the_unit_sleeps_through_cranking_the_voltage_goes_on() -> None:
    car = running_car(
        awake=lambda t: not 3.0 <= t < 5.0, engine_speed=lambda t: 0.0 if t < 5.0 else 900.0, volts=lambda t: 9.9
    )
    _, marks = drive(car, 10.0)
    assert asked(car, 3.5, 5.0).count(b"ATRV") > 15
    assert [mark.kind for mark in marks] == [MarkKind.GAP, MarkKind.ENGINE_START]
    assert marks[0].t == pytest.approx(3.0, abs=0.1)
    assert marks[0].duration == pytest.approx(2.5, abs=1.0)


def test_a_key_left_on_gets_the_rest_asked_too() -> None:
    car = running_car(engine_speed=lambda t: 0.0)
    plan, marks = drive(car, 400.0)
    assert plan.phase is Phase.STARTING
    assert marks == []
    assert set(per_pid(asked(car))) == set(USUAL_PIDS)
    assert b"\x03" in asked(car)
    starter = asked(car, 100.0).count(b"\x01\x0c\x42")
    assert starter > 0.75 * len(asked(car, 100.0))


def test_a_running_engine_found_at_connecting_is_no_start() -> None:
    _, marks = drive(running_car(), 30.0)
    assert marks == []


def test_an_engine_stop_goes_back_to_watching_the_starter() -> None:
    car = running_car(engine_speed=lambda t: 800.0 if t < 20.0 or t > 40.0 else 0.0)
    _, marks = drive(car, 50.0)
    assert [mark.kind for mark in marks] == [MarkKind.ENGINE_STOP, MarkKind.ENGINE_START]
    assert marks[0].t == pytest.approx(20.0, abs=0.5)
    assert set(asked(car, 21.0, 40.0)) == {b"\x01\x0c\x42"}


def test_cranking_speed_is_no_running_engine() -> None:
    car = running_car(engine_speed=lambda t: 290.0)
    plan, marks = drive(car, 10.0)
    assert plan.phase is Phase.STARTING
    assert marks == []


def test_a_car_without_engine_speed_is_simply_recorded() -> None:
    car = running_car(pids=(0x05, 0x0D, 0x42))
    plan, _ = drive(car, 10.0)
    assert plan.phase is Phase.RUNNING
    assert set(per_pid(asked(car))) == {0x05, 0x0D, 0x42}


# --- silence


def test_a_parked_night_costs_few_requests_and_ends_with_the_key() -> None:
    night = 8 * 3600.0
    car = running_car(
        awake=lambda t: t < 60.0 or t > night, engine_speed=lambda t: 800.0 if t < 60.0 or t > night + 5 else 0.0
    )
    _, marks = drive(car, night + 60.0)
    quiet = [request for t, request in car.requests if 1000.0 < t < night]
    assert len(quiet) < 0.7 * night
    assert quiet.count(b"\x01\x0c") < night / 9
    kinds = [mark.kind for mark in marks]
    assert kinds == [MarkKind.GAP, MarkKind.ENGINE_STOP, MarkKind.ENGINE_START]
    assert marks[0].duration == pytest.approx(night - 60.0, abs=15.0)
    assert marks[1].t == marks[0].t  # some time after that: nobody knows when


def test_the_starter_wakes_the_voltage_reading_before_the_unit_answers() -> None:
    crank = 3600.0
    car = running_car(
        awake=lambda t: t < 10.0 or t > crank + 4.0,
        volts=lambda t: 12.4 if t < crank else 9.8,
        engine_speed=lambda t: 0.0,
    )
    drive(car, crank + 3.0)
    assert len([t for t, request in car.requests if request == b"ATRV" and t > crank]) > 10


def test_one_unanswered_request_is_no_silence() -> None:
    class Hiccup(FakeCar):
        def answer(self, payload: bytes, t: float) -> bytes | None:
            return None if 10.0 <= t < 10.05 else super().answer(payload, t)

    car = Hiccup(InjectedClock())
    plan, marks = drive(car, 20.0)
    assert marks == []
    assert plan.phase is Phase.RUNNING


def test_refusals_while_the_car_slept_are_forgiven() -> None:
    car = running_car(awake=lambda t: not 60.0 <= t < 70.0)
    drive(car, 90.0)
    assert set(per_pid(asked(car, 72.0))) >= {0x04, 0x05, 0x0B, 0x0C, 0x0D, 0x11}


def test_a_clone_that_cannot_measure_voltage_is_probed_only() -> None:
    plan = PollPlan(running_car().connection())
    clock = InjectedClock()
    car = FakeCar(clock, awake=lambda t: False, volts=lambda t: float("nan"))
    drive(car, 60.0, plan)
    assert asked(car, 10.0).count(b"ATRV") == 0
    assert 30 < len(asked(car, 10.0)) < 100


def test_a_silent_session_ends_with_its_gap() -> None:
    car = running_car(awake=lambda t: t < 10.0)
    plan, marks = drive(car, 30.0)
    assert marks == []
    (gap,) = plan.closing_marks(car.clock.elapsed())
    assert gap.kind is MarkKind.GAP
    assert gap.t == pytest.approx(10.0, abs=0.1)
    assert gap.t + gap.duration == pytest.approx(car.clock.elapsed())
    assert plan.closing_requests() == ()


def test_the_codes_are_read_once_more_at_the_end() -> None:
    plan, _ = drive(running_car(), 10.0)
    assert plan.closing_requests() == (Ask(b"\x03", 0.0), Ask(b"\x07", 0.0), Ask(b"\x0a", 0.0))
