"""What the pages say of a trouble code: its explanation, which of several leads, the trade's words, a code's life."""

from __future__ import annotations

from collections.abc import Sequence

from dash import dcc, html
from dash.development.base_component import Component

from dashboards.components import cautions_box, urgency_state
from dashboards.panels import signal_name
from dashboards.visit import codes_address
from dashboards.wording import joined
from obdwatch.explanations.code_life import STAGES, life_stage
from obdwatch.explanations.codes import Advice, CodeExplanation
from obdwatch.explanations.glossary import glossary, terms_in
from obdwatch.explanations.naming import capital
from obdwatch.explanations.wording import ORIGIN_NOTES, cause_words, in_units
from obdwatch.urgency import Urgency

_HEADINGS = {2: html.H2, 3: html.H3}


def full_name(code: CodeExplanation) -> str:
    """A code with its failure type, where it has one: P0171-00."""
    return code.code if code.failure_type is None else f"{code.code}-{code.failure_type.byte:02X}"


def explained(code: CodeExplanation, level: int, units: str) -> list[Component]:
    """A code without its title, in the order a reader needs it; `level` (2, 3) is that of the headings within."""

    def said(entries: Sequence[str]) -> list[str]:
        return [in_units(entry, units) for entry in entries]

    heading = _HEADINGS[level]
    return [
        html.P(urgency_state(code.urgency)),
        html.P(code.meaning, className="lead"),
        may_drive(code),
        *([html.P(f"Background: {code.purpose}", className="quiet")] if code.purpose else []),
        *_failure_type(code),
        cautions_box(code.cautions) or html.Div(),
        html.Div(
            [
                _list(heading("What usually causes it, the likeliest first"), said(_causes(code)), ordered=True),
                _list(heading("What to check first"), said(code.first_checks), ordered=True),
                _list(heading("What happens"), said(_happens(code))),
                _list(heading("What to look for in a recording"), said(_live_data(code))),
                _list(heading("What it is often confused with"), said(code.confused_with)),
            ],
            className="answers",
        ),
        *([html.P(ORIGIN_NOTES[code.origin], className="quiet")] if code.origin in ORIGIN_NOTES else []),
    ]


def may_drive(code: CodeExplanation) -> Component:
    """Whether one may drive on with this code."""
    return html.P([html.Strong("May I drive on? "), code.may_drive])


def _failure_type(code: CodeExplanation) -> list[Component]:
    if code.failure_type is None:
        return []
    return [html.P(f"Detail {code.failure_type.byte:02X}: {code.failure_type.text}.")]


def _causes(code: CodeExplanation) -> list[str]:
    return [capital(cause_words(cause)) for cause in code.causes]


def _happens(code: CodeExplanation) -> list[str]:
    both = (("The car", code.car_does), ("You notice", code.driver_notices))
    return [f"{who}: {what}" for who, what in both if what]


def _live_data(code: CodeExplanation) -> list[str]:
    return [f"{signal_name(item.key)}: {item.look_for}" for item in code.live_data]


def _list(heading: Component, entries: Sequence[str], ordered: bool = False) -> Component | None:
    """A heading with its entries; nothing where there are none."""
    if not entries:
        return None
    rows = [html.Li(entry) for entry in entries]
    return html.Section([heading, html.Ol(rows) if ordered else html.Ul(rows)])


def advice(found: Sequence[Advice], codes: Sequence[CodeExplanation], level: int = 2) -> Component:
    """Which of the codes to follow first and why; where no rule links them, the most urgent are named."""
    said = html.Ul([html.Li(_advised(item)) for item in found]) if found else html.P(_no_rule(codes))
    return html.Section([_HEADINGS[level]("Which to follow first"), said])


def _advised(item: Advice) -> list[Component | str]:
    before = f" before {joined(item.before)}" if item.before else ""
    return [html.Strong(f"{joined(item.follow)}{before}"), f": {item.reason}"]


def _no_rule(codes: Sequence[CodeExplanation]) -> str:
    """The least that can be said: none is known to cause another, so how soon to act decides."""
    order = list(Urgency)
    most = max(order.index(code.urgency) for code in codes)
    first = [code.code for code in codes if order.index(code.urgency) == most]
    none_leads = "None of these is known to cause another."
    if len(first) == len(codes):
        return f"{none_leads} They are equally urgent, so begin with the one whose first check is the easiest."
    return f"{none_leads} Begin with the most urgent: {joined(first)}."


def codes_link(codes: Sequence[str], text: str) -> Component:
    """A link to the explanation of one code or of several together."""
    link: Component = dcc.Link(text, href=codes_address(codes))
    return link


def folded_words(codes: Sequence[CodeExplanation]) -> Component:
    """The trade's words that the explanations use, explained; folded, because not everybody needs it."""
    terms = sorted(terms_in(" ".join(_all_text(code) for code in codes)), key=str.lower)
    if not terms:
        return html.Div()
    rows = [part for term in terms for part in (html.Dt(term), html.Dd(glossary()[term]))]
    return html.Details([html.Summary("The trade's words on this page"), html.Dl(rows, className="terms")])


def _all_text(code: CodeExplanation) -> str:
    parts = [code.title, code.meaning, code.purpose, code.may_drive, *_happens(code), *_causes(code)]
    return " \n ".join([*parts, *code.cautions, *code.first_checks, *_live_data(code), *code.confused_with])


def life() -> Component:
    """Short words on the life of a code: stored, pending, permanent, and what erasing destroys."""
    rows: list[Component] = []
    for stage in map(life_stage, STAGES):
        rows.append(html.Dt(capital(stage.name)))
        rows.append(html.Dd([f"{stage.meaning} {stage.next} ", html.Span(f"({stage.source})", className="quiet")]))
    return html.Details(
        [
            html.Summary("How a code comes and goes, and what erasing destroys"),
            html.Dl(rows, className="terms"),
        ]
    )
