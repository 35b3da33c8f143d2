"""Was the last repair a success? The drives around it compared, as `obdwatch compare` does, and said in the report."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING

from obdwatch.comparing.drive_record import record_of
from obdwatch.comparing.driven import driven_of
from obdwatch.comparing.proof import prove
from obdwatch.comparing.proof_records import Change, DriveRecord, Proof
from obdwatch.comparing.sides import picked, repair_meant
from obdwatch.comparing.wording import CHANGE_WORDS, DETECTOR_WORDS
from obdwatch.driven_drives import DrivenDrives
from obdwatch.errors import SessionFileError
from obdwatch.explanations.part_names import part_name
from obdwatch.planning.words import listed
from obdwatch.records import Drive, Event, Session
from obdwatch.reporting.document import Block, Bullets, Paragraph, Subheading, Tone
from obdwatch.reporting.words import capital, counted, day, odometer
from obdwatch.signals.drives import load_drive

if TYPE_CHECKING:
    from obdwatch.logbook.logbook import Logbook


def proof_of(
    logbook: Logbook,
    sessions: Sequence[Session],
    events: Sequence[Event],
    loaded: Mapping[str, Drive | None],
    units: str,
) -> Proof | None:
    """Return what the drives around the last repair of the log say of it; None without drives on both sides.

    `loaded` are drives that have been read already, by session id. Of the others is used what was kept of them, or they
    are read one after the other and let go, so that many long drives are not held at once.
    """
    repair = repair_meant(None, events)
    if repair.at is None:
        return None
    sides = picked(sessions, repair, events)
    before, after = (tuple(_records(logbook, side, loaded)) for side in (sides.before, sides.after))
    return prove(before, after, repair.parts, repair.events, units) if before and after else None


def _records(
    logbook: Logbook, sessions: Sequence[Session], loaded: Mapping[str, Drive | None]
) -> Iterator[DriveRecord]:
    known = DrivenDrives(logbook.directory)
    for session in sessions:
        findings = logbook.findings(session.id)
        if not findings:
            continue
        path, read = logbook.path_of(session.id), loaded.get(session.id)
        try:
            driven = driven_of(read) if read is not None else known.of(session.id, path, partial(load_drive, path))
        except SessionFileError:
            continue
        yield record_of(session, findings, driven)


def repair_blocks(proof: Proof | None, units: str) -> list[Block]:
    """Word the proof; nothing where there is none."""
    if proof is None:
        return []
    first = proof.repairs[0]
    parts = listed([part_name(part.partition(":")[0]) for part in dict.fromkeys(proof.parts)])
    at = f" at {odometer(first.odometer_km, units)}" if first.odometer_km is not None else ""
    sides = f"{counted(len(proof.before), 'drive')} before it and {counted(len(proof.after), 'drive')} after it"
    telling = [
        f"{capital(DETECTOR_WORDS.get(one.detector, one.detector))}: {CHANGE_WORDS[one.change]}. {one.why}"
        for one in proof.symptoms
        if one.change is not Change.CANNOT_TELL
    ]
    blocks: list[Block] = [Subheading("Was the last repair a success?")]
    blocks.append(Paragraph(f"Renewed on {day(first.at)}{at}: {parts}. {proof.headline}"))
    if telling:
        blocks.append(Bullets(tuple(telling)))
    return [*blocks, Paragraph(f"Compared are {sides}, on like conditions.", Tone.QUIET)]
