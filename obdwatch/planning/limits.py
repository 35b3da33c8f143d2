"""Which limit to relax where no plan can keep them all."""

from __future__ import annotations

import math

from obdwatch.errors import InputError
from obdwatch.planning.case import Candidate, Case, trip_risk
from obdwatch.planning.programme import least, limited
from obdwatch.planning.wishes import Trip
from obdwatch.planning.words import distance, listed, money


def check_choices(case: Case) -> None:
    """Raise InputError where a part must be replaced and cannot be, whatever it costs."""
    for trip in case.wishes.trips:
        for candidate in case.candidates:
            if trip_risk(candidate, trip) <= trip.most_risk:
                continue
            _check_refused(case, candidate, trip)
            if not any(at <= trip.at_miles for at in case.wishes.visits_at):
                raise InputError(
                    f"no visit lies before the trip {_when(trip, case.wishes.units)}, and "
                    f"{_must(candidate, trip)}; plan a visit before it, or allow more risk on the trip"
                )


def _check_refused(case: Case, candidate: Candidate, trip: Trip) -> None:
    if candidate.job.part.id in case.wishes.refused:
        raise InputError(
            f"{_must(candidate, trip)}, but it is refused; take back the refusal, or allow more risk on the trip"
        )


def _must(candidate: Candidate, trip: Trip) -> str:
    risk = f"{trip_risk(candidate, trip):.1%}"
    return f"the {candidate.job.part.name} may fail on the trip with a chance of {risk} (allowed: {trip.most_risk:.0%})"


def _when(trip: Trip, units: str) -> str:
    return f"in {distance(trip.at_miles, units)}" if trip.at_miles > 0.0 else "that begins now"


def infeasible(case: Case) -> InputError:
    """Return the error that says which limit to relax, and to how much, for a case without a solution."""
    forced = [
        candidate.job.part.name
        for candidate, allowed in zip(case.candidates, case.programme.allowed, strict=True)
        if not allowed[-1]
    ]
    what = f"what is decided or must be ready for the trip ({listed(forced)})"
    ways = []
    if case.wishes.budget is not None and (needed := least(case.programme, "money")) is not None:
        ways.append(_raise_budget(case, needed))
    if case.wishes.hours is not None and (needed := least(case.programme, "hours")) is not None:
        ways.append(_raise_hours(case, needed))
    if not ways:
        ways.append(_raise_both(case))
    easier = "decide on fewer jobs" + (" or allow more risk on the trip" if case.wishes.trips else "")
    return InputError(f"the limits leave no way to do {what}: {', or '.join(ways)}, or {easier}")


def _raise_budget(case: Case, needed: float) -> str:
    amount = money(math.ceil(needed - 0.01), case.catalogue.currency)
    return f"raise the budget per visit from {money(case.wishes.budget or 0.0, case.catalogue.currency)} to {amount}"


def _raise_hours(case: Case, needed: float) -> str:
    return f"raise the hours per visit from {case.wishes.hours:g} to {math.ceil(needed * 10 - 0.1) / 10:g}"


def _raise_both(case: Case) -> str:
    needed_money = least(limited(case.programme, "hours", None), "money") or 0.0
    paid_enough = limited(case.programme, "money", needed_money + 0.01)
    needed_hours = least(paid_enough, "hours") or 0.0
    return f"{_raise_budget(case, needed_money)} and {_raise_hours(case, needed_hours)}"
