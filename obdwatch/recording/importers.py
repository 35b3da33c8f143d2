"""Imports foreign tables: one explicit table from suffix to reader, and one function that makes a session file of them.

The readers live in `importing/`; each hands on a `RawTable`. From there on every format takes the same path: units,
ranges, one value per time, and a session file with origin "imported".
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

from obdwatch import __version__
from obdwatch.errors import ImportFileError, SessionFileError
from obdwatch.recording.importing.column_map import ColumnMap, read_column_map
from obdwatch.recording.importing.context import Context, read_context
from obdwatch.recording.importing.csv_reader import read_csv
from obdwatch.recording.importing.mdf_reader import read_mdf
from obdwatch.recording.importing.parquet_reader import read_parquet
from obdwatch.recording.importing.report import ImportReport
from obdwatch.recording.importing.samples import Outcome, Samples, to_samples
from obdwatch.recording.importing.table import RawTable
from obdwatch.recording.importing.text import Progress
from obdwatch.recording.session_file import SessionWriter
from obdwatch.recording.session_ids import new_session_id
from obdwatch.records import Mark, MarkKind, Session

__all__ = ["IMPORTERS", "ColumnMap", "Context", "ImportOptions", "ImportReport", "import_file", "importer_for"]

Reader = Callable[[Path, ColumnMap, Mapping[str, str], datetime | None, Progress | None], RawTable]

IMPORTERS: Mapping[str, Reader] = {
    ".csv": read_csv,
    ".csv.gz": read_csv,
    ".tsv": read_csv,
    ".tsv.gz": read_csv,
    ".txt": read_csv,
    ".txt.gz": read_csv,
    ".parquet": read_parquet,
    ".mf4": read_mdf,
}


@dataclass(frozen=True, slots=True)
class ImportOptions:
    """What the user says about a table; each of these stands above what file and context say.

    `started_at` must be aware. `where` picks the rows of one trip: column -> text or number.
    """

    columns: Path | None = None
    context: Path | None = None
    car_id: str | None = None
    odometer_km: float | None = None
    soak_hours: float | None = None
    started_at: datetime | None = None
    note: str = ""
    where: Mapping[str, str] = field(default_factory=dict)


def importer_for(path: Path) -> Reader:
    """Return the reader for a file by its suffix; raises ImportFileError where there is none."""
    name = path.name.lower()
    for suffix, reader in IMPORTERS.items():
        if name.endswith(suffix):
            return reader
    if path.is_dir():
        raise ImportFileError(path, "is a folder; name one file in it")
    known = ", ".join(suffix for suffix in IMPORTERS if suffix.count(".") == 1)
    raise ImportFileError(path, f"has a suffix obdwatch cannot import; it knows {known} (text also as .gz)")


def import_file(
    source: Path | str, folder: Path | str, options: ImportOptions | None = None, progress: Progress | None = None
) -> tuple[Path, ImportReport]:
    """Import a table as a new session file in `folder`; return the file and what was done.

    `progress` is called with the share of the file read, 0 to 1. Raises ImportFileError for bad input,
    SessionFileError where the session cannot be written; then no file is left behind.
    """
    source, options = Path(source), options or ImportOptions()
    reader = importer_for(source)
    user = read_column_map(options.columns) if options.columns is not None else ColumnMap()
    context = read_context(options.context) if options.context is not None else Context()
    raw = reader(source, user, options.where, options.started_at or context.started_at, progress)
    outcome = to_samples(source, raw.series, user)
    if not outcome.samples:
        reasons = [f"'{column.header}': {column.reason}" for column in (*outcome.ignored, *raw.ignored)]
        raise ImportFileError(source, f"has no usable column ({'; '.join(reasons[:4]) or 'nothing but times'})")
    session = _session(options, context, raw)
    target = Path(folder) / f"{session.id}.obdw"
    _write(target, session, outcome.samples, context)
    return target, _report(session, raw, outcome, context)


def _session(options: ImportOptions, context: Context, raw: RawTable) -> Session:
    car_id = options.car_id or (context.car.id if context.car is not None else None)
    started_at = options.started_at or context.started_at or raw.started_at
    started_at = started_at.astimezone(UTC) if started_at is not None else None
    return Session(
        id=new_session_id(started_at, car_id),
        started_at=started_at,
        car_id=car_id,
        odometer_km=options.odometer_km if options.odometer_km is not None else context.odometer_km,
        soak_hours=options.soak_hours if options.soak_hours is not None else context.soak_hours,
        origin="imported",
        note=options.note,
        tool_version=__version__,
    )


def _write(target: Path, session: Session, samples: tuple[Samples, ...], context: Context) -> None:
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise SessionFileError(target, f"cannot be created ({error.strerror})") from error
    beside = target.with_name(f".{target.name}.{os.getpid()}.import")
    end = max(float(one.times[-1]) for one in samples)
    try:
        with SessionWriter(beside, session) as writer:
            for one in samples:
                writer.samples(one.key, one.times, one.values)
            for code in context.codes:
                writer.code(replace(code, t=end))
            for monitor in context.monitors:
                writer.monitor(replace(monitor, t=end))
            writer.mark(Mark(end, MarkKind.END))
        os.replace(beside, target)
    except OSError as error:
        raise SessionFileError(target, f"cannot be created ({error.strerror})") from error
    finally:
        beside.unlink(missing_ok=True)


def _report(session: Session, raw: RawTable, outcome: Outcome, context: Context) -> ImportReport:
    return ImportReport(
        session,
        raw.rows,
        tuple(one.signal for one in outcome.samples),
        (*outcome.ignored, *raw.ignored),
        (*raw.dropped, *outcome.dropped),
        raw.round_rows,
        raw.notes,
        context.car,
    )
