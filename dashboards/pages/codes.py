"""Trouble codes: searched by words or by code, and explained, one or several together.

The words come from `obdwatch.explanations.codes`, the same as on the command line. What a reader typed is checked by
`parse_code` and only ever shown as text.
"""

from __future__ import annotations

from dash import dcc, html
from dash.development.base_component import Component

from dashboards.components import notice
from dashboards.pages.car_codes import of_the_car
from dashboards.pages.code_sections import advice, explained, folded_words, full_name, life
from dashboards.sessions import SessionShelf
from dashboards.visit import CODES, Page, Visit, codes_address, codes_in, codes_typed
from dashboards.wording import joined, shortened
from obdwatch.errors import InputError
from obdwatch.explanations.code_structure import parse_code
from obdwatch.explanations.codes import CodeExplanation, FoundCode, explain, follow_first, search

MOST_FOUND = 30
# More than a car sets at once, even with a dead battery; keeps an address from asking for a page without end.
MOST_CODES = 40
MOST_WORDS = 200  # letters of a search


def show(shelf: SessionShelf, visit: Visit) -> Page:
    """Build the page that an address asks for: explanations, what a search found, or the way to either."""
    typed = codes_in(visit.path)
    if typed:
        return _explanations(typed, visit.screen.units)
    words = visit.words()[:MOST_WORDS]
    if not words:
        return Page(
            "Trouble codes", [html.H1("Trouble codes"), *of_the_car(shelf), search_box(), *_how_to_ask(), life()]
        )
    if all(is_code(piece) for piece in codes_typed(words)):
        return _explanations(codes_typed(words), visit.screen.units)
    return _search(words)


def is_code(text: str) -> bool:
    """Whether `text` has the shape of a trouble code."""
    try:
        parse_code(text)
    except InputError:
        return False
    return True


def search_box(words: str = "") -> Component:
    """Where to type words or codes; Enter and the button do the same."""
    return html.Div(
        [
            html.Label("A code, several codes, or words", htmlFor="words"),
            html.Div(
                [
                    dcc.Input(
                        id="words", type="search", value=words, maxLength=MOST_WORDS, autoComplete="off", debounce=False
                    ),
                    html.Button("Search", id="search", type="button"),
                ],
                className="asking",
            ),
        ],
        className="search",
        role="search",
    )


def _how_to_ask() -> list[Component]:
    examples: list[Component | str] = [
        dcc.Link("P0171", href=codes_address(["P0171"])),
        ", several such as ",
        html.Span(dcc.Link("P0171, P0300", href=codes_address(["P0171", "P0300"]))),
        " (then the page says which to follow first), or words such as ",
        html.Span(dcc.Link("cam timing", href=f"{CODES}?words=cam%20timing")),
        ".",
    ]
    return [html.P(["Type a code such as ", *examples], className="quiet")]


def _search(words: str) -> Page:
    try:
        found = search(words, limit=MOST_FOUND + 1)
        told = "" if found else _nothing_found(words)
    except InputError as error:
        found, told = (), str(error)
    title = f"Codes for “{shortened(words, 60)}”"
    shown = [notice("No code found", [told])] if told else _results(found)
    return Page(title, [html.H1(title), search_box(words), *shown, life()])


def _nothing_found(words: str) -> str:
    """Why nothing was found: a mistyped code gets the line that says what is wrong with it."""
    if len(words.split()) == 1 and any(letter.isdigit() for letter in words):
        try:
            parse_code(words)
        except InputError as error:
            return f"{error}."
    return "Try fewer or other words, such as the name of the part."


def _results(found: tuple[FoundCode, ...]) -> list[Component]:
    links = [html.Li(_link(hit.code, hit.title)) for hit in found[:MOST_FOUND]]
    more = f"These are the {MOST_FOUND} that fit best; another word narrows it down."
    return [
        html.Ul(links, className="found"),
        *([html.P(more, className="quiet")] if len(found) > MOST_FOUND else []),
    ]


def _link(code: str, title: str) -> Component:
    return dcc.Link(f"{code}: {title}", href=codes_address([code]))


def _explanations(typed: tuple[str, ...], units: str) -> Page:
    """The page of some codes; what is no code is told in one line each, and the others are explained all the same."""
    once: dict[CodeExplanation, None] = {}
    wrong: list[str] = []
    for piece in typed[:MOST_CODES]:
        try:
            once[explain(piece)] = None
        except InputError as error:
            wrong.append(f"{error}.")
    if len(typed) > MOST_CODES:
        wrong.append(f"Only the first {MOST_CODES} codes are shown.")
    codes = list(once)
    told = [notice("Not all of this is a trouble code" if codes else "Not a trouble code", wrong)] if wrong else []
    if not codes:
        return Page("Not a trouble code", [html.H1("Trouble codes"), *told, search_box(" ".join(typed)), life()])
    up = html.P(dcc.Link("Search trouble codes", href=CODES), className="up")
    body = _one(codes[0], units) if len(codes) == 1 else _several(codes, units)
    names = joined([full_name(code) for code in codes])
    title = f"{names}: {codes[0].title}" if len(codes) == 1 else names
    return Page(shortened(title, 80), [up, *told, *body, folded_words(codes), life()])


def _one(code: CodeExplanation, units: str) -> list[Component]:
    return [html.H1(f"{full_name(code)}: {code.title}"), *explained(code, level=2, units=units)]


def _several(codes: list[CodeExplanation], units: str) -> list[Component]:
    """Which to follow first, then each; the order is that of the address."""
    said = advice(follow_first([code.code for code in codes]), codes)
    each = [
        html.Article(
            [html.H2(f"{full_name(code)}: {code.title}"), *explained(code, level=3, units=units)], className="code"
        )
        for code in codes
    ]
    return [html.H1(f"{joined([full_name(code) for code in codes])} together"), said, *each]
