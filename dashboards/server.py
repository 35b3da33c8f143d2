"""Serving the dashboard from this machine: waitress on loopback, an address to open, a clean end on Ctrl-C."""

from __future__ import annotations

import contextlib
import errno
import logging
import os
import secrets
import socket
import webbrowser
from collections.abc import Callable
from dataclasses import dataclass, field
from threading import Event, Thread
from typing import Any

import waitress
from waitress import wasyncore
from waitress.server import BaseWSGIServer

from dashboards.app import create_app
from dashboards.arrival_reading import LARGEST
from dashboards.connections import LIMIT, make_room
from dashboards.security import LARGEST_REQUEST, SHORTEST_TOKEN, Access, is_loopback
from dashboards.sessions import Analyse, Load, SessionSource
from obdwatch.errors import InputError, ObdwatchError

PORT = 8050
THREADS = 4
LAST_PORT = 65_535
# Waitress stores a body before it asks the application, which has the word about anything smaller.
LARGEST_BODY = LARGEST + LARGEST_REQUEST
NEWEST = 10  # drives whose findings the first page will ask for
LOOK = 1.0  # s between two looks whether to stop


@dataclass(frozen=True, slots=True)
class Served:
    """A server that holds its port: `run` serves until Ctrl-C or `stop`; `address` is what to open."""

    server: BaseWSGIServer
    address: str
    _sockets: dict[int, Any]
    _stopped: Event = field(default_factory=Event)

    def run(self) -> None:
        """Serve until interrupted or stopped, then let go of the port."""
        try:
            while not self._stopped.is_set():
                wasyncore.loop(timeout=LOOK, use_poll=True, map=self._sockets, count=1)
                make_room(self.server)
        except KeyboardInterrupt:
            pass
        finally:
            self.server.close()

    def stop(self) -> None:
        """End the `run` of another thread, at the latest after a second; waitress itself cannot be told to."""
        self._stopped.set()
        self.server.pull_trigger()


def serve(
    logbook: SessionSource,
    host: str = "127.0.0.1",
    port: int = PORT,
    token: str | None = None,
    open_browser: bool = True,
    analyse: Analyse | None = None,
    path: str = "/",
    say: Callable[[str], None] = print,
    units: str = "metric",
) -> None:
    """Serve the dashboard over `logbook` until Ctrl-C; prints its address and opens it at `path`, in
    `units` (metric, us) until the reader chooses.

    A `host` beyond this machine demands a token; one is made where none is given. Raises InputError for a token that
    is too short or a host that is not this machine's, ObdwatchError where the port is taken.
    """
    served = prepare(logbook, host, port, token, analyse, path, units=units)
    Thread(target=warm_up, args=(logbook,), daemon=True).start()
    # Waitress warns of every request that waits for a thread; a browser loads a dozen files at once.
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    say(f"The dashboard is at {served.address}  (Ctrl-C ends it)")
    if open_browser:
        Thread(target=webbrowser.open, args=(served.address,), daemon=True).start()
    served.run()


def warm_up(logbook: SessionSource) -> None:
    """Load what the first page needs while the browser is still starting: modules, and the newest findings."""
    import obdwatch.car_risks
    import obdwatch.planning.plan  # noqa: F401

    with contextlib.suppress(ObdwatchError):  # the page itself says what is wrong
        logbook.findings_of([one.id for one in logbook.sessions()[-NEWEST:]])


def prepare(
    logbook: SessionSource,
    host: str = "127.0.0.1",
    port: int = PORT,
    token: str | None = None,
    analyse: Analyse | None = None,
    path: str = "/",
    load: Load | None = None,
    units: str = "metric",
) -> Served:
    """Take the port and make the server, without serving yet; port 0 takes any free one. Raises as `serve`."""
    access = access_for(host, token)
    listening = take_port(host, port)
    app = create_app(logbook, analyse, access=access, load=load, units=units)
    sockets: dict[int, Any] = {}
    server = waitress.create_server(
        app.server,
        map=sockets,
        sockets=[listening],
        threads=THREADS,
        ident=None,
        max_request_body_size=LARGEST_BODY,
        connection_limit=LIMIT,
    )
    return Served(server, address_of(access, int(listening.getsockname()[1]), path), sockets)


def take_port(host: str, port: int) -> socket.socket:
    """Bind a socket; ours and not waitress's, which forgets to let go of it when that fails."""
    if not 0 <= port <= LAST_PORT:
        raise InputError(f"there is no port {port}: choose one from 1024 to {LAST_PORT}")
    try:
        family, kind, protocol, _, place = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
    except (OSError, UnicodeError) as error:
        raise _refused(host, port, error) from error
    bound = socket.socket(family, kind, protocol)
    try:
        if os.name == "posix":  # on Windows the same option would share the port with another program
            bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.bind(place)
    except OSError as error:
        bound.close()
        raise _refused(host, port, error) from error
    return bound


def access_for(host: str, token: str | None) -> Access:
    """Who may come in. Raises InputError for a token that could be guessed."""
    if token is not None and len(token) < SHORTEST_TOKEN:
        raise InputError(f"the token is too short: give at least {SHORTEST_TOKEN} letters, or leave it out to get one")
    if token is not None and not (token.isascii() and token.replace("-", "").replace("_", "").isalnum()):
        raise InputError("the token may hold only letters, digits, - and _, because it is part of an address")
    if token is None and not is_loopback(host):
        token = secrets.token_urlsafe(24)
    return Access(host, token)


def address_of(access: Access, port: int, path: str = "/") -> str:
    """The address to open, with the token where there is one."""
    name = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(access.host, access.host)
    shown = f"[{name}]" if ":" in name else name
    return f"http://{shown}:{port}{path}" + (f"?token={access.token}" if access.token else "")


def _refused(host: str, port: int, error: Exception) -> ObdwatchError:
    number = error.errno if isinstance(error, OSError) else None
    if number == errno.EADDRINUSE:
        return ObdwatchError(f"port {port} on {host} is taken, perhaps by another dashboard: choose another port")
    if number == errno.EACCES:
        return InputError(f"port {port} on {host} is not allowed for this user: choose one from 1024 up")
    return InputError(f"cannot serve on {host}, port {port}: {error}; use an address of this machine and a free port")
