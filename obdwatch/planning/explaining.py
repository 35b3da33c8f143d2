"""A sentence for every choice of a plan: why a job is in its visit, and why a part is left alone."""

from __future__ import annotations

from collections.abc import Mapping

from obdwatch.parts.part import Part
from obdwatch.planning.access import known
from obdwatch.planning.case import Candidate, Case, trip_risk
from obdwatch.planning.plan_records import LeftAlone
from obdwatch.planning.spending import Choice, added_hours, by_weight, gain_alone, gain_with
from obdwatch.planning.wishes import HORIZON_MILES
from obdwatch.planning.words import chance, distance, listed, money, sentence, working_time

LIFE_WORTH_SAYING = 0.05  # share of a life that is thrown away
HOURS_WORTH_SAYING = 0.25  # of access saved
MONEY_WORTH_SAYING = 0.5  # in the user's currency
LEAST_HOURS = 1e-6  # less is what sums of hours leave behind


def why_done(case: Case, choice: Choice, free: Choice, visit: int) -> Mapping[str, str]:
    """Return a sentence or two for each job of a visit by part id, the job that calls for the visit first.

    `free` is the choice that would be made without limits.
    """
    found: dict[str, str] = {}
    before: list[int] = []
    for job in by_weight(case, choice, visit):
        candidate = case.candidates[job]
        sharing = _sharing(case, before, job)
        adds_access = added_hours(case, before, job) > LEAST_HOURS
        rides_along = bool(sharing) and not adds_access and gain_alone(candidate, visit) < 0.0
        said = [
            _reason(case, candidate, rides_along),
            sharing,
            _saving(case, before, job, visit) if rides_along else "",
            _timing(case, candidate, visit, free[job]),
            _ask_first(case, candidate),
        ]
        found[candidate.job.part.id] = " ".join(sentence(text) for text in said if text)
        before.append(job)
    return found


def _reason(case: Case, candidate: Candidate, rides_along: bool) -> str:
    part = candidate.job.part.id
    if part in case.wishes.decided:
        return "you have decided on it"
    for trip in case.wishes.trips:
        if (risk := trip_risk(candidate, trip)) > trip.most_risk:
            allowed = f"more than the {trip.most_risk:.0%} allowed"
            return f"it would fail on the trip with a chance of {risk:.1%}, {allowed}"
    if rides_along:
        return ""  # it is there for what is open anyway; how worn it is comes with that
    return (
        f"{_worn(candidate)} and fails within {distance(HORIZON_MILES, case.wishes.units)} with a chance of "
        f"{chance(candidate.curve.fails_within(HORIZON_MILES))}, which would cost about {_failure(case, candidate)}"
    )


def _worn(candidate: Candidate) -> str:
    worn = candidate.risk.degraded
    word = "very likely" if worn > 0.95 else "probably" if worn >= 0.5 else "perhaps"
    return f"it is {word} worn ({chance(worn)})"


def _failure(case: Case, candidate: Candidate) -> str:
    return money(candidate.failure_cost, case.catalogue.currency)


def _sharing(case: Case, before: list[int], job: int) -> str:
    """What the jobs before it in the visit save this one."""
    candidate = case.candidates[job]
    added = added_hours(case, before, job) if before else candidate.job.access_hours
    if candidate.job.access_hours - added < min(HOURS_WORTH_SAYING, max(candidate.job.access_hours, LEAST_HOURS)):
        return ""
    step, host = _shared_step(case, before, job)
    anyway = f"you {step} anyway" if host in step else f"for the {host} you {step} anyway"
    if added > LEAST_HOURS:
        alone = working_time(candidate.job.access_hours)
        return f"{anyway}: {_doing(candidate)} adds {working_time(added)} of access and not {alone}"
    own = candidate.job.hours
    work = f"no labour but its own {working_time(own)}" if own > 0.0 else "no labour"
    alone = working_time(candidate.alone_hours)
    return f"{anyway}: {_doing(candidate)} adds {work}; by itself it would take {alone}, and {_worn(candidate)}"


def _saving(case: Case, before: list[int], job: int, visit: int) -> str:
    """What doing a job with those before it is worth, all it adds to the visit paid."""
    saved = gain_with(case, before, job, visit)
    if saved < MONEY_WORTH_SAYING:
        return ""  # it is there for a limit's sake, or for as much as it costs
    return f"against leaving it alone that is expected to save {money(saved, case.catalogue.currency)}"


def _ask_first(case: Case, candidate: Candidate) -> str:
    """A part that is in the plan only because it may be as old as the car: a look can take it off again."""
    reasons = candidate.risk.reasons
    if candidate.risk.age_known or candidate.job.part.id in case.wishes.decided:
        return ""
    if any(reason.likelihood_ratio > 1.0 for reason in reasons):
        return ""
    if reasons:
        return "what was seen of it was in order, but its age is not known: find out how old it is before you buy"
    return "nothing measured or seen speaks for it, and its age is not known: ask or look before you buy"


def _doing(candidate: Candidate) -> str:
    return f"doing the {candidate.job.part.name} as well"


def _shared_step(case: Case, before: list[int], job: int) -> tuple[str, str]:
    """The longest step that is open for earlier jobs and needed by this one, and the first part it is open for."""
    steps = case.catalogue.steps
    opened = {step for host in before for step in case.candidates[host].job.access}
    shared = [step for step in case.candidates[job].job.access if step in opened]
    longest = max(shared, key=lambda step: known(steps[step].hours) or 0.0)
    host = next(host for host in before if longest in case.candidates[host].job.access)
    return steps[longest].name, case.candidates[host].job.part.name


def _timing(case: Case, candidate: Candidate, visit: int, free: int) -> str:
    if visit == 0 or candidate.job.part.id in case.wishes.decided:
        return ""
    risk = chance(candidate.curve.fails_within(case.wishes.visits_at[visit]))
    if free < visit:
        return f"it is worth doing earlier, but the limits leave no room; the chance that it fails before is {risk}"
    return f"until then the chance that it fails is {risk}, and waiting uses the life that is left in it"


def left_alone(case: Case, choice: Choice, free: Choice) -> tuple[LeftAlone, ...]:
    """Return the parts in no visit, those likeliest to fail first."""
    none = len(case.wishes.visits_at)
    done = [candidate.job.part for candidate, visit in zip(case.candidates, choice, strict=True) if visit < none]
    found = [
        LeftAlone(
            candidate.job.part.id,
            candidate.curve.fails_within(HORIZON_MILES),
            f"{_why_left(case, job, free[job])}{_custom(candidate.job.part, done)}",
        )
        for job, candidate in enumerate(case.candidates)
        if choice[job] == none
    ]
    return tuple(sorted(found, key=lambda left: -(left.fails_within_horizon or 0.0)))


def _custom(part: Part, done: list[Part]) -> str:
    """What a mechanic would do without reckoning, where the plan does otherwise."""
    with_it = [other.name for other in done if part.id in other.together_with]
    names = listed([f"the {name}" for name in with_it])
    return f" Often done together with {names}, which the plan does: look at it then." if with_it else ""


def _why_left(case: Case, job: int, free: int) -> str:
    candidate = case.candidates[job]
    part, currency = candidate.job.part, case.catalogue.currency
    risk = candidate.curve.fails_within(HORIZON_MILES)
    said = (
        f"it fails within {distance(HORIZON_MILES, case.wishes.units)} with a chance of {chance(risk)}, "
        f"which would cost about {_failure(case, candidate)}"
    )
    if part.id in case.wishes.refused:
        return sentence(f"you do not want it done; {said}")
    if free < len(case.wishes.visits_at):
        return sentence(f"it is worth doing, but the limits leave no room; {said}")
    left = min(1.0, candidate.curve.miles_left(0.0) / candidate.life_miles)
    thrown = f" and throw away about {left:.0%} of a life" if left >= LIFE_WORTH_SAYING else ""
    return sentence(f"{said}; replacing it would cost {money(candidate.own, currency)} or more{thrown}")
