"""How a text table is laid out: separator, decimal sign, which line is the header, one signal per column or per row.

Found by trying: the separator and line under which most cells are names somebody knows. A column map may settle each
of these by its own word.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from obdwatch.errors import ImportFileError
from obdwatch.recording.importing import names, units
from obdwatch.recording.importing.column_map import ColumnMap
from obdwatch.recording.importing.text import TextFile, examine, first_lines, repaired

SEPARATORS = (",", ";", "\t", "|")
HEADER_WITHIN = 60  # lines; a preamble longer than that was never seen
ROWS_LOOKED_AT = 200  # for the decimal sign
NAMES_SHOWN = 8  # of unknown columns, in an error message
COMMENT_MARKS = ("#", "%", "//")

TIME_NAMES = (
    "time_s",
    "time",
    "t",
    "timestamp",
    "time_stamp",
    "time_ms",
    "time_sec",
    "elapsed",
    "elapsed_time",
    "relative_time",
    "seconds",
    "millis",
    "milliseconds",
    "datetime",
    "date_time",
    "date/time",
    "device_time",
    "log_time",
    "utc_time",
    "utc",
    "sample_time",
    "local_time",
    "recorded_at",
    "elapsed_s",
    "secs",
    "time_seconds",
    "timestamp_ms",
    "timestamp_s",
    "elapsed_ms",
    "ts",
)
SIGNAL_NAMES = ("signal", "parameter", "name", "pid", "key", "signal_name", "parameter_name", "sensor")
VALUE_NAMES = ("value", "val", "reading", "measurement")
UNIT_NAMES = ("unit", "units")

_DECIMAL_COMMA = re.compile(r"^\s*[+-]?\d+,\d+\s*[^\d.,]*$")
_DECIMAL_POINT = re.compile(r"^\s*[+-]?\d*\.\d+\s*[^\d.,]*$")
_NUMBER = re.compile(r"^\s*[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?\s*$")


@dataclass(frozen=True, slots=True)
class Layout:
    """The form of a table. `first_row` is the line (from 1) of its first row of data.

    `headings` holds one entry per column; `time` is the column with the times; for a table with a row per value
    `signal`, `value` and perhaps `unit` say which columns hold those, otherwise they are None.
    """

    separator: str
    decimal: str
    headings: tuple[names.Heading, ...]
    header_line: int
    first_row: int
    time: int
    signal: int | None = None
    value: int | None = None
    unit: int | None = None

    @property
    def is_long(self) -> bool:
        """True where each row holds one value of one signal."""
        return self.signal is not None


@dataclass(frozen=True, slots=True)
class _Candidate:
    separator: str
    index: int
    cells: tuple[str, ...]
    known: int


def find_layout(source: TextFile, user: ColumnMap) -> Layout:
    """Find the layout of a table; raises ImportFileError where no line looks like a header anybody knows."""
    lines = first_lines(source)
    separator, lines_to_skip = user.separator, 0
    if lines and lines[0].lower().startswith("sep=") and len(lines[0]) > 4:
        separator, lines_to_skip = separator or lines[0][4], 1
    candidates = [
        candidate
        for choice in ([separator] if separator else SEPARATORS)
        for candidate in _candidates(lines[lines_to_skip:HEADER_WITHIN], lines_to_skip, choice, user)
    ]
    best = max(candidates, key=lambda found: (found.known, -found.index), default=None)
    if best is None or best.known == 0:
        raise ImportFileError(source.path, _nothing_known(lines, candidates))
    return _layout(source, user, best, lines)


def headers_in(path: Path) -> tuple[str, ...]:
    """Return the cells of the widest line at the start of a text table, for a person to say what they are.

    Empty where no line has several columns. Raises ImportFileError for a file that holds no text.
    """
    lines = first_lines(examine(path))[:HEADER_WITHIN]
    found = [one for choice in SEPARATORS for one in _candidates(lines, 0, choice, ColumnMap())]
    widest = max(found, key=lambda one: (len(one.cells), -one.index), default=None)
    return tuple(cell for cell in widest.cells if cell) if widest is not None and len(widest.cells) > 1 else ()


def _candidates(lines: Sequence[str], offset: int, separator: str, user: ColumnMap) -> list[_Candidate]:
    found = []
    for index, line in enumerate(lines, offset):
        if line.strip() and not line.lstrip().startswith(COMMENT_MARKS):
            cells = split(line, separator)
            found.append(_Candidate(separator, index, cells, _known_cells(cells, user)))
    return found


def split(line: str, separator: str) -> tuple[str, ...]:
    """Return the cells of one line."""
    try:
        cells = next(csv.reader([line], delimiter=separator, skipinitialspace=True), [])
    except csv.Error:
        cells = line.split(separator)
    return tuple(repaired(cell).strip() for cell in cells)


def _known_cells(cells: Sequence[str], user: ColumnMap) -> int:
    if len(cells) < 2 or any(_NUMBER.match(cell) for cell in cells):
        return 0
    roles = {normal(names.heading(cell).name) for cell in cells}
    if roles & set(SIGNAL_NAMES) and roles & set(VALUE_NAMES):
        return len(cells)
    return sum(1 for cell in cells if user.knows(cell) or names.key_of(names.heading(cell).name) is not None)


def _nothing_known(lines: Sequence[str], candidates: Sequence[_Candidate]) -> str:
    if not any(line.strip() for line in lines):
        return "holds no table, only blank lines"
    widest = max(candidates, key=lambda found: (len(found.cells), -found.index), default=None)
    if widest is None or len(widest.cells) < 2:
        return "holds no table: no line has several columns separated by , ; | or tabs"
    shown = ", ".join(f"'{cell[:40]}'" for cell in widest.cells[:NAMES_SHOWN])
    more = ", ..." if len(widest.cells) > NAMES_SHOWN else ""
    return f"no column has a name obdwatch knows (found {shown}{more}); name the columns in a column map (--columns)"


def normal(name: str) -> str:
    """Return a role name as the lists above spell it.

    >>> normal("Time Stamp"), normal("Date/Time")
    ('time_stamp', 'date/time')
    """
    return re.sub(r"[\s_-]+", "_", name.strip().lower())


def _layout(source: TextFile, user: ColumnMap, best: _Candidate, lines: Sequence[str]) -> Layout:
    cells = best.cells
    while cells and not cells[-1]:  # a trailing separator
        cells = cells[:-1]
    headings = [names.heading(cell) for cell in cells]
    first_row = best.index + 2
    unit_row = split(lines[best.index + 1], best.separator) if best.index + 1 < len(lines) else ()
    if _is_unit_row(unit_row, len(cells)):
        headings = [_with_unit(heading, unit) for heading, unit in zip(headings, (*unit_row, *cells), strict=False)]
        first_row += 1
    rows = [split(line, best.separator) for line in lines[first_row - 1 : first_row - 1 + ROWS_LOOKED_AT]]
    time = time_column(source.path, user, headings)
    decimal = user.decimal or _decimal_sign(rows, best.separator, time)
    signal, value, unit = long_columns(headings)
    return Layout(best.separator, decimal, tuple(headings), best.index + 1, first_row, time, signal, value, unit)


def _is_unit_row(cells: Sequence[str], width: int) -> bool:
    bare = [cell.strip("[]() ") for cell in cells[:width]]
    return any(bare) and all(units.normal_spelling(cell) in units.BLANK or units.is_known(cell) for cell in bare)


def _with_unit(heading: names.Heading, unit: str) -> names.Heading:
    bare = unit.strip("[]() ")
    return heading if heading.unit else names.Heading(heading.text, heading.name, bare or None, heading.ecu)


def _first(roles: Sequence[str], wanted: Sequence[str]) -> int | None:
    return next((roles.index(name) for name in wanted if name in roles), None)


def long_columns(headings: Sequence[names.Heading]) -> tuple[int | None, int | None, int | None]:
    """Return the columns of signal, value and unit where each row holds one value, otherwise None."""
    roles = [normal(heading.name) for heading in headings]
    signal, value = _first(roles, SIGNAL_NAMES), _first(roles, VALUE_NAMES)
    if signal is None or value is None:
        return None, None, None
    return signal, value, _first(roles, UNIT_NAMES)


def same_value(cell: object, wanted: str) -> bool:
    """Return whether a cell holds the text or the number that the user chose rows by.

    >>> same_value(298, "298.0"), same_value(" a ", "a"), same_value(None, "1")
    (True, True, False)
    """
    if str(cell).strip() == wanted.strip():
        return True
    try:
        return float(str(cell)) == float(wanted)
    except ValueError:
        return False


def time_column(path: Path, user: ColumnMap, headings: Sequence[names.Heading]) -> int:
    """Return the column with the times; raises ImportFileError where there is none."""
    if user.time_column is not None:
        for index, heading in enumerate(headings):
            if user.same_header(user.time_column, heading.text):
                return index
        raise ImportFileError(path, f"has no column '{user.time_column}', which the column map names for the time")
    roles = [normal(heading.name) for heading in headings]
    found = _first(roles, TIME_NAMES)
    if found is None:
        raise ImportFileError(
            path, "has no time column (time_s, Time, Timestamp, ...); name it in a column map: [time] column"
        )
    return found


def _decimal_sign(rows: Sequence[Sequence[str]], separator: str, time: int) -> str:
    cells = [cell for row in rows for index, cell in enumerate(row) if index != time]
    commas = sum(1 for cell in cells if _DECIMAL_COMMA.match(cell))
    points = sum(1 for cell in cells if _DECIMAL_POINT.match(cell))
    if commas == points == 0 and separator != ",":
        times = [row[time] for row in rows if len(row) > time]
        return "," if any(_DECIMAL_COMMA.match(cell) for cell in times) else "."
    return "," if commas > points else "."
