"""Keeps lists, of first checks and of what a code is confused with, from saying the same thing twice in other words.

A check is made of sentences. A sentence says nothing new where all its words that carry meaning stand in another
sentence of the list already ("Check its fuse." after "Check fuse, relay and plug.").
"""

from __future__ import annotations

import re
from collections.abc import Sequence

_SENTENCE = re.compile(r"(?<=[.!?])\s+")
_WORD = re.compile(r"[a-z0-9]+")
# Words that carry no meaning of their own in a check, or that different sentences use for the same act.
_EMPTY = frozenset(
    {
        "a", "also", "an", "and", "are", "as", "at", "check", "closely", "do", "does", "first", "for", "in", "is",
        "it", "its", "look", "looking", "of", "on", "or", "read", "see", "the", "them", "then", "there", "they",
        "this", "to", "whether", "with", "your",
    }
)  # fmt: skip
_MOSTLY_THE_SAME = 0.6  # share of the words of the shorter sentence; looked through by eye over all codes
_BLAMES_BATTERY = re.compile(r"\b(?:battery|low voltage)\b", re.IGNORECASE)


def without_repeats(checks: Sequence[str]) -> tuple[str, ...]:
    """Return the checks in their order, without sentences that another sentence of the list already says.

    >>> without_repeats(["Check fuse, relay and plug.", "Check its fuse. Look at the wires."])
    ('Check fuse, relay and plug.', 'Look at the wires.')
    """
    sentences = [(number, text) for number, check in enumerate(checks) for text in _SENTENCE.split(check) if text]
    kept = [
        (number, text)
        for index, (number, text) in enumerate(sentences)
        if not any(_says_no_more(text, index, other, place) for place, (_, other) in enumerate(sentences))
    ]
    return tuple(
        " ".join(text for owner, text in kept if owner == number)
        for number in dict.fromkeys(number for number, _ in kept)
    )


def without_repeated_blame(*texts: str) -> tuple[str, ...]:
    """Return the sentences that are not empty; of two that blame the same thing only the first, more special one."""
    kept: list[str] = []
    for text in texts:
        if text and not any(_blame_the_same(text, other) for other in kept):
            kept.append(text)
    return tuple(kept)


def words_of(sentence: str) -> frozenset[str]:
    """Return the words of a sentence that carry its meaning, in the singular."""
    return frozenset(_singular(word) for word in _WORD.findall(sentence.lower()) if word not in _EMPTY)


def _says_no_more(text: str, index: int, other: str, place: int) -> bool:
    """True where `other` says all that `text` says, and more, or the same and earlier."""
    mine, theirs = words_of(text), words_of(other)
    return bool(mine) and index != place and mine <= theirs and (mine != theirs or place < index)


def _singular(word: str) -> str:
    return word[:-1] if len(word) > 3 and word.endswith("s") and not word.endswith("ss") else word


def _blame_the_same(one: str, other: str) -> bool:
    if _BLAMES_BATTERY.search(one) and _BLAMES_BATTERY.search(other):
        return True
    mine, theirs = words_of(one), words_of(other)
    return len(mine & theirs) >= _MOSTLY_THE_SAME * min(len(mine), len(theirs))
