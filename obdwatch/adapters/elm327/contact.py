"""First contact: is there an ELM327-compatible adapter behind this port, and at which line speed?

Then its settings: no echo, headers shown, no line feeds. A device that refuses a setting without which replies cannot
be understood is no adapter.
"""

from __future__ import annotations

from collections.abc import Iterable

from obdwatch.adapters.elm327.conditions import Condition, condition_of
from obdwatch.adapters.elm327.reply_text import lines_of
from obdwatch.adapters.elm327.serial_stream import DEFAULT_RATE, SerialStream
from obdwatch.adapters.elm327.transport import RawReply, Transport
from obdwatch.adapters.stream import Stream
from obdwatch.errors import AdapterSilent, ConnectionLost

RATES = (38_400, 115_200, 9_600, 57_600, 230_400)  # bit/s; ELM327 command set, common defaults first
CONTACT_DEADLINE = 1.0  # s
RATE_DEADLINE = 0.4  # s at each line speed: at the right one the answer takes a tenth of that
RESET_DEADLINE = 2.5  # s; slow adapters need two seconds to restart
INTERRUPT_DEADLINE = 0.5  # s
IDENTITY_COMMANDS = ("ATI", "AT@1", "ATE0")  # the last is always known, but its OK proves least
REQUIRED = "OK"


def make_contact(stream: Stream, transport: Transport, port: str, rate: int | None) -> str:
    """Find out that an adapter is there and how it calls itself; raises AdapterSilent."""
    transport.begin(f"waiting for an adapter on {port}")
    heard: list[str] = []
    if isinstance(stream, SerialStream) and stream.rate_matters:
        answered = _try_rates(stream, transport, rate, heard)
    else:
        answered = _answers(transport, CONTACT_DEADLINE, heard)
    if not answered and not _wakes_by_reset(transport, heard):
        raise AdapterSilent(_silence(port, heard))
    return _identity(transport, port)


def prepare(transport: Transport, port: str) -> bool:
    """Put the adapter into the state the rest relies on; returns whether it echoes in spite of being told not to.

    Raises AdapterSilent when it does not take a setting without which replies cannot be understood.
    """
    if not _accepts(transport, "ATD"):
        transport.adapter_command("ATZ", RESET_DEADLINE)
    _insist(transport, "ATE0", port)
    transport.adapter_command("ATL0")
    transport.adapter_command("ATS0")  # spaces are a third of all bytes; an adapter without the command keeps them
    _insist(transport, "ATH1", port)
    transport.adapter_command("ATCAF1")
    transport.reset_seen = False
    return _echoes(transport.adapter_command("ATAL"))


def words(reply: RawReply) -> list[str]:
    """The lines of an adapter's own answer, without its echo of the command."""
    return [line for line in lines_of(reply.text) if line != reply.command]


def _try_rates(stream: SerialStream, transport: Transport, rate: int | None, heard: list[str]) -> bool:
    for candidate in _unique([rate or DEFAULT_RATE, *RATES]):
        stream.set_rate(candidate)
        if _answers(transport, RATE_DEADLINE, heard):
            return True
    stream.set_rate(rate or DEFAULT_RATE)
    return False


def _answers(transport: Transport, deadline: float, heard: list[str]) -> bool:
    """Whether the adapter answers its identity command, if need be after being interrupted in something else."""
    first = transport.greet("ATI", deadline)
    if _is_answer(first, heard):
        return True
    heard.append(transport.interrupt(min(deadline, INTERRUPT_DEADLINE)))
    return _is_answer(transport.greet("ATI", deadline), heard)


def _wakes_by_reset(transport: Transport, heard: list[str]) -> bool:
    reply = transport.greet("ATZ", RESET_DEADLINE)
    return _is_answer(reply, heard)


def _is_answer(reply: RawReply, heard: list[str]) -> bool:
    heard.append(reply.text)
    lines = words(reply)
    return reply.complete and bool(lines) and all(line.isascii() and line.isprintable() for line in lines)


def _identity(transport: Transport, port: str) -> str:
    """Choose a command with a recognisable answer as proof of being in step; return how the adapter calls itself."""
    for command in IDENTITY_COMMANDS:
        first, second = (words(transport.adapter_command(command)) for _ in range(2))
        if second and first == second and condition_of(second[-1]) in (None, Condition.RESET):
            transport.identity = (command, second)
            return _name(second[-1]) if second[-1] != REQUIRED else "adapter without a name"
    raise AdapterSilent(
        f"{port}: something answers there, but not as an ELM327-compatible adapter; choose another port"
    )


def _name(line: str) -> str:
    """An adapter's name for itself with the space before its version put back."""
    name, mark, version = line.rpartition("V")
    return f"{name} v{version}" if mark and version[:1].isdigit() else line


def _insist(transport: Transport, command: str, port: str) -> None:
    for _ in range(2):
        if _accepts(transport, command):
            return
    raise AdapterSilent(f"{port}: the device does not take {command} as an ELM327-compatible adapter would")


def _accepts(transport: Transport, command: str) -> bool:
    return words(transport.adapter_command(command))[-1:] == [REQUIRED]


def _echoes(reply: RawReply) -> bool:
    return lines_of(reply.text)[:1] == [reply.command]


def _unique(rates: Iterable[int]) -> list[int]:
    return list(dict.fromkeys(rates))


def _silence(port: str, heard: list[str]) -> str:
    if any(text.strip() for text in heard):
        return f"{port}: something answers there, but not as an ELM327-compatible adapter; choose another port"
    return f"{port} opens, but no adapter answers; check that it is plugged in and powered, and that this is its port"


def lost_is_silence(port: str, problem: ConnectionLost) -> AdapterSilent:
    """What a link that breaks while connecting means to the user."""
    return AdapterSilent(f"{port}: the link broke while connecting ({problem})")
