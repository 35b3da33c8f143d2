"""The numbers that are followed from drive to drive: pictures of those that move, and a table of all."""

from __future__ import annotations

import numpy as np

from obdwatch.detectors.trends_followed import Followed
from obdwatch.detectors.trends_judgement import FEWEST, Movement
from obdwatch.detectors.trends_series import Axis as Along
from obdwatch.explanations.trends_words import forecast_words, label, moved_words
from obdwatch.records import FloatArray, Measure
from obdwatch.reporting.document import Block, Paragraph, Subheading, Table
from obdwatch.reporting.facts import CarFacts
from obdwatch.reporting.plots import ROOM, Area, Axis, Curve, Mark, Plot, Stroke, date_axis, number_axis, reach
from obdwatch.reporting.words import capital, counted
from obdwatch.units import quantity, screen_unit, to_screen

COLUMNS = ("Number", "Drives", "First", "Now", "Trend")
MOST_DRAWN = 4
FURTHEST_SHOWN = 0.5  # of the distance followed; a forecast further out would flatten the drives
NEAR_LIMIT = 3.0  # times the spread of the values; limits further away would do the same


def followed_blocks(facts: CarFacts) -> list[Block]:
    """Return the pictures and the table; nothing where no number is followed."""
    tracks = [one for one in facts.followed if len(one.series.values) > 1]
    if not tracks:
        return []
    moving = [one for one in tracks if one.movement is not None]
    suspected = {risk.part for risk in facts.suspected}
    beside = [one for one in tracks if one.movement is None and suspected & set(one.series.rule.parts)]
    blocks: list[Block] = [Subheading("Numbers followed from drive to drive")]
    if not moving:
        blocks.append(Paragraph("None of them shows a proven trend."))
    for one in (*moving, *sorted(beside, key=lambda one: -len(one.series.values)))[:MOST_DRAWN]:
        blocks += [Paragraph(f"{capital(label(one.series.key))}: {followed_sentence(one, facts.units)}")]
        blocks += [followed_plot(one, facts.units)]
    rows = tuple(followed_row(one, facts.units) for one in tracks)
    blocks.append(Table(COLUMNS, rows, (3.4, 0.8, 1.2, 1.2, 1.8), "Every followed number", frozenset({1, 2, 3})))
    return blocks


def followed_sentence(track: Followed, units: str) -> str:
    """Say from where to where a number went, and whether that is more than chance; for report and page."""
    moves = track.movement
    if moves is None:
        drives = counted(len(track.series.values), "drive") + (" since the last repair" if track.repairs else "")
        return f"{_said(track, 0, units)} at first, {_said(track, -1, units)} now, in {drives}; {in_a_word(track)}."
    return _movement(track, moves, units)


def _movement(track: Followed, moves: Movement, units: str) -> str:
    span = float(track.series.at[-1] - track.series.at[0])
    said = moved_words(moves.first, moves.now, track.series.unit, span, track.series.axis.value, units)
    if moves.season:
        return f"{said} The turn of the seasons may be the reason: the drives span less than a year."
    if moves.shift_at is not None:
        return f"{said} It changed at one place, not bit by bit."
    if moves.forecast is None:
        return f"{said} No limit is published for it; the change itself is the sign."
    limit = Measure("limit", moves.forecast.limit, track.series.unit)
    ahead = Measure("ahead", moves.forecast.distance, track.series.axis.value, moves.forecast.interval)
    return f"{said} {forecast_words(limit, ahead, moves.now - moves.first, units)}"


def followed_row(track: Followed, units: str) -> tuple[str, ...]:
    """Return a followed number under `COLUMNS`; for report and page."""
    series = track.series
    first, now = (_said(track, n, units) for n in (0, -1))
    return capital(label(series.key)), str(len(series.values)), first, now, in_a_word(track)


def _said(track: Followed, place: int, units: str) -> str:
    """A value of a series in the reader's unit; a share without a unit ("-") has none to be said."""
    return _value(track, float(track.series.values[place]), units)


def _value(track: Followed, value: float, units: str) -> str:
    series = track.series
    shown = quantity(value, series.unit, units, _digits(series.values)).removesuffix(" -")
    return shown.replace("-", "−").replace(" ", "\N{NO-BREAK SPACE}")


def _digits(values: FloatArray) -> int:
    size = float(np.abs(values).max())
    return 0 if size >= 100.0 else 1 if size >= 10.0 else 2


def in_a_word(track: Followed) -> str:
    """Say whether a number moves, and whether it matters; for report and page."""
    moves = track.movement
    if moves is None:
        enough = len(track.series.values) >= FEWEST
        if _beyond(track):
            return "outside its limits now" if enough else "outside its limits now; too few drives for a trend"
        return "no trend proven" if enough else "too few drives to tell"
    if moves.season:
        return "perhaps with the season"
    way = "up" if moves.now > moves.first else "down"
    return f"{way}, towards harm" if moves.harmful else way


def _beyond(track: Followed) -> bool:
    """Whether the newest value lies outside of what is healthy."""
    lower, upper = track.series.limits
    now = float(track.series.values[-1])
    return (lower is not None and now < lower) or (upper is not None and now > upper)


def followed_plot(track: Followed, units: str) -> Plot:
    """Draw a number over distance or date: drives, repairs, its line, its limits and the forecast."""
    series, moves = track.series, track.movement
    by_distance = series.axis is Along.DISTANCE

    def across(at: FloatArray) -> FloatArray:
        return np.array([to_screen(float(one), "km", units) for one in at]) if by_distance else at

    def up(values: FloatArray) -> FloatArray:
        return np.array([to_screen(float(one), series.unit, units) for one in values])

    every = np.concatenate([track.earlier_at, series.at])
    first, last = float(every.min()), float(every.max())
    ahead = _ahead(moves, FURTHEST_SHOWN * (last - first))
    ends = across(np.array([first, last + (float(ahead[0][-1]) - last if ahead else 0.0)]))
    curves = _curves(track)
    near = _near(track)
    area = (Area(across(ahead[0]), up(ahead[1]), up(ahead[2])),) if ahead else ()
    heights = [up(one.ys) for one in curves] + [a.lows for a in area] + [a.highs for a in area] + [up(np.array(near))]
    unit = screen_unit(series.unit, units).name.strip("-")
    name = capital(label(series.key))
    x: Axis = (
        number_axis(f"odometer, {screen_unit('km', units).name}", ends[0], ends[1], 0.02)
        if by_distance
        else date_axis(ends[0], ends[1], 0.02)
    )
    return Plot(
        title=name,
        words=f"{name} over the drives: {in_a_word(track)}.",
        x=x,
        y=_height_axis(unit or "value", heights),
        curves=tuple(Curve(across(one.xs), up(one.ys), one.stroke) for one in curves),
        areas=area,
        levels=tuple(Mark(float(up(np.array([limit]))[0]), f"limit {_value(track, limit, units)}") for limit in near),
        places=tuple(Mark(float(at), "repair") for at in across(np.array(track.repairs)) if x.low <= at <= x.high),
    )


def _height_axis(label_: str, heights: list[FloatArray]) -> Axis:
    low, high = reach(*heights)
    return number_axis(label_, low, high, ROOM)


def _curves(track: Followed) -> list[Curve]:
    series, moves = track.series, track.movement
    curves = [Curve(series.at, series.values, Stroke.POINTS)]
    if len(track.earlier_at):
        curves.append(Curve(track.earlier_at, track.earlier_values, Stroke.HOLLOW))
    if moves is not None and moves.shift_at is not None:
        at = np.array([series.at[0], moves.shift_at, moves.shift_at, series.at[-1]])
        curves.append(Curve(at, np.array([moves.first, moves.first, moves.now, moves.now])))
    elif moves is not None:
        curves.append(Curve(series.at[[0, -1]], np.array([moves.first, moves.now])))
    return curves


def _ahead(moves: Movement | None, room: float) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Where the number may be on the way to its limit, at most `room` [axis] ahead: places, lowest and highest."""
    if moves is None or moves.shift_at is not None or moves.forecast is None or moves.forecast.distance <= 0.0:
        return None
    end, limit = float(moves.series.at[-1]), moves.forecast.limit
    near, far = moves.forecast.interval
    steps = np.linspace(0.0, min(room, max(far, 1e-9)), 12)
    begin = np.array(sorted(moves.interval, key=lambda value: abs(limit - value)))  # the end nearer to the limit first
    early = begin[0] + (limit - begin[0]) * np.clip(steps / max(near, 1e-9), 0.0, 1.0)
    late = begin[1] + (limit - begin[1]) * np.clip(steps / max(far, 1e-9), 0.0, 1.0)
    return end + steps, np.minimum(early, late), np.maximum(early, late)


def _near(track: Followed) -> list[float]:
    """The ends of what is healthy that fit on the picture; the one that is forecast always does."""
    values = np.concatenate([track.earlier_values, track.series.values])
    room = NEAR_LIMIT * max(float(np.ptp(values)), 0.02 * float(np.abs(values).max()), 1e-9)
    moves = track.movement
    met = moves.forecast.limit if moves is not None and moves.forecast is not None else None
    low, high = float(values.min()) - room, float(values.max()) + room
    return [limit for limit in track.series.limits if limit is not None and (limit == met or low <= limit <= high)]
