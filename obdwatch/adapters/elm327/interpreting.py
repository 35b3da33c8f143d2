"""From the text of a reply to the payloads of the control units, with every doubt decided against a value.

Knows the protocol, and after connecting the control units of this car and how they fill their frames.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from obdwatch.adapters.elm327.assembling import Assembler
from obdwatch.adapters.elm327.can_messages import CanGrouping, FrameGroup
from obdwatch.adapters.elm327.conditions import Condition
from obdwatch.adapters.elm327.frames import Frame, frame_of
from obdwatch.adapters.elm327.legacy_messages import (
    CODE_SERVICES,
    MONITOR_RESULTS,
    VEHICLE_INFORMATION,
    legacy_payloads,
)
from obdwatch.adapters.elm327.padding import PaddingHabits
from obdwatch.adapters.elm327.protocols import BusProtocol, Family
from obdwatch.adapters.elm327.reply_text import sort_lines

NEGATIVE = 0x7F
RESPONSE_PENDING = 0x78  # ISO 14229-1: the answer will follow
# Conditions that cannot stand in one reply with an answer: what looks like one was the answer to an earlier command.
_NO_ANSWER = frozenset({Condition.NO_DATA, Condition.STOPPED, Condition.RESET})
_MULTIPLE = CODE_SERVICES | {MONITOR_RESULTS, VEHICLE_INFORMATION}


@dataclass(frozen=True, slots=True)
class Message:
    """One whole payload, from its service byte on, and the control unit it came from."""

    ecu: int
    payload: bytes


@dataclass(frozen=True, slots=True)
class Reply:
    """What the text of one reply amounts to.

    `pending` names control units that only said they need longer; `strangers` those that were not there when
    connecting (their messages are left out).
    """

    messages: tuple[Message, ...]
    conditions: frozenset[Condition]
    damaged: bool
    echoed: bool
    empty: bool
    pending: frozenset[int] = frozenset()
    strangers: frozenset[int] = frozenset()


class Interpreter:
    """Reads replies of one car on one protocol.

    While `ecus` is empty every plausible control unit is believed; once set, only those.
    """

    def __init__(self, protocol: BusProtocol) -> None:
        self.protocol = protocol
        self.habits = PaddingHabits()
        self.ecus: frozenset[int] = frozenset()
        self._assembler = Assembler(protocol)
        self._header_digits = 8 if protocol.family is Family.CAN_29 else 3

    def read(self, text: str, command: str, complete: bool = True) -> Reply:
        """Interpret the reply to `command`; never raises, whatever `text` holds.

        Where it is not `complete` (no prompt came), only what is proven whole counts, as in a damaged reply.
        """
        sorted_text = sort_lines(text, command)
        frames = [frame_of(line, self.protocol.family) for line in sorted_text.hex_lines]
        known = [frame for frame in frames if frame and (not self.ecus or frame.ecu in self.ecus)]
        strangers = frozenset(frame.ecu for frame in frames if frame) - {frame.ecu for frame in known}
        damaged = sorted_text.damaged or not complete or len(known) < len(frames)
        damaged = damaged or Condition.BUS_ERROR in sorted_text.conditions
        messages, damaged = self._can(known, damaged) if self.protocol.can else self._legacy(known, damaged)
        if frames and sorted_text.conditions & _NO_ANSWER:
            messages, damaged = [], True
        settled, pending, contradictory = _settle(messages)
        return Reply(
            tuple(settled),
            sorted_text.conditions,
            damaged or contradictory,
            sorted_text.echoed,
            sorted_text.empty,
            pending,
            strangers,
        )

    def _can(self, frames: Iterable[Frame], damaged: bool) -> tuple[list[Message], bool]:
        groups, incomplete = CanGrouping(self.habits).group(frames)
        damaged = damaged or incomplete
        messages = []
        for group in groups:
            payload = self._joined(group) if group.proven or not damaged else None
            if payload is None:
                damaged = True
            else:
                messages.append(Message(group.ecu, payload))
        return messages, damaged

    def _joined(self, group: FrameGroup) -> bytes | None:
        length_digits = 2 if len(group.texts) == 1 else 4
        payload = self._assembler.join(group.texts, self._header_digits + length_digits)
        return payload if payload is not None and len(payload) == group.length else None

    def _legacy(self, frames: Sequence[Frame], damaged: bool) -> tuple[list[Message], bool]:
        messages = []
        for ecu in dict.fromkeys(frame.ecu for frame in frames):
            payloads, incomplete = legacy_payloads([f for f in frames if f.ecu == ecu], self._assembler)
            damaged |= incomplete
            messages += [Message(ecu, payload) for payload in payloads]
        return [m for m in messages if not damaged or m.payload[0] not in _MULTIPLE], damaged


def _settle(messages: Iterable[Message]) -> tuple[list[Message], frozenset[int], bool]:
    """One message per control unit: drops copies and "answer will follow"; two different answers cancel out."""
    by_ecu: dict[int, list[bytes]] = {}
    for message in messages:
        payloads = by_ecu.setdefault(message.ecu, [])
        if message.payload not in payloads:
            payloads.append(message.payload)
    settled = []
    pending = set()
    contradictory = False
    for ecu, payloads in by_ecu.items():
        answers = [payload for payload in payloads if not is_pending(payload)]
        if len(answers) == 1:
            settled.append(Message(ecu, answers[0]))
        elif answers:
            contradictory = True
        else:
            pending.add(ecu)
    return settled, frozenset(pending), contradictory


def is_pending(payload: bytes) -> bool:
    """Whether `payload` is the negative response that only asks for patience."""
    return len(payload) == 3 and payload[0] == NEGATIVE and payload[2] == RESPONSE_PENDING
