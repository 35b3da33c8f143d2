"""Photos to the answers of an inspection: kept beside the logbook, small, and never sent anywhere.

The browser makes a photo small before it sends it, which also drops where and when it was taken. What arrives is
checked all the same, and its name is made of the number of a log entry, never of anything a browser sends.
"""

from __future__ import annotations

import base64
import binascii
import os
from pathlib import Path

from obdwatch.errors import InputError, LogbookError

FOLDER = "inspection_photos"  # in the folder of the logbook
START = "data:image/jpeg;base64,"
MOST_BYTES = 700_000  # as text a third more, and so still below the largest request the server takes
JPEG_STARTS, JPEG_ENDS = b"\xff\xd8\xff", b"\xff\xd9"  # ISO/IEC 10918-1: start and end of image


def photo_from(sent: object) -> bytes | None:
    """Read the photo a browser sends with an answer, None where there is none. Raises InputError for anything else."""
    if sent is None or sent == "":
        return None
    if not isinstance(sent, str) or not sent.startswith(START):
        raise InputError("The photo did not arrive as a picture. Take it again, or answer without one.")
    try:
        photo = base64.b64decode(sent[len(START) :], validate=True)
    except (binascii.Error, ValueError):
        raise InputError("The photo arrived damaged. Take it again, or answer without one.") from None
    if len(photo) > MOST_BYTES:
        raise InputError(f"The photo is larger than {MOST_BYTES // 1000} kB. Take it again, or answer without one.")
    if not (photo.startswith(JPEG_STARTS) and photo.rstrip(b"\x00").endswith(JPEG_ENDS)):
        raise InputError("The photo is no JPEG picture. Take it again, or answer without one.")
    return photo


def keep_photo(directory: Path, entry: int, photo: bytes) -> None:
    """Keep the photo of a log entry, in place of an earlier one. Raises LogbookError where it cannot be written."""
    path = _path(directory, entry)
    half = path.with_suffix(".part")
    try:
        path.parent.mkdir(exist_ok=True)
        half.write_bytes(photo)
        os.replace(half, path)
    except OSError as error:
        raise LogbookError(f"{path}: the photo cannot be kept ({error.strerror}); the answer is") from error


def photo_address(directory: Path, entry: int | None) -> str | None:
    """Return the photo of a log entry as an address that holds it, None where there is none."""
    if entry is None:
        return None
    try:
        photo = _path(directory, entry).read_bytes()
    except OSError:
        return None
    return START + base64.b64encode(photo).decode("ascii") if len(photo) <= MOST_BYTES else None


def _path(directory: Path, entry: int) -> Path:
    return directory / FOLDER / f"{int(entry)}.jpg"
