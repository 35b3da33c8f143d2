"""What of a running recording is new to a page, as it is sent: texts ready to be shown, points of the drawn lines."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from dashboards import live_words as words
from dashboards import wording
from dashboards.panels import ordered_keys, signal_name
from dashboards.visit import drive_address
from obdwatch.live_recording import RATE_LONG, RATE_NOW, SILENT, LiveRecording, News
from obdwatch.records import Car, Signal
from obdwatch.signals.next_drive import NextDrive
from obdwatch.units import to_screen

USUAL = ("coolant_temperature", "engine_speed", "vehicle_speed", "calculated_load")


@dataclass(slots=True)
class Met:
    """A recording that is or was running, with what was known of its car before."""

    live: LiveRecording
    token: str
    car: Car | None
    wanted: Mapping[str, NextDrive]
    looked: float = -1e9
    failures: int = 0
    problem: str = ""

    @property
    def is_running(self) -> bool:
        """Whether it can still grow."""
        return self.live.session is not None and not self.problem and not self.live.is_over


@dataclass(frozen=True, slots=True)
class Asked:
    """What a page has and wants: its cursor, the signals it draws (None: the usual ones), its units."""

    token: str = ""
    number: int | None = None
    drawn: tuple[str, ...] | None = None
    units: str = "metric"


def answer_of(met: Met, asked: Asked, newer: bool) -> dict[str, Any]:
    """What is new since a page last asked; `newer` says that another recording has begun after this one."""
    live, units = met.live, asked.units
    news = live.since(asked.number if asked.token == met.token else None)
    drawn = asked.drawn if asked.drawn is not None else usual_drawn(live.signals)
    return {
        "state": _state(live),
        "have": f"{met.token}.{news.number}",
        "anew": news.anew,
        "more": live.catching_up and not live.is_over,
        "newer": newer,
        "now": round(live.now, 2),
        "rate": [round(live.rate(RATE_NOW)), round(live.rate(RATE_LONG))],
        "values": {key: _value(one, units) for key, one in news.signals.items()},
        "points": {key: _points(news.signals[key], units) for key in drawn if key in news.signals},
        "danger": _danger(live, units),
        "lamp": live.lamp_on,
        **(_about(met) if news.anew else {}),
        **(_names(live, news, units) if news.first_seen or news.anew else {}),
        **(_progress(met, units) if news.coverage else {}),
        **(_warnings(live, units) if news.warnings else {}),
    }


def usual_drawn(signals: Mapping[str, Signal]) -> tuple[str, ...]:
    """What is drawn before somebody chooses."""
    return tuple(key for key in USUAL if key in signals) or ordered_keys(signals)[: len(USUAL)]


def _state(live: LiveRecording) -> str:
    if live.is_over:
        return "over"
    if live.catching_up:
        return "catching"
    if live.link_lost is not None:
        return "lost"
    return "silent" if live.silence > 2 * SILENT else "running"


def _value(signal: Signal, units: str) -> list[Any]:
    """The newest value in words, and when it came [s]."""
    value = float(signal.values[-1])
    return [words.value_words(signal.key, signal.unit, value, units), round(float(signal.times[-1]), 2)]


def _points(signal: Signal, units: str) -> list[list[float]]:
    shown = to_screen(signal.values, signal.unit, units)  # type: ignore[arg-type]  # an array converts like a number
    return [signal.times.round(2).tolist(), shown.round(3).tolist()]  # type: ignore[attr-defined]


def _about(met: Met) -> dict[str, Any]:
    session = met.live.session
    assert session is not None
    began = session.started_at
    return {
        "about": {
            "car": wording.shortened(wording.car_name(met.car, session), 80),
            "since": f"{began.astimezone():%H:%M}" if began is not None else "",
            "note": wording.shortened(session.note, 200),
            "drive": drive_address(session.id),
        }
    }


def _names(live: LiveRecording, news: News, units: str) -> dict[str, Any]:
    """Names of signals that the page has not met, and the order of all."""
    return {
        "order": list(ordered_keys(live.signals)),
        "names": {
            key: {
                "name": wording.shortened(signal_name(key), 80),
                "digits": words.digits(key),
                "stretch": words.least_stretch(live.signals[key].unit, units),
                "line": not words.states_of(key),
                "moves": words.moves(key),
            }
            for key in news.first_seen
        },
        "usual": list(usual_drawn(live.signals)),
    }


def _progress(met: Met, units: str) -> dict[str, Any]:
    seen, wanted = met.live.coverage, met.wanted[units]
    return {
        "seen": [[one.name, one.words, one.enough] for one in words.seen_words(seen)],
        "left": list(words.left_to_drive(wanted, seen, units)),
        "later": list(words.later_words(wanted, seen, units)),
    }


def _danger(live: LiveRecording, units: str) -> dict[str, Any] | None:
    if live.danger is None:
        return None
    title, lines = words.danger_words(live.danger, units)
    return {"urgency": str(live.danger.urgency), "kind": live.danger.signature, "title": title, "lines": list(lines)}


def _warnings(live: LiveRecording, units: str) -> dict[str, Any]:
    told = [
        {"t": round(one.t, 1), "urgency": words.urgency_of(one), "text": words.warned_words(one, units)}
        for one in live.warnings
    ]
    return {"warnings": told}
