"""What is asked besides service 01: codes, freeze frames, monitor results, vehicle information, the adapter's voltage.

Each of these takes a whole request of the link, so they are few and spread out; the poll plan decides when the next
one may go. Whatever fits the moment best is the one that has waited longest against its interval.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from obdwatch.decoding.parameters import supported_in
from obdwatch.records import Connection, Exchange, ReplyStatus

CODE_REQUESTS = (b"\x03", b"\x07", b"\x0a")
FREEZE_FRAME_CODE = b"\x02\x02\x00"  # which code stored frame 0; no code, no frame
VOLTAGE = b"ATRV"

MISFIRE_MONITORS = range(0xA1, 0xAE)  # general, then cylinders 1 to 12 (SAE J1979)
CAM_TIMING_MONITORS = range(0x35, 0x39)
HALF_MINUTE = 30.0  # s; for the counters that move within a drive
FEW_MINUTES = 240.0  # s; for monitors that run once or twice per drive, and for codes
VOLTAGE_INTERVAL = 2.0  # s; where the control unit does not report its own supply
LONGEST_INTERVAL = 3600.0  # s; for what is never answered
RETRY_FIRST = 10.0  # s; after the first unanswered request for something asked once; doubles each time

BITMAP_STEP = 0x20
INFORMATION_COUNTS = (0x01, 0x03, 0x05, 0x07, 0x09)  # service 09 message counts of older links; they tell nothing


@dataclass(slots=True)
class _Extra:
    """One request with its interval [s]; infinite when one answer is enough."""

    request: bytes
    interval: float
    asked_at: float | None = None
    is_answered: bool = False
    refusals: int = 0

    def urgency(self, now: float) -> float:
        """How long it has waited against how long it may; from 1 on it is due."""
        if self.asked_at is None:
            return math.inf
        if self.is_answered and math.isinf(self.interval):
            return 0.0
        usual = RETRY_FIRST if math.isinf(self.interval) else self.interval
        return (now - self.asked_at) / min(usual * 2.0**self.refusals, max(usual, LONGEST_INTERVAL))


class ExtraRequests:
    """The requests other than live parameters for one car, and what their answers lead to."""

    def __init__(self, connection: Connection, *, needs_voltage: bool) -> None:
        self._extras: dict[bytes, _Extra] = {}
        self._code_answers: dict[tuple[bytes, int | None], bytes] = {}
        for request in CODE_REQUESTS:
            self._add(request, FEW_MINUTES)
        self._add(FREEZE_FRAME_CODE, math.inf)
        if needs_voltage:
            self._add(VOLTAGE, VOLTAGE_INTERVAL)
        self._add_information(_offered(connection, 0x09))
        self._add_monitors(_offered(connection, 0x06))

    @property
    def not_asked(self) -> bytes | None:
        """The first request that has never been asked, None when there is none left."""
        return next((extra.request for extra in self._extras.values() if extra.asked_at is None), None)

    def most_urgent(self, now: float) -> tuple[float, bytes] | None:
        """The request that has waited longest against its interval, with its urgency; None when none is due."""
        urgent = max(self._extras.values(), key=lambda extra: extra.urgency(now), default=None)
        if urgent is None or urgent.urgency(now) < 1.0:
            return None
        return urgent.urgency(now), urgent.request

    def heard(self, request: bytes, exchanges: Sequence[Exchange], now: float) -> None:
        """Learn from what came back for one of these requests."""
        extra = self._extras.get(request)
        if extra is None:
            return
        extra.asked_at = now
        answers = [(e.ecu, e.payload) for e in exchanges if e.status is ReplyStatus.OK and e.payload is not None]
        extra.is_answered |= bool(answers)
        extra.refusals = 0 if answers else min(extra.refusals + 1, 10)
        for ecu, payload in answers:
            if request in CODE_REQUESTS:
                self._codes_read(request, ecu, payload)
            elif request[0] == 0x02:
                self._freeze_frame_read(request, payload)

    def forgive(self) -> None:
        """Forget refusals, because the car was asleep and not unwilling."""
        for extra in self._extras.values():
            extra.refusals = 0

    def _add(self, request: bytes, interval: float) -> None:
        self._extras.setdefault(request, _Extra(request, interval))

    def _add_information(self, items: Iterable[int]) -> None:
        for item in items:
            if item not in INFORMATION_COUNTS:
                self._add(bytes((0x09, item)), math.inf)

    def _add_monitors(self, monitors: Iterable[int]) -> None:
        frequent = [monitor for monitor in monitors if monitor in MISFIRE_MONITORS or monitor in CAM_TIMING_MONITORS]
        for monitor in frequent:
            self._add(bytes((0x06, monitor)), HALF_MINUTE)
        for monitor in monitors:
            self._add(bytes((0x06, monitor)), FEW_MINUTES)

    def _codes_read(self, request: bytes, ecu: int | None, payload: bytes) -> None:
        """Ask for the freeze frame anew when the codes have changed and there are any."""
        before = self._code_answers.get((request, ecu))
        self._code_answers[request, ecu] = payload
        if before is not None and before != payload and any(payload[1:]):
            for known in self._extras.values():
                if known.request[0] == 0x02:
                    known.asked_at, known.is_answered = None, False

    def _freeze_frame_read(self, request: bytes, payload: bytes) -> None:
        """Follow from the code of a frame to the bitmaps and parameters it holds."""
        pid, data = request[1], payload[3:]
        if request == FREEZE_FRAME_CODE:
            if any(data):
                self._add(b"\x02\x00\x00", math.inf)
        elif pid % BITMAP_STEP == 0 and len(data) == 4:
            for held in supported_in(pid, data):
                if held != FREEZE_FRAME_CODE[1]:
                    self._add(bytes((0x02, held, 0x00)), math.inf)


def _offered(connection: Connection, service: int) -> list[int]:
    """What any control unit claims of a service, without its support bitmaps."""
    offered = {item for services in connection.services.values() for item in services.get(service, ())}
    return sorted(item for item in offered if item % BITMAP_STEP)
