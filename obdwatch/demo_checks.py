"""What the demo does with a recording besides judging it: playing it back as an adapter, and handing it on."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from obdwatch.adapters.virtual.recorded_bus import RecordedBus
from obdwatch.errors import ObdwatchError
from obdwatch.recording.capture import CaptureOptions
from obdwatch.recording.session_file import read_session
from obdwatch.signals.drives import load_drive
from obdwatch.story import StoryDrive
from obdwatch.story_recording import REQUEST_TIME, captured

REPLAYED_SECONDS = 60.0  # of the drive, recorded once more from its own recording
AGREEMENT_AGE = 30.0  # s; a replayed value is one that was recorded not longer before


def replayed(path: Path, drive: StoryDrive) -> tuple[int, int]:
    """Record a drive once more, this time from its recording; return how many values came, and how many are the same.

    What was recorded for this is removed again.
    """
    options = CaptureOptions(seconds=REPLAYED_SECONDS)
    folder = path.parent / "replayed"
    again = captured(RecordedBus(read_session(path)), drive.at, folder, options, REQUEST_TIME[drive.adapter])
    try:
        return _agreement(path, again)
    finally:
        again.unlink()
        folder.rmdir()


def _agreement(first: Path, second: Path) -> tuple[int, int]:
    """Count the values of the second recording, and those that the first had shortly before."""
    original, copy = load_drive(first), load_drive(second)
    total = same = 0
    for key, signal in copy.signals.items():
        source = original.signals.get(key)
        total += len(signal.times)
        if source is None:
            continue
        for t, value in zip(signal.times, signal.values, strict=True):
            near = (source.times >= t - AGREEMENT_AGE) & (source.times <= t + AGREEMENT_AGE)
            same += bool(np.any(source.values[near] == value))
    return total, same


def handed_on(path: Path) -> bool:
    """Export a redacted copy, look for the identification number in it, remove it; return whether it holds the rest."""
    from obdwatch.exporting import export_session

    original = load_drive(path)
    number = next((unit.vin for unit in original.vehicle if unit.vin), None)
    if number is None:
        raise ObdwatchError("the demo car gave no identification number to redact")
    target = path.parent / "handed-on.obdw"
    try:
        export_session(path, "obdw", target, None, redacted=True)
        leaked = number.encode() in target.read_bytes()
        return not leaked and len(load_drive(target).signals) == len(original.signals)
    finally:
        target.unlink(missing_ok=True)
