"""An ELM327-compatible adapter written for these tests only: bytes in, bytes out, in time of its own.

It knows nothing of obdwatch's virtual adapter, so that the two do not share a misunderstanding. A test sets what a
command is answered with, byte for byte, once or always.
"""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Callable, Iterable, Mapping
from operator import itemgetter

from obdwatch.clock import InjectedClock
from obdwatch.errors import ConnectionLost

ANSWER_TIME = 0.04  # s
IDENTITY = "ELM327 v1.5"

# A small car: supported 01 04 05 0B 0C 0D 0F 10 11 1C 21 33 42 on its engine's control unit.
SUPPORTED = (0x01, 0x04, 0x05, 0x0B, 0x0C, 0x0D, 0x0F, 0x10, 0x11, 0x1C, 0x21, 0x33, 0x42)
DATA = {
    0x01: "00076500",
    0x04: "40",
    0x05: "7B",
    0x0B: "21",
    0x0C: "1AF8",
    0x0D: "32",
    0x0F: "46",
    0x10: "0156",
    0x11: "2A",
    0x1C: "06",
    0x21: "0010",
    0x33: "64",
    0x42: "375A",
}


def bitmap(supported: Iterable[int], base: int) -> str:
    """The support bitmap as SAE J1979 describes it, built bit by bit."""
    ids = set(supported)
    bits = ["1" if base + n in ids else "0" for n in range(1, 33)]
    if any(i > base + 32 for i in ids):
        bits[31] = "1"
    return f"{int(''.join(bits), 2):08X}"


def frames(header: str, payload: str, pad: str | None = "00") -> list[str]:
    """ISO 15765-2 frames of a payload in hexadecimal, padded to eight bytes or (None) as short as they can be."""
    size = len(payload) // 2
    if size <= 7:
        return [header + _padded(f"{size:02X}{payload}", pad)]
    lines = [f"{header}1{size:03X}{payload[:12]}"]
    for number, start in enumerate(range(12, len(payload), 14), 1):
        lines.append(header + _padded(f"2{number % 16:X}{payload[start : start + 14]}", pad))
    return lines


def _padded(data: str, pad: str | None) -> str:
    return data if pad is None else data + pad * (8 - len(data) // 2)


class ScriptedAdapter:
    """A `Stream` with an adapter and a car behind it.

    `answers[command]` are queued raw answers (text with its prompt, or bytes), used up before the normal one;
    `always[command]` replaces the normal one. An answer may be a pair (seconds until it comes, text); `None` is
    silence. `commands` lists what was received, `sent_while_busy` what arrived before the prompt was out.
    """

    def __init__(self, clock: InjectedClock, data: Mapping[int, str] | None = None, pad: str | None = "00") -> None:
        self.clock = clock
        self.data = dict(DATA if data is None else data)
        self.ecus: dict[str, tuple[int, ...]] = {"7E8": SUPPORTED}
        self.pad = pad
        self.protocol = "A6"
        self.echo = True
        self.spaces = True
        self.headers = False
        self.ignition = True
        self.most_parameters = 6
        self.answers: dict[str, deque[object]] = defaultdict(deque)
        self.always: dict[str, object] = {}
        self.voltage = "12.6V"
        self.identity = IDENTITY
        self.commands: list[str] = []
        self.sent_while_busy: list[bytes] = []
        self.closed = False
        self.dead = False
        self.on_command: Callable[[str], None] = lambda command: None
        self._typed = bytearray()
        self._due: deque[tuple[float, bytes]] = deque()

    # -- Stream ------------------------------------------------------------------------------------------------

    def write(self, data: bytes) -> None:
        self._check()
        if self._due and self._due[-1][0] > self.clock.monotonic():
            self.sent_while_busy.append(data)
            self._due.clear()
            self._typed.clear()
            self._say(0.001, "STOPPED\r\r>")
            data = data[-1:] if data.endswith(b"\r") else b""
            return
        for byte in data:
            if byte == 0x0D:
                self._take(self._typed.decode("latin-1").replace(" ", "").upper())
                self._typed.clear()
            else:
                self._typed.append(byte)

    def read(self, timeout: float) -> bytes:
        self._check()
        now = self.clock.monotonic()
        until = now + timeout
        if self._due and self._due[0][0] <= until:
            due, data = self._due.popleft()
            self.clock.sleep(max(0.0, due - now))
            return data
        self.clock.sleep(timeout)
        return b""

    def close(self) -> None:
        self.closed = True

    def _check(self) -> None:
        if self.dead:
            raise ConnectionLost("the other end is gone")

    # -- tests reach in here -----------------------------------------------------------------------------------

    def arrives(self, text: str | bytes, after: float = 0.0) -> None:
        """Something arrives unasked."""
        self._say(after, text)

    def to_car(self) -> list[str]:
        """The received commands that are no adapter commands and no interrupts."""
        return [command for command in self.commands if not command.startswith("AT") and "\x7f" not in command]

    # -- the adapter -------------------------------------------------------------------------------------------

    def _take(self, command: str) -> None:
        self.commands.append(command)
        self.on_command(command)
        echo = command + "\r" if self.echo else ""
        if self.answers[command]:
            answer = self.answers[command].popleft()
        elif command in self.always:
            answer = self.always[command]
        else:
            answer = self._adapter(command[2:]) if command.startswith("AT") else self._car(command)
            answer = f"{echo}{answer}\r\r>"
        if answer is None:
            return
        delay, text = answer if isinstance(answer, tuple) else (ANSWER_TIME, answer)
        self._say(delay, text)

    def _say(self, delay: float, text: str | bytes) -> None:
        data = text.encode("latin-1") if isinstance(text, str) else text
        self._due.append((self.clock.monotonic() + delay, data))
        self._due = deque(sorted(self._due, key=itemgetter(0)))

    def reset(self) -> None:
        """Forget all settings."""
        self.echo, self.spaces, self.headers = True, True, False

    def _adapter(self, command: str) -> str:
        switches = {"E0": ("echo", False), "E1": ("echo", True), "S0": ("spaces", False), "H1": ("headers", True)}
        if command in switches:
            setattr(self, *switches[command])
        if command in ("Z", "D"):
            self.reset()
        return {"I": self.identity, "Z": self.identity, "DPN": self.protocol, "RV": self.voltage, "@1": "?"}.get(
            command, "OK"
        )

    def _car(self, command: str) -> str:
        if "\x7f" in command:
            return "?"
        if not self.ignition:
            return "UNABLE TO CONNECT"
        lines = []
        for header, supported in self.ecus.items():
            payload = self._reply(command, supported)
            shown = frames(header, payload, self.pad) if payload else []
            lines += [self._shown(line, len(header)) for line in shown]
        return "\r".join(lines) or "NO DATA"

    def _reply(self, command: str, supported: tuple[int, ...]) -> str:
        pids = [int(command[i : i + 2], 16) for i in range(2, len(command), 2)]
        if command[:2] != "01" or len(pids) > self.most_parameters:
            return ""
        parts = []
        for pid in pids:
            if pid % 32 == 0 and (pid == 0 or max(supported) > pid):
                parts.append(f"{pid:02X}{bitmap(supported, pid)}")
            elif pid in supported:
                parts.append(f"{pid:02X}{self.data[pid]}")
        return "41" + "".join(parts) if parts else ""

    def _shown(self, line: str, header: int) -> str:
        if not self.headers:
            return line[header + 2 :]
        if not self.spaces:
            return line
        body = line[header:]
        return " ".join([line[:header], *(body[i : i + 2] for i in range(0, len(body), 2))])
