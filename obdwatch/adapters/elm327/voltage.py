"""The supply voltage an adapter measures at pin 16 (`ATRV`), parsed strictly: half a number is no voltage."""

from __future__ import annotations

import re

MINIMUM = 5.0  # V; below it an adapter does not run, so the figure has lost a digit
MAXIMUM = 32.0  # V; above any 12 V or 24 V vehicle
_VOLTAGE = re.compile(r"^(\d{1,2}\.\d{1,2})V$")


def voltage_of(text: str) -> float | None:
    """The voltage [V] in the answer to `ATRV` (echo allowed), None when it is not exactly one plausible figure."""
    lines = [line for line in text.upper().replace(" ", "").split() if line != "ATRV"]
    match = _VOLTAGE.match(lines[0]) if len(lines) == 1 else None
    volts = float(match.group(1)) if match else 0.0
    return volts if MINIMUM <= volts <= MAXIMUM else None


def decimals_of(text: str) -> int:
    """How many decimals the figure in `text` has; 0 where there is no figure."""
    match = re.search(r"\.(\d+)", text)
    return len(match.group(1)) if match else 0
