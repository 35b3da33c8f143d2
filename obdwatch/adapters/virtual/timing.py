"""How long things take: the virtual adapter, its serial line, the bus, and the wait for further answers.

A request costs the adapter's own turnaround, the frames on the bus, the control unit's answering time and then the
wait in which another control unit might still answer; adaptive timing shortens that wait. Figures marked (CP) are
common practice for small adapters, those from a standard are from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

from obdwatch.adapters.virtual.protocols import BusProtocol

TIMEOUT_UNIT = 0.004096  # s; one count of `AT ST`
DEFAULT_TIMEOUT = 0x32  # about 205 ms
K_LINE_BETWEEN_REQUESTS = 0.055  # s; P3 minimum of ISO 14230-2
K_LINE_BETWEEN_MESSAGES = 0.025  # s; P2 minimum
K_LINE_SESSION = 5.0  # s; P3 maximum, after which a session without traffic has ended
CAN_FRAME_OVERHEAD_BITS = 47 + 18  # arbitration, control, check and gap bits, about the longer identifier and stuffing
SEPARATION = 0.0005  # s; between consecutive frames of one control unit (flow control says "as fast as you can")
ADAPTIVE = {1: (2.0, 0.012), 2: (1.5, 0.004)}  # wait = factor * slowest answer seen + margin [s] (CP)


@dataclass(frozen=True, slots=True)
class AdapterTiming:
    """The time behaviour of one adapter, all in seconds.

    `request_time` fixes the time from a request's carriage return to the prompt whenever someone answers, which makes
    rates comparable; None lets it follow from the parts. `character` is the time of one character on the
    serial line (0.26 ms at 38,400 bit/s, 0 over a network).
    """

    request_time: float | None = None
    turnaround: float = 0.006  # (CP) from the carriage return to the request on the bus, and for the prompt
    command: float = 0.001  # (CP) an AT command
    reset: float = 0.3  # (CP) ATZ; a warm start is quicker
    warm_start: float = 0.03  # (CP)
    character: float = 0.0

    def frame(self, protocol: BusProtocol, data_bytes: int) -> float:
        """Time of one frame on the bus [s]."""
        if protocol.is_can:
            return (CAN_FRAME_OVERHEAD_BITS + 8 * data_bytes) / (1000 * protocol.rate)
        bits = 10 * (data_bytes + 4)  # three header bytes and the check byte, start and stop bit each
        return bits / (1000 * protocol.rate)


class AnswerWait:
    """How long to listen after the last frame before giving the prompt back (`AT AT`, `AT ST`)."""

    def __init__(self) -> None:
        self._slowest: float | None = None

    def forget(self) -> None:
        """Start learning anew, as after a reset or with a new protocol."""
        self._slowest = None

    def learn(self, delay: float) -> None:
        """Take note that the slowest answer to a request came `delay` [s] after it or after the frame before."""
        self._slowest = delay if self._slowest is None else max(delay, 0.9 * self._slowest)

    def seconds(self, adaptive: int, timeout: float) -> float:
        """The wait in force under adaptive timing mode 0, 1 or 2 and the set `timeout` [s]."""
        if adaptive not in ADAPTIVE or self._slowest is None:
            return timeout
        factor, margin = ADAPTIVE[adaptive]
        return min(timeout, factor * self._slowest + margin)
