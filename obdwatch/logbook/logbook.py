"""The logbook of a keeper: cars, drives, entries and what was found, in one folder.

The folder holds `logbook.sqlite3`, the session files under `sessions/`, and under `removed/` what was taken out and can
still be put back. Several threads and processes may use one logbook at the same time.
"""

from __future__ import annotations

import contextlib
import math
import os
from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType

from obdwatch.car_profiles import check_car
from obdwatch.errors import LogbookError, SessionFileError
from obdwatch.logbook import database, odometer, packing, user_data
from obdwatch.logbook.events import check_event
from obdwatch.logbook.histories import Histories
from obdwatch.recording.session_file import SUFFIX, read_header
from obdwatch.records import Car, Event, Feature, Finding, History, Session

DATABASE = "logbook.sqlite3"
SESSIONS, REMOVED = "sessions", "removed"
OWN_PARTS = "parts.toml"  # what its user knows better of parts, prices and labour
CHANGES_AT = 24  # where SQLite counts the changes of a file ("Database File Format", sqlite.org/fileformat2.html)
CANDIDATES_SHOWN = 4  # session ids in a message about an ambiguous beginning


def default_directory() -> Path:
    """Return where the logbook of this user lies unless told otherwise."""
    import platformdirs

    return Path(platformdirs.user_data_dir("obdwatch", appauthor=False))


@dataclass(frozen=True, slots=True)
class RescanReport:
    """What a look through the session files changed: ids added or changed, ids gone, and files that are no sessions."""

    added: tuple[str, ...]
    gone: tuple[str, ...]
    problems: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class AnalysisOrigin:
    """Where a stored analysis comes from: a digest of everything it was made from, and the remarks it came with."""

    made_from: str
    remarks: tuple[str, ...] = ()


class Logbook:
    """The logbook in `directory`, made on first use. Every method raises LogbookError where it cannot be used."""

    def __init__(self, directory: Path | str) -> None:
        self.directory = Path(directory).expanduser().absolute()
        self.sessions_folder = self.directory / SESSIONS
        self._path = self.directory / DATABASE
        try:
            self.sessions_folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise LogbookError(f"{self.directory}: cannot hold a logbook ({error.strerror})") from error
        is_new = not self._path.exists()
        database.prepare(self._path)
        if is_new:
            self.rescan()  # the drives of a logbook whose database was lost

    def __enter__(self) -> Logbook:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Give everything back; nothing is held open between calls, so this is only for symmetry."""

    # Cars

    def cars(self) -> tuple[Car, ...]:
        """Return every car in the order of ids."""
        with database.reading(self._path) as connection:
            return tuple(packing.car_of(text) for text in database.profiles(connection))

    def car(self, car_id: str) -> Car | None:
        """Return a car, None where there is none with this id."""
        with database.reading(self._path) as connection:
            text = database.profile_of(connection, car_id)
        return packing.car_of(text) if text is not None else None

    def add_car(self, car: Car) -> None:
        """Add a new car. Raises ProfileError where it contradicts itself."""
        check_car(car)
        with database.writing(self._path) as connection:
            if database.profile_of(connection, car.id) is not None:
                raise LogbookError(f"there is a car '{car.id}' already; edit it, or choose another id")
            database.put_car(connection, car.id, packing.car_text(car))

    def save_car(self, car: Car) -> None:
        """Add a car or replace the one with its id. Raises ProfileError where it contradicts itself."""
        check_car(car)
        with database.writing(self._path) as connection:
            database.put_car(connection, car.id, packing.car_text(car))

    def remove_car(self, car_id: str, with_events: bool = False) -> Car:
        """Take a car out and return it; its drives stay. Entries of its log go only where `with_events` says so."""
        with database.writing(self._path) as connection:
            text = database.profile_of(connection, car_id)
            if text is None:
                raise self._no_car(connection, car_id)
            count = len(database.events(connection, car_id))
            if count and not with_events:
                raise LogbookError(f"car '{car_id}' has {count} log entries; say that they may go too, or export them")
            database.delete_car(connection, car_id)
        return packing.car_of(text)

    def _no_car(self, connection: database.Connection, car_id: str) -> LogbookError:
        known = [packing.car_of(text).id for text in database.profiles(connection)]
        return LogbookError(f"there is no car '{car_id}'; the logbook has {', '.join(known) or 'none yet'}")

    # The log

    def events(self, car_id: str | None = None) -> tuple[Event, ...]:
        """Return the entries of the log, of one car or of all, oldest first."""
        with database.reading(self._path) as connection:
            return tuple(packing.event_of(row) for row in database.events(connection, car_id))

    def add_event(self, event: Event) -> Event:
        """Add an entry and return it with its number. Raises InputError where it lacks something."""
        check_event(event)
        with database.writing(self._path) as connection:
            if database.profile_of(connection, event.car_id) is None:
                raise self._no_car(connection, event.car_id)
            return replace(event, id=database.add_event(connection, packing.event_columns(event)))

    def edit_event(self, event: Event) -> None:
        """Replace the entry with this number. Raises InputError where it lacks something."""
        check_event(event)
        with database.writing(self._path) as connection:
            if database.profile_of(connection, event.car_id) is None:
                raise self._no_car(connection, event.car_id)
            if event.id is None or not database.replace_event(connection, event.id, packing.event_columns(event)):
                raise LogbookError(f"the log has no entry {event.id}")

    def remove_event(self, number: int) -> Event:
        """Take an entry out and return it, so that it can be added again."""
        with database.writing(self._path) as connection:
            rows = database.events(connection, number=number)
            if not rows:
                raise LogbookError(f"the log has no entry {number}")
            database.delete_event(connection, number)
        return packing.event_of(rows[0])

    def odometer_warnings(self, car_id: str, units: str = "metric") -> tuple[str, ...]:
        """Return a sentence for each odometer reading of a car that contradicts another, from drives and log."""
        readings = [
            odometer.Reading(event.at, event.odometer_km, f"log entry {event.id} ({event.kind})")
            for event in self.events(car_id)
            if event.odometer_km is not None
        ]
        readings += [
            odometer.Reading(session.started_at, session.odometer_km, f"the drive {session.id}")
            for session in self.sessions(car_id)
            if session.odometer_km is not None and session.started_at is not None
        ]
        return odometer.contradictions(readings, units)

    def odometer_readings(self, car_id: str) -> tuple[tuple[datetime, float], ...]:
        """Return the dated odometer readings [km] of a car, from drives and log, oldest first."""
        logged = [(event.at, event.odometer_km) for event in self.events(car_id)]
        driven = [(session.started_at, session.odometer_km) for session in self.sessions(car_id)]
        return tuple(sorted((at, km) for at, km in (*logged, *driven) if at is not None and km is not None))

    # Sessions

    def sessions(
        self,
        car_id: str | None = None,
        since: datetime | None = None,
        until: datetime | None = None,
        odometer_km: tuple[float, float] | None = None,
    ) -> tuple[Session, ...]:
        """Return the drives in the order of time, undated ones first, with the keeper's corrections.

        `since` <= start < `until` (aware) and `odometer_km` (from, to) leave out drives of which that is not known.
        """
        with database.reading(self._path) as connection:
            found = [packing.session_of(row) for row in database.sessions(connection, car_id)]
        if since is not None or until is not None:
            first = since or datetime.min.replace(tzinfo=UTC)
            last = until or datetime.max.replace(tzinfo=UTC)
            found = [one for one in found if one.started_at is not None and first <= one.started_at < last]
        if odometer_km is not None:
            low, high = odometer_km
            found = [one for one in found if one.odometer_km is not None and low <= one.odometer_km <= high]
        return tuple(found)

    def session(self, name: str) -> Session:
        """Return a drive by its id or an unambiguous beginning of it, with the keeper's corrections."""
        with database.reading(self._path) as connection:
            return packing.session_of(self._row(connection, name))

    def path_of(self, name: str | Path) -> Path:
        """Return the session file of an id, an unambiguous beginning of one, or the path of a file itself.

        Whether an indexed file is still there is left to its reader.
        """
        with database.reading(self._path) as connection:
            try:
                return self._absolute(self._row(connection, str(name))[1])
            except LogbookError:
                with contextlib.suppress(OSError, ValueError):
                    if Path(name).is_file():
                        return Path(name)
                raise

    def _row(self, connection: database.Connection, name: str) -> database.Row:
        row = database.session(connection, name)
        if row is not None:
            return row
        like = database.session_ids_like(connection, name, CANDIDATES_SHOWN + 1) if name else []
        if len(like) == 1 and (row := database.session(connection, like[0])) is not None:
            return row
        if like:
            shown = ", ".join(like[:CANDIDATES_SHOWN]) + (", ..." if len(like) > CANDIDATES_SHOWN else "")
            raise LogbookError(f"'{name}' may be several drives: {shown}; give more of the id")
        raise LogbookError(f"the logbook has no drive '{name}', and there is no such file")

    def add_session(self, path: Path | str) -> Session:
        """Index a session file where it lies; raises SessionFileError where it is none."""
        path = Path(path).absolute()
        with database.writing(self._path) as connection:
            session = self._index_new(connection, path)
            database.delete_removed(connection, session.id)
        return self.session(session.id)

    def _index_new(self, connection: database.Connection, path: Path) -> Session:
        session = read_header(path)
        known = database.session(connection, session.id)
        if known is not None and (other := self._absolute(known[1])) != path and other.exists():
            raise LogbookError(f"{path}: the drive {session.id} is in the logbook already, as {other}")
        self._index(connection, path, session)
        return session

    def edit_session(
        self,
        name: str,
        car_id: str | None = None,
        odometer_km: float | None = None,
        soak_hours: float | None = None,
        note: str | None = None,
    ) -> Session:
        """Correct what is known about a drive and return it; the session file stays as it was recorded."""
        for field, value in (("odometer_km", odometer_km), ("soak_hours", soak_hours)):
            if value is not None and not (math.isfinite(value) and value >= 0):
                raise LogbookError(f"{field} is {value}; it cannot be negative")
        with database.writing(self._path) as connection:
            session_id = self._row(connection, name)[0]
            if car_id is not None and database.profile_of(connection, car_id) is None:
                raise self._no_car(connection, car_id)
            database.put_edit(connection, session_id, (car_id, odometer_km, soak_hours, note))
        return self.session(session_id)

    def remove_session(self, name: str) -> Session:
        """Take a drive out and return it; `restore_session` puts it back.

        A file in the logbook's own folder moves to `removed/`; one that lies elsewhere is the user's and stays.
        """
        with database.writing(self._path) as connection:
            row = self._row(connection, name)
            session, path = packing.session_of(row), self._absolute(row[1])
            kept = self._move_away(path) if path.is_relative_to(self.sessions_folder) else path
            database.delete_session(connection, session.id)
            now = packing.moment_text(datetime.now(UTC))
            database.put_removed(connection, session.id, self._relative(path), self._relative(kept), now)
        return session

    def _move_away(self, path: Path) -> Path:
        if database.is_in_use(path):
            raise LogbookError(f"{path}: is still being recorded; end the recording first")
        folder = self.directory / REMOVED
        target = folder / path.name
        number = 1
        while target.exists():
            number += 1
            target = folder / f"{path.stem}-{number}{path.suffix}"
        try:
            folder.mkdir(exist_ok=True)
            os.replace(path, target)
        except FileNotFoundError:
            return path  # the file is gone already; only the index knew it
        except OSError as error:
            raise LogbookError(f"{path}: cannot be moved to {folder} ({error.strerror})") from error
        return target

    def removed_sessions(self) -> tuple[str, ...]:
        """Return the ids of drives that can be put back, the last removed first."""
        with database.reading(self._path) as connection:
            return tuple(row[0] for row in database.removed(connection))

    def restore_session(self, session_id: str) -> Session:
        """Put a removed drive back, with everything that was known of it."""
        with database.writing(self._path) as connection:
            found = [row for row in database.removed(connection) if row[0] == session_id]
            if not found:
                raise LogbookError(f"no drive '{session_id}' was removed from this logbook")
            original, kept = self._absolute(found[0][1]), self._absolute(found[0][2])
            try:
                session = read_header(kept)
                if original != kept:
                    if original.exists():
                        raise LogbookError(f"{original}: another file lies there now; move it away first")
                    os.replace(kept, original)
            except OSError as error:
                raise LogbookError(f"{kept}: cannot be moved back ({error.strerror})") from error
            self._index(connection, original, session)
            database.delete_removed(connection, session_id)
        return self.session(session_id)

    def rescan(self) -> RescanReport:
        """Bring the index in line with the session files: new and changed ones in, missing ones out."""
        with database.writing(self._path) as connection:
            return self._rescan(connection)

    def rebuild(self) -> RescanReport:
        """Drop the index and make it anew from the session files; features and findings come with the next analysis."""
        with database.writing(self._path) as connection:
            elsewhere = [self._absolute(row[1]) for row in database.sessions(connection)]
            database.drop_rebuildable(connection)
            return self._rescan(connection, elsewhere)

    def _rescan(self, connection: database.Connection, elsewhere: Iterable[Path] = ()) -> RescanReport:
        known = {self._absolute(row[1]): row for row in database.sessions(connection)}
        paths = set(self.sessions_folder.rglob(f"[!.]*{SUFFIX}")) | set(known) | set(elsewhere)
        added, gone, problems = [], [], []
        for path in sorted(paths):
            row = known.get(path)
            if row is not None and not path.exists():
                database.delete_session(connection, row[0])
                gone.append(str(row[0]))
            elif row is None or row[12:14] != _stamp(path):
                try:
                    added.append(self._index_new(connection, path).id)
                except (SessionFileError, LogbookError) as error:
                    problems.append(str(error))
        return RescanReport(tuple(added), tuple(gone), tuple(problems))

    def _index(self, connection: database.Connection, path: Path, session: Session) -> None:
        columns = packing.session_columns(session, self._relative(path), *_stamp(path))
        database.put_session(connection, columns)

    def _relative(self, path: Path) -> str:
        """Paths inside the folder are kept relative to it, so that the folder can be moved."""
        inside = path.is_relative_to(self.directory)
        return path.relative_to(self.directory).as_posix() if inside else str(path)

    def _absolute(self, path: str) -> Path:
        return self.directory / path

    # What was found

    def save_analysis(
        self,
        session_id: str,
        findings: Sequence[Finding],
        features: Sequence[Feature],
        origin: AnalysisOrigin | None = None,
    ) -> None:
        """Replace the findings and features of a drive; a feature without a finite value is left out.

        `origin` says what the analysis was made from; one without it is made again when a batch meets it.
        """
        rows = [packing.feature_columns(replace(f, session_id=session_id)) for f in features if math.isfinite(f.value)]
        texts = [packing.finding_text(finding) for finding in findings]
        columns = (origin.made_from, packing.remarks_text(origin.remarks)) if origin is not None else None
        with database.writing(self._path) as connection:
            if database.session(connection, session_id) is None:
                raise LogbookError(f"the logbook has no drive '{session_id}'")
            database.replace_analysis(connection, session_id, texts, rows, columns)

    def analyses(self) -> dict[str, AnalysisOrigin]:
        """Return by session id what each stored analysis was made from, where that is known."""
        with database.reading(self._path) as connection:
            rows = database.analyses(connection)
        return {row[0]: AnalysisOrigin(row[1], packing.remarks_of(row[2])) for row in rows}

    def findings(self, session_id: str) -> tuple[Finding, ...]:
        """Return what was found in a drive, empty where it was not analysed."""
        with database.reading(self._path) as connection:
            return tuple(packing.finding_of(text) for text in database.findings(connection, session_id))

    def analysed(self) -> frozenset[str]:
        """Return the ids of the drives that have findings."""
        with database.reading(self._path) as connection:
            return frozenset(database.with_findings(connection))

    def findings_of(self, session_ids: Iterable[str]) -> dict[str, tuple[Finding, ...]]:
        """Return what was found in several drives, by session id; empty for those that were not analysed."""
        with database.reading(self._path) as connection:
            return {
                one: tuple(packing.finding_of(text) for text in database.findings(connection, one))
                for one in session_ids
            }

    def answers(self, car_id: str) -> dict[str, tuple[Finding, ...]]:
        """Return by session id what was answered in every drive of a car that was analysed.

        These findings hold detector and verdict and nothing else: reading a thousand drives in full takes seconds.
        """
        found: dict[str, list[Finding]] = {}
        with database.reading(self._path) as connection:
            for session_id, detector, verdict in database.answers(connection, car_id):
                found.setdefault(session_id, []).append(packing.answer_of(detector, verdict))
        return {session_id: tuple(several) for session_id, several in found.items()}

    def stamp(self) -> Hashable:
        """Return what changes with every change of the logbook, by whatever program, at the cost of a look at files.

        The user's own parts file counts as part of the logbook.
        """
        try:
            with self._path.open("rb") as file:
                file.seek(CHANGES_AT)
                changes = file.read(4)
        except OSError as error:
            raise LogbookError(f"{self._path}: cannot be read ({error.strerror})") from error
        return changes, _stamp(self._path), _stamp(self.directory / OWN_PARTS)

    def features(self, session_id: str) -> tuple[Feature, ...]:
        """Return what was measured in a drive, with the date and odometer of that drive."""
        with database.reading(self._path) as connection:
            return tuple(packing.feature_of(row[:-1]) for row in database.features(connection, session_id))

    def history_before(self, name: str, wanted: Callable[[str, str], bool] | None = None) -> History:
        """Return what was known of a drive's car before it: features of its earlier drives, oldest first, and its log.

        What cannot be shown to be earlier, by date or else by odometer, is left out. `wanted` says of a detector and
        the name of a feature whether it is needed: a thousand drives hold 200,000, and reading all takes seconds.
        """
        return Histories(self._path, wanted).before(self.session(name))

    def histories(self) -> Histories:
        """Return what tells the history before one drive after the other, reading each earlier drive only once."""
        return Histories(self._path)

    # The keeper's own data

    def export_user_data(self) -> str:
        """Return cars, log and corrections as one JSON document."""
        with database.reading(self._path) as connection:
            cars = tuple(packing.car_of(text) for text in database.profiles(connection))
            events = tuple(packing.event_of(row) for row in database.events(connection))
            edits = tuple(user_data.SessionEdit(*row) for row in database.edits(connection))
        return user_data.to_json(user_data.UserData(cars, events, edits))

    def import_user_data(self, text: str, replace_cars: bool = False) -> user_data.UserData:
        """Add what `export_user_data` wrote and return what was new; entries that are here already stay single.

        A car that is here with other contents is refused, or replaced where `replace_cars` says so.
        """
        data = user_data.from_json(text)
        with database.writing(self._path) as connection:
            here = {car.id: car for car in map(packing.car_of, database.profiles(connection))}
            differing = [car.id for car in data.cars if car.id in here and here[car.id] != car]
            if differing and not replace_cars:
                raise LogbookError(f"car '{differing[0]}' is here with other contents; say that it may be replaced")
            cars = tuple(car for car in data.cars if here.get(car.id) != car)
            known = {replace(packing.event_of(row), id=None) for row in database.events(connection)}
            events = tuple(event for event in dict.fromkeys(data.events) if event not in known)
            for car in cars:
                database.put_car(connection, car.id, packing.car_text(car))
            for event in events:
                database.add_event(connection, packing.event_columns(event))
            for edit in data.edits:
                columns = (edit.car_id, edit.odometer_km, edit.soak_hours, edit.note)
                database.put_edit(connection, edit.session_id, columns)
        return user_data.UserData(cars, events, data.edits)


def _stamp(path: Path) -> tuple[int, int]:
    """Size [bytes] and time of the last change [ns] of a file, (0, 0) where that cannot be read."""
    try:
        status = path.stat()
    except OSError:
        return 0, 0
    return status.st_size, status.st_mtime_ns
