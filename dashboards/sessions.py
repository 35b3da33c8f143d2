"""What the pages ask of the logbook: which drives there are, and one of them loaded, judged and ready to be drawn.

The only place of the dashboard that touches session files. An id from an address is looked up in the logbook and
never becomes part of a path. The last few drives stay loaded, so that a zoom costs no file access.
"""

from __future__ import annotations

import shutil
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

from dashboards.downsampling import Trace, trace_of
from dashboards.garage import CarSource, Garage
from dashboards.inspections import Inspections
from dashboards.keeping import Correction, WritableLogbook
from obdwatch.car_profiles import safe_id
from obdwatch.comparing.drive_record import record_of
from obdwatch.comparing.proof_records import DriveRecord
from obdwatch.curves.all_curves import curves_of
from obdwatch.curves.curve import Curve
from obdwatch.curves.states import Stretches, states_of
from obdwatch.driven_drives import DrivenDrives
from obdwatch.errors import LogbookError, SessionFileError
from obdwatch.recording.session_file import read_header
from obdwatch.records import Car, Drive, Finding, MarkKind, Session

# Loaded drives kept, in samples: 16 bytes each, and as much again while loading; keeps the server under 300 MB.
MOST_SAMPLES = 4_000_000
# Marks at which nothing is known of what happened in between, so that no line may run across.
INTERRUPTIONS = frozenset({MarkKind.GAP, MarkKind.LINK_LOST, MarkKind.RECONNECT, MarkKind.ASLEEP})


class SessionSource(CarSource, WritableLogbook, Protocol):
    """What the dashboard needs of a logbook; `obdwatch.logbook.logbook.Logbook` is one."""

    @property
    def directory(self) -> Path:
        """The folder of the logbook."""
        ...

    def path_of(self, session_id: str) -> Path:
        """Where the session file of a known session is."""
        ...


class Judgement(Protocol):
    """What an analysis says of a drive; `obdwatch.analysis.Analysis` is one."""

    @property
    def findings(self) -> Sequence[Finding]:
        """What every detector found."""
        ...

    @property
    def remarks(self) -> Sequence[str]:
        """Sentences about the recording and the profile of the car."""
        ...


Analyse = Callable[[Drive, Car | None], Judgement]
Load = Callable[[Path], Drive]


@dataclass(frozen=True, slots=True)
class ListedDrive:
    """One line of the list of drives; `findings` is empty where nobody has looked yet."""

    session: Session
    car: Car | None
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class LoadedDrive:
    """A drive with everything a page shows of it.

    `session` carries the keeper's corrections, which the file does not; `traces` by signal key; `remarks` are about
    the recording itself; `states` are the stretches in which the engine was warm, driven steadily, on overrun.
    """

    drive: Drive
    session: Session
    car: Car | None
    findings: tuple[Finding, ...]
    remarks: tuple[str, ...]
    traces: Mapping[str, Trace]
    states: tuple[Stretches, ...] = ()

    @property
    def samples(self) -> int:
        """How many samples it holds."""
        return sum(trace.times.size for trace in self.traces.values())


@dataclass(slots=True)
class _Kept:
    """What was read from one state of a file, and the judgement of it once somebody needed one."""

    drive: Drive
    traces: Mapping[str, Trace]
    states: tuple[Stretches, ...]
    judgement: Judgement | None = None
    curves: tuple[Hashable, tuple[Curve, ...]] | None = None

    @property
    def samples(self) -> int:
        return sum(trace.times.size for trace in self.traces.values())


class SessionShelf:
    """The drives of one logbook, the last few of them loaded. Safe to use from several threads."""

    def __init__(self, logbook: SessionSource, analyse: Analyse | None = None, load: Load | None = None) -> None:
        self._logbook = logbook
        self.garage = Garage(logbook)
        self.inspections = Inspections(logbook)
        self._analyse = analyse
        self._load = load or _load_drive
        self._driven = DrivenDrives(logbook.directory)
        self._kept: OrderedDict[tuple[str, int, int], _Kept] = OrderedDict()
        self._lock = threading.RLock()

    def sessions(self) -> tuple[Session, ...]:
        """All drives, the latest first, those without a date at the end."""
        with self._lock:
            return tuple(sorted(self._logbook.sessions(), key=_latest_first))

    def listed(self, sessions: Sequence[Session]) -> tuple[ListedDrive, ...]:
        """The lines of these drives; what was found is read of no other."""
        with self._lock:
            cars = {car.id: car for car in self._logbook.cars()}
            found = self._logbook.findings_of([one.id for one in sessions])
            return tuple(ListedDrive(s, cars.get(s.car_id or ""), found.get(s.id, ())) for s in sessions)

    def latest(self) -> Session | None:
        """The drive that began last, None where none has a date."""
        with self._lock:
            dated = [session for session in self._logbook.sessions() if session.started_at is not None]
            return min(dated, key=_latest_first, default=None)

    def session(self, session_id: str) -> Session:
        """The session with this id. Raises LogbookError where the logbook has none."""
        with self._lock:
            for session in self._logbook.sessions():
                if session.id == session_id:
                    return session
        raise LogbookError("This logbook has no drive with that address. It may have been deleted or belong elsewhere.")

    def path_of(self, session_id: str) -> Path:
        """Where the file of a session is. Raises LogbookError for an unknown id."""
        with self._lock:
            return self._logbook.path_of(self.session(session_id).id)

    def correct(self, session_id: str, correction: Correction) -> Session:
        """Write down what the keeper says of a drive. Raises LogbookError."""
        with self._lock:
            return correction.apply(self._logbook, self.session(session_id).id)

    def remove(self, session_id: str) -> Session:
        """Take a drive out of the list; `restore` puts it back. Raises LogbookError."""
        with self._lock:
            return self._logbook.remove_session(self.session(session_id).id)

    def restore(self, session_id: str) -> Session:
        """Put a removed drive back. Raises LogbookError."""
        with self._lock:
            return self._logbook.restore_session(session_id)

    def take_in(self, path: Path) -> Session:
        """Move a session file into the logbook's own folder and list it. Raises LogbookError or SessionFileError."""
        with self._lock:
            session = read_header(path)
            target = self._logbook.sessions_folder / path.with_stem(safe_id(session.id)).name
            if target.exists() or session.id in {one.id for one in self._logbook.sessions()}:
                raise LogbookError(f"The drive {session.id} is in this logbook already.")
            shutil.move(path, target)
            return self._logbook.add_session(target)

    def removed(self) -> tuple[str, ...]:
        """The ids of the drives that can be put back, the last removed first."""
        with self._lock:
            return self._logbook.removed_sessions()

    def car_of(self, session: Session) -> Car | None:
        """The car a session belongs to, None where it is not named or not in the logbook."""
        with self._lock:
            return next((car for car in self._logbook.cars() if car.id == session.car_id), None)

    def open(self, session_id: str) -> LoadedDrive:
        """Load a drive, from memory where its file is the same as last time; what the logbook says is always fresh.

        Raises LogbookError for an unknown id, SessionFileError for a file that is missing or cannot be read.
        """
        with self._lock:
            session = self.session(session_id)
            kept = self._read(session_id)
            car = self.car_of(session)
            findings, remarks = tuple(self._logbook.findings(session_id)), kept.drive.problems
            if not findings and self._analyse is not None:
                kept.judgement = kept.judgement or self._analyse(kept.drive, car)
                findings, remarks = tuple(kept.judgement.findings), tuple(kept.judgement.remarks)
            return LoadedDrive(kept.drive, session, car, findings, remarks, kept.traces, kept.states)

    def record(self, session_id: str) -> DriveRecord:
        """What a comparison needs of a drive; its file is read only where that was not kept. Raises as `open`."""
        with self._lock:
            session, findings = self.session(session_id), tuple(self._logbook.findings(session_id))
            path = self._logbook.path_of(session_id)
        if not findings and self._analyse is not None:
            findings = self.open(session_id).findings
        return record_of(session, findings, self._driven.of(session_id, path, lambda: self._drive(session_id)))

    def _drive(self, session_id: str) -> Drive:
        """A drive from memory, or else from its file without keeping it there: many are read for one comparison."""
        with self._lock:
            path = self._logbook.path_of(session_id)
            kept = self._kept.get(self._key(session_id, path))
        return kept.drive if kept is not None else self._load(path)

    def curves(self, session_id: str) -> tuple[Curve, ...]:
        """What was measured in a drive against what its car should do; reckoned once, until the logbook changes.

        Raises as `open`.
        """
        with self._lock:
            session, kept = self.session(session_id), self._read(session_id)
            car, mark = self.car_of(session), self._logbook.stamp()
        if kept.curves is None or kept.curves[0] != mark:
            # Outside of the lock: a zoom need not wait for it.
            history = self._logbook.history_before(session_id)
            kept.curves = mark, curves_of(replace(kept.drive, session=session), car, history)
        return kept.curves[1]

    def _read(self, session_id: str) -> _Kept:
        path = self._logbook.path_of(session_id)
        key = self._key(session_id, path)
        if key not in self._kept:
            self._keep(key, _prepared(self._load(path)))
        self._kept.move_to_end(key)
        return self._kept[key]

    @staticmethod
    def _key(session_id: str, path: Path) -> tuple[str, int, int]:
        """The state of a file. Raises SessionFileError where it is not there."""
        try:
            state = path.stat()
        except OSError as error:
            problem = "the file of this drive is not there; put it back or take the drive out of the logbook"
            raise SessionFileError(path, problem) from error
        return session_id, state.st_mtime_ns, state.st_size

    def _keep(self, key: tuple[str, int, int], read: _Kept) -> None:
        for old in [k for k in self._kept if k[0] == key[0]]:
            del self._kept[old]
        self._kept[key] = read
        while len(self._kept) > 1 and sum(kept.samples for kept in self._kept.values()) > MOST_SAMPLES:
            self._kept.popitem(last=False)


def _prepared(drive: Drive) -> _Kept:
    cuts = [(mark.t, mark.t + mark.duration) for mark in drive.marks if mark.kind in INTERRUPTIONS]
    return _Kept(drive, {key: trace_of(signal, cuts) for key, signal in drive.signals.items()}, states_of(drive))


def _latest_first(session: Session) -> tuple[bool, float, str]:
    at = session.started_at
    return (at is None, -at.timestamp() if at is not None else 0.0, session.id)


def _load_drive(path: Path) -> Drive:
    from obdwatch.signals.drives import load_drive

    return load_drive(path)
