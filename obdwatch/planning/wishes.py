"""What the keeper wants of a plan: when visits can be, what each may cost, who does the work, what is settled."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from datetime import date

from obdwatch.errors import InputError

HORIZON_MILES = 10_000.0  # as far as the risk of failure is known
KEPT_MILES = 30_000.0  # how far the car is meant to be kept: about three years (assumption; can be set)
MOST_VISITS = 6
USUAL_VISITS = 3
DAYS_PER_YEAR = 365.25
# Assumptions, in the user's own currency; each can be set.
OWN_HOUR = 20.0  # what an hour of one's own is worth where nobody is paid for it
VISIT_COST = 20.0  # the way there, the tools out and away, the day without the car
MOST_TRIP_RISK = 0.05  # how likely a part may fail on a long trip that the car must be ready for


@dataclass(frozen=True, slots=True)
class Trip:
    """A long trip: begins `at_miles` from now, is `length_miles` long; no part may fail on it likelier than this."""

    at_miles: float
    length_miles: float
    most_risk: float = MOST_TRIP_RISK


def spaced_visits(count: int) -> tuple[float, ...]:
    """Return the distances from now [mile] of evenly spaced visits, the first one now. Raises InputError.

    >>> spaced_visits(4)
    (0.0, 2500.0, 5000.0, 7500.0)
    """
    if not 1 <= count <= MOST_VISITS:
        raise InputError(f"{count} visits cannot be planned; choose 1 to {MOST_VISITS}")
    return tuple(HORIZON_MILES * number / count for number in range(count))


@dataclass(frozen=True, slots=True)
class Wishes:
    """The limits and prices of a plan.

    `visits_at` [mile from now], increasing. `budget` and `hours` are the most that one visit may cost and take, None
    for no limit. `rate` is the price of a workshop's hour; None means work at home, where hours cost no money (and do
    not count against the budget) but are weighed as `own_hour` each. `visit_cost` is what a visit costs beyond parts
    and work. `decided` part ids are done at the first visit, `refused` ones not at all. `yearly_miles` turns distances
    into dates. `kept_miles` is how far the car is meant to be kept [mile from now]: what fails after that is not paid
    for by its keeper. `units` (metric, us) are those of the sentences.
    """

    visits_at: tuple[float, ...] = spaced_visits(USUAL_VISITS)
    budget: float | None = None
    hours: float | None = None
    rate: float | None = None
    own_hour: float = OWN_HOUR
    visit_cost: float = VISIT_COST
    trips: tuple[Trip, ...] = ()
    decided: frozenset[str] = frozenset()
    refused: frozenset[str] = frozenset()
    yearly_miles: float | None = None
    kept_miles: float = KEPT_MILES
    units: str = "metric"


def hour_price(wishes: Wishes) -> float:
    """Return what an hour of work is weighed with, in the user's currency."""
    return wishes.own_hour if wishes.rate is None else wishes.rate


def check_wishes(wishes: Wishes) -> None:
    """Raise InputError for wishes that no plan could follow, naming the one that has to change."""
    _check_visits(wishes.visits_at)
    for name in ("budget", "hours", "rate", "own_hour", "visit_cost"):
        value = getattr(wishes, name)
        if value is not None and not (math.isfinite(value) and value >= 0):
            raise InputError(f"{name.replace('_', ' ')} is {value}; it cannot be below zero or endless")
    if wishes.yearly_miles is not None and not (math.isfinite(wishes.yearly_miles) and wishes.yearly_miles > 0):
        raise InputError(f"the distance per year is {wishes.yearly_miles}; it must be above zero")
    if not HORIZON_MILES <= wishes.kept_miles < math.inf:
        raise InputError(
            f"a car that is kept for {wishes.kept_miles:,.0f} miles cannot be planned for; "
            f"it must be kept for {HORIZON_MILES:,.0f} miles (16,093 km) or more"
        )
    for trip in wishes.trips:
        _check_trip(trip)
    both = sorted(wishes.decided & wishes.refused)
    if both:
        raise InputError(f"'{both[0]}' is both decided and refused; take it out of one of the two")


def _check_visits(visits_at: tuple[float, ...]) -> None:
    if not 1 <= len(visits_at) <= MOST_VISITS:
        raise InputError(f"{len(visits_at)} visits cannot be planned; choose 1 to {MOST_VISITS}")
    if any(not 0.0 <= at < HORIZON_MILES for at in visits_at):
        raise InputError(
            f"visits must lie between now and {HORIZON_MILES:,.0f} miles (16,093 km) from now; "
            "the risk is known no further"
        )
    if any(later <= earlier for earlier, later in itertools.pairwise(visits_at)):
        raise InputError("visits must lie one after the other; give each distance once, the nearest first")


def _check_trip(trip: Trip) -> None:
    if not (0.0 <= trip.at_miles <= HORIZON_MILES and 0.0 < trip.length_miles < math.inf):
        raise InputError(
            f"a trip of {trip.length_miles:,.0f} miles in {trip.at_miles:,.0f} miles cannot be planned for; "
            f"it must have a length and begin within {HORIZON_MILES:,.0f} miles (16,093 km) from now"
        )
    if not 0.0 < trip.most_risk <= 1.0:
        raise InputError(f"the risk allowed on a trip is {trip.most_risk}; it lies between 0 and 1")


def miles_until(day: date, today: date, yearly_miles: float | None) -> float:
    """Return how far the car will have been driven by a day [mile from now]. Raises InputError.

    >>> round(miles_until(date(2027, 7, 2), date(2027, 1, 1), 10_000.0))
    4983
    """
    if yearly_miles is None:
        raise InputError(f"how far the car is driven until {day} is not known; say the distance per year")
    if day < today:
        raise InputError(f"{day} is in the past; give a day from {today} on, or a distance from now")
    return (day - today).days / DAYS_PER_YEAR * yearly_miles
