"""The report of a car out of the dashboard: by a plain address, for known cars only, with nothing left on the disk."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from dashboards.app import create_app
from dashboards.reports import report_address
from obdwatch.logbook.logbook import Logbook
from obdwatch.records import Car
from tests.reporting.reading import page_text, pdf_text, squeezed

NAME = 'Grüner <img src=x onerror=alert(1)> "Kombi"'


@pytest.fixture
def logbook(tmp_path: Path) -> Logbook:
    made = Logbook(tmp_path / "logbook")
    made.save_car(Car("green", NAME))
    made.save_car(Car("2.0", "Two"))
    return made


@pytest.fixture
def client(logbook: Logbook) -> FlaskClient:
    return create_app(logbook).server.test_client()


def test_page_and_pdf_are_downloads_that_say_the_same(client: FlaskClient, logbook: Logbook) -> None:
    before = sorted(logbook.directory.rglob("*"))
    page, pdf = (client.get(report_address("green", form, "metric")) for form in ("html", "pdf"))
    assert (page.status_code, pdf.status_code) == (200, 200)
    assert (page.mimetype, pdf.mimetype) == ("text/html", "application/pdf")
    for answer, suffix in ((page, "html"), (pdf, "pdf")):
        sent = answer.headers["Content-Disposition"]
        assert re.fullmatch(rf"attachment; filename=\d{{4}}-\d\d-\d\d-green\.{suffix}", sent)
        assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
    assert squeezed(NAME) in page_text(page.get_data(as_text=True))
    assert squeezed(NAME) in pdf_text(pdf.data)
    assert "<img" not in page.get_data(as_text=True)
    assert sorted(logbook.directory.rglob("*")) == before


def test_units_are_those_asked_for(client: FlaskClient) -> None:
    told = {units: client.get(report_address("green", "html", units)).get_data(as_text=True) for units in ("us", "x")}
    assert "10,000\N{NO-BREAK SPACE}miles" in told["us"]
    assert "16,000\N{NO-BREAK SPACE}km" in told["x"]


def test_a_car_with_a_dot_in_its_id_is_found(client: FlaskClient) -> None:
    assert client.get(report_address("2.0", "html", "us")).status_code == 200


@pytest.mark.parametrize(
    "address",
    [
        "/report/green", "/report/green.exe", "/report/.html", "/report/gree.html", "/report/GREEN.pdf",
        "/report/..%2F..%2Fetc%2Fpasswd.html", "/report/<b>.html", f"/report/{'x' * 5000}.pdf",
    ],
)  # fmt: skip
def test_what_is_not_there_is_said_without_repeating_it(client: FlaskClient, address: str) -> None:
    answer = client.get(address)
    assert answer.status_code == 404
    assert answer.mimetype == "text/plain"
    assert "passwd" not in answer.get_data(as_text=True)
    assert "<b>" not in answer.get_data(as_text=True)


def test_a_missing_library_is_told_with_what_to_do(client: FlaskClient, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "fpdf", None)
    answer = client.get(report_address("green", "pdf", "metric"))
    assert answer.status_code == 422
    assert "pip install" in answer.get_data(as_text=True)
    assert client.get(report_address("green", "html", "metric")).status_code == 200


def test_a_stranger_gets_no_report(client: FlaskClient) -> None:
    assert client.get("/report/green.html", headers={"Host": "evil.example"}).status_code == 421
