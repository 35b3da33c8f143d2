"""Every error obdwatch raises on purpose, in one tree.

::

    ObdwatchError
    |-- InputError              a file, an option or a value from outside cannot be used
    |   |-- SessionFileError    a session file is missing, damaged, or of a newer format
    |   |-- ImportFileError     a table to import is not what it should be (path, line)
    |   `-- ProfileError        a car profile is contradictory or does not fit the data
    |-- LogbookError            the user's logbook cannot be read or written
    |-- AdapterError            no usable link to a car
    |   |-- PortNotFound        there is no such port
    |   |-- PortBusy            another program (or another recorder) holds the port
    |   |-- AdapterSilent       the port opens, but nothing that answers like an adapter is behind it
    |   |-- CarSilent           the adapter answers, the car does not (ignition off?)
    |   `-- ConnectionLost      the link broke after it had worked
    `-- ReplyError              one reply is no answer; the link turns it into `Exchange.status`
        |-- NoData
        |-- NegativeReply       the control unit refused, with its reason code
        |-- ShortReply
        `-- WrongReply

Each message is one line: what happened, with which input, and what to do next. "Not enough data" is a
verdict of a detector, never an exception.
"""

from __future__ import annotations

from pathlib import Path


class ObdwatchError(Exception):
    """Base of everything raised on purpose; its text is fit to be shown to the user as it is."""


class InputError(ObdwatchError):
    """Something handed in from outside cannot be used."""


class SessionFileError(InputError):
    """A session file cannot be read or written."""

    def __init__(self, path: Path | str, problem: str) -> None:
        super().__init__(f"{path}: {problem}")
        self.path = Path(path)


class ImportFileError(InputError):
    """A table to import is not usable; `line` counts from 1, None where no single line is to blame."""

    def __init__(self, path: Path | str, problem: str, line: int | None = None) -> None:
        place = f"{path}, line {line}" if line is not None else f"{path}"
        super().__init__(f"{place}: {' '.join(problem.split())}")  # one line, whatever the table holds
        self.path = Path(path)
        self.line = line


class ProfileError(InputError):
    """A car profile contradicts itself or the data."""


class LogbookError(ObdwatchError):
    """The logbook cannot be opened, read or written."""


class AdapterError(ObdwatchError):
    """There is no usable link to a car."""


class PortNotFound(AdapterError):
    """The named port does not exist or refuses the connection."""


class PortBusy(AdapterError):
    """The port is held by someone else."""


class AdapterSilent(AdapterError):
    """Whatever is behind the port does not answer as an ELM327-compatible adapter."""


class CarSilent(AdapterError):
    """The adapter answers, but no control unit does."""


class ConnectionLost(AdapterError):
    """The link broke in use."""


class ReplyError(ObdwatchError):
    """A reply that holds no value."""


class NoData(ReplyError):
    """No control unit answered this request."""


class NegativeReply(ReplyError):
    """A control unit refused the request; `code` is the ISO 14229 negative response code."""

    def __init__(self, service: int, code: int) -> None:
        super().__init__(f"service {service:02X} refused with reason {code:02X}")
        self.service = service
        self.code = code


class ShortReply(ReplyError):
    """A reply ends before its announced or required length."""


class WrongReply(ReplyError):
    """A reply does not belong to the request, or is damaged."""
