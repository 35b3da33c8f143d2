"""Which car of a logbook a session file is of: the one it names, or the one with the same identification number.

Nobody need type `--car` for a car the logbook knows. A number that contradicts the name counts more than the name: two
keepers may well call their cars the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from obdwatch.errors import LogbookError, SessionFileError
from obdwatch.logbook.logbook import Logbook
from obdwatch.recording.session_file import read_header
from obdwatch.recording.session_file.reader import read_services
from obdwatch.records import Car
from obdwatch.signals.drives import drive_from

VEHICLE_INFORMATION = b"\x09"  # service 09 (SAE J1979)
MOST_LOOKED_AT = 3  # newest drives of a car in which its number is looked for; each car sends it in every recording

_OTHER_NUMBER = (
    "The file names the car '{}', but its identification number is not that of this car in your logbook: the profile "
    "was not used. If it is the same car, say so with --car."
)


@dataclass(frozen=True, slots=True)
class FileCar:
    """The car a file is judged as, None for none, and a sentence for the user that says which and why."""

    car: Car | None = None
    remark: str = ""


class CarsOfFiles:
    """Finds the cars of session files; the numbers of the logbook's own cars are read once."""

    def __init__(self, logbook: Logbook) -> None:
        self._logbook = logbook
        self._numbers: dict[str, frozenset[str]] = {}

    def car_of(self, path: Path) -> FileCar:
        """Return the car of a file, nobody where the logbook does not know it or the file cannot be read."""
        try:
            named = read_header(path).car_id
            car = self._logbook.car(named) if named is not None else None
            own = identification_numbers(path)
        except SessionFileError:
            return FileCar()  # whoever reads it next says what is wrong with it
        if car is not None:
            others = self._numbers_of(car)
            if own and others and not own & others:
                return FileCar(remark=_OTHER_NUMBER.format(car.id))
            return FileCar(car, f"Judged as '{car.id}' of your logbook, which the file names.")
        same = [one for one in self._logbook.cars() if own & self._numbers_of(one)] if own else []
        if len(same) != 1:
            return FileCar()
        return FileCar(same[0], f"Judged as '{same[0].id}' of your logbook: the identification number is the same.")

    def _numbers_of(self, car: Car) -> frozenset[str]:
        if car.id not in self._numbers:
            found: frozenset[str] = frozenset()
            for session in reversed(self._logbook.sessions(car.id)[-MOST_LOOKED_AT:]):
                try:
                    found = found or identification_numbers(self._logbook.path_of(session.id))
                except (SessionFileError, LogbookError):  # a file that is gone or damaged names no car
                    continue
            self._numbers[car.id] = found
        return self._numbers[car.id]


def identification_numbers(path: Path) -> frozenset[str]:
    """Return the vehicle identification numbers that the control units of a session file sent. Raises SessionFileError.

    Only the replies of service 09 are read.
    """
    drive = drive_from(read_services(path, (VEHICLE_INFORMATION,)))
    return frozenset(unit.vin for unit in drive.vehicle if unit.vin)
