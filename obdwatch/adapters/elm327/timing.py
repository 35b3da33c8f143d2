"""How long the adapter waits for the car, tightened only as far as no answer is lost.

An adapter cannot know how many control units will answer, so it waits after each answer; most of the time of a request
is that wait. Adaptive timing (ATAT2) and a shorter limit (ATST) cut it. Both are tried against the car while
connecting, kept only if every control unit still answers, and given up again when answers go missing later.
"""

from __future__ import annotations

from dataclasses import dataclass

from obdwatch.adapters.elm327.transport import Transport

TICK = 0.004  # s; the unit of ATST in the ELM327 command set
SHORTEST_WAIT = 0.032  # s; below this ISO 15765-4's 50 ms answer time would be cut even for quick cars
DEFAULT_WAIT = 0x32  # ticks, 200 ms: what adapters start with


@dataclass(frozen=True, slots=True)
class Timing:
    """The settings that rule the adapter's wait: `adaptive` as in ATAT, `wait` as in ATST [ticks of 4 ms]."""

    adaptive: int = 1
    wait: int = DEFAULT_WAIT

    def apply(self, transport: Transport) -> None:
        """Set it; adapters that do not know a command keep what they have."""
        transport.adapter_command(f"ATAT{self.adaptive}")
        transport.adapter_command(f"ATST{self.wait:02X}")


CAUTIOUS = Timing()
PATIENT = Timing(adaptive=0, wait=0x7D)  # 500 ms, for a control unit that asked for time; fits a 1 s deadline
QUICK = Timing(adaptive=2)


def limited_to(answer_time: float) -> Timing:
    """Quick timing with a limit of twice the time [s] this car needs for an answer."""
    wait = max(SHORTEST_WAIT, 2 * answer_time) + SHORTEST_WAIT
    return Timing(adaptive=2, wait=min(DEFAULT_WAIT, round(wait / TICK)))
