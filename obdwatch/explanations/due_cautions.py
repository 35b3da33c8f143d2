"""The cautions that the first checks of a code call for: hands near belts, fuel, heat, or the spark.

Every explanation brings the cautions of its system; a check may go further than its system does ("lift the oil cap at
idle"). What must then be added stands in `data/due_cautions.toml`.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from functools import lru_cache

from obdwatch.explanations.code_table import DATA
from obdwatch.explanations.toml_sections import text_of

DUE_CAUTIONS = DATA / "due_cautions.toml"
_SENTENCE = re.compile(r"(?<=[.!?])\s+")


def cautions_due(checks: Sequence[str]) -> tuple[str, ...]:
    """Return the ids of the cautions that these checks call for, in the order of the table.

    >>> cautions_due(["Lift the oil cap at idle."])
    ('moving_parts',)
    """
    sentences = [sentence for check in checks for sentence in _SENTENCE.split(check)]
    return tuple(
        caution
        for caution, asks, but_not in _rules()
        if any(asks.search(sentence) and not but_not.search(sentence) for sentence in sentences)
    )


@lru_cache(maxsize=1)
def _rules() -> tuple[tuple[str, re.Pattern[str], re.Pattern[str]], ...]:
    return tuple(
        (caution, re.compile(rule["asks"], re.IGNORECASE), re.compile(rule["but_not"], re.IGNORECASE))
        for caution, rule in tomllib.loads(text_of(DUE_CAUTIONS)).items()
    )
