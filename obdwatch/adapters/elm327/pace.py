"""Finds the quickest timing that loses no answer, measures the rate, and notices when answers go missing after all."""

from __future__ import annotations

from collections.abc import Sequence

from obdwatch.adapters.elm327.car_link import CarLink
from obdwatch.adapters.elm327.timing import CAUTIOUS, QUICK, Timing, limited_to
from obdwatch.clock import Clock
from obdwatch.records import Exchange, ReplyStatus

TRIALS = 6  # requests that must all be answered by every control unit
NOTABLE_LAG = 0.06  # s between an answer and the prompt; more is the adapter waiting in vain
DEADLINE = 1.0  # s
MISSES = 3  # answers lost between others before the timing is loosened


def tune(link: CarLink, request: bytes, ecus: Sequence[int]) -> Timing:
    """Set and return the quickest timing with which all `ecus` still answer `request` every time."""
    _use(link, CAUTIOUS)
    best, lag = CAUTIOUS, _trial(link, request, ecus)
    if lag is None:
        return best
    for candidate in (QUICK, None):
        timing = candidate or limited_to(_answer_time(link))
        if candidate is None and lag < NOTABLE_LAG:
            break
        _use(link, timing)
        tried = _trial(link, request, ecus)
        if tried is None:
            break
        best, lag = timing, tried
    if link.timing != best:
        _use(link, best)
    return best


def measure_rate(link: CarLink, request: bytes, clock: Clock) -> float:
    """Requests per second [1/s] over a few of them."""
    started = clock.monotonic()
    for _ in range(TRIALS):
        link.ask(request, DEADLINE)
    return TRIALS / max(clock.monotonic() - started, 1e-6)


class AnswerWatch:
    """Notices answers that go missing between answers that come: the adapter then waits too briefly.

    A car that falls silent altogether is no such sign, so of a run of misses only one counts.
    """

    def __init__(self) -> None:
        self._answered: dict[bytes, frozenset[int]] = {}
        self._missing = False
        self._misses = 0

    def too_hasty(self, request: bytes, exchanges: Sequence[Exchange]) -> bool:
        """Take note of one request; whether enough answers were lost to loosen the timing."""
        ecus = frozenset(e.ecu for e in exchanges if e.status is ReplyStatus.OK and e.ecu is not None)
        silent = all(e.status in (ReplyStatus.OK, ReplyStatus.NO_DATA) for e in exchanges)
        expected = self._answered.setdefault(request, ecus)
        self._answered[request] = expected | ecus
        if ecus and self._missing:
            self._misses += 1
            self._missing = False
        if silent and not ecus >= expected:
            self._missing = True
        return self._misses >= MISSES

    def start_again(self) -> None:
        """Forget the misses, after the timing was loosened."""
        self._misses = 0
        self._missing = False


def _use(link: CarLink, timing: Timing) -> None:
    timing.apply(link.transport)
    link.timing = timing


def _trial(link: CarLink, request: bytes, ecus: Sequence[int]) -> float | None:
    """The usual wait for the prompt after an answer [s]; None when an answer was lost."""
    lags = []
    for _ in range(TRIALS):
        answers = link.ask(request, DEADLINE)
        if {a.ecu for a in answers if a.status is ReplyStatus.OK} != set(ecus) or link.last_raw is None:
            return None
        lags.append(link.last_raw.latency - link.last_raw.first_byte)
    return sorted(lags)[TRIALS // 2]


def _answer_time(link: CarLink) -> float:
    return link.last_raw.first_byte if link.last_raw else 0.0
