"""The section of pictures that hold what was measured against what was expected; used for one drive and for two."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from dash import dcc, html
from dash.development.base_component import Component

from dashboards.components import GRAPH_CONFIG, labelled
from dashboards.curve_figures import Drawn, curve_figure
from dashboards.curve_tables import columns, rows
from dashboards.curve_words import axis_words, caption, sentence, spoken, title
from dashboards.drawing import Screen
from obdwatch.curves.curve import Curve, Panel
from obdwatch.units import screen_unit

DOUBTED = "A sensor behind this picture cannot be right, so nothing can be concluded from it; see what the drive says."


def curve_articles(curves: Sequence[Curve], screen: Screen, doubted: Collection[str] = ()) -> list[Component]:
    """One picture for each curve, with its sentence and its table; one line where there is none.

    `doubted` are the kinds that rest on a sensor which cannot be right.
    """
    if not curves:
        return [
            html.P(
                "This drive holds nothing that could be held against an expected curve: no warm-up, no start, no steady"
                " warm driving with fuel trims, no full throttle, no misfire counters."
            )
        ]
    return [
        html.Div([_article(curve, screen, curve.kind in doubted) for curve in curves], className="side-by-side curves")
    ]


def _article(curve: Curve, screen: Screen, doubted: bool) -> Component:
    return html.Article(
        [
            html.H3(title(curve)),
            html.P(sentence(curve, screen.units)),
            *([html.P(html.Strong(DOUBTED))] if doubted else []),
            picture([Drawn(curve)], spoken(curve, screen.units), screen),
            html.P(caption(curve), className="quiet"),
            html.Details([html.Summary("In numbers"), *(_table(curve, panel, screen) for panel in curve.panels)]),
        ]
    )


def picture(drawn: Sequence[Drawn], words: str, screen: Screen) -> Component:
    """The picture itself, with its words for whoever cannot see it."""
    figure = curve_figure(drawn, screen)
    height = f"{figure['layout']['height']}px"
    graph = dcc.Graph(figure=figure, config=GRAPH_CONFIG, responsive=True, style={"height": height})
    return html.Div(graph, role="img", **labelled(words))


def _table(curve: Curve, panel: Panel, screen: Screen) -> Component:
    unit = screen_unit(panel.axis.unit, screen.units).name
    where = axis_words(curve.x.words, curve.x.unit, screen.units)
    heads = (where[0].upper() + where[1:], *(name[0].upper() + name[1:] for name in columns(panel)), "Expected")
    body = [
        html.Tr([html.Th(row.at, scope="row"), *(html.Td(value) for value in row.measured), html.Td(row.expected)])
        for row in rows(curve, panel, screen.units)
    ]
    return html.Table(
        [
            html.Caption(f"{panel.axis.words}{f', {unit}' if unit else ''}"),
            html.Thead(html.Tr([html.Th(text, scope="col") for text in heads])),
            html.Tbody(body),
        ],
        className="numbers",
    )
