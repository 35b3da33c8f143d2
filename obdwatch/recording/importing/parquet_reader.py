"""Reads Parquet tables, with a row per value (`time_s`, `signal`, `value`) or a column per signal; needs pyarrow."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np

from obdwatch.errors import ImportFileError, InputError
from obdwatch.recording.importing import names, times
from obdwatch.recording.importing.column_map import ColumnMap
from obdwatch.recording.importing.layout import long_columns, same_value, time_column
from obdwatch.recording.importing.report import IgnoredColumn
from obdwatch.recording.importing.series import column_series, named_series, wanted_columns
from obdwatch.recording.importing.table import RawTable, Series
from obdwatch.recording.importing.text import Progress, check_readable
from obdwatch.records import FloatArray

Found = tuple[tuple[Series, ...], tuple[IgnoredColumn, ...], int | None]


def read_parquet(
    path: Path, user: ColumnMap, where: Mapping[str, str], stated_start: datetime | None, progress: Progress | None
) -> RawTable:
    """Read a Parquet table; raises ImportFileError where it is none or has no usable times."""
    check_readable(path)
    table = _chosen(path, _table(path), where)
    headings = [names.heading(name) for name in table.column_names]
    time = time_column(path, user, headings)
    form, seconds, base = _seconds(path, headings[time], table.column(time), user)
    try:
        series, ignored, round_rows = _series(table, headings, time, seconds, form.kind, user)
    except times.TimesRunBack as error:
        raise ImportFileError(path, f"{error}; does it hold several trips? Choose one with --where") from error
    started_at = times.start_of(form, base, stated_start or _written_start(table))
    if progress is not None:
        progress(1.0)
    return RawTable(series, table.num_rows, started_at, ignored, round_rows=round_rows)


def _table(path: Path) -> Any:
    try:
        parquet = import_module("pyarrow.parquet")
    except ImportError:
        raise InputError("this format needs pyarrow: pip install 'obdwatch[parquet]'") from None
    try:
        return parquet.read_table(path)
    except (OSError, ValueError) as error:  # pyarrow's own errors derive from these
        raise ImportFileError(path, f"is no readable Parquet file ({' '.join(str(error).split())[:100]})") from error


def _chosen(path: Path, table: Any, where: Mapping[str, str]) -> Any:
    for column, value in where.items():
        found = next((name for name in table.column_names if ColumnMap.same_header(column, name)), None)
        if found is None:
            known = ", ".join(table.column_names)
            raise ImportFileError(path, f"has no column '{column}' to choose rows by; it has {known}")
        table = table.filter(
            np.array([same_value(cell, value) for cell in table.column(found).to_pylist()], dtype=bool)
        )
    if table.num_rows == 0:
        raise ImportFileError(path, "has no rows" if not where else f"has no row with {dict(where)}")
    return table


def _seconds(
    path: Path, heading: names.Heading, column: Any, user: ColumnMap
) -> tuple[times.TimeFormat, FloatArray, float]:
    """Return how the times are written, the times [s] on the session's axis, and where that axis begins."""
    if str(column.type).startswith(("timestamp", "date")):
        moments = column.cast("timestamp[us]").to_numpy().astype("datetime64[us]")
        known = moments[~np.isnat(moments)]
        form = times.TimeFormat(times.TimeKind.DATE)
        if len(known):
            since = np.where(np.isnat(moments), np.nan, (moments - known[0]).astype(np.int64) / 1e6)
            return form, since, float(known[0].astype(np.int64) / 1e6)
    cells = column.to_pandas()
    try:
        sample = [str(cell) for cell in cells.head(200)]
        form = times.find_format(heading.name, heading.unit, sample, user.time_format)
        base = times.start_of_axis(cells, form)
    except times.UnclearTimes as error:
        raise ImportFileError(path, f"column '{heading.text}': {error}") from error
    return form, times.read_times(cells, form, base), base


def _written_start(table: Any) -> datetime | None:
    written = (table.schema.metadata or {}).get(b"started_at")
    try:
        return datetime.fromisoformat(written.decode()).astimezone(UTC) if written else None
    except (ValueError, UnicodeError, OverflowError):
        return None


def _numbers(column: Any) -> FloatArray:
    import pandas as pd

    found = np.asarray(pd.to_numeric(column.to_pandas(), errors="coerce"), dtype=float)
    return np.where(np.isfinite(found), found, np.nan)


def _series(
    table: Any, headings: list[names.Heading], time: int, seconds: FloatArray, kind: times.TimeKind, user: ColumnMap
) -> Found:
    signal, value, unit = long_columns(headings)
    if signal is not None and value is not None:
        codes, known = _codes(table, signal, unit)
        series, ignored, _ = named_series(seconds, _numbers(table.column(value)), codes, known, kind, user)
        return series, ignored, None
    wanted, ignored = wanted_columns(headings, time, user)
    axis = times.make_axis(seconds, kind)
    columns = {column: axis.in_order(_numbers(table.column(column))) for column in wanted}
    series, round_rows = column_series(dict(enumerate(headings)), axis, columns)
    return series, ignored, round_rows


def _codes(table: Any, signal: int, unit: int | None) -> tuple[np.ndarray[Any, np.dtype[np.int64]], dict[str, int]]:
    import pandas as pd

    text = table.column(signal).cast("string").to_pandas().astype(str)
    if unit is not None:
        units = table.column(unit).cast("string").to_pandas().fillna("").astype(str)
        text = text.where(units == "", text + " [" + units + "]")
    codes, uniques = pd.factorize(text, use_na_sentinel=False)
    return np.asarray(codes, dtype=np.int64), {str(name): number for number, name in enumerate(uniques)}
