"""All replies of service 01 cut at once say what each says by itself, whatever was asked for and whatever came."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from obdwatch.decoding.parameters import possible_lengths
from obdwatch.decoding.replies import check_reply, split_parameters
from obdwatch.errors import ReplyError
from obdwatch.records import Exchange, ReplyStatus
from obdwatch.signals.exchange_groups import answers_in
from obdwatch.signals.parameter_blocks import parameter_blocks
from tests.signals.recordings import ENGINE, GEARBOX, answered, contents_of

NIGHTLY_CASES = 20_000
IDS = st.one_of(st.sampled_from([0x04, 0x05, 0x0C, 0x0D, 0x4F, 0x64, 0x68, 0x78, 0x7F, 0x83]), st.integers(0, 255))


@st.composite
def replies(draw: st.DrawFn) -> Exchange:
    """A request and a reply that is right, nearly right or noise; one control unit of two."""
    asked = draw(st.lists(IDS, max_size=7))
    told = draw(st.permutations(asked)) if draw(st.booleans()) else draw(st.lists(IDS, max_size=7))
    payload = b"\x41"
    for pid in told[: draw(st.integers(0, 7))]:
        length = draw(st.sampled_from(possible_lengths(pid) or (1, 3)))
        payload += bytes([pid]) + draw(st.binary(min_size=length, max_size=length))
    whole = draw(st.sampled_from([payload, payload[:-1], payload + b"\x00", b"\x7f\x01\x12", b"\x42" + payload[1:]]))
    ecu = draw(st.sampled_from([ENGINE, GEARBOX, None]))
    return Exchange(0.0, 0.0, bytes([0x01, *asked]), ecu, ReplyStatus.OK, whole)


def one_by_one(exchanges: list[Exchange]) -> tuple[list[tuple[int, int | None, int, bytes]], int]:
    """What the check of single replies finds, as (row, control unit, id, data), and how many it refuses."""
    found, refused = [], 0
    for row, exchange in enumerate(exchanges):
        try:
            check_reply(exchange.request, exchange.payload or b"")
        except ReplyError:
            refused += bool(exchange.payload)
            continue
        found += [(row, exchange.ecu, pid, data) for pid, data in split_parameters(exchange.payload or b"")]
    return found, refused


def all_at_once(exchanges: list[Exchange]) -> tuple[list[tuple[int, int | None, int, bytes]], int]:
    blocks, refused = parameter_blocks(answers_in(contents_of(exchanges)))
    rows = [
        (row, block.ecu, block.pid, data.tobytes())
        for block in blocks
        for row, data in zip(block.rows.tolist(), block.data, strict=True)
    ]
    return rows, refused


def compare(exchanges: list[Exchange]) -> None:
    (alone, refused_alone), (together, refused) = one_by_one(exchanges), all_at_once(exchanges)
    assert sorted(together, key=str) == sorted(alone, key=str)
    assert refused == refused_alone


@given(st.lists(replies(), max_size=12))
@settings(max_examples=300, deadline=None)
def test_all_at_once_is_what_one_by_one_is(exchanges: list[Exchange]) -> None:
    compare(exchanges)


@pytest.mark.nightly
@given(st.lists(replies(), max_size=12))
@settings(max_examples=NIGHTLY_CASES, deadline=None)
def test_all_at_once_is_what_one_by_one_is_at_length(exchanges: list[Exchange]) -> None:
    compare(exchanges)


def test_a_parameter_that_was_not_asked_for_is_refused_even_beside_one_that_was() -> None:
    """The same bytes fit one request and not the other: speed 0x28, load 0x80, as SAE J1979 lays them out."""
    fits, fits_not = answered(0.0, "01 0D 04", "41 0D 28 04 80"), answered(1.0, "01 0D 05", "41 0D 28 04 80")
    rows, refused = all_at_once([fits, fits_not])
    assert rows == [(0, ENGINE, 0x0D, b"\x28"), (0, ENGINE, 0x04, b"\x80")]
    assert refused == 1


def test_blocks_hold_their_replies_in_order_of_time_and_stand_in_order_of_appearance() -> None:
    exchanges = [
        answered(0.0, "01 0D 04", "41 0D 10 04 20"),
        answered(1.0, "01 04 05", "41 04 21 05 50"),
        answered(2.0, "01 05 0D", "41 05 51 0D 11"),
    ]
    blocks, refused = parameter_blocks(answers_in(contents_of(exchanges)))
    assert [(block.pid, block.rows.tolist(), block.data.tobytes()) for block in blocks] == [
        (0x0D, [0, 2], b"\x10\x11"),
        (0x04, [0, 1], b"\x20\x21"),
        (0x05, [1, 2], b"\x50\x51"),
    ]
    assert refused == 0
