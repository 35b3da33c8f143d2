"""Commands out and reply texts back, with a deadline on every one and proof of being in step.

An adapter answers one command at a time and ends each answer with a prompt. Whatever breaks that order (silence,
stray text, an empty answer) makes the transport stop trusting it until the adapter has proven, by a recognisable
answer, that the next reply belongs to the next command. Nothing is ever written while that is in doubt: characters
that meet a busy adapter are lost one by one, and what is left of a command can be another command.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from obdwatch.adapters.elm327.conditions import Condition, condition_of
from obdwatch.adapters.elm327.prompt_habit import PromptHabit
from obdwatch.adapters.elm327.reply_text import lines_of
from obdwatch.adapters.elm327.services import EraseConfirmation, erase_text, request_text
from obdwatch.adapters.stream import Stream
from obdwatch.clock import Clock
from obdwatch.errors import ConnectionLost

PROMPT = b">"
INTERRUPT = b"\x7f\x7f\r"  # stops whatever runs; a bare carriage return would repeat the last command
NOTICE_INTERVAL = 3.0  # s without a word to the user
ADAPTER_DEADLINE = 1.0  # s, for commands the adapter answers by itself
INTERRUPT_WAIT = 0.3  # s for the prompt after an interrupt
QUIET = 0.05  # s without a byte before the line counts as drained
TIME_GRAIN = 1e-6  # s; a wait shorter than the clock can add up would never end
RESYNC_BUDGET = 2.0  # s to fall back into step before the link is given up
MAX_REPLY_BYTES = 65_536  # more than the longest ISO 15765-2 message in hexadecimal with headers (about 16 kB)
SELF_DESCRIBING = frozenset({"ATZ", "ATI", "ATWS"})  # answered by the text that otherwise means a restart
_ADAPTER_COMMAND = re.compile(r"^AT[A-Z0-9@]+$")

Notice = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class RawReply:
    """The text that answered one command.

    `sent_at` [s] is on the clock's `elapsed` axis; `first_byte` and `latency` [s] run to the first and the last byte
    that arrived, `waited` [s] to when waiting ended; `complete` says that the prompt came, where this adapter puts it.
    """

    command: str
    text: str
    sent_at: float
    first_byte: float
    latency: float
    waited: float
    complete: bool


@dataclass(frozen=True, slots=True)
class _Collected:
    """What arrived up to the prompt, and when [s after the start]."""

    text: str
    complete: bool
    first_byte: float
    last_byte: float
    waited: float


class Transport:
    """The only writer to an adapter; see the module's text for its promises."""

    def __init__(self, stream: Stream, clock: Clock, notice: Notice, port: str) -> None:
        self._stream = stream
        self._port = port
        self._clock = clock
        self._notice = notice
        self._pending = bytearray()
        self._in_step = False
        self._prompts = PromptHabit()
        self.identity: tuple[str, list[str]] | None = None  # a command, and the lines that recognisably answer it
        self.reset_seen = False  # the adapter said it restarted; whoever restores its settings clears this
        self._activity = ""
        self._last_word = clock.monotonic()

    def begin(self, activity: str) -> None:
        """Name what is going on now, for the user's ears after `NOTICE_INTERVAL` of silence."""
        self._activity = activity
        self._last_word = self._clock.monotonic()

    def adapter_command(self, command: str, deadline: float = ADAPTER_DEADLINE) -> RawReply:
        """Send an adapter command (`ATRV`); raises ValueError for anything that could reach the car."""
        if not _ADAPTER_COMMAND.match(command):
            raise ValueError(f"{command!r} is no adapter command")
        return self._exchange(command, deadline)

    def service(self, payload: bytes, deadline: float) -> RawReply:
        """Send service bytes to the car; raises ValueError for a service that must not be sent."""
        return self._exchange(request_text(payload), deadline)

    def erase(self, confirmation: EraseConfirmation, deadline: float) -> RawReply:
        """Send the one request that changes something in the car."""
        return self._exchange(erase_text(confirmation), deadline)

    def distrust(self) -> None:
        """Have the next command prove being in step first."""
        self._in_step = False

    def greet(self, command: str, deadline: float) -> RawReply:
        """Send an adapter command without being in step yet: the first contact, or after an interrupt.

        An adapter command is safe here: behind left-over characters it is at worst not understood.
        """
        self._drain()
        self._in_step = True
        return self.adapter_command(command, deadline)

    def interrupt(self, wait: float = INTERRUPT_WAIT) -> str:
        """Stop whatever the adapter does and return what it had still to say."""
        self._pending.clear()
        self._stream.write(INTERRUPT)
        collected = self._collect(wait)
        self._watch(collected.text)
        return collected.text

    def close(self) -> None:
        """Close the stream; safe to call twice."""
        self._in_step = False
        self._stream.close()

    def _exchange(self, command: str, deadline: float) -> RawReply:
        if self._in_step:
            self._check_for_stray_text()
        if not self._in_step:
            self.resynchronise()
        sent_at = self._clock.elapsed()
        self._stream.write(command.encode("ascii") + b"\r")
        got = self._collect(deadline)
        if command not in SELF_DESCRIBING:
            self._watch(got.text)
        complete = got.complete and not self._prompts.suspects(got.text)
        self._in_step = complete and bool(got.text.strip())
        return RawReply(command, got.text, sent_at, got.first_byte, got.last_byte, got.waited, complete)

    def _check_for_stray_text(self) -> None:
        """Before a write: stray prompts are dropped, but stray text means the answers have slipped by one."""
        self._pending += self._stream.read(0.0)
        stray = _text(self._pending.replace(PROMPT, b""))
        self._pending.clear()
        if stray.strip():
            self._watch(stray)
            self._in_step = False

    def resynchronise(self) -> None:
        """Interrupt, drain, and ask for the identity until the answer fits; raises ConnectionLost if it never does."""
        give_up = self._clock.monotonic() + RESYNC_BUDGET
        while self._clock.monotonic() < give_up:
            self.interrupt()
            self._drain()
            if self._proves_identity(min(INTERRUPT_WAIT * 2, max(0.0, give_up - self._clock.monotonic()))):
                self._in_step = True
                return
        raise ConnectionLost(f"{self._port}: the adapter stopped answering; check its power and its plug")

    def _proves_identity(self, deadline: float) -> bool:
        command, expected = self.identity or ("ATI", [])
        self._stream.write(command.encode("ascii") + b"\r")
        collected = self._collect(deadline)
        lines = [line for line in lines_of(collected.text) if line != command]
        if not collected.complete or not lines:
            return False
        return lines == expected if expected else condition_of(lines[-1]) in (None, Condition.RESET)

    def _drain(self) -> None:
        """Throw away what still arrives, until it is quiet for a moment (or an endless talker has had its time)."""
        give_up = self._clock.monotonic() + INTERRUPT_WAIT
        received = 0
        while self._clock.monotonic() < give_up and received < MAX_REPLY_BYTES:
            chunk = self._stream.read(QUIET)
            if not chunk:
                break
            received += len(chunk)
            self._watch(_text(chunk.replace(PROMPT, b"\r")))
        self._pending.clear()

    def _collect(self, deadline: float) -> _Collected:
        """Read up to the prompt, or until the deadline has passed."""
        started = now = last_byte = self._clock.monotonic()
        first_byte: float | None = None
        while PROMPT not in self._pending and now < started + deadline and len(self._pending) < MAX_REPLY_BYTES:
            until = min(started + deadline, self._last_word + NOTICE_INTERVAL)
            chunk = self._stream.read(max(TIME_GRAIN, until - now))
            now = self._clock.monotonic()
            if chunk:
                self._pending += chunk
                last_byte = now
                first_byte = now if first_byte is None else first_byte
            if now - self._last_word >= NOTICE_INTERVAL:
                self._notice(f"still {self._activity}")
                self._last_word = now
        before, prompt, after = bytes(self._pending).partition(PROMPT)
        self._pending[:] = after
        first_byte = last_byte if first_byte is None else first_byte
        return _Collected(_text(before), bool(prompt), first_byte - started, last_byte - started, now - started)

    def _watch(self, text: str) -> None:
        """Remember an unasked-for restart of the adapter."""
        if any(condition_of(line) is Condition.RESET for line in lines_of(text)):
            self.reset_seen = True


def _text(data: bytes | bytearray) -> str:
    """Characters of a reply: null bytes are line noise of adapters and go, other strange bytes stay visible."""
    return bytes(data).replace(b"\x00", b"").decode("ascii", errors="replace")
