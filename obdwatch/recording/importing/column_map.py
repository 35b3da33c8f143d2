"""The user's own column map: a TOML file that says what the columns of a foreign table are.

::

    [table]                      # all optional
    separator = ";"
    decimal = ","
    encoding = "cp1252"

    [time]
    column = "Device time"
    format = "ms"                # s, ms, us, min, clock, iso, or a pattern such as "%d/%m/%Y %H:%M:%S"

    [columns]
    "KW temp" = "coolant_temperature"
    "Luftmasse" = { key = "air_flow", unit = "kg/h" }
    "Raw MAP" = { key = "intake_manifold_pressure", scale = 0.5, offset = 10.0 }   # value = number * scale + offset
    "Comment" = false            # leave this column out
"""

from __future__ import annotations

import codecs
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from obdwatch.decoding.parameters import PARAMETER_BY_KEY
from obdwatch.errors import ImportFileError
from obdwatch.recording.importing import names, units

TIME_FORMATS = ("s", "ms", "us", "min", "clock", "iso")


@dataclass(frozen=True, slots=True)
class MappedColumn:
    """What one column is: `key` None leaves it out; `scale` and `offset` act before the unit is converted."""

    key: str | None
    unit: str | None = None
    scale: float = 1.0
    offset: float = 0.0


@dataclass(frozen=True, slots=True)
class ColumnMap:
    """A column map as read; the default one says nothing."""

    path: Path | None = None
    columns: Mapping[str, MappedColumn] = field(default_factory=dict)
    time_column: str | None = None
    time_format: str | None = None
    separator: str | None = None
    decimal: str | None = None
    encoding: str | None = None

    @staticmethod
    def same_header(written: str, header: str) -> bool:
        """Return whether the user's spelling of a header means this one: case and outer blanks do not count."""
        return written.strip().casefold() in {header.strip().casefold(), names.heading(header).name.casefold()}

    def column(self, header: str) -> MappedColumn | None:
        """Return what the map says of a header, None where it says nothing."""
        exact = self.columns.get(header)
        if exact is not None:
            return exact
        return next((column for text, column in self.columns.items() if self.same_header(text, header)), None)

    def knows(self, header: str) -> bool:
        """Return whether the map names this header, as a signal or as the time."""
        mapped = self.column(header)
        named_as_time = self.time_column is not None and self.same_header(self.time_column, header)
        return named_as_time or (mapped is not None and mapped.key is not None)


def read_column_map(path: Path) -> ColumnMap:
    """Read and check a column map; raises ImportFileError naming the entry that is wrong."""
    try:
        document = tomllib.loads(path.read_text("utf-8-sig"))
    except FileNotFoundError:
        raise ImportFileError(path, "no such column map") from None
    except (OSError, UnicodeError, tomllib.TOMLDecodeError) as error:
        raise ImportFileError(path, f"is no readable column map ({error})") from error
    _only(path, "the column map", document, {"columns", "time", "table"})
    table, time = _section(path, document, "table"), _section(path, document, "time")
    _only(path, "[table]", table, {"separator", "decimal", "encoding"})
    _only(path, "[time]", time, {"column", "format"})
    return ColumnMap(
        path,
        {header: _mapped(path, header, entry) for header, entry in _section(path, document, "columns").items()},
        _text(path, time, "time", "column"),
        _time_format(path, _text(path, time, "time", "format")),
        _one_of(path, _text(path, table, "table", "separator"), "table.separator", (",", ";", "\t", "|", " ")),
        _one_of(path, _text(path, table, "table", "decimal"), "table.decimal", (".", ",")),
        _encoding(path, _text(path, table, "table", "encoding")),
    )


def _section(path: Path, document: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    section = document.get(name, {})
    if not isinstance(section, dict):
        raise ImportFileError(path, f"'{name}' must be a table: [{name}]")
    return section


def _only(path: Path, where: str, section: Mapping[str, Any], allowed: set[str]) -> None:
    if unknown := sorted(set(section) - allowed):
        raise ImportFileError(path, f"{where} has no entry '{unknown[0]}'; it may hold {', '.join(sorted(allowed))}")


def _text(path: Path, section: Mapping[str, Any], where: str, name: str) -> str | None:
    value = section.get(name)
    if value is not None and not isinstance(value, str):
        raise ImportFileError(path, f"{where}.{name} must be a text in quotes, not {value!r}")
    return value


def _one_of(path: Path, value: str | None, where: str, allowed: tuple[str, ...]) -> str | None:
    if value is not None and value not in allowed:
        raise ImportFileError(path, f"{where} is {value!r}; it may be {' or '.join(map(repr, allowed))}")
    return value


def _time_format(path: Path, value: str | None) -> str | None:
    if value is not None and value not in TIME_FORMATS and "%" not in value:
        known = ", ".join(TIME_FORMATS)
        raise ImportFileError(path, f"time.format is {value!r}; it may be {known} or a pattern like '%H:%M:%S'")
    return value


def _encoding(path: Path, value: str | None) -> str | None:
    try:
        return codecs.lookup(value).name if value is not None else None
    except LookupError:
        raise ImportFileError(path, f"table.encoding is {value!r}, which is no encoding (utf-8, cp1252, ...)") from None


def _mapped(path: Path, header: str, entry: Any) -> MappedColumn:
    where = f"[columns] '{header}'"
    if entry is False:
        return MappedColumn(None)
    if isinstance(entry, str):
        return MappedColumn(_key(path, where, entry))
    if not isinstance(entry, dict):
        raise ImportFileError(path, f"{where} must be a key, a table with key, unit, scale, offset, or false")
    _only(path, where, entry, {"key", "unit", "scale", "offset"})
    if not isinstance(entry.get("key"), str):
        raise ImportFileError(path, f"{where} does not say which key it is")
    unit = _text(path, entry, where, "unit")
    if unit is not None and not units.is_known(unit) and unit != names.unit_of(_key(path, where, entry["key"])):
        raise ImportFileError(path, f"{where}: unknown unit '{unit}'")
    return MappedColumn(
        _key(path, where, entry["key"]),
        unit,
        _number(path, where, entry, "scale", 1.0),
        _number(path, where, entry, "offset", 0.0),
    )


def _key(path: Path, where: str, name: str) -> str:
    key = names.key_of(name)
    if key is None or key not in PARAMETER_BY_KEY:
        raise ImportFileError(path, f"{where}: '{name}' is no parameter key obdwatch knows")
    return key


def _number(path: Path, where: str, entry: Mapping[str, Any], name: str, default: float) -> float:
    value = entry.get(name, default)
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < float("inf"):
        raise ImportFileError(path, f"{where}: {name} must be a number, not {value!r}")
    return float(value)
