"""What moving jobs by hand costs, in words: where the money goes, what is opened twice, which limits are not kept."""

from __future__ import annotations

from obdwatch.planning.case import Case, trip_risk
from obdwatch.planning.plan_records import Costs
from obdwatch.planning.programme import paid
from obdwatch.planning.spending import Choice, bill, expected
from obdwatch.planning.words import distance, listed, money, sentence, working_time

WORTH_SAYING = 0.5  # in the user's currency; a smaller difference is none
LEAST_HOURS = 0.01
MOST_NAMED = 2  # steps in one sentence
FAILURES = "failures on the road"
_COUNTED = {2: "twice", 3: "three times", 4: "four times", 5: "five times", 6: "six times"}


def place(case: Case, visit: int) -> str:
    """Say where a choice has a job."""
    if visit == len(case.wishes.visits_at):
        return "leaves it alone"
    at = case.wishes.visits_at[visit]
    return f"does it {'now' if at == 0.0 else 'in ' + distance(at, case.wishes.units)}"


def why_dearer(case: Case, best: Choice, choice: Choice) -> tuple[str, ...]:
    """Say what another choice costs or saves, and where: the shares that make most of the difference come first."""
    currency, before, after = case.catalogue.currency, expected(case, best), expected(case, choice)
    more = after.total - before.total
    if more > WORTH_SAYING:
        head = f"this costs {money(more, currency)} more than the best plan"
    elif more < -WORTH_SAYING:
        head = f"this costs {money(-more, currency)} less than the best plan that keeps to your limits"
    else:
        head = "this costs as much as the best plan"
    shares = _shares(before, after)
    because = _because(case, best, choice, shares) if more > WORTH_SAYING else ""
    bought = _bought_again(case, best, choice)
    said = [f"{head}{because}", f"bought again: {listed(bought)}" if bought else "", _listed_shares(shares, currency)]
    return tuple(sentence(text) for text in said if text)


def _shares(before: Costs, after: Costs) -> list[tuple[str, float]]:
    """What makes the difference, the largest share first."""
    differences = [
        ("parts", after.parts - before.parts),
        ("labour", after.labour - before.labour),
        ("visits", after.visits - before.visits),
        (FAILURES, after.failures - before.failures),
        ("to be paid later", after.later - before.later),
    ]
    return sorted(((name, by) for name, by in differences if abs(by) > WORTH_SAYING), key=lambda one: -abs(one[1]))


def _listed_shares(shares: list[tuple[str, float]], currency: str) -> str:
    if len(shares) < 2:
        return ""  # the whole difference has been named already
    return "; ".join(f"{name}: {money(abs(by), currency)} {'more' if by > 0 else 'less'}" for name, by in shares)


def _because(case: Case, best: Choice, choice: Choice, shares: list[tuple[str, float]]) -> str:
    """The work that is done again, or the failures that come sooner."""
    again = _again(case, best, choice, "step")
    if again:
        hours = sum(float(case.programme.item_hours[item]) * more for item, _, more in again)
        named = [f"you {case.catalogue.steps[case.items[i][1]].name} {_COUNTED[n]}" for i, n, _ in again[:MOST_NAMED]]
        return f", because {listed(named)} ({working_time(hours)} of opening and closing more)"
    dearest = max(shares, key=lambda share: share[1], default=("", 0.0))
    return ", because what waits may fail on the road first" if dearest[0] == FAILURES else ""


def _bought_again(case: Case, best: Choice, choice: Choice) -> list[str]:
    names = {extra.id: extra.name for candidate in case.candidates for extra in candidate.job.extras}
    return [names[case.items[item][1]] for item, _, _ in _again(case, best, choice, "extra")]


def _again(case: Case, best: Choice, choice: Choice, wanted: str) -> list[tuple[int, int, int]]:
    """What is opened or bought more than once and more often than in the best plan: item, times, times more."""
    before, after = _times(case, best), _times(case, choice)
    found = [
        (item, after[item], after[item] - before[item])
        for item, (kind, _) in enumerate(case.items)
        if kind == wanted and after[item] > max(before[item], 1)
    ]
    return sorted(found, key=lambda one: -float(case.programme.item_cost[one[0]]))


def _times(case: Case, choice: Choice) -> list[int]:
    """In how many visits each shared item is paid."""
    visits = [paid(case.programme, choice, visit) for visit in range(len(case.wishes.visits_at))]
    return [sum(bool(opened[item]) for opened in visits) for item in range(len(case.items))]


def limits_broken(case: Case, choice: Choice) -> tuple[str, ...]:
    """Return the limits and decisions that a choice does not keep, as sentences."""
    said = [*_dear_or_long(case, choice), *_not_ready(case, choice), *_against_decisions(case, choice)]
    return tuple(sentence(text) for text in said)


def _dear_or_long(case: Case, choice: Choice) -> list[str]:
    wishes, currency = case.wishes, case.catalogue.currency
    said = []
    for number, at in enumerate(wishes.visits_at):
        taken, when = bill(case, choice, number), "now" if at == 0.0 else f"in {distance(at, wishes.units)}"
        if wishes.budget is not None and taken.to_pay > wishes.budget + WORTH_SAYING:
            most = money(wishes.budget, currency)
            said.append(f"the visit {when} costs {money(taken.to_pay, currency)}, above your limit of {most}")
        if wishes.hours is not None and taken.hours > wishes.hours + LEAST_HOURS:
            said.append(
                f"the visit {when} takes {working_time(taken.hours)}, above your limit of {working_time(wishes.hours)}"
            )
    return said


def _not_ready(case: Case, choice: Choice) -> list[str]:
    wishes, said = case.wishes, []
    for trip in wishes.trips:
        for candidate, visit in zip(case.candidates, choice, strict=True):
            ready = visit < len(wishes.visits_at) and wishes.visits_at[visit] <= trip.at_miles
            risk = trip_risk(candidate, trip)
            if not ready and risk > trip.most_risk:
                name, allowed = candidate.job.part.name, f"(allowed: {trip.most_risk:.0%})"
                said.append(f"the {name} may fail on the trip with a chance of {risk:.1%} {allowed}")
    return said


def _against_decisions(case: Case, choice: Choice) -> list[str]:
    wishes, said = case.wishes, []
    for candidate, visit in zip(case.candidates, choice, strict=True):
        part = candidate.job.part
        if part.id in wishes.decided and visit != 0:
            said.append(f"you had decided to do the {part.name} first")
        if part.id in wishes.refused and visit < len(wishes.visits_at):
            said.append(f"you did not want the {part.name} done")
    return said
