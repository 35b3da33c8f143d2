"""What every reader of a foreign format hands on: series of numbers under headers, not yet converted or checked."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from obdwatch.recording.importing.names import Heading
from obdwatch.recording.importing.report import DroppedValues, IgnoredColumn
from obdwatch.records import FloatArray


@dataclass(frozen=True, slots=True)
class Series:
    """One column or one named signal of a table: times [s] in order, and numbers as they stand in the file.

    `repeated` counts readings that were left out as carried forward.
    """

    heading: Heading
    times: FloatArray
    values: FloatArray
    repeated: int = 0


@dataclass(frozen=True, slots=True)
class RawTable:
    """A foreign table as read: its series, how many rows it had, when it began (aware, UTC; None if it is silent)."""

    series: tuple[Series, ...]
    rows: int
    started_at: datetime | None = None
    ignored: tuple[IgnoredColumn, ...] = ()
    dropped: tuple[DroppedValues, ...] = ()
    round_rows: int | None = None
    notes: tuple[str, ...] = ()
