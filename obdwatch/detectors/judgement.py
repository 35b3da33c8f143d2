"""What a detector concludes, before the numbers are attached."""

from __future__ import annotations

from dataclasses import dataclass

from obdwatch.records import Urgency, Verdict


@dataclass(frozen=True, slots=True)
class Judgement:
    """A verdict: `signature` names the fault, or what was missing; `parts` are likeliest first."""

    verdict: Verdict
    signature: str = ""
    urgency: Urgency | None = None
    confidence: float = 0.0
    parts: tuple[str, ...] = ()
