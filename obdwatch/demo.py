"""The demo: the story of an invented car from its first recorded drive to a plan, judged by what was recorded alone.

The earlier drives come from their session files, the last is recorded while one looks on: only the clock is injected,
so that minutes pass in seconds; the link, the framing, the session file and the detectors are those that a real car
meets.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from obdwatch.batch import Outcome, jobs_for, run
from obdwatch.car_risks import catalogue_of, risks_of_car
from obdwatch.comparing.drive_record import record_of
from obdwatch.comparing.proof import prove
from obdwatch.comparing.proof_records import Change, DriveRecord, Proof
from obdwatch.comparing.sides import picked, repair_meant
from obdwatch.demo_checks import handed_on, replayed
from obdwatch.driven_drives import DrivenDrives
from obdwatch.errors import SessionFileError
from obdwatch.explanations.part_names import part_name
from obdwatch.planning.plan import plan_visits
from obdwatch.planning.plan_records import Plan
from obdwatch.planning.wishes import Wishes
from obdwatch.planning.words import chance
from obdwatch.records import CodeReading, Drive, Event, EventKind, Finding, PartRisk, Verdict
from obdwatch.signals.drives import load_drive
from obdwatch.story import FOLDER, Story, StoryDrive, read_story
from obdwatch.story_recording import record_live
from obdwatch.units import screen_unit, to_screen

if TYPE_CHECKING:
    from obdwatch.logbook.logbook import Logbook

REASONS = 2  # why an old part is taken to be sound
LIKELY = 0.5  # probability from which a part counts as worn in the check of the story


@dataclass(frozen=True, slots=True)
class Step:
    """One thing the demo did or tells: `text` for the user, what it is about, and whether it came out right.

    `log` are entries the owner wrote since the step before; `drive` is judged by `findings`, and read `codes`.
    """

    text: str = ""
    right: bool = True
    session_id: str | None = None
    findings: tuple[Finding, ...] = ()
    codes: tuple[CodeReading, ...] = ()
    log: tuple[Event, ...] = ()
    proof: Proof | None = None
    risks: tuple[PartRisk, ...] = ()
    plan: Plan | None = None


@dataclass(slots=True)
class _Teller:
    """What has been told so far: how far the log is read, and the drives judged, as a comparison needs them."""

    story: Story
    logbook: Logbook
    units: str
    told: int = 0
    records: list[DriveRecord] = field(default_factory=list)

    def log_until(self, drive: StoryDrive | None) -> Iterator[Step]:
        """Yield what the owner wrote before a drive and was not told yet; everything left where it is None."""
        events = self.story.events[self.told :]
        new = tuple(event for event in events if drive is None or event.at < drive.at)
        self.told += len(new)
        if new:
            yield Step(f"{self.story.owner} writes into the log:", log=new)

    def judged(self, drive: StoryDrive, outcome: Outcome, how: str) -> Step:
        """Return what was found in a drive, and whether that is what the story says."""
        if outcome.problem is not None:
            raise outcome.problem
        assert outcome.analysis is not None
        session, findings = outcome.analysis.session, outcome.analysis.findings
        loaded = replace(load_drive(outcome.job.path), session=session)
        driven = DrivenDrives(self.logbook.directory).of(session.id, outcome.job.path, lambda: loaded)
        self.records.append(record_of(session, findings, driven))
        km = distance_words(drive.odometer_km, self.units)
        text = f"{how} {drive.at:%Y-%m-%d} at {km}, {_minutes(loaded)} minutes: {drive.note}."
        return Step(text, _as_told(drive, findings), session.id, findings, _codes(loaded.codes))

    def proof(self) -> Step:
        """Compare the drives before the repair with those after it that were told so far."""
        repair = repair_meant(None, self.story.events)
        sides = picked([record.session for record in self.records], repair, self.story.events)
        by_id = {record.session.id: record for record in self.records}
        before, after = ([by_id[session.id] for session in side] for side in (sides.before, sides.after))
        proof = prove(before, after, repair.parts, repair.events, self.units)
        return Step("Did the repair work?", proof.change in (Change.PROVEN, Change.BETTER), proof=proof)


def run_demo(logbook: Logbook, units: str = "metric") -> Iterator[Step]:
    """Tell the story into an empty logbook, a step at a time. Raises ObdwatchError when something cannot work at all.

    Sentences are worded for `units` (metric, us).
    """
    story = read_story()
    bring_in(story, logbook)
    tell = _Teller(story, logbook, units)
    yield Step(story.about)
    recorded = [drive for drive in story.drives if not drive.live]
    first_after = _first_after_repair(story)
    jobs = jobs_for(logbook, (), (), story.car, every=True)
    for drive, outcome in zip(recorded, run(jobs, logbook), strict=True):
        yield from tell.log_until(drive)
        yield tell.judged(drive, outcome, "Recorded on")
        if drive is first_after:
            yield tell.proof()
    for drive in story.drives:
        if drive.live:
            yield from tell.log_until(drive)
            yield from _live(tell, drive)
    yield from tell.log_until(None)
    yield tell.proof()
    yield from _what_to_do(tell)


def bring_in(story: Story, logbook: Logbook) -> None:
    """Put car, log and session files of the story into the logbook."""
    logbook.save_car(story.car)
    for event in story.events:
        logbook.add_event(event)
    for drive in story.drives:
        if not drive.live:
            logbook.add_session(_copied(FOLDER / drive.file_name, logbook.sessions_folder))


def _copied(path: Path, folder: Path) -> Path:
    try:
        return Path(shutil.copyfile(path, folder / path.name))
    except OSError as error:
        problem = f"cannot be copied to {folder} ({error.strerror}); run obdwatch from a whole checkout"
        raise SessionFileError(path, problem) from error


def _first_after_repair(story: Story) -> StoryDrive | None:
    repairs = [event.at for event in story.events if event.kind is EventKind.REPAIR]
    return next((drive for drive in story.drives if repairs and drive.at > repairs[-1]), None)


def _live(tell: _Teller, drive: StoryDrive) -> Iterator[Step]:
    """Record a drive now, judge it, play it back as an adapter, and make a copy that tells nobody whose car it is."""
    path = record_live(tell.story, drive, tell.logbook.sessions_folder)
    session = tell.logbook.add_session(path)
    (outcome,) = run(jobs_for(tell.logbook, (), (session.id,), tell.story.car), tell.logbook)
    yield tell.judged(drive, outcome, "Recorded just now, as a drive of")
    total, same = replayed(path, drive)
    yield Step(
        f"Played that recording back as an adapter and recorded it again: {same:,} of {total:,} values are the same.",
        0 < total == same,
    )
    yield Step(
        "Made a copy to hand on, without the identification number and everything else that tells whose car it is.",
        handed_on(path),
    )


def _what_to_do(tell: _Teller) -> Iterator[Step]:
    """Weigh everything up: how worn each part is likely to be, and what to do about it in which visit."""
    story, logbook = tell.story, tell.logbook
    risks = risks_of_car(logbook, story.car.id, tell.units)
    yield Step("What all of it says of the parts:", _parts_as_told(story, risks), risks=risks)
    for risk in risks:
        if risk.part in story.old_but_sound:
            yield Step(_sound_words(risk, tell.units), risk.degraded < risk.prior)
    plan = plan_visits(catalogue_of(logbook, story.car), risks, Wishes(units=tell.units), story.car)
    planned = {part for visit in plan.visits for part in visit.jobs}
    yield Step("And what to do about it:", plan.proven and set(story.worn_in_the_end) <= planned, plan=plan)


def _as_told(drive: StoryDrive, findings: Sequence[Finding]) -> bool:
    """Whether each part of the story is named, and nothing where it tells of none."""
    faults = {one.detector: one.parts for one in findings if one.verdict is Verdict.FAULT}
    if not drive.found:
        return not faults
    return all(part in faults.get(detector, ()) for detector, part in drive.found.items())


def _parts_as_told(story: Story, risks: Sequence[PartRisk]) -> bool:
    by_part = {risk.part: risk for risk in risks}
    return all(by_part[part].degraded >= LIKELY for part in story.worn_in_the_end)


def _sound_words(risk: PartRisk, units: str) -> str:
    """Say of a part that looks due by its distance what the drives and inspections say instead."""
    run = distance_words(risk.since_new_km or 0.0, units)
    against = [one.reason for one in risk.reasons if one.likelihood_ratio < 1.0][:REASONS]
    return (
        f"Old, and fine: the {part_name(risk.part)} has run {run}. By that alone it would be worn with a probability "
        f"of {chance(risk.prior)}; with what was seen it is {chance(risk.degraded)}. {' '.join(against)}"
    )


def distance_words(km: float, units: str) -> str:
    """Return a distance as an odometer is read out.

    >>> distance_words(163831.2, "metric"), distance_words(163831.2, "us")
    ('163,831 km', '101,800 miles')
    """
    return f"{to_screen(km, 'km', units):,.0f} {screen_unit('km', units).name}"


def _codes(codes: Sequence[CodeReading]) -> tuple[CodeReading, ...]:
    """The codes a drive read, each once."""
    return tuple({(one.kind, one.code): one for one in codes}.values())


def _minutes(drive: Drive) -> str:
    last = max((float(signal.times[-1]) for signal in drive.signals.values() if len(signal.times)), default=0.0)
    return f"{last / 60:.0f}"
