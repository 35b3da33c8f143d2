"""The text of one reply, sorted into lines that may be frames, conditions, and damage.

First step from characters to payloads; nothing here knows a vehicle protocol.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from obdwatch.adapters.elm327.conditions import PROGRESS, Condition, condition_behind, condition_of

_LINE_ENDS = re.compile(r"[\r\n]+")
_HEX = re.compile(r"^[0-9A-F]+$")


@dataclass(frozen=True, slots=True)
class ReplyText:
    """One reply without its prompt.

    `hex_lines` may be frames (upper case, no spaces); `damaged` says that a line was neither a frame nor words of the
    adapter; `echoed` that the reply began with the command itself; `empty` that there was nothing but line ends.
    """

    hex_lines: tuple[str, ...]
    conditions: frozenset[Condition]
    damaged: bool
    echoed: bool
    empty: bool


def lines_of(text: str) -> list[str]:
    """The non-empty lines of `text`, whatever ends them, upper case and without spaces."""
    return [line for raw in _LINE_ENDS.split(text) if (line := raw.replace(" ", "").upper())]


def sort_lines(text: str, command: str) -> ReplyText:
    """Sort the lines of a reply to `command`."""
    lines = lines_of(text)
    echoed = bool(lines) and lines[0] == command
    frames: list[str] = []
    conditions: set[Condition] = set()
    damaged = False
    for line in lines[1:] if echoed else lines:
        rest = PROGRESS.sub("", line)
        condition = condition_of(line) or condition_of(rest)
        if condition is not None:
            conditions.add(condition)
        elif _HEX.match(rest):
            frames.append(rest)
        elif rest:
            damaged = True
            conditions.update(filter(None, [condition_behind(rest)]))
    return ReplyText(tuple(frames), frozenset(conditions), damaged, echoed, empty=not lines)
