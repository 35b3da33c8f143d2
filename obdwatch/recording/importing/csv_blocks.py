"""Reads a text table block by block, each a table of cells indexed by line number; what is no number is counted.

Blocks are parsed by pandas' C parser, which keeps the memory for text to one block at a time.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from obdwatch.errors import ImportFileError
from obdwatch.recording.importing import times
from obdwatch.recording.importing.column_map import ColumnMap
from obdwatch.recording.importing.layout import ROWS_LOOKED_AT, Layout, same_value, split
from obdwatch.recording.importing.report import DroppedValues
from obdwatch.recording.importing.text import CheckedText, TextFile, repaired
from obdwatch.recording.importing.units import same_unit
from obdwatch.records import BoolArray, FloatArray

if TYPE_CHECKING:
    import pandas as pd

    Block = pd.DataFrame
    Cells = pd.Series[Any]

Lines = NDArray[np.int64]

ROWS_PER_BLOCK = 100_000
# Texts that mean "no value here"; blanks and the usual spellings of NaN come on top (pandas' own list).
NO_VALUE = ["-", "--", "---", "?", "*", "no data", "NO DATA", "nodata", "NODATA", "No Data", "none", "n.a.", "NaN%"]
NUMBER_AND_UNIT = re.compile(
    r"^([+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?|[+-]?(?i:infinity|inf))(?:\s*([^\s0-9].*))?$"
)
NOT_A_NUMBER = "is no number"
NOT_FINITE = "is infinite"
NO_TIME = "has no readable time"
OPEN_QUOTE = "a quote is opened and never closed, so that rows run together; repair or remove it"


@dataclass(slots=True)
class _Counted:
    """How often something was left out, and the line where it first was."""

    count: int = 0
    first_line: int | None = None

    def add(self, lines: Lines) -> None:
        """Count the entries in these lines."""
        if len(lines):
            self.count += len(lines)
            self.first_line = int(lines[0]) if self.first_line is None else self.first_line


@dataclass(slots=True)
class Reading:
    """The state of reading one table."""

    layout: Layout
    source: TextFile
    form: times.TimeFormat | None = None
    base: float = 0.0
    rows: int = 0
    repeated_headers: int = 0
    dropped: dict[tuple[str, str], _Counted] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    def drop(self, header: str, reason: str, lines: Lines) -> None:
        """Count entries that are left out."""
        self.dropped.setdefault((header, reason), _Counted()).add(lines)

    def dropped_values(self) -> tuple[DroppedValues, ...]:
        """Everything counted so far."""
        return tuple(
            DroppedValues(header, reason, found.count, found.first_line)
            for (header, reason), found in self.dropped.items()
            if found.count
        )


def blocks(reading: Reading, user: ColumnMap, text: CheckedText, chosen: Mapping[int, str]) -> Iterator[Block]:
    """Yield the rows in blocks, indexed by line number, with repeated headers and rows not asked for left out."""
    for block in _parsed(reading, text):
        _refuse_surplus(reading, block)
        block = block[~_is_header(reading, block)]
        for column, value in chosen.items():
            block = block[_matches(block[column], value)]
        block = block.dropna(how="all")
        if not len(block):
            continue
        if reading.form is None:
            _settle_times(reading, user, block)
        reading.rows += len(block)
        yield block


def _parsed(reading: Reading, text: CheckedText) -> Iterator[Block]:
    """Yield the cells of the table in blocks; a last line that was cut off while it was written is left out."""
    held: Block | None = None
    for block in _lines(reading, text):
        if held is not None:
            yield held
        held = block
    if held is None:
        return
    fields = len(split(text.last_line, reading.layout.separator)) if text.last_line.strip() else None
    if fields is not None and fields < len(reading.layout.headings):
        reading.notes.append("the last line breaks off and was left out")
        held = held[:-1]
    yield held


def _lines(reading: Reading, text: CheckedText) -> Iterator[Block]:
    import pandas as pd

    layout, path = reading.layout, reading.source.path
    for _ in range(layout.first_row - 1):
        text.readline()
    offset = 0
    try:
        with pd.read_csv(
            text,  # type: ignore[call-overload]
            sep=layout.separator,
            decimal=layout.decimal,
            header=None,
            names=range(len(layout.headings) + 1),  # one more, for a trailing separator
            chunksize=ROWS_PER_BLOCK,
            na_values=NO_VALUE,
            skipinitialspace=True,
            skip_blank_lines=False,
            low_memory=False,
        ) as parsed:
            for block in parsed:
                if not isinstance(block.index, pd.RangeIndex):  # the very first row has fields to spare
                    raise ImportFileError(path, _surplus(layout, "more"), layout.first_row)
                block.index = np.arange(offset, offset + len(block)) + layout.first_row
                offset += len(block)
                yield block
    except pd.errors.EmptyDataError:
        return
    except (pd.errors.ParserError, UnicodeError, OverflowError) as error:
        raise text.problem or _parser_problem(path, layout, error) from error
    if layout.first_row - 1 + offset < text.lines - 1:
        raise ImportFileError(path, OPEN_QUOTE)


def _parser_problem(path: Path, layout: Layout, error: Exception) -> ImportFileError:
    if quote := re.search(r"EOF inside string starting at row (\d+)", str(error)):
        return ImportFileError(path, OPEN_QUOTE, int(quote[1]) + layout.first_row)
    found = re.search(r"Expected (\d+) fields in line (\d+), saw (\d+)", str(error))
    if found is None:
        return ImportFileError(path, f"cannot be read as a table ({' '.join(str(error).split())[:120]})")
    line = int(found[2]) + layout.first_row - 1
    return ImportFileError(path, _surplus(layout, int(found[3])), line)


def _surplus(layout: Layout, fields: int | str) -> str:
    return f"a row has {fields} fields where the header has {len(layout.headings)}: repair or remove that line"


def _refuse_surplus(reading: Reading, block: Block) -> None:
    surplus = block.index[block[len(reading.layout.headings)].notna()]
    if len(surplus):
        width = len(reading.layout.headings) + 1
        raise ImportFileError(reading.source.path, _surplus(reading.layout, width), int(surplus[0]))


def _is_header(reading: Reading, block: Block) -> BoolArray:
    """Find rows that repeat the header; raises ImportFileError where one with other columns begins a new table."""
    cells, headings = block[reading.layout.time], reading.layout.headings
    if cells.dtype.kind in "iuf":
        return np.zeros(len(block), dtype=bool)
    texts = {heading.text.casefold() for heading in headings}
    repeats = np.asarray(cells.map(lambda cell: isinstance(cell, str) and cell.strip().casefold() in texts), dtype=bool)
    for line, row in block[repeats].iterrows():
        found = [repaired(str(cell)).strip().casefold() for cell in row[: len(headings)]]
        if found != [heading.text.casefold() for heading in headings]:
            problem = "another header begins here, with other columns; split the file and import each part"
            raise ImportFileError(reading.source.path, problem, int(str(line)))
    reading.repeated_headers += int(repeats.sum())
    return repeats


def _matches(cells: Cells, value: str) -> BoolArray:
    uniques = {cell: same_value(cell, value) for cell in cells.unique()}
    return np.asarray(cells.map(uniques), dtype=np.bool_)


def _settle_times(reading: Reading, user: ColumnMap, block: Block) -> None:
    """Decide from the first block what the time column means, and where the session's axis begins."""
    heading, cells = reading.layout.headings[reading.layout.time], block[reading.layout.time]
    try:
        sample = [str(cell) for cell in cells.head(ROWS_LOOKED_AT) if cell == cell]
        reading.form = times.find_format(heading.name, heading.unit, sample, user.time_format)
        reading.base = times.start_of_axis(cells, reading.form)
    except times.UnclearTimes as error:
        raise ImportFileError(reading.source.path, f"column '{heading.text}': {error}", int(block.index[0])) from error
    if reading.form.kind is times.TimeKind.COUNTER and reading.base:
        reading.notes.append(f"times start at {reading.base:g} s in the file and at 0 in the session")


def numbers(reading: Reading, cells: Cells, header: str, unit: str = "") -> FloatArray:
    """Turn the cells of one block into numbers; what is there but no finite number is counted and dropped.

    `unit` is the column's own: a number followed by it (`33.3 %`) is a number.
    """
    if cells.dtype.kind in "iuf":
        found = cells.to_numpy(dtype=float)
    else:
        found = _parsed_numbers(cells, reading.layout.decimal, unit)
        reading.drop(header, NOT_A_NUMBER, cells.index.to_numpy()[np.asarray(cells.notna()) & np.isnan(found)])
    infinite = np.isinf(found)
    if infinite.any():
        reading.drop(header, NOT_FINITE, cells.index.to_numpy()[infinite])
        found = np.where(infinite, np.nan, found)
    return found


def _parsed_numbers(cells: Cells, decimal: str, unit: str) -> FloatArray:
    import pandas as pd

    if cells.dtype.kind == "b":
        return np.full(len(cells), np.nan)
    parts = cells.astype(str).str.strip().str.extract(NUMBER_AND_UNIT)
    text = parts[0].where(parts[1].fillna("").map(lambda suffix: suffix == "" or same_unit(suffix, unit)))
    if decimal == ",":
        text = text.where(~text.str.contains(".", regex=False, na=False)).str.replace(",", ".", regex=False)
    return np.asarray(pd.to_numeric(text, errors="coerce"), dtype=float)
