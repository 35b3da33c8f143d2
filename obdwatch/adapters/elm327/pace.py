"""Finds the quickest timing that loses no answer, measures the rate, and loosens when answers go missing after all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from obdwatch.adapters.elm327.car_link import CarLink
from obdwatch.adapters.elm327.timing import CAUTIOUS, QUICK, Timing, limited_to
from obdwatch.adapters.elm327.transport import Notice
from obdwatch.clock import Clock
from obdwatch.records import Exchange, ReplyStatus

TRIALS = 6  # requests that must all be answered by every control unit
NOTABLE_LAG = 0.06  # s between an answer and the prompt; more is the adapter waiting in vain
DEADLINE = 1.0  # s
MISSES = 3  # answers lost between others before the timing is loosened
LEAST_LEFT = 0.3  # s of a deadline that a second look needs: the cautious wait and some transport


@dataclass(frozen=True, slots=True)
class _Trial:
    """How a timing did: the usual wait for the prompt after an answer, and the slowest answer [s]."""

    lag: float
    answer: float


def tune(link: CarLink, request: bytes, ecus: Sequence[int]) -> Timing:
    """Set and return the quickest timing with which all `ecus` still answer `request` every time."""
    use(link, CAUTIOUS)
    trial = _try(link, request, ecus)
    if trial is None:
        return CAUTIOUS
    use(link, QUICK)
    quick = _try(link, request, ecus)
    if quick is None:
        use(link, CAUTIOUS)
        return CAUTIOUS
    if quick.lag >= NOTABLE_LAG:
        use(link, limited_to(quick.answer))
        if _try(link, request, ecus) is None:
            use(link, QUICK)
    return link.timing


def measure_rate(link: CarLink, request: bytes, clock: Clock) -> float:
    """Requests per second [1/s] over a few of them."""
    started = clock.monotonic()
    for _ in range(TRIALS):
        link.ask(request, DEADLINE)
    return TRIALS / max(clock.monotonic() - started, 1e-6)


def use(link: CarLink, timing: Timing) -> None:
    """Set the adapter's timing."""
    timing.apply(link.transport)
    link.timing = timing


class PaceKeeper:
    """Gives the car more time again when the quick timing turns out to lose answers in use."""

    def __init__(self, link: CarLink, notice: Notice) -> None:
        self._link = link
        self._notice = notice
        self._looked_twice: set[bytes] = set()
        self._answered: dict[bytes, frozenset[int]] = {}
        self._missing = False
        self._misses = 0

    def check(self, request: bytes, exchanges: tuple[Exchange, ...], left: float) -> tuple[Exchange, ...]:
        """Take note of one request; what a request that never had an answer yields with more time, if `left` [s]."""
        if self._link.timing == CAUTIOUS:
            return exchanges
        ecus = _answering(exchanges)
        if not ecus and request not in self._answered and request not in self._looked_twice and left > LEAST_LEFT:
            return self._second_look(request, exchanges, left)
        if self._lost_between(request, exchanges, ecus):
            self._loosen()
        return exchanges

    def _second_look(self, request: bytes, exchanges: tuple[Exchange, ...], left: float) -> tuple[Exchange, ...]:
        if any(exchange.status is not ReplyStatus.NO_DATA for exchange in exchanges):
            return exchanges
        self._looked_twice.add(request)
        quick = self._link.timing
        use(self._link, CAUTIOUS)
        again = self._link.ask(request, left)
        if _answering(again):
            self._notice("this car answers slowly; giving it more time from now on")
        else:
            use(self._link, quick)
        return again

    def _lost_between(self, request: bytes, exchanges: Sequence[Exchange], ecus: frozenset[int]) -> bool:
        """Whether answers got lost between answers that came.

        A car that falls silent altogether is no sign of haste, so of a run of misses only one counts.
        """
        expected = self._answered.get(request, frozenset())
        if ecus:
            self._answered[request] = expected | ecus
            self._misses += self._missing
            self._missing = False
        clean = all(e.status in (ReplyStatus.OK, ReplyStatus.NO_DATA) for e in exchanges)
        if clean and not ecus >= expected:
            self._missing = True
        return self._misses >= MISSES

    def _loosen(self) -> None:
        self._notice("answers went missing; giving the car more time from now on")
        use(self._link, CAUTIOUS)
        self._misses = 0


def _answering(exchanges: Sequence[Exchange]) -> frozenset[int]:
    return frozenset(e.ecu for e in exchanges if e.status is ReplyStatus.OK and e.ecu is not None)


def _try(link: CarLink, request: bytes, ecus: Sequence[int]) -> _Trial | None:
    """Ask several times; None when an answer was lost."""
    lags, answers = [], []
    for _ in range(TRIALS):
        exchanges = link.ask(request, DEADLINE)
        if _answering(exchanges) != set(ecus) or link.last_raw is None:
            return None
        lags.append(link.last_raw.latency - link.last_raw.first_byte)
        answers.append(link.last_raw.first_byte)
    return _Trial(sorted(lags)[TRIALS // 2], max(answers))
