"""What the address of the plan asks for: whose, under which limits, with which jobs moved; and such addresses.

The address holds everything, so that a plan can be shared, gone back from and loaded again. Its distances are in km
whatever the reader's units, because a shared address must mean the same to both.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any
from urllib.parse import quote, unquote, urlencode

from dashboards.keeping import amount_from
from dashboards.visit import VISITS, Visit, car_address
from obdwatch.errors import InputError
from obdwatch.planning.plan_records import NOT_AT_ALL
from obdwatch.planning.wishes import (
    HORIZON_MILES,
    KEPT_MILES,
    MOST_VISITS,
    USUAL_VISITS,
    Trip,
    Wishes,
    spaced_visits,
)
from obdwatch.planning.words import distance
from obdwatch.units import KM_PER_MILE

SHEET = "sheet"
NONE = "none"  # of a move: in no visit
MOST_MOVES = 200  # more than a car has wear parts
MOST_MONEY = 1e9
MOST_HOURS = 1_000.0
FARTHEST_KM = 100_000.0
LONGEST_KEPT_KM = 1_000_000.0
SHORTEST_KEPT = 0.99  # of what a plan looks ahead; a reader types the round number that the page says
FIELDS = ("budget", "hours", "rate", "trip", "trip_in", "keep", "visits")  # of the form and of the address


@dataclass(frozen=True, slots=True)
class Limits:
    """What the reader wants of the plan; None: no limit. `rate` None: the work is one's own. Distances in km.

    `keep` is how far the car is meant to be kept from now on, None: as far as is usual.
    """

    budget: float | None = None
    hours: float | None = None
    rate: float | None = None
    trip: float | None = None
    trip_in: float | None = None
    keep: float | None = None
    visits: int | None = None

    def wishes(self, units: str, yearly_miles: float | None) -> Wishes:
        """As the planner takes them. Raises InputError."""
        trips = () if self.trip is None else (Trip((self.trip_in or 0.0) / KM_PER_MILE, self.trip / KM_PER_MILE),)
        return Wishes(
            visits_at=spaced_visits(USUAL_VISITS if self.visits is None else self.visits),
            budget=self.budget,
            hours=self.hours,
            rate=self.rate,
            trips=trips,
            yearly_miles=yearly_miles,
            kept_miles=KEPT_MILES if self.keep is None else max(self.keep / KM_PER_MILE, HORIZON_MILES),
            units=units,
        )


@dataclass(frozen=True, slots=True)
class AskedPlan:
    """A plan as an address asks for it; `sheet` is the number of a visit whose job sheet is wanted.

    `moves` gives the number of a possible visit by part, `only` the part of "what if I only do this".
    """

    car_id: str | None
    sheet: str | None = None
    limits: Limits = Limits()
    moves: Mapping[str, int] = field(default_factory=dict)
    only: str | None = None

    def address(self) -> str:
        """The address that asks for this."""
        path = VISITS if self.car_id is None else car_address(VISITS, self.car_id)
        if self.sheet is not None:
            path += f"/{SHEET}/{quote(self.sheet, safe='')}"
        pairs: list[tuple[str, str]] = []
        for name in FIELDS:
            value = getattr(self.limits, name)
            pairs += [] if value is None else [(name, f"{value:.10g}")]
        pairs += [("move", f"{part}:{visit or NONE}") for part, visit in self.moves.items()]
        pairs += [] if self.only is None else [("only", self.only)]
        return path + (f"?{urlencode(pairs, safe=':')}" if pairs else "")

    def moving(self, part: str, visit: int, best: int) -> AskedPlan:
        """The same with a part in another visit; a move back to where the best plan has it is no move."""
        moves = {other: to for other, to in self.moves.items() if other != part}
        return replace(self, moves=moves if visit == best else {**moves, part: visit}, only=None, sheet=None)


def asked_plan(visit: Visit) -> AskedPlan:
    """Read an address. Raises InputError for what cannot be meant, in words for the reader."""
    asked = car_and_sheet(visit)
    query = visit.query
    limits = limits_from({name: query[name][-1] for name in FIELDS if name in query}, "metric")
    moves = dict(_move(text) for text in query.get("move", ())[:MOST_MOVES])
    return replace(asked, limits=limits, moves=moves, only=(query.get("only") or ("",))[-1] or None)


def car_and_sheet(visit: Visit) -> AskedPlan:
    """The car and the sheet that an address names, and nothing else of it; both are only ever looked up."""
    car, _, rest = visit.path.removeprefix(VISITS).strip("/").partition("/")
    kind, _, number = rest.partition("/")
    return AskedPlan(unquote(car) or None, unquote(number) if kind == SHEET else None)


def limits_from(sent: Mapping[str, Any], units: str) -> Limits:
    """Read limits as typed into a form or an address, distances in the reader's units. Raises InputError."""
    scale = KM_PER_MILE if units == "us" else 1.0
    trip = amount_from(sent.get("trip"), "The length of the trip", FARTHEST_KM)
    trip_in = amount_from(sent.get("trip_in"), "The distance until the trip", FARTHEST_KM)
    keep = amount_from(sent.get("keep"), "How far the car is kept", LONGEST_KEPT_KM)
    visits = amount_from(sent.get("visits"), "The number of visits", MOST_VISITS)
    if visits is not None and (visits != int(visits) or visits < 1):
        raise InputError(f"The number of visits must be a whole number from 1 to {MOST_VISITS}.")
    if trip == 0.0:
        trip = None
    if trip_in is not None and trip is None:
        raise InputError("Say how long the trip is as well, or leave both fields empty.")
    if keep is not None and keep * scale < SHORTEST_KEPT * HORIZON_MILES * KM_PER_MILE:
        horizon = distance(HORIZON_MILES, units)
        raise InputError(f"A plan looks {horizon} ahead: say that the car is kept as far as that or farther.")
    return Limits(
        budget=amount_from(sent.get("budget"), "The most that a visit may cost", MOST_MONEY),
        hours=amount_from(sent.get("hours"), "The most hours that a visit may take", MOST_HOURS),
        rate=amount_from(sent.get("rate"), "The price of a workshop's hour", MOST_MONEY),
        trip=None if trip is None else trip * scale,
        trip_in=None if trip_in is None else trip_in * scale,
        keep=None if keep is None else keep * scale,
        visits=None if visits is None else int(visits),
    )


def _move(text: str) -> tuple[str, int]:
    part, _, to = text.rpartition(":")
    if part and to == NONE:
        return part, NOT_AT_ALL
    if not part or not to.isdecimal() or not 1 <= int(to[:3]) <= MOST_VISITS:
        raise InputError(f"The address moves a part in a way that cannot be read: {text[:60]}.")
    return part, int(to[:3])
