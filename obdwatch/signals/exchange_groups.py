"""Sorts the exchanges of a session by what was asked, who answered and how long the answer is, so that the rest of
the folder works on whole groups instead of single replies.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from obdwatch.decoding.replies import check_reply
from obdwatch.errors import ReplyError
from obdwatch.recording.session_file import SessionContents
from obdwatch.records import ReplyStatus

ByteMatrix = NDArray[np.uint8]
Rows = NDArray[np.int64]
_HIGHEST_SOURCE_BYTE = 0xFF  # control units on older links are one byte, CAN addresses are longer
_CAN_WORDS = ("15765", "CAN")
_LEGACY_WORDS = ("9141", "14230", "1850")


@dataclass(frozen=True, slots=True)
class ExchangeGroup:
    """Answered exchanges with the same request, control unit and payload length; `rows` are their places."""

    request: bytes
    ecu: int | None
    rows: Rows
    payloads: list[bytes]

    @property
    def service(self) -> int:
        """The service asked for; 0 for an empty request."""
        return self.request[0] if self.request else 0

    def matrix(self) -> ByteMatrix:
        """The payloads as bytes, shape (exchanges, payload length)."""
        length = len(self.payloads[0])
        return np.frombuffer(b"".join(self.payloads), dtype=np.uint8).reshape(len(self.payloads), length)


def group_exchanges(contents: SessionContents) -> tuple[ExchangeGroup, ...]:
    """Return the exchanges that hold an answer, grouped, each group in order of time."""
    places: defaultdict[tuple[bytes, int | None, int], list[int]] = defaultdict(list)
    columns = zip(contents.request, contents.ecu, contents.status, contents.payload, strict=True)
    for row, (request, ecu, status, payload) in enumerate(columns):
        if status is ReplyStatus.OK and payload:
            places[request, ecu, len(payload)].append(row)
    return tuple(
        ExchangeGroup(request, ecu, np.array(rows), [contents.payload[row] or b"" for row in rows])
        for (request, ecu, _), rows in places.items()
    )


def is_can(protocol: str | None, ecu: int | None) -> bool | None:
    """Whether a reply came over CAN, by the control unit's address or the protocol's name; None where neither tells."""
    if ecu is not None and ecu > _HIGHEST_SOURCE_BYTE:
        return True
    name = (protocol or "").upper()
    if any(word in name for word in _CAN_WORDS):
        return True
    return False if any(word in name for word in _LEGACY_WORDS) else None


def checked(group: ExchangeGroup, can: bool | None) -> Iterator[tuple[int, bytes]]:
    """Yield (row, payload) of those replies of a group that answer its request."""
    for row, payload in zip(group.rows.tolist(), group.payloads, strict=True):
        try:
            check_reply(group.request, payload, can)
        except ReplyError:
            continue
        yield row, payload
