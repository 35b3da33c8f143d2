"""Which service 01 parameters are due, by how long each has waited against how long it may wait.

Waiting counts without bound, so that nothing supported is ever forgotten; a parameter that gives no answer is asked
ever more rarely, but never for ever dropped.
"""

from __future__ import annotations

import heapq
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass

from obdwatch.decoding.parameters import data_length
from obdwatch.recording.poll_targets import poll_class
from obdwatch.records import PollClass

FIRST_PAUSE = 5.0  # s, after the first unanswered request for one parameter; doubles each time (common practice)
LONGEST_PAUSE = 300.0  # s
MOST_PAUSES = 6  # doublings that lead past the longest pause
FAILURES = 3  # unanswered requests in a row with the same parameter in them, before it is tried alone
STRIKES = 2  # times that it answered alone after such failures, before it is taken to answer only alone
LEAST_ALONE = 10.0  # s; a parameter that takes a request for itself is not asked more often (common practice)
LONG_AGO = -1e9  # s; never asked


@dataclass(slots=True)
class Item:
    """One parameter id with what is known about asking for it."""

    pid: int
    poll_class: PollClass
    interval: float
    alone: bool  # its length is not sure, or it does not answer in company
    asked_at: float = LONG_AGO
    answered_at: float | None = None
    not_before: float = LONG_AGO
    pauses: int = 0
    failures: int = 0
    strikes: int = 0
    suspect: bool = False  # to be tried alone

    def urgency(self, now: float) -> float:
        """How long it has waited against how long it may; from 1 on it is due."""
        if self.suspect:
            return (now - LONG_AGO) / FIRST_PAUSE
        return (now - self.asked_at) / (max(self.interval, LEAST_ALONE) if self.alone else self.interval)

    def is_wanted(self, now: float) -> bool:
        """Whether there is a reason to ask at all."""
        if now < self.not_before:
            return False
        return self.poll_class is not PollClass.ONCE or self.answered_at is None or self.suspect

    def pause(self, now: float) -> None:
        """Leave it alone for a while, twice as long as the last time."""
        self.not_before = now + min(FIRST_PAUSE * 2**self.pauses, LONGEST_PAUSE)
        self.pauses = min(self.pauses + 1, MOST_PAUSES)


class ParameterQueue:
    """All parameters of a car that are worth asking for."""

    def __init__(self, pids: Iterable[int]) -> None:
        self._items = {
            pid: Item(pid, group, FIRST_PAUSE, data_length(pid) is None)
            for pid in sorted(set(pids))
            if (group := poll_class(pid)) is not PollClass.NEVER
        }

    def __contains__(self, pid: int) -> bool:
        return pid in self._items

    @property
    def pids(self) -> Collection[int]:
        """Every parameter id that is asked for."""
        return self._items.keys()

    def set_intervals(self, intervals: Mapping[int, float]) -> None:
        """Take over how often each parameter should be asked [s]."""
        for pid, interval in intervals.items():
            self._items[pid].interval = interval

    def is_available(self, pid: int, now: float) -> bool:
        """Whether a parameter is supported and not pausing after unanswered requests."""
        item = self._items.get(pid)
        return item is not None and now >= item.not_before

    def batch(self, now: float, size: int) -> tuple[int, ...]:
        """The `size` parameters to ask for together: those that are due, then fast ones, then whatever waits."""
        in_company = size > 1
        ready = [
            item for item in self._items.values() if item.is_wanted(now) and not (in_company and self._is_single(item))
        ]
        ranked = heapq.nlargest(size, ready, key=lambda item: self._rank(item, now))
        return tuple(item.pid for item in ranked)

    def single(self, now: float) -> tuple[float, int] | None:
        """The most urgent parameter that has to be asked for alone, with its urgency; None when none is due."""
        ready = [item for item in self._items.values() if self._is_single(item) and item.is_wanted(now)]
        urgent = max(ready, key=lambda item: item.urgency(now), default=None)
        if urgent is None or urgent.urgency(now) < 1.0:
            return None
        return urgent.urgency(now), urgent.pid

    def asked(self, pids: Iterable[int], now: float) -> None:
        """Note that these parameters have just been asked for."""
        for item in self._known(pids):
            item.asked_at = now

    def answered(self, pids: Iterable[int], now: float, *, in_company: bool) -> None:
        """Note that these parameters have just been answered."""
        for item in self._known(pids):
            item.strikes = 0 if in_company else item.strikes + item.suspect
            item.alone |= item.strikes >= STRIKES
            item.answered_at, item.not_before, item.pauses = now, LONG_AGO, 0
            item.failures, item.suspect = 0, False

    def unanswered(self, pids: Iterable[int], now: float, *, in_company: bool, damaged: bool) -> None:
        """Note that these parameters were in no answer; in company or on a poor link, it need not be their fault."""
        for item in self._known(pids):
            item.failures += 1
            if in_company:
                item.suspect |= item.failures >= FAILURES
            elif not damaged or item.failures >= FAILURES:
                item.pause(now)

    def _known(self, pids: Iterable[int]) -> Iterator[Item]:
        return (self._items[pid] for pid in pids if pid in self._items)

    def forgive(self) -> None:
        """Forget what went wrong, because it was not the fault of the parameters."""
        for item in self._items.values():
            item.not_before, item.pauses = LONG_AGO, 0
            item.failures, item.strikes, item.suspect = 0, 0, False

    def ages(self, now: float) -> dict[PollClass, float]:
        """For each class the age [s] of its oldest last answer, for what is not pausing."""
        ages: dict[PollClass, float] = {}
        for item in self._items.values():
            if item.answered_at is not None and now >= item.not_before:
                age = now - item.answered_at
                ages[item.poll_class] = max(age, ages.get(item.poll_class, age))
        return ages

    def _is_single(self, item: Item) -> bool:
        return item.alone or item.suspect

    def _rank(self, item: Item, now: float) -> tuple[bool, bool, float]:
        urgency = item.urgency(now)
        is_due = urgency >= 1.0
        return is_due, is_due or item.poll_class is PollClass.FAST, urgency
