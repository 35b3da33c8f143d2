"""The frozen records that cross a border between two folders; they hold data and have no behaviour.

Units are those of SAE J1979 (degC, 1/min, km/h, kPa, g/s, %, V); a screen converts, nothing else does.
Unknown is `None`, never a made-up default.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from functools import cached_property
from math import isfinite
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from obdwatch.urgency import Urgency as Urgency

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


class PollClass(StrEnum):
    """How often a parameter is worth asking for."""

    FAST = "fast"  # moves within a second: engine speed, load, pressure, air flow, timing, short trims
    MEDIUM = "medium"  # moves within a few seconds
    SLOW = "slow"  # temperatures, long trims, voltage
    RARE = "rare"  # about every half minute: distances, levels, status
    ONCE = "once"  # fixed for a session: fuel type, scaling maxima
    NEVER = "never"  # support bitmaps; asked while connecting


class ReplyStatus(StrEnum):
    """What became of one request."""

    OK = "ok"
    NO_DATA = "no_data"
    NEGATIVE = "negative"
    SHORT = "short"
    WRONG_REPLY = "wrong_reply"
    BUS_ERROR = "bus_error"
    TIMEOUT = "timeout"


@dataclass(frozen=True, slots=True)
class Parameter:
    """One quantity of SAE J1979 service 01: where its bits lie in the reply and what they mean.

    `pid_bytes` is the length of the whole reply data for the parameter id (without service and id).
    The quantity is the unsigned or two's-complement integer in bits `first_bit` .. `first_bit + bits - 1`
    counted from the most significant bit of the first data byte; value = raw * scale + offset, in `unit`.
    `support_bit` is the bit (0 = least significant) of the first data byte that says whether this field is
    present, None where it always is. `full_scale` names the 4F/50 maximum that may rescale the field.
    `states` names the raw values of an enumeration. `absent_raw` is a raw value that means "no value".
    """

    key: str
    service: int
    pid: int
    name: str
    unit: str
    pid_bytes: int
    first_bit: int
    bits: int
    signed: bool
    scale: float
    offset: float
    minimum: float
    maximum: float
    poll_class: PollClass
    obd_command: str | None
    source: str
    support_bit: int | None = None
    full_scale: str | None = None
    absent_raw: int | None = None
    states: Mapping[int, str] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True, slots=True)
class Exchange:
    """One request and what one control unit answered to it.

    `t` [s] is when the request was sent, on the session's own time axis; `latency` [s] how long the answer took.
    `request` holds the service bytes (`01 0C 0D`), or an adapter command in ASCII (`ATRV`).
    `payload` is the whole checked answer from its service byte on (`41 0C 1A F8 0D 3C`; ASCII for an adapter
    command); it is present for status OK and only then a source of values. `raw` keeps what really arrived
    when that was no valid answer. `ecu` is the address of the control unit that answered (0x7E8; the source
    byte on a K-line), None when none did.
    """

    t: float
    latency: float
    request: bytes
    ecu: int | None
    status: ReplyStatus
    payload: bytes | None = None
    negative_code: int | None = None
    raw: str | None = None


@dataclass(frozen=True, slots=True)
class Connection:
    """What connecting found out.

    `supported` maps each control unit to the service 01 parameter ids it claims; `services` to the ids it claims
    of services 06 and 09. `parameters_per_request` is 1 where the link takes only one. `rate` [requests/s] is
    measured.
    """

    port: str
    adapter: str
    protocol: str
    ecus: tuple[int, ...]
    supported: Mapping[int, tuple[int, ...]]
    parameters_per_request: int
    rate: float
    services: Mapping[int, Mapping[int, tuple[int, ...]]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Session:
    """One recording or import, and what was known about it.

    `started_at` is aware and in UTC, None when an import does not tell. `odometer_km` [km], `soak_hours` [h]
    standing before the start.
    """

    id: str
    started_at: datetime | None
    car_id: str | None = None
    odometer_km: float | None = None
    soak_hours: float | None = None
    adapter: str | None = None
    protocol: str | None = None
    supported: Mapping[int, tuple[int, ...]] = field(default_factory=dict)
    origin: str = "recorded"  # or "imported"
    note: str = ""
    tool_version: str = ""


class MarkKind(StrEnum):
    """What happened at a point of a session that is not a reply."""

    GAP = "gap"
    LINK_LOST = "link_lost"
    RECONNECT = "reconnect"
    ENGINE_START = "engine_start"
    ENGINE_STOP = "engine_stop"
    ASLEEP = "asleep"
    CLOCK_CHANGE = "clock_change"
    NOTE = "note"
    END = "end"


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that happened at `t` [s] and lasted `duration` [s]."""

    t: float
    kind: MarkKind
    text: str = ""
    duration: float = 0.0


@dataclass(frozen=True, slots=True)
class Signal:
    """One quantity with its own times: `times` [s] from session start, increasing; `values` in `unit`; equal length."""

    key: str
    unit: str
    times: FloatArray
    values: FloatArray
    ecu: int | None = None


class CodeKind(StrEnum):
    """In which memory a trouble code was found: service 03, 07, 0A."""

    STORED = "stored"
    PENDING = "pending"
    PERMANENT = "permanent"


@dataclass(frozen=True, slots=True)
class CodeReading:
    """A trouble code read at `t` [s] from a control unit."""

    t: float
    kind: CodeKind
    code: str
    ecu: int | None = None


@dataclass(frozen=True, slots=True)
class MonitorResult:
    """One on-board monitor test result (service 06).

    `value`, `minimum`, `maximum` are scaled to `unit`; None where `scaling` is an id nobody has published, and then
    `raw` (value, minimum, maximum as unsigned 16-bit) is all there is. `completed` is False for a test that has not
    run since the memory was erased (value and limits all zero).
    """

    t: float
    ecu: int | None
    monitor: int
    test: int
    scaling: int
    raw: tuple[int, int, int]
    value: float | None
    minimum: float | None
    maximum: float | None
    unit: str
    completed: bool


@dataclass(frozen=True, slots=True)
class FreezeFrame:
    """The snapshot a control unit kept with a code: values by parameter key, in the parameter's unit."""

    t: float
    ecu: int | None
    frame: int
    code: str | None
    values: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Readiness:
    """Service 01 parameter 01 or 41: lamp, number of codes, and each monitor as (supported, complete)."""

    t: float
    ecu: int | None
    lamp_on: bool | None
    code_count: int | None
    compression_ignition: bool
    monitors: Mapping[str, tuple[bool, bool]]
    this_cycle: bool = False


@dataclass(frozen=True, slots=True)
class VehicleInformation:
    """Service 09: what a control unit says of itself.

    `vin_check` is True or False for a 17-character VIN whose check digit fits or not, None where there is no VIN.
    """

    ecu: int | None
    vin: str | None = None
    vin_check: bool | None = None
    calibration_ids: tuple[str, ...] = ()
    calibration_verification: tuple[str, ...] = ()
    ecu_name: str | None = None
    in_use_counters: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Drive:
    """A session as analysis sees it: signals, codes, monitor results and marks.

    `problems` are sentences for the user about the recording itself (recovered after a crash, replies thrown away).
    Signals that a second control unit also sends are kept under `key@7E9`. `codes_read` names the code memories that
    at least one control unit answered for; only of those can a drive say that they hold no code.
    """

    session: Session
    signals: Mapping[str, Signal]
    codes: tuple[CodeReading, ...] = ()
    monitors: tuple[MonitorResult, ...] = ()
    freeze_frames: tuple[FreezeFrame, ...] = ()
    readiness: tuple[Readiness, ...] = ()
    vehicle: tuple[VehicleInformation, ...] = ()
    marks: tuple[Mark, ...] = ()
    problems: tuple[str, ...] = ()
    codes_read: frozenset[CodeKind] = frozenset()


@dataclass(frozen=True, slots=True)
class Car:
    """A car as its keeper describes it; every field but `id` may be unknown.

    `displacement_l` [L]; `thermostat_temperature` [degC]; `part_new_at_km` [km] by part id, None for "unknown".
    """

    id: str
    name: str = ""
    fuel: str | None = None  # petrol, e10, e85, diesel
    displacement_l: float | None = None
    cylinders: int | None = None
    layout: str | None = None  # inline, vee, flat
    bank_cylinders: tuple[tuple[int, ...], ...] | None = None
    firing_order: tuple[int, ...] | None = None
    induction: str | None = None  # naturally_aspirated, turbo
    air_metering: str | None = None  # air_flow, pressure, both
    cam_timing: tuple[str, ...] | None = None  # of intake, exhaust
    intake_flaps: bool | None = None
    coolant_pump: str | None = None  # electric, belt
    thermostat_temperature: float | None = None
    ignition: str | None = None  # coil_per_cylinder, shared_coils, distributor
    plug_type: str | None = None
    transmission: str | None = None
    units: str | None = None  # metric, us: what the keeper reads and types where nothing else is said
    part_new_at_km: Mapping[str, float | None] = field(default_factory=dict)


class EventKind(StrEnum):
    """What a keeper writes into the log."""

    REPAIR = "repair"
    INSPECTION = "inspection"
    REFUEL = "refuel"
    CODE_ERASE = "code_erase"
    ODOMETER = "odometer"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Event:
    """An entry of the log: at `at` (aware, UTC) and `odometer_km` [km] something was done or seen.

    `question` is the id of the question of the guided inspection that `answer` (yes, no, could not look) answers.
    """

    car_id: str
    at: datetime
    kind: EventKind
    odometer_km: float | None = None
    part: str | None = None
    answer: str | None = None
    note: str = ""
    id: int | None = None
    question: str | None = None


class Verdict(StrEnum):
    """The three answers of a detector."""

    FAULT = "fault"
    HEALTHY = "healthy"
    NOT_ENOUGH_DATA = "not_enough_data"


@dataclass(frozen=True, slots=True)
class Measure:
    """A number a finding rests on: `value` with its `interval`, beside the `expected` range, in `unit`."""

    name: str
    value: float
    unit: str
    interval: tuple[float, float] | None = None
    expected: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Span:
    """A piece of the drive, from `start` to `end` [s], and what is to be seen there."""

    start: float
    end: float
    text: str = ""


@dataclass(frozen=True, slots=True)
class Finding:
    """What one detector says of one drive.

    `signature` names the fault pattern (`stuck_open`), empty where there is none; `confidence` is 0 to 1; `parts`
    are the part ids it points to, likeliest first; `reasons` are sentences with numbers; `drive_to_get` says what
    to drive when data was missing. `learnt` are numbers for the car's history that mean nothing on a screen, such as
    the cells of a surface.
    """

    detector: str
    verdict: Verdict
    signature: str = ""
    urgency: Urgency | None = None
    confidence: float = 0.0
    headline: str = ""
    reasons: tuple[str, ...] = ()
    parts: tuple[str, ...] = ()
    measures: tuple[Measure, ...] = ()
    spans: tuple[Span, ...] = ()
    drive_to_get: str = ""
    cautions: tuple[str, ...] = ()
    learnt: tuple[Measure, ...] = ()


@dataclass(frozen=True, slots=True)
class Feature:
    """A measure of one drive kept for the car's history; `at` aware UTC, `odometer_km` [km], both None if unknown."""

    session_id: str
    detector: str
    name: str
    value: float
    unit: str
    interval: tuple[float, float] | None = None
    at: datetime | None = None
    odometer_km: float | None = None
    healthy: bool = True  # the verdict of the detector on that drive


@dataclass(frozen=True)
class History:
    """What is known of a car before this drive: features of earlier drives, oldest first, and its log.

    A thousand drives hold 200,000 features, and every detector asks for its own: they are sorted once.
    """

    features: tuple[Feature, ...] = ()
    events: tuple[Event, ...] = ()

    @cached_property
    def by_detector(self) -> Mapping[str, Sequence[Feature]]:
        """The features of each detector that are finite numbers, oldest first."""
        found: dict[str, list[Feature]] = {}
        detector, own = "", list[Feature]()
        for feature in self.features:
            if feature.detector != detector:  # those of one drive and detector stand together
                detector = feature.detector
                own = found.setdefault(detector, [])
            if isfinite(feature.value):
                own.append(feature)
        return found

    @cached_property
    def by_name(self) -> Mapping[str, Mapping[str, Sequence[Feature]]]:
        """The same by detector and name."""
        found: dict[str, dict[str, list[Feature]]] = {}
        for detector, own in self.by_detector.items():
            names = found[detector] = defaultdict(list)
            for feature in own:
                names[feature.name].append(feature)
        return {detector: dict(names) for detector, names in found.items()}


@dataclass(frozen=True, slots=True)
class Evidence:
    """Something that speaks for or against one wear part being degraded.

    `likelihood_ratio` is P(seen | degraded) / P(seen | sound), positive; `reason` is a sentence for the owner;
    `source` says where it comes from: `finding:<session id>:<detector>`, `code:<session id>:<code>`,
    `inspection:<event id>`. Evidence of one symptom that several parts could cause carries the same `group`.
    """

    part: str
    likelihood_ratio: float
    reason: str
    source: str
    group: str = ""


@dataclass(frozen=True, slots=True)
class PartRisk:
    """How worn one part is likely to be, and what follows.

    `prior` is the probability of being degraded by distance alone, `degraded` the one after all evidence;
    `failure_within_miles` maps 1000, 5000 and 10000 to the probability of failing within that many miles from now;
    `since_new_km` is what the prior rests on, and `age_known` whether it is known or assumed to be the car's own
    distance. `reasons` come in order of weight; `decided_by` says which single test or drive would tell most.
    """

    part: str
    prior: float
    degraded: float
    failure_within_miles: Mapping[int, float]
    since_new_km: float | None
    age_known: bool
    reasons: tuple[Evidence, ...] = ()
    decided_by: str = ""


@dataclass(frozen=True, slots=True)
class Visit:
    """Jobs that are done in one go: `miles_from_now`, the access steps opened in order, hours and cost, and why.

    `why` gives a sentence for each job; `cost` (parts and labour) is in the user's own currency.
    """

    miles_from_now: float
    jobs: tuple[str, ...]
    access_steps: tuple[str, ...]
    hours: float
    cost: float
    why: Mapping[str, str]
