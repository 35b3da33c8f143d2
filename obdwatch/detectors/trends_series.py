"""The numbers of a car's drives as series: by odometer or else by date, from the last repair on, with the weather."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import chain
from statistics import median

import numpy as np

from obdwatch.detectors.oxygen_sensors_baseline import features_of
from obdwatch.detectors.trends_table import Harm, Rule, rule_for, rules
from obdwatch.records import Event, EventKind, Feature, Finding, FloatArray, History, Session, Verdict

SECONDS_PER_DAY = 86400.0
OUTSIDE = "outside_air"  # the feature of any detector that holds the outside temperature of a drive [degC]
MOSTLY = 0.8
"""An axis, or the weather, serves where at least so many of the values have it; the others are then left out."""


class Axis(StrEnum):
    """Along what a series is followed; its unit."""

    DISTANCE = "km"
    TIME = "d"


@dataclass(frozen=True, slots=True)
class Place:
    """Where a drive stands: odometer [km], date [d], outside temperature [degC]; None where unknown."""

    odometer_km: float | None
    day: float | None
    outside: float | None


@dataclass(frozen=True, slots=True)
class Series:
    """One feature over the drives of a car: `at` [axis, increasing], `values` [unit], `outside` [degC] or None.

    `days` is how long it was followed, None where the dates are not known; `limits` are lower and upper; `judged`
    whether its own detector finds a fault on the newest drive; `newest_in` the session that measured it last.
    """

    detector: str
    name: str
    unit: str
    rule: Rule
    axis: Axis
    at: FloatArray
    values: FloatArray
    outside: FloatArray | None
    days: float | None
    limits: tuple[float | None, float | None]
    judged: bool = False
    newest_in: str = ""

    @property
    def key(self) -> str:
        """What the series is called in measures."""
        return f"{self.detector}/{self.name}"


def series_of(
    session: Session,
    history: History,
    events: Sequence[Event],
    findings: Sequence[Finding],
    table: Sequence[Rule],
) -> list[Series]:
    """Return every followed series of a car; `findings` are those of `session` itself, the features of `history` those
    before; `events` the repairs that begin a series anew.
    """
    now = History(tuple(_current(session, findings)))
    followed = _followed(history, now, table)
    places = _places((values for _, values in followed.values()), _outside(history, now))
    faults = {finding.detector for finding in findings if finding.verdict is Verdict.FAULT}
    expected = _expected(findings)
    found = []
    for (detector, name), (rule, values) in sorted(followed.items(), key=lambda item: item[0]):
        kept = _since_repair(values, events, rule)
        one = _series(kept, places, rule, rule.limits(expected.get((detector, name))))
        if one is not None:
            told_now = detector in faults and kept[-1].session_id == session.id
            found.append(replace(one, judged=told_now, newest_in=kept[-1].session_id))
    return found


def is_used(detector: str, name: str) -> bool:
    """Return whether a series is made from a feature by the shipped table; what it leaves out need not be read."""
    return name == OUTSIDE or _rule_of(detector, name, rules()) is not None


def _rule_of(detector: str, name: str, table: Sequence[Rule]) -> Rule | None:
    """The row by which a feature is followed, None where it is not."""
    rule = rule_for(detector, name, table)
    return rule if rule is not None and rule.harm is not Harm.NONE else None


def _current(session: Session, findings: Sequence[Finding]) -> list[Feature]:
    return [
        Feature(session.id, f.detector, m.name, m.value, m.unit, m.interval, session.started_at, session.odometer_km)
        for f in findings
        for m in (*f.measures, *f.learnt)
    ]


def _followed(
    history: History, now: History, table: Sequence[Rule]
) -> dict[tuple[str, str], tuple[Rule, list[Feature]]]:
    """Followed features by detector and name, those of today last, one a drive."""
    names = {(detector, name) for one in (history, now) for detector, own in one.by_name.items() for name in own}
    ruled = ((key, rule) for key in names if (rule := _rule_of(*key, table)) is not None)
    return {key: (rule, _one_a_drive([*features_of(history, *key), *features_of(now, *key)])) for key, rule in ruled}


def _one_a_drive(features: list[Feature]) -> list[Feature]:
    """The same features, the middle one where a drive has several."""
    if len({feature.session_id for feature in features}) == len(features):
        return features
    by_session: dict[str, list[Feature]] = {}
    for feature in features:
        by_session.setdefault(feature.session_id, []).append(feature)
    return [_middle(several) for several in by_session.values()]


def _middle(several: list[Feature]) -> Feature:
    return replace(several[0], value=median(f.value for f in several)) if len(several) > 1 else several[0]


def _places(series: Iterable[list[Feature]], outside: Mapping[str, float]) -> dict[str, Place]:
    places: dict[str, Place] = {}
    for feature in chain.from_iterable(series):
        if feature.session_id not in places:
            odometer, at = feature.odometer_km, feature.at
            known = odometer is not None and math.isfinite(odometer)
            day = at.timestamp() / SECONDS_PER_DAY if at is not None else None
            places[feature.session_id] = Place(odometer if known else None, day, outside.get(feature.session_id))
    return places


def _outside(*histories: History) -> dict[str, float]:
    """The outside temperature [degC] of each drive, by the middle of all detectors that tell it."""
    told: dict[str, list[float]] = defaultdict(list)
    for history in histories:
        for detector in history.by_name:
            for feature in features_of(history, detector, OUTSIDE):
                told[feature.session_id].append(feature.value)
    return {session: median(values) for session, values in told.items()}


def _since_repair(values: list[Feature], events: Sequence[Event], rule: Rule) -> list[Feature]:
    """Leave out what was measured before a part that the feature depends on was renewed."""
    repairs = [event for event in events if event.kind is EventKind.REPAIR and event.part in rule.parts]
    return [one for one in values if not any(_is_before(one, repair) for repair in repairs)] if repairs else values


def _is_before(feature: Feature, event: Event) -> bool:
    """Whether a drive was before an entry of the log; where nothing tells, it is taken to be."""
    if feature.at is not None:
        return feature.at < event.at
    if feature.odometer_km is not None and event.odometer_km is not None:
        return feature.odometer_km < event.odometer_km
    return True


def _expected(findings: Sequence[Finding]) -> dict[tuple[str, str], tuple[float, float]]:
    """The first range that a detector expects of a measure, by detector and name."""
    found: dict[tuple[str, str], tuple[float, float]] = {}
    for finding in findings:
        for measure in (*finding.measures, *finding.learnt):
            if measure.expected is not None:
                found.setdefault((finding.detector, measure.name), measure.expected)
    return found


def _series(
    values: list[Feature], places: dict[str, Place], rule: Rule, limits: tuple[float | None, float | None]
) -> Series | None:
    """Put values in order along the axis that most of them have; None where neither serves."""
    where = [places[one.session_id] for one in values]
    unit = values[-1].unit if values else ""
    distances = [place.odometer_km for place in where]
    dates = [place.day for place in where]
    for axis, marks in ((Axis.DISTANCE, distances), (Axis.TIME, dates)):
        usable = [n for n, mark in enumerate(marks) if mark is not None and values[n].unit == unit]
        if len(usable) < max(2, MOSTLY * len(values)):
            continue
        at = np.array([marks[n] for n in usable], dtype=np.float64)
        order = np.argsort(at, kind="stable")
        usable = [usable[n] for n in order]
        known_days = [day for n in usable if (day := dates[n]) is not None]
        days = max(known_days) - min(known_days) if len(known_days) >= MOSTLY * len(usable) else None
        outside = np.array([where[n].outside for n in usable], dtype=np.float64)  # None becomes NaN
        seen = np.isfinite(outside)
        if 0 < np.count_nonzero(seen) >= MOSTLY * len(usable):
            usable, outside, at = [n for n, ok in zip(usable, seen, strict=True) if ok], outside[seen], at[order][seen]
        else:
            outside, at = None, at[order]  # type: ignore[assignment]
        numbers = np.array([values[n].value for n in usable])
        first = values[usable[0]]
        return Series(first.detector, first.name, unit, rule, axis, at, numbers, outside, days, limits)
    return None
