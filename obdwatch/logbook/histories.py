"""What was known of a car before a drive, and quickly so for one drive after the other.

A thousand earlier drives hold some 200,000 features, and each drive of a batch adds two hundred: whoever judges many
drives reads each only once. What was read of a drive counts as long as its analysis was made from the same things and
the drive has the same date and odometer.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import chain
from pathlib import Path

from obdwatch.logbook import database, packing
from obdwatch.records import Feature, History, Session

MOST_FEATURES = 400_000
"""So many features are kept, about 100 MB: of cars that were not asked for lately none, of the last one always all."""


@dataclass(frozen=True, slots=True)
class _Past:
    """The features of one drive, when and where it was, and their place in the logbook."""

    known_by: tuple[object, ...]
    at: datetime | None
    odometer_km: float | None
    place: int
    features: tuple[Feature, ...]


class Histories:
    """Tells what was known before drives of the logbook at `path`; not for several threads at once.

    `wanted` says of a detector and the name of a feature whether it is needed; all are where it is None.
    """

    def __init__(self, path: Path, wanted: Callable[[str, str], bool] | None = None) -> None:
        self._path = path
        self._wanted = wanted
        self._cars: OrderedDict[str, dict[str, _Past]] = OrderedDict()

    def before(self, session: Session) -> History:
        """Return features of earlier drives of the same car, oldest first, and its log until then.

        What cannot be shown to be earlier, by date or else by odometer, is left out. Raises LogbookError.
        """
        if session.car_id is None:
            return History()
        with database.reading(self._path) as connection:
            drives = self._drives(connection, session.car_id)
            events = [packing.event_of(row) for row in database.events(connection, session.car_id)]
        earlier = [
            past
            for name, past in drives.items()
            if name != session.id and past.features and is_before(past.at, past.odometer_km, session)
        ]
        features = chain.from_iterable(past.features for past in _oldest_first(earlier))
        return History(tuple(features), tuple(one for one in events if is_before(one.at, one.odometer_km, session)))

    def _drives(self, connection: database.Connection, car_id: str) -> dict[str, _Past]:
        known = self._cars.pop(car_id, {})
        names = [one for one in database.feature_names(connection) if self._wanted(*one)] if self._wanted else None
        drives = {}
        for session_id, *known_by in database.origins(connection, car_id):
            past, state = known.get(session_id), tuple(known_by)
            if past is None or past.known_by != state or state[-1] is None:  # nobody says what it was made from
                past = _read(connection, session_id, state, names)
            drives[session_id] = past
        self._cars[car_id] = drives
        while len(self._cars) > 1 and sum(map(_size, self._cars.values())) > MOST_FEATURES:
            self._cars.popitem(last=False)
        return drives


def is_before(at: datetime | None, odometer_km: float | None, session: Session) -> bool:
    """Return whether a date and an odometer reading lie before a drive, by date or else by odometer."""
    if at is not None and session.started_at is not None:
        return at < session.started_at
    if odometer_km is not None and session.odometer_km is not None:
        return odometer_km < session.odometer_km
    return False


def _read(
    connection: database.Connection,
    session_id: str,
    state: tuple[object, ...],
    names: Sequence[tuple[str, str]] | None,
) -> _Past:
    rows = database.features(connection, session_id, names)
    features = tuple(packing.feature_of(row[:-1]) for row in rows)
    at, odometer_km = (features[0].at, features[0].odometer_km) if features else (None, None)
    return _Past(state, at, odometer_km, rows[0][-1] if rows else 0, features)


def _size(drives: dict[str, _Past]) -> int:
    return sum(len(past.features) for past in drives.values())


def _oldest_first(drives: Sequence[_Past]) -> list[_Past]:
    """By odometer where each has one, else by date, undated ones first; what is equal stays as it was saved."""
    by_odometer = all(past.odometer_km is not None for past in drives)

    def age(past: _Past) -> tuple[float, int]:
        if by_odometer:
            return past.odometer_km or 0.0, past.place
        return past.at.timestamp() if past.at is not None else -math.inf, past.place

    return sorted(drives, key=age)
