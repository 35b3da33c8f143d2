"""What a report is made of, before it is HTML or PDF: headings, paragraphs, lists, tables and plots as frozen records.

Both renderers draw the same document, so that page and paper cannot say different things. All texts are plain: no
markup means anything in them, and a renderer shows them letter by letter.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum

from obdwatch.reporting.plots import Plot, plot_with


class Tone(StrEnum):
    """How a paragraph is set."""

    PLAIN = "plain"
    LEAD = "lead"  # what a reader takes along who reads nothing else
    QUIET = "quiet"
    CAUTION = "caution"


@dataclass(frozen=True, slots=True)
class Paragraph:
    """A piece of running text."""

    text: str
    tone: Tone = Tone.PLAIN


@dataclass(frozen=True, slots=True)
class Subheading:
    """A heading within a section."""

    text: str


@dataclass(frozen=True, slots=True)
class Bullets:
    """Short texts one below the other; `numbered` where their order matters."""

    items: tuple[str, ...]
    numbered: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of cells under `columns`; the first cell of a row names it.

    `weights` are the shares of the width on paper; `numeric` are the places of the columns that hold numbers;
    `caption` says what it shows to whoever cannot see it.
    """

    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    weights: tuple[float, ...]
    caption: str
    numeric: frozenset[int] = frozenset()


Block = Paragraph | Subheading | Bullets | Table | Plot


@dataclass(frozen=True, slots=True)
class Section:
    """A heading with what stands below it."""

    heading: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Document:
    """A whole report. `made` says when and by what it was made, as a sentence; `letter` asks for US paper."""

    title: str
    made: str
    sections: tuple[Section, ...]
    letter: bool = False


def with_texts(document: Document, change: Callable[[str], str]) -> Document:
    """Return the document with every text in it passed through `change`."""
    return replace(
        document,
        title=change(document.title),
        made=change(document.made),
        sections=tuple(
            Section(change(one.heading), tuple(_changed(block, change) for block in one.blocks))
            for one in document.sections
        ),
    )


def _changed(block: Block, change: Callable[[str], str]) -> Block:
    if isinstance(block, Paragraph | Subheading):
        return replace(block, text=change(block.text))
    if isinstance(block, Bullets):
        return replace(block, items=tuple(map(change, block.items)))
    if isinstance(block, Table):
        return replace(
            block,
            columns=tuple(map(change, block.columns)),
            rows=tuple(tuple(map(change, row)) for row in block.rows),
            caption=change(block.caption),
        )
    return plot_with(block, change)
