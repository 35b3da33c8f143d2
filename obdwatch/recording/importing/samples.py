"""Turns the series of a foreign table into samples of parameters: key, unit, range, one value per time."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from obdwatch.decoding.parameters import PARAMETER_BY_KEY
from obdwatch.errors import ImportFileError
from obdwatch.recording.importing import names, units
from obdwatch.recording.importing.column_map import ColumnMap
from obdwatch.recording.importing.report import DroppedValues, IgnoredColumn, ImportedSignal
from obdwatch.recording.importing.table import Series
from obdwatch.records import FloatArray

RANGE_TOLERANCE = 0.01  # of the parameter's span: other units and rounding move its ends a little
MOSTLY_OUT_OF_RANGE = 0.5  # of the values; then the column is in another unit, or is something else
OUT_OF_RANGE = "lies outside what the parameter can hold"
SAME_TIME = "has the same time as another value of this signal"


@dataclass(frozen=True, slots=True)
class Samples:
    """The samples of one parameter: `times` [s] strictly increasing, `values` in the parameter's unit, all finite."""

    key: str
    times: FloatArray
    values: FloatArray
    signal: ImportedSignal


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of all series of a table."""

    samples: tuple[Samples, ...]
    ignored: tuple[IgnoredColumn, ...]
    dropped: tuple[DroppedValues, ...]


def to_samples(path: Path, series: Iterable[Series], user: ColumnMap) -> Outcome:
    """Convert and check every series; raises ImportFileError for a unit that cannot be understood."""
    done: dict[str, Samples] = {}
    ignored: list[IgnoredColumn] = []
    dropped: list[DroppedValues] = []
    for one in series:
        key = _key(one.heading, user)
        if key in done:
            first = done[key].signal.header
            ignored.append(IgnoredColumn(one.heading.text, f"'{first}' holds the same signal"))
        elif not len(one.values):
            ignored.append(IgnoredColumn(one.heading.text, "holds no number"))
        else:
            _add(path, one, key, user, done, ignored, dropped)
    return Outcome(tuple(done.values()), tuple(ignored), tuple(dropped))


def _key(heading: names.Heading, user: ColumnMap) -> str:
    mapped = user.column(heading.text)
    key = mapped.key if mapped is not None and mapped.key is not None else names.key_of(heading.name)
    assert key is not None, heading
    return f"{key}@{heading.ecu}" if heading.ecu else key


def _add(
    path: Path,
    one: Series,
    key: str,
    user: ColumnMap,
    done: dict[str, Samples],
    ignored: list[IgnoredColumn],
    dropped: list[DroppedValues],
) -> None:
    header = one.heading.text
    values = _converted(path, one, key, user)
    fits = _in_range(values, key)
    outside = int(np.count_nonzero(~fits))
    if outside > MOSTLY_OUT_OF_RANGE * len(values):
        ignored.append(IgnoredColumn(header, f"{outside} of {len(values)} values cannot be {key}; is it another unit?"))
        return
    if outside:
        dropped.append(DroppedValues(header, OUT_OF_RANGE, outside))
    seconds, values = (one.times[fits], values[fits]) if outside else (one.times, values)
    single = np.concatenate(([True], np.diff(seconds) > 0))
    if not single.all():
        dropped.append(DroppedValues(header, SAME_TIME, int(np.count_nonzero(~single))))
        seconds, values = seconds[single], values[single]
    signal = ImportedSignal(header, key, one.heading.unit or "", len(values), one.repeated)
    done[key] = Samples(key, seconds, values, signal)


def _converted(path: Path, one: Series, key: str, user: ColumnMap) -> FloatArray:
    mapped = user.column(one.heading.text)
    unit, values = one.heading.unit, one.values
    if mapped is not None:
        values = values * mapped.scale + mapped.offset
        # A scale of the user's own leads to the parameter's unit, whatever the header says.
        own_scale = (mapped.scale, mapped.offset) != (1.0, 0.0)
        unit = mapped.unit if mapped.unit is not None or own_scale else unit
    try:
        change = units.conversion(unit or "", names.unit_of(key.partition("@")[0]))
    except (units.UnknownUnit, units.WrongQuantity) as error:
        raise ImportFileError(
            path, f"column '{one.heading.text}': {error}; say in a column map what it is (--columns)"
        ) from error
    return values * change.factor + change.offset if change.changes else values


def _in_range(values: FloatArray, key: str) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    parameter = PARAMETER_BY_KEY[key.partition("@")[0]]
    slack = RANGE_TOLERANCE * (parameter.maximum - parameter.minimum)
    fits = values >= parameter.minimum - slack
    if parameter.full_scale is None:  # parameters 4F and 50 may stretch the others
        fits &= values <= parameter.maximum + slack
    return np.asarray(fits, dtype=np.bool_)
