"""What the virtual adapter says to one command, with the time of every line, before it becomes characters."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf


@dataclass(frozen=True, slots=True)
class Line:
    """A line of text, complete `at` [s] after the command's carriage return."""

    at: float
    text: str


@dataclass(frozen=True, slots=True)
class Answer:
    """The lines of an answer and when the adapter is ready again [s]; `ready` is infinite while it monitors the bus.

    `prompt` False leaves the prompt out. A character from the client breaks off an answer that is `interruptible`.
    """

    lines: tuple[Line, ...]
    ready: float
    prompt: bool = True
    interruptible: bool = False


def say(*texts: str, after: float = 0.0) -> Answer:
    """An answer whose lines all come `after` [s]."""
    return Answer(tuple(Line(after, text) for text in texts), after)


MONITORING = Answer((), inf, interruptible=True)
