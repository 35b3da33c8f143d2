"""What a live value shows when a part of a system fails that has no live value of its own (`data/live_hints.csv`).

Empty where nothing certain can be said: then the value is better not shown at all.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType

from obdwatch.explanations.code_table import DATA
from obdwatch.explanations.toml_sections import text_of

LIVE_HINTS = DATA / "live_hints.csv"
LEFT_OUT = "-"  # in the table: this value says nothing about this system


@dataclass(frozen=True, slots=True)
class Hint:
    """What to look for in a live value: as the first one shown, or beside the first."""

    first: str = ""
    beside: str = ""


def hints_for(group: str, key: str, *, electrical: bool) -> Hint:
    """Return what to look for in `key` (as in components.csv, with its placeholders) for a component of `group`.

    `electrical`: the fault is in the wiring, not in how the part works.
    """
    working, wiring, beside = _hints().get((group, key), ("", "", ""))
    return Hint(wiring if electrical else working, beside)


@lru_cache(maxsize=1)
def _hints() -> Mapping[tuple[str, str], tuple[str, str, str]]:
    rows = csv.reader(text_of(LIVE_HINTS).splitlines()[1:])
    # "=" in the column of wiring faults: the same sentence as for a part that does not work
    return MappingProxyType(
        {
            (group, key): (working, working if wiring == "=" else wiring, beside)
            for group, key, working, wiring, beside in rows
        }
    )
