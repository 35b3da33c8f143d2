"""The report of a car as a download, by a plain address: made in memory, nothing is left on the disk.

A car is looked up by its id and the form in a table; nothing from an address becomes part of a path. What a browser
gets here never holds the identification number of the car: that is asked for on the command line.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from io import BytesIO
from types import MappingProxyType
from typing import TYPE_CHECKING, cast
from urllib.parse import quote

from flask import Flask, Response, request, send_file
from werkzeug.wrappers import Response as AnyResponse

from obdwatch.errors import ObdwatchError

if TYPE_CHECKING:
    from dashboards.sessions import SessionSource
    from obdwatch.logbook.logbook import Logbook
    from obdwatch.records import Car

REPORT = "/report/"
# Suffix -> media type, and what it is in words.
FORMS: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "html": ("text/html; charset=utf-8", "a page for any browser"),
        "pdf": ("application/pdf", "a PDF to print or hand on"),
    }
)
NOT_FOUND, UNPROCESSABLE = 404, 422


def report_address(car_id: str, form: str, units: str) -> str:
    """The address that the report of a car is downloaded from."""
    return f"{REPORT}{quote(car_id, safe='')}.{form}?units={units}"


def connect_reports(server: Flask, logbook: SessionSource) -> None:
    """Let reports be downloaded from `server`."""

    @server.get(f"{REPORT}<path:name>")
    def report(name: str) -> AnyResponse:
        from obdwatch.reporting.report import chosen_car

        car_id, _, form = name.rpartition(".")
        if form not in FORMS:
            return _told(f"There is no such form; choose one of {', '.join(FORMS)}.", NOT_FOUND)
        book = cast("Logbook", logbook)
        try:
            car = chosen_car(book, car_id)
        except ObdwatchError:
            return _told("This logbook has no car with that name.", NOT_FOUND)
        try:
            return _file(book, car, form, "us" if request.args.get("units") == "us" else "metric")
        except ObdwatchError as error:
            return _told(str(error), UNPROCESSABLE)


def _file(logbook: Logbook, car: Car, form: str, units: str) -> AnyResponse:
    from obdwatch.reporting.page import page
    from obdwatch.reporting.pdf import pdf
    from obdwatch.reporting.report import report_of

    made_at = datetime.now(UTC)
    document = report_of(logbook, car.id, units, made_at)
    content = pdf(document, made_at) if form == "pdf" else page(document).encode()
    name = "".join(sign if sign.isascii() and (sign.isalnum() or sign in "-_") else "_" for sign in car.id)
    return send_file(
        BytesIO(content), FORMS[form][0], as_attachment=True, download_name=f"{made_at:%Y-%m-%d}-{name}.{form}"
    )


def _told(text: str, status: int) -> Response:
    return Response(text, status, mimetype="text/plain")
