"""What changed from one drive of a car to the next. Pure: findings and the log in, words out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from dashboards.wording import rank
from obdwatch.explanations.part_names import part_name
from obdwatch.records import Event, EventKind, Finding, Session, Verdict


@dataclass(frozen=True, slots=True)
class Changed:
    """One change: what kind it is, and which finding or part."""

    kind: str
    what: str


def changes(
    said: Sequence[Finding], before: Sequence[Finding], events: Sequence[Event], earlier: Session
) -> tuple[Changed, ...]:
    """Return what is new, gone or not shown in `said` against `before`, and what was renewed since `earlier`."""
    once = {(f.detector, f.signature) for f in before if f.verdict is Verdict.FAULT}
    faults = sorted((f for f in said if f.verdict is Verdict.FAULT), key=rank)
    new = [Changed("New", f.headline) for f in faults if (f.detector, f.signature) not in once]
    now = {f.detector: f.verdict for f in said}
    gone = [
        Changed(
            "No longer seen" if now.get(f.detector) is Verdict.HEALTHY else "Could not be seen on this drive",
            f.headline,
        )
        for f in before
        if f.verdict is Verdict.FAULT and now.get(f.detector) is not Verdict.FAULT
    ]
    since = earlier.started_at
    renewed = [
        Changed("Renewed", part_name((event.part or "").partition(":")[0]))
        for event in events
        if event.kind is EventKind.REPAIR and event.part and since is not None and event.at > since
    ]
    return (*new, *gone, *renewed)
