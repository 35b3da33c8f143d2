"""From a port name to an adapter that answers: opening, line speed, and trying the likely ports for `auto`."""

from __future__ import annotations

from dataclasses import dataclass

from obdwatch.adapters.elm327.contact import lost_is_silence, make_contact
from obdwatch.adapters.elm327.ports import AUTO, likely_ports, open_stream
from obdwatch.adapters.elm327.serial_stream import SerialStream
from obdwatch.adapters.elm327.transport import Notice, Transport
from obdwatch.adapters.stream import Stream
from obdwatch.clock import Clock
from obdwatch.errors import AdapterError, AdapterSilent, ConnectionLost, PortNotFound

GIVEN_STREAM = "the given stream"


@dataclass(frozen=True, slots=True)
class Reached:
    """An adapter that answers: the transport to it, the port it is on, its own name, its line speed [bit/s]."""

    transport: Transport
    port: str
    identity: str
    rate: int | None


def reach(port: str, rate: int | None, clock: Clock, notice: Notice, before: str | None = None) -> Reached:
    """Open `port` and make contact; for `auto`, the port that worked `before` and then every likely one.

    Raises PortNotFound, PortBusy or AdapterSilent.
    """
    if port != AUTO:
        return _open(port, rate, clock, notice)
    candidates = list(dict.fromkeys([*([before] if before else []), *likely_ports()]))
    if not candidates:
        raise PortNotFound("no port here looks like an adapter; plug it in, or name its port (socket://HOST:PORT)")
    problems: list[AdapterError] = []
    for candidate in candidates:
        try:
            return _open(candidate, rate, clock, notice)
        except AdapterError as problem:
            notice(str(problem))
            problems.append(problem)
    if len(problems) == 1:
        raise problems[0]
    raise AdapterSilent(
        f"none of the likely ports ({', '.join(candidates)}) has an adapter that answers; name its port"
    )


def reach_given(stream: Stream, clock: Clock, notice: Notice) -> Reached:
    """Make contact over a stream that is open already."""
    return _greet(stream, GIVEN_STREAM, None, clock, notice)


def _open(port: str, rate: int | None, clock: Clock, notice: Notice) -> Reached:
    stream = open_stream(port, rate)
    try:
        return _greet(stream, port, rate, clock, notice)
    except BaseException:
        stream.close()
        raise


def _greet(stream: Stream, port: str, rate: int | None, clock: Clock, notice: Notice) -> Reached:
    transport = Transport(stream, clock, notice, port)
    try:
        identity = make_contact(stream, transport, port, rate)
    except ConnectionLost as problem:
        raise lost_is_silence(port, problem) from problem
    return Reached(transport, port, identity, stream.rate if isinstance(stream, SerialStream) else None)
