"""Written knowledge that serves several codes: does its title still say which of them is meant?

"Brake pedal switch: signal fault" fits four codes, but one says too low and one too high. Then title and meaning
come from the code table, which tells them apart, and the rest from what is written.
"""

from __future__ import annotations

from collections.abc import Iterable

from obdwatch.explanations.code_table import CodeFacts, facts_of
from obdwatch.explanations.knowledge import Entry


def says_too_little(entry: Entry) -> bool:
    """Return whether the title of an entry reads the same for codes that mean different things."""
    return hides_differences(entry.title, [facts_of(code) for code in entry.codes])


def hides_differences(title: str, facts: Iterable[CodeFacts | None]) -> bool:
    """Return whether a title, with its placeholders, hides what tells these codes apart.

    It does where they differ in component or failure type, or in a place that the title has no placeholder for.
    """
    known = [item for item in facts if item is not None]
    kinds = {(item.component, item.fault) for item in known}
    return len(kinds) > 1 or (len({item.place for item in known}) > 1 and "{" not in title)
