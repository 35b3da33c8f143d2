"""The possible visits of a plan and how the page speaks of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from obdwatch.planning.plan_records import NOT_AT_ALL, ByHand
from obdwatch.planning.wishes import Wishes
from obdwatch.planning.words import distance
from obdwatch.planning.yearly import day_of
from obdwatch.records import Visit as PlannedVisit

ADVICE = (
    "This is advice from probabilities: check a part before you buy it. Local rules and a licensed technician decide."
)
NOT_AT_ALL_WORDS = "not at all"


@dataclass(frozen=True, slots=True)
class Lane:
    """A place for jobs: a possible visit, counted from 1, or none at all (`NOT_AT_ALL`).

    `when` says when it is, `visit` what is planned there (None: nothing), `count` which of the planned visits that is.
    """

    number: int
    when: str
    visit: PlannedVisit | None = None
    count: int | None = None

    @property
    def short(self) -> str:
        """When, without the month."""
        return self.when.partition(" (")[0]


def lanes(by_hand: ByHand, wishes: Wishes, today: date) -> tuple[Lane, ...]:
    """Return every place that a job may be moved to, the visits in order and "not at all" at the end."""
    planned = {visit.miles_from_now: (count, visit) for count, visit in enumerate(by_hand.plan.visits, 1)}
    found = []
    for number, at in enumerate(wishes.visits_at, 1):
        count, visit = planned.get(at, (None, None))
        found.append(Lane(number, when_words(at, wishes, today), visit, count))
    return (*found, Lane(NOT_AT_ALL, NOT_AT_ALL_WORDS))


def when_words(miles: float, wishes: Wishes, today: date) -> str:
    """Say when a visit is: now, or the distance and, where it is known, the month.

    >>> when_words(5_000.0, Wishes(units="us", yearly_miles=10_000.0), date(2026, 1, 1))
    'in 5,000 miles (about July 2026)'
    """
    if miles == 0.0:
        return "now"
    day = day_of(miles, today, wishes.yearly_miles)
    return f"in {distance(miles, wishes.units)}" + (f" (about {day:%B %Y})" if day is not None else "")


def named(lanes: Sequence[Lane], number: int) -> Lane:
    """The place with a number."""
    return next(lane for lane in lanes if lane.number == number)
