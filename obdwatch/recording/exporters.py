"""Writes a drive for other programs: one explicit table from format to writer.

Every format is read back by `importers` to equal times and values. The heavy libraries are optional extras, imported
only when their format is asked for.
"""

from __future__ import annotations

import csv
import json
import os
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np

from obdwatch.car_profiles import car_to_mapping
from obdwatch.errors import InputError
from obdwatch.recording.session_file import SessionContents
from obdwatch.records import Car, CodeKind, Drive, Signal

__all__ = ["EXPORTERS", "SUFFIXES", "context_of", "export_drive", "export_exchanges", "written_whole"]

Writer = Callable[[Drive, Path], None]

EXCHANGE_COLUMNS = ("t_s", "latency_s", "request", "ecu", "status", "payload", "negative_code", "raw")


def export_drive(drive: Drive, target: Path | str, form: str = "csv", overwrite: bool = False) -> Path:
    """Write the signals of a drive to `target` as one of `EXPORTERS`; the file appears whole or not at all.

    Raises InputError for an unknown format, a missing optional library, a drive without signals, or a place that
    cannot be written.
    """
    if form not in EXPORTERS:
        raise InputError(f"'{form}' is no export format; there are {', '.join(EXPORTERS)}")
    if not any(len(signal.times) for signal in drive.signals.values()):
        raise InputError(f"session {drive.session.id} holds no signals to export")
    return written_whole(Path(target), lambda beside: EXPORTERS[form](drive, beside), overwrite)


def export_exchanges(contents: SessionContents, target: Path | str, overwrite: bool = False) -> Path:
    """Write every request of a recording with its raw answer as CSV, bytes in hexadecimal."""
    columns = (contents.t, contents.latency, contents.request, contents.ecu, contents.status, contents.payload)
    rows = zip(*columns, contents.negative_code, contents.raw, strict=True)

    def write(beside: Path) -> None:
        _write_rows(beside, EXCHANGE_COLUMNS, ([_plain(cell) for cell in row] for row in rows))

    return written_whole(Path(target), write, overwrite)


def _plain(cell: object) -> object:
    if isinstance(cell, bytes):
        return cell.hex(" ").upper()
    return float(cell) if isinstance(cell, np.floating) else cell


def context_of(drive: Drive, car: Car | None = None) -> str:
    """Return what a table of numbers cannot carry, as the JSON context file that `import` reads."""
    session = drive.session
    document: dict[str, Any] = {
        "car": car_to_mapping(car) if car is not None else None,
        "odometer_km": session.odometer_km,
        "soak_hours": session.soak_hours,
        "started_at": session.started_at.isoformat() if session.started_at is not None else None,
        "codes": {str(kind): sorted({c.code for c in drive.codes if c.kind is kind}) for kind in CodeKind},
        "monitors": [
            {
                "monitor": f"{result.monitor:02X}",
                "test": f"{result.test:02X}",
                "value": result.value,
                "minimum": result.minimum,
                "maximum": result.maximum,
                "unit": result.unit,
            }
            for result in drive.monitors
            if result.value is not None
        ],
    }
    return json.dumps({name: entry for name, entry in document.items() if entry is not None}, indent=2) + "\n"


def written_whole(target: Path, write: Callable[[Path], object], overwrite: bool = False) -> Path:
    """Let `write` fill a file that appears at `target` whole or not at all. Raises InputError."""
    if target.is_dir():
        raise InputError(f"{target}: is a folder; name the file to write")
    if target.exists() and not overwrite:
        raise InputError(f"{target}: exists already; choose another name or remove it first")
    # The suffix stays the last part of the name, because some writers go by it.
    beside = target.with_name(f".{target.stem}.{os.getpid()}.part{target.suffix}")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        write(beside)
        os.replace(beside, target)
    except OSError as error:
        raise InputError(f"{target}: cannot be written ({error.strerror or error})") from error
    finally:
        beside.unlink(missing_ok=True)
    return target


def _write_rows(path: Path, header: Iterable[str], rows: Iterable[Iterable[object]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as handle:
        table = csv.writer(handle, lineterminator="\n")
        table.writerow(header)
        table.writerows(rows)


def _filled(drive: Drive) -> list[tuple[str, Signal]]:
    return [(key, signal) for key, signal in drive.signals.items() if len(signal.times)]


def write_long_csv(drive: Drive, path: Path) -> None:
    """Write one row per value, in order of time: `time_s,signal,value`."""
    filled = _filled(drive)
    times = np.concatenate([signal.times for _, signal in filled])
    values = np.concatenate([signal.values for _, signal in filled])
    names = np.repeat(np.arange(len(filled)), [len(signal.times) for _, signal in filled])
    order = np.argsort(times, kind="stable")
    keys = [key for key, _ in filled]
    columns = (times[order].tolist(), names[order].tolist(), values[order].tolist())
    _write_rows(path, ("time_s", "signal", "value"), ((t, keys[n], v) for t, n, v in zip(*columns, strict=True)))


def write_wide_csv(drive: Drive, path: Path) -> None:
    """Write one row per time and one column per signal; a cell is blank where that signal was not read."""
    filled = _filled(drive)
    times = np.unique(np.concatenate([signal.times for _, signal in filled]))
    columns = [_cells(times, signal) for _, signal in filled]
    _write_rows(path, ("time_s", *(key for key, _ in filled)), zip(times.tolist(), *columns, strict=True))


def _cells(times: np.ndarray[Any, np.dtype[np.float64]], signal: Signal) -> list[object]:
    cells = np.full(len(times), "", dtype=object)
    cells[np.searchsorted(times, signal.times)] = signal.values.tolist()
    return list(cells)


def write_parquet(drive: Drive, path: Path) -> None:
    """Write one row per value: `time_s` (s), `signal` (dictionary), `value`, `unit`; needs pyarrow."""
    pyarrow = _extra("pyarrow", "parquet")
    parquet = import_module("pyarrow.parquet")
    filled = _filled(drive)
    lengths = [len(signal.times) for _, signal in filled]
    number = pyarrow.array(np.repeat(np.arange(len(filled), dtype=np.int32), lengths))
    table = pyarrow.table(
        {
            "time_s": np.concatenate([signal.times for _, signal in filled]),
            "signal": pyarrow.DictionaryArray.from_arrays(number, [key for key, _ in filled]),
            "value": np.concatenate([signal.values for _, signal in filled]),
            "unit": pyarrow.DictionaryArray.from_arrays(number, [signal.unit for _, signal in filled]),
        }
    )
    started_at = drive.session.started_at
    if started_at is not None:
        table = table.replace_schema_metadata({"started_at": started_at.isoformat()})
    parquet.write_table(table, path)


def write_mdf(drive: Drive, path: Path) -> None:
    """Write ASAM MDF 4 with one channel group per signal, each with its own times; needs asammdf."""
    asammdf = _extra("asammdf", "mdf")
    with asammdf.MDF(version="4.10") as mdf:
        # The format cannot say that the start is unknown; 1970 is what readers take for it.
        mdf.header.start_time = drive.session.started_at or datetime(1970, 1, 1, tzinfo=UTC)
        for key, signal in _filled(drive):
            channel = asammdf.Signal(
                np.ascontiguousarray(signal.values), np.ascontiguousarray(signal.times), name=key, unit=signal.unit
            )
            mdf.append([channel], comment=key)
        saved = Path(mdf.save(path, overwrite=True, compression=1))
    if saved != path:  # asammdf insists on its own suffix
        os.replace(saved, path)


def _extra(module: str, extra: str) -> ModuleType:
    try:
        return import_module(module)
    except ImportError:
        raise InputError(f"this format needs {module}: pip install 'obdwatch[{extra}]'") from None


EXPORTERS: Mapping[str, Writer] = {
    "csv": write_long_csv,
    "csv-wide": write_wide_csv,
    "parquet": write_parquet,
    "mdf4": write_mdf,
}
SUFFIXES: Mapping[str, str] = {"csv": ".csv", "csv-wide": ".csv", "parquet": ".parquet", "mdf4": ".mf4"}
