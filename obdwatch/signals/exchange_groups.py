"""Sorts the answered exchanges of a session, so that the rest of the folder works on columns and whole groups instead
of single replies.

Written for speed: a session has a hundred thousand exchanges, and nothing here is done for each in Python.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import repeat
from operator import is_
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from obdwatch.decoding.parameter_table import CURRENT_DATA
from obdwatch.decoding.replies import check_reply
from obdwatch.errors import ReplyError
from obdwatch.recording.session_file import SessionContents
from obdwatch.records import ReplyStatus

Bytes = NDArray[np.uint8]
Rows = NDArray[np.int64]
T = TypeVar("T")
_HIGHEST_SOURCE_BYTE = 0xFF  # control units on older links are one byte, CAN addresses are longer
_CAN_WORDS = ("15765", "CAN")
_LEGACY_WORDS = ("9141", "14230", "1850")


@dataclass(frozen=True, slots=True)
class Answers:
    """Answered exchanges in columns of equal length, in order of time.

    `rows` are their places in the session; `request` and `ecu` their places in `requests` and `ecus`, which hold each
    once; `content[start : start + length]` is a payload.
    """

    rows: Rows
    request: Rows
    ecu: Rows
    start: Rows
    length: Rows
    requests: Sequence[bytes]
    ecus: Sequence[int | None]
    content: Bytes

    def of_service(self, service: int, is_it: bool = True) -> Answers:
        """Return those whose request is of a service, or all others."""
        asked = np.array([request[:1] == bytes([service]) for request in self.requests], dtype=np.bool_)
        kept = asked[self.request] == is_it
        columns = {name: getattr(self, name)[kept] for name in ("rows", "request", "ecu", "start", "length")}
        return replace(self, **columns)

    def units(self) -> list[int | None]:
        """Return the control units that answered."""
        return [self.ecus[place] for place in np.unique(self.ecu)]


@dataclass(frozen=True, slots=True)
class ExchangeGroup:
    """Answered exchanges with the same request, control unit and payload length, in order of time.

    `rows` are their places in the session, `data` the payloads as bytes, shape (exchanges, payload length).
    """

    request: bytes
    ecu: int | None
    rows: Rows
    data: Bytes

    @property
    def service(self) -> int:
        """The service asked for; 0 for an empty request."""
        return self.request[0] if self.request else 0

    def payloads(self) -> Iterator[tuple[int, bytes]]:
        """Yield (row, payload) one by one."""
        for row, data in zip(self.rows.tolist(), self.data, strict=True):
            yield row, data.tobytes()


def answers_in(contents: SessionContents) -> Answers:
    """Return the exchanges of a session that hold an answer."""
    count = len(contents.payload)
    payloads = [payload or b"" for payload in contents.payload]
    lengths = np.fromiter(map(len, payloads), np.int64, count)
    answered = np.fromiter(map(is_, contents.status, repeat(ReplyStatus.OK)), np.bool_, count) & (lengths > 0)
    requests, request_codes = _coded(contents.request)
    ecus, ecu_codes = _coded(contents.ecu)
    content = np.frombuffer(b"".join(payloads), dtype=np.uint8)
    starts = np.cumsum(lengths) - lengths
    rows = np.flatnonzero(answered)
    return Answers(rows, request_codes[rows], ecu_codes[rows], starts[rows], lengths[rows], requests, ecus, content)


def group_exchanges(answers: Answers) -> tuple[ExchangeGroup, ...]:
    """Return the answers to all but current data, sorted into groups.

    Current data is asked for in ever new sets of parameters, which would be as many groups: `parameter_blocks` sorts
    it by what was answered.
    """
    others = answers.of_service(CURRENT_DATA, is_it=False)
    groups = []
    for places in alike((others.request, others.ecu, others.length)):
        first = places[0]
        data = bytes_at(answers.content, others.start[places], int(others.length[first]))
        request, ecu = others.requests[others.request[first]], others.ecus[others.ecu[first]]
        groups.append(ExchangeGroup(request, ecu, others.rows[places], data))
    return tuple(groups)


def bytes_at(content: Bytes, starts: Rows, length: int) -> Bytes:
    """Return `length` bytes from each start, shape (starts, length)."""
    data: Bytes = content[starts[:, np.newaxis] + np.arange(length)]
    return data


def alike(columns: Sequence[Rows]) -> list[Rows]:
    """Split the places of equally long columns of small numbers into those equal in all, each part in order."""
    codes = np.zeros(len(columns[0]), dtype=np.int64)
    for column in columns:
        codes = codes * (column.max(initial=0) + 1) + column
    narrow = codes.astype(np.min_scalar_type(codes.max(initial=0)))  # up to two bytes numpy sorts without comparing
    order = np.argsort(narrow, kind="stable")
    return [part for part in np.split(order, np.flatnonzero(np.diff(codes[order])) + 1) if len(part)]


def _coded(column: Sequence[T]) -> tuple[list[T], Rows]:
    """Return the distinct values of a column, and for each row the place of its value among them."""
    distinct = list(dict.fromkeys(column))
    places = {value: place for place, value in enumerate(distinct)}
    return distinct, np.fromiter(map(places.__getitem__, column), np.int64, len(column))


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
