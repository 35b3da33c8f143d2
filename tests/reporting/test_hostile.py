"""What somebody else wrote stays text: no markup, no formula, no request, no hidden direction, on page and paper."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from pypdf import PdfReader

from obdwatch.logbook.logbook import Logbook
from obdwatch.records import Car, Event, EventKind
from obdwatch.reporting.document import Bullets, Document, Paragraph, Section, Subheading, Table, Tone
from obdwatch.reporting.page import page
from obdwatch.reporting.pdf import pdf
from obdwatch.reporting.pdf_plots import png
from obdwatch.reporting.plots import Band, Curve, Mark, Plot, number_axis
from obdwatch.reporting.report import clean, report_of
from obdwatch.reporting.svg import svg
from tests.reporting.conftest import MADE_AT
from tests.reporting.reading import Page, page_text, pdf_text, squeezed, texts_of

AT = datetime(2026, 3, 1, tzinfo=UTC)
HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "</style></main><iframe src='//evil.example'>",
    "javascript:alert(1) [link](http://evil.example) **bold** __under__ {nb} {{x}}",
    r"$\frac{1}{0}$ $\nosuchword_{$ \input{/etc/passwd}",  # matplotlib's formulas would refuse the second
    "&lt;b&gt; &amp; &#60;",
    "Grüße, Öl, naïve – 90 °C, 5 µs, ½ ≥ 2²",
)
ALLOWED = {
    *("html", "head", "meta", "title", "style", "body", "main", "h1", "h2", "h3", "p", "section", "ul", "ol", "li"),
    *("div", "table", "caption", "thead", "tbody", "tr", "th", "td", "figure", "figcaption"),
    *("svg", "line", "text", "rect", "path", "circle"),
}
HARMLESS = {
    *("lang", "charset", "name", "content", "http-equiv", "class", "id", "aria-labelledby", "aria-label", "role"),
    *("tabindex", "scope", "viewbox", "width", "height", "x", "y", "x1", "x2", "y1", "y2", "cx", "cy", "r", "d"),
    *("text-anchor", "data-label"),  # the heading of a cell's column, written beside it on a phone
}


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Document:
    logbook = Logbook(tmp_path_factory.mktemp("hostile"))
    logbook.save_car(Car("car", HOSTILE[0] + HOSTILE[6]))
    for text in HOSTILE:
        logbook.add_event(Event("car", AT, EventKind.NOTE, note=text))
    logbook.add_event(Event("car", AT, EventKind.INSPECTION, part="battery", answer=HOSTILE[1], note="w" * 5000))
    return report_of(logbook, None, "metric", MADE_AT)


def picture(text: str) -> Plot:
    axis = number_axis(text, 0.0, 10.0)
    curve = Curve(np.array([0.0, 5.0, 10.0]), np.array([1.0, np.nan, 3.0]))
    return Plot(text, text, axis, axis, (curve,), (Band(1.0, 2.0, text),), (), (Mark(4.0, text),), (Mark(5.0, text),))


def test_page_holds_no_tag_and_no_attribute_but_our_own(hostile: Document) -> None:
    blocks = [
        block
        for text in HOSTILE
        for block in (
            *(Paragraph(text, tone) for tone in Tone),
            *(Subheading(text), Bullets((text,)), Bullets((text,), numbered=True)),
            *(Table((text,), ((text,),), (1.0,), text), picture(text)),
        )
    ]
    drawn = replace(hostile, sections=(*hostile.sections, Section(HOSTILE[1], tuple(blocks))))
    found = Page(page(drawn))
    assert set(found.tags) <= ALLOWED
    assert {name for name, _ in found.attributes} <= HARMLESS
    assert found.tags.count("style") == found.tags.count("title") == found.tags.count("main") == 1


def test_whatever_was_written_is_read_letter_by_letter(hostile: Document) -> None:
    on_page, on_paper = page_text(page(hostile)), pdf_text(pdf(hostile, MADE_AT))
    for text in HOSTILE:
        assert squeezed(text) in on_page
        assert squeezed(text) in on_paper
    assert on_paper.count("w" * 50) > 0


def test_title_and_footer_of_the_pdf_are_plain(hostile: Document) -> None:
    found = PdfReader(BytesIO(pdf(hostile, MADE_AT)))
    assert found.metadata is not None
    assert found.metadata.title == hostile.title
    assert HOSTILE[0] in found.pages[0].extract_text()


@pytest.mark.parametrize("text", HOSTILE)
def test_words_in_a_picture_are_no_markup_and_no_formula(text: str) -> None:
    found = Page(svg(picture(text)))
    assert set(found.tags) <= {"svg", "line", "text", "rect", "path", "circle"}
    assert {name for name, _ in found.attributes} <= HARMLESS
    assert ("aria-label", text) in found.attributes
    assert png(picture(text)).startswith(b"\x89PNG\r\n\x1a\n")  # PNG specification, 5.2


def test_a_page_asks_for_nothing_from_anywhere(report: Document) -> None:
    text = page(report)
    found = Page(text)
    assert set(found.tags) <= ALLOWED
    assert {name for name, _ in found.attributes} <= HARMLESS
    assert not re.search(r"url\(|@import|://|src=|href=", text)
    assert "default-src 'none'" in dict(found.attributes).get("content", "") or "default-src 'none'" in text


def test_a_pdf_holds_no_script_no_address_and_no_file(report: Document) -> None:
    content = pdf(report, MADE_AT)
    for wanted in (b"/JavaScript", b"/JS", b"/URI", b"/EmbeddedFile", b"/Launch", b"/GoToR"):
        assert wanted not in content


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("a\x00b\x1b[31m", "ab[31m"),
        ("one\r\ntwo\tthree", "one two three"),
        ("safe\u202egpj.exe", "safegpj.exe"),  # Unicode annex 9: the override turns what follows round
        ("\ud800x\ue000\u2028y", "x y"),
        ("12\xa0km", "12\xa0km"),
    ],
)
def test_what_no_reader_can_see_is_left_out(text: str, shown: str) -> None:
    assert clean(text) == shown


def test_no_text_of_a_report_holds_what_no_reader_can_see(tmp_path: Path) -> None:
    logbook = Logbook(tmp_path / "logbook")
    logbook.save_car(Car("car", "Fern\u202e\x07"))
    logbook.add_event(Event("car", AT, EventKind.NOTE, note="new\x1b[31m\u200bplugs\nfitted"))
    report = report_of(logbook, None, "metric", MADE_AT)
    assert not re.search("[\x00-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2066-\u2069]", "".join(texts_of(report)))
    assert "Note: new[31mplugs fitted" in texts_of(report)


def test_a_letter_the_font_lacks_is_shown_as_missing(tmp_path: Path) -> None:
    logbook = Logbook(tmp_path / "logbook")
    logbook.save_car(Car("car", "Auto 車 🚗 Ω"))
    report = report_of(logbook, None, "metric", MADE_AT)
    assert squeezed("Auto 車 🚗 Ω") in page_text(page(report))
    assert squeezed("Auto □ □ Ω") in pdf_text(pdf(report, MADE_AT))
