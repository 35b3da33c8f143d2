"""True replies, damaged at random: what comes out is exactly what was said, or nothing.

One kind of damage cannot be seen by anybody on CAN: a hexadecimal digit that turned into another one, because the
checksum of the bus stays behind in the adapter, and so does any mix of lost and doubled digits that leaves a line as
long as it was. Such a line may give a wrong payload of the right shape; the range and plausibility checks of the
signals are the second line of defence. On the buses before CAN the checksum travels with the line, so there even
that must be noticed; but there the messages of a list of codes are not numbered, so that a whole one may be missing.
"""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from obdwatch.adapters.elm327.interpreting import Reply
from obdwatch.decoding.replies import check_reply
from obdwatch.errors import ReplyError
from tests.adapters.elm327.true_replies import TRUE_REPLIES, TrueReply, acquainted

INTERPRETERS = [acquainted(reply) for reply in TRUE_REPLIES]
NO_HEX = "GXZ?#~>\xff\x00 \t:.<"
HEX = "0123456789ABCDEF"

Damage = tuple[str, int, int, str]
DAMAGES = st.tuples(
    st.sampled_from(
        ["cut", "cut_front", "drop", "double", "garble", "insert", "merge", "lose", "repeat", "swap", "word"]
    ),
    st.integers(0, 10_000),
    st.integers(1, 4),
    st.sampled_from(NO_HEX),
)
WORDS = ("NO DATA", "BUFFER FULL", "<DATA ERROR", "STOPPED", "CAN ERROR", "?", "ELM327 v1.5", "SEARCHING...", "OK")


def damaged(text: str, damage: Damage) -> str:
    """`text` with one damage at a place."""
    kind, place, size, character = damage
    at = place % (len(text) + 1)
    lines = text.split("\r")
    line = place % len(lines)
    ends = [i for i, c in enumerate(text) if c == "\r"]
    if kind == "merge" and not ends:
        return text
    if kind == "merge":
        end = ends[place % len(ends)]
        return text[:end] + text[end + 1 :]
    if kind in ("lose", "repeat", "swap"):
        one = lines.pop(line)
        back = {"lose": [], "repeat": [one, one], "swap": []}[kind]
        lines[line:line] = back
        if kind == "swap":
            lines.insert((line + size) % (len(lines) + 1), one)
        return "\r".join(lines)
    if kind == "word":
        word = WORDS[size % len(WORDS)]
        return text[:at] + word + text[at:]
    return {
        "cut": text[:at],
        "cut_front": text[at:],
        "drop": text[:at] + text[at + size :],
        "double": text[: at + size] + text[at:],
        "garble": text[:at] + character + text[at + 1 :],
        "insert": text[:at] + character + text[at:],
    }[kind]


def values(reply: Reply, true: TrueReply) -> dict[int, str]:
    """What would be believed of a reply."""
    believed = {}
    for message in reply.messages:
        try:
            check_reply(bytes.fromhex(true.command), message.payload, can=true.protocol in "6789")
        except ReplyError:
            continue
        believed[message.ecu] = message.payload.hex().upper()
    return believed


def looks_whole(text: str, true: TrueReply) -> bool:
    """Whether some line is none of the true ones, yet as long as one of them: nothing can notice that on CAN."""
    lines = [line.replace(" ", "").replace("\x00", "") for line in text.replace("\n", "\r").split("\r")]
    shapes = {len(line) for line in true.lines}
    return any(len(line) in shapes and line not in true.lines and all(c in HEX for c in line.upper()) for line in lines)


def misses_unnumbered(text: str, true: TrueReply) -> bool:
    """Whether whole messages of a list of codes on an old bus are missing or in another order."""
    lines = [bare for line in text.split("\r") if (bare := line.replace(" ", ""))]
    return true.protocol not in "6789" and true.command == "03" and all(line in true.lines for line in lines)


def check(number: int, damages: list[Damage]) -> None:
    true = TRUE_REPLIES[number]
    text = true.text()
    for damage in damages:
        text = damaged(text, damage)
    text = text.partition(">")[0].replace("\x00", "")
    if misses_unnumbered(text, true) or (true.protocol in "6789" and looks_whole(text, true)):
        return
    believed = values(INTERPRETERS[number].read(text, true.command), true)
    expected = {ecu: payload for ecu, payload in true.payloads.items() if ecu in believed}
    assert believed == expected, text


ARGUMENTS = (st.integers(0, len(TRUE_REPLIES) - 1), st.lists(DAMAGES, min_size=1, max_size=3))


@pytest.mark.parametrize("number", range(len(TRUE_REPLIES)))
def test_undamaged_replies_are_believed_whole(number: int) -> None:
    true = TRUE_REPLIES[number]
    reply = INTERPRETERS[number].read(true.text(), true.command)
    assert not reply.damaged
    assert values(reply, true) == true.payloads


@given(*ARGUMENTS)
@settings(max_examples=1_500, deadline=None)
def test_a_damaged_reply_is_true_or_nothing(number: int, damages: list[Damage]) -> None:
    check(number, damages)


@pytest.mark.nightly
@given(*ARGUMENTS)
@settings(max_examples=40_000, deadline=None, suppress_health_check=list(HealthCheck))
def test_a_damaged_reply_is_true_or_nothing_at_length(number: int, damages: list[Damage]) -> None:
    check(number, damages)


@given(st.integers(0, len(TRUE_REPLIES) - 1), st.integers(0, 10_000), st.sampled_from(HEX))
@settings(max_examples=1_000, deadline=None)
def test_a_digit_turned_into_another_never_escapes_an_old_bus(number: int, place: int, digit: str) -> None:
    true = TRUE_REPLIES[number]
    text = true.text()
    at = place % len(text)
    if true.protocol in "6789" or text[at] == "\r":
        return
    believed = values(INTERPRETERS[number].read(text[:at] + digit + text[at + 1 :], true.command), true)
    assert believed in ({}, true.payloads)


@given(st.integers(0, len(TRUE_REPLIES) - 1), st.integers(0, 10_000), st.sampled_from(HEX))
@settings(max_examples=1_000, deadline=None)
def test_a_digit_turned_into_another_on_can_never_makes_another_sender(number: int, place: int, digit: str) -> None:
    true = TRUE_REPLIES[number]
    text = true.text()
    at = place % len(text)
    if text[at] == "\r":
        return
    reply = INTERPRETERS[number].read(text[:at] + digit + text[at + 1 :], true.command)
    assert {message.ecu for message in reply.messages} <= set(true.payloads)


@given(st.text(max_size=200))
@settings(max_examples=500, deadline=None)
def test_any_text_at_all_is_survived(text: str) -> None:
    for number in range(0, len(TRUE_REPLIES), 7):
        INTERPRETERS[number].read(text, TRUE_REPLIES[number].command)
