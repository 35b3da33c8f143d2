"""Many drives judged one after the other: on all cores, kept as they come, and going on where it stopped.

What a drive says depends on the earlier drives of its car, but only through what was measured in them. So a worker may
read and decode a drive, which is most of the work, at any time; it judges the drive when all earlier ones of its car
that are asked for are in the logbook. Jobs are given out in the order of history, so whoever waits, waits for one that
is under way. Only the caller's process writes, one drive at a time: what is kept is the same as if one process had
done everything, and an interruption loses no more than the drives in the workers' hands.

A drive whose stored analysis was made from the same things (program and detectors, file, corrections, car, log entries
and analyses of its earlier drives) is not judged again.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

from obdwatch import __version__, analysis
from obdwatch.analysis import Analysis, analyse_drive, features_of
from obdwatch.batch_workers import Failure, Order, Workers, cores
from obdwatch.errors import LogbookError, ObdwatchError
from obdwatch.logbook.car_of_file import CarsOfFiles, FileCar
from obdwatch.logbook.histories import Histories, is_before
from obdwatch.logbook.logbook import AnalysisOrigin, Logbook
from obdwatch.records import Car, Event, Session
from obdwatch.signals.drives import load_drive
from obdwatch.sources import digest_of

FEWEST_FOR_WORKERS = 4
"""Fewer drives than this are done before other processes have started."""

MADE_FROM = ("decoding", "signals", "physics", "detectors")  # folders whose files decide what an analysis says


@dataclass(frozen=True, slots=True)
class Job:
    """A drive to judge: a file, as the car it is to be judged as, and its session where the logbook has it."""

    name: str
    path: Path
    car: Car | None = None
    session: Session | None = None
    stamp: tuple[int, int] | None = None  # of the file when the job was made: one that grows is judged again later
    remark: str = ""  # why it is judged as this car, where nobody said so


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a job: its analysis or the problem, and whether the stored analysis still held."""

    job: Job
    analysis: Analysis | None = None
    problem: ObdwatchError | None = None
    was_there: bool = False


def jobs_for(
    logbook: Logbook | None, files: Sequence[Path], names: Sequence[str], car: Car | None, every: bool = False
) -> list[Job]:
    """Return jobs for session files and for drives of the logbook, those in the order of history and each once.

    A file is judged as `car`, or else as the car of the logbook that it is of. `every` takes all drives of the
    logbook, or those of `car`. Raises LogbookError for a name it does not know.
    """
    known = CarsOfFiles(logbook) if logbook is not None and car is None else None
    jobs = []
    for path in dict.fromkeys(files):
        found = known.car_of(path) if known is not None else FileCar(car)
        jobs.append(Job(str(path), path, found.car, remark=found.remark))
    if logbook is None:
        return jobs
    wanted = {logbook.session(name).id for name in names}
    cars = {one.id: one for one in logbook.cars()}
    for session in logbook.sessions():
        own = every and (car is None or session.car_id == car.id)
        if own or session.id in wanted:
            as_car = car or cars.get(session.car_id or "")
            path = logbook.path_of(session.id)
            jobs.append(Job(session.id, path, as_car, session, _stamp(path)))
    return jobs


def run(jobs: Sequence[Job], logbook: Logbook | None, again: bool = False) -> Iterator[Outcome]:
    """Judge drives and keep what was found about those of the logbook; outcomes come in the order of the jobs.

    `again` judges also what was judged from the same things before. A drive that cannot be read is an outcome with
    its problem, and the others go on.
    """
    memory = _Memory(logbook, again) if logbook is not None else None
    many = len(jobs) >= FEWEST_FOR_WORKERS and (cores() or 1) > 1
    yield from _on_all_cores(jobs, memory) if many else _one_by_one(jobs, memory)


def _one_by_one(jobs: Sequence[Job], memory: _Memory | None) -> Iterator[Outcome]:
    past = memory.logbook.histories() if memory is not None else None
    for job in jobs:
        known = memory.stored(job) if memory is not None else None
        if known is not None:
            yield known
            continue
        try:
            yield _kept(job, judge(job, past), memory)
        except ObdwatchError as error:
            yield Outcome(job, problem=error)


def judge(job: Job, past: Histories | None) -> Analysis:
    """Read and judge one drive with what its logbook knows now. Raises ObdwatchError."""
    steps = judging(job, past)
    next(steps)
    return next(steps)  # type: ignore[return-value]


def judging(job: Job, past: Histories | None) -> Iterator[Analysis | None]:
    """Read a drive and yield None; when asked again, judge it with what the logbook knows then, and yield that."""
    drive = load_drive(job.path)
    yield None
    if job.session is None or past is None:
        found = analyse_drive(drive, job.car)
        yield replace(found, remarks=(job.remark, *found.remarks)) if job.remark else found
        return
    yield analyse_drive(replace(drive, session=job.session), job.car, past.before(job.session))


def histories_in(directory: Path | None) -> Histories | None:
    """Return the histories of the logbook in a folder, for a process that has only that; None for none."""
    return Logbook(directory).histories() if directory is not None else None


def _on_all_cores(jobs: Sequence[Job], memory: _Memory | None) -> Iterator[Outcome]:
    """Hand jobs out in their order, let each judge when its car's earlier ones are done, give outcomes in order."""
    line = _Line(jobs)
    directory = memory.logbook.directory if memory is not None else None
    with closing(Workers(min(cores() or 1, len(jobs)))) as workers:
        while line.shown < len(jobs):
            while line.next < len(jobs) and workers.free():
                place = line.take()
                # With nothing open before it, a stored analysis needs no worker.
                known = memory.stored(jobs[place]) if memory is not None and line.may_judge(place) else None
                if known is not None:
                    line.finish(place, known)
                else:
                    workers.give(place, jobs[place], directory)
                    line.running.add(place)
            for place in [place for place in sorted(line.waiting) if line.may_judge(place)]:
                line.waiting.discard(place)
                known = memory.stored(jobs[place]) if memory is not None else None
                workers.answer(place, Order.JUDGE if known is None else Order.DROP)
                if known is not None:
                    line.finish(place, known)
            yield from line.ready()
            for place, message in workers.messages() if line.running else ():
                if message is None:
                    line.waiting.add(place)
                elif isinstance(message, Failure):
                    line.finish(place, Outcome(jobs[place], problem=message.error))
                else:
                    line.finish(place, _kept(jobs[place], message, memory))


class _Line:
    """Where every job of a batch stands, by its place: `running` in a worker, of these `waiting` to be judged."""

    def __init__(self, jobs: Sequence[Job]) -> None:
        self.next = 0  # the first that was not taken
        self.shown = 0  # so many outcomes were given
        self.running: set[int] = set()
        self.waiting: set[int] = set()
        self._done: dict[int, Outcome] = {}
        self._finished: set[int] = set()
        self._before: list[int | None] = []
        last: dict[str, int] = {}
        for place, job in enumerate(jobs):
            car_id = job.session.car_id if job.session is not None else None
            self._before.append(last.get(car_id) if car_id is not None else None)
            if car_id is not None:
                last[car_id] = place

    def take(self) -> int:
        """Return the next place."""
        self.next += 1
        return self.next - 1

    def may_judge(self, place: int) -> bool:
        """Whether all earlier drives of the same car are done, also where one failed before its own turn."""
        before = self._before[place]
        while before is not None and before in self._finished:
            self._before[place] = before = self._before[before]
        return before is None

    def finish(self, place: int, outcome: Outcome) -> None:
        """Note an outcome."""
        self.running.discard(place)
        self.waiting.discard(place)
        self._finished.add(place)
        self._done[place] = outcome

    def ready(self) -> Iterator[Outcome]:
        """Give the outcomes that are next in order."""
        while self.shown in self._done:
            self.shown += 1
            yield self._done.pop(self.shown - 1)


def _kept(job: Job, found: Analysis, memory: _Memory | None) -> Outcome:
    if memory is not None and job.session is not None:
        try:
            memory.keep(job, found)
        except LogbookError as error:
            return Outcome(job, problem=error)
    return Outcome(job, found)


@dataclass(slots=True)
class _Memory:
    """What the logbook holds of analyses, and what each was made from; read once, kept up to date by what is saved."""

    logbook: Logbook
    again: bool
    _origins: dict[str, AnalysisOrigin] = field(init=False)
    _sessions: dict[str, tuple[Session, ...]] = field(init=False, default_factory=dict)
    _events: dict[str, tuple[Event, ...]] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        self._origins = self.logbook.analyses()

    def stored(self, job: Job) -> Outcome | None:
        """Return the stored analysis where it still holds."""
        if job.session is None or self.again:
            return None
        origin = self._origins.get(job.session.id)
        if origin is None or origin.made_from != self._made_from(job):
            return None
        try:
            findings = self.logbook.findings(job.session.id)
        except LogbookError:  # written by another version
            return None
        return Outcome(job, Analysis(job.session, job.car, findings, origin.remarks), was_there=True)

    def keep(self, job: Job, found: Analysis) -> None:
        """Save an analysis with what it was made from. Raises LogbookError."""
        assert job.session is not None
        origin = AnalysisOrigin(self._made_from(job), found.remarks)
        self.logbook.save_analysis(job.session.id, found.findings, features_of(found), origin)
        self._origins[job.session.id] = origin

    def _made_from(self, job: Job) -> str:
        """A digest of everything an analysis depends on; that of earlier drives stands for all that was before."""
        session, car_id = job.session, job.session.car_id if job.session is not None else None
        assert session is not None
        made_from: Mapping[str, object] = {
            "program": _program(),
            "session": asdict(session),
            "car": asdict(job.car) if job.car is not None else None,
            "file": job.stamp,
            "earlier": self._analyses_before(session, car_id) if car_id is not None else [],
            "log": [asdict(e) for e in self._log(car_id) if is_before(e.at, e.odometer_km, session)] if car_id else [],
        }
        return hashlib.sha256(json.dumps(made_from, default=str, sort_keys=True).encode()).hexdigest()

    def _analyses_before(self, session: Session, car_id: str) -> list[str | None]:
        if car_id not in self._sessions:
            self._sessions[car_id] = self.logbook.sessions(car_id)
        before = (
            one.id
            for one in self._sessions[car_id]
            if one.id != session.id and is_before(one.started_at, one.odometer_km, session)
        )
        return [origin.made_from if (origin := self._origins.get(one)) is not None else None for one in before]

    def _log(self, car_id: str) -> tuple[Event, ...]:
        if car_id not in self._events:
            self._events[car_id] = self.logbook.events(car_id)
        return self._events[car_id]


def _stamp(path: Path) -> tuple[int, int] | None:
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_size, status.st_mtime_ns


def _program() -> list[str]:
    """The version, the detectors asked, and their sources."""
    return [__version__, digest_of(MADE_FROM), *(question.name for question in analysis.DETECTORS)]
