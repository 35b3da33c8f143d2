"""The frozen records of a plan; they hold data and have no behaviour."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from obdwatch.records import Visit

NOT_AT_ALL = 0  # the number of no visit
Moves = Mapping[str, int]  # part id to the number of a possible visit, counted from 1; NOT_AT_ALL for none


@dataclass(frozen=True, slots=True)
class Costs:
    """What a course of action is expected to cost within the horizon, in the user's currency.

    `parts` with what is bought with them; `labour` is `hours` [h] at the user's rate (own hours are weighed, not paid);
    `visits` what visits cost beyond that; `failures` the chance of each failure on the road times what it costs
    (breakdown, damage, and the repair by itself); `later` what is expected to be paid after the horizon, as long as the
    car is kept, and the life that new parts have used up by then. `total` is the sum of these five.
    """

    parts: float
    labour: float
    visits: float
    failures: float
    later: float
    total: float
    hours: float


@dataclass(frozen=True, slots=True)
class LeftAlone:
    """A part that is in no visit: how likely it fails within the horizon (None: not known), and a sentence why."""

    part: str
    fails_within_horizon: float | None
    why: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """Other ways, with the same prices: each planned job in a visit of its own; all parts now; waiting for failures."""

    one_by_one: Costs
    everything_now: Costs
    nothing: Costs


@dataclass(frozen=True, slots=True)
class Plan:
    """Which jobs to do when.

    `visits` in order, only those with jobs; `costs` what is expected within `horizon_miles`; `proven` says that nothing
    cheaper exists under the limits. `assumptions` are what the figures rest on, `unknown` what is not known and so not
    counted, both as sentences.
    """

    visits: tuple[Visit, ...]
    left_alone: tuple[LeftAlone, ...]
    costs: Costs
    comparison: Comparison
    horizon_miles: float
    proven: bool
    assumptions: tuple[str, ...]
    unknown: tuple[str, ...]
    currency: str = ""


@dataclass(frozen=True, slots=True)
class OnlyThis:
    """What becomes of the plan where only one part is replaced, now, and the rest is left until it fails.

    `cost` to pay and `hours` [h] now; `another_fails` the probability that at least one of the other planned parts
    fails within the horizon; `failures_left` the expected cost of all failures that remain; `again_hours` [h] and
    `again_cost` what is opened and bought a second time when the other planned jobs follow; `more_than_plan` how much
    more all of it is expected to cost than the plan. `sentences` say it.
    """

    part: str
    cost: float
    hours: float
    another_fails: float
    failures_left: float
    again_hours: float
    again_cost: float
    more_than_plan: float
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ByHand:
    """A plan with jobs moved by hand, beside the best one.

    `visit_of` and `best_visit_of` give the number of the possible visit of every part of which something is known
    (`NOT_AT_ALL`: none). `more` is how much more `plan` is expected to cost than `best`, `why` says that and where
    it comes from in sentences (none where nothing was moved), `broken` the limits that it does not keep, as sentences.
    """

    plan: Plan
    best: Plan
    visit_of: Mapping[str, int]
    best_visit_of: Mapping[str, int]
    more: float
    why: tuple[str, ...]
    broken: tuple[str, ...]

    @property
    def moved(self) -> frozenset[str]:
        """The parts that are elsewhere than in the best plan."""
        return frozenset(part for part, visit in self.visit_of.items() if visit != self.best_visit_of[part])
