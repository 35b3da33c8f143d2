"""What to do while no control unit answers: ignition off, or units asleep through cranking.

The voltage at the adapter still tells of the starter, so it is read many times a second at first and whenever it
moves, and rarely over a parked night; now and then a probe looks whether the units are back.
"""

from __future__ import annotations

from dataclasses import dataclass

from obdwatch.adapters.adapter import DEFAULT_DEADLINE
from obdwatch.recording.extra_requests import VOLTAGE

SUSPICIOUS = 2  # unanswered requests in a row, after which a probe decides
VOLTAGE_STEP = 0.3  # V; a door, the ignition or the starter; more than an adapter's reading wavers (common practice)
VOLTAGE_FAILURES = 3  # then the adapter is taken to be unable to measure it
SHORT_DEADLINE = 0.5  # s; a unit on CAN answers within 50 ms (ISO 15765-4)
LONG_DEADLINE = 3.0  # s; a K-line has to be woken first (ISO 9141-2: an address at 5 baud)
LONG_EVERY = 4  # one probe in so many gets the long deadline


@dataclass(frozen=True, slots=True)
class _Stage:
    """Until `until` [s] after the last sign of life: intervals [s] of reading the voltage and of probing."""

    until: float
    voltage: float
    probe: float


STAGES = (_Stage(30.0, 0.04, 1.0), _Stage(600.0, 1.0, 2.0), _Stage(float("inf"), 2.0, 10.0))  # common practice


class Silence:
    """Follows whether control units answer, and says what to ask while they do not."""

    def __init__(self) -> None:
        self._since: float | None = None
        self._unanswered = 0
        self._is_certain = False
        self._stage_since = 0.0
        self._probed_at = 0.0
        self._probes = 0
        self._voltage_at = 0.0
        self._voltage: float | None = None
        self._voltage_failures = 0

    @property
    def is_suspected(self) -> bool:
        """Whether requests go unanswered, so that only a probe makes sense."""
        return self._unanswered >= SUSPICIOUS

    @property
    def is_certain(self) -> bool:
        """Whether a probe went unanswered too."""
        return self._is_certain

    @property
    def since(self) -> float | None:
        """When the first unanswered request was sent, once silence is certain."""
        return self._since if self._is_certain else None

    def request(self, now: float, probe: bytes) -> tuple[bytes, float, float]:
        """Return the next request, the earliest moment to send it [s], and its deadline [s]."""
        if not self._is_certain:
            return probe, now, DEFAULT_DEADLINE
        stage = next(stage for stage in STAGES if now - self._stage_since < stage.until)
        probe_at = self._probed_at + stage.probe
        voltage_at = self._voltage_at + stage.voltage
        if probe_at <= now or self._voltage_failures >= VOLTAGE_FAILURES or probe_at < voltage_at:
            deadline = LONG_DEADLINE if self._probes % LONG_EVERY == LONG_EVERY - 1 else SHORT_DEADLINE
            return probe, max(now, probe_at), deadline
        return VOLTAGE, max(now, voltage_at), DEFAULT_DEADLINE

    def heard(self, sent_at: float, now: float, *, is_probe: bool, is_answered: bool) -> float | None:
        """Take note of a request to the car; return when a silence began that has just ended."""
        if is_probe:
            self._probed_at = now
            self._probes += 1
        if is_answered:
            ended = self.since
            self._since, self._unanswered, self._is_certain, self._probes = None, 0, False, 0
            return ended
        self._since = sent_at if self._since is None else self._since
        self._unanswered += 1
        if is_probe and self._unanswered > SUSPICIOUS and not self._is_certain:
            self._is_certain = True
            self._stage_since, self._voltage, self._voltage_failures = now, None, 0
        return None

    def voltage_heard(self, payload: bytes | None, now: float) -> None:
        """Take note of the adapter's voltage reading (`12.6V`); a step starts the watching anew."""
        self._voltage_at = now
        voltage = parse_voltage(payload)
        if voltage is None:
            self._voltage_failures += 1
            return
        self._voltage_failures = 0
        if self._voltage is not None and abs(voltage - self._voltage) >= VOLTAGE_STEP:
            self._stage_since = now
        self._voltage = voltage


def parse_voltage(payload: bytes | None) -> float | None:
    """Read an adapter's voltage answer (`12.6V`) [V]; None for anything else."""
    text = (payload or b"").decode("ascii", errors="replace").strip().rstrip("Vv")
    whole, dot, fraction = text.partition(".")
    if not whole.isascii() or not whole.isdigit() or (dot and not fraction.isdigit()):
        return None
    return float(text)
