"""An ELM327-compatible adapter in front of a `Bus`: characters in, characters out, at believable times.

The interpreter owns no thread and no port. `LoopbackStream` drives it under an injected clock, `server` over TCP or a
pseudo terminal under the real one; both hand in what the client wrote and fetch what has fallen due.
"""

from __future__ import annotations

import re
from collections import deque
from dataclasses import replace
from math import inf

from obdwatch.adapters.virtual.answer import Answer, Line, say
from obdwatch.adapters.virtual.bus import Bus
from obdwatch.adapters.virtual.bus_link import BusLink
from obdwatch.adapters.virtual.commands import GREETING, run_command
from obdwatch.adapters.virtual.device import Device
from obdwatch.adapters.virtual.link_faults import LinkFaults
from obdwatch.adapters.virtual.timing import AdapterTiming
from obdwatch.clock import Clock

CARRIAGE_RETURN, LINEFEED, PROMPT = 0x0D, 0x0A, ">"
NO_COMMAND = frozenset({0x00, LINEFEED, 0x09, 0x20})  # never part of a command, never break off an answer
LONGEST_COMMAND = 255  # characters; a real adapter's input buffer is about that long (common practice)
MOST_DATA_BYTES = 7  # of a request without long messages or own formatting
COMMAND_PATIENCE = 20.0  # s; a command not finished by then is given up (ELM327 data sheet, from memory)
STOPPED, UNKNOWN = "STOPPED", "?"
_HEXADECIMAL = re.compile(r"[0-9A-F]{2,}")


class ElmInterpreter:
    """One virtual adapter on one bus.

    `receive` takes what a client wrote, `output` returns what is due by now, `next_output` says when the next piece
    is due; all on `clock.monotonic()`. The bus's time begins with the interpreter's, or anew with `begin`.
    """

    def __init__(
        self,
        bus: Bus,
        clock: Clock,
        link_faults: LinkFaults | None = None,
        timing: AdapterTiming | None = None,
        padding: int | None = 0x00,
        linefeeds: bool = False,
    ) -> None:
        self._clock = clock
        self._timing = timing or AdapterTiming()
        self._faults = link_faults or LinkFaults()
        self._device = Device(BusLink(bus, self._timing, self._faults, padding), linefeeds)
        self._origin = clock.monotonic()
        self._pieces: deque[tuple[float, bytes]] = deque()
        self._line_free_at = -inf
        self._deferred = bytearray()
        self._typed = bytearray()
        self._last_character = -inf
        self._last_command = ""
        self._busy_until = -inf
        self._interruptible = False
        self._echoes = False
        self._link_back_at = -inf

    # -- for whoever carries the characters --------------------------------------------------------------------

    def begin(self) -> None:
        """Let the bus's time, and that of the link faults, begin now: the drive starts with the first client."""
        self._origin = self._clock.monotonic()

    def receive(self, data: bytes) -> None:
        """Take characters from the client, as arriving now."""
        now = self._clock.monotonic()
        self._settle(now)
        for character in data:
            self._take(character, now)

    def output(self) -> bytes:
        """Everything that has fallen due since the last call."""
        now = self._clock.monotonic()
        self._settle(now)
        due = bytearray()
        while self._pieces and self._pieces[0][0] <= now:
            due += self._pieces.popleft()[1]
        return bytes(due)

    def next_output(self) -> float | None:
        """When something happens by itself next, None if nothing will before more characters come."""
        times = []
        if self._pieces:
            times.append(self._pieces[0][0])
        if self._deferred:
            times.append(self._busy_until)
        if self._typed:
            times.append(self._last_character + COMMAND_PATIENCE)
        return min(times, default=None)

    def link_back_at(self) -> float | None:
        """When a broken link will be there again; None while it is up."""
        return self._link_back_at if self._clock.monotonic() < self._link_back_at else None

    def hang_up(self) -> None:
        """Forget what a client left behind that has gone: half a command, an answer under way."""
        self._pieces.clear()
        self._deferred.clear()
        self._typed.clear()
        self._busy_until = self._line_free_at = -inf

    # -- characters --------------------------------------------------------------------------------------------

    def _settle(self, now: float) -> None:
        """Do what time alone brings about: take up deferred characters, give up an unfinished command."""
        while self._deferred and now >= self._busy_until:
            self._take(self._deferred.pop(0), self._busy_until)
        if self._typed and now >= self._last_character + COMMAND_PATIENCE:  # the very sum `next_output` names
            self._typed.clear()
            self._reply(say(UNKNOWN), now)

    def _take(self, character: int, now: float) -> None:
        if self._faults.silent(now - self._origin) or now < self._link_back_at:
            return
        if now < self._busy_until:
            self._take_while_busy(character, now)
            return
        if self._device.asleep:
            self._wake(now)
            return
        if character == 0x00:
            return
        if not self._typed:
            self._echoes = self._device.settings.echo or self._faults.strike("echo", now - self._origin) is not None
        self._last_character = now
        if character == CARRIAGE_RETURN:
            self._echo(self._end_of_line(), now)
            self._finish(now)
        else:
            self._echo(bytes([character]), now)
            if character not in NO_COMMAND and len(self._typed) <= LONGEST_COMMAND:
                self._typed.append(character)

    def _take_while_busy(self, character: int, now: float) -> None:
        if not self._interruptible:
            self._deferred.append(character)
        elif character not in NO_COMMAND:
            self._pieces = deque(piece for piece in self._pieces if piece[0] <= now)
            self._line_free_at = now
            self._reply(say(STOPPED, after=self._timing.command), now)

    def _echo(self, data: bytes, now: float) -> None:
        if self._echoes:
            self._put(data, now)

    def _wake(self, now: float) -> None:
        self._device.asleep = False
        self._reply(say(*GREETING, after=self._timing.warm_start), now)

    # -- commands ----------------------------------------------------------------------------------------------

    def _finish(self, now: float) -> None:
        command = self._typed.decode("latin-1").upper()
        too_long = len(self._typed) > LONGEST_COMMAND
        self._typed.clear()
        since_start = now - self._origin
        if fault := self._faults.strike("link_loss", since_start):
            self.hang_up()
            self._link_back_at = now + fault.seconds
            return
        if self._faults.strike("reset", since_start):
            self._device.reset()
            self._reply(say(*GREETING, after=self._timing.reset), now)
            return
        command = command or self._last_command
        if not command:
            self._reply(say(), now)
            return
        self._last_command = "" if too_long else command
        answer = say(UNKNOWN) if too_long else self._obey(command, since_start)
        to_car = not command.startswith("AT")
        self._reply(self._faults.on_answer(answer, since_start, to_car), now)

    def _obey(self, command: str, now: float) -> Answer:
        if self._faults.strike("unknown", now, command):
            return say(UNKNOWN, after=self._timing.command)
        if command.startswith("AT"):
            answer = run_command(self._device, command[2:], now)
            return _later(answer, self._command_time(command[2:]))
        return self._request(command, now)

    def _command_time(self, command: str) -> float:
        return {"Z": self._timing.reset, "WS": self._timing.warm_start}.get(command, self._timing.command)

    def _request(self, command: str, now: float) -> Answer:
        """Send hexadecimal digits to the car; a single one at the end is the number of lines to wait for."""
        if not _HEXADECIMAL.fullmatch(command):
            return say(UNKNOWN)
        digits, count = (command[:-1], int(command[-1], 16)) if len(command) % 2 else (command, 0)
        data = bytes.fromhex(digits)
        if not data or len(data) > self._most_bytes():
            return say(UNKNOWN)
        return self._device.link.send(data, self._device.settings, count or None, now)

    def _most_bytes(self) -> int:
        settings, protocol = self._device.settings, self._device.link.protocol
        own_format = protocol is not None and protocol.is_can and not settings.automatic_format
        return MOST_DATA_BYTES + (1 if own_format or settings.long_messages else 0)

    # -- answers -----------------------------------------------------------------------------------------------

    def _reply(self, answer: Answer, now: float) -> None:
        """Lay out an answer in time; the adapter is busy until its prompt."""
        end = self._end_of_line()
        for line in answer.lines:
            self._put(line.text.encode("latin-1", "replace") + end, now + line.at)
        if answer.prompt:
            self._put(end + PROMPT.encode(), now + answer.ready)
        self._busy_until = max(now + answer.ready, self._line_free_at) if answer.ready < inf else inf
        self._interruptible = answer.interruptible

    def _put(self, data: bytes, at: float) -> None:
        if at == inf:
            return
        start = max(at, self._line_free_at)
        self._line_free_at = start + len(data) * self._timing.character
        self._pieces.append((self._line_free_at, data))

    def _end_of_line(self) -> bytes:
        return b"\r\n" if self._device.settings.linefeeds else b"\r"


def _later(answer: Answer, seconds: float) -> Answer:
    lines = tuple(Line(line.at + seconds, line.text) for line in answer.lines)
    return replace(answer, lines=lines, ready=answer.ready + seconds)
