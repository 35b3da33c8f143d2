"""What has to come off before a part can be reached: steps with prerequisites, in the order in which they are opened.

A step that several jobs of a visit need is opened once, so the labour of a visit is that of the union of its steps.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from obdwatch.errors import InputError
from obdwatch.parts.part import AccessStep


def opened_for(wanted: Iterable[str], steps: Mapping[str, AccessStep]) -> tuple[str, ...]:
    """Return the ids of the wanted steps and of all that must be opened before them, each once, in a possible order.

    The order depends only on the steps that are needed, not on the order in which they are wanted. Raises InputError
    for a step that is not in `steps`, or that needs itself.

    >>> steps = {"manifold": AccessStep("manifold", "manifold off", 1.5, ("cover",)),
    ...          "cover": AccessStep("cover", "engine cover off", 0.1)}
    >>> opened_for(["manifold"], steps)
    ('cover', 'manifold')
    """
    opened: dict[str, None] = {}
    for step in sorted(set(wanted)):
        _open(step, steps, opened, ())
    return tuple(opened)


def _open(step: str, steps: Mapping[str, AccessStep], opened: dict[str, None], above: tuple[str, ...]) -> None:
    if step in opened:
        return
    if step in above:
        circle = " needs ".join((*above[above.index(step) :], step))
        raise InputError(f"the access steps run in a circle: {circle}; take one of these needs out of the catalogue")
    if step not in steps:
        by = f"access step '{above[-1]}' needs" if above else "a part needs"
        raise InputError(f"{by} the access step '{step}', which the catalogue does not describe; add it or correct it")
    for before in sorted(steps[step].needs):
        _open(before, steps, opened, (*above, step))
    opened[step] = None


def hours_of(opened: Iterable[str], steps: Mapping[str, AccessStep]) -> float:
    """Return the hours for opening and closing these steps [h], each counted once; one that is not known counts 0."""
    return sum(known(steps[step].hours) or 0.0 for step in dict.fromkeys(opened))


def known(value: float | None) -> float | None:
    """Return a number of the catalogue, None where it is left open (none, or not a number)."""
    return None if value is None or value != value else value
