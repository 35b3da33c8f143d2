"""The one interface behind which an adapter stands, whether real, virtual or played back from a file."""

from __future__ import annotations

from typing import Protocol

from obdwatch.records import Connection, Exchange

DEFAULT_DEADLINE = 1.0  # s; the longest silence after which a request is given up


class Adapter(Protocol):
    """A link to a car that answers one request at a time.

    Times in the exchanges are those of the clock the adapter was made with (`Clock.elapsed`); the recorder shifts
    them to the start of its session.
    """

    def connect(self) -> Connection:
        """Open the link and find out what the car offers; called again, it opens a lost link anew.

        Raises PortNotFound, PortBusy, AdapterSilent or CarSilent, each with a one-line text for the user.
        """
        ...

    def request(self, payload: bytes, deadline: float = DEFAULT_DEADLINE) -> tuple[Exchange, ...]:
        """Send service bytes (`b"\\x01\\x0c"`) and return one exchange for each control unit that answered.

        When none did, exactly one exchange without `ecu` that says why. Never returns later than `deadline` [s]
        plus the time to fall back into step with the adapter. Raises ConnectionLost when the link is gone, and
        ValueError for a service that must not be sent.
        """
        ...

    def voltage(self) -> Exchange:
        """Read the supply voltage the adapter itself measures at pin 16 (`ATRV`)."""
        ...

    def close(self) -> None:
        """Give the port back; safe to call twice."""
        ...
