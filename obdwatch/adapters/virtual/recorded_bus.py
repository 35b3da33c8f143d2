"""A recorded car on the wire: what it said then, it says again, to any client and any grouping of questions.

Nothing is made up: where the recording holds no answer that still stands, nobody answers, and in its gaps the bus is
silent.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from math import inf, nan

from obdwatch.adapters.elm327.protocols import PROTOCOLS as LINK_PROTOCOLS
from obdwatch.adapters.virtual.bus import BusReply
from obdwatch.adapters.virtual.car_bus import CONDITIONS_NOT_CORRECT, ERASE, FIRST_DELAY, NEGATIVE
from obdwatch.adapters.virtual.imported_samples import ImportedSamples
from obdwatch.adapters.virtual.protocols import PROTOCOLS, reply_address
from obdwatch.adapters.virtual.recorded_answers import (
    AnswerBook,
    Question,
    RecordedSession,
    questions_in,
)
from obdwatch.decoding.monitors import encode_result
from obdwatch.decoding.parameters import (
    decode_fields,
    support_bitmap,
)
from obdwatch.decoding.replies import SUPPORT_STEP
from obdwatch.decoding.trouble_codes import CODE_SERVICES, encode_codes
from obdwatch.records import CodeReading, MonitorResult

SUPPLY_KEY = "control_module_voltage"
SUPPLY_PID = 0x42
VOLTAGE_STANDS_FOR = 60.0  # s before or after; supply voltage is asked for rarely, and clients ask for it first
ONE_READING = 1.0  # s within which codes belong to the same reading
LEGACY_CODE_BYTES, LEGACY_ITEM_BYTES, LEGACY_RESULT_BYTES = 6, 4, 6


class RecordedBus:
    """A `Bus` that plays a session back; its time is the session's."""

    def __init__(self, contents: RecordedSession) -> None:
        self._book = AnswerBook(contents)
        self._contents = contents
        self.protocol = protocol_of(contents.session.protocol) or _protocol_by_address(self._book.units)
        self._can = PROTOCOLS[self.protocol].is_can
        self._first = min(contents.session.supported, default=min(self._book.units, default=self._engine()))
        self._imported = ImportedSamples(contents.samples, self._first, self._book.silences)
        self._units = sorted({*self._book.units, *self._imported.units, *self._other_units()})
        self._voltages = sorted([*self._adapter_readings(), *self._supply_readings()])

    def request(self, payload: bytes, target: int | None, t: float) -> Sequence[BusReply]:
        """See `Bus.request`."""
        if not payload or self._book.silences.silent(t):
            return ()
        units = [unit for unit in self._units if target in (None, unit)]
        if payload[0] == ERASE:
            refusal = bytes([NEGATIVE, ERASE, CONDITIONS_NOT_CORRECT])  # the past cannot be erased
            return [BusReply(unit, refusal, FIRST_DELAY) for unit in units]
        replies = ((unit, message) for unit in units for message in self._messages(unit, payload, t))
        return [BusReply(unit, message, FIRST_DELAY) for unit, message in replies]

    def supply_voltage(self, t: float) -> float:
        """See `Bus.supply_voltage`: the reading nearest in time, NaN where there is none within a minute."""
        place = bisect_right(self._voltages, (t, inf))
        around = self._voltages[max(0, place - 1) : place + 1]
        distance, volts = min(((abs(at - t), volts) for at, volts in around), default=(inf, nan))
        return volts if distance <= VOLTAGE_STANDS_FOR else nan

    def ignition_on(self, t: float) -> bool:
        """See `Bus.ignition_on`: whether the recorded car answered at that time."""
        return not self._book.silences.silent(t)

    def _engine(self) -> int:
        return reply_address(PROTOCOLS[self.protocol], 0)

    def _other_units(self) -> Iterable[int]:
        records: list[CodeReading | MonitorResult] = [*self._contents.codes, *self._contents.monitors]
        return {*self._contents.session.supported, *(self._unit_of(record) for record in records)}

    def _unit_of(self, record: CodeReading | MonitorResult) -> int:
        return self._first if record.ecu is None else record.ecu

    # -- answers -----------------------------------------------------------------------------------------------

    def _messages(self, unit: int, payload: bytes, t: float) -> list[bytes]:
        service = payload[0]
        answers = [
            what + content
            for _, what in dict.fromkeys(questions_in(payload))
            if (content := self._answer(unit, (service, what), t)) is not None
        ]
        if not answers:
            return []
        whole = bytes([service + 0x40]) + b"".join(answers)
        return [whole] if self._can else legacy_messages(whole)

    def _answer(self, unit: int, question: Question, t: float) -> bytes | None:
        content = self._book.at(unit, question, t)
        if content is not None or self._has_recorded(unit, question):
            return content
        service, what = question
        if service == 0x01 and what:
            return self._parameter(unit, what[0], t)
        if service in CODE_SERVICES and not what:
            return self._codes(unit, service, t)
        if service == 0x06 and len(what) == 1 and self._can:
            return self._results(unit, what[0], t)
        return None

    def _has_recorded(self, unit: int, question: Question) -> bool:
        return (unit, question) in self._book.answers

    def _parameter(self, unit: int, pid: int, t: float) -> bytes | None:
        if pid % SUPPORT_STEP:
            return self._imported.encoded(unit, pid, t)
        pids = self._contents.session.supported.get(unit) or self._known_pids(unit)
        return support_bitmap(pids, pid) if pids and (not pid or max(pids) > pid) else None

    def _known_pids(self, unit: int) -> tuple[int, ...]:
        recorded = {what[0] for ecu, (service, what) in self._book.answers if ecu == unit and service == 0x01 and what}
        return tuple(sorted(recorded | self._imported.pids(unit)))

    def _codes(self, unit: int, service: int, t: float) -> bytes | None:
        """Codes that were kept without their exchange; None where no reading of this kind is known by then."""
        known = [
            reading
            for reading in self._contents.codes
            if reading.kind is CODE_SERVICES[service] and reading.t <= t and self._unit_of(reading) == unit
        ]
        if not known:
            return None
        last = max(reading.t for reading in known)
        if last < self._book.silences.unbroken_since(t):
            return None
        codes = list(dict.fromkeys(reading.code for reading in known if reading.t > last - ONE_READING))
        return b"".join(message[1:] for message in encode_codes(service, codes, self._can))

    def _results(self, unit: int, monitor: int, t: float) -> bytes | None:
        since = self._book.silences.unbroken_since(t)
        results = {
            (result.monitor, result.test): result
            for result in self._contents.monitors
            if since <= result.t <= t and self._unit_of(result) == unit
        }
        ids = sorted({number for number, _ in results if number <= 0xFF})
        if monitor % SUPPORT_STEP == 0:
            return support_bitmap(ids, monitor) if ids and (not monitor or max(ids) > monitor) else None
        blocks = b"".join(encode_result(result) for (number, _), result in results.items() if number == monitor)
        return blocks[1:] if blocks else None  # the first monitor id repeats the question

    # -- supply voltage ----------------------------------------------------------------------------------------

    def _adapter_readings(self) -> Iterable[tuple[float, float]]:
        for t, payload in zip(self._book.voltages.times, self._book.voltages.contents, strict=True):
            try:
                yield t, float((payload or b"").decode("ascii").strip().upper().removesuffix("V"))
            except ValueError:
                continue

    def _supply_readings(self) -> Iterable[tuple[float, float]]:
        yield from self._imported.readings(SUPPLY_KEY)
        for (_, question), answers in self._book.answers.items():
            if question != (0x01, bytes([SUPPLY_PID])):
                continue
            for t, data in zip(answers.times, answers.contents, strict=True):
                if data is not None:
                    yield t, decode_fields(SUPPLY_PID, data)[SUPPLY_KEY]


def protocol_of(text: str | None) -> str | None:
    """The protocol digit meant by a digit (`6`, `A6` when found by search) or by a name; None for anything else."""
    word = (text or "").strip().upper().removeprefix("AUTO, ")
    if word in PROTOCOLS:
        return word
    if len(word) == 2 and word[0] == "A" and word[1] in PROTOCOLS:
        return word[1]
    names = [(protocol.name, protocol.digit) for protocol in PROTOCOLS.values()]
    names += [(protocol.name, protocol.digit) for protocol in LINK_PROTOCOLS]
    return next((digit for name, digit in names if name.upper() == word), None)


def _protocol_by_address(units: Sequence[int]) -> str:
    """The usual protocol whose addresses look like these."""
    if any(unit > 0xFFFF for unit in units):
        return "7"
    return "3" if units and all(unit <= 0xFF for unit in units) else "6"


def legacy_messages(whole: bytes) -> list[bytes]:
    """Cut a reply that was put together from several messages into those an older link carries.

    Codes come three to a message, items of vehicle information in numbered pieces of four bytes, monitor results one
    to a message; everything else, and an item that came as one numbered message, is one message already.
    """
    service = whole[0] - 0x40
    if service in CODE_SERVICES:
        return [whole[:1] + piece for piece in _cut(whole[1:], LEGACY_CODE_BYTES)]
    if service == 0x06:
        return [whole[:1] + piece for piece in _cut(whole[1:], LEGACY_RESULT_BYTES)]
    if service == 0x09 and len(whole) > 3 + LEGACY_ITEM_BYTES:
        pieces = _cut(whole[2:], LEGACY_ITEM_BYTES)
        return [whole[:2] + bytes([number & 0xFF]) + piece for number, piece in enumerate(pieces, start=1)]
    return [whole]


def _cut(data: bytes, size: int) -> list[bytes]:
    return [data[place : place + size] for place in range(0, len(data), size)]
