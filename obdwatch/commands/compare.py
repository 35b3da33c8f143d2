"""`obdwatch compare`: was it fixed? Drives before a repair against drives after it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from obdwatch.commands.options import Settings, common_options, print_json, progress_bar
from obdwatch.errors import InputError

if TYPE_CHECKING:
    from obdwatch.comparing.proof_records import DriveRecord, Proof
    from obdwatch.comparing.sides import Repair
    from obdwatch.logbook.logbook import Logbook
    from obdwatch.records import Car, Event, Session


@click.command("compare")
@click.argument("sessions", nargs=-1)
@click.option("--car", "car_text", help="Id of a car in the logbook.")
@click.option("--repair", "repair_text", help="Number of a log entry, a part id or a date (default: the last repair).")
@click.option("--full", is_flag=True, help="Show every number, not only those that the repair should move.")
@common_options
def command(
    settings: Settings, sessions: tuple[str, ...], car_text: str | None, repair_text: str | None, full: bool
) -> None:
    """Say whether a repair worked: SESSIONS before it against those after it, on like conditions.

    Without SESSIONS the drives around the last repair in the log are taken. Without a repair in the log, name two:
    first the one before, then the one after.
    """
    from obdwatch.comparing.proof import prove

    with settings.open_logbook() as logbook:
        proof_input = _Input(settings, logbook, sessions, car_text, repair_text)
        before, after = proof_input.records()
        repair = proof_input.repair
    proof = prove(before, after, repair.parts, repair.events, settings.units)
    if settings.as_json:
        print_json(proof)
        return
    click.echo("\n".join(_lines(proof, proof_input.notes, settings.units, full)))


class _Input:
    """What is compared: the drives of the two sides and the repair between them."""

    def __init__(
        self, settings: Settings, logbook: Logbook, names: Sequence[str], car_text: str | None, repair_text: str | None
    ) -> None:
        from obdwatch.batch import jobs_for
        from obdwatch.commands.lookup import looks_like_a_path
        from obdwatch.comparing.sides import repair_meant

        self.settings, self.logbook = settings, logbook
        self.notes: list[str] = []
        self.files = [Path(text) for text in dict.fromkeys(names) if looks_like_a_path(text)]
        self.names = [text for text in names if not looks_like_a_path(text)]
        if not names:
            self._rescan()
        stored = [logbook.session(name) for name in self.names]
        self.car = self._car(car_text, stored, bool(names))
        self.events: tuple[Event, ...] = logbook.events(self.car.id) if self.car is not None else ()
        self.repair: Repair = repair_meant(repair_text, self.events)
        self.order = [text if text in self.names else str(Path(text)) for text in names]
        if names:
            self.jobs = jobs_for(logbook, self.files, self.names, self.car)
            self.order = [logbook.session(text).id if text in self.names else text for text in self.order]
        else:
            self.jobs = jobs_for(logbook, [], [s.id for side in self._picked() for s in side], self.car)

    def _rescan(self) -> None:
        for problem in self.logbook.rescan().problems:
            click.echo(f"obdwatch: {problem}", err=True)

    def _car(self, text: str | None, stored: Sequence[Session], named: bool) -> Car | None:
        from obdwatch.commands.lookup import car_from

        if text is not None:
            return car_from(self.settings, text)
        ids = {session.car_id for session in stored} - {None}
        cars = [car for car in self.logbook.cars() if named is False or car.id in ids]
        if len(cars) == 1:
            return cars[0]
        if named:
            return None
        known = ", ".join(car.id for car in cars)
        raise InputError(
            f"whose repair? Name the car with --car: {known}"
            if cars
            else "the logbook has no car; name two session files, first the one before the repair, then the one after"
        )

    def _picked(self) -> tuple[Sequence[Session], Sequence[Session]]:
        from obdwatch.comparing.sides import picked

        assert self.car is not None
        if self.repair.at is None:
            raise InputError(
                f"the log of '{self.car.id}' has no such repair; note it with 'obdwatch log repair PART --car "
                f"{self.car.id} --date ...', or name two sessions"
            )
        sides = picked(self.logbook.sessions(self.car.id), self.repair, self.events)
        if not sides.before and not sides.after:
            raise InputError(f"'{self.car.id}' has no drives around this repair; record or import some")
        return sides.before, sides.after

    def records(self) -> tuple[list[DriveRecord], list[DriveRecord]]:
        """Judge the drives and return those before and those after."""
        from obdwatch.comparing.sides import split

        found = self._judged()
        if self.repair.at is None and self.repair.odometer_km is None:
            if len(self.order) != 2:
                raise InputError(
                    "no repair in the log tells which drives lie before it: note it with 'obdwatch log repair', give "
                    "its date with --repair, or name two sessions, first the one before, then the one after"
                )
            self.notes.append(
                "No date of a repair is known: the first session is taken as before, the second as after."
            )
            return [found[self.order[0]]], [found[self.order[1]]]
        by_place = {id(one.session): one for one in found.values()}
        sides = split([one.session for one in found.values()], self.repair)
        for session in sides.undated:
            self.notes.append(f"Left out, since it has neither date nor odometer to place it: {session.id}.")
        before, after = ([by_place[id(session)] for session in side] for side in (sides.before, sides.after))
        return before, after

    def _judged(self) -> dict[str, DriveRecord]:
        from functools import partial

        from obdwatch.batch import run
        from obdwatch.comparing.drive_record import record_of
        from obdwatch.driven_drives import DrivenDrives
        from obdwatch.signals.drives import load_drive

        known = DrivenDrives(self.logbook.directory)
        found: dict[str, DriveRecord] = {}
        with progress_bar(self.settings, "Comparing") as show:
            for number, outcome in enumerate(run(self.jobs, self.logbook), 1):
                if outcome.problem is not None:
                    raise outcome.problem
                assert outcome.analysis is not None
                job, session = outcome.job, outcome.analysis.session
                driven = known.of(job.name, job.path, partial(load_drive, job.path))
                found[job.name] = record_of(session, outcome.analysis.findings, driven)
                show(number / len(self.jobs))
        return found


def _lines(proof: Proof, notes: Sequence[str], units: str, full: bool) -> list[str]:
    from obdwatch.commands.compare_words import measure_lines
    from obdwatch.comparing.proof_words import sides_line, symptom_lines

    lines = [proof.headline, sides_line(proof, units)]
    lines += [f"  {line}" for line in symptom_lines(proof)]
    lines += measure_lines(proof, units, full)
    lines += [f"Note: {text}" for text in (*notes, *proof.remarks)]
    if proof.next_drive:
        lines += ["To know more, the next drive:", *(f"  - {step}" for step in proof.next_drive)]
    return lines
