"""Reads ASAM MDF 4 measurement files: every channel with its own times; needs asammdf."""

from __future__ import annotations

import contextlib
import gc
import struct
import sys
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np

from obdwatch.errors import ImportFileError, InputError
from obdwatch.recording.importing import names, times
from obdwatch.recording.importing.column_map import ColumnMap
from obdwatch.recording.importing.report import IgnoredColumn
from obdwatch.recording.importing.series import LONGEST_SHOWN, reason_to_ignore
from obdwatch.recording.importing.table import RawTable, Series
from obdwatch.recording.importing.text import Progress, check_readable

MDF_MAGIC = b"MDF     "
# What asammdf raises on damaged files, besides its own exception.
DAMAGE = (ValueError, KeyError, IndexError, OSError, AttributeError, TypeError, struct.error, MemoryError)
EARLIEST_START = datetime(1990, 1, 1, tzinfo=UTC)  # an earlier start stands for an unknown one


def read_mdf(
    path: Path, user: ColumnMap, where: Mapping[str, str], stated_start: datetime | None, progress: Progress | None
) -> RawTable:
    """Read the channels of an MDF file that obdwatch knows; raises ImportFileError where it is none."""
    check_readable(path)
    if where:
        raise ImportFileError(path, "holds channels and no rows to choose from; leave --where out")
    with path.open("rb") as handle:
        if handle.read(len(MDF_MAGIC)) != MDF_MAGIC:
            raise ImportFileError(path, "is no MDF file")
    try:
        asammdf = import_module("asammdf")
    except ImportError:
        raise InputError("this format needs asammdf: pip install 'obdwatch[mdf]'") from None
    with _opened(path, asammdf) as mdf, _reporting(path, asammdf):
        return _table(path, mdf, user, stated_start, progress)


def _opened(path: Path, asammdf: ModuleType) -> Any:
    """Open an MDF file; a damaged one leaves a half-made object behind, whose end must not be noisy."""
    hook = sys.unraisablehook
    sys.unraisablehook = lambda _: None
    try:
        return _attempt(path, asammdf)
    finally:
        gc.collect()
        sys.unraisablehook = hook


def _attempt(path: Path, asammdf: ModuleType) -> Any:
    try:
        return asammdf.MDF(path)
    except (*DAMAGE, asammdf.blocks.utils.MdfException) as error:
        problem = _problem(error)
    # Raised outside, so that it does not keep alive what asammdf left behind.
    raise ImportFileError(path, problem)


def _problem(error: Exception) -> str:
    said = " ".join(str(error).split())[:80]
    return f"is a damaged MDF file ({said})" if said and "<" not in said else "is a damaged MDF file"


@contextlib.contextmanager
def _reporting(path: Path, asammdf: ModuleType) -> Iterator[None]:
    try:
        yield
    except (*DAMAGE, asammdf.blocks.utils.MdfException) as error:
        raise ImportFileError(path, _problem(error)) from error


def _table(path: Path, mdf: Any, user: ColumnMap, stated_start: datetime | None, progress: Progress | None) -> RawTable:
    series: list[Series] = []
    ignored: list[IgnoredColumn] = []
    places = [(name, place) for name, all_places in mdf.channels_db.items() for place in all_places]
    for done, (name, (group, index)) in enumerate(places, 1):
        if mdf.masters_db.get(group) != index:
            _add(path, mdf, name, group, index, user, series, ignored)
        if progress is not None:
            progress(done / len(places))
    rows = sum(len(one.times) for one in series)
    start = mdf.header.start_time.astimezone(UTC)
    started_at = stated_start or (start if start > EARLIEST_START else None)
    return RawTable(tuple(series), rows, started_at, tuple(ignored))


def _add(
    path: Path,
    mdf: Any,
    name: str,
    group: int,
    index: int,
    user: ColumnMap,
    series: list[Series],
    ignored: list[IgnoredColumn],
) -> None:
    heading = names.heading(name)
    reason = reason_to_ignore(heading, user)
    if reason is not None:
        ignored.append(IgnoredColumn(name[:LONGEST_SHOWN], reason))
        return
    channel = mdf.get(name, group, index)
    if channel.samples.dtype.kind not in "iuf" or channel.samples.ndim != 1:
        ignored.append(IgnoredColumn(name[:LONGEST_SHOWN], "holds no numbers"))
        return
    seconds, values = np.asarray(channel.timestamps, dtype=float), np.asarray(channel.samples, dtype=float)
    try:
        axis = times.make_axis(seconds, times.TimeKind.COUNTER)
    except times.TimesRunBack as error:
        raise ImportFileError(path, f"channel '{name}': {error}") from error
    known = axis.keep[np.isfinite(values[axis.keep])]
    unit = heading.unit if heading.unit is not None else (channel.unit or None)
    series.append(Series(names.Heading(name, heading.name, unit, heading.ecu), axis.times[known], values[known]))
