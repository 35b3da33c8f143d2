"""One recording from connecting to the closed file: what `obdwatch record` and the demo both call."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from obdwatch import __version__
from obdwatch.adapters.adapter import Adapter
from obdwatch.clock import Clock
from obdwatch.errors import SessionFileError
from obdwatch.recording.poll_plan import PollPlan
from obdwatch.recording.recorder import Recorder, RecordingStatus
from obdwatch.recording.session_file import SUFFIX, SessionWriter
from obdwatch.recording.session_ids import new_session_id
from obdwatch.records import Connection, Session


@dataclass(frozen=True, slots=True)
class CaptureOptions:
    """What the user knows about a drive before it: odometer [km], hours the car stood [h], an own file, a limit [s].

    `file` None makes a file named for the session in the folder of the recording.
    """

    car_id: str | None = None
    odometer_km: float | None = None
    soak_hours: float | None = None
    note: str = ""
    file: Path | None = None
    seconds: float | None = None


def capture(
    adapter: Adapter,
    clock: Clock,
    folder: Path,
    options: CaptureOptions,
    stop: Callable[[], bool],
    on_connected: Callable[[Connection, Path], None] | None = None,
    on_status: Callable[[RecordingStatus], None] | None = None,
) -> Path:
    """Connect, record until `stop` says so, and return the closed session file.

    Raises AdapterError when there is no car to record, SessionFileError when the file cannot be written; what was
    recorded until then is kept in it.
    """
    _check_target(options.file, folder)
    connection = adapter.connect()
    try:
        started_at = clock.utc()
        session = Session(
            id=new_session_id(started_at, options.car_id),
            started_at=started_at,
            car_id=options.car_id,
            odometer_km=options.odometer_km,
            soak_hours=options.soak_hours,
            adapter=connection.adapter,
            protocol=connection.protocol,
            supported=connection.supported,
            note=options.note,
            tool_version=__version__,
        )
        path = options.file or folder / f"{session.id}{SUFFIX}"
        if options.file is not None:
            session = replace(session, id=path.stem)
        writer = SessionWriter(path, session)
    except BaseException:
        adapter.close()
        raise
    if on_connected is not None:
        on_connected(connection, path)
    Recorder(adapter, writer, PollPlan(connection), clock, on_status).run(stop, options.seconds)
    return path


def _check_target(file: Path | None, folder: Path) -> None:
    """Find out before the car is asked that the recording will have no place."""
    if file is not None and file.suffix != SUFFIX:
        raise SessionFileError(file, f"a session file ends in {SUFFIX}: choose such a name")
    if file is not None and file.exists():
        raise SessionFileError(file, "exists already; recordings are never overwritten, choose another name")
    place = file.parent if file is not None else folder
    try:
        place.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise SessionFileError(place, f"cannot be made ({error.strerror}); choose another place") from error
