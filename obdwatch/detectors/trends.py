"""Does a number of this car creep towards its limit? The detector that reads the drives one after the other.

It asks the other detectors' measures, so it runs after them: `detect_with` takes their findings on the drive itself.
`detect` alone reads earlier drives only; a drive then joins at the next one. Which numbers are followed, which way
they wear and where their limits are stands in `trend_features.csv`; how chance is kept at bay in `trends_judgement`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from obdwatch.detectors.trends_confirmed import confirmed
from obdwatch.detectors.trends_judgement import FEWEST, HORIZON, Movement, movement
from obdwatch.detectors.trends_series import Axis, Series, series_of
from obdwatch.detectors.trends_table import Rule, rules
from obdwatch.records import Car, Drive, Feature, Finding, History, Measure, Urgency, Verdict

NAME = "trends"

USES: frozenset[str] = frozenset()
"""No signal of the drive itself: a doubt about one is the other detectors' to raise."""

NEXT_SERVICE_SHARE = 0.5
"""Share of the horizon within which a limit is met before the next service but one: 5,000 miles of 10,000 (a nearer
forecast of part risks). A limit here is the end of what is healthy, so nothing is more urgent than a service: what is,
its own detector says from the drive itself."""

FOLLOWED_TWICE = 2
"""A feature counts as followed, and takes its share of the budget, from its second value on."""

SHOWN = 3
"""Movements that are shown besides the one a finding is about."""

CONFIDENCE, CONFIDENCE_OPEN = 0.9, 0.7
"""How sure a drift is the part's, with a forecast that has an end and without: the order of drives is beyond chance in
both, what else changed with them is not known (common practice)."""

PLACE = re.compile(r"(bank|cylinder)_(\d+)$")

DRIVE_TO_GET = {
    "too_few_drives": f"Record such a drive from time to time: {FEWEST} drives of one car with their odometer readings"
    " are the fewest that show a trend.",
    "not_measured": "Record a drive like the one on which that value was last measured.",
    "season_possible": "Record a drive in weather like that of the first drives, or record outside or intake air"
    " temperature too.",
}
"""What to drive or do, by what was missing."""


def detect(drive: Drive, car: Car | None, history: History) -> Finding:
    """Judge the earlier drives of a car alone; see `detect_with`."""
    return detect_with(drive, car, history, ())


def detect_with(
    drive: Drive,
    car: Car | None,
    history: History,
    findings: Sequence[Finding],
    table: Sequence[Rule] | None = None,
) -> Finding:
    """Judge how the numbers of a car move from drive to drive, the findings of other detectors on this one included.

    The finding's `signature` is `drifts_to_limit`, `past_limit`, `drifts` or `jumped` for a fault; with
    not_enough_data one of `DRIVE_TO_GET`.
    """
    known = table if table is not None else rules()
    followed = series_of(drive.session, history, history.events, findings, known)
    features = sum(len(one.values) >= FOLLOWED_TWICE for one in followed)
    long_enough = [one for one in followed if len(one.values) >= FEWEST or confirmed(one)]
    open_claim = _unanswered(history.by_detector.get(NAME, ()), drive.session.id, followed)
    if not long_enough and open_claim is None:
        measures = _counts(followed, features)
        text = DRIVE_TO_GET["too_few_drives"]
        return Finding(NAME, Verdict.NOT_ENOUGH_DATA, "too_few_drives", measures=measures, drive_to_get=text)
    moving = [found for one in long_enough if (found := movement(one, features)) is not None]
    return _finding(followed, features, moving, findings, open_claim)


def _unanswered(told: Sequence[Feature], session_id: str, followed: list[Series]) -> Measure | None:
    """Return the number that was last said to move, as last measured, where no drive since then has measured it.

    `told` are the features of this detector. The limit of a number is known only on a drive that measures it, so that
    such a drive can neither repeat the claim nor drop it.
    """
    claimed = next((f.session_id for f in reversed(told) if f.name == "first_level"), None)
    if claimed is None or claimed == session_id:
        return None
    about = next((f.name for f in told if f.session_id == claimed and "/" in f.name), None)  # the first is the claim's
    one = next((one for one in followed if one.key == about and one.newest_in == claimed), None)
    return Measure(one.key, float(one.values[-1]), one.unit) if one is not None else None


def _finding(
    followed: list[Series],
    features: int,
    moving: list[Movement],
    findings: Sequence[Finding],
    open_claim: Measure | None,
) -> Finding:
    harmful = sorted((one for one in moving if one.harmful and not one.season), key=_nearness)
    doubtful = sorted((one for one in moving if one.harmful and one.season), key=_nearness)
    others = [one for one in moving if one not in harmful[:1]]
    measures = (*_counts(followed, features), *(_level(one) for one in _shown(others)))
    if harmful:
        worst = harmful[0]
        signature, urgency = _weight(worst)
        return Finding(
            NAME,
            Verdict.FAULT,
            signature,
            urgency,
            confidence=CONFIDENCE if _has_end(worst) else CONFIDENCE_OPEN,
            parts=_parts(worst, findings),
            measures=(*_about(worst), *measures),
        )
    if doubtful:
        text = DRIVE_TO_GET["season_possible"]
        measures = (*_about(doubtful[0]), *measures)
        return Finding(NAME, Verdict.NOT_ENOUGH_DATA, "season_possible", measures=measures, drive_to_get=text)
    if open_claim is not None:
        text = DRIVE_TO_GET["not_measured"]
        return Finding(
            NAME, Verdict.NOT_ENOUGH_DATA, "not_measured", measures=(open_claim, *measures), drive_to_get=text
        )
    return Finding(NAME, Verdict.HEALTHY, confidence=CONFIDENCE_OPEN, measures=measures)


def _parts(worst: Movement, findings: Sequence[Finding]) -> tuple[str, ...]:
    """What the detector of the number blames, where it confirms the movement: it knows more than the number alone."""
    if confirmed(worst.series):
        blamed = (f.parts for f in findings if f.detector == worst.series.detector and f.verdict is Verdict.FAULT)
        return next(blamed, ()) or worst.series.rule.parts
    return worst.series.rule.parts


def _shown(others: list[Movement]) -> list[Movement]:
    return sorted(others, key=_nearness)[:SHOWN]


def _nearness(one: Movement) -> tuple[float, str]:
    """Sort what meets its limit first before all others; the rest by name, so that the order is the same each time."""
    if one.forecast is None:
        return 2.0, one.series.key
    return one.forecast.distance / HORIZON[one.series.axis], one.series.key


def _weight(worst: Movement) -> tuple[str, Urgency]:
    """Return signature and urgency; a limit that is met already is the business of its own detector."""
    if worst.forecast is not None and worst.forecast.distance <= 0.0:
        return "past_limit", Urgency.NEXT_SERVICE
    if worst.shift_at is not None:
        return "jumped", Urgency.WATCH
    if worst.forecast is None:
        return "drifts", Urgency.WATCH
    share = worst.forecast.distance / HORIZON[worst.series.axis]
    return "drifts_to_limit", Urgency.NEXT_SERVICE if share <= NEXT_SERVICE_SHARE else Urgency.WATCH


def _has_end(one: Movement) -> bool:
    return one.forecast is not None and one.forecast.interval[1] <= 2.0 * HORIZON[one.series.axis]


def _counts(followed: list[Series], features: int) -> tuple[Measure, ...]:
    longest = max((len(one.values) for one in followed), default=0)
    return Measure("numbers_followed", float(features), ""), Measure("drives_followed", float(longest), "")


def _level(one: Movement) -> Measure:
    low, high = one.series.limits
    expected = (low, high) if low is not None and high is not None else None
    return Measure(one.series.key, one.now, one.series.unit, one.interval, expected)


def _about(one: Movement) -> tuple[Measure, ...]:
    """The movement a finding is about: its name, from where to where, over how far, and how far to the limit."""
    series, axis = one.series, one.series.axis
    span = "distance" if axis is Axis.DISTANCE else "time"
    found = [_level(one), Measure("first_level", one.first, series.unit)]
    found += [Measure("values", float(len(series.values)), "")]
    found += [Measure(f"{span}_followed", float(series.at[-1] - series.at[0]), axis.value)]
    if one.shift_at is not None:
        found.append(Measure(f"{span}_since_jump", float(series.at[-1]) - one.shift_at, axis.value))
    if confirmed(series):
        found.append(Measure("confirmed", 1.0, ""))
    if one.forecast is not None:
        found.append(Measure("limit", one.forecast.limit, series.unit))
        if one.shift_at is None:
            found.append(Measure(f"{span}_to_limit", one.forecast.distance, axis.value, one.forecast.interval))
    place = PLACE.search(series.name)
    return (*found, Measure(place[1], float(place[2]), "")) if place else tuple(found)
