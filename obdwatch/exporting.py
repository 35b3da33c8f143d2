"""One session out of the house in one of the export formats, redacted or not."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

from obdwatch.errors import InputError
from obdwatch.recording.exporters import SUFFIXES, context_of, export_drive, export_exchanges, written_whole
from obdwatch.recording.redaction import redact
from obdwatch.recording.session_file import SUFFIX, read_header, read_session
from obdwatch.records import Car
from obdwatch.signals.drives import drive_from

SESSION_FORMAT, EXCHANGES_FORMAT = "obdw", "exchanges"
REDACTED_NAME = "drive"  # the session's own name tells date and car


def export_session(
    source: Path,
    form: str,
    out: Path | None,
    context: Path | None = None,
    redacted: bool = False,
    car: Car | None = None,
) -> tuple[Path, ...]:
    """Write the session file `source` as `form` to `out` (default: named for the session, here); return the files.

    `context` also gets the codes, monitor results and car that a table cannot carry. With `redacted` nothing that
    tells whose car it is remains, and the car's profile is left out. Raises SessionFileError or InputError.
    """
    with tempfile.TemporaryDirectory() as folder:
        if redacted:
            source = redact(source, Path(folder) / f"{REDACTED_NAME}{SUFFIX}")
        name = REDACTED_NAME if redacted else read_header(source).id
        suffix = SUFFIX if form == SESSION_FORMAT else SUFFIXES.get(form, ".csv")
        written = [_export(source, form, out or Path(f"{name}{suffix}"))]
        if context is not None:
            written.append(_write_context(source, context, None if redacted else car))
    return tuple(written)


def _export(source: Path, form: str, target: Path) -> Path:
    if form == SESSION_FORMAT:
        return _copy(source, target)
    contents = read_session(source)
    if form == EXCHANGES_FORMAT:
        return export_exchanges(contents, target)
    return export_drive(drive_from(contents), target, form)


def _copy(source: Path, target: Path) -> Path:
    if target.suffix != SUFFIX:
        raise InputError(f"{target}: a session file ends in {SUFFIX}: choose such a name")
    read_session(source)
    return written_whole(target, lambda beside: shutil.copyfile(source, beside))


def _write_context(source: Path, target: Path, car: Car | None) -> Path:
    text = context_of(drive_from(read_session(source)), car)
    return written_whole(target, lambda beside: beside.write_text(text, "utf-8"))
