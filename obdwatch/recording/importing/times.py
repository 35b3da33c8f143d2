"""The times of a foreign table: what the column means, and how its entries become seconds of the session.

Every reading is reduced to seconds from the first one where the column holds a date or a time of day, and kept as it
stands where it counts seconds already.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import numpy as np

from obdwatch.recording.importing import units
from obdwatch.records import FloatArray

if TYPE_CHECKING:
    import pandas as pd

DAY = 86400.0  # s
# The Unix time of 2000-01-01 and of 2100-01-01; a counter of seconds between them is a date.
EPOCH_RANGE = (946_684_800.0, 4_102_444_800.0)
EPOCH_SCALES = (1.0, 1e-3, 1e-6, 1e-9)
LATEST_START = 3600.0  # s; a counter that starts later than that counted something else than this drive
UNLIKELY_STEP = 20.0  # s; nobody logs a drive at one row in 20 s, so such a column is in another unit

_CLOCK = re.compile(r"^\d{1,2}:\d{2}:\d{2}([.,:]\d+)?$")
_NUMBER = re.compile(r"^[+-]?\d+([.,]\d*)?([eE][+-]?\d+)?$")
_ISO = re.compile(r"^\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}")
# Day first where dots separate, as in every language that writes dates so; slashes are ambiguous and left out.
_PATTERNS = (
    (re.compile(r"^\d{4}/\d{1,2}/\d{1,2} \d{1,2}:\d{2}:\d{2}\.\d+$"), "%Y/%m/%d %H:%M:%S.%f"),
    (re.compile(r"^\d{4}/\d{1,2}/\d{1,2} \d{1,2}:\d{2}:\d{2}$"), "%Y/%m/%d %H:%M:%S"),
    (re.compile(r"^\d{1,2}\.\d{1,2}\.\d{4} \d{1,2}:\d{2}:\d{2}\.\d+$"), "%d.%m.%Y %H:%M:%S.%f"),
    (re.compile(r"^\d{1,2}\.\d{1,2}\.\d{4} \d{1,2}:\d{2}:\d{2}$"), "%d.%m.%Y %H:%M:%S"),
    (re.compile(r"^\d{1,2}-[A-Za-z]{3}-\d{4} \d{1,2}:\d{2}:\d{2}\.\d+$"), "%d-%b-%Y %H:%M:%S.%f"),
    (re.compile(r"^\d{1,2}-[A-Za-z]{3}-\d{4} \d{1,2}:\d{2}:\d{2}$"), "%d-%b-%Y %H:%M:%S"),
)


class UnclearTimes(ValueError):
    """The times cannot be read without guessing; the text says what is missing."""


class TimeKind(StrEnum):
    """What a time column holds."""

    COUNTER = "counter"  # seconds, or fractions of them, from some start
    CLOCK = "clock"  # time of day
    DATE = "date"  # date and time


@dataclass(frozen=True, slots=True)
class TimeFormat:
    """How to read a time column: a counter in units of `scale` [s], a time of day, or a date by `pattern`.

    `pattern` is a strptime pattern, None for ISO 8601.
    """

    kind: TimeKind
    scale: float = 1.0
    pattern: str | None = None


def find_format(name: str, unit: str | None, cells: Sequence[str], wanted: str | None = None) -> TimeFormat:
    """Find out what a time column holds from its header and first cells; `wanted` is the column map's own word.

    Raises UnclearTimes where the cells do not say it.

    >>> find_format("Time", None, ["19:23:27.775", "19:23:27.894"]).kind
    <TimeKind.CLOCK: 'clock'>
    >>> find_format("Timestamp", "ms", ["0", "2100"]).scale
    0.001
    """
    if wanted is not None:
        return _wanted(wanted)
    filled = [cell.strip() for cell in cells if cell.strip()]
    if not filled:
        raise UnclearTimes("the time column is empty")
    if _most(_NUMBER, filled):
        numbers = [float(cell.replace(",", ".")) for cell in filled if _NUMBER.match(cell)]
        return _counter(name, unit, [number for number in numbers if math.isfinite(number)])
    if _most(_CLOCK, filled):
        return TimeFormat(TimeKind.CLOCK)
    if _most(_ISO, filled):
        return TimeFormat(TimeKind.DATE)
    for form, pattern in _PATTERNS:
        if _most(form, filled):
            return TimeFormat(TimeKind.DATE, pattern=pattern)
    raise UnclearTimes(f"times like '{filled[0][:40]}' are not understood; give their format in a column map: [time]")


def _wanted(word: str) -> TimeFormat:
    scales = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "min": 60.0}
    if word in scales:
        return TimeFormat(TimeKind.COUNTER, scales[word])
    if word == "clock":
        return TimeFormat(TimeKind.CLOCK)
    if word == "iso":
        return TimeFormat(TimeKind.DATE)
    has_date = any(mark in word for mark in ("%d", "%j", "%x", "%c", "%D"))
    return TimeFormat(TimeKind.DATE if has_date else TimeKind.CLOCK, pattern=word)


def _most(form: re.Pattern[str], cells: Sequence[str]) -> bool:
    return sum(1 for cell in cells if form.match(cell)) > len(cells) / 2


def _counter(name: str, unit: str | None, numbers: Sequence[float]) -> TimeFormat:
    if not numbers:
        raise UnclearTimes("none of its times can be read")
    for scale in EPOCH_SCALES:
        if EPOCH_RANGE[0] <= numbers[0] * scale <= EPOCH_RANGE[1] and (unit is None or numbers[0] > EPOCH_RANGE[1]):
            return TimeFormat(TimeKind.DATE, scale, pattern="epoch")
    named = _scale(name, unit)
    if named is not None:
        return TimeFormat(TimeKind.COUNTER, named)
    step = float(np.median(np.abs(np.diff(numbers)))) if len(numbers) > 1 else 0.0
    if step >= UNLIKELY_STEP:
        raise UnclearTimes(
            f"time column '{name}' names no unit and steps by {step:g}: say what it is in a column map: "
            f'[time] format = "ms" (or s, us)'
        )
    return TimeFormat(TimeKind.COUNTER)


def _scale(name: str, unit: str | None) -> float | None:
    """The unit in seconds that the header names, in brackets or as its last word."""
    for spelling in (unit, re.split(r"[\s_]+", name)[-1].lower()):
        found = units.UNITS.get(units.normal_spelling(spelling)) if spelling else None
        if found is not None and found.quantity == "time":
            return found.factor
    return 1e-3 if name.lower().startswith("milli") else None


def read_times(cells: pd.Series[Any], form: TimeFormat, base: float) -> FloatArray:
    """Read one block of a time column as seconds after `base` [s]; what cannot be read becomes NaN."""
    if form.kind is TimeKind.COUNTER:
        return _numbers(cells) * form.scale - base
    if form.pattern == "epoch":
        return (_numbers(cells) - base / form.scale) * form.scale
    if form.kind is TimeKind.CLOCK:
        return _clock(cells, form.pattern) - base
    return _dates(cells, form.pattern, base)


def _numbers(cells: pd.Series[Any]) -> FloatArray:
    import pandas as pd

    if cells.dtype.kind not in "iuf":
        cells = cells.astype(str).str.strip().str.replace(",", ".", regex=False)
    numbers = np.asarray(pd.to_numeric(cells, errors="coerce"), dtype=float)
    return np.where(np.isfinite(numbers), numbers, np.nan)


def _clock(cells: pd.Series[Any], pattern: str | None) -> FloatArray:
    import pandas as pd

    text = cells.astype(str).str.strip()
    if pattern is not None:
        moment = pd.to_datetime(text, format=pattern, errors="coerce")
        return np.asarray((moment - moment.dt.normalize()).dt.total_seconds(), dtype=float)
    parts = text.str.extract(r"^(\d{1,2}):([0-5]\d):([0-5]\d)(?:[.,:](\d+))?$")
    hours, minutes, seconds = (np.asarray(pd.to_numeric(parts[n]), dtype=float) for n in range(3))
    fraction = np.asarray(pd.to_numeric("0." + parts[3].fillna("0"), errors="coerce"), dtype=float)
    return np.where(hours < 24, hours * 3600 + minutes * 60 + seconds + fraction, np.nan)


def _dates(cells: pd.Series[Any], pattern: str | None, base: float) -> FloatArray:
    import pandas as pd

    moments = pd.to_datetime(cells.astype(str).str.strip(), format=pattern or "ISO8601", errors="coerce", utc=True)
    start = pd.Timestamp(datetime.fromtimestamp(base, UTC))
    return np.asarray((moments - start).dt.total_seconds(), dtype=float)


def first_time(cells: pd.Series[Any], form: TimeFormat) -> float | None:
    """Return the first readable time [s] of a block: since midnight, since 1970, or of the counter."""
    times = read_times(cells, form, 0.0)
    known = times[np.isfinite(times)]
    return float(known[0]) if len(known) else None


def start_of_axis(cells: pd.Series[Any], form: TimeFormat) -> float:
    """Return the reading [s] that becomes the session's zero; raises UnclearTimes where no cell can be read.

    A counter that starts within the first hour keeps its own zero.
    """
    first = first_time(cells, form)
    if first is None:
        raise UnclearTimes("none of its times can be read")
    return 0.0 if form.kind is TimeKind.COUNTER and 0 <= first <= LATEST_START else first


@dataclass(frozen=True, slots=True)
class Axis:
    """The times of all rows as seconds of the session, and what became of them.

    `keep` lists the rows with a usable time, in order of time; `reordered` counts rows that stood up to
    `times.REORDERING` seconds too late in the file, `unreadable` those without a time.
    """

    times: FloatArray
    keep: np.ndarray[tuple[int], np.dtype[np.int64]]
    reordered: int = 0
    unreadable: int = 0

    def in_order(self, values: FloatArray) -> FloatArray:
        """Return the values of the kept rows in order of time; the same array where nothing changes."""
        return values[self.keep] if self.reordered or self.unreadable else values


REORDERING = 5.0  # s; writers that buffer may swap neighbouring rows, but not by more
WRAP = DAY / 2  # s; a clock that falls back by more than half a day has passed midnight


class TimesRunBack(ValueError):
    """Times run backwards further than a writer's buffer explains, at `row` from `before` to `after` [s]."""

    def __init__(self, row: int, before: float, after: float) -> None:
        super().__init__(f"time runs backwards from {before:g} s to {after:g} s")
        self.row, self.before, self.after = row, before, after


def make_axis(times: FloatArray, kind: TimeKind) -> Axis:
    """Put row times in order; raises TimesRunBack where they are no single drive."""
    readable = np.flatnonzero(np.isfinite(times))
    known = times[readable]
    if kind is TimeKind.CLOCK and len(known):
        known = known + DAY * np.concatenate(([0], np.cumsum(np.diff(known) < -WRAP)))
    latest = np.maximum.accumulate(known) if len(known) else known
    behind = latest - known
    if len(known) and behind.max() > REORDERING:
        row = int(np.argmax(behind > REORDERING))
        raise TimesRunBack(int(readable[row]), float(known[row - 1]), float(known[row]))
    order = np.argsort(known, kind="stable")
    in_session = np.full(len(times), np.nan)
    in_session[readable] = known
    return Axis(in_session, readable[order], int(np.count_nonzero(behind > 0)), len(times) - len(readable))


def start_of(form: TimeFormat, base: float, stated: datetime | None) -> datetime | None:
    """Return when the drive began (UTC): as stated by the user, else by the dates in the file, else unknown."""
    if stated is not None:
        return stated.astimezone(UTC)
    if form.kind is not TimeKind.DATE:
        return None
    try:
        return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=base)
    except OverflowError:
        return None
