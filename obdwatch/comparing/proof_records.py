"""What a comparison before and after a repair works on and what it says; frozen records, no behaviour."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from obdwatch.records import Event, Finding, Session, Verdict


class Change(StrEnum):
    """What became of a number or a fault between before and after."""

    PROVEN = "proven"  # it was out of range, is in range now, and that is beyond chance
    BETTER = "better"  # better beyond chance, or gone, but not shown to be in order
    UNCHANGED = "unchanged"
    WORSE = "worse"
    CANNOT_TELL = "cannot_tell"  # nothing comparable was driven, or what was leaves both open


@dataclass(frozen=True, slots=True)
class Cell:
    """Mean of a quantity in one region of conditions: `value`, its standard `error` (NaN unknown), `weight` [s]."""

    value: float
    weight: float
    error: float


@dataclass(frozen=True, slots=True)
class Driven:
    """What a comparison needs of the file of a drive; see `DriveRecord`, whose `cells` hold also those of findings."""

    trims: Mapping[str, Mapping[str, Cell]]
    turns: Mapping[str, float]
    pending: frozenset[str]


@dataclass(frozen=True, slots=True)
class DriveRecord:
    """What a comparison needs of one drive.

    `conditions` are those it was driven in, by name: outside_air [degC], coolant_at_start [degC], soak_hours [h].
    `cells` are means by region of engine speed and load, by measure. `turns` are revolutions of the engine by
    condition (cold_start, cold, warm, idle, light, loaded). `pending` are the codes the car itself suspected.
    """

    session: Session
    findings: tuple[Finding, ...]
    conditions: Mapping[str, float] = field(default_factory=dict)
    cells: Mapping[str, Mapping[str, Cell]] = field(default_factory=dict)
    turns: Mapping[str, float] = field(default_factory=dict)
    pending: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Side:
    """The number on one side: `value` with its 95 % `interval` from `drives` drives, beside the `expected` range."""

    value: float
    interval: tuple[float, float]
    drives: int
    expected: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Compared:
    """One number before and after.

    `difference` is after less before, in `unit`, with its 95 % `interval`; `probability` that chance alone moves it so
    far. `limits` are the ends of the range that count as harm, None where there is none. `touched` says whether the
    repair should move it. `why` is a sentence where there is more to say.
    """

    detector: str
    name: str
    words: str
    unit: str
    change: Change
    before: Side | None = None
    after: Side | None = None
    difference: float | None = None
    interval: tuple[float, float] | None = None
    probability: float | None = None
    limits: tuple[float | None, float | None] = (None, None)
    touched: bool = False
    why: str = ""


@dataclass(frozen=True, slots=True)
class Symptom:
    """One detector before and after: its verdicts drive by drive, and what became of the fault."""

    detector: str
    change: Change
    before: tuple[Verdict, ...]
    after: tuple[Verdict, ...]
    why: str
    drive_to_get: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Proof:
    """Whether a repair worked.

    `parts` were renewed by `repairs` (empty where the log knows of none). `symptoms` are the faults that decide,
    `measures` every number that both sides have or should have. `remarks` say how far all this can be trusted;
    `next_drive` are steps in order.
    """

    change: Change
    headline: str
    car_id: str | None
    parts: tuple[str, ...]
    repairs: tuple[Event, ...]
    before: tuple[Session, ...]
    after: tuple[Session, ...]
    symptoms: tuple[Symptom, ...]
    measures: tuple[Compared, ...]
    remarks: tuple[str, ...] = ()
    next_drive: tuple[str, ...] = ()
