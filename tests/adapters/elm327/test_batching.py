from __future__ import annotations

import pytest

from obdwatch.adapters.elm327.batching import Batching
from tests.adapters.elm327.conftest import Bench

SIX = bytes.fromhex("010C0D04050B0F")


@pytest.mark.parametrize("most", [6, 5, 4, 3, 2, 1])
def test_as_many_parameters_as_the_car_answers_are_put_together(bench: Bench, most: int) -> None:
    bench.fake.most_parameters = most
    assert bench.adapter.connect().parameters_per_request == most


def test_a_car_that_answers_only_the_first_parameter_gets_single_requests(bench: Bench) -> None:
    whole = bench.fake._reply
    bench.fake._reply = lambda command, supported: whole(command[:4], supported)  # type: ignore[method-assign]
    assert bench.adapter.connect().parameters_per_request == 1


def test_an_adapter_that_rejects_long_commands_gets_shorter_ones(bench: Bench) -> None:
    car = bench.fake._car
    bench.fake._car = lambda command: car(command) if len(command) <= 8 else "?"  # type: ignore[method-assign]
    assert bench.adapter.connect().parameters_per_request == 3


def test_joint_answers_that_do_not_agree_with_single_ones_are_not_trusted(bench: Bench) -> None:
    whole = bench.fake._reply

    def shifted(command: str, supported: tuple[int, ...]) -> str:
        reply = whole(command, supported)
        return reply.replace("1C06", "1C07") if len(command) > 4 else reply

    bench.fake._reply = shifted  # type: ignore[method-assign]
    assert bench.adapter.connect().parameters_per_request == 1


def test_an_engine_that_starts_while_connecting_does_not_cost_the_joint_requests(bench: Bench) -> None:
    whole = bench.fake._reply
    joint = [False]

    def started(command: str, supported: tuple[int, ...]) -> str:
        joint[0] |= len(command) > 4 and command.startswith("01")
        reply = whole(command, supported)
        return reply.replace("1C06", "1C0A") if joint[0] else reply  # from the first joint request on, something else

    bench.fake._reply = started  # type: ignore[method-assign]
    assert bench.adapter.connect().parameters_per_request == 6


def test_a_request_for_more_than_the_limit_is_split(bench: Bench) -> None:
    bench.fake.most_parameters = 3
    exchanges = bench.connected().adapter.request(SIX)
    assert [exchange.request.hex() for exchange in exchanges] == ["010c0d04", "01050b0f"]
    assert [exchange.status for exchange in exchanges] == ["ok", "ok"]


def test_joint_requests_that_begin_to_fail_give_way_to_smaller_ones(bench: Bench) -> None:
    bench.connected().fake.most_parameters = 1
    for _ in range(12):
        exchanges = bench.adapter.request(SIX)
    assert bench.adapter.parameters_per_request == 1
    assert [exchange.status for exchange in exchanges] == ["ok"] * 6
    assert any("joint" in notice for notice in bench.notices)


def test_after_a_bad_spell_joint_requests_come_back(bench: Bench) -> None:
    bench.connected().fake.most_parameters = 1
    for _ in range(12):
        bench.adapter.request(SIX)
    bench.fake.most_parameters = 6
    for _ in range(20):
        bench.clock.sleep(60.0)
        exchanges = bench.adapter.request(SIX)
    assert bench.adapter.parameters_per_request == 6
    assert len(exchanges) == 1


def test_trying_more_in_vain_costs_ever_less(bench: Bench) -> None:
    bench.connected().fake.most_parameters = 1
    for _ in range(12):
        bench.adapter.request(SIX)
    bench.fake.commands.clear()
    for _ in range(600):
        bench.adapter.request(SIX)
        bench.clock.sleep(1.0)
    assert sum(len(command) > 4 for command in bench.fake.to_car()) < 30


def test_a_damaged_joint_answer_while_connecting_does_not_decide(bench: Bench) -> None:
    bench.fake.answers["011C0C330F0511"].append("7E8101G\r\r>")
    assert bench.adapter.connect().parameters_per_request == 6
    assert not bench.fake.answers["011C0C330F0511"]


def test_a_car_that_falls_silent_does_not_cost_the_joint_requests(bench: Bench) -> None:
    bench.connected().fake.ignition = False
    for _ in range(12):
        bench.adapter.request(SIX)
        bench.clock.sleep(1.0)
    bench.fake.ignition = True
    bench.clock.sleep(10.0)
    bench.adapter.request(SIX)
    assert bench.adapter.request(SIX)[0].status == "ok"
    assert bench.adapter.parameters_per_request == 6


def test_a_refused_joint_request_is_not_remembered_against_its_parameters(bench: Bench) -> None:
    bench.connected().fake.answers["010C0D"].append("7E8037F013100000000\r\r>")
    assert bench.adapter.request(b"\x01\x0c\x0d")[0].status == "negative"
    assert bench.adapter.request(b"\x01\x0c\x0d")[0].status == "ok"


def test_other_services_are_never_split() -> None:
    batching = Batching(1)
    assert batching.split(b"\x02\x0c\x00") == [b"\x02\x0c\x00"]
    assert batching.split(b"\x03") == [b"\x03"]
    assert batching.split(b"\x01\x0c\x0d") == [b"\x01\x0c", b"\x01\x0d"]
