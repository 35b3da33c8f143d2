"""`obdwatch record`: keep a drive, until Ctrl-C."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from obdwatch.commands.options import INTERRUPTED, Amount, Settings, common_options, print_json

if TYPE_CHECKING:
    from obdwatch.recording.capture import CaptureOptions
    from obdwatch.recording.recorder import RecordingStatus
    from obdwatch.records import Car, Connection
    from obdwatch.signals.running_coverage import RunningCoverage
    from obdwatch.watching import DangerWatch

COVERAGE_EVERY = 10  # status reports, which come once per second
WARNING_EVERY = 5  # status reports
SAFETY = "Set it going before you drive off and leave it alone: never watch or operate a screen while driving."


@click.command("record")
@click.option("--port", default="auto", show_default=True, help="auto, a device, or socket://HOST:PORT.")
@click.option("--car", "car_id", help="Id of the car in the logbook.")
@click.option("--odometer", type=Amount(), help="Odometer now, in km (miles with --units us).")
@click.option("--soak-hours", type=Amount(), help="Hours the car has stood, if you know.")
@click.option("--out", "file", type=click.Path(path_type=Path), help="Session file to write (.obdw).")
@click.option("--seconds", type=Amount(above_zero=True), help="Stop by itself after this time.")
@click.option("--note", default="", help="A few words to remember the drive by.")
@click.option("--quiet", is_flag=True, help="Say nothing but errors, for a box without a screen.")
@common_options
def command(
    settings: Settings,
    port: str,
    car_id: str | None,
    odometer: float | None,
    soak_hours: float | None,
    file: Path | None,
    seconds: float | None,
    note: str,
    quiet: bool,
) -> int:
    """Record a drive into a session file and the logbook, until Ctrl-C.

    Best started before the engine: the start itself is part of what tells a tired battery from a tired starter.
    """
    from obdwatch.commands.lookup import car_from
    from obdwatch.recording.capture import CaptureOptions

    car = car_from(settings, car_id)
    options = CaptureOptions(car_id, settings.kilometres(odometer), soak_hours, note, file, seconds)
    return _record(settings, port, options, Screen(quiet or settings.as_json, settings.units, car))


def _record(settings: Settings, port: str, options: CaptureOptions, screen: Screen) -> int:
    from obdwatch.adapters.elm327.adapter import Elm327Adapter
    from obdwatch.clock import SystemClock
    from obdwatch.recording.capture import capture
    from obdwatch.recording.stopping import stop_on_signals

    clock = SystemClock()
    with settings.open_logbook() as logbook, stop_on_signals() as stop:
        adapter = Elm327Adapter(port, clock, notice=screen.notice)

        def connected(connection: Connection, path: Path) -> None:
            screen.connected(connection, path)
            logbook.add_session(path)  # at once, so that a recording that is killed is in the logbook all the same

        try:
            path = capture(adapter, clock, logbook.sessions_folder, options, stop, connected, screen.status)
        finally:
            screen.end()
            if screen.path is not None and screen.path.exists():
                logbook.add_session(screen.path)
    if settings.as_json:
        print_json({"session": path.stem, "file": path, "interrupted": stop()})
    else:
        screen.say(f"Kept as {path}. Look at it with: obdwatch analyse {path.stem}")
    return INTERRUPTED if stop() else 0


class Screen:
    """What a terminal shows while a drive is recorded; silent when asked to be."""

    def __init__(self, silent: bool, units: str, car: Car | None) -> None:
        self._silent = silent
        self._units, self._car = units, car
        self._live = sys.stderr.isatty() and not silent
        self._seen = ""
        self._reports = 0
        self._coverage: RunningCoverage | None = None
        self._watch: DangerWatch | None = None
        self.path: Path | None = None

    def say(self, text: str) -> None:
        """Print one line."""
        if not self._silent:
            click.echo(text, err=True)

    def notice(self, text: str) -> None:
        """Something takes long, or has changed on the link."""
        self._clear()
        self.say(text)

    def connected(self, connection: Connection, path: Path) -> None:
        """The car answers: say what was found."""
        self.path = path
        supported = len({pid for pids in connection.supported.values() for pid in pids})
        units = ", ".join(f"{ecu:X}" for ecu in connection.ecus)
        self.say(f"Connected: {connection.adapter} on {connection.port}, {connection.protocol}.")
        self.say(
            f"Control units {units}; {supported} parameters; {connection.rate:.0f} requests per second of up to "
            f"{connection.parameters_per_request} parameters."
        )
        self.say(f"Recording to {path}. Ctrl-C ends it. {SAFETY}")

    def status(self, status: RecordingStatus) -> None:
        """Called once per second."""
        from obdwatch.commands.words import coverage_words
        from obdwatch.signals.running_coverage import RunningCoverage

        if self._silent:
            return
        report, self._reports = self._reports, self._reports + 1
        if report % WARNING_EVERY == 0:
            self._warn(status.path)
        if not self._live:
            return
        if report % COVERAGE_EVERY == 0:
            self._coverage = self._coverage or RunningCoverage(status.path)
            self._seen = coverage_words(self._coverage.look())
        minutes, seconds = divmod(int(status.duration), 60)
        state = status.trouble or status.link.value.replace("_", " ")
        line = f"{minutes}:{seconds:02d}  {status.values_per_second:.0f} values/s  link {state}  {self._seen}"
        width = shutil.get_terminal_size().columns
        self._clear()
        click.echo(line[: width - 1], nl=False, err=True)

    def _warn(self, path: Path) -> None:
        """Say at once, with a beep, what cannot wait until the drive is over."""
        from obdwatch.commands.words import warning_lines
        from obdwatch.watching import DangerWatch

        self._watch = self._watch or DangerWatch(path, self._car)
        found = self._watch.look()
        if found is not None:
            self._clear()
            self.say("\a" + "\n".join(warning_lines(found, self._units)))

    def end(self) -> None:
        """Leave the status line."""
        self._clear()

    def _clear(self) -> None:
        if self._live:
            click.echo("\r\x1b[K", nl=False, err=True)
