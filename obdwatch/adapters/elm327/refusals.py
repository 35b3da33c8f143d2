"""Requests a control unit refused: remembered, and not sent again for a growing time."""

from __future__ import annotations

from dataclasses import dataclass

from obdwatch.records import Exchange, ReplyStatus

FIRST_PAUSE = 10.0  # s
LONGEST_PAUSE = 640.0  # s; conditions change within a drive, so even a lasting refusal is asked again
NO_REFUSALS = frozenset({0x21, 0x78})  # ISO 14229-1: busy, and answer will follow
NOT_SENT = "not sent: refused before"


@dataclass(slots=True)
class _Refusal:
    code: int | None
    pause: float
    until: float


class Refusals:
    """What was refused and until when [s, monotonic] it is left alone."""

    def __init__(self) -> None:
        self._refusals: dict[bytes, _Refusal] = {}

    def standing(self, request: bytes, now: float, t: float) -> Exchange | None:
        """The exchange that stands for a request still left alone at `now`; None when it may be sent."""
        refusal = self._refusals.get(request)
        if refusal is None or now >= refusal.until:
            return None
        return Exchange(t, 0.0, request, None, ReplyStatus.NEGATIVE, negative_code=refusal.code, raw=NOT_SENT)

    def watch(self, request: bytes, exchanges: tuple[Exchange, ...], now: float) -> None:
        """Remember a refusal by every control unit that answered; an answer wipes the slate."""
        if any(exchange.status is ReplyStatus.OK for exchange in exchanges):
            self._refusals.pop(request, None)
            return
        codes = [e.negative_code for e in exchanges if e.status is ReplyStatus.NEGATIVE]
        if len(codes) == len(exchanges) and not NO_REFUSALS & set(codes):
            before = self._refusals.get(request)
            pause = min(LONGEST_PAUSE, before.pause * 2) if before else FIRST_PAUSE
            self._refusals[request] = _Refusal(codes[0], pause, now + pause)
