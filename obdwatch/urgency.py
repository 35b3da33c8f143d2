"""How soon to act, in one small module that imports nothing, so that reading codes does not wait for numpy."""

from __future__ import annotations

from enum import StrEnum


class Urgency(StrEnum):
    """How soon to act, least first."""

    WATCH = "watch"
    NEXT_SERVICE = "next_service"
    SOON = "soon"
    STOP = "stop"
