"""Drives out of the dashboard as files, by plain addresses: a download needs no script and works on a phone.

A session is looked up by its id and the form in a table; nothing from an address becomes part of a path.
"""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from importlib.util import find_spec
from io import BytesIO
from pathlib import Path
from types import MappingProxyType
from urllib.parse import quote

from flask import Flask, Response, request, send_file
from werkzeug.wrappers import Response as AnyResponse

from dashboards.sessions import SessionShelf
from obdwatch.errors import ObdwatchError

EXPORT = "/export/"
# Form -> suffix, what it is and what for, in words.
FORMS: Mapping[str, tuple[str, str, str]] = MappingProxyType(
    {
        "obdw": (".obdw", "the recording itself", "to keep, or to read into another obdwatch"),
        "csv-wide": (".csv", "a table for a spreadsheet", "one column for each signal"),
        "csv": (".csv", "a long table", "one row for each value"),
        "exchanges": (".csv", "the talk with the car", "every request and reply as it went over the wire"),
        "parquet": (".parquet", "a table for data tools", "Parquet"),
        "mdf4": (".mf4", "a file for measurement tools", "MDF\N{NO-BREAK SPACE}4"),
    }
)
NEEDED: Mapping[str, tuple[str, str]] = MappingProxyType(  # form -> package it is written with, extra that brings it
    {"parquet": ("pyarrow", "parquet"), "mdf4": ("asammdf", "mdf")}
)
NOT_FOUND, UNPROCESSABLE = 404, 422


def missing_extra(form: str) -> str | None:
    """The extra of obdwatch that a form needs and that is not installed here."""
    package, extra = NEEDED.get(form, ("", ""))
    return extra if package and find_spec(package) is None else None


def export_address(session_id: str, form: str, redacted: bool) -> str:
    """The address that a drive is downloaded from."""
    return f"{EXPORT}{quote(session_id, safe='')}?form={form}" + ("&redacted=yes" if redacted else "")


def connect_transfers(server: Flask, shelf: SessionShelf) -> None:
    """Let drives be downloaded from `server`."""

    @server.get(f"{EXPORT}<path:session_id>")
    def export(session_id: str) -> AnyResponse:
        form = request.args.get("form", "")
        if form not in FORMS:
            return _told(f"There is no such form; choose one of {', '.join(FORMS)}.", NOT_FOUND)
        try:
            return _file(shelf, session_id, form, request.args.get("redacted") == "yes")
        except ObdwatchError as error:
            return _told(str(error), UNPROCESSABLE)


def _file(shelf: SessionShelf, session_id: str, form: str, redacted: bool) -> AnyResponse:
    """Write the export into memory: a drive is a few megabytes, and then nothing is left behind on the disk."""
    from obdwatch.exporting import REDACTED_NAME, export_session

    session = shelf.session(session_id)
    suffix = FORMS[form][0]
    with tempfile.TemporaryDirectory() as folder:
        target = Path(folder) / f"drive{suffix}"
        export_session(shelf.path_of(session.id), form, target, redacted=redacted)
        content = BytesIO(target.read_bytes())
    name = REDACTED_NAME if redacted else "".join(c if c.isalnum() or c in "-_" else "_" for c in session.id)
    return send_file(content, "application/octet-stream", as_attachment=True, download_name=f"{name}{suffix}")


def _told(text: str, status: int) -> Response:
    return Response(text, status, mimetype="text/plain")
