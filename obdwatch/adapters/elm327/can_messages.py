"""CAN frames grouped into whole messages (ISO 15765-2), refusing every group that cannot be proven complete.

The grouping decides what is whole; joining the bytes is left to python-OBD's parser.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from obdwatch.adapters.elm327.frames import Frame
from obdwatch.adapters.elm327.padding import FULL_FRAME, PaddingHabits

FIRST_FRAME_DATA = 6  # ISO 15765-2
CONSECUTIVE_FRAME_DATA = 7


@dataclass(frozen=True, slots=True)
class FrameGroup:
    """The frames of one whole message; `length` is what it announces, `proven` that no byte can be missing."""

    ecu: int
    texts: tuple[str, ...]
    length: int
    proven: bool


@dataclass(slots=True)
class _Open:
    """A segmented message still waiting for frames."""

    texts: list[str]
    length: int
    received: int = FIRST_FRAME_DATA
    next_index: int = 1


@dataclass(slots=True)
class _Sender:
    """What one control unit has sent of a reply so far."""

    last: bytes = b""
    open: _Open | None = None
    groups: list[FrameGroup] = field(default_factory=list)
    damaged: bool = False


class CanGrouping:
    """Sorts the frames of one reply into messages, one control unit at a time."""

    def __init__(self, habits: PaddingHabits) -> None:
        self._habits = habits
        self._senders: dict[int, _Sender] = {}

    def group(self, frames: Iterable[Frame]) -> tuple[list[FrameGroup], bool]:
        """Return the whole messages in `frames`, and whether anything was damaged."""
        for frame in frames:
            self._take(frame, self._senders.setdefault(frame.ecu, _Sender()))
        senders = self._senders.values()
        damaged = any(sender.damaged or sender.open is not None for sender in senders)
        return [group for sender in senders for group in sender.groups], damaged

    def _take(self, frame: Frame, sender: _Sender) -> None:
        if frame.data == sender.last:
            return  # sent twice by the adapter: no control unit repeats a frame within one message
        sender.last = frame.data
        kind = frame.data[0] >> 4
        if kind == 0:
            self._single(frame, sender)
        elif kind == 1:
            self._first(frame, sender)
        elif kind == 2:
            self._consecutive(frame, sender)
        else:
            sender.damaged = True

    def _single(self, frame: Frame, sender: _Sender) -> None:
        length = frame.data[0] & 0x0F
        self._habits.observe(frame.ecu, False, frame.data, length + 1)
        fits = 1 <= length < FULL_FRAME and self._habits.fits(frame.ecu, False, frame.data, length + 1)
        sender.damaged |= sender.open is not None or not fits
        sender.open = None
        if fits:
            proven = self._habits.padded(frame.ecu, False) is not None
            sender.groups.append(FrameGroup(frame.ecu, (frame.text,), length, proven))

    def _first(self, frame: Frame, sender: _Sender) -> None:
        sender.damaged |= sender.open is not None
        sender.open = None
        length = int.from_bytes(frame.data[:2]) & 0x0FFF
        if len(frame.data) == FULL_FRAME and length >= FULL_FRAME:
            sender.open = _Open([frame.text], length)
        else:
            sender.damaged = True

    def _consecutive(self, frame: Frame, sender: _Sender) -> None:
        message = sender.open
        if message is None or frame.data[0] & 0x0F != message.next_index or not self._carries_enough(frame, message):
            sender.damaged, sender.open = True, None
            return
        message.texts.append(frame.text)
        message.received += CONSECUTIVE_FRAME_DATA
        message.next_index = (message.next_index + 1) & 0x0F
        if message.received >= message.length:
            proven = self._habits.padded(frame.ecu, True) is not None
            sender.groups.append(FrameGroup(frame.ecu, tuple(message.texts), message.length, proven))
            sender.open = None

    def _carries_enough(self, frame: Frame, message: _Open) -> bool:
        missing = message.length - message.received
        if missing >= CONSECUTIVE_FRAME_DATA:
            return len(frame.data) == FULL_FRAME
        self._habits.observe(frame.ecu, True, frame.data, missing + 1)
        return self._habits.fits(frame.ecu, True, frame.data, missing + 1)
