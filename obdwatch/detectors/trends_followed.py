"""Every number that is followed from drive to drive, with what it did: what a picture of the trends is drawn from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.trends_judgement import Movement, movement
from obdwatch.detectors.trends_series import Axis, Series, series_of
from obdwatch.detectors.trends_table import Rule, rules
from obdwatch.records import Event, EventKind, Finding, FloatArray, History, Session

FOLLOWED_TWICE = 2  # values that make a series


@dataclass(frozen=True, slots=True)
class Followed:
    """A number over the drives of a car.

    `series` runs from the last repair that it depends on; `earlier_at` [axis] and `earlier_values` [unit] are those
    before it; `repairs` [axis] are the repairs; `movement` is None where nothing moves beyond chance.
    """

    series: Series
    movement: Movement | None
    earlier_at: FloatArray
    earlier_values: FloatArray
    repairs: tuple[float, ...]


def followed(
    session: Session, history: History, findings: Sequence[Finding], table: Sequence[Rule] | None = None
) -> tuple[Followed, ...]:
    """Return what is followed of a car up to `session`, what moves towards harm first.

    `history` is what was known before that session (of its features, those that `trends_series.is_used` names are
    enough), `findings` those of the session itself.
    """
    known = table if table is not None else rules()
    now = series_of(session, history, history.events, findings, known)
    whole = {one.key: one for one in series_of(session, history, (), findings, known)}
    counted = sum(len(one.values) >= FOLLOWED_TWICE for one in now)
    tracks = [_followed(one, whole.get(one.key), counted, history.events) for one in now]
    return tuple(sorted(tracks, key=_order))


def _followed(series: Series, whole: Series | None, counted: int, events: Sequence[Event]) -> Followed:
    before = np.array([], dtype=np.float64), np.array([], dtype=np.float64)
    if whole is not None and whole.axis is series.axis and len(series.at):
        earlier = whole.at < series.at[0]
        before = whole.at[earlier], whole.values[earlier]
    return Followed(series, movement(series, counted), *before, _repairs(series, events))


def _repairs(series: Series, events: Sequence[Event]) -> tuple[float, ...]:
    """Where on the axis a part was renewed that the series depends on."""
    places = [
        event.odometer_km if series.axis is Axis.DISTANCE else event.at.timestamp() / 86_400.0
        for event in events
        if event.kind is EventKind.REPAIR and (event.part or "").partition(":")[0] in series.rule.parts
    ]
    return tuple(place for place in places if place is not None)


def _order(one: Followed) -> tuple[int, float, str]:
    """What wears and is nearest to its limit first, then what else moves, then the rest by name."""
    moves = one.movement
    rank = 2 if moves is None else 0 if moves.harmful and not moves.season else 1
    ahead = moves.forecast.distance if moves is not None and moves.forecast is not None else np.inf
    return rank, float(ahead), one.series.key
