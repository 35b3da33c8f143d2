"""`obdwatch demo`: everything without a car, in a logbook of its own."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import click

from obdwatch.commands.options import Settings, common_options, print_json
from obdwatch.errors import ObdwatchError

if TYPE_CHECKING:
    from obdwatch.demo import Step
    from obdwatch.logbook.logbook import Logbook

FOLDER = "demo"


@click.command("demo")
@click.option("--check", is_flag=True, help="Play the demo, print the verdicts and exit; no browser, no server.")
@click.option("--no-browser", is_flag=True, help="Serve the dashboard without opening a browser.")
@click.option("--port-http", default=8050, show_default=True, help="Port of the dashboard on this computer.")
@common_options
def command(settings: Settings, check: bool, no_browser: bool, port_http: int) -> None:
    """Tell the story of an invented car from its first recorded drive to a plan, without any hardware.

    Twelve drives of nine months are judged, one more is recorded from the virtual car on the spot; all of it is kept
    in a demo logbook, apart from yours.
    """
    from obdwatch.demo import run_demo
    from obdwatch.logbook.logbook import Logbook, default_directory

    folder = (settings.logbook or default_directory()) / FOLDER
    _make_room(folder)
    steps = []
    with Logbook(folder) as logbook:
        for step in run_demo(logbook, settings.units):
            steps.append(step)
            if not settings.as_json:
                _tell(step, settings)
        _conclude(steps)
        if settings.as_json:
            print_json({"logbook": folder, "steps": steps})
        else:
            click.echo(f"All of this is in a logbook of its own; any command looks at it with --logbook {folder}")
        if not check:
            _serve(logbook, no_browser, port_http, settings.units)


def _make_room(folder: Path) -> None:
    """A demo starts afresh; only a folder the demo made is ever removed."""
    marker = folder / "made-by-the-demo"
    try:
        if folder.exists():
            if not marker.exists():
                raise ObdwatchError(f"{folder}: exists and is not the demo's own; choose another --logbook")
            shutil.rmtree(folder)
        folder.mkdir(parents=True)
        marker.touch()
    except OSError as error:
        raise ObdwatchError(f"{folder}: cannot be written ({error.strerror}); choose another --logbook") from error


def _tell(step: Step, settings: Settings) -> None:
    from obdwatch.commands.demo_lines import step_lines

    click.echo("\n".join(step_lines(step, settings.units)))
    click.echo("")


def _conclude(steps: list[Step]) -> None:
    wrong = [step.text for step in steps if not step.right]
    if wrong:
        raise ObdwatchError(f"the demo did not come out as it should: {' / '.join(wrong)}")


def _serve(logbook: Logbook, no_browser: bool, port_http: int, units: str) -> None:
    from obdwatch.commands.dashboard import serve_logbook

    serve_logbook(logbook, port=port_http, open_browser=not no_browser, units=units)
