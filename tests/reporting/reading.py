"""What a reader gets out of a page and of a PDF, read by other programs than those that wrote them."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html.parser import HTMLParser
from io import BytesIO

from pypdf import PdfReader

from obdwatch.reporting.document import Bullets, Document, Paragraph, Subheading, Table

FOOT = re.compile(r"[^\n]*· page \d+")


class Page(HTMLParser):
    """A page as a browser's parser sees it: its tags, their attributes and its text."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str]] = []
        self.texts: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(name, value or "") for name, value in attrs]

    def handle_data(self, data: str) -> None:
        self.texts.append(data)


def page_text(text: str) -> str:
    return squeezed(" ".join(Page(text).texts))


def pdf_text(content: bytes) -> str:
    """The text of all pages as one, without what stands at their feet."""
    return squeezed(FOOT.sub("", "\n".join(one.extract_text() for one in PdfReader(BytesIO(content)).pages)))


def squeezed(text: str) -> str:
    """Without white space: where a line is broken is the business of each renderer."""
    return "".join(text.split())


def texts_of(document: Document) -> Iterator[str]:
    """Every text of a document that is read as text in both forms; words within pictures are pictures on paper."""
    yield from (document.title, document.made)
    for section in document.sections:
        yield section.heading
        for block in section.blocks:
            if isinstance(block, Paragraph | Subheading):
                yield block.text
            elif isinstance(block, Bullets):
                yield from block.items
            elif isinstance(block, Table):
                yield from block.columns
                yield from (cell for row in block.rows for cell in row)
            else:
                yield block.title
