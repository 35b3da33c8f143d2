"""From what a user typed to the session or the car that is meant."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from obdwatch.errors import InputError

if TYPE_CHECKING:
    from obdwatch.analysis import KnownDrive
    from obdwatch.commands.options import Settings
    from obdwatch.records import Car

FILE_SUFFIX = ".obdw"


def session_path(settings: Settings, text: str) -> Path:
    """Return the session file for a path, a session id or its beginning. Raises InputError or LogbookError."""
    if looks_like_a_path(text):
        return Path(text)
    with settings.open_logbook() as logbook:
        return logbook.path_of(text)


def known_drive(settings: Settings, text: str) -> KnownDrive:
    """Load the session that is meant, with its car and history where the logbook knows them."""
    from obdwatch.analysis import KnownDrive, recall
    from obdwatch.signals.drives import load_drive

    if looks_like_a_path(text):
        return KnownDrive(load_drive(Path(text)))
    with settings.open_logbook() as logbook:
        return recall(logbook, text)


def looks_like_a_path(text: str) -> bool:
    """Whether a file is meant, and not the id of a session in the logbook."""
    return text.endswith(FILE_SUFFIX) or "/" in text or "\\" in text or Path(text).exists()


def car_from(settings: Settings, text: str | None) -> Car | None:
    """Return the car for an id of the logbook or a profile file, None for no text. Raises InputError."""
    if text is None:
        return None
    if text.endswith(".toml"):
        from obdwatch.car_profiles import car_from_toml

        return car_from_toml(Path(text))
    with settings.open_logbook() as logbook:
        car = logbook.car(text)
    if car is None:
        raise InputError(f"no car '{text}' in the logbook; 'obdwatch car list' shows them, 'obdwatch car add' adds one")
    return car
