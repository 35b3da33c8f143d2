"""What changes from drive to drive: each followed number over the odometer, what moves first."""

from __future__ import annotations

from collections.abc import Sequence

from dash import dcc, html
from dash.development.base_component import Component

from dashboards.components import GRAPH_CONFIG, back_to_drives, car_ways, labelled, notice
from dashboards.drawing import Screen
from dashboards.garage import CarTrends
from dashboards.pages.home import how_to_begin
from dashboards.sessions import SessionShelf
from dashboards.tables import row, scrolling, table
from dashboards.trend_figures import trend_figure
from dashboards.visit import CAR, TRENDS, Page, Visit, car_address, car_in
from dashboards.wording import count
from obdwatch.detectors.trends_followed import Followed
from obdwatch.detectors.trends_judgement import FEWEST
from obdwatch.explanations.trends_words import label
from obdwatch.records import Verdict
from obdwatch.reporting.followed_numbers import COLUMNS, followed_row, followed_sentence

NO_COMMON_NUMBER = "Its drives have no number in common yet that could be followed."
MOST_SHOWN = 12  # pictures on one page; the others are a click away
MOST_BESIDE = 4  # pictures of numbers that do not move
NEWEST = 5  # drives whose faults say which numbers one wants to see


def show(shelf: SessionShelf, visit: Visit) -> Page:
    """Build the page of one car. Raises LogbookError for a car that is not there."""
    known = shelf.garage.car(car_in(visit.path, TRENDS))
    if known is None:
        return Page("How to begin", how_to_begin())
    found = shelf.garage.trends(known)
    heading = "What changes from drive to drive"
    title = f"{heading}: {known.name}"
    up = html.P(dcc.Link(known.name, href=car_address(CAR, known.id)), className="up")
    top = [up, html.H1(heading), *car_ways(shelf.garage.cars(), known.id, TRENDS)]
    if not known.sessions:
        return Page(title, [*top, *_nothing("No drive of this car has been recorded yet.")])
    if found.latest is None:
        return Page(title, [*top, *_nothing("None of its drives has been analysed yet.")])
    if not found.tracks:
        one = len(shelf.garage.analysed(known)) == 1
        why = "There is one drive: what changes shows from the second on." if one else NO_COMMON_NUMBER
        return Page(title, [*top, *_nothing(why)])
    chosen = visit.chosen()
    tracks = (
        [one for one in found.tracks if one.series.key in chosen]
        if chosen
        else _worth_a_picture(found.tracks, _doubted(shelf, found))
    )
    return Page(
        title,
        [
            *top,
            html.P(_in_short(found), className="lead"),
            *_only_these(known.id, bool(chosen)),
            html.Div([_section(one, visit.screen) for one in tracks[:MOST_SHOWN]], className="side-by-side trends"),
            *_all_numbers(found, visit.screen),
        ],
    )


def _only_these(car_id: str, asked: bool) -> list[Component]:
    """The way back from a number that was asked for."""
    return [html.P(dcc.Link("Back to what moves most", href=car_address(TRENDS, car_id)))] if asked else []


def _worth_a_picture(tracks: Sequence[Followed], doubted: Sequence[str]) -> list[Followed]:
    """What moves; then what tells of the `doubted` parts; where there is nothing of both, what was followed longest."""
    moving = [one for one in tracks if one.movement is not None]
    beside = [one for one in tracks if one.movement is None and set(doubted) & set(one.series.rule.parts)]
    longest = sorted(tracks, key=lambda one: -len(one.series.values))
    return [*moving, *beside[:MOST_BESIDE]] or longest[:MOST_BESIDE]


def _doubted(shelf: SessionShelf, found: CarTrends) -> list[str]:
    """The parts that the faults of the newest drives point to first."""
    newest = shelf.garage.analysed(found.known)[:NEWEST]
    faults = [one for session in newest for one in shelf.garage.findings(session) if one.verdict is Verdict.FAULT]
    return [one.parts[0] for one in faults if one.parts]


def _in_short(found: CarTrends) -> str:
    longest = max(len(one.series.values) for one in found.tracks)
    wearing = [one for one in found.tracks if one.movement is not None and one.movement.harmful]
    seen = f"{count(len(found.tracks), 'number')} followed over up to {count(longest, 'drive')}."
    if wearing:
        return f"{seen} {count(len(wearing), 'number')} moving towards harm."
    if longest < FEWEST:
        return f"{seen} A trend shows from {FEWEST} drives on: some numbers scatter from drive to drive."
    return f"{seen} No trend towards a limit is proven."


def _section(track: Followed, screen: Screen) -> Component:
    name = label(track.series.key)
    title = name[0].upper() + name[1:]
    return html.Section(
        [
            html.H2(title),
            html.P(followed_sentence(track, screen.units)),
            html.Div(
                dcc.Graph(
                    figure=trend_figure(track, screen),
                    config=GRAPH_CONFIG,
                ),
                role="img",
                **labelled(f"Picture: {name} over the drives. The table below has the numbers."),
            ),
        ],
        className="trend",
    )


def _all_numbers(found: CarTrends, screen: Screen) -> list[Component]:
    words = "All the numbers that are followed"
    rows = [_row(one, found, screen.units) for one in found.tracks]
    return [html.H2(words), scrolling(table(COLUMNS, rows, "numbers in-line"), words)]


def _row(track: Followed, found: CarTrends, units: str) -> Component:
    name, *cells = followed_row(track, units)
    address = f"{car_address(TRENDS, found.known.id)}?show={track.series.key}"
    return row(COLUMNS, dcc.Link(name, href=address), cells)


def _nothing(why: str) -> list[Component]:
    return [
        notice(
            "Nothing to follow yet",
            [
                why,
                "Record a drive from time to time, with the car and its odometer named"
                " (obdwatch record --car ID --odometer N); what changes shows here.",
            ],
        ),
        back_to_drives(),
    ]
