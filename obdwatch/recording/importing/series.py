"""From columns and rows to series: which columns are wanted, which readings of them are their own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from obdwatch.recording.importing import carry_forward, names, times
from obdwatch.recording.importing.column_map import ColumnMap
from obdwatch.recording.importing.report import IgnoredColumn
from obdwatch.recording.importing.table import Series
from obdwatch.records import FloatArray

UNKNOWN = "no signal obdwatch knows"
LEFT_OUT = "left out by the column map"
LONGEST_SHOWN = 80  # characters of a name that is only reported


def reason_to_ignore(heading: names.Heading, user: ColumnMap) -> str | None:
    """Return why a column or named signal is not imported, None where it is."""
    mapped = user.column(heading.text)
    if mapped is not None:
        return LEFT_OUT if mapped.key is None else None
    return UNKNOWN if names.key_of(heading.name) is None else None


def wanted_columns(
    headings: Sequence[names.Heading], time: int, user: ColumnMap
) -> tuple[list[int], tuple[IgnoredColumn, ...]]:
    """Return the columns to import, and those to leave out with the reason."""
    wanted, ignored = [], []
    for index, heading in enumerate(headings):
        reason = reason_to_ignore(heading, user)
        if index == time:
            continue
        if reason is None:
            wanted.append(index)
        else:
            ignored.append(IgnoredColumn(heading.text[:LONGEST_SHOWN], reason))
    return wanted, tuple(ignored)


def column_unit(heading: names.Heading, user: ColumnMap) -> str:
    """Return the unit that a column to import is in: by the map, by its header, else the parameter's own."""
    mapped = user.column(heading.text)
    key = mapped.key if mapped is not None else names.key_of(heading.name)
    return (mapped.unit if mapped is not None else None) or heading.unit or names.unit_of(key or "")


def column_series(
    headings: Mapping[int, names.Heading], axis: times.Axis, columns: Mapping[int, FloatArray]
) -> tuple[tuple[Series, ...], int | None]:
    """Make series of the columns of a table with a row per time; `columns` are in the order of `axis.keep`.

    Also returns the round in rows where the table carried values forward (see `carry_forward`), else None.
    """
    carried = carry_forward.recognise(columns)
    seconds = axis.times[axis.keep]
    found = []
    # Where a carried table still has blanks in its first row, what stands there has just been read.
    starts_blank = any(np.isnan(values[:1]).any() for values in columns.values())
    for index, values in columns.items():
        known = np.isfinite(values)
        length = carried.rounds.get(index)
        if length is not None:
            fresh = carry_forward.fresh_rows(values, length, carry_forward.gaps(seconds, length))
            fresh[:1] |= known[:1] & starts_blank
            repeated = int(np.count_nonzero(known & ~fresh))
            found.append(Series(headings[index], seconds[fresh], values[fresh], repeated))
        elif known.all():
            found.append(Series(headings[index], seconds, values))  # shared, not copied: a table may be large
        else:
            found.append(Series(headings[index], seconds[known], values[known]))
    return tuple(found), max(carried.rounds.values(), default=None)


def named_series(
    seconds: FloatArray,
    values: FloatArray,
    codes: NDArray[np.int64],
    known: Mapping[str, int],
    kind: times.TimeKind,
    user: ColumnMap,
) -> tuple[tuple[Series, ...], tuple[IgnoredColumn, ...], int]:
    """Make series of a table with a row per value; `known` numbers the names, `codes` says which row is which.

    The order of time holds within each signal, so that a file may list one signal after the other. Also returns how
    many rows stood out of order. Raises TimesRunBack with the row where a signal's times run backwards.
    """
    found, ignored, reordered = [], [], 0
    order = np.argsort(codes, kind="stable")
    starts = np.searchsorted(codes[order], np.arange(len(known) + 1))
    for name, number in known.items():
        heading = names.heading(name)
        reason = reason_to_ignore(heading, user)
        if reason is not None:
            ignored.append(IgnoredColumn(name[:LONGEST_SHOWN], reason))
            continue
        rows = order[starts[number] : starts[number + 1]]
        axis = _axis_of(rows, seconds, kind)
        kept = rows[axis.keep]
        numbers = values[kept]
        reordered += axis.reordered
        filled = np.isfinite(numbers)
        found.append(Series(heading, axis.times[axis.keep][filled], numbers[filled]))
    return tuple(found), tuple(ignored), reordered


def _axis_of(rows: NDArray[np.intp], seconds: FloatArray, kind: times.TimeKind) -> times.Axis:
    try:
        return times.make_axis(seconds[rows], kind)
    except times.TimesRunBack as error:
        raise times.TimesRunBack(int(rows[error.row]), error.before, error.after) from error
