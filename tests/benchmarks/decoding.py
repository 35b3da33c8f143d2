"""How much faster a whole recording is decoded in columns than by python-OBD's decoders, in the same run.

Processor time is compared, so that other work on the machine does not count. Nothing here is in parallel.

Run on request: `pytest tests/benchmarks/decoding.py -s`. The bound is fifty times the values per second for a
recording with several parameters per request.
"""

from __future__ import annotations

import time
from collections.abc import Sequence

import numpy as np
import pytest

from obdwatch.decoding.parameters import encode_pid, fields_of
from obdwatch.decoding.replies import split_parameters
from obdwatch.recording.session_file import SessionContents
from obdwatch.records import Exchange, ReplyStatus, Session
from obdwatch.signals.drives import drive_from

LEAST_RATIO = 50.0  # for a recording as it is made on CAN, several parameters per request
LEAST_RATIO_SINGLE = 20.0  # on older links each value also pays for a whole exchange: half of the cost is sorting them
EXCHANGES = 36_000  # half an hour at twenty requests per second
COMPARED = 3_000  # exchanges that python-OBD decodes; its time per value does not depend on how many
ROUNDS = 3  # the best of which counts, on both sides
SHARED_REQUEST = ((0x0C, 0x0D, 0x04, 0x06, 0x0E, 0x10),)
SINGLE_REQUESTS = tuple((pid,) for pid in (0x0C, 0x0D, 0x04, 0x06, 0x0E, 0x10, 0x05, 0x0F, 0x11, 0x42))


def recording(requests: Sequence[tuple[int, ...]]) -> list[Exchange]:
    """Exchanges of a drive that asks these requests in turn; values wander slowly, as a car's do."""
    chance = np.random.default_rng(1)
    wander = np.clip(np.cumsum(chance.normal(0, 0.003, EXCHANGES)) + 0.4, 0, 1)
    exchanges = []
    for place in range(EXCHANGES):
        pids = requests[place % len(requests)]
        data = [bytes([pid]) + encode_pid(pid, _values(pid, wander[place])) for pid in pids]
        payload = b"\x41" + b"".join(data)
        exchanges.append(Exchange(place * 0.05, 0.04, bytes([1, *pids]), 0x7E8, ReplyStatus.OK, payload))
    return exchanges


def _values(pid: int, share: float) -> dict[str, float]:
    """A value at this share of the lower tenth of the range, which keeps neighbours plausible."""
    return {field.key: field.minimum + 0.1 * share * (field.maximum - field.minimum) for field in fields_of(pid)}


def contents_of(exchanges: Sequence[Exchange]) -> SessionContents:
    return SessionContents(
        session=Session("benchmark", None),
        state=None,
        t=np.array([exchange.t for exchange in exchanges]),
        latency=np.array([exchange.latency for exchange in exchanges]),
        request=[exchange.request for exchange in exchanges],
        ecu=[exchange.ecu for exchange in exchanges],
        status=[exchange.status for exchange in exchanges],
        payload=[exchange.payload for exchange in exchanges],
        negative_code=[None] * len(exchanges),
        raw=[None] * len(exchanges),
        samples={},
        codes=(),
        monitors=(),
        marks=(),
        problems=(),
        last_row=len(exchanges),
    )


def our_rate(contents: SessionContents) -> float:
    """Values per second from session contents to a drive: grouping, checking, decoding, ordering, plausibility."""
    best = 0.0
    for _ in range(ROUNDS):
        begun = time.process_time()
        drive = drive_from(contents)
        seconds = time.process_time() - begun
        best = max(best, sum(len(signal.values) for signal in drive.signals.values()) / seconds)
    return best


def their_rate(exchanges: Sequence[Exchange]) -> float:
    """Values per second of python-OBD's decoders alone: messages already assembled and cut, no checking."""
    import obd
    from obd.protocols.protocol import Frame, Message

    work = []
    for exchange in exchanges:
        for pid, data in split_parameters(exchange.payload or b""):
            message = Message([Frame("")])
            message.data = bytearray([0x41, pid]) + data
            work.append((obd.commands[1][pid].decode, [message]))
    best = 0.0
    for _ in range(ROUNDS):
        begun = time.process_time()
        for decode, messages in work:
            decode(messages)
        best = max(best, len(work) / (time.process_time() - begun))
    return best


@pytest.mark.benchmark
@pytest.mark.parametrize(
    ("requests", "least"),
    [(SHARED_REQUEST, LEAST_RATIO), (SINGLE_REQUESTS, LEAST_RATIO_SINGLE)],
    ids=["six per request", "one per request"],
)
def test_a_whole_recording_is_many_times_as_fast_as_single_decoders(
    requests: Sequence[tuple[int, ...]], least: float
) -> None:
    exchanges = recording(requests)
    ours, theirs = our_rate(contents_of(exchanges)), their_rate(exchanges[:COMPARED])
    print(f"\n{ours:,.0f} values/s against {theirs:,.0f} values/s: {ours / theirs:.0f} times")
    assert ours / theirs >= least
