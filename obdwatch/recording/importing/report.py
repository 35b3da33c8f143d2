"""What an import did to a table, so that nothing happens to the user's data behind their back."""

from __future__ import annotations

from dataclasses import dataclass

from obdwatch.records import Car, Session


@dataclass(frozen=True, slots=True)
class ImportedSignal:
    """A column that became a signal: `count` samples of `key`, converted from `unit` where that is not the key's own.

    `repeated` counts readings left out because the table only carried an older one forward.
    """

    header: str
    key: str
    unit: str
    count: int
    repeated: int = 0


@dataclass(frozen=True, slots=True)
class IgnoredColumn:
    """A column that was left out, and why."""

    header: str
    reason: str


@dataclass(frozen=True, slots=True)
class DroppedValues:
    """Entries of one column that are no usable values: how many, why, and the line of the first (None: unknown)."""

    header: str
    reason: str
    count: int
    first_line: int | None = None


@dataclass(frozen=True, slots=True)
class ImportReport:
    """The outcome of an import: the session as written, and everything that was changed or left out.

    `round_rows` is the number of rows in which a table that carried values forward asked for every signal once, None
    for a table that did not. `notes` are sentences for the user. `car` is the car that a context file describes.
    """

    session: Session
    rows_read: int
    signals: tuple[ImportedSignal, ...]
    ignored: tuple[IgnoredColumn, ...] = ()
    dropped: tuple[DroppedValues, ...] = ()
    round_rows: int | None = None
    notes: tuple[str, ...] = ()
    car: Car | None = None
