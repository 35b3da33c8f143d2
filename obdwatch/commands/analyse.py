"""`obdwatch analyse`: what a drive says about the car."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from obdwatch.commands.options import Settings, common_options, print_json, progress_bar

if TYPE_CHECKING:
    from obdwatch.analysis import Analysis
    from obdwatch.records import Car

URGENT = ("soon", "stop")


@click.command("analyse")
@click.argument("sessions", nargs=-1, required=True)
@click.option("--car", "car_text", help="Id of a car in the logbook, or a profile (.toml).")
@click.option("--fail-on", is_flag=True, help="Exit with code 1 where a finding's urgency is soon or stop.")
@common_options
def command(settings: Settings, sessions: tuple[str, ...], car_text: str | None, fail_on: bool) -> int:
    """Judge SESSIONS: session files, or ids of sessions in the logbook.

    Findings about sessions in the logbook are kept there.
    """
    from obdwatch.commands.lookup import car_from

    car = car_from(settings, car_text)
    analyses = []
    with progress_bar(settings, "Judging") as show:
        for number, text in enumerate(sessions, start=1):
            analyses.append(_analyse(settings, text, car))
            show(number / len(sessions))
    if settings.as_json:
        print_json(_document(analyses, settings.units))
    else:
        click.echo("\n\n".join("\n".join(_lines(analysis, settings.units)) for analysis in analyses))
    urgent = any(f.urgency is not None and f.urgency in URGENT for a in analyses for f in a.findings)
    return 1 if fail_on and urgent else 0


def _analyse(settings: Settings, text: str, car: Car | None) -> Analysis:
    from pathlib import Path

    from obdwatch.analysis import analyse_file, analyse_stored
    from obdwatch.commands.lookup import looks_like_a_path

    if looks_like_a_path(text):
        return analyse_file(Path(text), car)
    with settings.open_logbook() as logbook:
        return analyse_stored(logbook, text, car)


def _document(analyses: list[Analysis], units: str) -> dict[str, object]:
    """The documented JSON; `parts` stays null until a risk model fills it."""
    from obdwatch.explanations.findings import explain

    findings = [explain(finding, units) for analysis in analyses for finding in analysis.findings]
    return {
        "car": analyses[-1].car,
        "sessions": [analysis.session for analysis in analyses],
        "findings": findings,
        "parts": None,
        "coverage": [
            {"detector": f.detector, "state": f.verdict, "drive_to_get": f.drive_to_get or None} for f in findings
        ],
        "remarks": [remark for analysis in analyses for remark in analysis.remarks],
    }


def _lines(analysis: Analysis, units: str) -> list[str]:
    from obdwatch.commands.words import finding_lines

    session = analysis.session
    day = session.started_at.astimezone().strftime("%Y-%m-%d %H:%M") if session.started_at else "date unknown"
    lines = [f"Session {session.id}, {day}, car {session.car_id or 'not named'}"]
    for finding in analysis.findings:
        lines += finding_lines(finding, units)
    return [*lines, *(f"Note: {remark}" for remark in analysis.remarks)]
