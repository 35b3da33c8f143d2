"""Cuts all replies of service 01 of a session into parameters at once, and refuses those that do not fit.

The rules are those of `obdwatch.decoding.replies`, applied to whole columns, because a recorder asks for what is most
overdue, so that few of its requests are alike: the bytes say what a reply holds, its request whether it was asked for.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from obdwatch.decoding.parameter_table import CURRENT_DATA
from obdwatch.decoding.parameters import LENGTHS, data_length, possible_lengths
from obdwatch.decoding.replies import MAXIMUM_PARAMETERS, REPLY_OFFSET
from obdwatch.records import BoolArray
from obdwatch.signals.exchange_groups import Answers, Bytes, Rows, alike, bytes_at

_IDS = 256
_NONE = -1  # no parameter


@dataclass(frozen=True, slots=True)
class ParameterBlock:
    """The data bytes of one parameter in many replies of one control unit, in order of time.

    `rows` are the places of the exchanges in the session, `data` has the shape (replies, bytes).
    """

    pid: int
    ecu: int | None
    rows: Rows
    data: Bytes


@dataclass(frozen=True, slots=True)
class _Cut:
    """One parameter each of some replies: which reply, which parameter, and where its data bytes are."""

    reply: Rows
    pid: Rows
    start: Rows
    size: Rows


def parameter_blocks(answers: Answers) -> tuple[tuple[ParameterBlock, ...], int]:
    """Return what replies of service 01 hold, in order of first appearance, and how many replies were refused."""
    good, pieces = _cut(answers)
    refused = len(good) - int(np.count_nonzero(good))
    if not pieces:
        return (), refused
    cut = _Cut(*(np.concatenate([getattr(piece, name) for piece in pieces]) for name in _Cut.__slots__))
    kept = np.flatnonzero(good[cut.reply])
    kept = kept[np.argsort(cut.start[kept])]  # the order of the bytes is that of time
    cut = _Cut(*(getattr(cut, name)[kept] for name in _Cut.__slots__))
    blocks = []
    for places in sorted(alike((cut.pid, cut.size, answers.ecu[cut.reply])), key=lambda places: int(places[0])):
        reply, first = cut.reply[places], places[0]
        ecu = answers.ecus[answers.ecu[reply[0]]]
        data = bytes_at(answers.content, cut.start[places], int(cut.size[first]))
        blocks.append(ParameterBlock(int(cut.pid[first]), ecu, answers.rows[reply], data))
    return tuple(blocks), refused


def _cut(answers: Answers) -> tuple[BoolArray, list[_Cut]]:
    """Go through all replies in step, a parameter at a time; also return which of them fit their requests."""
    content, end = answers.content, answers.start + answers.length
    wanted, asked = _wanted(answers)
    good = (answers.length >= 2) & (asked >= 1) & (asked <= MAXIMUM_PARAMETERS)
    good &= content[answers.start] == CURRENT_DATA + REPLY_OFFSET
    at = answers.start + 1
    pieces = []
    for step in range(MAXIMUM_PARAMETERS):
        going = np.flatnonzero(good & (at < end))
        if not len(going):
            break
        pid, start = content[at[going]].astype(np.int64), at[going] + 1
        left = end[going] - start
        size = _sure_sizes()[pid]
        if step == 0:
            size = np.where(_takes_the_rest()[pid, np.minimum(left, _longest())], left, size)
        fits = (size > 0) & (size <= left)
        fits &= (asked[going] == 1) | (size == _sure_sizes()[pid])  # among others, only what can be read in one way
        echoed = wanted[going] == pid[:, np.newaxis]
        fits &= echoed.any(axis=1)
        wanted[going[fits], echoed.argmax(axis=1)[fits]] = _NONE  # each is answered once
        good[going[~fits]] = False
        pieces.append(_Cut(going[fits], pid[fits], start[fits], size[fits]))
        at[going] = start + size
    return good & (at >= end), pieces


def _wanted(answers: Answers) -> tuple[Rows, Rows]:
    """The parameters each reply was asked for, shape (replies, 6), and how many they are."""
    table = np.full((len(answers.requests), MAXIMUM_PARAMETERS), _NONE, dtype=np.int64)
    for place, request in enumerate(answers.requests):
        pids = request[1 : 1 + MAXIMUM_PARAMETERS]
        table[place, : len(pids)] = tuple(pids)
    counts = np.array([len(request) - 1 for request in answers.requests], dtype=np.int64)
    return table[answers.request], counts[answers.request]


@cache
def _sure_sizes() -> Rows:
    """The data bytes of each parameter id; 0 where they are not known beyond doubt."""
    return np.array([data_length(pid) or 0 for pid in range(_IDS)], dtype=np.int64)


@cache
def _longest() -> int:
    """One byte more than any published parameter has: of what is longer only that counts."""
    return 1 + max(max(possible_lengths(pid)) for pid in LENGTHS)


@cache
def _takes_the_rest() -> BoolArray:
    """Whether a parameter that comes first takes so many remaining bytes, shape (ids, bytes up to `_longest`)."""
    table = np.zeros((_IDS, _longest() + 1), dtype=np.bool_)
    for pid in range(_IDS):
        table[pid, list(possible_lengths(pid)) or slice(1, None)] = True
    return table
