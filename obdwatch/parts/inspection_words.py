"""The words around the questions of an inspection, the same on a terminal and on a page."""

from __future__ import annotations

from collections.abc import Mapping

from obdwatch.parts.inspection_questions import COULD_NOT_LOOK, NO, YES, Engine, Question

ENGINE_TITLES: Mapping[Engine, str] = {
    Engine.REMEMBERED: "From memory",
    Engine.COLD_OFF: "Engine off and cold",
    Engine.COLD_START: "Start the cold engine",
    Engine.RUNNING: "Engine running and warm",
}
ENGINE_HINTS: Mapping[Engine, str] = {
    Engine.REMEMBERED: "What you have noticed in the last weeks. You need not go to the car for this.",
    Engine.COLD_OFF: "The car has stood for some hours. Open the bonnet, keep the key in your pocket, take a lamp.",
    Engine.COLD_START: "Start it now, outdoors. These are about the first minutes.",
    Engine.RUNNING: "Let it idle until it is warm, outdoors. Keep clear of belt and fan.",
}
PLACE_WORDS: Mapping[str, str] = {
    "seat": "in the driver's seat",
    "ground": "low down: the ground and under the car",
    "side": "at the side of the engine",
    "top": "over the engine",
    "front": "at the front: belt, fan and radiator",
    "rear": "beside and behind the car",
}
ANSWER_WORDS: Mapping[str, str] = {YES: "Yes", NO: "No", COULD_NOT_LOOK: "Could not look"}
NOT_SURE = "Not sure"  # what it is called where nobody looks, but remembers


def where_words(question: Question) -> str:
    """Return the state of the engine and the place one stands at; what is remembered has no place."""
    title = ENGINE_TITLES[question.engine]
    return title if question.engine is Engine.REMEMBERED else f"{title}, {PLACE_WORDS[question.place]}"


def answer_words(question: Question, answer: str) -> str:
    """Return an answer as it is said to this question: what one remembers one may be unsure of."""
    unsure = answer == COULD_NOT_LOOK and question.engine is Engine.REMEMBERED
    return NOT_SURE if unsure else ANSWER_WORDS[answer]


def moved(before: float, after: float) -> str:
    """Return how a probability of being worn moved, in words with numbers.

    >>> moved(0.2, 0.874), moved(0.2, 0.0009)
    ('more likely worn: 20% → 87%', 'less likely worn: 20% → under 1%')
    """
    return f"{'more' if after > before else 'less'} likely worn: {_percent(before)} → {_percent(after)}"


def _percent(share: float) -> str:
    return "under 1%" if share < 0.01 else "over 99%" if share > 0.99 else f"{share:.0%}"
