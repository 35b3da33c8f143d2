"""Several parameters in one request, which CAN allows and not every car and adapter can do.

How many work is tried while connecting, by comparing the joint answer with single ones; when joint requests begin to
fail later although single ones work, fewer are put together.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from obdwatch.adapters.elm327.car_link import CarLink
from obdwatch.decoding.parameters import data_length
from obdwatch.decoding.replies import split_parameters
from obdwatch.errors import ReplyError
from obdwatch.records import Exchange, ReplyStatus

CURRENT_DATA = 0x01
MOST = 6  # SAE J1979: parameter ids in one request
TRIES = 2  # joint answers that must be right before as many are wrong
FAILURES = 3  # joint requests in a row that fail before fewer are put together
FIRST_PAUSE = 60.0  # s after fewer were put together; a bad quarter of an hour must not cost the whole drive its rate
DEADLINE = 1.0  # s
# Quantities that hardly move come first, because only an unchanged value can be compared. Engine speed is early among
# them for its two bytes: six parameters then end in a frame that is not full, which shows how the car fills frames.
PREFERRED = (0x1C, 0x51, 0x0C, 0x33, 0x0F, 0x05, 0x2F, 0x11, 0x0B, 0x0D, 0x04, 0x06, 0x07, 0x0E, 0x10, 0x42)


class Batching:
    """How many parameters this link takes at once, and the splitting of requests that hold more."""

    def __init__(self, limit: int = 1) -> None:
        self.limit = limit
        self._most = limit
        self._failures = 0
        self._pause = FIRST_PAUSE
        self._try_more_at = 0.0

    def split(self, payload: bytes) -> list[bytes]:
        """The requests to send for `payload`, none with more parameters than the limit."""
        if payload[0] != CURRENT_DATA or len(payload) - 1 <= self.limit:
            return [payload]
        pids = payload[1:]
        return [payload[:1] + pids[i : i + self.limit] for i in range(0, len(pids), self.limit)]

    def watch(self, payload: bytes, exchanges: Iterable[Exchange], supported: Mapping[int, Sequence[int]]) -> bool:
        """Take note of how a request went; whether joint requests have failed so often that single ones need a try."""
        if not is_joint(payload):
            return False
        whole = any(_holds_all(payload[1:], exchange, supported) for exchange in exchanges)
        self._failures = 0 if whole else self._failures + 1
        return self._failures >= FAILURES

    def retreat(self, now: float) -> None:
        """Put half as many together from `now` [s, monotonic] on, and try more again after a growing time."""
        self.limit = max(1, self.limit // 2)
        self._failures = 0
        self._try_more_at = now + self._pause
        self._pause *= 2

    def advance(self, now: float) -> None:
        """After a retreat, when it is time: try twice as many again; one failure is then enough to go back."""
        if self.limit < self._most and now >= self._try_more_at:
            self.limit = min(self._most, self.limit * 2)
            self._failures = FAILURES - 1
            self._try_more_at = now + self._pause

    def forgive(self) -> None:
        """The failures were not those of joint requests: nothing works at the moment."""
        self._failures = 0


def is_joint(payload: bytes) -> bool:
    """Whether a request asks for several parameters of service 01 at once."""
    return payload[0] == CURRENT_DATA and len(payload) > 2


def probe(link: CarLink, ecu: int, supported: Sequence[int]) -> int:
    """How many parameters `ecu` answers in one request, found by trying from six downwards."""
    if not link.interpreter.protocol.can:
        return 1
    pids = [pid for pid in (*PREFERRED, *supported) if pid in supported and data_length(pid) is not None]
    single = _single_answers(link, ecu, list(dict.fromkeys(pids)))
    for count in range(min(MOST, len(single)), 1, -1):
        chosen = dict(list(single.items())[:count])
        if _works(link, ecu, chosen):
            return count
    return 1


def _works(link: CarLink, ecu: int, single: Mapping[int, frozenset[bytes]]) -> bool:
    """Whether joint answers are right; a single damaged one does not decide."""
    right = wrong = 0
    known = dict(single)
    while max(right, wrong) < TRIES:
        joint = _joint_answer(link, ecu, list(known))
        matches = _matches(joint, known) or _has_moved(link, ecu, joint, known)
        right, wrong = right + matches, wrong + (not matches)
    return right >= TRIES


def _has_moved(link: CarLink, ecu: int, joint: Mapping[int, bytes], known: dict[int, frozenset[bytes]]) -> bool:
    """Whether a whole joint answer differs only because the car has changed: an engine may start while connecting.

    What differs is asked for singly once more; `known` learns what comes.
    """
    if joint.keys() != known.keys():
        return False
    for pid in [pid for pid, seen in known.items() if joint[pid] not in seen]:
        again = _joint_answer(link, ecu, [pid]).get(pid)
        if again is None or again in known[pid]:
            return False
        known[pid] |= {again}
    return True


def _single_answers(link: CarLink, ecu: int, pids: Sequence[int]) -> dict[int, frozenset[bytes]]:
    """Up to six parameters that answer, each with the data seen in two single requests."""
    answers: dict[int, frozenset[bytes]] = {}
    for pid in pids:
        seen = [_joint_answer(link, ecu, [pid]).get(pid) for _ in range(2)]
        data = frozenset(item for item in seen if item is not None)
        if data:
            answers[pid] = data
        if len(answers) == MOST:
            break
    return answers


def _joint_answer(link: CarLink, ecu: int, pids: Sequence[int]) -> dict[int, bytes]:
    for exchange in link.ask(bytes([CURRENT_DATA, *pids]), DEADLINE):
        if exchange.ecu == ecu and exchange.status is ReplyStatus.OK and exchange.payload:
            return dict(split_parameters(exchange.payload))
    return {}


def _matches(joint: Mapping[int, bytes], single: Mapping[int, frozenset[bytes]]) -> bool:
    """Whether a joint answer holds every parameter in its length, and the very data where that did not move."""
    if joint.keys() != single.keys():
        return False
    return all(len(seen) > 1 or joint[pid] in seen for pid, seen in single.items())


def _holds_all(pids: bytes, exchange: Exchange, supported: Mapping[int, Sequence[int]]) -> bool:
    """Whether an answer holds all that its control unit supports of `pids`."""
    if exchange.status is not ReplyStatus.OK or exchange.payload is None or exchange.ecu is None:
        return False
    try:
        answered = {pid for pid, _ in split_parameters(exchange.payload)}
    except ReplyError:
        return False
    return answered >= set(pids) & set(supported.get(exchange.ecu, ()))
