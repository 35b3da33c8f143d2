"""The context file of an import: what a table of numbers cannot carry, as JSON.

::

    {"car": {"id": "family-car", "displacement_l": 2.5, "cylinders": 6},
     "odometer_km": 184000, "soak_hours": 9, "started_at": "2026-11-25T07:15:00+01:00",
     "codes": {"stored": ["P0128"], "pending": [], "permanent": []},
     "monitors": [{"monitor": "A2", "test": "0C", "value": 3, "minimum": 0, "maximum": 65535, "unit": "count"}]}

Every entry may be left out; an entry that is wrong is named with the file.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from obdwatch.car_profiles import car_from_mapping, safe_id
from obdwatch.decoding.monitors import SCALINGS, result_of
from obdwatch.decoding.trouble_codes import encode_code
from obdwatch.errors import ImportFileError
from obdwatch.recording.importing import units
from obdwatch.records import Car, CodeKind, CodeReading, MonitorResult

ENTRIES = ("car", "odometer_km", "soak_hours", "started_at", "codes", "monitors")
MONITOR_ENTRIES = ("monitor", "test", "value", "minimum", "maximum", "unit")
COUNTS = 0x24  # the scaling of misfire counts (SAE J1979)
LARGEST_ODOMETER = 5_000_000.0  # km; no car has been driven further
LONGEST_SOAK = 24.0 * 366 * 30  # h


@dataclass(frozen=True, slots=True)
class Context:
    """What is known about an imported drive besides its table; `codes` and `monitors` carry the time 0."""

    car: Car | None = None
    odometer_km: float | None = None
    soak_hours: float | None = None
    started_at: datetime | None = None
    codes: tuple[CodeReading, ...] = ()
    monitors: tuple[MonitorResult, ...] = ()


def read_context(path: Path) -> Context:
    """Read and check a context file; raises ImportFileError or ProfileError naming file and entry."""
    document = _document(path)
    for name in document:
        if name not in ENTRIES:
            raise ImportFileError(path, f"a context has no entry '{name}'; it may hold {', '.join(ENTRIES)}")
    known = {name: value for name, value in document.items() if value is not None}
    return Context(**{name: _READ[name](path, name, value) for name, value in known.items()})


def _document(path: Path) -> Mapping[str, Any]:
    try:
        document = json.loads(path.read_text("utf-8-sig"))
    except FileNotFoundError:
        raise ImportFileError(path, "no such context file") from None
    except OSError as error:
        raise ImportFileError(path, f"cannot be read ({error.strerror})") from error
    except json.JSONDecodeError as error:
        raise ImportFileError(path, f"is no JSON ({error.msg})", error.lineno) from error
    except (UnicodeError, RecursionError) as error:
        raise ImportFileError(path, "is no JSON text") from error
    if not isinstance(document, dict):
        raise ImportFileError(path, 'must hold one JSON object: {"car": {...}, "odometer_km": ...}')
    return document


def _car(path: Path, name: str, value: Any) -> Car:
    if not isinstance(value, dict):
        raise ImportFileError(path, f"{name} must be an object with the fields of a car, not {value!r:.60}")
    title = value.get("name")
    return car_from_mapping(value, f"{path}, {name}", safe_id(title if isinstance(title, str) and title else path.stem))


def _number(path: Path, name: str, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ImportFileError(path, f"{name} must be a number, not {value!r:.60}")
    return float(value)


def _limited(largest: float) -> Callable[[Path, str, Any], float]:
    def read(path: Path, name: str, value: Any) -> float:
        number = _number(path, name, value)
        if not 0 <= number <= largest:
            raise ImportFileError(path, f"{name} is {number:g}; it lies between 0 and {largest:g}")
        return number

    return read


def _moment(path: Path, name: str, value: Any) -> datetime:
    try:
        moment = datetime.fromisoformat(value)
        return (moment if moment.tzinfo is not None else moment.astimezone()).astimezone(UTC)
    except (TypeError, ValueError, OverflowError, OSError):
        problem = f'{name} must be a date and time such as "2026-11-25T07:15:00+01:00", not {value!r:.60}'
        raise ImportFileError(path, problem) from None


def _codes(path: Path, name: str, value: Any) -> tuple[CodeReading, ...]:
    kinds = {str(kind): kind for kind in CodeKind}
    if not isinstance(value, dict):
        raise ImportFileError(path, f"{name} must be an object with {', '.join(kinds)}, each a list of codes")
    found = []
    for kind, codes in value.items():
        if kind not in kinds:
            raise ImportFileError(path, f"{name} has no entry '{kind}'; it may hold {', '.join(kinds)}")
        if not isinstance(codes, list):
            raise ImportFileError(path, f"{name}.{kind} must be a list of codes, not {codes!r:.60}")
        found += [CodeReading(0.0, kinds[kind], _code(path, f"{name}.{kind}", code)) for code in codes]
    return tuple(found)


def _code(path: Path, name: str, value: Any) -> str:
    try:
        encode_code(value)
    except (ValueError, AttributeError):
        raise ImportFileError(path, f"{name} holds {value!r:.40}, which is no trouble code such as P0128") from None
    return str(value).upper()


def _monitors(path: Path, name: str, value: Any) -> tuple[MonitorResult, ...]:
    if not isinstance(value, list):
        raise ImportFileError(path, f"{name} must be a list of results, not {value!r:.60}")
    return tuple(_monitor(path, f"{name}[{index}]", entry) for index, entry in enumerate(value))


def _monitor(path: Path, name: str, entry: Any) -> MonitorResult:
    if not isinstance(entry, dict):
        raise ImportFileError(path, f"{name} must be an object with {', '.join(MONITOR_ENTRIES)}")
    for key in entry:
        if key not in MONITOR_ENTRIES:
            raise ImportFileError(path, f"{name} has no entry '{key}'; it may hold {', '.join(MONITOR_ENTRIES)}")
    for key in ("monitor", "test", "value"):
        if entry.get(key) is None:
            raise ImportFileError(path, f"{name} lacks '{key}'")
    monitor, test = (_hex(path, f"{name}.{key}", entry[key]) for key in ("monitor", "test"))
    unit = entry.get("unit") or ""
    if not isinstance(unit, str):
        raise ImportFileError(path, f"{name}.unit must be a text, not {unit!r:.40}")
    return _result(path, name, monitor, test, unit, entry)


def _result(path: Path, name: str, monitor: int, test: int, unit: str, entry: Mapping[str, Any]) -> MonitorResult:
    value = _number(path, f"{name}.value", entry["value"])
    limits = tuple(_optional(path, f"{name}.{key}", entry.get(key)) for key in ("minimum", "maximum"))
    shown = [number for number in (value, *limits) if number is not None]
    scaling = _scaling(unit, shown)
    if scaling is None:
        raise ImportFileError(path, f"{name}.unit '{unit}' is no unit that service 06 has for {value:g}")
    known = result_of(monitor, test, scaling, value, limits[0] or 0.0, limits[1] or 0.0)
    run = value != 0 or any(limit not in (0, None) for limit in limits)
    # The numbers stay as the user gave them; only the raw form is rounded to the steps of the scaling.
    return replace(known, value=value, minimum=limits[0], maximum=limits[1], completed=run)


def _scaling(unit: str, numbers: list[float]) -> int | None:
    """Return the published scaling in this unit that holds the numbers with the least rounding."""
    wanted = units.normal_spelling(unit)
    wanted = (
        "count" if wanted in ("", "counts", "misfires") and all(n >= 0 and n == int(n) for n in numbers) else wanted
    )
    fitting = [
        (sum(abs(scaling.value(scaling.raw(number)) - number) for number in numbers), scaling.id != COUNTS, scaling.id)
        for scaling in SCALINGS.values()
        if (units.normal_spelling(scaling.unit) == wanted or units.same_unit(scaling.unit, wanted))
        and all(abs(scaling.value(scaling.raw(number)) - number) <= abs(scaling.scale) for number in numbers)
    ]
    return min(fitting)[2] if fitting else None


def _optional(path: Path, name: str, value: Any) -> float | None:
    return None if value is None else _number(path, name, value)


def _hex(path: Path, name: str, value: Any) -> int:
    try:
        number = int(value, 16) if isinstance(value, str) else -1
    except ValueError:
        number = -1
    if not 0 <= number <= 0xFF:
        raise ImportFileError(path, f'{name} must be two hexadecimal digits in quotes such as "A2", not {value!r:.40}')
    return number


_READ: dict[str, Callable[[Path, str, Any], Any]] = {
    "car": _car,
    "odometer_km": _limited(LARGEST_ODOMETER),
    "soak_hours": _limited(LONGEST_SOAK),
    "started_at": _moment,
    "codes": _codes,
    "monitors": _monitors,
}
