"""What a check of a sensor returns when the sensor fails it."""

from __future__ import annotations

from dataclasses import dataclass

from obdwatch.records import Measure, Span, Urgency


@dataclass(frozen=True, slots=True)
class Doubt:
    """A signal not to be trusted: its `key`, the `signature` of the check it failed and a short `reason`.

    The reason goes on from the sensor's name ("reads 22 °C below the air"). `parts` are likeliest first, empty where no
    wear part stands behind the signal. A doubt that is not `firm` has an innocent explanation too, and the signal is
    still used.
    """

    key: str
    signature: str
    reason: str
    parts: tuple[str, ...] = ()
    measures: tuple[Measure, ...] = ()
    span: Span | None = None
    confidence: float = 0.9
    urgency: Urgency = Urgency.NEXT_SERVICE
    firm: bool = True


@dataclass(frozen=True, slots=True)
class Check:
    """What a comparison came to: the `doubts` it raised, and what it looked at where it raised none (`measures`)."""

    doubts: tuple[Doubt, ...] = ()
    measures: tuple[Measure, ...] = ()
