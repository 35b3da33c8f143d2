"""The shared items of a programme in their tersest form, which says the same in fewer rows and is solved sooner.

Items with the same users are paid together, so they are one. Where all users of one item are users of another too, the
first is never paid without the second; a job then only has to ask for its items with the fewest users, and the rest
follows from item to item.
"""

from __future__ import annotations

import numpy as np

from obdwatch.records import BoolArray, FloatArray

Pair = tuple[int, int]


def groups_of(needs: BoolArray) -> list[list[int]]:
    """Return the items of `needs` (jobs, items) in groups with the same users.

    >>> groups_of(np.array([[True, True, False], [True, True, True]]))
    [[0, 1], [2]]
    """
    found: dict[tuple[bool, ...], list[int]] = {}
    for item in range(needs.shape[1]):
        found.setdefault(tuple(map(bool, needs[:, item])), []).append(item)
    return list(found.values())


def summed(values: FloatArray, groups: list[list[int]]) -> FloatArray:
    """Return the sum of the values (items,) in each group."""
    return np.array([values[group].sum() for group in groups])


def asked_for(needs: BoolArray) -> tuple[list[Pair], list[Pair]]:
    """Return which (job, item) and which (item, other item) pairs imply all of `needs` (jobs, items).

    The users of different items must differ (`groups_of`).

    >>> asked_for(np.array([[True, True], [False, True]]))
    ([(0, 0), (1, 1)], [(0, 1)])
    """
    items = range(needs.shape[1])
    within = np.array([[a != b and bool((needs[:, a] <= needs[:, b]).all()) for b in items] for a in items], bool)
    within = within.reshape(len(items), len(items))
    by_job = []
    for job, wanted in enumerate(needs):
        own = np.flatnonzero(wanted)
        by_job += [(job, int(item)) for item in own if not within[own, item].any()]
    by_item = [(a, b) for a in items for b in items if within[a, b] and not (within[a] & within[:, b]).any()]
    return by_job, by_item
