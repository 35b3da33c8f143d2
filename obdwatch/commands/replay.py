"""`obdwatch replay`: a saved session goes through the same pipeline again, or answers any client as the car did."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from obdwatch.commands.options import Amount, Settings, common_options, print_json

if TYPE_CHECKING:
    from obdwatch.analysis import KnownDrive


@click.command("replay")
@click.argument("session", type=str)
@click.option("--speed", type=Amount(above_zero=True), help="1 is real time, 10 is ten times faster; default: at once.")
@click.option("--as-adapter", "listen", metavar="HOST:PORT|pty", help="Let the recorded car answer OBD-II clients.")
@common_options
def command(settings: Settings, session: str, speed: float | None, listen: str | None) -> None:
    """Replay a saved SESSION (a file, or the id of one in the logbook) without the car.

    Without --as-adapter the findings are printed as they would have appeared on the way.
    """
    from obdwatch.commands.lookup import known_drive, session_path

    if listen is not None:
        _answer_again(settings, session_path(settings, session), 1.0 if speed is None else speed, listen)
    else:
        _play(settings, known_drive(settings, session), speed)


def _answer_again(settings: Settings, path: Path, speed: float, listen: str) -> None:
    from obdwatch.adapters.virtual.interpreter import ElmInterpreter
    from obdwatch.adapters.virtual.recorded_bus import RecordedBus
    from obdwatch.adapters.virtual.scaled_clock import ScaledClock
    from obdwatch.commands.serving import serve_until_stopped
    from obdwatch.recording.session_file import read_session

    clock = ScaledClock(speed)
    bus = RecordedBus(read_session(path))
    serve_until_stopped(ElmInterpreter(bus, clock), clock, listen, settings)


def _play(settings: Settings, known: KnownDrive, speed: float | None) -> None:
    from obdwatch.commands.words import finding_lines
    from obdwatch.explanations.findings import explain
    from obdwatch.replaying import play

    last = None
    for moment in play(known, speed):
        last = moment
        if not settings.as_json:
            for finding in moment.changed:
                click.echo("\n".join([f"at {moment.t:.0f} s", *finding_lines(finding, settings.units)]))
    if last is None:
        return
    if settings.as_json:
        findings = [explain(finding, settings.units) for finding in last.analysis.findings]
        print_json({"session": last.analysis.session, "findings": findings})
    else:
        click.echo(f"Replayed {last.t:.0f} s of session {last.analysis.session.id}.")
