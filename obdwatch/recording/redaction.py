"""A copy of a session that may be handed on: what measures the car stays, what tells whose car it is does not.

What may stay is listed, not what must go, so that a new kind of record is left out until somebody has thought about
it. Nothing is replaced by something made up: what is removed is simply not there.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from obdwatch.decoding.parameters import PARAMETER_BY_KEY
from obdwatch.decoding.vehicle_information import COMPRESSION_COUNTERS, SPARK_COUNTERS
from obdwatch.recording.session_file import SessionContents, SessionWriter, read_session
from obdwatch.records import Exchange, Mark, MarkKind, Session

REDACTED_ID = "redacted-drive"  # a session's own id tells date, time and car

# Services whose answers hold no name and no number of the car: current data, freeze frames, codes, monitor results.
KEPT_SERVICES = frozenset({0x01, 0x02, 0x03, 0x06, 0x07, 0x0A})
INFORMATION_SERVICE = 0x09
# Of service 09 only what is supported (00, 20, ...) and the in-use counters; identification number, calibrations,
# their verification numbers and names of control units go.
KEPT_ITEMS = frozenset({*range(0x00, 0x100, 0x20), SPARK_COUNTERS, COMPRESSION_COUNTERS})
VOLTAGE_COMMAND = b"ATRV"  # the only adapter command whose answer is a measurement
ADAPTER_VOLTAGE = "adapter_voltage"
# Marks whose text this program writes without naming a port; all other texts go.
KEPT_MARK_TEXTS = frozenset({MarkKind.GAP, MarkKind.ENGINE_START, MarkKind.ENGINE_STOP, MarkKind.ASLEEP, MarkKind.END})


def redact(source: Path | str, target: Path | str) -> Path:
    """Write a redacted copy of a session file to `target`, which must not exist; return it.

    The start keeps its day but not its time of day. Odometer and codes stay, because nothing can be judged without
    them. Raises SessionFileError.
    """
    contents, target = read_session(source), Path(target)
    with SessionWriter(target, redacted_session(contents.session)) as writer:
        for exchange in _exchanges(contents):
            writer.exchange(exchange)
        for key, (times, values) in contents.samples.items():
            if _may_stay(key):
                writer.samples(key, times, values)
        for code in contents.codes:
            writer.code(code)
        for result in contents.monitors:
            writer.monitor(result)
        for mark in contents.marks:
            writer.mark(_without_names(mark))
    return target


def redacted_session(session: Session) -> Session:
    """Return what may be told about a session."""
    start = session.started_at
    return replace(
        session,
        id=REDACTED_ID,
        started_at=start.replace(hour=0, minute=0, second=0, microsecond=0) if start is not None else None,
        car_id=None,
        adapter=None,
        note="",
    )


def _exchanges(contents: SessionContents) -> Iterator[Exchange]:
    """Exchanges that may stay, without the raw text of damaged answers: it may hold a piece of anything."""
    columns = (contents.t, contents.latency, contents.request, contents.ecu, contents.status, contents.payload)
    for row in zip(*columns, contents.negative_code, strict=True):
        exchange = Exchange(*row)
        if _is_harmless(exchange.request):
            yield exchange


def _is_harmless(request: bytes) -> bool:
    if request[:1] == bytes([INFORMATION_SERVICE]):
        return all(item in KEPT_ITEMS for item in request[1:])
    return request == VOLTAGE_COMMAND or request[:1] in {bytes([service]) for service in KEPT_SERVICES}


def _may_stay(key: str) -> bool:
    """Whether imported samples are a quantity of SAE J1979; positions and columns of the user's own are none."""
    base = key.partition("@")[0]
    return base in PARAMETER_BY_KEY or base == ADAPTER_VOLTAGE


def _without_names(mark: Mark) -> Mark:
    return mark if mark.kind in KEPT_MARK_TEXTS else replace(mark, text="")
