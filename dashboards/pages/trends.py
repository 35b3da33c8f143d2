"""What changes from drive to drive: each followed number over the odometer, what moves first."""

from __future__ import annotations

from collections.abc import Sequence

from dash import dcc, html
from dash.development.base_component import Component

from dashboards.components import GRAPH_CONFIG, back_to_drives, car_ways, labelled, notice
from dashboards.drawing import Screen
from dashboards.garage import CarTrends
from dashboards.sessions import SessionShelf
from dashboards.trend_figures import trend_figure
from dashboards.visit import TRENDS, Page, Visit, car_address, car_in
from dashboards.wording import count, quantities, quantity
from obdwatch.detectors.trends_followed import Followed
from obdwatch.detectors.trends_judgement import FEWEST
from obdwatch.detectors.trends_series import Axis
from obdwatch.explanations.trends_words import label
from obdwatch.reporting.followed_numbers import movement_sentence

MOST_SHOWN = 12  # pictures on one page; the others are a click away


def show(shelf: SessionShelf, visit: Visit) -> Page:
    """Build the page of one car. Raises LogbookError for a car that is not there."""
    known = shelf.garage.car(car_in(visit.path, TRENDS))
    if known is None:
        return Page("Trends", [html.H1("Trends"), *_nothing("No drive of this logbook belongs to a car yet.")])
    found = shelf.garage.trends(known)
    title = f"{known.name}: what changes from drive to drive"
    top = [html.H1(title), *car_ways(shelf.garage.cars(), known.id, TRENDS)]
    if found.latest is None:
        return Page(title, [*top, *_nothing("None of its drives has been analysed yet.")])
    if not found.tracks:
        return Page(title, [*top, *_nothing("Its drives have no number in common yet that could be followed.")])
    chosen = visit.chosen()
    tracks = [one for one in found.tracks if one.series.key in chosen] if chosen else _worth_a_picture(found.tracks)
    return Page(
        title,
        [
            *top,
            html.P(_in_short(found), className="lead"),
            *[_section(one, visit.screen) for one in tracks[:MOST_SHOWN]],
            *_all_numbers(found, visit.screen),
        ],
    )


def _worth_a_picture(tracks: Sequence[Followed]) -> list[Followed]:
    """What moves; where nothing does, what has been followed longest."""
    moving = [one for one in tracks if one.movement is not None]
    return moving or sorted(tracks, key=lambda one: -len(one.series.values))[:4]


def _in_short(found: CarTrends) -> str:
    longest = max(len(one.series.values) for one in found.tracks)
    wearing = [one for one in found.tracks if one.movement is not None and one.movement.harmful]
    seen = f"{count(len(found.tracks), 'number')} followed over up to {count(longest, 'drive')}."
    if wearing:
        return f"{seen} {count(len(wearing), 'number')} moving towards harm."
    if longest < FEWEST:
        return f"{seen} A trend shows from {FEWEST} drives on: some numbers scatter from drive to drive."
    return f"{seen} None is on its way to a limit."


def _section(track: Followed, screen: Screen) -> Component:
    name = label(track.series.key)
    title = name[0].upper() + name[1:]
    return html.Section(
        [
            html.H2(title),
            html.P(_sentence(track, screen.units)),
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


def _sentence(track: Followed, units: str) -> str:
    moves = track.movement
    if moves is None:
        values, unit = track.series.values, track.series.unit
        low, high = float(values.min()), float(values.max())
        ends = quantities((low, high), unit, units)
        if quantity(low, unit, units) == quantity(high, unit, units):
            ends = quantity(low, unit, units)
        repaired = " since the last repair" if track.repairs else ""
        return f"{ends} in {count(len(values), 'drive')}{repaired}; nothing moves beyond chance."
    return movement_sentence(track, moves, units)


def _all_numbers(found: CarTrends, screen: Screen) -> list[Component]:
    head = html.Thead(
        html.Tr([html.Th(text, scope="col") for text in ("Number", "Drives", "First", "Now", "Does it move?")])
    )
    rows = [_row(one, found, screen.units) for one in found.tracks]
    return [
        html.H2("All the numbers that are followed"),
        html.Div(
            html.Table([head, html.Tbody(rows)], className="numbers"),
            className="scrolls",
            role="region",
            tabIndex=0,
            **labelled("All the numbers that are followed"),
        ),
    ]


def _row(track: Followed, found: CarTrends, units: str) -> Component:
    series = track.series
    address = f"{car_address(TRENDS, found.known.id)}?show={series.key}"
    name = label(series.key)
    first, now = (quantity(float(series.values[n]), series.unit, units) for n in (0, -1))
    cells = [str(len(series.values)), first, now, _in_a_word(track)]
    link = dcc.Link(name[0].upper() + name[1:], href=address)
    return html.Tr([html.Th(link, scope="row"), *(html.Td(text) for text in cells)])


def _in_a_word(track: Followed) -> str:
    moves = track.movement
    if moves is None:
        return "no" if len(track.series.values) >= FEWEST else "too few drives to tell"
    if moves.season:
        return "yes, perhaps with the season"
    way = "up" if moves.now > moves.first else "down"
    along = "" if track.series.axis is Axis.DISTANCE else " (by date)"
    return f"yes, {way}{along}, towards harm" if moves.harmful else f"yes, {way}{along}"


def _nothing(why: str) -> list[Component]:
    return [
        notice(
            "Nothing to compare yet",
            [
                why,
                "Record a drive from time to time, with the car and its odometer named"
                " (obdwatch record --car ID --odometer N); what changes shows here.",
            ],
        ),
        back_to_drives(),
    ]
