"""Serving a virtual adapter from the command line until somebody stops it."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

import click

from obdwatch.commands.options import Settings, print_json

if TYPE_CHECKING:
    from obdwatch.adapters.virtual.interpreter import ElmInterpreter
    from obdwatch.adapters.virtual.scaled_clock import ScaledClock

LOOK = 0.2  # s between two looks whether to stop


def serve_until_stopped(interpreter: ElmInterpreter, clock: ScaledClock, listen: str, settings: Settings) -> None:
    """Serve one interpreter at `listen` until Ctrl-C or SIGTERM; says where a client finds it."""
    from obdwatch.adapters.virtual.server import serving
    from obdwatch.recording.stopping import stop_on_signals

    with stop_on_signals() as stop, serving(interpreter, clock, listen) as port:
        if settings.as_json:
            print_json({"port": port})
        else:
            click.echo(f"Listening. Record from it with: obdwatch record --port {port}   (Ctrl-C ends it)")
        idle = threading.Event()
        while not stop():
            idle.wait(LOOK)
