"""Tables that read on a phone, where each row becomes a block with its own labels, and bars with their numbers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import html
from dash.development.base_component import Component

from dashboards.components import UNSPOKEN, labelled

NOTHING = "–"  # in a cell; on a phone such a cell needs no line of its own
Content = Component | str | Sequence[Component | str]


def table(heads: Sequence[str], rows: Sequence[Component], look: str = "", caption: str | None = None) -> Component:
    """A table of `rows` made by `row` under the same `heads`; `look` names further classes of the style sheet."""
    head = html.Thead(html.Tr([html.Th(text, scope="col") for text in heads]))
    top = [html.Caption(caption)] if caption else []
    return html.Table([*top, head, html.Tbody(list(rows))], className=f"stacks {look}".rstrip())


def row(heads: Sequence[str], name: Content, cells: Sequence[Content]) -> Component:
    """A row: `name` heads it, and each of the `cells` carries the head of its column to where there is none."""
    labels: list[Any] = [{"data-label": text} for text in heads[1:]]
    body = [
        html.Td(one, className=None if one != NOTHING else "nothing", **label)
        for one, label in zip(cells, labels, strict=True)
    ]
    return html.Tr([html.Th(name, scope="row"), *body])


def scrolling(shown: Component, name: str) -> Component:
    """A wide table in a place of its own that moves sideways, also by keys."""
    return html.Div(shown, className="scrolls", role="region", tabIndex=0, **labelled(name))


def bar(share: float, words: str) -> list[Component]:
    """A number in words with a bar for the eye below it; `share` of the whole length."""
    filled = html.Span(className="bar", style={"width": f"{min(max(share, 0.0), 1.0):.1%}"}, **UNSPOKEN)
    return [html.Span(words, className="figure"), html.Span(filled, className="bar-place")]
