"""The two ends of a guided inspection: what is needed before it, and what is known after it."""

from __future__ import annotations

import math

from dash import dcc, html
from dash.development.base_component import Component

from dashboards.components import cautions_box
from dashboards.inspections import SUMMARY, Inspections, Place
from dashboards.visit import CAR, VISITS, Page, car_address, part_address
from dashboards.wording import MOST_OF_A_NAME, count, shortened
from obdwatch.explanations.naming import capital
from obdwatch.explanations.part_names import part_name
from obdwatch.inspecting import Inspection
from obdwatch.parts.inspection_questions import Engine, Question
from obdwatch.parts.inspection_words import ENGINE_HINTS, ENGINE_TITLES, answer_words, moved

ADVICE = "This is advice, not an inspection by law: have what you found looked at before you replace a part."


def beginning(inspection: Inspection, place: Place) -> Page:
    """What comes, how long it takes and what to have at hand, with one large way in."""
    walk, name = inspection.walk, shortened(inspection.car.name or inspection.car.id, MOST_OF_A_NAME)
    title = f"{name}: inspection"
    if not walk.questions:
        told = "Every question was answered not long ago. There is nothing to ask until the car has run on."
        return Page(title, [html.H1(title), html.P(told, className="lead")])
    left = [one for one in walk.questions if one.id not in walk.answers]
    minutes = 5 * math.ceil(sum(one.minutes for one in left) / 5)
    more = "more question" if walk.answers else "question"
    lead = f"{count(len(left), more)} about what no recording shows, in one walk round the car."
    begin = ("Go on" if walk.answers else "Begin") if walk.next is not None else "See what your answers changed"
    way = dcc.Link(begin, href=place.address(walk.next.id if walk.next is not None else SUMMARY), className="large")
    done = dcc.Link("See the answers so far", href=place.address(SUMMARY))
    return Page(
        title,
        [
            html.H1(title),
            html.P(
                f"{lead} About {minutes} minutes." if left else "Every question of this walk is answered.",
                className="lead",
            ),
            html.P(way),
            html.P(done) if walk.answers and left else html.Div(),
            html.P(
                "You need: a cold engine, a lamp, paper towels and gloves. Whatever you cannot see or do not dare:"
                " answer “could not look”; where you are asked from memory, “not sure”."
            ),
            cautions_box(
                [
                    "Engine off and key out before your hands go in. Run it outdoors only.",
                    "Belts, fans and the exhaust hurt: a fan can start by itself, and an exhaust stays hot.",
                    "Never open a hot cooling system, and never go under a car that stands on a jack alone.",
                ]
            )
            or html.Div(),
            html.Ol([_stage(engine, walk.questions) for engine in _engines(walk.questions)], className="stages"),
            html.P(_other_length(place), className="quiet"),
        ],
    )


def _engines(questions: tuple[Question, ...]) -> list[Engine]:
    return list(dict.fromkeys(one.engine for one in questions))


def _stage(engine: Engine, questions: tuple[Question, ...]) -> Component:
    number = sum(one.engine is engine for one in questions)
    return html.Li(
        [html.Strong(ENGINE_TITLES[engine]), f": {count(number, 'question')}. ", ENGINE_HINTS[engine]],
    )


def _other_length(place: Place, all_words: str = "All questions for this car instead") -> Component:
    other = Place(place.car_id, None, not place.everything)
    words = "Only the few questions that tell most" if place.everything else all_words
    return dcc.Link(words, href=other.address(None))


def summary(inspections: Inspections, inspection: Inspection, place: Place) -> Page:
    """What the answers changed, each answer with its way back, and what is still open."""
    walk = inspection.walk
    name = shortened(inspection.car.name or inspection.car.id, MOST_OF_A_NAME)
    title = f"{name}: what the inspection says"
    left = [one for one in walk.questions if one.id not in walk.answers]
    return Page(
        title,
        [
            html.H1(title),
            html.P(_how_far(len(walk.questions), len(left)), className="lead"),
            html.P(dcc.Link("Go on", href=place.address(walk.next.id), className="large"))
            if walk.next is not None
            else html.P(_other_length(place, "Go on with all the other questions")),
            *_changed(inspections, inspection),
            html.P(
                [
                    dcc.Link(f"All that is known of {name}", href=car_address(CAR, inspection.car.id)),
                    dcc.Link("The plan of visits", href=car_address(VISITS, inspection.car.id)),
                ],
                className="ways-down",
            ),
            *_given(inspections, inspection, place),
            html.P(ADVICE, className="quiet"),
        ],
    )


def _how_far(of: int, left: int) -> str:
    if not of:
        return "Nothing was asked."
    return f"All {of} questions are answered." if not left else f"{of - left} of {of} questions are answered."


def _changed(inspections: Inspections, inspection: Inspection) -> list[Component]:
    if not inspection.walk.answers:
        return []
    found = inspections.changes(inspection)
    rows = [
        html.Li(
            [
                dcc.Link(capital(part_name(one.part)), href=part_address(inspection.car.id, one.part)),
                f": {moved(one.before, one.after)}",
            ]
        )
        for one in found
    ]
    nothing = html.P("Your answers changed no part's probability noticeably.")
    return [html.H2("What your answers changed"), html.Ul(rows) if rows else nothing]


def _given(inspections: Inspections, inspection: Inspection, place: Place) -> list[Component]:
    """Each answer, with a link to change it and its photo."""
    rows = []
    for one in inspection.walk.questions:
        event = inspection.walk.answers.get(one.id)
        if event is None:
            continue
        photo = inspections.photo(event.id)
        shown = html.Img(src=photo, alt=f"Photo: {one.text}", className="photo") if photo else None
        said = html.Strong(f" {answer_words(one, event.answer or '')}.")
        rows.append(html.Li([dcc.Link(one.text, href=place.address(one.id)), said, shown]))
    return [html.H2("Your answers"), html.Ul(rows, className="given-answers")] if rows else []
