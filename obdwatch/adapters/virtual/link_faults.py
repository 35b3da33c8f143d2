"""Damage on demand between the virtual adapter and its client, the same again for the same seed.

Each fault strikes with a probability per command, always, or once at a given time. What it does is what cheap
adapters and bad links do: lose, cut, repeat or delay text, forget the prompt, give up with an error word.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from random import Random

from obdwatch.adapters.virtual.answer import Answer, Line, say
from obdwatch.adapters.virtual.bus import BusReply
from obdwatch.errors import InputError

# What each fault does, and the value it takes when none is given.
LINK_FAULTS: dict[str, tuple[str, float]] = {
    "silent": ("the command is swallowed; with :SECONDS so is everything in that time", 0.0),
    "late": ("the answer comes :SECONDS later", 1.5),
    "cut": ("the answer ends in the middle of a line", 0.0),
    "garbage": ("a few bytes that are no text stand in a line", 0.0),
    "drop": ("one line of the answer is missing", 0.0),
    "double": ("every line comes twice", 0.0),
    "foreign": ("the lines of the answer before come instead", 0.0),
    "no_prompt": ("the prompt is missing", 0.0),
    "echo": ("commands are echoed whatever ATE0 says", 0.0),
    "unknown": ("commands that begin with :TEXT are answered with ?", 0.0),
    "buffer_full": ("the answer breaks off with BUFFER FULL", 0.0),
    "stopped": ("the request is answered with STOPPED", 0.0),
    "can_error": ("the request is answered with CAN ERROR", 0.0),
    "data_error": ("the last line ends in <DATA ERROR", 0.0),
    "no_data": ("the request is answered with NO DATA", 0.0),
    "pending": ("control units ask for patience (7F ss 78) and answer :SECONDS later", 0.05),
    "busy": ("control units answer that they are busy (7F ss 21)", 0.0),
    "link_loss": ("the link breaks and comes back after :SECONDS", 5.0),
    "reset": ("the adapter restarts and has forgotten its settings", 0.0),
}

ERROR_WORDS = {"stopped": "STOPPED", "can_error": "CAN ERROR", "no_data": "NO DATA"}
_PATTERN = re.compile(r"(?P<name>[a-z_]+)(=(?P<probability>[0-9.eE+-]+)|@(?P<at>[0-9.]+))?(:(?P<value>.+))?")
_NO_TEXT = [code for code in range(1, 256) if not 0x20 <= code < 0x7F and code not in (0x0A, 0x0D)]


@dataclass(frozen=True, slots=True)
class LinkFault:
    """One fault: its `probability` per command or the time `at` [s] it strikes once, and `seconds` or a `command`."""

    name: str
    probability: float = 1.0
    at: float | None = None
    seconds: float = 0.0
    command: str = ""


def parse_link_fault(text: str) -> LinkFault:
    """Read `NAME`, `NAME=PROBABILITY` or `NAME@TIME`, each with an optional `:VALUE`.

    Examples: `drop=0.02`, `late=0.02:1.5`, `link_loss@60:5`, `unknown:ATAT2`.
    Raises InputError with one line that says what is wrong and what there is.
    """
    match = _PATTERN.fullmatch(text.strip())
    if match is None or match["name"] not in LINK_FAULTS:
        raise InputError(
            f"link fault {text!r}: not known; use NAME, NAME=PROBABILITY or NAME@SECONDS, "
            f"optionally :VALUE, where NAME is one of {', '.join(LINK_FAULTS)}"
        )
    name = match["name"]
    try:
        probability = float(match["probability"] or 1.0)
        at = float(match["at"]) if match["at"] else None
        value = match["value"] or ""
        command = _compact(value) if name == "unknown" else ""
        seconds = float(value) if value and not command else LINK_FAULTS[name][1]
    except ValueError:
        raise InputError(f"link fault {text!r}: a number was expected") from None
    if not 0.0 <= probability <= 1.0:
        raise InputError(f"link fault {text!r}: a probability lies between 0 and 1")
    if not 0.0 <= seconds < float("inf"):
        raise InputError(f"link fault {text!r}: a time in seconds cannot be negative or endless")
    if name == "unknown" and not command:
        raise InputError(f"link fault {text!r}: say which command, as in unknown:ATAT2")
    return LinkFault(name, probability, at, seconds, command)


def _compact(command: str) -> str:
    return re.sub(r"\s", "", command).upper()


class LinkFaults:
    """Decides at each command which faults strike, and does the damage to answers."""

    def __init__(self, faults: Iterable[LinkFault] = (), seed: int = 0) -> None:
        self._faults: dict[str, list[LinkFault]] = {}
        for fault in faults:
            self._faults.setdefault(fault.name, []).append(fault)
        # A generator of its own for each fault: adding one leaves the others as they were.
        self._random = {name: Random(f"{seed}/{name}") for name in self._faults}
        self._done: set[LinkFault] = set()
        self._silent_until = -1.0
        self._before: tuple[Line, ...] = ()

    def strike(self, name: str, now: float, command: str = "") -> LinkFault | None:
        """The fault of this name if it strikes now, at `now` [s] since the start."""
        for fault in self._faults.get(name, ()):
            if command.startswith(fault.command) and self._falls_due(fault, now):
                return fault
        return None

    def _falls_due(self, fault: LinkFault, now: float) -> bool:
        if fault.at is None:
            return fault.probability >= 1.0 or self._random[fault.name].random() < fault.probability
        if now < fault.at or fault in self._done:
            return False
        self._done.add(fault)
        return True

    def silent(self, now: float) -> bool:
        """Whether the adapter is deaf and dumb at `now` [s]."""
        return now < self._silent_until

    def on_bus(self, request: bytes, replies: Sequence[BusReply], now: float) -> Sequence[BusReply]:
        """What control units do instead of answering straight away."""
        if not replies:
            return replies
        if self.strike("busy", now):
            return [BusReply(reply.ecu, bytes([0x7F, request[0], 0x21]), reply.delay) for reply in replies]
        if fault := self.strike("pending", now):
            waits = [BusReply(reply.ecu, bytes([0x7F, request[0], 0x78]), reply.delay) for reply in replies]
            return waits + [replace(reply, delay=reply.delay + fault.seconds) for reply in replies]
        return replies

    def on_answer(self, answer: Answer, now: float, to_car: bool) -> Answer:
        """The answer as the client gets it; `to_car` says that the command was a request to the car."""
        if to_car:
            answer = self._on_request(answer, now)
        if fault := self.strike("late", now):
            shifted = tuple(Line(line.at + fault.seconds, line.text) for line in answer.lines)
            answer = replace(answer, lines=shifted, ready=answer.ready + fault.seconds)
        if fault := self.strike("silent", now):
            self._silent_until = now + fault.seconds
            return Answer((), 0.0, prompt=False)
        if self.strike("no_prompt", now):
            answer = replace(answer, prompt=False)
        return answer

    def _on_request(self, answer: Answer, now: float) -> Answer:
        for name, word in ERROR_WORDS.items():
            if self.strike(name, now):
                return replace(say(word, after=answer.ready), interruptible=answer.interruptible)
        lines = self._exchanged(list(answer.lines), now)
        for name, damage in _DAMAGES.items():
            if lines and self.strike(name, now):
                lines = damage(lines, self._random[name])
        return replace(answer, lines=tuple(lines))

    def _exchanged(self, lines: list[Line], now: float) -> list[Line]:
        before, self._before = self._before, tuple(lines)
        if before and self.strike("foreign", now):
            return [Line(lines[0].at if lines else 0.0, line.text) for line in before]
        return lines


def _cut(lines: list[Line], random: Random) -> list[Line]:
    index = random.randrange(len(lines))
    line = lines[index]
    return [*lines[:index], Line(line.at, line.text[: random.randrange(max(1, len(line.text.rstrip())))])]


def _garbage(lines: list[Line], random: Random) -> list[Line]:
    index = random.randrange(len(lines))
    line = lines[index]
    place = random.randrange(len(line.text) + 1)
    noise = "".join(chr(random.choice(_NO_TEXT)) for _ in range(random.randint(1, 4)))
    return [*lines[:index], Line(line.at, line.text[:place] + noise + line.text[place:]), *lines[index + 1 :]]


def _drop(lines: list[Line], random: Random) -> list[Line]:
    index = random.randrange(len(lines))
    return lines[:index] + lines[index + 1 :]


def _double(lines: list[Line], _: Random) -> list[Line]:
    return [line for line in lines for _ in range(2)]


def _buffer_full(lines: list[Line], random: Random) -> list[Line]:
    kept = _cut(lines, random)
    return [*kept, Line(kept[-1].at, "BUFFER FULL")]


def _data_error(lines: list[Line], _: Random) -> list[Line]:
    last = lines[-1]
    return [*lines[:-1], Line(last.at, f"{last.text.rstrip()} <DATA ERROR")]


_DAMAGES = {
    "drop": _drop,
    "cut": _cut,
    "garbage": _garbage,
    "double": _double,
    "data_error": _data_error,
    "buffer_full": _buffer_full,
}
