from __future__ import annotations

import pytest

from obdwatch.adapters.elm327.prompt_habit import HABIT
from obdwatch.adapters.elm327.transport import INTERRUPT, RESYNC_BUDGET, Transport
from obdwatch.clock import InjectedClock
from obdwatch.errors import ConnectionLost
from tests.adapters.elm327.scripted_adapter import ScriptedAdapter

REQUEST = b"\x01\x0c"


@pytest.fixture
def notices() -> list[str]:
    return []


@pytest.fixture
def fake() -> ScriptedAdapter:
    fake = ScriptedAdapter(InjectedClock())
    fake.echo, fake.headers, fake.spaces = False, True, False
    return fake


@pytest.fixture
def transport(fake: ScriptedAdapter, notices: list[str]) -> Transport:
    transport = Transport(fake, fake.clock, notices.append, "/dev/test")
    transport.identity = ("ATI", ["ELM327V1.5"])
    transport.greet("ATI", 1.0)
    fake.commands.clear()
    return transport


def test_a_reply_is_the_text_before_the_prompt(transport: Transport, fake: ScriptedAdapter) -> None:
    reply = transport.service(REQUEST, 1.0)
    assert reply.text.split() == ["7E804410C1AF8000000"]
    assert reply.complete
    assert reply.latency == pytest.approx(0.04)


def test_silence_ends_at_the_deadline(transport: Transport, fake: ScriptedAdapter) -> None:
    fake.answers["010C"].append(None)
    started = fake.clock.monotonic()
    reply = transport.service(REQUEST, 1.0)
    assert not reply.complete
    assert fake.clock.monotonic() - started == pytest.approx(1.0)


def test_an_endless_stream_without_a_prompt_ends_at_the_deadline(transport: Transport, fake: ScriptedAdapter) -> None:
    fake.answers["010C"].append(None)
    for n in range(1000):
        fake.arrives("FF FF ", after=n * 0.01)
    started = fake.clock.monotonic()
    assert not transport.service(REQUEST, 1.0).complete
    assert fake.clock.monotonic() - started < 1.1


def test_an_endless_flood_that_takes_no_time_ends_too(fake: ScriptedAdapter, transport: Transport) -> None:
    fake.answers["010C"].append((0.0, b"x" * 100_000))
    assert not transport.service(REQUEST, 1.0).complete


def test_the_interrupt_is_never_a_bare_carriage_return(fake: ScriptedAdapter, transport: Transport) -> None:
    written: list[bytes] = []
    write = fake.write
    fake.write = lambda data: (written.append(data), write(data))[1]  # type: ignore[method-assign]
    fake.answers["010C"] += [None, "\r>", "junk\r>"]
    for _ in range(5):
        transport.service(REQUEST, 1.0)
    assert b"\x7f\x7f\r" in written
    assert all(data.strip(b"\r") for data in written)


def test_after_a_timeout_the_identity_is_asked_for_before_anything_else(
    transport: Transport, fake: ScriptedAdapter
) -> None:
    fake.answers["010C"].append(None)
    transport.service(REQUEST, 1.0)
    assert transport.service(REQUEST, 1.0).complete
    assert fake.commands == ["010C", "\x7f\x7f", "ATI", "010C"]


def test_a_late_answer_is_not_taken_for_the_next(transport: Transport, fake: ScriptedAdapter) -> None:
    fake.answers["010C"].append((1.3, "7E804410C0000000000\r\r>"))
    transport.service(REQUEST, 1.0)
    assert "1AF8" in transport.service(REQUEST, 1.0).text
    assert not any(b"01" in data for data in fake.sent_while_busy)


def test_stray_prompts_are_dropped(transport: Transport, fake: ScriptedAdapter) -> None:
    transport.service(REQUEST, 1.0)
    fake.arrives("\r\n>\r>\x00")
    assert "1AF8" in transport.service(REQUEST, 1.0).text
    assert "ATI" not in fake.commands


def test_stray_text_makes_the_next_command_prove_being_in_step(transport: Transport, fake: ScriptedAdapter) -> None:
    transport.service(REQUEST, 1.0)
    fake.arrives("7E804410C0000000000\r\r>")
    assert "1AF8" in transport.service(REQUEST, 1.0).text
    assert fake.commands == ["010C", "\x7f\x7f", "ATI", "010C"]


def test_an_empty_answer_means_out_of_step(transport: Transport, fake: ScriptedAdapter) -> None:
    fake.answers["010C"].append("\r\r>")
    transport.service(REQUEST, 1.0)
    transport.service(REQUEST, 1.0)
    assert fake.commands == ["010C", "\x7f\x7f", "ATI", "010C"]


def test_null_bytes_go_and_other_strange_bytes_stay_visible(transport: Transport, fake: ScriptedAdapter) -> None:
    fake.answers["010C"].append(b"7E8\x0004410C1AF8\xff00\r>")
    assert transport.service(REQUEST, 1.0).text == "7E804410C1AF8\ufffd00\r"


def test_a_prompt_glued_to_text_ends_the_reply(transport: Transport, fake: ScriptedAdapter) -> None:
    fake.answers["010C"].append("7E804410C1AF8000000>")
    assert transport.service(REQUEST, 1.0).text == "7E804410C1AF8000000"


def test_an_adapter_that_never_falls_into_step_is_lost_in_time(transport: Transport, fake: ScriptedAdapter) -> None:
    fake.always = {"ATI": "hello\r>", "\x7f\x7f": None, "010C": None}
    transport.service(REQUEST, 1.0)
    started = fake.clock.monotonic()
    with pytest.raises(ConnectionLost, match="/dev/test: the adapter stopped answering"):
        transport.service(REQUEST, 1.0)
    assert fake.clock.monotonic() - started <= RESYNC_BUDGET + 1.0


def test_the_end_of_the_link_is_raised_at_once(transport: Transport, fake: ScriptedAdapter) -> None:
    fake.dead = True
    started = fake.clock.monotonic()
    with pytest.raises(ConnectionLost):
        transport.service(REQUEST, 1.0)
    assert fake.clock.monotonic() == started


@pytest.mark.parametrize("text", ["ELM327 v1.5\r\r>", "LV RESET\r\r>", "\r\rELM327 v2.1\r"])
def test_an_unasked_restart_is_noticed(transport: Transport, fake: ScriptedAdapter, text: str) -> None:
    fake.arrives(text)
    transport.service(REQUEST, 1.0)
    assert transport.reset_seen


def test_being_asked_for_its_name_is_no_restart(transport: Transport, fake: ScriptedAdapter) -> None:
    transport.adapter_command("ATI")
    transport.adapter_command("ATZ")
    transport.distrust()
    transport.service(REQUEST, 1.0)
    assert not transport.reset_seen


def test_the_user_hears_something_every_three_seconds(
    transport: Transport, fake: ScriptedAdapter, notices: list[str]
) -> None:
    fake.answers["010C"].append((10.0, "7E804410C1AF8000000\r>"))
    transport.begin("waiting for the car")
    transport.service(REQUEST, 12.0)
    assert notices == ["still waiting for the car"] * 3


@pytest.mark.parametrize("command", ["010C", "04", "AT", "ATI\r04", "at04", "ATSP 0", ""])
def test_only_adapter_commands_go_out_as_such(transport: Transport, fake: ScriptedAdapter, command: str) -> None:
    with pytest.raises(ValueError, match="no adapter command"):
        transport.adapter_command(command)
    assert fake.commands == []


def false_prompt(fake: ScriptedAdapter) -> None:
    """The next reply has a prompt in its middle; its last line comes a tenth of a second later."""
    fake.answers["010C"].append("7E804410C1AF8000000\r>")
    fake.on_command = lambda command: None if command != "010C" else fake.arrives("7E904410C1AF7000000\r\r>", 0.1)


def test_a_prompt_in_the_middle_of_a_reply_is_not_believed(transport: Transport, fake: ScriptedAdapter) -> None:
    for _ in range(HABIT):
        assert transport.service(REQUEST, 1.0).complete
    false_prompt(fake)
    assert not transport.service(REQUEST, 1.0).complete
    fake.on_command = lambda command: None
    fake.commands.clear()
    assert transport.service(b"\x01\x0d", 1.0).text.split() == ["7E803410D3200000000"]
    assert fake.sent_while_busy == [INTERRUPT]  # nothing that the car could be asked by mistake
    assert fake.to_car() == ["010D"]


def test_an_adapter_that_leaves_no_empty_line_is_believed(transport: Transport, fake: ScriptedAdapter) -> None:
    fake.always["010C"] = "7E804410C1AF8000000\r>"
    assert all(transport.service(REQUEST, 1.0).complete for _ in range(2 * HABIT))


def test_a_habit_that_ends_costs_three_replies(transport: Transport, fake: ScriptedAdapter) -> None:
    for _ in range(HABIT):
        transport.service(REQUEST, 1.0)
    fake.always |= {"010C": "7E804410C1AF8000000\r>"}
    complete = [transport.service(REQUEST, 1.0).complete for _ in range(20)]
    assert not any(complete[:2])
    assert all(complete[-5:])
