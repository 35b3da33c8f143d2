"""`obdwatch analyse`: what drives say about the car."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from obdwatch.commands.options import BAD_INPUT, Settings, common_options, plain, print_json, progress_bar
from obdwatch.errors import LogbookError

if TYPE_CHECKING:
    from obdwatch.analysis import Analysis
    from obdwatch.batch import Job, Outcome
    from obdwatch.logbook.logbook import Logbook
    from obdwatch.records import Finding, PartRisk

URGENT = ("soon", "stop")


@dataclass(frozen=True, slots=True)
class Wishes:
    """The switches of the command."""

    every: bool
    again: bool
    full: bool
    fail_on: bool


@click.command("analyse")
@click.argument("sessions", nargs=-1)
@click.option("--car", "car_text", help="Id of a car in the logbook, or a profile (.toml).")
@click.option("--all", "every", is_flag=True, help="Take every session of the logbook, or of --car.")
@click.option("--again", is_flag=True, help="Judge also what was judged from the same data before.")
@click.option("--full", is_flag=True, help="Give the reasons also for what is in order or could not be judged.")
@click.option("--fail-on", is_flag=True, help="Exit with code 1 where a finding's urgency is soon or stop.")
@common_options
def command(settings: Settings, sessions: tuple[str, ...], car_text: str | None, **switches: bool) -> int:
    """Judge SESSIONS: session files, or ids of sessions in the logbook.

    A file of a car that the logbook knows, by its name or identification number, is judged with its profile.

    Findings about sessions in the logbook are kept there, one session after the other: after Ctrl-C the same command
    goes on where it stopped.
    """
    from obdwatch.batch import jobs_for
    from obdwatch.commands.lookup import car_from, looks_like_a_path

    wishes = Wishes(**switches)
    if bool(sessions) == wishes.every:
        raise click.UsageError("name sessions, or take them --all", click.get_current_context())
    car = car_from(settings, car_text)
    files = [Path(text) for text in sessions if looks_like_a_path(text)]
    names = [text for text in sessions if not looks_like_a_path(text)]
    if not names and not wishes.every:
        return _judge(settings, jobs_for(_library(settings), files, [], car), None, wishes)
    with settings.open_logbook() as logbook:
        if wishes.every:
            for problem in logbook.rescan().problems:
                click.echo(f"obdwatch: {problem}", err=True)
        return _judge(settings, jobs_for(logbook, files, names, car, wishes.every), logbook, wishes)


def _library(settings: Settings) -> Logbook | None:
    """The logbook that may know the cars of files; none is made for it, and one that cannot be read is only named."""
    if not settings.has_logbook():
        return None
    try:
        return settings.open_logbook()
    except LogbookError as error:
        click.echo(f"obdwatch: the cars of your logbook are not known here: {error}", err=True)
        return None


def _judge(settings: Settings, jobs: list[Job], logbook: Logbook | None, wishes: Wishes) -> int:
    outcomes = _outcomes(settings, jobs, logbook, wishes.again)
    problems = [outcome.problem for outcome in outcomes if outcome.problem is not None]
    analyses = [outcome.analysis for outcome in outcomes if outcome.analysis is not None]
    if problems and not analyses:
        raise problems[0]
    risks = _risks(outcomes, logbook, settings.units)
    _print(settings, analyses, risks, [str(problem) for problem in problems], wishes.full)
    if problems:
        return BAD_INPUT
    urgent = any(f.urgency is not None and f.urgency in URGENT for a in analyses for f in a.findings)
    return 1 if wishes.fail_on and urgent else 0


def _outcomes(settings: Settings, jobs: list[Job], logbook: Logbook | None, again: bool) -> list[Outcome]:
    """Judge, show how far it is, and say after an interruption what is kept."""
    from obdwatch.batch import run

    outcomes: list[Outcome] = []
    try:
        with progress_bar(settings, "Judging") as show:
            for outcome in run(jobs, logbook, again):
                outcomes.append(outcome)
                show(len(outcomes) / len(jobs))
    except KeyboardInterrupt:
        if logbook is not None and len(jobs) > 1:
            kept = f"{len(outcomes)} of {len(jobs)} sessions are judged and kept"
            click.echo(f"obdwatch: interrupted; {kept}, the same command goes on from there", err=True)
        raise
    return outcomes


def _risks(outcomes: list[Outcome], logbook: Logbook | None, units: str) -> dict[str | None, tuple[PartRisk, ...]]:
    """The risks of each car's parts, from the drives just judged and all else the logbook has of it."""
    from obdwatch.car_risks import risks

    judged: dict[str | None, list[tuple[Analysis, Path]]] = {}
    for outcome in outcomes:
        if outcome.analysis is not None:
            judged.setdefault(outcome.analysis.session.car_id, []).append((outcome.analysis, outcome.job.path))
    return {car_id: risks(logbook, several[-1][0].car, several, units) for car_id, several in judged.items()}


def _print(
    settings: Settings,
    analyses: list[Analysis],
    risks: dict[str | None, tuple[PartRisk, ...]],
    problems: list[str],
    full: bool,
) -> None:
    for problem in problems:
        click.echo(f"obdwatch: {problem}", err=True)
    if settings.as_json:
        print_json(_document(analyses, risks, problems, settings.units))
        return
    if not analyses:
        click.echo("No sessions to judge.")
        return
    from obdwatch.commands.part_lines import part_lines

    click.echo("\n\n".join("\n".join(_lines(analysis, settings.units, full)) for analysis in analyses))
    several = len(_by_car(analyses)) > 1
    for car_id, of_parts in risks.items():
        of_car = f" of {car_id or 'the car that is not named'}" if several else ""
        click.echo("\n".join(["", *part_lines(of_parts, settings.units, full, of_car)]))
    for car_id, steps in _next_drives(analyses, settings.units).items():
        of_car = f" of {car_id or 'the car that is not named'}" if several else ""
        click.echo("\n".join(["", f"The next drive{of_car}, to know more:", *(f"  - {step}" for step in steps)]))


def _document(
    analyses: list[Analysis], risks: dict[str | None, tuple[PartRisk, ...]], problems: list[str], units: str
) -> dict[str, object]:
    """The documented JSON; `parts` holds a risk for every part with the car it is of, a finding names its session."""
    from obdwatch.explanations.findings import explain
    from obdwatch.explanations.wording import in_units
    from obdwatch.signals.next_drive import standing

    findings = [
        {"session": analysis.session.id, **plain(explain(finding, units))}
        for analysis in analyses
        for finding in analysis.findings
    ]
    return {
        "car": analyses[-1].car if analyses else None,
        "sessions": [analysis.session for analysis in analyses],
        "findings": findings,
        "parts": [{"car": car_id, **plain(risk)} for car_id, of_parts in risks.items() for risk in of_parts],
        "coverage": [
            {
                "car": car_id,
                "detector": f.detector,
                "state": f.verdict,
                "drive_to_get": in_units(f.drive_to_get, units) or None,
            }
            for car_id, found in _by_car(analyses).items()
            for f in standing(found)
        ],
        "next_drive": [{"car": car_id, "steps": steps} for car_id, steps in _next_drives(analyses, units).items()],
        "remarks": [remark for analysis in analyses for remark in analysis.remarks],
        "problems": problems,
    }


def _by_car(analyses: list[Analysis]) -> dict[str | None, list[Finding]]:
    """The findings of each car, oldest first."""
    found: dict[str | None, list[Finding]] = {}
    for analysis in analyses:
        found.setdefault(analysis.session.car_id, []).extend(analysis.findings)
    return found


def _next_drives(analyses: list[Analysis], units: str) -> dict[str | None, tuple[str, ...]]:
    """What to drive next with each car, where anything is left to know."""
    from obdwatch.explanations.coverage_words import next_drive_words
    from obdwatch.signals.next_drive import next_drive

    said = {car_id: next_drive_words(next_drive(found), units) for car_id, found in _by_car(analyses).items()}
    return {car_id: steps for car_id, steps in said.items() if steps}


def _lines(analysis: Analysis, units: str, full: bool) -> list[str]:
    from obdwatch.commands.words import findings_lines

    session = analysis.session
    day = session.started_at.astimezone().strftime("%Y-%m-%d %H:%M") if session.started_at else "date unknown"
    lines = [f"Session {session.id}, {day}, car {session.car_id or 'not named'}"]
    return [
        *lines,
        *findings_lines(analysis.findings, units, full),
        *(f"Note: {remark}" for remark in analysis.remarks),
    ]
