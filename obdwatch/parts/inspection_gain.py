"""How much an answer is expected to tell of which part is worn, in bits, weighed by what a failure costs.

Expected information gain is the entropy of a part's state before a question less the one to be expected after it
(Shannon's mutual information). Several answers about one part are taken as independent given its state; then what a
further question adds never grows with what was asked already, and asking the best next one is near the best set
(Nemhauser, Wolsey and Fisher, 1978, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from obdwatch.parts.inspection_questions import Question
from obdwatch.records import FloatArray

MOST_TOGETHER = 12  # answers about one part weighed together; each doubles the work, and the last add nearly nothing

Seen = tuple[float, float]  # P(yes | the part is degraded), P(yes | it is sound), whatever the other parts are


def entropy(probability: float) -> float:
    """Return the entropy of a yes-or-no state [bit].

    >>> entropy(0.5), entropy(0.0), round(entropy(0.11), 4)
    (1.0, 0.0, 0.4999)
    """
    return sum(-p * math.log2(p) for p in (probability, 1.0 - probability) if p > 0.0)


def information(degraded: float, seen: Sequence[Seen]) -> float:
    """Return what the answers to all questions of `seen` are expected to tell of one part's state [bit].

    `degraded` is the probability before them. One question that shows it surely and never by mistake tells all:

    >>> information(0.5, [(1.0, 0.0)]), information(0.5, [(0.3, 0.3)])
    (1.0, 0.0)
    """
    worn, sound = np.array([degraded]), np.array([1.0 - degraded])
    for if_worn, if_sound in seen[:MOST_TOGETHER]:
        worn = np.concatenate((worn * if_worn, worn * (1.0 - if_worn)))
        sound = np.concatenate((sound * if_sound, sound * (1.0 - if_sound)))
    after = -_sum_of_logs(worn, worn + sound) - _sum_of_logs(sound, worn + sound)
    return max(0.0, entropy(degraded) - after)


def _sum_of_logs(joint: FloatArray, total: FloatArray) -> float:
    there = joint > 0.0
    return float(np.sum(joint[there] * np.log2(joint[there] / total[there])))


def seen_by(question: Question, degraded: Mapping[str, float]) -> dict[str, Seen]:
    """Return by part how likely a "yes" is in either state of it, the other parts being as likely worn as they are.

    `degraded` are the probabilities of the parts the car has. Each cause shows the sign on its own (noisy-or): nothing
    worn shows it with `yes_if_sound` = f, one part alone with y, so its own share is (y - f) / (1 - f).
    """
    silent = 1.0 - question.yes_if_sound
    shows = {part: (y - question.yes_if_sound) / silent for part, y in question.yes_if_degraded.items()}
    hides = {part: 1.0 - degraded[part] * share for part, share in shows.items() if part in degraded}
    found = {}
    for part in hides:
        others = silent * math.prod(hidden for other, hidden in hides.items() if other != part)
        found[part] = (1.0 - others * (1.0 - shows[part]), 1.0 - others)
    return found


def most_telling(
    questions: Sequence[Question], degraded: Mapping[str, float], costs: Mapping[str, float], most: int
) -> tuple[tuple[Question, float], ...]:
    """Choose up to `most` questions, the one that adds most first, each with what it adds [bit times cost].

    `costs` is what a failure of each part costs; a part it does not name counts 1. A further question about the same
    symptom counts half, as its answer will: both see much the same thing. Ties keep the order given.
    """
    seen = {question.id: seen_by(question, degraded) for question in questions}
    told: dict[str, list[Seen]] = {part: [] for part in degraded}
    so_far = dict.fromkeys(degraded, 0.0)

    def after(question: Question) -> dict[str, float]:
        return {part: information(degraded[part], [*told[part], how]) for part, how in seen[question.id].items()}

    def adds(question: Question) -> float:
        again = sum(one.symptom == question.symptom for one, _ in chosen)
        return 0.5**again * sum(costs.get(part, 1.0) * (bits - so_far[part]) for part, bits in after(question).items())

    left = list(questions)
    chosen: list[tuple[Question, float]] = []
    while left and len(chosen) < most:
        gains = [adds(question) for question in left]
        best = max(range(len(left)), key=lambda n: gains[n])
        question = left.pop(best)
        chosen.append((question, gains[best]))
        so_far |= after(question)
        for part, how in seen[question.id].items():
            told[part].append(how)
    return tuple(chosen)
