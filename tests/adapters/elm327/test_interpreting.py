from __future__ import annotations

import pytest

from obdwatch.adapters.elm327.interpreting import Interpreter, Reply
from obdwatch.adapters.elm327.padding import MINIMUM_VOTES
from obdwatch.adapters.elm327.protocols import PROTOCOL_BY_DIGIT
from tests.adapters.elm327.scripted_adapter import frames
from tests.adapters.elm327.true_replies import can_reply, legacy_line


def can(*lines: str, complete: bool = True, known: bool = True) -> Reply:
    interpreter = Interpreter(PROTOCOL_BY_DIGIT["6"])
    if known:
        for header in ("7E8", "7E9"):
            for payload in ("4100BE3FA813", "490201" + "31" * 17):
                for _ in range(2):
                    interpreter.read("\r".join(frames(header, payload)), "0100")
        interpreter.ecus = frozenset({0x7E8, 0x7E9})
        interpreter.habits.learning = False
    return interpreter.read("\r".join(lines), "010C", complete)


def payloads(reply: Reply) -> dict[int, str]:
    return {message.ecu: message.payload.hex().upper() for message in reply.messages}


ENGINE = "7E804410C1AF8000000"
GEARBOX = "7E904410C1AF7000000"


def test_two_control_units_are_kept_apart() -> None:
    assert payloads(can(ENGINE, GEARBOX)) == {0x7E8: "410C1AF8", 0x7E9: "410C1AF7"}


def test_interleaved_segments_of_two_control_units_are_joined() -> None:
    reply = can_reply("6", "0902", {0x7E8: "490201" + "31" * 17, 0x7E9: "490201" + "32" * 17}, "00")
    assert payloads(can(*reply.lines)) == reply.payloads


def test_a_long_message_wraps_its_sequence_numbers() -> None:
    payload = "46" + "".join(f"A2{n:02X}" for n in range(80))
    assert payloads(can(*frames("7E8", payload))) == {0x7E8: payload}


def test_a_repeated_line_counts_once() -> None:
    assert payloads(can(ENGINE, ENGINE)) == {0x7E8: "410C1AF8"}
    vin = frames("7E8", "490201" + "31" * 17)
    assert payloads(can(*(line for line in vin for _ in range(2)))) == {0x7E8: "490201" + "31" * 17}
    assert payloads(can(*vin, *vin)) == {0x7E8: "490201" + "31" * 17}


def test_two_different_answers_of_one_control_unit_cancel_out() -> None:
    reply = can(ENGINE, "7E804410C1AF9000000", GEARBOX)
    assert payloads(reply) == {0x7E9: "410C1AF7"}
    assert reply.damaged


@pytest.mark.parametrize("lost", range(3))
def test_a_segmented_message_with_a_missing_frame_gives_nothing(lost: int) -> None:
    lines = frames("7E8", "490201" + "31" * 17)
    del lines[lost]
    reply = can(*lines)
    assert payloads(reply) == {}
    assert reply.damaged


def test_segments_out_of_order_give_nothing() -> None:
    first, one, two = frames("7E8", "490201" + "31" * 17)
    assert payloads(can(first, two, one)) == {}
    assert payloads(can(one, first, two)) == {}


def test_a_length_that_does_not_fit_the_bytes_gives_nothing() -> None:
    assert payloads(can("7E808410C1AF8000000")) == {}
    assert payloads(can("7E800410C1AF8000000")) == {}
    assert payloads(can("7E81005410C1AF80D32")) == {}  # a first frame that would have fitted into one


def test_a_flow_control_or_foreign_frame_is_damage_and_whole_frames_stay() -> None:
    assert can("7E8300000").damaged
    assert payloads(can("7E8300000", GEARBOX)) == {0x7E9: "410C1AF7"}


def test_a_frame_shorter_than_this_car_sends_is_damage() -> None:
    assert payloads(can("7E804410C1AF8")) == {}
    assert payloads(can("7E804410C1AF8", known=False)) == {0x7E8: "410C1AF8"}


def test_a_frame_that_runs_into_another_one_is_damage() -> None:
    """The cut front of a last frame and the next unit's frame can make a line of just the right length."""
    first, second, last = frames("7E8", "410C046D0B543364053D0F3C463C")
    interpreter = Interpreter(PROTOCOL_BY_DIGIT["6"])
    for _ in range(MINIMUM_VOTES):
        assert payloads(interpreter.read("\r".join([first, second, last]), "01")) != {}
    interpreter.habits.learning = False
    reply = interpreter.read("\r".join([first, second, last[:6] + "7E904410C046A"]), "01")
    assert payloads(reply) == {}
    assert reply.damaged


def test_fillers_that_vary_are_no_habit() -> None:
    interpreter = Interpreter(PROTOCOL_BY_DIGIT["6"])
    for filler in ("00", "55", "AA", "CC", "FF"):
        assert payloads(interpreter.read("7E804410C1AF8" + filler * 3, "010C")) == {0x7E8: "410C1AF8"}


@pytest.mark.parametrize("word", ["NO DATA", "STOPPED", "ELM327 v1.5"])
def test_words_that_deny_an_answer_make_frames_beside_them_those_of_an_earlier_command(word: str) -> None:
    reply = can(ENGINE, word)
    assert payloads(reply) == {}
    assert reply.damaged


def test_in_a_damaged_reply_a_frame_of_unknown_padding_proves_nothing() -> None:
    assert payloads(can("7E804410C1AF8", "7E9XX", known=False)) == {}
    assert payloads(can("7E804410C1AF8", complete=False, known=False)) == {}


def test_an_unknown_control_unit_is_named_but_not_believed() -> None:
    reply = can(ENGINE, "7EA04410C1AF7000000")
    assert payloads(reply) == {0x7E8: "410C1AF8"}
    assert reply.strangers == {0x7EA}
    assert reply.damaged


def test_patience_asked_for_is_no_answer_and_no_refusal() -> None:
    assert payloads(can("7E8037F017800000000", ENGINE)) == {0x7E8: "410C1AF8"}
    reply = can("7E8037F017800000000")
    assert payloads(reply) == {}
    assert reply.pending == {0x7E8}


def old(digit: str, command: str, *lines: str) -> Reply:
    return Interpreter(PROTOCOL_BY_DIGIT[digit]).read("\r".join(lines), command)


OLD_BUSES = [("1", "416B10"), ("2", "486B10"), ("3", "486B10"), ("4", "F110"), ("5", "F110")]


@pytest.mark.parametrize(("digit", "header"), OLD_BUSES)
def test_old_buses_join_what_belongs_together(digit: str, header: str) -> None:
    codes = [legacy_line(header, data, digit) for data in ("43013301710420", "43C10000000000")]
    assert payloads(old(digit, "03", *codes)) == {0x10: "43013301710420C10000000000"}
    pending = [legacy_line(header, data, digit) for data in ("47013301710420", "47C10000000000")]
    assert payloads(old(digit, "07", *pending)) == {0x10: "47013301710420C10000000000"}
    results = [legacy_line(header, data, digit) for data in ("46050100500000", "46050200510000")]
    assert payloads(old(digit, "0605", *results)) == {0x10: "46050100500000050200510000"}
    vin = [f"4902{n:02X}{n:02X}{n:02X}{n:02X}{n:02X}" for n in range(1, 6)]
    lines = [legacy_line(header, data, digit) for data in vin]
    whole = {0x10: "4902" + "".join(f"{n:02X}" * 4 for n in range(1, 6))}
    assert payloads(old(digit, "0902", *lines)) == whole
    assert payloads(old(digit, "0902", *reversed(lines))) == whole
    for lost in range(5):
        assert payloads(old(digit, "0902", *lines[:lost], *lines[lost + 1 :])) == {}


def test_an_old_bus_with_two_control_units_keeps_them_apart() -> None:
    lines = [legacy_line(f"486B{ecu}", f"410C1A{ecu}", "3") for ecu in ("10", "18")]
    assert payloads(old("3", "010C", *lines)) == {0x10: "410C1A10", 0x18: "410C1A18"}


def test_damage_beside_a_list_of_codes_on_an_old_bus_withholds_the_list() -> None:
    whole = legacy_line("486B10", "43013301710420", "3")
    assert payloads(old("3", "03", whole)) == {0x10: "43013301710420"}
    assert payloads(old("3", "03", whole, "486B1043C1")) == {}


def test_a_lone_message_with_a_true_checksum_stands_beside_damage() -> None:
    assert payloads(old("3", "010C", legacy_line("486B10", "410C1AF8", "3"), "486B18")) == {0x10: "410C1AF8"}
