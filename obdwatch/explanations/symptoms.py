"""From what an owner says of the car ("shakes at idle") to the codes that most often stand behind it.

The words and codes are `data/symptoms.toml`. A code search asks here when the words are no part's name.
"""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import lru_cache

from obdwatch.explanations.code_table import DATA
from obdwatch.explanations.toml_sections import text_of

SYMPTOMS = DATA / "symptoms.toml"
_SLOPE = 3  # how fast a code counts less down a list; only the order it makes matters


@dataclass(frozen=True, slots=True)
class Symptom:
    """A complaint or a circumstance: heard where each set of `words` has one of those said."""

    complaint: bool
    words: tuple[frozenset[str], ...]
    codes: tuple[str, ...]

    def heard_in(self, said: Collection[str]) -> bool:
        """Return whether these words tell of it."""
        return all(any(word in said for word in one_of) for one_of in self.words)


@dataclass(frozen=True, slots=True)
class Suspects:
    """Codes with how much speaks for each, and the words that no complaint explains."""

    scores: dict[str, float]
    unheard: tuple[str, ...]


def suspects(said: Sequence[str]) -> Suspects | None:
    """Return the codes behind a complaint, None where the words (in small letters) tell of none.

    >>> found = suspects(["rough", "cold"])
    >>> max(found.scores, key=found.scores.get)
    'P0300'
    """
    heard = [symptom for symptom in symptoms() if symptom.heard_in(said)]
    complaints = [symptom for symptom in heard if symptom.complaint]
    if not complaints:
        return None
    scores = {code: 0.0 for symptom in complaints for code in symptom.codes}
    for symptom in heard:
        for rank, code in enumerate(symptom.codes):
            if code in scores:
                scores[code] += 1 / (_SLOPE + rank)
    explained = {word for symptom in heard for one_of in symptom.words for word in one_of}
    return Suspects(scores, tuple(word for word in said if word not in explained))


@lru_cache(maxsize=1)
def symptoms() -> tuple[Symptom, ...]:
    """Return every complaint and circumstance of the table."""
    return tuple(
        Symptom(kind == "complaint", tuple(frozenset(one_of) for one_of in row["words"]), tuple(row["codes"]))
        for kind, rows in tomllib.loads(text_of(SYMPTOMS)).items()
        for row in rows.values()
    )
