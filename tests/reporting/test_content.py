"""What the report says, and that page and paper say the same."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from io import BytesIO

import pytest
from pypdf import PdfReader

from obdwatch.logbook.logbook import Logbook
from obdwatch.records import CodeKind
from obdwatch.reporting.document import Bullets, Document, Paragraph, Section, Subheading, Table, Tone
from obdwatch.reporting.facts import CarFacts
from obdwatch.reporting.page import page
from obdwatch.reporting.pdf import pdf
from obdwatch.reporting.plots import Plot
from obdwatch.reporting.report import report_of
from tests.reporting.conftest import MADE_AT
from tests.reporting.reading import page_text, pdf_text, squeezed, texts_of

MM_PER_POINT = 25.4 / 72.0  # ISO 32000-1, 8.3.2.3: a default unit of a PDF is 1/72 inch


@pytest.fixture(scope="module")
def paper(report: Document) -> bytes:
    return pdf(report, MADE_AT)


def section(document: Document, beginning: str) -> Section:
    return next(one for one in document.sections if one.heading.startswith(beginning))


def said(part: Section) -> str:
    return " ".join(texts_of(Document("", "", (part,))))


def plots(part: Section) -> list[Plot]:
    return [block for block in part.blocks if isinstance(block, Plot)]


def test_page_and_paper_say_every_text_of_the_report(report: Document, paper: bytes) -> None:
    on_page, on_paper = page_text(page(report)), pdf_text(paper)
    wanted = [squeezed(text) for text in texts_of(report)]
    assert len(wanted) > 150
    assert [text for text in wanted if text not in on_page] == []
    assert [text for text in wanted if text not in on_paper] == []


def test_page_and_paper_have_every_picture(report: Document, paper: bytes) -> None:
    wanted = [plot for part in report.sections for plot in plots(part)]
    assert len(wanted) >= 4
    assert page(report).count('<svg class="wide"') == page(report).count('<svg class="narrow"') == len(wanted)
    assert sum(len(one.images) for one in PdfReader(BytesIO(paper)).pages) == len(wanted)


def test_a_heading_stays_with_its_picture(report: Document) -> None:
    picture = next(plot for part in report.sections for plot in plots(part))
    for lines in (18, 21, 24, 27):  # between them, a page ends before the picture, before the heading or behind both
        above = tuple(Paragraph("A line of text.") for _ in range(lines))
        sheets = PdfReader(
            BytesIO(pdf(Document("", "", (Section("", (*above, Subheading("Below"), picture)),)), MADE_AT))
        )
        (with_heading,) = [one for one in sheets.pages if "Below" in one.extract_text()]
        assert len(with_heading.images) == 1


def test_numbers_stay_with_their_units(report: Document) -> None:
    assert "16,000\N{NO-BREAK SPACE}km" in page(report)
    assert re.search(r"\d (?:km|°C|minutes|hours|rpm|V)\b", page(report)) is None


def test_it_begins_with_the_state_in_one_sentence(report: Document) -> None:
    first = report.sections[0].blocks[0]
    assert isinstance(first, Paragraph)
    assert first.tone is Tone.LEAD
    assert "thermostat" in first.text
    assert first.text.count(". ") == 0
    assert first.text.endswith(".")
    rests = report.sections[0].blocks[1]
    assert isinstance(rests, Paragraph)
    assert "read at 176,046\xa0km." in rests.text  # the last odometer reading of the story: 109,390 miles


def test_parts_come_by_risk_with_reasons_for_and_against(report: Document) -> None:
    parts = section(report, "The parts")
    table = next(block for block in parts.blocks if isinstance(block, Table))
    assert table.rows[0][0] == "Thermostat"
    reasons = [item for block in parts.blocks if isinstance(block, Bullets) for item in block.items]
    assert any(one.startswith("For: Code P0128") for one in reasons)
    assert any(one.startswith("For: Inspection of 31 July 2026: oil at the joint") for one in reasons)
    assert "spark plugs" in said(parts), "parts that are well are named too"


def test_the_place_in_the_drive_is_drawn_and_marked(report: Document) -> None:
    coolant = next(one for one in plots(section(report, "The evidence")) if "coolant temperature" in one.title)
    assert "24 October 2026" in coolant.title
    assert {"warm-up", "colder than expected"} <= {band.text for band in coolant.bands}
    for band in coolant.bands:
        assert coolant.x.low <= band.start < band.end <= coolant.x.high


def test_the_growth_of_a_suspicion_ends_with_what_is_known_now(facts: CarFacts, report: Document) -> None:
    grown = next(one for one in plots(section(report, "The evidence")) if one.title.startswith("Thermostat: prob"))
    assert len(grown.curves[0].xs) == len(facts.sessions) + 1  # the owner's answers came after the last drive
    now = next(one.degraded for one in facts.suspected if one.part == "thermostat")
    assert grown.curves[0].ys[-1] == now > 0.9 > grown.curves[0].ys[0]


def test_codes_are_told_by_memory_and_in_plain_language(facts: CarFacts, report: Document) -> None:
    codes = section(report, "Trouble codes")
    kinds = {one.kind for one in facts.codes[0].drive.codes if one.code == "P0128"}
    assert kinds == set(CodeKind)
    memories = next(block for block in codes.blocks if isinstance(block, Bullets)).items
    assert [one.split(" ")[0] for one in memories] == ["Stored", "Pending", "Permanent"]
    assert all(one.endswith("P0128.") for one in memories)
    assert "Engine stays too cool" in said(codes)
    # SAE J2012: P03xx is ignition or misfire, the last digits name the cylinder
    earlier = [block for block in codes.blocks if isinstance(block, Table)]
    assert ("P0302", "Misfires in cylinder 2") in {row[:2] for block in earlier for row in block.rows}


def test_plan_history_method_and_cautions_are_there(report: Document) -> None:
    assert "Visit 1, now" in said(section(report, "The plan"))
    past = next(block for block in section(report, "The history").blocks if isinstance(block, Table))
    days = [datetime.strptime(row[0], "%d\xa0%b\xa0%Y").replace(tzinfo=UTC) for row in past.rows]
    assert days == sorted(days, reverse=True)
    assert any("Renewed: ignition coil." in row[2] for row in past.rows)
    assert ("23\xa0May\xa02026", "168,756\xa0km") in {row[:2] for row in past.rows}
    method = section(report, "How this was found")
    assert len(method.blocks) == 2
    assert "virtual cars only" in said(method)
    cautions = said(section(report, "Before anybody"))
    for wanted in ("not an inspection", "hot cooling system", "axle stands", "carbon monoxide", "licensed technician"):
        assert wanted in cautions


def test_the_last_repair_is_judged_as_the_comparison_judges_it(facts: CarFacts, report: Document) -> None:
    assert facts.proof is not None
    assert facts.proof.parts == ("ignition_coil",)
    assert (len(facts.proof.before), len(facts.proof.after)) == (2, 1)
    told = said(section(report, "The history"))
    assert "Renewed on 30 May 2026 at 168,981\xa0km: ignition coil." in told
    assert facts.proof.headline in told
    assert "2 drives before it and 1 drive after it" in told


def test_a_us_reader_gets_miles_fahrenheit_and_letter_paper(fern: Logbook) -> None:
    report = report_of(fern, None, "us", MADE_AT)
    paper = pdf(report, MADE_AT)
    texts = " ".join(texts_of(report))
    for wanted in ("109,390\xa0miles", "°F", "10,000 miles"):
        assert wanted in texts
        assert squeezed(wanted) in pdf_text(paper)
        assert squeezed(wanted) in page_text(page(report))
    assert not re.search(r"\d[\s\xa0](km|°C|km/h|kPa)\b", texts)
    box = PdfReader(BytesIO(paper)).pages[0].mediabox
    assert float(box.width) * MM_PER_POINT == pytest.approx(215.9, abs=0.1)  # ANSI/ASME Y14.1 size A: 8.5 by 11 inch
    assert float(box.height) * MM_PER_POINT == pytest.approx(279.4, abs=0.1)


def test_others_get_a4_with_title_language_and_outline(report: Document, paper: bytes) -> None:
    found = PdfReader(BytesIO(paper))
    box = found.pages[0].mediabox
    assert float(box.width) * MM_PER_POINT == pytest.approx(210.0, abs=0.1)  # ISO 216
    assert float(box.height) * MM_PER_POINT == pytest.approx(297.0, abs=0.1)
    assert found.metadata is not None
    assert found.metadata.title == report.title
    assert found.root_object["/Lang"] == "en"
    headings = [one.title.replace("\N{NO-BREAK SPACE}", " ") for one in found.outline if not isinstance(one, list)]
    assert headings == [part.heading for part in report.sections]
