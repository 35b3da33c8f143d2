"""Options that every subcommand takes, and the two ways a result is printed."""

from __future__ import annotations

import dataclasses
import json
import math
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from enum import Enum
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from obdwatch.errors import InputError, LogbookError
from obdwatch.units import KM_PER_MILE

if TYPE_CHECKING:
    from obdwatch.logbook.logbook import Logbook

BAD_INPUT, INTERRUPTED = 2, 130  # exit codes; 1 is an urgent finding, with --fail-on
PROGRESS_STEPS = 100
Command = TypeVar("Command", bound=Callable[..., Any])


@dataclasses.dataclass(frozen=True)
class Settings:
    """What the common options said."""

    logbook: Path | None
    as_json: bool
    typed_units: str | None = None

    @cached_property
    def units(self) -> str:
        """The units that were typed; else those that the cars of the logbook agree on; else metric."""
        if self.typed_units is not None or not self.has_logbook():
            return self.typed_units or "metric"
        try:
            with self.open_logbook() as logbook:
                said = {car.units for car in logbook.cars() if car.units is not None}
        except LogbookError:  # a command that needs the logbook says what is wrong with it
            return "metric"
        return said.pop() if len(said) == 1 else "metric"

    def open_logbook(self) -> Logbook:
        """Open the user's logbook, made on first use. Raises LogbookError."""
        from obdwatch.logbook.logbook import Logbook, default_directory

        return Logbook(self.logbook or default_directory())

    def has_logbook(self) -> bool:
        """Whether there is a logbook already, so that looking does not make one."""
        from obdwatch.logbook.logbook import DATABASE, default_directory

        return ((self.logbook or default_directory()).expanduser() / DATABASE).is_file()

    def kilometres(self, odometer: float | None) -> float | None:
        """An odometer reading as it was typed, in the units the user reads [km]."""
        return odometer * KM_PER_MILE if odometer is not None and self.units == "us" else odometer


class Amount(click.ParamType[float]):
    """A number a user types: finite, and not below zero (or, with `above_zero`, not zero either)."""

    name = "number"

    def __init__(self, above_zero: bool = False) -> None:
        self._above_zero = above_zero

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Read the number; what is none becomes a usage error."""
        try:
            number = float(value)
        except ValueError:
            number = math.nan
        if not math.isfinite(number) or number < 0 or (self._above_zero and number == 0):
            least = "above zero" if self._above_zero else "of zero or more"
            self.fail(f"{value!r} is not a number {least}", param, ctx)
        return number


def moment(option: str, text: str | None) -> datetime | None:
    """Read a date and time a user typed; one without a zone is this computer's local time. Raises InputError."""
    if text is None:
        return None
    try:
        return datetime.fromisoformat(text).astimezone(UTC)
    except (ValueError, OverflowError):
        raise InputError(f"{option} {text!r}: write a date like 2026-03-01, or 2026-03-01T07:10:00+01:00") from None


def common_options(function: Command) -> Command:
    """Add --logbook, --json and --units; the command receives them as `settings`."""

    @click.option("--logbook", type=click.Path(path_type=Path), help="Folder of the logbook (default: your own).")
    @click.option("--json", "as_json", is_flag=True, help="Print one JSON document and nothing else.")
    @click.option(
        "--units", type=click.Choice(["metric", "us"]), help="Units to read and type [your cars', or metric]."
    )
    def wrapped(logbook: Path | None, as_json: bool, units: str | None, **rest: Any) -> Any:
        return function(settings=Settings(logbook, as_json, units), **rest)

    wrapped.__name__ = function.__name__
    wrapped.__doc__ = function.__doc__
    # Options declared below this decorator hang on the wrapped function; click must find them on the outer one.
    wrapped.__click_params__ = [  # type: ignore[attr-defined]
        *getattr(function, "__click_params__", []),
        *getattr(wrapped, "__click_params__", []),
    ]
    return wrapped  # type: ignore[return-value]


def print_json(document: object) -> None:
    """Print `document` (records allowed) as JSON; a number that is no number becomes null."""
    click.echo(json.dumps(plain(document), indent=2, ensure_ascii=False, allow_nan=False))


def plain(value: object) -> Any:
    """Turn records, arrays, enums, dates and paths into what JSON knows."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, Mapping):
        return {str(plain(k)): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(v) for v in value]
    if hasattr(value, "tolist"):  # a numpy array or scalar; numpy itself is not imported for this
        return plain(value.tolist())
    return _plain_scalar(value)


def _plain_scalar(value: object) -> object:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, bytes):
        return value.hex(" ").upper()
    return str(value) if isinstance(value, Path) else value


@contextmanager
def progress_bar(settings: Settings, label: str) -> Iterator[Callable[[float], None]]:
    """Give a function that takes the share done, 0 to 1, and shows it on a terminal; elsewhere it shows nothing."""
    if settings.as_json or not sys.stderr.isatty():
        yield lambda share: None
        return
    with click.progressbar(length=PROGRESS_STEPS, label=label, file=sys.stderr) as bar:
        yield lambda share: bar.update(max(0, int(share * PROGRESS_STEPS) - bar.pos))
