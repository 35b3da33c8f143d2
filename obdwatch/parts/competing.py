"""One symptom, several parts that could cause it: which of them is worn, exactly.

A symptom that was seen needs an explanation: at least one of its causes is at work, or it is a false alarm. Each cause
that is there shows the symptom with a probability of its own, independently of the others (a noisy-or network; Pearl,
Probabilistic Reasoning in Intelligent Systems, 1988, from memory). So a part that explains a symptom well takes the
blame from its rivals, and a part that explains two symptoms gains on those that explain one.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from obdwatch.records import FloatArray

SHOWN_BY_BEST = 0.8
"""How surely the likeliest cause shows its symptom. Likelihood ratios alone do not say; three in four faults from half
worn on were reported in the accuracy measurement. It only matters where two causes of a symptom are both there."""

MOST_SYMPTOMS = 12
"""Symptoms that share causes and are explained together; each doubles the work."""

EDGE = 1e-9  # probabilities stay this far from 0 and 1: nothing is certain

Ratios = Mapping[str, float]


def posteriors(probabilities: Mapping[str, float], symptoms: Sequence[Ratios]) -> dict[str, float]:
    """Return the probability of each part being degraded, given symptoms that were all seen.

    `probabilities` are those before the symptoms, by part, independent of each other. Each symptom gives the parts that
    could cause it with their likelihood ratio P(seen | only this part degraded) / P(seen | nothing degraded), above 1.
    A symptom with one cause multiplies that part's odds by the ratio.
    """
    now = {part: min(1.0 - EDGE, max(EDGE, each)) for part, each in probabilities.items()}
    shared = []
    for symptom in sorted(symptoms, key=lambda one: sorted(one.items())):  # so that no rounding depends on their order
        causes = {part: ratio for part, ratio in sorted(symptom.items()) if part in now and ratio > 1.0}
        if len(causes) == 1:
            ((part, ratio),) = causes.items()
            now[part] = updated(now[part], ratio)
        elif causes:
            shared.append(causes)
    for several in _connected(shared):
        now |= _explained(now, several)
    return now


def updated(probability: float, ratio: float) -> float:
    """Return a probability after evidence with a likelihood ratio (Bayes: odds times ratio).

    >>> round(updated(0.01, 0.8 / 0.096), 3)  # 1 %, found in 80 % of the ill and 9.6 % of the healthy (Eddy 1982)
    0.078
    """
    return probability * ratio / (probability * ratio + 1.0 - probability)


def _connected(symptoms: Sequence[Ratios]) -> list[list[Ratios]]:
    """Sort symptoms into sets that share no part, in an order that does not depend on theirs."""
    sets: list[tuple[set[str], list[Ratios]]] = []
    for symptom in sorted(symptoms, key=lambda one: sorted(one.items())):
        parts, members = set(symptom), [symptom]
        for other in [each for each in sets if each[0] & parts]:
            sets.remove(other)
            parts |= other[0]
            members = [*other[1], *members]
        sets.append((parts, members))
    return [members for _, members in sets]


def _explained(probabilities: Mapping[str, float], symptoms: Sequence[Ratios]) -> dict[str, float]:
    strongest = sorted(symptoms, key=lambda one: (-max(one.values()), sorted(one.items())))
    together, left = strongest[:MOST_SYMPTOMS], strongest[MOST_SYMPTOMS:]
    before = dict(probabilities)
    for symptom in left:  # too many to explain together: the likeliest cause takes all of the weakest ones
        best = max(sorted(symptom), key=lambda part: updated(before[part], symptom[part]))
        before[best] = updated(before[best], symptom[best])
    parts = sorted({part for symptom in symptoms for part in symptom})
    false_alarm = [SHOWN_BY_BEST / max(symptom.values()) for symptom in together]
    shows = {
        part: [
            alarm * (symptom.get(part, 1.0) - 1.0) / (1.0 - alarm)
            for symptom, alarm in zip(together, false_alarm, strict=True)
        ]
        for part in parts
    }
    found = {}
    for part in parts:
        state = np.zeros((2,) * len(together))
        state[(0,) * len(together)] = 1.0
        state = _shown(state, false_alarm)
        for other in parts:
            if other != part:
                worn = before[other]
                state = (1.0 - worn) * state + worn * _shown(state, shows[other])
        sound, degraded = (float(each[(1,) * len(together)]) for each in (state, _shown(state, shows[part])))
        found[part] = updated(before[part], degraded / sound)
    return found


def _shown(state: FloatArray, shows: Sequence[float]) -> FloatArray:
    """Let one cause show each symptom with its probability; `state` has one axis per symptom: not yet shown, shown."""
    for axis, probability in enumerate(shows):
        if probability > 0.0:
            state = np.moveaxis(state, axis, 0)
            state = np.stack((state[0] * (1.0 - probability), state[1] + state[0] * probability))
            state = np.moveaxis(state, 0, axis)
    return state


def one_symptom(sources: Iterable[Ratios]) -> dict[str, float]:
    """Return the joint ratios of several sources that speak of one symptom, by part.

    They largely saw the same thing, so their weights (logarithms) do not add up: the strongest source counts in full,
    the next by half, the next by a quarter. A source that does not name a part says nothing for it.

    >>> one_symptom([{"coil": 16.0}, {"coil": 4.0, "plugs": 4.0}])
    {'coil': 32.0, 'plugs': 2.0}
    """
    weights: dict[str, float] = {}
    for rank, source in enumerate(sorted(sources, key=lambda one: (-max(one.values()), sorted(one.items())))):
        for part, ratio in source.items():
            weights[part] = weights.get(part, 1.0) * ratio ** (0.5**rank)
    return weights


def one_silence(ratios: Iterable[float]) -> float:
    """Return the joint ratio of what several sources did not see of one part, weighed in the same way.

    >>> round(one_silence([0.5, 0.25]), 6), one_silence([])
    (0.176777, 1.0)
    """
    return float(math.prod(ratio ** (0.5**rank) for rank, ratio in enumerate(sorted(ratios))))
