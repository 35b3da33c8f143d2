"""Replies as they travel, with what they really say: the ground for tests that damage them.

Built here from the standards' rules (ISO 15765-2 frames, SAE J1850 and ISO checksums written out again), not with the
code under test.
"""

from __future__ import annotations

from dataclasses import dataclass

from obdwatch.adapters.elm327.interpreting import Interpreter
from obdwatch.adapters.elm327.protocols import PROTOCOL_BY_DIGIT
from tests.adapters.elm327.scripted_adapter import frames


@dataclass(frozen=True)
class TrueReply:
    """What control units answer to `command` on a protocol: payload in hexadecimal by address, and the lines."""

    protocol: str
    command: str
    payloads: dict[int, str]
    lines: tuple[str, ...]

    def text(self, end: str = "\r") -> str:
        return end.join(self.lines) + end + end


def crc_by_division(data: bytes) -> int:
    """SAE J1850's checksum by polynomial long division over a bit string: slow, and unlike the code under test."""
    bits = "".join(f"{byte:08b}" for byte in data) + "0" * 8
    value = int(bits, 2) ^ (0xFF << (8 * len(data)))
    for shift in range(8 * len(data) - 1, -1, -1):
        if value >> (shift + 8) & 1:
            value ^= 0x11D << shift
    return value ^ 0xFF


def legacy_line(header: str, data: str, digit: str) -> str:
    """One message of a bus before CAN with its checksum; for ISO 14230 `header` is target and source."""
    if digit in "45":
        header = f"{0x80 | len(data) // 2:02X}{header}"
    message = bytes.fromhex(header + data)
    check = crc_by_division(message) if digit in "12" else sum(message) % 256
    return f"{message.hex().upper()}{check:02X}"


def can_reply(digit: str, command: str, payloads: dict[int, str], pad: str | None) -> TrueReply:
    width = 3 if digit in "68" else 8
    by_ecu = [frames(f"{ecu:0{width}X}", payload, pad) for ecu, payload in payloads.items()]
    interleaved = [unit[index] for index in range(max(map(len, by_ecu))) for unit in by_ecu if index < len(unit)]
    return TrueReply(digit, command, payloads, tuple(interleaved))


_VIN = "49020131484D4347353235305841303030303031"  # an invented number
_SIX = "410C1AF80D32042A057B0B210F46"
_CAN_PAYLOADS: tuple[tuple[str, dict[int, str]], ...] = (
    ("010C", {0: "410C1AF8"}),
    ("0105", {0: "41057B", 1: "410532"}),
    ("0100", {0: "4100BE3FA813", 1: "410080180001"}),
    ("010C0D04050B0F", {0: _SIX}),
    ("010C0D04050B0F", {0: _SIX, 1: "410C1AF70D33"}),
    ("0902", {0: _VIN}),
    ("03", {0: "430301330420C100"}),
    ("06A2", {0: "46A20B2400030000FFFFA20C2400010000FFFF"}),
)
_FIRST = {"6": 0x7E8, "7": 0x18DAF110}


def _can_cases() -> list[TrueReply]:
    return [
        can_reply(digit, command, {first + 8 * n if digit == "7" else first + n: p for n, p in payloads.items()}, pad)
        for digit, first in _FIRST.items()
        for command, payloads in _CAN_PAYLOADS
        for pad in ("00", "AA", None)
    ]


def _legacy_cases() -> list[TrueReply]:
    cases = []
    for digit, header in (("1", "416B10"), ("2", "486B10"), ("3", "486B10"), ("5", "F110")):
        for command, data, payload in (
            ("010C", ["410C1AF8"], "410C1AF8"),
            ("0100", ["4100BE3EB811"], "4100BE3EB811"),
            ("03", ["43013301710420", "43C10000000000"], "43013301710420C10000000000"),
            (
                "0902",
                ["49020100000031", "49020248474D43", "49020347353235", "49020430585830", "49020530303031"],
                "490200000031" + "48474D43" + "47353235" + "30585830" + "30303031",
            ),
        ):
            lines = tuple(legacy_line(header, part, digit) for part in data)
            cases.append(TrueReply(digit, command, {0x10: payload}, lines))
    return cases


TRUE_REPLIES: tuple[TrueReply, ...] = (*_can_cases(), *_legacy_cases())


def acquainted(reply: TrueReply, pad: str | None = None) -> Interpreter:
    """An interpreter as it is after connecting to the car of `reply`: control units and padding known."""
    interpreter = Interpreter(PROTOCOL_BY_DIGIT[reply.protocol])
    for _ in range(3):
        interpreter.read(reply.text(), reply.command)
        for ecu in reply.payloads:
            if reply.protocol in "678":
                habit = _padding_of(reply)
                width = 3 if reply.protocol in "68" else 8
                for payload in ("4100BE3FA813", "490201" + "31" * 17, "46" + "A2" * 18):
                    interpreter.read("\r".join(frames(f"{ecu:0{width}X}", payload, habit)), "0100")
    interpreter.ecus = frozenset(reply.payloads)
    interpreter.habits.learning = False
    return interpreter


def _padding_of(reply: TrueReply) -> str | None:
    width = 3 if reply.protocol in "68" else 8
    short = any((len(line) - width) // 2 < 8 for line in reply.lines)
    return None if short else "00"
