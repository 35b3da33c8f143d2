"""Reads once what a car has stored, for `obdwatch check`: nothing is recorded, nothing is changed in the car."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TypeVar

from obdwatch.adapters.adapter import Adapter
from obdwatch.clock import Clock
from obdwatch.decoding.freeze_frames import FrameReply, gather_freeze_frames
from obdwatch.decoding.monitors import decode_results
from obdwatch.decoding.parameters import decode_fields, layout_of
from obdwatch.decoding.readiness import decode_readiness
from obdwatch.decoding.replies import split_parameters
from obdwatch.decoding.trouble_codes import CODE_SERVICES, decode_codes
from obdwatch.decoding.vehicle_information import with_item
from obdwatch.errors import ReplyError
from obdwatch.recording.extra_requests import VOLTAGE, ExtraRequests
from obdwatch.recording.silence import parse_voltage
from obdwatch.records import (
    CodeKind,
    CodeReading,
    Connection,
    Exchange,
    FreezeFrame,
    MonitorResult,
    Readiness,
    ReplyStatus,
    VehicleInformation,
)

READINESS, READINESS_THIS_CYCLE = 0x01, 0x41
MAXIMA = (0x4F, 0x50)
SUPPLY_VOLTAGE = 0x42
ATTEMPTS = 3  # for a reply that arrives damaged
_FREEZE_FRAME, _MONITORS, _INFORMATION = 0x02, 0x06, 0x09
_SETTLED = frozenset({ReplyStatus.OK, ReplyStatus.NEGATIVE, ReplyStatus.NO_DATA})

Found = TypeVar("Found")


@dataclass(frozen=True, slots=True)
class CarCheck:
    """What a car has stored at one moment.

    `answered` names the code memories that a control unit answered for: without an answer, "no codes" is not known.
    `adapter_voltage` is measured at pin 16, `module_voltage` by the control unit [V]. `problems` are sentences for the
    user about what could not be read.
    """

    connection: Connection
    answered: frozenset[CodeKind]
    codes: tuple[CodeReading, ...]
    freeze_frames: tuple[FreezeFrame, ...]
    readiness: tuple[Readiness, ...]
    monitors: tuple[MonitorResult, ...]
    vehicle: tuple[VehicleInformation, ...]
    adapter_voltage: float | None
    module_voltage: float | None
    problems: tuple[str, ...]


def read_once(adapter: Adapter, connection: Connection, clock: Clock) -> CarCheck:
    """Ask a connected car for everything it has stored; takes from seconds to a minute. Raises ConnectionLost.

    Times in the result are those of `clock`.
    """
    exchanges = [*_stored(adapter, connection, clock), *_current(adapter, connection)]
    return _Evaluation(connection, exchanges).result()


def _stored(adapter: Adapter, connection: Connection, clock: Clock) -> Iterable[Exchange]:
    """Ask everything that is not of service 01 once, and what its answers lead to."""
    extras = ExtraRequests(connection, needs_voltage=True)
    while (request := extras.not_asked) is not None:
        answers = (adapter.voltage(),) if request == VOLTAGE else _ask(adapter, request)
        extras.heard(request, answers, clock.elapsed())
        yield from answers


def _current(adapter: Adapter, connection: Connection) -> Iterable[Exchange]:
    supported = {pid for pids in connection.supported.values() for pid in pids}
    for pid in (READINESS, READINESS_THIS_CYCLE, SUPPLY_VOLTAGE, *MAXIMA):
        if pid in supported:
            yield from _ask(adapter, bytes((0x01, pid)))


def _ask(adapter: Adapter, request: bytes) -> tuple[Exchange, ...]:
    answers: tuple[Exchange, ...] = ()
    for _ in range(ATTEMPTS):
        answers = adapter.request(request)
        if all(answer.status in _SETTLED for answer in answers):
            break
    return answers


class _Evaluation:
    """Turns the answers of a car into records."""

    def __init__(self, connection: Connection, exchanges: Iterable[Exchange]) -> None:
        self._connection = connection
        self._can = "CAN" in connection.protocol.upper()
        self._answers: list[Exchange] = []
        self._problems: list[str] = []
        for exchange in exchanges:
            if exchange.status is ReplyStatus.OK and exchange.payload is not None:
                self._answers.append(exchange)
            elif exchange.status not in (ReplyStatus.NO_DATA, ReplyStatus.NEGATIVE):
                self._problem(exchange.request, str(exchange.status).replace("_", " "))
        self._parameters = list(self._split())

    def result(self) -> CarCheck:
        """Everything as one record."""
        voltages = [parse_voltage(answer.payload) for answer in self._of(VOLTAGE[0])]
        module = [value for values in self._values(SUPPLY_VOLTAGE).values() for value in values.values()]
        return CarCheck(
            connection=self._connection,
            answered=frozenset(kind for service, kind in CODE_SERVICES.items() if self._of(service)),
            codes=tuple(reading for service, kind in CODE_SERVICES.items() for reading in self._codes(service, kind)),
            freeze_frames=tuple(self._freeze_frames()),
            readiness=tuple(self._readiness()),
            monitors=tuple(result for answer in self._of(_MONITORS) for result in self._monitors(answer)),
            vehicle=tuple(self._vehicle()),
            adapter_voltage=next((volts for volts in voltages if volts is not None), None),
            module_voltage=next(iter(module), None),
            problems=tuple(self._problems),
        )

    def _of(self, first_byte: int) -> list[Exchange]:
        return [answer for answer in self._answers if answer.request[0] == first_byte]

    def _decoded(self, answer: Exchange, decode: Callable[[bytes], Found], otherwise: Found) -> Found:
        """Decode one payload; a reply that is none after all becomes a problem."""
        try:
            return decode(answer.payload or b"")
        except ReplyError as error:
            self._problem(answer.request, str(error))
            return otherwise

    def _problem(self, request: bytes, why: str) -> None:
        self._problems.append(f"request {request.hex(' ').upper()} gave no usable answer ({why})")

    def _codes(self, service: int, kind: CodeKind) -> Iterable[CodeReading]:
        nothing: tuple[str, ...] = ()
        for answer in self._of(service):
            for code in self._decoded(answer, lambda payload: decode_codes(payload, self._can), nothing):
                yield CodeReading(answer.t, kind, code, answer.ecu)

    def _monitors(self, answer: Exchange) -> tuple[MonitorResult, ...]:
        return self._decoded(answer, lambda payload: decode_results(payload, answer.t, answer.ecu, self._can), ())

    def _freeze_frames(self) -> Iterable[FreezeFrame]:
        answers = self._of(_FREEZE_FRAME)
        maxima = self._values(*MAXIMA)
        for ecu in dict.fromkeys(answer.ecu for answer in answers):
            replies = [FrameReply(answer.t, ecu, answer.payload or b"") for answer in answers if answer.ecu == ecu]
            layout = layout_of(self._connection.supported.get(ecu, ()) if ecu is not None else ())
            try:
                yield from gather_freeze_frames(replies, maxima.get(ecu), layout)
            except ReplyError as error:
                self._problem(bytes((_FREEZE_FRAME,)), str(error))

    def _split(self) -> Iterable[tuple[Exchange, int, bytes]]:
        """Every service 01 parameter that came, with the answer it came in."""
        nothing: tuple[tuple[int, bytes], ...] = ()
        for answer in self._of(0x01):
            for pid, data in self._decoded(answer, split_parameters, nothing):
                yield answer, pid, data

    def _readiness(self) -> Iterable[Readiness]:
        for answer, pid, data in self._parameters:
            if pid in (READINESS, READINESS_THIS_CYCLE):
                yield decode_readiness(data, answer.t, answer.ecu, pid == READINESS_THIS_CYCLE)

    def _values(self, *pids: int) -> dict[int | None, dict[str, float]]:
        """The values of some parameters by control unit."""
        values: dict[int | None, dict[str, float]] = {}
        for answer, pid, data in self._parameters:
            if pid in pids:
                values.setdefault(answer.ecu, {}).update(decode_fields(pid, data))
        return values

    def _vehicle(self) -> Iterable[VehicleInformation]:
        units: dict[int | None, VehicleInformation] = {}
        for answer in self._of(_INFORMATION):
            known = units.get(answer.ecu, VehicleInformation(answer.ecu))
            units[answer.ecu] = self._decoded(answer, _adding(known, self._can), known)
        return units.values()


def _adding(known: VehicleInformation, can: bool) -> Callable[[bytes], VehicleInformation]:
    return lambda payload: with_item(known, payload, can)
