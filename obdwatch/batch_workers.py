"""The processes of a batch: each reads a drive, says so, and judges it when it is told to."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
import traceback
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from functools import cache
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import TYPE_CHECKING

from obdwatch.errors import InputError, ObdwatchError

if TYPE_CHECKING:
    from obdwatch.analysis import Analysis
    from obdwatch.batch import Job

ENDING = 5.0  # s; how long a worker gets to end by itself


class Order(Enum):
    """What a worker that has read its drive is told."""

    JUDGE = "judge"
    DROP = "drop"


@dataclass(frozen=True, slots=True)
class Failure:
    """Why a drive could not be judged."""

    error: ObdwatchError


@dataclass(frozen=True, slots=True)
class Crash:
    """A mistake of the program in a worker, as text; it is raised again where it can be seen."""

    trace: str


def cores() -> int | None:
    """Return how many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count()


@dataclass(slots=True)
class _Worker:
    process: BaseProcess
    connection: Connection
    place: int | None = None
    name: str = ""


class Workers:
    """A number of processes, started when first needed; close them when done, also after an error."""

    def __init__(self, count: int) -> None:
        # Started anew rather than copied: the same on every system, and no thread or open database comes along.
        self._context = multiprocessing.get_context("spawn")
        self._count = count
        self._workers: list[_Worker] = []

    def free(self) -> bool:
        """Whether there is a worker for one more job."""
        return len(self._workers) < self._count or any(worker.place is None for worker in self._workers)

    def give(self, place: int, job: Job, directory: Path | None) -> None:
        """Let a free worker read the drive of a job."""
        worker = next((one for one in self._workers if one.place is None), None) or self._started()
        worker.place, worker.name = place, job.name
        worker.connection.send((job, directory))

    def answer(self, place: int, order: Order) -> None:
        """Tell the worker of a job that has read its drive what to do."""
        worker = next(one for one in self._workers if one.place == place)
        if order is Order.DROP:
            worker.place = None
        try:
            worker.connection.send(order)
        except OSError:
            return  # it has ended; the next look at its messages says so

    def messages(self) -> Iterator[tuple[int, Analysis | Failure | None]]:
        """Wait for the next messages: None for a drive that is read, else what became of the job."""
        for connection in wait([worker.connection for worker in self._workers]):
            worker = next(one for one in self._workers if one.connection is connection)
            place = worker.place
            try:
                message = worker.connection.recv()
            except (EOFError, OSError):
                self._workers.remove(worker)
                worker.process.join(ENDING)
                message = Failure(InputError(f"{worker.name}: could not be judged, the process ended (memory full?)"))
            if isinstance(message, Crash):
                raise RuntimeError(f"{worker.name}: {message.trace}")
            if place is None:
                continue
            if message is not None:
                worker.place = None
            yield place, message

    def close(self) -> None:
        """End every process, whatever it is doing; nothing is lost but the drives in their hands."""
        for worker in self._workers:
            worker.process.terminate()
            worker.connection.close()
        for worker in self._workers:
            worker.process.join(ENDING)
            if worker.process.is_alive():
                worker.process.kill()
        self._workers.clear()

    def _started(self) -> _Worker:
        ours, theirs = self._context.Pipe()
        process = self._context.Process(target=_work, args=(theirs,), daemon=True)
        with _interrupts_left_out():
            process.start()
        theirs.close()
        worker = _Worker(process, ours)
        self._workers.append(worker)
        return worker


@contextlib.contextmanager
def _interrupts_left_out() -> Iterator[None]:
    """Let a process that is started now ignore Ctrl-C from its first moment on, as it inherits that."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _work(connection: Connection) -> None:
    """Read and judge drives until the other side is gone."""
    from obdwatch.batch import histories_in, judging

    past_in = cache(histories_in)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the process that gave the job decides when to stop
    while True:
        try:
            job, directory = connection.recv()
        except (EOFError, OSError):
            return
        try:
            steps = judging(job, past_in(directory))
            connection.send(next(steps))
            if connection.recv() is Order.JUDGE:
                connection.send(next(steps))
        except ObdwatchError as error:
            connection.send(Failure(_plain(error)))
        except (EOFError, OSError):
            return
        except Exception:
            connection.send(Crash(traceback.format_exc()))


def _plain(error: ObdwatchError) -> ObdwatchError:
    """An error that survives the way between processes, whatever its own arguments are."""
    return InputError(str(error))
