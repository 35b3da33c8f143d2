"""What an ELM327-compatible adapter says in words instead of, before or behind the frames of a reply.

The texts are those of the ELM327 command set; each maps to what it means for the request.
"""

from __future__ import annotations

import re
from enum import Enum


class Condition(Enum):
    """A state the adapter reports in words."""

    NO_DATA = "no data"  # nobody answered in time
    BUS_ERROR = "bus error"  # the bus or the reception failed; frames may be missing
    DISCONNECTED = "disconnected"  # as bus error, and the adapter has given the protocol up
    STOPPED = "stopped"  # a character interrupted the adapter: we are out of step
    NOT_UNDERSTOOD = "not understood"  # "?"
    RESET = "reset"  # the adapter restarted: its settings are gone


# Compared without spaces and dots, because adapters set them differently.
CONDITION_TEXTS: tuple[tuple[str, Condition], ...] = (
    ("NODATA", Condition.NO_DATA),
    ("BUFFERFULL", Condition.BUS_ERROR),
    ("UNABLETOCONNECT", Condition.DISCONNECTED),
    ("BUSINIT:ERROR", Condition.DISCONNECTED),
    ("BUSERROR", Condition.BUS_ERROR),
    ("BUSBUSY", Condition.BUS_ERROR),
    ("CANERROR", Condition.BUS_ERROR),
    ("DATAERROR", Condition.BUS_ERROR),
    ("<DATAERROR", Condition.BUS_ERROR),
    ("RXERROR", Condition.BUS_ERROR),
    ("<RXERROR", Condition.BUS_ERROR),
    ("FBERROR", Condition.BUS_ERROR),
    ("ACTALERT", Condition.BUS_ERROR),
    ("LPALERT", Condition.BUS_ERROR),
    ("ERR94", Condition.RESET),  # fatal CAN error: the adapter restarts itself
    ("LVRESET", Condition.RESET),
    ("STOPPED", Condition.STOPPED),
    ("?", Condition.NOT_UNDERSTOOD),
)

PROGRESS = re.compile(r"^(?:SEARCHING\.*|BUSINIT:\.*(?:OK)?)+")  # said while at work; a frame may be glued behind it
ERROR_NUMBER = re.compile(r"^ERR\d\d$")
BANNER = re.compile(r"^[A-Z]+\d*V\d+\.\d+[A-Z0-9.]*$")


def condition_of(line: str) -> Condition | None:
    """The condition a whole line (upper case, no spaces) stands for, None when it is none of them."""
    text = line.replace(".", "")
    for known, condition in CONDITION_TEXTS:
        if text == known:
            return condition
    if ERROR_NUMBER.match(text):
        return Condition.BUS_ERROR
    return Condition.RESET if BANNER.match(line) else None


def condition_behind(line: str) -> Condition | None:
    """The condition glued behind something else (`7E8...<DATAERROR`), None when there is none."""
    for known, condition in CONDITION_TEXTS:
        if len(known) > 1 and line.endswith(known):
            return condition
    return None
