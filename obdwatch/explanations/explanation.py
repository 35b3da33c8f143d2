"""The frozen records of an explained trouble code: what `codes` hands to the command, the report and the dashboard.

They hold words, part ids and parameter keys; nothing here knows where the words come from.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from obdwatch.urgency import Urgency


class Origin(StrEnum):
    """Where the words of an explanation come from."""

    WRITTEN = "written"  # knowledge written for this code
    COMPOSED = "composed"  # put together from component, failure type and place
    MAKER = "maker"  # a maker's own code: only its structure is known
    RESERVED = "reserved"  # the standard keeps this number for later
    UNLISTED = "unlisted"  # a standard number whose meaning is not in our table


@dataclass(frozen=True, slots=True)
class Cause:
    """One usual cause; `part` is the wear part id where there is one."""

    text: str
    part: str | None = None


@dataclass(frozen=True, slots=True)
class LiveData:
    """A live parameter (its J1979 key) and what to look for in it."""

    key: str
    look_for: str


@dataclass(frozen=True, slots=True)
class Place:
    """Where in the car: each None where the code does not say.

    `circuit` is the letter or number that tells several like components apart; `cam` is "intake" or "exhaust";
    `position` is free words of place ("front left").
    """

    bank: int | None = None
    sensor: int | None = None
    cylinder: int | None = None
    cam: str | None = None
    circuit: str | None = None
    position: str | None = None


@dataclass(frozen=True, slots=True)
class FailureType:
    """The failure type byte some control units add to a code (`P0171-00`), and what it says."""

    byte: int
    text: str
    source: str


@dataclass(frozen=True, slots=True)
class CodeExplanation:
    """A trouble code in plain language.

    `causes` stand in the order of how often they are to blame, `first_checks` from bare hands to instruments.
    `purpose` says what the component is for, empty where there is none; `component` is its id, None where the code
    names none.
    """

    code: str
    title: str
    meaning: str
    purpose: str
    car_does: str
    driver_notices: str
    urgency: Urgency
    may_drive: str
    cautions: tuple[str, ...]
    causes: tuple[Cause, ...]
    first_checks: tuple[str, ...]
    live_data: tuple[LiveData, ...]
    confused_with: tuple[str, ...]
    standard: bool
    origin: Origin
    system: str = ""
    component: str | None = None
    place: Place = Place()
    failure_type: FailureType | None = None
