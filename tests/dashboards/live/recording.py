"""A recording written step by step, and a page that asks for what is new of it."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from dashboards.live_answer import Asked
from dashboards.live_feed import Recordings
from obdwatch.recording.session_file import SessionWriter
from obdwatch.records import Exchange, ReplyStatus

MARKUP = "<img src=x onerror=alert(1)>"
BEGAN = datetime(2026, 1, 20, 7, 12, tzinfo=UTC)
LATER = datetime(2026, 1, 20, 9, 12, tzinfo=UTC)


class Hand:
    """A clock that a test turns [s]."""

    now = 1000.0

    def __call__(self) -> float:
        return self.now


def second(t: float, coolant: int, rpm: float = 2000.0) -> tuple[Exchange, ...]:
    """Coolant temperature and engine speed as SAE J1979 carries them (parameter 05: A - 40; 0C: (256 A + B) / 4)."""
    raw = round(4 * rpm)
    return (
        Exchange(t, 0.05, b"\x01\x05", 0x7E8, ReplyStatus.OK, bytes([0x41, 0x05, coolant + 40])),
        Exchange(t + 0.1, 0.05, b"\x01\x0c", 0x7E8, ReplyStatus.OK, b"\x41\x0c" + raw.to_bytes(2, "big")),
    )


def write(writer: SessionWriter, first: int, last: int, coolant: int = 80) -> None:
    """One commit for each second from `first` on, before `last`."""
    for t in range(first, last):
        for exchange in second(float(t), coolant):
            writer.exchange(exchange)
        writer.commit()


class Page:
    """What a page does: keeps what it was sent, and asks for what is new."""

    def __init__(self, recordings: Recordings, hand: Hand, drawn: tuple[str, ...] | None = None) -> None:
        self.recordings, self.hand, self.drawn = recordings, hand, drawn
        self.have: tuple[str, int | None] = ("", None)
        self.points: dict[str, list[float]] = {}
        self.told: dict[str, Any] = {}

    def ask(self) -> dict[str, Any]:
        self.hand.now += 1.0
        self.told = self.recordings.answer(Asked(*self.have, self.drawn))
        if "have" in self.told:
            token, number = self.told["have"].split(".")
            self.have = (token, int(number))
            if self.told.get("anew"):
                self.points = {}
            for key, (times, _) in self.told.get("points", {}).items():
                self.points.setdefault(key, []).extend(times)
        return self.told

    def catch_up(self) -> dict[str, Any]:
        while self.ask().get("more"):
            pass
        return self.told
