"""What comes off in a visit and what is reached behind it, as a tree: pure, from the catalogue's access steps.

A step may need several others first. It hangs on the deepest of them, and names the rest; so does a part.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from obdwatch.parts.part import AccessStep, Catalogue
from obdwatch.planning.access import opened_for


@dataclass(frozen=True, slots=True)
class Reached:
    """A part where it is reached; `also` are the ids of further steps that it needs, other than those on the way."""

    part: str
    also: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Opened:
    """A step: `number` in the order of opening, how many `jobs` of the visit need it, what is reached and behind it.

    `also` are steps that must be open first, other than those on the way; `within_reach` are parts that nobody replaces
    in this visit though they could be reached.
    """

    step: AccessStep
    number: int
    jobs: int
    also: tuple[str, ...]
    reached: tuple[Reached, ...]
    within_reach: tuple[str, ...]
    behind: tuple[Opened, ...]


@dataclass(frozen=True, slots=True)
class Opening:
    """The whole picture of a visit: `free` are parts for which nothing comes off, `first` what comes off first."""

    free: tuple[str, ...]
    first: tuple[Opened, ...]


def opening(jobs: Sequence[str], catalogue: Catalogue) -> Opening:
    """Return the picture of a visit with these jobs (part ids). Raises InputError for steps that run in a circle."""
    steps = catalogue.steps
    needs = {part: opened_for(catalogue.parts[part].access, steps) for part in jobs}
    order = opened_for([step for part in jobs for step in catalogue.parts[part].access], steps)
    depth = _depths(order, steps)
    hung = {part: _deepest(catalogue.parts[part].access, depth, order) for part in jobs if needs[part]}
    left = _within_reach(jobs, order, catalogue)
    left_at = {part: _deepest(catalogue.parts[part].access, depth, order) for part in left}
    above = {step: _deepest(steps[step].needs, depth, order) for step in order if steps[step].needs}

    def way_to(step: str) -> set[str]:
        return set(opened_for([step], steps))

    def node(step: str) -> Opened:
        host = above.get(step)
        on_the_way = way_to(host) if host is not None else set()
        return Opened(
            step=steps[step],
            number=order.index(step) + 1,
            jobs=sum(step in needs[part] for part in jobs),
            also=tuple(other for other in sorted(steps[step].needs) if other not in on_the_way),
            reached=tuple(
                Reached(part, tuple(o for o in catalogue.parts[part].access if o not in way_to(step)))
                for part in jobs
                if hung.get(part) == step
            ),
            within_reach=tuple(part for part in left if left_at[part] == step),
            behind=tuple(node(other) for other in order if above.get(other) == step),
        )

    return Opening(
        free=tuple(part for part in jobs if not needs[part]),
        first=tuple(node(step) for step in order if step not in above),
    )


def _depths(order: Sequence[str], steps: Mapping[str, AccessStep]) -> dict[str, int]:
    """How many steps at least lie one behind the other before each; `order` has the needs of a step before it."""
    depth: dict[str, int] = {}
    for step in order:
        depth[step] = max((depth[before] + 1 for before in steps[step].needs), default=0)
    return depth


def _deepest(among: Sequence[str], depth: Mapping[str, int], order: Sequence[str]) -> str:
    return max(among, key=lambda step: (depth[step], order.index(step)))


def _within_reach(jobs: Sequence[str], order: Sequence[str], catalogue: Catalogue) -> tuple[str, ...]:
    """Parts that need nothing else opened than what is open anyway."""
    return tuple(
        part.id
        for part in catalogue.parts.values()
        if part.id not in jobs and part.access and set(opened_for(part.access, catalogue.steps)) <= set(order)
    )
