"""Times, distances, names and verdicts in the words a reader uses; pure functions, no markup."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from datetime import datetime

import numpy as np

from dashboards.downsampling import trace_of
from obdwatch.explanations.findings import explain
from obdwatch.explanations.wording import URGENCY_WORDS
from obdwatch.records import Car, Drive, Finding, MarkKind, Session, Signal, Urgency, Verdict
from obdwatch.units import screen_unit, to_screen

# The same order everywhere: what needs a decision first, then what is missing, then what is well.
_ORDER = {Urgency.STOP: 0, Urgency.SOON: 1, Urgency.NEXT_SERVICE: 2, Urgency.WATCH: 3}

MOST_UNSEEN = 60.0  # s at the end of a drive without its speed, as when the ignition is off before the recording ends
MOST_OF_A_NAME = 60  # letters of a car's name
# Embeddings, overrides and isolates of the Unicode Bidirectional Algorithm (UAX #9, table 4).
_TURNING = dict.fromkeys((*range(0x202A, 0x202F), *range(0x2066, 0x206A)))

VERDICT_WORDS = {
    Verdict.FAULT: "Something is wrong",
    Verdict.HEALTHY: "Looks healthy",
    Verdict.NOT_ENOUGH_DATA: "Cannot tell yet",
}
MARK_WORDS = {
    MarkKind.GAP: "nothing recorded",
    MarkKind.LINK_LOST: "link lost",
    MarkKind.RECONNECT: "link back",
    MarkKind.ENGINE_START: "engine starts",
    MarkKind.ENGINE_STOP: "engine stops",
    MarkKind.ASLEEP: "computer asleep",
    MarkKind.CLOCK_CHANGE: "clock set",
    MarkKind.NOTE: "note",
    MarkKind.END: "end",
}


def in_words(name: str) -> str:
    """A name of the records (`coolant_temperature_sensor`) as a reader says it.

    >>> in_words("coolant_temperature_sensor")
    'Coolant temperature sensor'
    >>> in_words("worst_1000")
    'Worst 1,000'
    """
    words = re.sub(r"\d{4,}", lambda found: f"{int(found[0]):,}", name.replace("_", " ").strip())
    return words[:1].upper() + words[1:]


def clock_time(seconds: float) -> str:
    """A place in a drive: hours, minutes, seconds since its start.

    >>> clock_time(3725.4)
    '1:02:05'
    """
    whole = round(seconds)
    sign, whole = ("−", -whole) if whole < 0 else ("", whole)
    return f"{sign}{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def length(seconds: float) -> str:
    """How long something lasted, as one says it.

    >>> length(42), length(1860), length(7500)
    ('42 seconds', '31 minutes', '2 hours 5 minutes')
    """
    whole = round(seconds)
    if whole < 120:
        return _count(whole, "second")
    minutes = round(whole / 60)
    if minutes < 120:
        return _count(minutes, "minute")
    hours, rest = divmod(minutes, 60)
    return _count(hours, "hour") + (f" {_count(rest, 'minute')}" if rest else "")


def _count(number_of: int, thing: str) -> str:
    return f"{number_of} {thing}" if number_of == 1 else f"{number_of} {thing}s"


def count(number_of: int, thing: str) -> str:
    """A number of things: `1 signal`, `1,200 samples`."""
    return f"{number_of:,} {thing}" if number_of == 1 else f"{number_of:,} {thing}s"


def when(started_at: datetime | None) -> str:
    """Date and time of day where the reader is; said plainly when a recording does not tell."""
    if started_at is None:
        return "Date unknown"
    local = started_at.astimezone()
    return f"{local:%A} {local.day} {local:%B %Y}, {local:%H:%M}"


def car_name(car: Car | None, session: Session) -> str:
    """What to call the car."""
    name = (car.name.strip() if car is not None else "") or (session.car_id or "").strip()
    return shortened(name, MOST_OF_A_NAME) or "Car not named"


def drive_length(drive: Drive) -> float:
    """From the start of a drive to its last sample or mark [s]."""
    last = [float(s.times[-1]) for s in drive.signals.values() if s.times.size]
    last += [mark.t + mark.duration for mark in drive.marks]
    return max(last, default=0.0)


def distance_km(speed: Signal | None) -> tuple[float, bool] | None:
    """Distance from vehicle speed [km], and whether the recording has holes in which more was driven.

    None without a speed signal. Trapezoids between samples; nothing is assumed across a gap.
    """
    if speed is None or speed.times.size < 2:
        return None
    trace = trace_of(speed)
    if trace.times.size < 2:
        return None
    pieces = np.diff(trace.times) * (trace.values[:-1] + trace.values[1:]) / 2.0
    pieces[trace.breaks] = 0.0
    return float(pieces.sum()) / 3600.0, bool(trace.breaks.size)


def distance(drive: Drive, units: str) -> str:
    """Distance driven in words, empty where the recording cannot tell."""
    driven = distance_km(drive.signals.get("vehicle_speed"))
    if driven is None:
        return ""
    km, holes = driven
    unseen = drive_length(drive) - float(drive.signals["vehicle_speed"].times[-1])
    text = quantity(km, "km", units)
    return f"at least {text}" if holes or unseen > MOST_UNSEEN else text


def explained(findings: Sequence[Finding], units: str) -> tuple[Finding, ...]:
    """The findings with headline, reasons and cautions in plain language, in the units of the reader."""
    return tuple(explain(finding, units) for finding in findings)


def state_words(finding: Finding) -> str:
    """Verdict or urgency of one finding in words."""
    if finding.verdict is Verdict.FAULT and finding.urgency is not None:
        return URGENCY_WORDS[finding.urgency]
    return VERDICT_WORDS[finding.verdict]


def rank(finding: Finding) -> int:
    """Where a finding stands in a list, most urgent first; for `sorted`."""
    if finding.verdict is Verdict.FAULT:
        return _ORDER[finding.urgency] if finding.urgency is not None else len(_ORDER)
    return len(_ORDER) + (1 if finding.verdict is Verdict.NOT_ENOUGH_DATA else 2)


def joined(words: Sequence[str]) -> str:
    """Words as one lists them.

    >>> joined(["P0171"]), joined(["P0171", "P0174", "P0300"])
    ('P0171', 'P0171, P0174 and P0300')
    """
    return " and ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else "".join(words)


def shortened(text: str, most: int) -> str:
    """`text` on one line of at most `most` characters; a cut is shown.

    Signs that turn the direction of writing round are left out: what stands behind them would be turned round as well.
    """
    line = " ".join(text.translate(_TURNING).split())
    return line if len(line) <= most else line[: most - 1].rstrip() + "…"


def number(value: float) -> str:
    """A number for reading: three digits that count, no noughts behind them, thousands apart; a dash for no number.

    >>> number(1234.5), number(87.52), number(-3.1), number(74.0), number(math.nan)
    ('1,234', '87.5', '−3.1', '74', '–')
    """
    if not math.isfinite(value):
        return "–"
    size = abs(value)
    decimals = 0 if size >= 99.95 else 1 if size >= 9.995 else 2
    text = f"{value:,.{decimals}f}"
    if decimals:
        text = text.rstrip("0").rstrip(".")
    return "0" if text == "-0" else text.replace("-", "−")


def quantity(value: float, unit: str, units: str) -> str:
    """A value in its J1979 `unit` as a reader of `units` (metric or us) sees it, held together on one line."""
    return with_unit(number(to_screen(value, unit, units)), screen_unit(unit, units).name)


def quantities(ends: tuple[float, float], unit: str, units: str) -> str:
    """A range of values with the unit said once."""
    low, high = (number(to_screen(end, unit, units)) for end in ends)
    return with_unit(f"{low} to {high}", screen_unit(unit, units).name)


def with_unit(text: str, name: str) -> str:
    """`text` and the name of a unit, held together on one line; a share or a probability has none ("-")."""
    if name == "-":
        return text
    return f"{text}{name}" if name in ("", "°") or name.startswith("%") else f"{text}\N{NO-BREAK SPACE}{name}"
