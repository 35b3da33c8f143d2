"""The guided inspection, made for a phone under a bonnet: one question at a time, with what to take care of.

Each question has its own address, and each answer is in the log before the next one shows: a page that is loaded again,
or a phone that slept, goes on where it was.
"""

from __future__ import annotations

from typing import Any

from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component

from dashboards.components import car_ways, cautions_box, labelled, notice
from dashboards.failures import done_or_told
from dashboards.inspections import SUMMARY, Place, place_of
from dashboards.pages.inspection_summary import beginning, summary
from dashboards.photos import photo_from
from dashboards.sessions import SessionShelf
from dashboards.visit import INSPECTION, Page, Visit, visit_from
from dashboards.wording import joined
from obdwatch.errors import InputError
from obdwatch.explanations.part_names import part_name
from obdwatch.inspecting import Inspection
from obdwatch.parts.inspection_questions import ANSWERS, Question
from obdwatch.parts.inspection_words import ENGINE_HINTS, answer_words, where_words


def show(shelf: SessionShelf, visit: Visit) -> Page:
    """Build the page of one step: the beginning, a question, the summary. Raises InputError for an unknown car."""
    place = place_of(visit)
    profiles = [one for one in shelf.garage.cars() if one.car is not None]
    if place.car_id is None:
        if not profiles:
            return Page("Inspection", _no_car())
        place = Place(profiles[0].id, None, place.everything)
    assert place.car_id is not None
    inspection = shelf.inspections.current(place.car_id, place.everything)
    if place.step is None:
        page = beginning(inspection, place)
        return Page(page.title, [*page.children, *car_ways(profiles, place.car_id, INSPECTION)])
    if place.step == SUMMARY:
        return summary(shelf.inspections, inspection, place)
    for number, question in enumerate(inspection.walk.questions):
        if question.id == place.step:
            return _asked(shelf, inspection, place, number)
    raise InputError("This question is not part of the walk any more: begin again from Inspection above.")


def _no_car() -> list[Component]:
    return [
        html.H1("Inspection"),
        notice(
            "There is no car in this logbook yet",
            ["The questions depend on the car. Add yours on the command line, then load this page again:"],
        ),
        html.P(html.Code("obdwatch car add my-car --set cylinders=4 --set displacement_l=2.0")),
    ]


def _asked(shelf: SessionShelf, inspection: Inspection, place: Place, number: int) -> Page:
    questions = inspection.walk.questions
    question, of = questions[number], len(questions)
    given = inspection.walk.answers.get(question.id)
    answered = len([one for one in questions if one.id in inspection.walk.answers])
    before = questions[number - 1] if number else None
    kept = shelf.inspections.photo(given.id) if given is not None else None
    return Page(
        question.text,
        [
            html.Div(
                [
                    _progress(number + 1, of, answered),
                    _where(question, first=before is None or before.engine is not question.engine),
                    html.H1(question.text),
                    html.P(question.look, className="lead"),
                    cautions_box(question.cautions) or html.Div(),
                    _answers(question, given.answer if given is not None else None),
                    _photo(question.id, kept),
                    html.P(
                        [
                            dcc.Link("Back", href=place.address(before.id if before is not None else None)),
                            dcc.Link("Stop here: see what is known", href=place.address(SUMMARY)),
                        ],
                        className="steps",
                    ),
                    _why(question, inspection),
                ],
                className="walk",
                key=question.id,  # another question is another thing to the browser: no click is left over for it
            )
        ],
    )


def _progress(number: int, of: int, answered: int) -> Component:
    words = f"Question {number} of {of}"
    return html.Div(
        [
            html.P(f"{words}, {answered} answered", className="quiet"),
            html.Progress(value=str(answered), max=str(of), **labelled(f"{answered} of {of} answered")),
        ],
        className="progress",
    )


def _where(question: Question, first: bool) -> Component:
    title = where_words(question)
    hint = html.Span(f" {ENGINE_HINTS[question.engine]}", className="quiet") if first else None
    return html.P([html.Strong(f"{title}."), hint], className="stage")


def _answers(question: Question, given: str | None) -> Component:
    """The three answers as large buttons; the one given before is said in words, too."""
    buttons = [
        html.Button(
            [answer_words(question, answer), html.Small(" (your answer)") if answer == given else None],
            id={"type": "inspected", "question": question.id, "answer": answer},
            type="button",
            className="given" if answer == given else "",
        )
        for answer in ANSWERS
    ]
    return html.Div(buttons, className="three", role="group", **labelled("Your answer"))


def _of(what: str, question: Any) -> dict[str, Any]:
    """The id of something that belongs to one question; as a pattern, it is no fault where a page has none."""
    return {"type": what, "of": question}


def _for_the_browser(question: str) -> Any:
    return {"data-question": question}


def _photo(question: str, kept: str | None) -> Component:
    """A photo to go with the answer; the browser makes it small before anything is sent."""
    return html.Div(
        [
            dcc.Store(id=_of("photo", question)),
            html.Button(
                "Other photo" if kept else "Add a photo (optional)",
                type="button",
                className="photo-file",
                **_for_the_browser(question),
            ),
            html.P("", id=_of("photo-told", question), className="quiet", role="status"),
            html.Img(
                id=_of("photo-shown", question), src=kept or "", alt="Your photo" if kept else "", className="photo"
            ),
        ]
    )


def _why(question: Question, inspection: Inspection) -> Component:
    has = {risk.part for risk in inspection.before}
    names = [part_name(part) for part in question.yes_if_degraded if part in has]
    return html.Details(
        [
            html.Summary("Why this is asked"),
            html.P(f"A “yes” speaks for: {joined(names)}."),
            html.P("Photos and answers stay in your logbook, on the computer that shows this page.", className="quiet"),
        ]
    )


def register(app: Dash, shelf: SessionShelf) -> None:
    """Connect the answers; a photo comes with one, put there by assets/inspection.js."""

    @app.callback(
        Output("address", "href", allow_duplicate=True),
        Output("told", "children", allow_duplicate=True),
        Input({"type": "inspected", "question": ALL, "answer": ALL}, "n_clicks"),
        State(_of("photo", ALL), "data"),
        State("view", "data"),
        prevent_initial_call=True,
    )
    def answered(clicks: list[int | None], photos: list[Any], view: Any) -> tuple[Any, Any]:
        if not any(clicks) or not isinstance(ctx.triggered_id, dict):
            return no_update, no_update
        asked, said = str(ctx.triggered_id["question"]), str(ctx.triggered_id["answer"])
        return done_or_told(lambda: _noted(shelf, place_of(visit_from(view)), asked, said, next(iter(photos), None)))


def _noted(shelf: SessionShelf, place: Place, asked: str, said: str, photo: Any) -> str:
    """Write an answer down and return the address of what comes next."""
    if place.car_id is None:
        raise InputError("The address names no car: begin again from Inspection above.")
    shelf.inspections.answer(place.car_id, asked, said, photo_from(photo))
    left = shelf.inspections.current(place.car_id, place.everything).walk.next
    return place.address(left.id if left is not None else SUMMARY)
