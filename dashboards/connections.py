"""Room for the next visitor, however many connections somebody else leaves open.

Waitress stops listening once too many are open, and waits two minutes for each that says nothing; whoever opens a
hundred and is silent would have the dashboard to themselves. Here the ones that were silent longest go.
"""

from __future__ import annotations

from waitress.server import BaseWSGIServer

MOST_OPEN = 400  # a browser opens up to six; a workshop has some screens
LEFT_OPEN = 200  # when there were more, so many stay, so that not each further one makes us look
LIMIT = 900  # where waitress would stop listening; never reached, and below what a process may have open (1,024)


def make_room(server: BaseWSGIServer) -> None:
    """Close the connections that have been silent longest where there are many; none with a request under way.

    To be called from the thread that runs the server's loop.
    """
    channels = list(server.active_channels.values())
    if len(channels) <= MOST_OPEN:
        return
    silent = sorted((one for one in channels if not one.requests), key=lambda one: one.last_activity)
    for channel in silent[: len(channels) - LEFT_OPEN]:
        channel.handle_close()
