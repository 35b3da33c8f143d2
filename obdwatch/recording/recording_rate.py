"""Counts what a recording brings in per second, for the status line."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

from obdwatch.decoding.replies import split_parameters
from obdwatch.errors import ReplyError
from obdwatch.records import Exchange, ReplyStatus

SMOOTHED_OVER = 5  # spans, of about a second each


class RecordingRate:
    """Requests and parameter values per second over the last few spans."""

    def __init__(self) -> None:
        self._spans: deque[tuple[float, int, int]] = deque(maxlen=SMOOTHED_OVER)
        self._requests = 0
        self._values = 0

    def add(self, exchanges: Sequence[Exchange]) -> None:
        """Count the answers to one request."""
        self._requests += 1
        self._values += sum(_count(exchange) for exchange in exchanges)

    def close(self, seconds: float) -> None:
        """End a span that lasted `seconds` [s]."""
        self._spans.append((seconds, self._requests, self._values))
        self._requests = self._values = 0

    @property
    def requests(self) -> float:
        """Requests per second [1/s]."""
        return self._per_second(1)

    @property
    def values(self) -> float:
        """Parameter values per second [1/s]; a parameter that two control units send counts twice."""
        return self._per_second(2)

    def _per_second(self, column: int) -> float:
        seconds = sum(span[0] for span in self._spans)
        return sum(span[column] for span in self._spans) / seconds if seconds > 0 else 0.0


def _count(exchange: Exchange) -> int:
    if exchange.status is not ReplyStatus.OK or exchange.payload is None or exchange.payload[:1] != b"\x41":
        return 0
    try:
        return len(split_parameters(exchange.payload))
    except ReplyError:
        return 0
