"""A report as a PDF by fpdf2, with the fonts that come with matplotlib; no browser is needed.

The two libraries are an optional extra: whoever wants only the page needs neither.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from io import BytesIO
from itertools import zip_longest
from typing import Any

from obdwatch.errors import InputError
from obdwatch.reporting.document import Block, Bullets, Document, Paragraph, Subheading, Table, Tone, with_texts
from obdwatch.reporting.holding import held
from obdwatch.reporting.plots import Plot

HOW_TO_INSTALL = "pip install fpdf2 matplotlib (or with obdwatch itself: pip install 'obdwatch[report]')"
FAMILY = "DejaVu"
FONTS = {"": "DejaVuSans", "B": "DejaVuSans-Bold"}
MARGIN, LINE = 18.0, 4.9  # mm
BODY, SMALL, LEAD, HEADING, SUBHEADING, TITLE = 9.0, 8.0, 11.0, 13.0, 9.5, 17.0  # pt
INK, QUIET, RULE, ACCENT = (0, 0, 0), (75, 82, 90), (196, 201, 207), (31, 99, 173)
LEAST_BELOW = 24.0  # mm that must fit below a heading, or it goes to the next page
INDENT = 4.0  # mm
MOST_LINES = 40  # in a row of a table, which must fit on a page
WIDEST = 2.9  # mm, of a letter in a table
MOST_AT_FOOT = 80  # letters of the title
UNKNOWN_SIGN = "\N{WHITE SQUARE}"  # for a letter that the font does not have


def pdf(document: Document, made_at: datetime, show: Callable[[float], None] = lambda share: None) -> bytes:
    """Return the document as a PDF; `made_at` (aware) goes into its properties, `show` is told what share is done.

    Raises InputError, with what to install, where one of the two libraries is missing.
    """
    try:
        import fpdf
        import matplotlib  # noqa: F401
    except ImportError as missing:
        raise InputError(
            f"a PDF needs the library '{missing.name}', which is not installed: {HOW_TO_INSTALL}; "
            "a report whose name ends in .html needs nothing"
        ) from None
    paper = _Paper(fpdf, document, made_at)
    try:
        return paper.content(show)
    finally:
        paper.close()


class _Paper:
    """The pages as they fill."""

    def __init__(self, fpdf: Any, document: Document, made_at: datetime) -> None:
        from obdwatch.reporting.pdf_plots import font_file

        class Sheets(fpdf.FPDF):  # type: ignore[misc]
            """Pages with their number and the title at the foot."""

            def footer(self) -> None:
                self.set_y(-13)
                self.set_font(FAMILY, "", 7.5)
                self.set_text_color(*QUIET)
                self.cell(0, 5, f"{foot} · page {self.page_no()}", align="R")

        self.document = with_texts(document, held)
        self.sheets = Sheets(format="letter" if document.letter else "a4", unit="mm")
        self.sheets.str_alias_nb_pages = None  # or a name that looks like it would become a number
        for style, name in FONTS.items():
            self.sheets.add_font(FAMILY, style, font_file(name))
        self.known = set(self.sheets.fonts[FAMILY.lower()].cmap)
        title = self._text(document.title)
        foot = title if len(title) <= MOST_AT_FOOT else f"{title[:MOST_AT_FOOT]}…"
        self.sheets.set_margins(MARGIN, MARGIN)
        self.sheets.set_auto_page_break(True, MARGIN)
        self.sheets.set_title(title)
        self.sheets.set_lang("en")
        self.sheets.set_creator("obdwatch")
        self.sheets.set_creation_date(made_at)
        self.sheets.add_page()

    def content(self, show: Callable[[float], None]) -> bytes:
        """Draw everything and return the file."""
        blocks = sum(len(section.blocks) for section in self.document.sections)
        drawn = 0
        self._say(self.document.title, TITLE, style="B")
        self._say(self.document.made, SMALL, QUIET)
        for section in self.document.sections:
            self._heading(section.heading, HEADING, 0)
            for block, after in zip_longest(section.blocks, section.blocks[1:]):
                self._block(block, after)
                drawn += 1
                show(drawn / blocks)
        return bytes(self.sheets.output())

    def close(self) -> None:
        """Let go of the font files, which fpdf2 keeps open."""
        for font in self.sheets.fonts.values():
            font.ttfont.close()

    def _text(self, text: str) -> str:
        """The text with what the font cannot draw made visible as such."""
        return "".join(sign if ord(sign) in self.known else UNKNOWN_SIGN for sign in text)

    def _say(
        self, text: str, size: float = BODY, colour: tuple[int, int, int] = INK, style: str = "", indent: float = 0.0
    ) -> None:
        sheets = self.sheets
        sheets.set_font(FAMILY, style, size)
        sheets.set_text_color(*colour)
        sheets.set_x(sheets.l_margin + indent)
        sheets.multi_cell(0, LINE * size / BODY, self._text(text), align="L", new_x="LMARGIN", new_y="NEXT")

    def _room(self, height: float) -> None:
        if self.sheets.will_page_break(height):
            self.sheets.add_page()

    def _heading(self, text: str, size: float, level: int, below: float = LEAST_BELOW) -> None:
        sheets = self.sheets
        self._room(below)
        sheets.ln(5 if level == 0 else 2.5)
        sheets.start_section(self._text(text), level=level, strict=False)
        self._say(text, size, style="B")
        if level == 0:
            sheets.set_draw_color(*RULE)
            sheets.line(sheets.l_margin, sheets.get_y() + 0.5, sheets.w - sheets.r_margin, sheets.get_y() + 0.5)
            sheets.ln(2)

    def _block(self, block: Block, after: Block | None) -> None:
        if isinstance(block, Subheading):
            below = LEAST_BELOW + (self._height_of_a_plot() if isinstance(after, Plot) else 0.0)
            self._heading(block.text, SUBHEADING, 1, below)
        elif isinstance(block, Paragraph):
            self._paragraph(block)
        elif isinstance(block, Bullets):
            for number, item in enumerate(block.items, 1):
                self._item(f"{number}." if block.numbered else "•", item)
        elif isinstance(block, Table):
            self._table(block)
        else:
            self._plot(block)

    def _paragraph(self, block: Paragraph) -> None:
        sheets = self.sheets
        if block.tone is Tone.CAUTION:
            page, top = sheets.page, sheets.get_y()
            self._say(block.text, indent=INDENT)
            if sheets.page == page:
                sheets.set_fill_color(*ACCENT)
                sheets.rect(sheets.l_margin, top + 0.4, 0.8, sheets.get_y() - top - 0.8, style="F")
                sheets.set_fill_color(255)  # tables fill their cells with the last colour
        elif block.tone is Tone.LEAD:
            self._say(block.text, LEAD)
        elif block.tone is Tone.QUIET:
            self._say(block.text, SMALL, QUIET)
        else:
            self._say(block.text)
        sheets.ln(1.2)

    def _item(self, mark: str, text: str) -> None:
        sheets = self.sheets
        self._room(LINE)
        sheets.set_font(FAMILY, "", BODY)
        sheets.set_text_color(*INK)
        sheets.set_x(sheets.l_margin)
        sheets.cell(INDENT, LINE, mark)
        self._say(text, indent=INDENT)
        sheets.ln(0.6)

    def _table(self, table: Table) -> None:
        from fpdf.fonts import FontFace

        sheets = self.sheets
        sheets.set_font(FAMILY, "", SMALL)
        sheets.set_text_color(*INK)
        sheets.set_draw_color(*RULE)
        self._room(LEAST_BELOW)
        align = tuple("RIGHT" if n in table.numeric else "LEFT" for n in range(len(table.columns)))
        with sheets.table(
            col_widths=table.weights,
            text_align=align,
            line_height=LINE * SMALL / BODY,
            padding=(0.9, 1.6, 0.9, 0),
            borders_layout="HORIZONTAL_LINES",
            headings_style=FontFace(emphasis="BOLD", color=QUIET),
        ) as drawn:
            for row in (table.columns, *table.rows):
                for cells in self._rows(table, row):
                    drawn.row(cells)
        sheets.ln(2)

    def _rows(self, table: Table, row: tuple[str, ...]) -> list[list[str]]:
        """The row, or several where a cell is too long for one that must fit on a page."""
        unit = self.sheets.epw / sum(table.weights)
        most = [max(1, int(MOST_LINES * weight * unit / WIDEST)) for weight in table.weights]
        cells = [in_pieces(self._text(cell), size) for cell, size in zip(row, most, strict=True)]
        return [[one[n] if n < len(one) else "" for one in cells] for n in range(max(map(len, cells)))]

    def _height_of_a_plot(self) -> float:
        """With its title [mm]."""
        from obdwatch.reporting.pdf_plots import HEIGHT, WIDTH

        return float(self.sheets.epw) * HEIGHT / WIDTH + 2 * LINE

    def _plot(self, plot: Plot) -> None:
        from obdwatch.reporting.pdf_plots import png

        sheets = self.sheets
        self._room(self._height_of_a_plot())
        sheets.ln(1)
        self._say(plot.title, SMALL, style="B")
        sheets.image(BytesIO(png(plot)), w=sheets.epw, alt_text=self._text(plot.words))
        sheets.ln(2)


def in_pieces(text: str, most: int) -> list[str]:
    """Return a text in pieces of at most `most` letters, cut between words where there is one.

    >>> in_pieces("one two three", 8)
    ['one two', 'three']
    """
    pieces = []
    while len(text) > most:
        cut = text.rfind(" ", 1, most + 1)
        pieces.append(text[: cut if cut > 0 else most])
        text = text[cut + 1 if cut > 0 else most :]
    return [*pieces, text]
