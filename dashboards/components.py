"""Pieces that several pages are built from: states in words with a shape, notices, commands, and the page's frame.

Everything that comes from outside is handed to the browser as text; nothing here builds markup.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import dash_mantine_components as dmc
from dash import dcc, html
from dash.development.base_component import Component

from dashboards import wording
from dashboards.garage import KnownCar
from dashboards.text_tables import text_table
from dashboards.visit import CODES, DRIVES, INSPECTION, NOW, TRENDS, VISITS, car_address
from obdwatch.explanations.wording import URGENCY_WORDS, pointing_words
from obdwatch.records import Finding, Measure, Urgency, Verdict

_SHAPES = {
    Urgency.STOP: "octagon",
    Urgency.SOON: "triangle",
    Urgency.NEXT_SERVICE: "diamond",
    Urgency.WATCH: "circle",
}

# Dash takes these only by name; a dash in a name makes that a mapping.
UNSPOKEN: Any = {"aria-hidden": "true"}


GRAPH_CONFIG: Any = {
    "displayModeBar": False,
    "displaylogo": False,
    "doubleClick": "autosize",
    "doubleClickDelay": 600,  # ms; a browser that is busy drawing, or a slow hand, still makes a double click
    "responsive": True,
    # Plotly's own button that uploads a figure; never ours.
    "showSendToCloud": False,
    "plotlyServerURL": "",
    "modeBarButtonsToRemove": ["sendChartToCloud"],
}


def labelled(text: str) -> Any:
    """What a screen reader calls a group that has no heading."""
    return {"aria-label": text}


def labelled_by(heading: str) -> Any:
    """The id of the heading that names a section."""
    return {"aria-labelledby": heading}


def state(finding: Finding) -> Component:
    """Verdict and urgency: a shape for the eye that skims, and always the words."""
    shape = "tick" if finding.verdict is Verdict.HEALTHY else "ring"
    if finding.verdict is Verdict.FAULT:
        shape = _SHAPES[finding.urgency] if finding.urgency is not None else "circle"
    return shaped(shape, wording.state_words(finding))


def urgency_state(urgency: Urgency) -> Component:
    """How soon to act: the same shapes and words as for a finding."""
    return shaped(_SHAPES[urgency], URGENCY_WORDS[urgency])


def shaped(shape: str, words: str) -> Component:
    """Words behind a shape of the style sheet, which alone says nothing."""
    return html.Span([html.Span(className=f"shape {shape}", **UNSPOKEN), words], className=f"state {shape}")


def notice(title: str, sentences: Sequence[str], kind: str = "plain") -> Component:
    """A boxed message; `kind` is plain, or wrong for something that failed."""
    return html.Section(
        [html.H2(title), *(html.P(sentence) for sentence in sentences)],
        className=f"notice {kind}",
        role="alert" if kind == "wrong" else None,
    )


def loading(text: str) -> Component:
    """What stands in a place until its content is there."""
    return html.P(text, className="loading", role="status")


def command(line: str, meaning: str) -> list[Component]:
    """A command to type, with what it does."""
    return [html.Dt(html.Code(line)), html.Dd(meaning)]


def back_to_drives() -> Component:
    """The way up from a page of one drive."""
    return html.P(dcc.Link("All drives", href=DRIVES), className="up")


def car_ways(cars: Sequence[KnownCar], chosen: str, page: str) -> list[Component]:
    """The same page of the other cars; nothing where there is one car only."""
    if len(cars) < 2:
        return []
    links: list[Component | str] = ["Other cars: "]
    for one in cars:
        if one.id != chosen:
            links += [dcc.Link(wording.shortened(one.name, 40), href=car_address(page, one.id)), " "]
    return [html.P(links, className="quiet")]


def finding_card(index: int, finding: Finding, units: str) -> Component:
    """A fault in full: how urgent, what it is, why, where in the drive, what to take care of."""
    head = [html.P(state(finding)), html.H3(finding.headline)]
    return html.Article([*head, *_reasons(index, finding, units)], className="finding fault")


def finding_line(index: int, finding: Finding, units: str) -> Component:
    """What is no fault, on one line; its reasons are a click away. The heading above says the verdict."""
    shape = html.Span(className=f"shape {'tick' if finding.verdict is Verdict.HEALTHY else 'ring'}", **UNSPOKEN)
    return html.Details(
        [html.Summary([shape, finding.headline]), *_reasons(index, finding, units)],
        className=f"finding {finding.verdict}",
    )


def _reasons(index: int, finding: Finding, units: str) -> list[Component | None]:
    return [
        _points_to(finding),
        html.Ul([html.Li(reason) for reason in finding.reasons]) if finding.reasons else None,
        _drive_to_get(finding),
        *_places(index, finding),
        cautions_box(finding.cautions),
        _measures(finding.measures, units),
    ]


def next_drive_list(steps: Sequence[str]) -> list[Component]:
    """What to drive next, as one list; nothing where nothing is missing."""
    return [html.H3("The next drive, to know more"), html.Ul([html.Li(step) for step in steps])] if steps else []


def _points_to(finding: Finding) -> Component | None:
    if finding.verdict is not Verdict.FAULT:
        return None
    return html.P(pointing_words(finding), className="quiet")


def _drive_to_get(finding: Finding) -> Component | None:
    if not finding.drive_to_get:
        return None
    return html.P([html.Strong("To find out: "), finding.drive_to_get])


def _places(index: int, finding: Finding) -> list[Component]:
    """A button for each place in the drive; its id carries the place, so that the browser can go there by itself."""
    return [
        html.P(
            html.Button(
                [
                    f"Show {wording.clock_time(span.start)} to {wording.clock_time(span.end)}",
                    html.Span(f" {span.text}", className="quiet") if span.text else None,
                ],
                id={"type": "place", "finding": index, "start": span.start, "end": span.end},
                className="place",
                type="button",
            )
        )
        for span in finding.spans
    ]


def cautions_box(cautions: Sequence[str]) -> Component | None:
    """What to take care of, in a box; None where there is nothing."""
    if not cautions:
        return None
    return html.Div([html.Strong("Take care"), *(html.P(caution) for caution in cautions)], className="caution")


def _measures(measures: Sequence[Measure], units: str) -> Component | None:
    if not measures:
        return None
    rows = [_measure_row(measure, units) for measure in measures]
    return html.Details([html.Summary("The numbers behind it"), text_table(("Measured", "Value", "Expected"), rows)])


def _measure_row(measure: Measure, units: str) -> tuple[str, str, str]:
    value = wording.quantity(measure.value, measure.unit, units)
    if measure.interval is not None:
        value += f" ({wording.quantities(measure.interval, measure.unit, units)})"
    expected = wording.quantities(measure.expected, measure.unit, units) if measure.expected is not None else "–"
    return wording.in_words(measure.name), value, expected


def frame(units: str = "metric") -> Component:
    """What surrounds every page: where one is, the reader's preferences, and the place the page goes.

    `units` (metric, us) are shown until the reader chooses.
    """
    provider: Component = dmc.MantineProvider(
        html.Div(
            [
                html.A("Skip to the content", href="#page", className="skip"),
                dcc.Location(id="address", refresh="callback-nav"),
                dcc.Store(id="view"),
                dcc.Store(id="title"),
                html.Header([_ways(), _preferences(units)], className="frame"),
                html.Div(id="told"),
                html.Main(loading("Opening …"), id="page", tabIndex=-1),
                html.Footer("For the workshop or the passenger: whoever drives watches the road.", className="frame"),
            ],
            className="house",
        ),
        id="mantine",
    )
    return provider


def _ways() -> Component:
    return html.Nav(
        [
            dcc.Link("obdwatch", href="/", className="name"),
            dcc.Link("Recording", href=NOW),
            dcc.Link("Drives", href=DRIVES),
            dcc.Link("Trends", href=TRENDS),
            dcc.Link("Plan", href=VISITS),
            dcc.Link("Inspection", href=INSPECTION),
            dcc.Link("Codes", href=CODES),
        ],
        **labelled("Pages"),
    )


def _preferences(units: str) -> Component:
    return html.Div(
        [
            _units(units),
            html.Button("Dark", id="theme", type="button"),
        ],
        className="preferences",
    )


def _units(units: str) -> Component:
    """Metric or US; Mantine's, because Dash's own lists of options are not fit for a screen reader."""
    group: Component = dmc.RadioGroup(
        dmc.Group([dmc.Radio("Metric", value="metric"), dmc.Radio("US", value="us")], gap="md"),
        value=units,
        id="units",
        persistence=True,
        persistence_type="local",
        label="Units",
        classNames={"label": "unseen"},
    )
    return group
