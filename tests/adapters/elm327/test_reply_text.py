from __future__ import annotations

import pytest

from obdwatch.adapters.elm327.conditions import Condition
from obdwatch.adapters.elm327.reply_text import lines_of, sort_lines

FRAME = "7E804410C1AF8"


@pytest.mark.parametrize(
    ("text", "condition"),
    [
        ("NO DATA", Condition.NO_DATA),
        ("NODATA", Condition.NO_DATA),
        ("BUFFER FULL", Condition.BUS_ERROR),
        ("CAN ERROR", Condition.BUS_ERROR),
        ("BUS ERROR", Condition.BUS_ERROR),
        ("BUS BUSY", Condition.BUS_ERROR),
        ("FB ERROR", Condition.BUS_ERROR),
        ("DATA ERROR", Condition.BUS_ERROR),
        ("<RX ERROR", Condition.BUS_ERROR),
        ("ACT ALERT", Condition.BUS_ERROR),
        ("ERR71", Condition.BUS_ERROR),
        ("ERR94", Condition.RESET),
        ("LV RESET", Condition.RESET),
        ("ELM327 v1.5", Condition.RESET),
        ("ELM327 v2.1a", Condition.RESET),
        ("UNABLE TO CONNECT", Condition.DISCONNECTED),
        ("SEARCHING...UNABLE TO CONNECT", Condition.DISCONNECTED),
        ("BUS INIT: ...ERROR", Condition.DISCONNECTED),
        ("BUS INIT: ERROR", Condition.DISCONNECTED),
        ("STOPPED", Condition.STOPPED),
        ("?", Condition.NOT_UNDERSTOOD),
    ],
)
def test_every_word_of_the_adapter_is_known(text: str, condition: Condition) -> None:
    sorted_text = sort_lines(f"{text}\r\r", "010C")
    assert sorted_text.conditions == {condition}
    assert not sorted_text.hex_lines
    assert not sorted_text.damaged


@pytest.mark.parametrize(
    "text",
    [
        f"SEARCHING...{FRAME}\r",
        f"SEARCHING...\r{FRAME}\r\r",
        f"SEARCHING: {FRAME}".replace(":", ""),
        f"BUS INIT: ...OK\r{FRAME}\r",
        f"BUS INIT: OK\r\n{FRAME}\r\n",
        f"BUS INIT: ...OK{FRAME}",
        f"010C\r{FRAME}\r",
        f"01 0C \r{FRAME}",
        "7E8 04 41 0C 1A F8 \n",
        "7e8 04 41 0c 1a f8\r",
    ],
)
def test_a_frame_is_found_among_what_surrounds_it(text: str) -> None:
    sorted_text = sort_lines(text, "010C")
    assert sorted_text.hex_lines == (FRAME,)
    assert not sorted_text.damaged


@pytest.mark.parametrize("text", [f"{FRAME}<DATA ERROR", f"{FRAME}BUFFER FULL", f"{FRAME} <RX ERROR"])
def test_a_frame_with_an_error_behind_it_is_none(text: str) -> None:
    sorted_text = sort_lines(text, "010C")
    assert sorted_text.hex_lines == ()
    assert sorted_text.damaged
    assert sorted_text.conditions == {Condition.BUS_ERROR}


@pytest.mark.parametrize("text", ["7E8G4410C1AF8", "NO DTA", "OK", "\ufffd7E804410C1AF8", "7E8.04410C1AF8"])
def test_anything_else_is_damage(text: str) -> None:
    sorted_text = sort_lines(text, "010C")
    assert sorted_text.damaged
    assert not sorted_text.hex_lines


def test_an_echo_is_only_the_command_itself_in_the_first_line() -> None:
    assert sort_lines("010C\r7E804410C1AF8", "010C").echoed
    assert not sort_lines("010D\r7E804410C1AF8", "010C").echoed
    assert not sort_lines("7E804410C1AF8\r010C", "010C").echoed


def test_nothing_but_line_ends_is_empty() -> None:
    assert sort_lines("\r\n\r", "010C").empty
    assert not sort_lines("?", "010C").empty
    assert lines_of("\r \n\r") == []
