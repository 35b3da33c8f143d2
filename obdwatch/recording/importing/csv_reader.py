"""Reads a text table, wide or long, into series of numbers; only numbers are kept, never the text of the whole file."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from obdwatch.errors import ImportFileError
from obdwatch.recording.importing import times
from obdwatch.recording.importing.column_map import ColumnMap
from obdwatch.recording.importing.csv_blocks import NO_TIME, Lines, Reading, blocks, numbers
from obdwatch.recording.importing.layout import Layout, find_layout
from obdwatch.recording.importing.report import IgnoredColumn
from obdwatch.recording.importing.series import column_series, column_unit, named_series, wanted_columns
from obdwatch.recording.importing.table import RawTable, Series
from obdwatch.recording.importing.text import Progress, examine, opened_text
from obdwatch.records import FloatArray

if TYPE_CHECKING:
    from obdwatch.recording.importing.csv_blocks import Block

Found = tuple[tuple[Series, ...], tuple[IgnoredColumn, ...], int | None]


def read_csv(
    path: Path, user: ColumnMap, where: Mapping[str, str], stated_start: datetime | None, progress: Progress | None
) -> RawTable:
    """Read a text table, wide or long, compressed or not.

    `where` picks rows by the text or number in other columns. Raises ImportFileError where the table is none, where
    its times run backwards, or where a row has more fields than the header.
    """
    source = examine(path, user.encoding)
    layout = find_layout(source, user)
    reading = Reading(layout, source)
    chosen = _chosen_columns(path, layout, where)
    read = _read_long if layout.is_long else _read_wide
    with opened_text(source, progress) as text:
        series, ignored, round_rows = read(reading, user, blocks(reading, user, text, chosen))
    if reading.form is None:
        raise ImportFileError(path, _no_rows(where))
    if reading.repeated_headers:
        reading.notes.append(f"{reading.repeated_headers} repeated header rows were left out")
    started_at = times.start_of(reading.form, reading.base, stated_start)
    dropped = reading.dropped_values()
    return RawTable(series, reading.rows, started_at, ignored, dropped, round_rows, tuple(reading.notes))


def _no_rows(where: Mapping[str, str]) -> str:
    if not where:
        return "has a header but no rows"
    wanted = ", ".join(f"{column}={value}" for column, value in where.items())
    return f"has no row with {wanted}"


def _chosen_columns(path: Path, layout: Layout, where: Mapping[str, str]) -> dict[int, str]:
    chosen = {}
    for column, value in where.items():
        found = [i for i, heading in enumerate(layout.headings) if ColumnMap.same_header(column, heading.text)]
        if not found:
            known = ", ".join(heading.text for heading in layout.headings)
            raise ImportFileError(path, f"has no column '{column}' to choose rows by; it has {known}")
        chosen[found[0]] = value
    return chosen


def _read_wide(reading: Reading, user: ColumnMap, rows: Iterator[Block]) -> Found:
    headings = reading.layout.headings
    wanted, ignored = wanted_columns(headings, reading.layout.time, user)
    if not wanted:
        raise ImportFileError(reading.source.path, "has no column with a signal obdwatch knows besides the time")
    column_units = {column: column_unit(headings[column], user) for column in wanted}
    time_parts: list[FloatArray] = []
    line_parts: list[Lines] = []
    parts: dict[int, list[FloatArray]] = {column: [] for column in wanted}
    for block in rows:
        time_parts.append(_seconds(reading, block))
        line_parts.append(block.index.to_numpy())
        for column in wanted:
            parts[column].append(numbers(reading, block[column], headings[column].text, column_units[column]))
    if not time_parts:
        return (), ignored, None
    seconds, lines = np.concatenate(time_parts), np.concatenate(line_parts)
    axis = _axis(reading, seconds, lines)
    columns = {column: axis.in_order(np.concatenate(parts.pop(column))) for column in wanted}
    series, round_rows = column_series(dict(enumerate(headings)), axis, columns)
    return series, ignored, round_rows


def _seconds(reading: Reading, block: Block) -> FloatArray:
    assert reading.form is not None  # settled with the first block
    return times.read_times(block[reading.layout.time], reading.form, reading.base)


def _axis(reading: Reading, seconds: FloatArray, lines: Lines) -> times.Axis:
    assert reading.form is not None
    try:
        axis = times.make_axis(seconds, reading.form.kind)
    except times.TimesRunBack as error:
        raise _runs_back(reading, error, lines) from error
    _note_times(reading, seconds, lines, axis.reordered)
    return axis


def _runs_back(reading: Reading, error: times.TimesRunBack, lines: Lines) -> ImportFileError:
    problem = f"{error}; does the file hold several trips? Choose one with --where COLUMN=VALUE"
    return ImportFileError(reading.source.path, problem, int(lines[error.row]))


def _note_times(reading: Reading, seconds: FloatArray, lines: Lines, reordered: int) -> None:
    header = reading.layout.headings[reading.layout.time].text
    reading.drop(header, NO_TIME, lines[~np.isfinite(seconds)])
    if reordered:
        reading.notes.append(f"{reordered} rows stood out of order and were put in their place")


def _read_long(reading: Reading, user: ColumnMap, rows: Iterator[Block]) -> Found:
    layout = reading.layout
    assert layout.signal is not None
    assert layout.value is not None
    time_parts: list[FloatArray] = []
    value_parts: list[FloatArray] = []
    code_parts: list[NDArray[np.int64]] = []
    line_parts: list[Lines] = []
    known: dict[str, int] = {}
    for block in rows:
        time_parts.append(_seconds(reading, block))
        value_parts.append(numbers(reading, block[layout.value], layout.headings[layout.value].text))
        code_parts.append(_codes(block, layout, known))
        line_parts.append(block.index.to_numpy())
    if not time_parts:
        return (), (), None
    assert reading.form is not None
    seconds, lines = np.concatenate(time_parts), np.concatenate(line_parts)
    values, codes = np.concatenate(value_parts), np.concatenate(code_parts)
    try:
        series, ignored, reordered = named_series(seconds, values, codes, known, reading.form.kind, user)
    except times.TimesRunBack as error:
        raise _runs_back(reading, error, lines) from error
    _note_times(reading, seconds, lines, reordered)
    return series, ignored, None


def _codes(block: Block, layout: Layout, known: dict[str, int]) -> NDArray[np.int64]:
    """Number the signals of a block; the unit, where a column names it, belongs to the name."""
    import pandas as pd

    text = block[layout.signal].astype(str).str.strip()
    if layout.unit is not None:
        unit = block[layout.unit].astype(object).fillna("").astype(str).str.strip()
        text = text.where(unit == "", text + " [" + unit + "]")
    codes, uniques = pd.factorize(text, use_na_sentinel=False)
    numbered = [known.setdefault(str(name), len(known)) for name in uniques]
    return np.array(numbered, dtype=np.int64)[np.asarray(codes)]
