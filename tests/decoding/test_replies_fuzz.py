"""Whatever bytes arrive: no exception but ours, and a value only from a reply that could have been built for it."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from obdwatch.decoding.freeze_frames import FrameReply, gather_freeze_frames, split_frame
from obdwatch.decoding.monitors import decode_results, supported_monitors
from obdwatch.decoding.parameters import PARAMETER_BY_KEY, decode_fields
from obdwatch.decoding.replies import check_reply, split_parameters
from obdwatch.decoding.trouble_codes import decode_codes
from obdwatch.decoding.vehicle_information import join_messages, supported_items, with_item
from obdwatch.errors import ReplyError
from obdwatch.records import VehicleInformation

SERVICES = [0x01, 0x02, 0x03, 0x04, 0x06, 0x07, 0x09, 0x0A]
NIGHTLY_CASES = 20_000

known_requests = st.one_of(
    st.lists(st.integers(0, 0xAF), min_size=1, max_size=6).map(lambda pids: bytes([1, *pids])),
    st.tuples(st.integers(0, 0xAF), st.integers(0, 2)).map(lambda pair: bytes([2, *pair])),
    st.sampled_from([b"\x03", b"\x04", b"\x07", b"\x0a", b"\x06\x00", b"\x06\xa2", b"\x06\x00\x20"]),
    st.integers(0, 0x14).map(lambda item: bytes([9, item])),
)
requests = st.one_of(known_requests, st.binary(max_size=8))


@st.composite
def exchanges(draw: st.DrawFn) -> tuple[bytes, bytes]:
    """A request and an answer that is nearly right, quite wrong, or noise."""
    request = draw(requests)
    head = bytes([(request[0] + 0x40) & 0xFF]) if request else b""
    echo = request[1:] if draw(st.booleans()) else request[1:2]
    payload = draw(st.sampled_from([head + echo, head, b"\x7f" + request[:1], b""])) + draw(st.binary(max_size=40))
    return request, payload


def read_everything(request: bytes, payload: bytes, can: bool | None) -> None:
    """Check a reply and read it with every decoder it could reach; what passes the check must be readable."""
    try:
        check_reply(request, payload, can)
    except ReplyError:
        return
    service, count_layout = request[0], len(payload) % 2 == 0 if can is None else can
    if service == 0x01:
        parts = split_parameters(payload)
        assert [pid for pid, _ in parts if pid not in request[1:]] == []
        assert sum(1 + len(data) for _, data in parts) == len(payload) - 1
        for pid, data in parts:
            for key, value in decode_fields(pid, data).items():
                assert PARAMETER_BY_KEY[key].minimum <= value <= PARAMETER_BY_KEY[key].maximum
    elif service == 0x02:
        assert all(bytes([item.pid, item.frame]) in request[1:] for item in split_frame(payload))
        gather_freeze_frames([FrameReply(0.0, 0x7E8, payload)])
    elif service in (0x03, 0x07, 0x0A):
        assert all(len(code) == 5 for code in decode_codes(payload, count_layout))
    elif service == 0x06:
        assert all(result.monitor & 0xFF == request[1] for result in decode_results(payload, 0.0, None, can))
    elif service == 0x09 and payload[1] % 0x20 == 0:
        supported_items(payload)
    elif service == 0x09:
        _read_information(payload, can)


def _read_information(payload: bytes, can: bool | None) -> None:
    try:
        with_item(VehicleInformation(None), payload, can)
    except ReplyError as error:
        if "is no text" not in str(error):
            raise


@given(exchanges(), st.sampled_from([None, True, False]))
@settings(max_examples=400, deadline=None)
def test_any_bytes_are_read_or_refused(exchange: tuple[bytes, bytes], can: bool | None) -> None:
    read_everything(*exchange, can)


@pytest.mark.nightly
@given(exchanges(), st.sampled_from([None, True, False]))
@settings(max_examples=NIGHTLY_CASES, deadline=None)
def test_any_bytes_are_read_or_refused_at_length(exchange: tuple[bytes, bytes], can: bool | None) -> None:
    read_everything(*exchange, can)


@given(st.binary(max_size=30))
def test_decoders_alone_raise_nothing_but_our_errors(payload: bytes) -> None:
    for read in (
        split_parameters,
        split_frame,
        lambda p: decode_codes(p, can=True),
        lambda p: decode_codes(p, can=False),
        lambda p: decode_results(p, 0.0, None),
        supported_monitors,
        lambda p: join_messages([p[:7], p[7:14]]),
    ):
        try:
            read(payload)
        except ReplyError:
            continue


@given(st.integers(0, 255), st.binary(max_size=20))
def test_fields_alone_raise_nothing_but_our_errors(pid: int, data: bytes) -> None:
    try:
        values = decode_fields(pid, data)
    except ReplyError:
        return
    assert all(PARAMETER_BY_KEY[key].pid == pid for key in values)
