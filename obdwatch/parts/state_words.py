"""The state of a car in one sentence: what its newest drive found, and what all that was seen says of its parts.

The same on the page and in the report.
"""

from __future__ import annotations

from collections.abc import Sequence

from obdwatch.explanations.part_names import part_name
from obdwatch.explanations.wording import URGENCY_SENTENCES
from obdwatch.parts.risk_words import is_suspected, percent
from obdwatch.records import Finding, PartRisk, Verdict
from obdwatch.urgency import Urgency

MOST_NAMED = 3
_URGENT_FIRST = tuple(reversed(Urgency))


def state_sentence(said: Sequence[Finding], risks: Sequence[PartRisk]) -> str:
    """Return the state in one sentence, what needs a decision first.

    `said` are the findings of the newest drive, with their words; `risks` are of all parts, the likeliest first.
    """
    faults = sorted((one for one in said if one.verdict is Verdict.FAULT), key=_rank)
    suspected = [one for one in risks if is_suspected(one)]
    worn = f"what was seen speaks for wear of the {_named(suspected)}" if suspected else ""
    if faults:
        return "; ".join(filter(None, (_found(faults), worn))) + "."
    if suspected:
        return f"{worn[0].upper()}{worn[1:]}; the newest drive itself shows no fault."
    open_ = any(one.verdict is Verdict.NOT_ENOUGH_DATA for one in said)
    more = ", though the newest drive could not answer every question" if open_ else ""
    return f"Nothing that was seen points to a worn part{more}."


def _rank(finding: Finding) -> int:
    return _URGENT_FIRST.index(finding.urgency) if finding.urgency is not None else len(_URGENT_FIRST)


def _found(faults: Sequence[Finding]) -> str:
    first, others = faults[0], len(faults) - 1
    act = URGENCY_SENTENCES[first.urgency].rstrip(".") if first.urgency is not None else ""
    told = f"{first.headline.rstrip('.')}{f': {act[0].lower()}{act[1:]}' if act else ''}"
    return f"{told}; the newest drive shows {others} more fault{'' if others == 1 else 's'}" if others else told


def _named(suspected: Sequence[PartRisk]) -> str:
    names = [f"{part_name(one.part)} ({percent(one.degraded)})" for one in suspected[:MOST_NAMED]]
    rest = len(suspected) - len(names)
    names += [f"{rest} more part{'' if rest == 1 else 's'}"] if rest else []
    return f"{', '.join(names[:-1])} and {names[-1]}" if len(names) > 1 else names[0]
