"""What a recording knows: for each control unit and question the answers it gave, and the times nobody answered.

Built once from the columns of a session file, then asked by time. The columns are taken as they come
(`RecordedSession` is a shape, not a class), because recording stands behind the adapters in the flow of data.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from math import inf
from typing import Protocol

import numpy as np

from obdwatch.decoding.freeze_frames import split_frame
from obdwatch.decoding.parameters import fields_of
from obdwatch.decoding.replies import BITMAP_BYTES, SUPPORT_STEP, split_parameters
from obdwatch.errors import ReplyError
from obdwatch.records import (
    CodeReading,
    FloatArray,
    Mark,
    MarkKind,
    MonitorResult,
    PollClass,
    ReplyStatus,
    Session,
)

# How long a recorded value stands for what the car would say [s]: about three times the pause between two questions
# for a parameter of its class; longer where the recording itself asked less often (INTERVALS_KEPT).
KEPT_FOR = {PollClass.FAST: 3.0, PollClass.MEDIUM: 6.0, PollClass.SLOW: 30.0, PollClass.RARE: 100.0}
INTERVALS_KEPT = 3.0
SHORTEST_SILENCE = 5.0  # s without any answer that count as a gap even without a mark
GAP_MARKS = frozenset({MarkKind.GAP, MarkKind.LINK_LOST, MarkKind.ASLEEP})
VOLTAGE_COMMAND = b"ATRV"
READS_CAR = range(0x01, 0x0B)

Question = tuple[int, bytes]  # service, and the parameter, monitor or item (with the frame number in service 02)


class RecordedSession(Protocol):
    """The columns of a session as `recording.session_file` reads them."""

    @property
    def session(self) -> Session: ...  # noqa: D102
    @property
    def t(self) -> FloatArray: ...  # noqa: D102
    @property
    def latency(self) -> FloatArray: ...  # noqa: D102
    @property
    def request(self) -> Sequence[bytes]: ...  # noqa: D102
    @property
    def ecu(self) -> Sequence[int | None]: ...  # noqa: D102
    @property
    def status(self) -> Sequence[ReplyStatus]: ...  # noqa: D102
    @property
    def payload(self) -> Sequence[bytes | None]: ...  # noqa: D102
    @property
    def samples(self) -> Mapping[str, tuple[FloatArray, FloatArray]]: ...  # noqa: D102
    @property
    def codes(self) -> Sequence[CodeReading]: ...  # noqa: D102
    @property
    def monitors(self) -> Sequence[MonitorResult]: ...  # noqa: D102
    @property
    def marks(self) -> Sequence[Mark]: ...  # noqa: D102


@dataclass(slots=True)
class Answers:
    """Everything one control unit said to one question: times [s] in order, and the bytes, None for "no answer"."""

    times: list[float] = field(default_factory=list)
    contents: list[bytes | None] = field(default_factory=list)

    def add(self, t: float, content: bytes | None) -> None:
        """Note an answer; times come in order."""
        self.times.append(t)
        self.contents.append(content)

    def latest(self, t: float) -> tuple[float, bytes] | None:
        """The answer most recently given at `t` and when; None if there was none, or silence since."""
        place = bisect_right(self.times, t) - 1
        content = self.contents[place] if place >= 0 else None
        return None if content is None else (self.times[place], content)

    def kept_for(self, least: float) -> float:
        """How long an answer stands: `least`, or longer where the question was asked less often."""
        steps = np.diff(self.times)
        return max(least, INTERVALS_KEPT * float(np.median(steps))) if len(steps) else least


class Silences:
    """The stretches of a session in which nobody answered, from marks and from the answers themselves."""

    def __init__(self, marks: Iterable[Mark], answered: FloatArray, ended: float) -> None:
        self._spans = sorted({*_marked(marks, answered), *_unanswered(answered)})
        self._starts = [start for start, _ in self._spans]
        self._ended = ended

    def silent(self, t: float) -> bool:
        """Whether nobody answers at `t`."""
        return not 0.0 <= t <= self._ended or any(start < t < end for start, end in self._spans)

    def unbroken_since(self, t: float) -> float:
        """The end of the last silence before `t`; what was said earlier no longer counts."""
        place = bisect_right(self._starts, t)
        return max((end for _, end in self._spans[:place] if end <= t), default=-inf)


def _marked(marks: Iterable[Mark], answered: FloatArray) -> Iterator[tuple[float, float]]:
    """Marks with a duration; one without lasts until something is answered again."""
    for mark in marks:
        if mark.kind in GAP_MARKS:
            later = answered[answered > mark.t]
            again = float(later[0]) if len(later) else inf
            yield mark.t, mark.t + mark.duration if mark.duration > 0 else again


def _unanswered(answered: FloatArray) -> Iterator[tuple[float, float]]:
    steps = np.diff(answered)
    usual = float(np.median(steps)) if len(steps) else 0.0
    for place in np.flatnonzero(steps > max(SHORTEST_SILENCE, INTERVALS_KEPT * usual)):
        yield float(answered[place]), float(answered[place + 1])


def kept_for(question: Question) -> float:
    """How long an answer to this question stands at least [s]; for ever where it cannot change in a session."""
    service, what = question
    if service != 0x01:
        return inf
    classes = [parameter.poll_class for parameter in fields_of(what[0])]
    return max((KEPT_FOR.get(poll_class, inf) for poll_class in classes), default=min(KEPT_FOR.values()))


def is_fixed(question: Question) -> bool:
    """Whether the answer is the same all through a session: support bitmaps, and what a unit says of itself."""
    service, what = question
    return service == 0x09 or (service in (0x01, 0x02, 0x06) and bool(what) and what[0] % SUPPORT_STEP == 0)


def questions_in(request: bytes) -> list[Question]:
    """The single questions that a request puts."""
    service, rest = request[0], request[1:]
    if service == 0x01 or (service == 0x06 and all(monitor % SUPPORT_STEP == 0 for monitor in rest)):
        return [(service, bytes([pid])) for pid in rest]
    if service == 0x02:
        return [(service, rest[i : i + 2]) for i in range(0, len(rest) - 1, 2)]
    return [(service, rest)]


def answers_in(request: bytes, payload: bytes) -> list[tuple[Question, bytes]]:
    """The single answers in a checked reply; the bytes are those after the repeated question.

    Nothing for a reply that cannot be cut into them.
    """
    service, rest = request[0], request[1:]
    try:
        if service == 0x01:
            return [((service, bytes([pid])), data) for pid, data in split_parameters(payload)]
        if service == 0x02:
            return [((service, bytes([item.pid, item.frame])), item.data) for item in split_frame(payload)]
    except ReplyError:
        return []
    if service == 0x06 and len(rest) > 1:
        blocks = [payload[i : i + BITMAP_BYTES] for i in range(1, len(payload), BITMAP_BYTES)]
        return [((service, block[:1]), block[1:]) for block in blocks if len(block) == BITMAP_BYTES]
    return [((service, rest), payload[1 + len(rest) :])]


class AnswerBook:
    """All answers of a session by control unit and question, and its silences."""

    def __init__(self, contents: RecordedSession) -> None:
        self.answers: dict[tuple[int, Question], Answers] = {}
        self.voltages = Answers()
        answered: list[float] = []
        columns = (contents.t.tolist(), contents.request, contents.ecu, contents.status, contents.payload)
        for t, request, ecu, status, payload in zip(*columns, strict=True):
            if request[:1] and request[0] in READS_CAR:
                if status is ReplyStatus.OK and payload and ecu is not None:
                    answered.append(t)
                self._note(t, request, ecu, status, payload)
            elif request == VOLTAGE_COMMAND and payload:
                self.voltages.add(t, payload)
        for times, _ in contents.samples.values():
            answered.extend(times.tolist())
        self.answered = np.unique(np.array(answered, dtype=float))
        self.silences = Silences(contents.marks, self.answered, _end_of(contents, self.answered))
        self._kept: dict[tuple[int, Question], float] = {}

    @property
    def units(self) -> list[int]:
        """Addresses of the control units that ever answered."""
        return sorted({ecu for ecu, _ in self.answers})

    def at(self, ecu: int, question: Question, t: float) -> bytes | None:
        """What `ecu` answered most recently at `t`, if that still stands."""
        answers = self.answers.get((ecu, question))
        if answers is None or self.silences.silent(t):
            return None
        if is_fixed(question):
            return next((content for content in answers.contents if content is not None), None)
        found = answers.latest(t)
        if found is None:
            return None
        since, content = found
        stands = t - since <= self._kept_for(ecu, question) and since >= self.silences.unbroken_since(t)
        return content if stands else None

    def _kept_for(self, ecu: int, question: Question) -> float:
        key = (ecu, question)
        if key not in self._kept:
            self._kept[key] = self.answers[key].kept_for(kept_for(question))
        return self._kept[key]

    def _note(self, t: float, request: bytes, ecu: int | None, status: ReplyStatus, payload: bytes | None) -> None:
        if status is ReplyStatus.OK and payload and ecu is not None:
            for question, content in answers_in(request, payload):
                self.answers.setdefault((ecu, question), Answers()).add(t, content)
        elif status in (ReplyStatus.NO_DATA, ReplyStatus.NEGATIVE):
            asked = set(questions_in(request))
            for (unit, question), answers in self.answers.items():
                if question in asked and ecu in (None, unit):
                    answers.add(t, None)


def _end_of(contents: RecordedSession, answered: FloatArray) -> float:
    ends = [mark.t + mark.duration for mark in contents.marks if mark.kind is MarkKind.END]
    last = float(np.max(contents.t + contents.latency, initial=0.0))
    return max([*ends, last, float(answered[-1]) if len(answered) else 0.0])
