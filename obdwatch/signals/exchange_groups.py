"""Sorts the exchanges of a session by what was asked, who answered and how long the answer is, so that the rest of
the folder works on whole groups instead of single replies.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import repeat
from operator import is_
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from obdwatch.decoding.replies import check_reply
from obdwatch.errors import ReplyError
from obdwatch.recording.session_file import SessionContents
from obdwatch.records import ReplyStatus

ByteMatrix = NDArray[np.uint8]
Rows = NDArray[np.int64]
T = TypeVar("T")
_HIGHEST_SOURCE_BYTE = 0xFF  # control units on older links are one byte, CAN addresses are longer
_CAN_WORDS = ("15765", "CAN")
_LEGACY_WORDS = ("9141", "14230", "1850")


@dataclass(frozen=True, slots=True)
class ExchangeGroup:
    """Answered exchanges with the same request, control unit and payload length, in order of time.

    `rows` are their places in the session, `data` the payloads as bytes, shape (exchanges, payload length).
    """

    request: bytes
    ecu: int | None
    rows: Rows
    data: ByteMatrix

    @property
    def service(self) -> int:
        """The service asked for; 0 for an empty request."""
        return self.request[0] if self.request else 0

    def payloads(self) -> Iterator[tuple[int, bytes]]:
        """Yield (row, payload) one by one."""
        for row, data in zip(self.rows.tolist(), self.data, strict=True):
            yield row, data.tobytes()


def group_exchanges(contents: SessionContents) -> tuple[ExchangeGroup, ...]:
    """Return the exchanges that hold an answer, sorted into groups.

    Written for speed: a session has a hundred thousand exchanges, and nothing here is done for each in Python.
    """
    count = len(contents.payload)
    payloads = [payload or b"" for payload in contents.payload]
    lengths = np.fromiter(map(len, payloads), np.int64, count)
    answered = np.fromiter(map(is_, contents.status, repeat(ReplyStatus.OK)), np.bool_, count) & (lengths > 0)
    requests, request_codes = _coded(contents.request)
    ecus, ecu_codes = _coded(contents.ecu)
    content = np.frombuffer(b"".join(payloads), dtype=np.uint8)
    starts = np.cumsum(lengths) - lengths
    groups = []
    for rows in _same(np.flatnonzero(answered), (request_codes, ecu_codes, lengths)):
        first, length = rows[0], int(lengths[rows[0]])
        data = content[starts[rows][:, np.newaxis] + np.arange(length)]
        groups.append(ExchangeGroup(requests[request_codes[first]], ecus[ecu_codes[first]], rows, data))
    return tuple(groups)


def _coded(column: Sequence[T]) -> tuple[list[T], Rows]:
    """Return the distinct values of a column, and for each row the place of its value among them."""
    distinct = list(dict.fromkeys(column))
    places = {value: place for place, value in enumerate(distinct)}
    return distinct, np.fromiter(map(places.__getitem__, column), np.int64, len(column))


def _same(rows: Rows, columns: Sequence[Rows]) -> list[Rows]:
    """Split rows into those that are equal in all columns, each part in its old order."""
    codes = np.zeros(len(rows), dtype=np.int64)
    for column in columns:
        codes = codes * (column.max(initial=0) + 1) + column[rows]
    narrow = codes.astype(np.min_scalar_type(codes.max(initial=0)))  # up to two bytes numpy sorts without comparing
    order = np.argsort(narrow, kind="stable")
    return [part for part in np.split(rows[order], np.flatnonzero(np.diff(codes[order])) + 1) if len(part)]


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
    for row, payload in group.payloads():
        try:
            check_reply(group.request, payload, can)
        except ReplyError:
            continue
        yield row, payload
