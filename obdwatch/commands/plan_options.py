"""What a user types for a plan, as wishes: distances in their own units, days, parts."""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

from obdwatch.errors import InputError
from obdwatch.units import KM_PER_MILE

if TYPE_CHECKING:
    from obdwatch.parts.part import Catalogue
    from obdwatch.planning.wishes import Wishes

PERCENT = 100.0


@dataclass(frozen=True, slots=True)
class Typed:
    """The options of `obdwatch plan` that say what is wanted; distances as typed, in the units of the screen."""

    budget: float | None
    hours: float | None
    rate: float | None
    own_hour: float | None
    visit_cost: float | None
    visits: int | None
    visit_at: tuple[str, ...]
    per_year: float | None
    trips: tuple[str, ...]
    trip_risk: float | None
    decided: tuple[str, ...]
    refused: tuple[str, ...]
    keep: float | None = None


@dataclass(frozen=True, slots=True)
class Calendar:
    """What turns a day or a distance as typed into miles from now: today, miles per year (None: unknown), units."""

    today: date
    yearly_miles: float | None
    units: str

    def miles(self, typed: float) -> float:
        """Return a distance in the user's units as miles."""
        return typed if self.units == "us" else typed / KM_PER_MILE

    def miles_from_now(self, option: str, text: str) -> float:
        """Return what `now`, a day or a distance is in miles from now. Raises InputError."""
        from obdwatch.planning.wishes import miles_until

        if text.strip().lower() == "now":
            return 0.0
        try:
            day = date.fromisoformat(text.strip())
        except ValueError:
            return self.miles(number(option, text, "a distance from now, a day like 2027-03-01, or now"))
        if self.yearly_miles is None:
            raise InputError(
                f"{option} {text}: how far the car is driven until then is not known; say so with --per-year, "
                "or give a distance from now"
            )
        return miles_until(day, self.today, self.yearly_miles)


def number(option: str, text: str, wanted: str) -> float:
    """Read a number of zero or more. Raises InputError that says what is wanted."""
    try:
        found = float(text.strip().replace(",", ""))
    except ValueError:
        found = math.nan
    if not (math.isfinite(found) and found >= 0):
        raise InputError(f"{option} {text!r}: write {wanted}")
    return found


def wishes_from(typed: Typed, calendar: Calendar, catalogue: Catalogue) -> Wishes:
    """Return the wishes. Raises InputError for one that cannot be meant."""
    from obdwatch.planning.wishes import Trip, Wishes, spaced_visits

    wishes = Wishes(
        budget=typed.budget,
        hours=typed.hours,
        rate=typed.rate,
        trips=tuple(Trip(*_trip(text, calendar)) for text in typed.trips),
        decided=frozenset(part_of(text, catalogue) for text in typed.decided),
        refused=frozenset(part_of(text, catalogue) for text in typed.refused),
        yearly_miles=calendar.yearly_miles,
        units=calendar.units,
    )
    if typed.own_hour is not None:
        wishes = replace(wishes, own_hour=typed.own_hour)
    if typed.visit_cost is not None:
        wishes = replace(wishes, visit_cost=typed.visit_cost)
    if typed.trip_risk is not None:
        wishes = replace(wishes, trips=tuple(replace(t, most_risk=typed.trip_risk / PERCENT) for t in wishes.trips))
    if typed.keep is not None:
        wishes = replace(wishes, kept_miles=calendar.miles(typed.keep))
    if typed.visit_at:
        places = {calendar.miles_from_now("--visit-at", text) for text in typed.visit_at}
        return replace(wishes, visits_at=tuple(sorted(places)))
    return wishes if typed.visits is None else replace(wishes, visits_at=spaced_visits(typed.visits))


def _trip(text: str, calendar: Calendar) -> tuple[float, float]:
    length, at, when = text.partition("@")
    if not at:
        raise InputError(f"--trip {text!r}: write LENGTH@WHEN, such as 1500@2027-03-01, 1500@4000 or 1500@now")
    miles = calendar.miles(number("--trip", length, "the length of the trip before the @"))
    return calendar.miles_from_now("--trip", when), miles


def part_of(text: str, catalogue: Catalogue) -> str:
    """Return the part id that is meant. Raises InputError where this car has no such part."""
    part = text.strip().lower().replace(" ", "_").replace("-", "_")
    if part in catalogue.parts:
        return part
    close = difflib.get_close_matches(part, list(catalogue.parts), 1)
    hint = f"did you mean '{close[0]}'?" if close else f"it has {', '.join(catalogue.parts)}"
    raise InputError(f"this car has no part '{text}'; {hint}")
